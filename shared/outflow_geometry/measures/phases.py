"""Measures over the phases of a case: end-systole, mean of systole, smallest over all phases.

Lengths mm, areas mm2; phases in percent of the R-R interval. One reader's read at a time: reads are never mixed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from outflow_geometry.base.inputs import MARKED, Definitions, LandmarkOrigin
from outflow_geometry.base.results import MeasuredValue
from outflow_geometry.landmarks.findings import LANDMARK_SUSPECT
from outflow_geometry.measures.measure import SOLID, Measure
from outflow_geometry.measures.reading import ReadingResult
from outflow_geometry.measures.registry import REGISTRY, measure
from outflow_geometry.scatter.uncertainty import NORMAL_95

FEWEST_VOLUMES = 2
"""Phases with an lv_volume needed to find end-systole: one volume is neither smallest nor largest."""

FEWEST_SYSTOLIC = 3
"""Phases in the systolic window needed for a mean (common practice, no source): with fewer it depends on which."""

Row = tuple[str, str, str, str]
"""Plan, measure, solid, method."""


@dataclass(frozen=True)
class CaseValue(MeasuredValue):
    """A row over the phases of a case.

    phases_used : phases it was chosen or averaged from. phases_carried : how many of these have carried landmarks.
    landmark_origin, carried_from_pct, carry_error_mm : of the phase whose value it is; for a mean `carried` where any
    of its phases is.
    """

    landmark_origin: str
    carried_from_pct: float | None
    carry_error_mm: float | None
    phases_used: int
    phases_carried: int


@dataclass(frozen=True)
class Systole:
    """End-systole for one read: its phase, percent, or None; `status` says why there is none, or why it is unsure."""

    phase: float | None
    status: str = "ok"


def measure_case(
    readings: Sequence[tuple[float | None, ReadingResult]],
    definitions: Definitions,
    other_reads: Sequence[Mapping[float | None, ReadingResult]] = (),
) -> tuple[CaseValue, ...]:
    """Values over the phases of one reader's read, in rows with a null phase; phases in percent, None = unknown.

    other_reads : results by phase of the case's other reads; they give end-systole where this read has fewer phases.

    end_systole : the value at the phase of the smallest lv_volume (`read_systole`).
    mean_systole : mean of the values over the phases within `definitions.systolic_window`, both ends included.
    min_over_phases : the smallest value of the measure over all phases.

    Status: `missing_plan`, `phase_unknown`, `too_few_phases` (fewer than 2 volumes), `no_systolic_phase`,
    `few_systolic_phases`, `phases_missing` (a phase that the rule asks for has no value), `single_phase`; else that
    of the values used. `landmark_suspect` before all others, where a phase that the value comes from has it.

    Two phases of one read, with the neo-LVOT of one plan in both; only 40 % is in the default systolic window:

    >>> def reading(ml, area):
    ...     volume = MeasuredValue(plan_id="", measure="lv_volume", variant="", method="image_edge", value=ml,
    ...                            unit="ml", status="ok")
    ...     tract = MeasuredValue(plan_id="P1", measure="neo_lvot_area", variant="full_frame", method="reader_path",
    ...                           value=area, unit="mm2", status="ok")
    ...     return ReadingResult((volume, tract), (), (), None)
    >>> rows = measure_case([(40.0, reading(52.0, 210.0)), (80.0, reading(121.0, 330.0))], Definitions())
    >>> {row.variant: row.value for row in rows if row.value is not None}
    {'full_frame/end_systole': 210.0, 'full_frame/mean_systole': 210.0, 'full_frame/min_over_phases': 210.0}
    """
    results = dict(readings)
    tables = {phase: _by_row(result) for phase, result in results.items()}
    origins = {phase: result.origin for phase, result in results.items()}
    systole = read_systole(results, other_reads)
    rows: list[CaseValue] = []
    plans = list(dict.fromkeys(v.plan_id for r in results.values() for v in r.values if _of_plan(v)))
    for plan_id in plans:
        for entry in REGISTRY:
            for variant in entry.case_variants:
                rule = variant.split("/")[1]
                for solid in definitions.solids:
                    for method in entry.methods:
                        row = (plan_id, entry.id, solid, method)
                        found = {p: t[row] for p, t in tables.items() if row in t}
                        if not found:
                            continue
                        value = (
                            _RULES[rule](row, found, tables, definitions, systole, origins)
                            if any(v.status != "missing_plan" for v in found.values())
                            else next(iter(found.values()))
                        )
                        phases = _phases_asked(rule, tables, definitions)
                        # a mean comes from all its phases, any other row from the phase that has this very value
                        of_one = [p for p, v in found.items() if v.value == value.value and rule != "mean_systole"]
                        kept = replace(value, variant=variant.replace(SOLID, solid))
                        chosen = of_one if rule == "end_systole" else phases
                        if value.value is not None and any(
                            found[p].status == LANDMARK_SUSPECT for p in chosen if p in found
                        ):
                            kept = replace(kept, status=LANDMARK_SUSPECT)
                        own = [origins[p] for p in of_one or phases]
                        rows.append(_case_value(kept, [origins[p] for p in phases], own))
    return tuple(rows)


def _phases_asked(rule: str, tables: Tables, definitions: Definitions) -> list[float | None]:
    """The phases that a rule looks at."""
    low, high = definitions.systolic_window
    return [p for p in tables if rule != "mean_systole" or (p is not None and low <= p <= high)]


def _case_value(value: MeasuredValue, asked: Sequence[LandmarkOrigin], own: Sequence[LandmarkOrigin]) -> CaseValue:
    """The row with the origin of the phases `own` that its value comes from, among those `asked`."""
    carried = [origin for origin in own if origin.carried]
    origin = max(carried, key=lambda o: o.error or 0.0) if carried else MARKED
    row = {f.name: getattr(value, f.name) for f in fields(MeasuredValue)}
    used, of_these = len(asked), sum(o.carried for o in asked)
    return CaseValue(**row, **origin.columns(), phases_used=used, phases_carried=of_these)  # type: ignore[arg-type]


def end_systole(results: Mapping[float | None, ReadingResult]) -> float | None:
    """Phase of the smallest lv_volume, percent; None where fewer than two phases have one.

    Two readings with a volume and nothing else; end-systole is the phase of the smaller one:

    >>> def with_volume(ml):
    ...     value = MeasuredValue(plan_id="", measure="lv_volume", variant="", method="image_edge", value=ml, unit="ml",
    ...                           status="ok")
    ...     return ReadingResult((value,), (), (), None)
    >>> end_systole({40.0: with_volume(52.0), 80.0: with_volume(121.0)})
    40.0
    """
    volumes = _volumes(results)
    return min(volumes, key=lambda phase: (volumes[phase], phase)) if len(volumes) >= FEWEST_VOLUMES else None


def read_systole(
    results: Mapping[float | None, ReadingResult], other_reads: Sequence[Mapping[float | None, ReadingResult]] = ()
) -> Systole:
    """End-systole of one read: by its own volumes, or the case's where other reads have phases that it lacks.

    The case's end-systole is the phase of the smallest lv_volume, mean over the reads that have the most volumes.
    """
    if any(set(other) - set(results) for other in other_reads):
        phase = case_end_systole(other_reads)
        if phase is not None:
            # a phase without volume might have been the smallest
            whole = max(len(_volumes(other)) for other in other_reads) == len(set().union(*other_reads))
            return Systole(phase, "ok" if whole else "phases_missing")
    volumes = _volumes(results)
    if None in results and len(results) > len(volumes):
        return Systole(None, "phase_unknown")
    if len(volumes) < FEWEST_VOLUMES:
        return Systole(None, "too_few_phases")
    # a phase without volume might have been the smallest
    return Systole(end_systole(results), "phases_missing" if len(volumes) < len(results) else "ok")


def case_end_systole(reads: Sequence[Mapping[float | None, ReadingResult]]) -> float | None:
    """Phase of the smallest mean lv_volume, percent, over the reads that have the most volumes; None without two."""
    found = [_volumes(read) for read in reads]
    most = max((len(volumes) for volumes in found), default=0)
    if most < FEWEST_VOLUMES:
        return None
    full = [volumes for volumes in found if len(volumes) == most]
    shared = set(full[0]).intersection(*full[1:])
    means = {phase: float(np.mean([volumes[phase] for volumes in full])) for phase in shared}
    return min(means, key=lambda p: (means[p], p)) if len(means) >= FEWEST_VOLUMES else None


def _of_plan(value: MeasuredValue) -> bool:
    return bool(value.plan_id) or value.status == "missing_plan"


def _by_row(result: ReadingResult) -> dict[Row, MeasuredValue]:
    return {(v.plan_id, v.measure, v.variant, v.method): v for v in result.values}


def _volumes(results: Mapping[float | None, ReadingResult]) -> dict[float, float]:
    """lv_volume, ml, by known phase."""
    volumes: dict[float, float] = {}
    for phase, result in results.items():
        for value in result.values:
            if value.measure == "lv_volume" and value.value is not None and phase is not None:
                volumes[phase] = value.value
    return volumes


def _empty(like: MeasuredValue, status: str) -> MeasuredValue:
    return replace(like, value=None, std_error=None, ci_low=None, ci_high=None, status=status)


Values = Mapping[float | None, MeasuredValue]
Tables = Mapping[float | None, Mapping[Row, MeasuredValue]]
Origins = Mapping[float | None, LandmarkOrigin]


def _end_systole(
    row: Row, found: Values, tables: Tables, definitions: Definitions, systole: Systole, origins: Origins
) -> MeasuredValue:
    any_value = next(iter(found.values()))
    if systole.phase is None:
        return _empty(any_value, systole.status)
    value = found.get(systole.phase)
    if value is None:
        return _empty(any_value, "phases_missing")
    return replace(value, status=systole.status) if value.status == "ok" else value


def _mean_systole(
    row: Row, found: Values, tables: Tables, definitions: Definitions, systole: Systole, origins: Origins
) -> MeasuredValue:
    any_value = next(iter(found.values()))
    low, high = definitions.systolic_window
    wanted = [phase for phase in tables if phase is not None and low <= phase <= high]
    if not wanted:
        return _empty(any_value, "phase_unknown" if None in tables else "no_systolic_phase")
    known = [p for p in wanted if p in found and found[p].value is not None]
    used = [found[p] for p in known]
    if not used:
        return _empty(any_value, found[wanted[0]].status if wanted[0] in found else "phases_missing")
    mean = float(np.mean([v.value for v in used]))
    error = _error_of_mean([(found[p].std_error, origins[p].carried) for p in known])
    status = next((v.status for v in used if v.status != "ok"), "ok")
    if len(wanted) < FEWEST_SYSTOLIC:
        status = "few_systolic_phases"
    elif len(used) < len(wanted):
        status = "phases_missing"
    interval = (None, None) if error is None else _interval_of_mean(mean, error, used, measure(row[1]))
    return replace(any_value, value=mean, std_error=error, ci_low=interval[0], ci_high=interval[1], status=status)


def _error_of_mean(errors: Sequence[tuple[float | None, bool]]) -> float | None:
    """Standard error of a mean over phases, from each phase's own and whether it was carried.

    A reader marks each phase anew, so marked phases err independently; carried ones share the error of the phase that
    they come from, so theirs add up.
    """
    known = [(error, carried) for error, carried in errors if error is not None]
    if len(known) < len(errors):
        return None
    apart = sum(error * error for error, carried in known if not carried)
    together = sum(error for error, carried in known if carried)
    return math.sqrt(apart + together * together) / len(errors)


def _interval_of_mean(mean: float, error: float, used: list[MeasuredValue], entry: Measure) -> tuple[float, float]:
    """Normal interval of a mean about the mean of the phases' own middles, wide enough to hold the mean itself."""
    ends = [(v.ci_low, v.ci_high) for v in used if v.ci_low is not None and v.ci_high is not None]
    middle = float(np.mean([0.5 * (low + high) for low, high in ends])) if ends else mean
    low, high = min(middle - NORMAL_95 * error, mean), max(middle + NORMAL_95 * error, mean)
    return max(low, -math.inf if entry.lowest is None else entry.lowest), high


def _min_over_phases(
    row: Row, found: Values, tables: Tables, definitions: Definitions, systole: Systole, origins: Origins
) -> MeasuredValue:
    known = {phase: value for phase, value in found.items() if value.value is not None}
    any_value = next(iter(found.values()))
    if not known:
        return _empty(any_value, any_value.status)
    value = min(known.items(), key=lambda item: (item[1].value, -1.0 if item[0] is None else item[0]))[1]
    if len(tables) == 1:
        return replace(value, status="single_phase" if value.status == "ok" else value.status)
    if len(known) < len(tables) and value.status == "ok":
        return replace(value, status="phases_missing")
    return value


_RULES = {"end_systole": _end_systole, "mean_systole": _mean_systole, "min_over_phases": _min_over_phases}
