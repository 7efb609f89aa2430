"""One final value per case, phase and measure from its readers' values, with how it came about. Units of the rows.

Readers count with the mean of their own reads, so that a reader who read twice counts once. Values from carried
landmarks count only where no reader marked the phase. An interval of a mean of k
readers rests on the larger of the readings' own variance and the variance between readers, over k; it is normal.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from outflow_cohort.stats.data.adjudication_settings import AdjudicationSettings, Difference

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings

KEY = ("case_id", "phase_pct", "plan_id", "measure", "variant", "method")
NEEDED = (*KEY, "unit", "reader_id", "read_no", "value", "std_error", "ci_low", "ci_high", "status", "landmark_origin")
NORMAL_95 = 1.959964
"""Two-sided 95 % of the normal distribution."""
NEEDS_ADJUDICATION = "needs_adjudication"
ADJUDICATED = "adjudicated"
NO_VALUE = "no_usable_value"
SUSPECT = "landmark_suspect"
NUMBERS = ("phase_pct", "read_no", "value", "std_error", "ci_low", "ci_high")
CARRIED = "carried"


@dataclass(frozen=True)
class ReaderValue:
    """One reader's value: mean of the usable reads, its standard error and interval where known."""

    reader: str
    reads: tuple[int, ...]
    value: float
    std_error: float | None
    low: float | None
    high: float | None
    doubt: str = "ok"
    """`ok`, or the status of the reads in doubt that count all the same."""


@dataclass(frozen=True)
class FinalValue:
    """A row of final.parquet beside its key; `readings` as reader/read; a doubt of its readings is its status too."""

    value: float | None
    std_error: float | None
    ci_low: float | None
    ci_high: float | None
    rule: str
    n_readers: int
    readings: str
    difference: float | None
    status: str


@dataclass(frozen=True)
class Disagreement:
    """Why a further reader is asked."""

    difference: float
    limit: float
    reason: str


def final_tables(
    measurements: Path, settings: AdjudicationSettings, statistics: StatisticsSettings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables final and adjudication of a study.

    measurements : the dataset RESULTS/tables/measurements; each case is in one part.
    """
    import pandas as pd

    final: list[dict[str, object]] = []
    asked: list[dict[str, object]] = []
    for part in sorted(measurements.glob("*.parquet")):
        for key, unit, rows in _groups(part):
            rows = _of_one_origin(rows, statistics.usable_statuses)
            values, suspect = _reader_values(rows, statistics.usable_statuses)
            row, why = settle(
                str(key["measure"]), str(key["variant"]), str(key["method"]), values, settings, suspect=suspect
            )
            final.append(key | {"unit": unit} | vars(row) | {"landmark_origin": rows[0].landmark_origin})
            if why is not None:
                by_reader = "; ".join(f"{v.reader} {v.value:.4g}" for v in values)
                asked.append(key | {"unit": unit, "readers": by_reader} | vars(why) | {"status": row.status})
    columns = [*KEY, "unit", *FinalValue.__dataclass_fields__, "landmark_origin"]
    frame = pd.DataFrame(final, columns=columns)
    floats = ["phase_pct", "value", "std_error", "ci_low", "ci_high", "difference"]
    frame[floats] = frame[floats].astype("float64")
    listed = pd.DataFrame(asked, columns=[*KEY, "unit", "readers", "difference", "limit", "reason", "status"])
    return (
        frame.sort_values(list(KEY), kind="stable", na_position="first").reset_index(drop=True),
        listed.sort_values(list(KEY), kind="stable", na_position="first").reset_index(drop=True),
    )


class _Row(NamedTuple):
    """A measured value: the columns NEEDED, in their order."""

    case_id: str
    phase_pct: float
    plan_id: str
    measure: str
    variant: str
    method: str
    unit: str
    reader_id: str
    read_no: float
    value: float
    std_error: float
    ci_low: float
    ci_high: float
    status: str
    landmark_origin: str

    def key(self) -> tuple[object, ...]:
        phase = None if math.isnan(self.phase_pct) else float(self.phase_pct)
        return self.case_id, phase, self.plan_id, self.measure, self.variant, self.method


def _groups(part: Path) -> Iterator[tuple[dict[str, object], str, list[_Row]]]:
    """Key, unit and rows of each quantity, rows by reader and read. A frame per quantity would take seconds."""
    import pandas as pd

    frame = pd.read_parquet(part, columns=list(NEEDED))
    for name in NEEDED:
        column = frame[name]
        frame[name] = column.astype("float64") if name in NUMBERS else column.fillna("").astype(str)
    frame = frame.sort_values([*KEY, "reader_id", "read_no"], kind="stable")
    columns = (frame[name].tolist() for name in NEEDED)
    for key, found in groupby(map(_Row._make, zip(*columns, strict=True)), key=_Row.key):
        rows = list(found)
        yield dict(zip(KEY, key, strict=True)), rows[0].unit, rows


def _of_one_origin(rows: Sequence[_Row], usable: tuple[str, ...]) -> list[_Row]:
    """The rows from marked landmarks, or those from carried ones where no marked row can be used."""
    marked = [row for row in rows if row.landmark_origin != CARRIED]
    if any(_counts(row, usable) for row in marked) or not any(_counts(row, usable) for row in rows):
        return marked or list(rows)
    return [row for row in rows if row.landmark_origin == CARRIED]


def _counts(row: _Row, usable: tuple[str, ...]) -> bool:
    return row.status in usable and not math.isnan(row.value)


def _reader_values(rows: Sequence[_Row], usable: tuple[str, ...]) -> tuple[list[ReaderValue], bool]:
    """One value per reader, sorted by name; and whether any value was left out for a suspect landmark.

    rows : of one quantity, by reader and read.
    """
    kept = [row for row in rows if _counts(row, usable)]
    values = []
    for reader, found in groupby(kept, key=lambda row: row.reader_id):
        own = list(found)
        errors = np.array([row.std_error for row in own])
        error = float(np.sqrt(np.mean(errors**2) / len(own))) if np.isfinite(errors).all() else None
        ends: tuple[float | None, float | None] = (None, None)
        if len(own) == 1 and math.isfinite(own[0].ci_low):
            ends = own[0].ci_low, own[0].ci_high
        reads = tuple(int(row.read_no) for row in own)
        mean = float(np.mean([row.value for row in own]))
        values.append(ReaderValue(reader, reads, mean, error, *ends, doubt=_doubt(row.status for row in own)))
    return values, any(row.status == SUSPECT for row in rows)


def _doubt(statuses: Iterable[str]) -> str:
    """`ok` where all are, else the doubt that most share; of equally common ones the alphabetically first."""
    doubts = Counter(sorted(status for status in statuses if status != "ok"))
    return doubts.most_common(1)[0][0] if doubts else "ok"


def settle(
    measure: str,
    variant: str,
    method: str,
    values: list[ReaderValue],
    settings: AdjudicationSettings,
    *,
    suspect: bool = False,
) -> tuple[FinalValue, Disagreement | None]:
    """The final value of one quantity, and why a further reader is asked (None = nobody need be)."""
    first = [v for v in values if v.reader not in settings.adjudicators]
    asked = [v for v in values if v.reader in settings.adjudicators]
    why = _disagreement(measure, variant, method, first, settings.differences)
    spread = max(v.value for v in first) - min(v.value for v in first) if len(first) > 1 else None
    if not first and not asked:
        return FinalValue(
            value=None,
            std_error=None,
            ci_low=None,
            ci_high=None,
            rule="none",
            n_readers=0,
            readings="",
            difference=None,
            status=SUSPECT if suspect else NO_VALUE,
        ), None
    if why is not None and asked:
        return _by_rule(settings.rule_if_adjudicated, [*first, *asked], asked, spread, ADJUDICATED), why
    status = NEEDS_ADJUDICATION if why is not None else "ok"
    return _by_rule(settings.rule, first or asked, asked, spread, status), why


def _disagreement(
    measure: str, variant: str, method: str, values: list[ReaderValue], limits: tuple[Difference, ...]
) -> Disagreement | None:
    """The first limit that the readers exceed."""
    numbers = [v.value for v in values]
    if len(numbers) < 2:
        return None
    difference = max(numbers) - min(numbers)
    for limit in limits:
        if limit.measure != measure or limit.variant not in ("", variant) or limit.method not in ("", method):
            continue
        if limit.more_than is not None and difference > limit.more_than:
            return Disagreement(difference, limit.more_than, "differ_by_more_than")
        share = limit.more_than_pct
        if share is not None and difference > share / 100.0 * abs(float(np.mean(numbers))):
            return Disagreement(difference, share / 100.0 * abs(float(np.mean(numbers))), "differ_by_more_than_pct")
        for edge in limit.classes:
            if min(numbers) < edge <= max(numbers):
                return Disagreement(difference, edge, "different_classes")
    return None


def _by_rule(
    rule: str, values: list[ReaderValue], asked: list[ReaderValue], spread: float | None, status: str
) -> FinalValue:
    used = values
    if rule == "adjudicator" and asked:
        used = asked
    elif rule == "mean_of_two_closest" and len(values) > 2:
        ordered = sorted(values, key=lambda v: v.value)
        place = int(np.argmin([b.value - a.value for a, b in pairwise(ordered)]))
        used = ordered[place : place + 2]
    status = _doubt(v.doubt for v in used) if status == "ok" else status
    numbers = np.asarray([v.value for v in used])
    value = float(np.median(numbers)) if rule == "median_of_readers" else float(np.mean(numbers))
    named = ";".join(f"{v.reader}/{n}" for v in sorted(used, key=lambda v: v.reader) for n in v.reads)
    if len(used) == 1:
        one = used[0]
        low, high = one.low, one.high
        if low is None and one.std_error is not None:
            low, high = value - NORMAL_95 * one.std_error, value + NORMAL_95 * one.std_error
        return FinalValue(
            value=value,
            std_error=one.std_error,
            ci_low=low,
            ci_high=high,
            rule=rule,
            n_readers=1,
            readings=named,
            difference=spread,
            status=status,
        )
    error = None
    if all(v.std_error is not None for v in used):
        own = float(np.mean([v.std_error**2 for v in used if v.std_error is not None]))
        error = float(np.sqrt(max(own, float(np.var(numbers, ddof=1))) / len(used)))
    low, high = (None, None) if error is None else (value - NORMAL_95 * error, value + NORMAL_95 * error)
    return FinalValue(
        value=value,
        std_error=error,
        ci_low=low,
        ci_high=high,
        rule=rule,
        n_readers=len(used),
        readings=named,
        difference=spread,
        status=status,
    )


def with_final(values: pd.DataFrame, final: pd.DataFrame, step: float) -> pd.DataFrame:
    """`case_values` with the final values in place of those of the statistics' own reader rule.

    step : width of the bins that phases are put into, % of R-R. A quantity that is not settled has no value.
    """
    keys = list(KEY)
    settled = final[final["value"].notna() & (final["status"] != NEEDS_ADJUDICATION)].copy()
    settled["phase_pct"] = np.floor(settled["phase_pct"] / step + 0.5) * step
    means = settled.groupby(keys, dropna=False, sort=True)["value"].mean().rename("final").reset_index()
    plain = values[keys].astype({name: str for name in keys if name != "phase_pct"})
    joined = plain.merge(means, on=keys, how="left", validate="many_to_one")
    return values.assign(value=joined["final"].to_numpy())
