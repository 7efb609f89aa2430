"""What the carry step hands to the measure step: one file per case (RESULTS/work/carried/KEY.json). LPS, mm."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from outflow_cohort.handover.base import AsideRow, HandOver, Part, read_handover, write_handover
from outflow_geometry.base.inputs import LandmarkOrigin, SharedMove


class CarriedReading(Part):
    """Landmarks of one reading in a phase that its reader did not mark.

    structures : points by structure. path : the reader's path, carried, for where no automatic path can be found.
    moves : errors that its points share.
    doubt : status of the values (empty = none), reason : in words.
    """

    phase_pct: float
    reader_id: str
    read_no: int
    structures: dict[str, list[list[float]]]
    path: list[list[float]]
    carried_from_pct: float
    error_mm: float
    moves: tuple[SharedMove, ...]
    doubt: str
    reason: str

    @property
    def origin(self) -> LandmarkOrigin:
        """Where the landmarks come from, for the core."""
        return LandmarkOrigin("carried", self.carried_from_pct, self.error_mm, self.doubt)


class RegisteredPair(Part):
    """One registration: phases, engine, and the correlation of the images afterwards; null where it failed."""

    from_pct: float
    to_pct: float
    engine: str
    likeness: float | None


class CarriedCase(HandOver):
    """All that was carried in one case."""

    VERSION: ClassVar[int] = 1

    version: int = VERSION
    readings: tuple[CarriedReading, ...] = ()
    set_aside: tuple[AsideRow, ...] = ()
    pairs: tuple[RegisteredPair, ...] = ()

    def of_phase(self, phase_pct: float | None) -> list[CarriedReading]:
        """Readings carried to one phase."""
        return [reading for reading in self.readings if reading.phase_pct == phase_pct]


def write_carried(path: Path, case: CarriedCase) -> None:
    """Write the file of one case."""
    write_handover(path, case, indent=None)


def read_carried(path: Path | None) -> CarriedCase:
    """Read the file of one case; nothing is carried where there is none."""
    return CarriedCase() if path is None else read_handover(path, CarriedCase)
