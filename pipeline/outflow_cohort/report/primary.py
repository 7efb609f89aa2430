"""The primary measures of each case: one value with interval, status, phase and path, the same on every page and table.

The value follows the study's rules on readers, reads and phases. Units are those of the measures.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.dataset as ds

from outflow_cohort.report.headline import headline_method, headline_plan, headline_variant
from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.stats.data.case_reduction import case_values, rules_of
from outflow_cohort.stats.data.final_values import with_final
from outflow_cohort.stats.data.one_value import end_systole, one_value_a_case
from outflow_cohort.stats.data.settings import StatisticsSettings
from outflow_cohort.study.status_codes import LEVELS, status_code

READING_COLUMNS = (
    "case_id", "phase_pct", "reader_id", "read_no", "plan_id", "measure", "variant", "method", "value", "unit",
    "ci_low", "ci_high", "status",
)  # fmt: skip
NOT_MEASURED = "not_measured"
"""Status of a primary measure of which the case has no row at all."""


@dataclass(frozen=True)
class PrimaryValue:
    """One primary measure of one case.

    value, low, high : null where no reading counts; the interval also where the value is over several phases.
    phase_pct, found_by : the phase used and how it was chosen; n_readings : readings in the value; smallest, largest :
    their range.
    """

    case_id: str
    spec: str
    measure: str
    variant: str
    method: str
    plan_id: str
    unit: str
    phase_pct: float | None
    found_by: str
    value: float | None
    low: float | None
    high: float | None
    status: str
    n_readings: int
    smallest: float | None
    largest: float | None

    @property
    def name(self) -> str:
        """The specification as a column name: `aorto_mitral_angle_opening`."""
        return self.spec.replace("/", "_")


def primary_values(
    measurements: Path, settings: ReportSettings, statistics: StatisticsSettings, final: pd.DataFrame | None = None
) -> dict[str, list[PrimaryValue]]:
    """By case_id, the primary measures in the order of the settings.

    measurements : the dataset, or the file of one case. final : adjudicated values (tables/final.parquet) that take the
    place of the readers'. The variant of a measure of the device is `main_solid`, else
    the first by name; the path `main_method` where the case has a value by it, else the other; the plan the first by
    name that has a value.
    """
    if not any(measurements.rglob("*.parquet") if measurements.is_dir() else [measurements]):
        return {}
    values = case_values(measurements, rules_of(statistics))
    settled: dict[Key, Reading] = {}
    if final is not None:
        values = with_final(values, final, statistics.curve_step_pct)
        step = statistics.curve_step_pct
        bins = final.assign(phase_pct=np.floor(final["phase_pct"].astype("float64") / step + 0.5) * step)
        settled = {_key(row): row for row in bins.to_dict("records")}
    chosen = one_value_a_case(values, statistics.phase_rule)
    systole = end_systole(values).set_index("case_id")["found_by"] if statistics.phase_rule == "end_systole" else {}
    measures = sorted({spec.partition("/")[0] for spec in settings.primary_measures})
    table = ds.dataset(measurements, format="parquet").to_table(
        columns=list(READING_COLUMNS), filter=ds.field("measure").isin(measures)
    )
    readings = _by_quantity(table.to_pandas(), statistics)
    found: dict[str, list[PrimaryValue]] = {str(case): [] for case in sorted(set(chosen["case_id"]))}
    chosen = chosen[chosen["measure"].isin(measures)]
    for spec in settings.primary_measures:
        measure, _, variant = spec.partition("/")
        rows = chosen[(chosen["measure"] == measure).to_numpy()]
        wanted = variant or headline_variant(rows["variant"].unique(), settings.main_solid)
        by_case = {str(c): part for c, part in rows[(rows["variant"] == wanted).to_numpy()].groupby("case_id")}
        for case, own in found.items():
            if case not in by_case:
                own.append(_absent(case, spec, wanted))
                continue
            row = _headline_row(by_case[case].to_dict("records"), settings.main_method)
            used, others = readings.get(_key(row), ([], []))
            value = _primary(spec, row, used, others, str(systole.get(case, "")))
            own.append(value if final is None else _settled(value, settled.get(_key(row))))
    return found


def _headline_row(rows: Sequence[Mapping[str, Any]], main_method: str) -> Mapping[str, Any]:
    """The row of the method and plan that come first; rows with a value go before others."""
    valued = [r for r in rows if not math.isnan(r["value"])] or list(rows)
    method = headline_method((r["method"] for r in valued), main_method)
    mine = [r for r in valued if r["method"] == method]
    plan = headline_plan(r["plan_id"] for r in mine)
    return next(r for r in mine if r["plan_id"] == plan)


Key = tuple[str, str, str, str, str, float]
Reading = Mapping[str, Any]


def _key(row: Mapping[str, Any]) -> Key:
    phase = row["phase_pct"]
    return (row["case_id"], row["measure"], row["variant"], row["method"], row["plan_id"] or "",
            -1.0 if phase is None or math.isnan(phase) else float(phase))  # fmt: skip


def _by_quantity(frame: pd.DataFrame, statistics: StatisticsSettings) -> dict[Key, tuple[list[Reading], list[Reading]]]:
    """Readings that count, and all others, by case, quantity and phase (middle of its bin)."""
    step = statistics.curve_step_pct
    frame = frame.assign(phase_pct=np.floor(frame["phase_pct"].astype("float64") / step + 0.5) * step)
    usable = frame["status"].isin(statistics.usable_statuses) & frame["value"].notna()
    if statistics.reader_rule == "reference_reader":
        usable &= frame["reader_id"].isin([statistics.reference_reader, ""])
    found: dict[Key, tuple[list[Reading], list[Reading]]] = {}
    for row, counts in zip(frame.to_dict("records"), usable, strict=True):
        found.setdefault(_key(row), ([], []))[0 if counts else 1].append(row)
    if statistics.read_rule == "first_read":
        for used, _ in found.values():
            first: dict[str, int] = {}
            for row in used:
                first[row["reader_id"]] = min(first.get(row["reader_id"], row["read_no"]), row["read_no"])
            used[:] = [row for row in used if row["read_no"] == first[row["reader_id"]]]
    return found


def _absent(case: str, spec: str, variant: str) -> PrimaryValue:
    measure = spec.partition("/")[0]
    return PrimaryValue(
        case, spec, measure, variant, "", "", "", None, "", None, None, None, NOT_MEASURED, 0, None, None
    )


def _primary(
    spec: str, row: Mapping[str, Any], used: Sequence[Reading], others: Sequence[Reading], found_by: str
) -> PrimaryValue:
    value = None if math.isnan(row["value"]) else float(row["value"])
    single = bool(used) and value is not None
    low, high = interval_of_mean(value, used) if single and value is not None else (None, None)
    numbers = [float(r["value"]) for r in used] if single else []
    statuses = [str(r["status"]) for r in (used if single else others)]
    status = gravest(statuses) or ("ok" if value is not None else NOT_MEASURED)
    if value is None and status == "ok":
        status = str(row["missing"])
    phase = row["phase_pct"]
    return PrimaryValue(
        str(row["case_id"]), spec, str(row["measure"]), str(row["variant"]), str(row["method"]), str(row["plan_id"]),
        str(row["unit"]), None if math.isnan(phase) else float(phase), found_by, value, low, high, status,
        len(numbers), min(numbers, default=None), max(numbers, default=None),
    )  # fmt: skip


def _settled(v: PrimaryValue, row: Reading | None) -> PrimaryValue:
    """The adjudicated value in the place of the readers' own, with its interval and status."""
    if row is None:
        return replace(v, value=None, low=None, high=None, status=NOT_MEASURED)
    ends = [None if pd.isna(row[name]) else float(row[name]) for name in ("ci_low", "ci_high")]
    return replace(v, low=ends[0] if v.value is not None else None, high=ends[1] if v.value is not None else None,
                   status=str(row["status"]))  # fmt: skip


def gravest(statuses: Iterable[str]) -> str:
    """The status to show for several readings: by level, then the most frequent; `ok` where all are; empty of none."""
    found = list(statuses)
    flagged = [s for s in found if s not in ("ok", "")]
    if not flagged:
        return "ok" if found else ""
    return min(set(flagged), key=lambda s: (LEVELS.index(status_code(s).level), -flagged.count(s), s))


def interval_of_mean(value: float, readings: Sequence[Reading]) -> tuple[float | None, float | None]:
    """95 % interval of the mean of readings by different readers; (None, None) where one of them has none.

    One reading: its own interval. Several: their errors are independent, so half-widths add as squares over n, about
    the mean of the readings' middles; then widened to hold every reading, since readers who differ by more than their
    scatter have a bias that no reading's own interval holds (common practice, no source).
    """
    ends = [(float(r["ci_low"]), float(r["ci_high"])) for r in readings]
    if not ends or any(math.isnan(low) or math.isnan(high) for low, high in ends):
        return None, None
    if len(ends) == 1:
        return ends[0]
    middle = sum(0.5 * (low + high) for low, high in ends) / len(ends)
    half = math.sqrt(sum((0.5 * (high - low)) ** 2 for low, high in ends)) / len(ends)
    numbers = [float(r["value"]) for r in readings]
    return min(middle - half, *numbers, value), max(middle + half, *numbers, value)
