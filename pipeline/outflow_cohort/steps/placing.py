"""Which volume each reading belongs to. Phases in % of R-R."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from outflow_cohort.phases import PhaseMatch

Row = dict[str, Any]


def place_readings(
    readings: list[Row], volumes: list[Row], reasons: list[Row], match: PhaseMatch
) -> tuple[list[tuple[Row, list[Row]]], list[tuple[Row, Row]]]:
    """Readings by the volume of their phase, and readings without a volume, each with the series' reason."""
    homeless: list[tuple[Row, Row]] = []
    phases = [entry["phase_pct"] for entry in volumes]
    homes = [match.series_of(reading["phase_pct"], phases) for reading in readings]
    taken: dict[tuple[int, str, int], int] = {}
    for number, (reading, home) in enumerate(zip(readings, homes, strict=True)):
        if home is None:
            continue
        key = (home, reading["reader_id"], reading["read_no"])
        if key not in taken or _distance(reading, phases[home]) < _distance(readings[taken[key]], phases[home]):
            taken[key] = number
    placed: list[tuple[Row, list[Row]]] = [(entry, []) for entry in volumes]
    for number, (reading, home) in enumerate(zip(readings, homes, strict=True)):
        if home is None:
            fitting = [r for r in reasons if r["phase_pct"] is None or match.same(r["phase_pct"], reading["phase_pct"])]
            reason = (fitting or reasons or [_no_series(reading)])[0]
            homeless.append((reading, reason))
        elif taken[home, reading["reader_id"], reading["read_no"]] != number:
            twin = _no_series(reading, "of its own: another reading of this reader and number is nearer to it")
            homeless.append((reading, twin))
        else:
            placed[home][1].append(reading)
    return placed, homeless


def _distance(reading: Row, phase: float | None) -> float:
    """How far the phase that a reading states is from `phase`; 0 where either is unknown."""
    return 0.0 if reading["phase_pct"] is None or phase is None else abs(reading["phase_pct"] - phase)


def _no_series(reading: Row, more: str = "") -> Row:
    return {
        "code": "phase_without_series",
        "message": f"{reading['source']}: found phase {reading['phase_pct']}; needed a phase of the case's accepted "
        f"series{more and ' ' + more}. Add the series or correct phase_pct.",
    }
