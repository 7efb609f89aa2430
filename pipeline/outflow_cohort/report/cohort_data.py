"""What the cohort report is made from: the tables of a run, read once, and one value per case for its figures."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.dataset as ds

from outflow_cohort.datasets import count_rows_by
from outflow_cohort.handover.settings import frozen_section
from outflow_cohort.report.headline import PLAN_RULE, first_plans, headline_method, headline_variant
from outflow_cohort.report.primary import PrimaryValue, primary_values
from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.stats.data.case_reduction import case_values, rules_of
from outflow_cohort.stats.data.final_values import with_final
from outflow_cohort.stats.data.one_value import NOT_STATED, PHASE_RULES, SERIES, groups_of, one_value_a_case
from outflow_cohort.stats.data.settings import StatisticsSettings
from outflow_cohort.study.keys import case_key

STATISTICS = (
    "cohort_summary", "agreement", "size_agreement", "cutoffs", "associations", "baseline", "phase_curves",
    "endpoints", "roc_curves", "landmark_agreement", "plane_agreement", "method_comparison",
    "size_shares", "categorical_agreement", "method_agreement", "decision_curves", "dose_response", "reader_drift",
    "interval_check", "grras", "implant_choice", "implant_shares", "implant_sides",
    "time_to_event", "survival_curves", "adjusted_models", "mixed_models", "multi_reader_roc", "missing_data",
    "reporting",
)  # fmt: skip
POINT_COLUMNS = [
    "case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm",
]  # fmt: skip
MOST_ANATOMIES = 400
"""Cases in the mean anatomy: enough for a mean, and tens of thousands of readings need not be held at once."""
VALUE_COLUMNS = [
    "case_id", "phase_pct", "reader_id", "read_no", "plan_id", "measure", "variant", "method", "value", "unit",
    "status",
]  # fmt: skip


@dataclass(frozen=True)
class Cohort:
    """The tables of a run. An absent table is an empty frame."""

    results: Path
    settings: ReportSettings
    study: Mapping[str, Any]
    plan: Mapping[str, Any]
    cases: pd.DataFrame
    readings: pd.DataFrame
    series: pd.DataFrame
    privacy: pd.DataFrame
    set_aside: pd.DataFrame
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    recovered: pd.DataFrame = field(default_factory=pd.DataFrame)

    @cached_property
    def _dataset(self) -> Any:
        folder = self.results / "tables" / "measurements"
        return ds.dataset(folder, format="parquet") if folder.exists() else None

    @cached_property
    def _cache(self) -> dict[str, pd.DataFrame]:
        return {}

    def values(self, measure: str) -> pd.DataFrame:
        """Rows of one measure that have a number."""
        if self._dataset is None:
            return pd.DataFrame(columns=VALUE_COLUMNS)
        if measure not in self._cache:
            wanted = (ds.field("measure") == measure) & ds.field("value").is_valid()
            table = self._dataset.to_table(columns=VALUE_COLUMNS, filter=wanted)
            frame = table.to_pandas()
            frame["plan_id"] = frame["plan_id"].fillna("")
            self._cache[measure] = frame
        return self._cache[measure]

    @cached_property
    def statuses(self) -> pd.DataFrame:
        """Rows by measure and status other than ok, with the number of cases."""
        if self._dataset is None:
            return pd.DataFrame(columns=["measure", "status", "rows", "cases"])
        folder = self.results / "tables" / "measurements"
        found = count_rows_by(folder, ["measure", "status", "case_id"], ds.field("status") != "ok")
        grouped = found.groupby(["measure", "status"], sort=True)
        return grouped.agg(rows=("rows", "sum"), cases=("case_id", "nunique")).reset_index()

    @cached_property
    def measured(self) -> pd.DataFrame:
        """Readings measured: case, phase, reader, read; and whether their landmarks were marked or carried."""
        names = ["case_id", "phase_pct", "reader_id", "read_no"]
        if self._dataset is None:
            return pd.DataFrame(columns=names)
        # tables written before there were carried landmarks have no such column
        names += ["landmark_origin"] if "landmark_origin" in self._dataset.schema.names else []
        found = count_rows_by(self.results / "tables" / "measurements", names)
        return found.loc[found["reader_id"].fillna("") != "", names]

    @cached_property
    def points(self) -> pd.DataFrame:
        """Landmarks, a row per point, of at most MOST_ANATOMIES cases, taken evenly by name."""
        path = self.results / "work" / "readings.parquet"
        if not path.exists() or not len(self.readings):
            return pd.DataFrame(columns=POINT_COLUMNS)
        cases = sorted(set(self.readings["case_id"]))
        chosen = cases[:: -(-len(cases) // MOST_ANATOMIES)]
        table = ds.dataset(path).to_table(columns=POINT_COLUMNS, filter=ds.field("case_id").isin(chosen))
        return table.to_pandas()

    @cached_property
    def groups(self) -> pd.Series:
        """Group by case_id; `not stated` where there is none."""
        return groups_of(self.cases, self.statistics.group_column)

    @cached_property
    def group_names(self) -> list[str]:
        """Groups in order."""
        return sorted(set(self.groups))

    @cached_property
    def statistics(self) -> StatisticsSettings:
        """The settings of the statistics, so that figures show the values that the tables count."""
        return frozen_section(self.study, "statistics", StatisticsSettings)

    @cached_property
    def by_phase(self) -> pd.DataFrame:
        """One value per case, phase and quantity, by the study's rule on readers and reads."""
        if self._dataset is None or not list((self.results / "tables" / "measurements").rglob("*.parquet")):
            return pd.DataFrame(columns=["case_id", "phase_pct", *SERIES, "value", "n_readings"])
        values = case_values(self.results / "tables" / "measurements", rules_of(self.statistics))
        return values if self.final is None else with_final(values, self.final, self.statistics.curve_step_pct)

    @cached_property
    def final(self) -> pd.DataFrame | None:
        """The adjudicated values, where the study's statistics use them."""
        path = self.results / "tables" / "final.parquet"
        return pd.read_parquet(path) if self.statistics.values == "final" and path.exists() else None

    @cached_property
    def by_case(self) -> pd.DataFrame:
        """One value per case and quantity, by the study's rule on phases."""
        if not len(self.by_phase):
            return pd.DataFrame(columns=["case_id", *SERIES, "value"])
        found = one_value_a_case(self.by_phase, self.statistics.phase_rule)
        return found[found["value"].notna()]

    def choose(self, frame: pd.DataFrame, spec: str) -> pd.DataFrame:
        """Rows of one headline measure (`measure` or `measure/variant`): one variant, one method, one plan per case.

        The variant is the main solid where the measure has solids, else the first; the method the one preferred in
        the settings, else the first; the plan of a case as `report.headline` says.
        """
        measure, _, variant = spec.partition("/")
        frame = frame[(frame["measure"] == measure).to_numpy() & frame["value"].notna().to_numpy()]
        plans = frame["plan_id"].astype(str)
        frame = frame[((plans == "") | (plans == frame["case_id"].astype(str).map(self.plan_of))).to_numpy()]
        if not len(frame):
            return frame
        wanted = variant or headline_variant(frame["variant"].unique(), self.settings.main_solid)
        frame = frame[(frame["variant"] == wanted).to_numpy()]
        if not len(frame):
            return frame
        method = headline_method(frame["method"].unique(), self.settings.main_method)
        return frame[(frame["method"] == method).to_numpy()]

    def pick(self, spec: str) -> pd.DataFrame:
        """Single readings of one headline measure whose status counts, by `choose`."""
        frame = self.values(spec.partition("/")[0])
        return self.choose(frame[frame["status"].isin(self.statistics.usable_statuses)], spec)

    def case_values(self, spec: str) -> pd.DataFrame:
        """One value per case of a headline measure: columns case_id, group, plan_id, phase_pct, value, unit."""
        frame = self.choose(self.by_case, spec)
        columns = ["case_id", "plan_id", "phase_pct", "value", "unit"]
        out = frame[[c for c in columns if c in frame]].reset_index(drop=True)
        out.insert(1, "group", out["case_id"].map(self.groups).fillna(NOT_STATED))
        return out

    def phase_values(self, spec: str) -> pd.DataFrame:
        """One value per case and phase of a headline measure: columns case_id, group, phase_pct, value, unit."""
        frame = self.choose(self.by_phase[self.by_phase["phase_pct"].notna()], spec)
        out = frame[["case_id", "phase_pct", "value", "unit"]].copy()
        for name in ("case_id", "unit"):
            out[name] = out[name].astype(str)
        out.insert(1, "group", out["case_id"].map(self.groups).fillna(NOT_STATED))
        return out.sort_values(["case_id", "phase_pct"], kind="stable").reset_index(drop=True)

    def variant_of(self, spec: str) -> tuple[str, str, str]:
        """Measure, variant and method that `choose` takes."""
        frame = self.choose(self.by_phase, spec)
        measure, _, variant = spec.partition("/")
        return (
            (measure, str(frame["variant"].iloc[0]), str(frame["method"].iloc[0]))
            if len(frame)
            else (measure, variant, "")
        )

    @property
    def value_text(self) -> str:
        """How one value per case comes about, in words."""
        text = self.rules_text
        return f"{text}. {PLAN_RULE}" if self.several_plans else text

    @cached_property
    def plan_of(self) -> dict[str, str]:
        """The plan of each case that the report leads with."""
        return first_plans(self.by_phase)

    @cached_property
    def several_plans(self) -> bool:
        """Whether any case was measured with more than one plan."""
        frame = self.by_phase
        plans = frame.loc[frame["plan_id"].astype(str) != "", ["case_id", "plan_id"]].drop_duplicates()
        return bool(plans["case_id"].duplicated().any())

    @cached_property
    def primary(self) -> dict[str, list[PrimaryValue]]:
        """The primary measures by case_id."""
        if self._dataset is None:
            return {}
        return primary_values(self.results / "tables" / "measurements", self.settings, self.statistics, self.final)

    @property
    def rules_text(self) -> str:
        """How one value per case comes about, in words, without the rule on plans."""
        return f"{rules_of(self.statistics).text}; {PHASE_RULES[self.statistics.phase_rule]}"

    def table(self, name: str) -> pd.DataFrame:
        """A table of statistics, empty where the run has none."""
        return self.tables.get(name, pd.DataFrame())

    @cached_property
    def keys(self) -> dict[str, str]:
        """File-safe key by case_id."""
        return {c: case_key(c) for c in self.cases["case_id"]}


def read_cohort(results: Path, settings: ReportSettings) -> Cohort:
    """Read the tables of a run from RESULTS; what is absent is empty."""
    work, tables = results / "work", results / "tables"
    series = _frame(tables / "series.parquet")
    measured = tables / "measurements"
    cases = _frame(work / "cases.parquet")
    if "case_id" not in cases:
        known: set[str] = set(series["case_id"]) if "case_id" in series else set()
        if measured.exists():
            known |= set(count_rows_by(measured, ["case_id"])["case_id"])
        cases = pd.DataFrame({"case_id": sorted(known)})
    return Cohort(
        results=results,
        settings=settings,
        study=_json(work / "study.json"),
        plan=_json(work / "plan.json"),
        cases=cases.sort_values("case_id", kind="stable").reset_index(drop=True),
        readings=_given_readings(work / "readings.parquet"),
        series=series,
        privacy=_frame(tables / "privacy.parquet"),
        set_aside=_frame(tables / "set_aside.parquet"),
        tables={name: _frame(tables / f"{name}.parquet") for name in STATISTICS},
        recovered=_frame(work / "recovered.parquet"),
    )


def _given_readings(path: Path) -> pd.DataFrame:
    """Readings of the landmark table (case, phase, reader, read), without their points."""
    return count_rows_by(path, VALUE_COLUMNS[:4]) if path.exists() else pd.DataFrame()


def _frame(path: Path) -> pd.DataFrame:
    return pd.read_parquet(path) if path.exists() else pd.DataFrame()


def _json(path: Path) -> Mapping[str, Any]:
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def has(frame: pd.DataFrame, columns: Sequence[str]) -> bool:
    """Whether a frame has rows and all of `columns`."""
    return len(frame) > 0 and all(c in frame for c in columns)
