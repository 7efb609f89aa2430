"""Which two numbers mean one phase of the heart: the rule that every step asks. Phases in % of the R-R interval.

The tolerance is the study's `phase.tolerance_pct`. Headers write 29.9 where tables write 30, and a scanner may
reconstruct 33 % where 35 % was asked for. A number belongs to the nearest phase within the tolerance; an unknown phase
equals only another unknown one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

ROUNDING_PCT = 1e-6
"""Two numbers that differ by the tolerance as written may differ by a little more as floats."""


@dataclass(frozen=True)
class PhaseMatch:
    """The rule with its one setting, `phase.tolerance_pct`."""

    tolerance_pct: float

    def same(self, first: float | None, second: float | None) -> bool:
        """Whether both numbers mean one phase."""
        if first is None or second is None:
            return first is second
        return abs(first - second) <= self.tolerance_pct + ROUNDING_PCT

    def nearest(self, phase: float | None, others: Sequence[float | None]) -> int | None:
        """Place in `others` of the phase nearest to `phase` within the tolerance; None where there is none."""
        if phase is None:
            return None
        near = [(abs(phase - other), i) for i, other in enumerate(others) if other is not None]
        near = [pair for pair in near if self.same(phase, others[pair[1]])]
        return min(near)[1] if near else None

    def series_of(self, phase: float | None, series: Sequence[float | None]) -> int | None:
        """Place of the series that a reading of `phase` belongs to: the nearest, or a case's only series where the
        reading or the series states no phase."""
        found = self.nearest(phase, series)
        if found is None and len(series) == 1 and (phase is None or series[0] is None):
            return 0
        return found

    def labels(self, phases: Sequence[float | None]) -> list[int | None]:
        """Number of the group that each of `phases` falls in; a group spans no more than the tolerance."""
        known = sorted({phase for phase in phases if phase is not None})
        groups: dict[float, int] = {}
        starts: list[float] = []
        for phase in known:
            if not starts or not self.same(starts[-1], phase):
                starts.append(phase)
            groups[phase] = len(starts) - 1
        return [None if phase is None else groups[phase] for phase in phases]
