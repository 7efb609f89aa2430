"""Readings of one measure as cells of a case x reader table.

Values are centred on their mean and divided by their standard deviation before any sum of squares is formed, so that
large offsets cost no digits; every result is turned back into the unit of the values.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

CONSTANT_RTOL = 1e-12
"""Values whose range is below this share of their size are equal: the rest is rounding of the last digits."""

LARGEST_VALUE = 1e100
"""Beyond this a value cannot be squared safely; no measurement is so large, so it is treated as infinite."""
SMALLEST_VALUE = 1e-100
"""Below this the square of a value vanishes; it is treated as 0."""

ONE_READER: Hashable = "all readings"


@dataclass(frozen=True)
class Cells:
    """Counts, means and within-cell sums of squares of the readings, in standardised units.

    counts, means, within_ss : (n_cases, n_readers) arrays; an empty cell has count 0 and mean 0.
    location, scale : value = location + scale * standardised value.
    """

    counts: np.ndarray
    means: np.ndarray
    within_ss: np.ndarray
    cases: tuple[Hashable, ...]
    readers: tuple[Hashable, ...]
    location: float
    scale: float
    n_missing: int
    n_infinite: int

    @property
    def n_readings(self) -> int:
        return int(self.counts.sum())

    @property
    def n_cells(self) -> int:
        return int((self.counts > 0).sum())

    @property
    def n_cases(self) -> int:
        return len(self.cases)

    @property
    def n_readers(self) -> int:
        return len(self.readers)

    @property
    def repeated(self) -> bool:
        """Whether any reader read any case twice."""
        return bool((self.counts > 1).any())

    @property
    def complete(self) -> bool:
        """Whether every reader read every case equally often."""
        return bool(self.counts.size) and bool((self.counts == self.counts.flat[0]).all())

    @property
    def constant(self) -> bool:
        return self.scale == 0.0

    @property
    def note(self) -> str:
        """What was left out, in words; empty when nothing was."""
        parts = []
        if self.n_missing:
            parts.append(f"{self.n_missing} missing value(s) left out")
        if self.n_infinite:
            parts.append(f"{self.n_infinite} infinite value(s) left out")
        return "; ".join(parts)

    def without_readers(self) -> Cells:
        """The same readings with the reader forgotten: the one-way layout."""
        total = self.counts.sum(axis=1)
        mean = np.divide((self.counts * self.means).sum(axis=1), total, out=np.zeros(len(total)), where=total > 0)
        spread = (self.counts * (self.means - mean[:, None]) ** 2).sum(axis=1) + self.within_ss.sum(axis=1)
        return replace(
            self,
            counts=total[:, None],
            means=mean[:, None],
            within_ss=spread[:, None],
            readers=(ONE_READER,),
        )


def usable_numbers(values: Sequence[float] | np.ndarray) -> np.ndarray:
    """Values as float64 with NaN for what is missing, infinite or beyond the range that can be squared, 0 below it."""
    numbers = np.asarray(values, dtype=np.float64).ravel()
    with np.errstate(invalid="ignore"):
        size = np.abs(numbers)
        return np.where(size <= LARGEST_VALUE, np.where(size < SMALLEST_VALUE, 0.0, numbers), np.nan)


def cells_of_arrays(
    case: Sequence[Hashable] | np.ndarray,
    reader: Sequence[Hashable] | np.ndarray | None,
    value: Sequence[float] | np.ndarray,
) -> Cells:
    """Cells from parallel sequences of case, reader (None = one-way) and value; non-finite values are left out.

    Raises ValueError when the lengths differ.
    """
    import pandas as pd

    values = np.asarray(value).ravel()
    if values.dtype != np.float64:
        values = np.asarray(pd.to_numeric(pd.Series(values), errors="coerce"), dtype=np.float64)
    cases = np.asarray(case).ravel()
    readers = np.full(len(values), ONE_READER, dtype=object) if reader is None else np.asarray(reader).ravel()
    if not len(cases) == len(readers) == len(values):
        raise ValueError(
            f"case, reader and value have {len(cases)}, {len(readers)} and {len(values)} entries;"
            " one of each a reading is needed"
        )
    usable = usable_numbers(values)
    finite = np.isfinite(usable)
    n_infinite = int((finite < ~np.isnan(values)).sum())
    values = usable
    kept = finite & ~pd.isna(cases) & ~pd.isna(readers)
    case_codes, case_labels = pd.factorize(cases[kept], sort=True)
    reader_codes, reader_labels = pd.factorize(readers[kept], sort=True)
    values, n_missing = values[kept], int((~kept).sum()) - n_infinite
    shape = (len(case_labels), len(reader_labels))
    if not len(values):
        empty = np.zeros(shape)
        return Cells(
            counts=empty,
            means=empty,
            within_ss=empty,
            cases=(),
            readers=(),
            location=0.0,
            scale=0.0,
            n_missing=n_missing,
            n_infinite=n_infinite,
        )
    location = float(values.mean())
    deviations = values - location
    largest = float(np.abs(deviations).max())
    if largest <= max(CONSTANT_RTOL * float(np.abs(values).max()), SMALLEST_VALUE):
        scale, standard = 0.0, np.zeros(len(values))
    else:
        scale = largest * float(np.sqrt(np.mean((deviations / largest) ** 2)))
        standard = deviations / scale
    index = case_codes * shape[1] + reader_codes
    size = shape[0] * shape[1]
    counts = np.bincount(index, minlength=size).astype(np.float64)
    means = np.divide(np.bincount(index, standard, size), counts, out=np.zeros(size), where=counts > 0)
    within = np.bincount(index, (standard - means[index]) ** 2, size)
    return Cells(
        counts=counts.reshape(shape),
        means=means.reshape(shape),
        within_ss=within.reshape(shape),
        cases=tuple(case_labels.tolist()),
        readers=tuple(reader_labels.tolist()),
        location=location,
        scale=scale,
        n_missing=n_missing,
        n_infinite=n_infinite,
    )


def cells_of_frame(
    frame: pd.DataFrame, *, case: str = "case_id", reader: str | None = "reader_id", value: str = "value"
) -> Cells:
    """Cells of a tidy frame, one row per reading. Raises KeyError naming the columns that are not there."""
    wanted = [case, value] + ([reader] if reader is not None else [])
    absent = [column for column in wanted if column not in frame.columns]
    if absent:
        raise KeyError(f"columns {absent} not in the frame; it has {list(frame.columns)}")
    readers = None if reader is None else frame[reader].to_numpy()
    return cells_of_arrays(frame[case].to_numpy(), readers, frame[value].to_numpy())
