"""Which volume each reading belongs to. Phases in % of R-R."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from outflow_cohort.handover.base import AsideRow
    from outflow_cohort.handover.request import Reading
    from outflow_cohort.handover.volumes import VolumeEntry
    from outflow_cohort.phases import PhaseMatch


@dataclass(frozen=True)
class Homeless:
    """A reading without a volume, and why."""

    reading: Reading
    code: str
    message: str


def place_readings(
    readings: Sequence[Reading], volumes: Sequence[VolumeEntry], reasons: Sequence[AsideRow], match: PhaseMatch
) -> tuple[list[tuple[VolumeEntry, list[Reading]]], list[Homeless]]:
    """Readings by the volume of their phase, and readings without a volume, each with the series' reason."""
    homeless: list[Homeless] = []
    phases = [entry.phase_pct for entry in volumes]
    homes = [match.series_of(reading.phase_pct, phases) for reading in readings]
    taken: dict[tuple[int, str, int], int] = {}
    for number, (reading, home) in enumerate(zip(readings, homes, strict=True)):
        if home is None:
            continue
        key = (home, *reading.who)
        if key not in taken or _distance(reading, phases[home]) < _distance(readings[taken[key]], phases[home]):
            taken[key] = number
    placed: list[tuple[VolumeEntry, list[Reading]]] = [(entry, []) for entry in volumes]
    for number, (reading, home) in enumerate(zip(readings, homes, strict=True)):
        if home is None:
            fitting = [r for r in reasons if r.phase_pct is None or match.same(r.phase_pct, reading.phase_pct)]
            found = next(iter(fitting or reasons), None)
            homeless.append(_no_series(reading) if found is None else Homeless(reading, found.code, found.message))
        elif taken[(home, *reading.who)] != number:
            homeless.append(
                _no_series(reading, "of its own: another reading of this reader and number is nearer to it")
            )
        else:
            placed[home][1].append(reading)
    return placed, homeless


def _distance(reading: Reading, phase: float | None) -> float:
    """How far the phase that a reading states is from `phase`; 0 where either is unknown."""
    return 0.0 if reading.phase_pct is None or phase is None else abs(reading.phase_pct - phase)


def _no_series(reading: Reading, more: str = "") -> Homeless:
    return Homeless(
        reading,
        "phase_without_series",
        f"{reading.source}: found phase {reading.phase_pct}; needed a phase of the case's accepted "
        f"series{more and ' ' + more}. Add the series or correct phase_pct.",
    )
