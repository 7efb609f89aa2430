"""What the cohort report is made from: the tables of a run, read once, and one value a case for its figures."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.dataset as ds

from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.study.keys import case_key

STATISTICS = (
    "cohort_summary", "agreement", "size_agreement", "cutoffs", "associations", "baseline", "phase_curves",
    "endpoints", "roc_curves", "landmark_agreement", "categorical", "categorical_agreement",
)  # fmt: skip
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
        frame = self._dataset.to_table(
            columns=["case_id", "measure", "status"], filter=ds.field("status") != "ok"
        ).to_pandas()
        grouped = frame.groupby(["measure", "status"], sort=True)["case_id"]
        return grouped.agg(rows="size", cases="nunique").reset_index()

    @cached_property
    def measured(self) -> pd.DataFrame:
        """Readings measured: case, phase, reader, read."""
        names = ["case_id", "phase_pct", "reader_id", "read_no"]
        if self._dataset is None:
            return pd.DataFrame(columns=names)
        frame = self._dataset.to_table(columns=names).to_pandas().drop_duplicates()
        return frame[frame["reader_id"].fillna("") != ""]

    @cached_property
    def groups(self) -> pd.Series:
        """Group by case_id; `not stated` where there is none."""
        if "group" not in self.cases:
            return pd.Series("not stated", index=self.cases["case_id"])
        named = self.cases["group"].fillna("").replace("", "not stated")
        return pd.Series(named.to_numpy(), index=self.cases["case_id"].to_numpy())

    @cached_property
    def group_names(self) -> list[str]:
        """Groups in order."""
        return sorted(set(self.groups))

    @cached_property
    def end_systole(self) -> pd.Series:
        """Phase by case: of the smallest mean LV volume, else of the smallest neo-LVOT, else the only phase."""
        chosen: dict[str, float] = {}
        for measure in ("neo_lvot_area", "lv_volume"):
            frame = self.values(measure)
            frame = frame[frame["phase_pct"].notna() & ~frame["variant"].str.contains("/", regex=False)]
            if len(frame):
                means = frame.groupby(["case_id", "phase_pct"], sort=True)["value"].mean().reset_index()
                smallest = means.loc[means.groupby("case_id")["value"].idxmin()]
                chosen.update(zip(smallest["case_id"], smallest["phase_pct"], strict=True))
        return pd.Series(chosen, dtype="float64")

    def pick(self, spec: str) -> pd.DataFrame:
        """Readings of one headline measure (`measure` or `measure/variant`) with one variant, method and plan a case.

        The variant is the main solid where the measure has solids, else the first; the method the one preferred in
        the settings, else the first; the plan the first by name.
        """
        measure, _, variant = spec.partition("/")
        frame = self.values(measure)
        if not len(frame):
            return frame
        plain = frame[~frame["variant"].str.contains("/", regex=False)]
        names = list(dict.fromkeys(plain["variant"]))
        wanted = variant or (self.settings.main_solid if self.settings.main_solid in names else next(iter(names), ""))
        frame = frame[(frame["variant"] == wanted) | frame["variant"].str.startswith(f"{wanted}/")]
        methods = sorted(set(frame["method"]), key=lambda m: (m != self.settings.main_method, m))
        if methods:
            frame = frame[frame["method"] == methods[0]]
        first = frame.groupby("case_id")["plan_id"].transform("min")
        return frame[frame["plan_id"] == first]

    def case_values(self, spec: str) -> pd.DataFrame:
        """One value a case: the mean over its readings at end-systole, with their number."""
        frame = self.pick(spec)
        columns = ["case_id", "group", "value", "unit", "readings"]
        if not len(frame):
            return pd.DataFrame(columns=columns)
        over = frame[frame["variant"].str.endswith("/end_systole")]
        single = frame[~frame["variant"].str.contains("/", regex=False)]
        phase = single["case_id"].map(self.end_systole)
        at_phase = single[(single["phase_pct"] == phase) | (phase.isna())]
        at_phase = at_phase[~at_phase["case_id"].isin(set(over["case_id"]))]
        used = pd.concat([over, at_phase]) if len(over) else at_phase
        means = (
            used.groupby("case_id", sort=True).agg(value=("value", "mean"), readings=("value", "size")).reset_index()
        )
        means["group"] = means["case_id"].map(self.groups).fillna("not stated")
        means["unit"] = frame["unit"].iloc[0]
        return means[columns]

    def variant_of(self, spec: str) -> tuple[str, str, str]:
        """Measure, variant and method that `pick` takes."""
        frame = self.pick(spec)
        measure = spec.partition("/")[0]
        if not len(frame):
            return measure, spec.partition("/")[2], ""
        return measure, str(frame["variant"].iloc[0]).split("/")[0], str(frame["method"].iloc[0])

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
            known |= set(ds.dataset(measured).to_table(columns=["case_id"]).column(0).unique().to_pylist())
        cases = pd.DataFrame({"case_id": sorted(known)})
    return Cohort(
        results=results,
        settings=settings,
        study=_json(work / "study.json"),
        plan=_json(work / "plan.json"),
        cases=cases.sort_values("case_id", kind="stable").reset_index(drop=True),
        readings=_frame(work / "readings.parquet"),
        series=series,
        privacy=_frame(tables / "privacy.parquet"),
        set_aside=_frame(tables / "set_aside.parquet"),
        tables={name: _frame(tables / f"{name}.parquet") for name in STATISTICS},
        recovered=_frame(work / "recovered.parquet"),
    )


def _frame(path: Path) -> pd.DataFrame:
    return pd.read_parquet(path) if path.exists() else pd.DataFrame()


def _json(path: Path) -> Mapping[str, Any]:
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def has(frame: pd.DataFrame, columns: Sequence[str]) -> bool:
    """Whether a frame has rows and all of `columns`."""
    return len(frame) > 0 and all(c in frame for c in columns)
