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

from outflow_cohort.report.headline import first_plans, headline_method, headline_variant
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
    their range. doubted : mean of the readings that have a number whose status does not count; n_doubted, doubt : how
    many, and the gravest of their statuses.
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
    doubted: float | None = None
    n_doubted: int = 0
    doubt: str = ""

    @property
    def seen(self) -> float | None:
        """The value, or where none counts the one in doubt."""
        return self.doubted if self.value is None else self.value

    @property
    def name(self) -> str:
        """The specification as a column name: `aorto_mitral_angle_opening`."""
        return self.spec.replace("/", "_")


def primary_values(
    measurements: Path, settings: ReportSettings, statistics: StatisticsSettings, final: pd.DataFrame | None = None
) -> dict[str, list[PrimaryValue]]:
    """By case_id, the primary measures in the order of the settings.

    measurements : the dataset, or the file of one case. final : adjudicated values (tables/final.parquet) that take the
    place of the readers'. The variant of a measure of the device is `main_solid`, else the alphabetically first; the
    path is `main_method` where the case has a number by it, else the other; the plan is the alphabetically first,
    whether its value counts or not.
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
    plans = first_plans(values)
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
            row = _headline_row(by_case[case].to_dict("records"), settings.main_method, plans.get(case, ""), readings)
            used, others = readings.get(_key(row), ([], []))
            counted = {r["reader_id"] for r in used}
            doubted = [r for r in others if r["reader_id"] not in counted
                       and _has_number(r) and r["status"] not in statistics.usable_statuses]  # fmt: skip
            value = _with_doubt(_primary(spec, row, used, others, str(systole.get(case, ""))), doubted)
            own.append(value if final is None else _settled(value, settled.get(_key(row))))
    return found


Key = tuple[str, str, str, str, str, float]
Reading = Mapping[str, Any]
Readings = Mapping[Key, tuple[Sequence[Reading], Sequence[Reading]]]


def _headline_row(rows: Sequence[Reading], main_method: str, plan: str, readings: Readings) -> Reading:
    """The row of the plan and of the method that come first; a method without any number gives way to the other."""
    mine = [r for r in rows if r["plan_id"] in ("", plan)] or list(rows)
    numbered = [r for r in mine if any(_has_number(x) for part in readings.get(_key(r), ((), ())) for x in part)]
    numbered = numbered or [r for r in mine if _has_number(r)] or mine
    method = headline_method((r["method"] for r in numbered), main_method)
    return next(r for r in mine if r["method"] == method)


def _has_number(row: Reading) -> bool:
    return row["value"] is not None and not math.isnan(row["value"])


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
        case_id=case,
        spec=spec,
        measure=measure,
        variant=variant,
        method="",
        plan_id="",
        unit="",
        phase_pct=None,
        found_by="",
        value=None,
        low=None,
        high=None,
        status=NOT_MEASURED,
        n_readings=0,
        smallest=None,
        largest=None,
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
        case_id=str(row["case_id"]),
        spec=spec,
        measure=str(row["measure"]),
        variant=str(row["variant"]),
        method=str(row["method"]),
        plan_id=str(row["plan_id"]),
        unit=str(row["unit"]),
        phase_pct=None if math.isnan(phase) else float(phase),
        found_by=found_by,
        value=value,
        low=low,
        high=high,
        status=status,
        n_readings=len(numbers),
        smallest=min(numbers, default=None),
        largest=max(numbers, default=None),
    )


def _with_doubt(value: PrimaryValue, doubted: Iterable[Reading]) -> PrimaryValue:
    """`value` with what the readers in doubt found, of each the read with the lowest number."""
    first: dict[str, Reading] = {}
    for row in sorted(doubted, key=lambda r: int(r["read_no"])):
        first.setdefault(row["reader_id"], row)
    if not first:
        return value
    mean = sum(float(r["value"]) for r in first.values()) / len(first)
    return replace(value, doubted=mean, n_doubted=len(first), doubt=gravest(str(r["status"]) for r in first.values()))


def _settled(v: PrimaryValue, row: Reading | None) -> PrimaryValue:
    """The adjudicated value in the place of the readers' own, with its interval and status."""
    if row is None:
        return replace(v, value=None, low=None, high=None, status=NOT_MEASURED)
    ends = [None if pd.isna(row[name]) else float(row[name]) for name in ("ci_low", "ci_high")]
    return replace(v, low=ends[0] if v.value is not None else None, high=ends[1] if v.value is not None else None,
                   status=str(row["status"]), doubted=None, n_doubted=0, doubt="")  # fmt: skip


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


@dataclass(frozen=True)
class Leading:
    """The quantities that sheet and report lead with: measure, variant, method and phase (None = over the phases).

    step : width of the bins of phases, %. Statuses of other rows are notes.
    """

    quantities: frozenset[tuple[str, str, str, float | None]]
    step: float

    def holds(self, measure: str, variant: str, method: str, phase_pct: float | None) -> bool:
        """Whether a row is of such a quantity, in any plan."""
        phase = None
        if phase_pct is not None and not math.isnan(phase_pct):
            phase = math.floor(phase_pct / self.step + 0.5) * self.step
        return any((measure, variant, m, p) in self.quantities for m in (method, "") for p in {phase, None})


NOTHING_LEADS = Leading(frozenset(), 5.0)


def leading(values: Iterable[PrimaryValue], step: float) -> Leading:
    """The quantities of a case's primary values."""
    return Leading(frozenset((v.measure, v.variant, v.method, v.phase_pct) for v in values), step)
