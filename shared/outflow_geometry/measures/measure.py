"""What one entry of the registry of measures says. Lengths mm, areas mm2, volumes ml, angles degrees."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from outflow_geometry.base.findings import Value
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.measures.measure_functions import ReadingContext

SOLID = "SOLID"
"""Stands in a variant for each solid of the study's definitions."""
CUTOFF_ID = "CUTOFF_ID"
"""Stands in a variant for each configured cut-off."""


@dataclass(frozen=True)
class Measure:
    """One entry of the registry.

    variants : as written in the table; SOLID and CUTOFF_ID mean each of theirs.
    case_variants : variants over the phases of a case, with phase null.
    methods : where the numbers come from; `pairs` lists (variant, method) where not every method goes with every
        variant.
    needs : landmarks, `image`, `prosthesis` or `plan` without which there is no value.
    level : `reading`, `plan` (a row for each plan), or `draws` (a plan's, from its redrawn landmarks).
    lowest : smallest possible value, at which intervals end.
    extremes : variants that are the largest or smallest of many directions or places.
    jumps : whether the place that decides the value changes with the landmarks, and draws err to one side by it.
    draws_share : share of the draws that are evaluated, below 1 where one draw is costly.
    scale : where scatter shifts the value by the same whatever the truth, so that intervals are formed there: `plain`,
        `square` (root mean squares), or `place`: the value depends on where the smallest section is, and its interval
        is normal (`uncertainty.interval`).
    least_error : smallest standard error: what the search itself leaves open.
    """

    id: str
    variants: tuple[str, ...]
    unit: str
    methods: tuple[str, ...]
    needs: tuple[str, ...]
    level: str
    function: Callable[[ReadingContext, str, str], Value]
    definition: str
    source: str
    case_variants: tuple[str, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()
    lowest: float | None = 0.0
    highest: float | None = None
    scale: str = "plain"
    extremes: tuple[str, ...] = ()
    jumps: bool = False
    draws_share: float = 1.0
    least_error: float = 0.0

    def is_extreme(self, variant: str) -> bool:
        """Whether `variant` (solids filled in) is the largest or smallest of many directions or places."""
        return any(variant == e or (SOLID in e and variant.endswith(e.replace(SOLID, ""))) for e in self.extremes)

    def combinations(self, definitions: Definitions) -> list[tuple[str, str]]:
        """Every (variant, method), with solids and cut-offs filled in."""
        listed = self.pairs or tuple((variant, method) for variant in self.variants for method in self.methods)
        filled: list[tuple[str, str]] = []
        for variant, method in listed:
            solids = definitions.solids if SOLID in variant else ("",)
            cutoffs = [c.cutoff_id for c in definitions.cutoffs] if CUTOFF_ID in variant else [""]
            filled += [
                (variant.replace(SOLID, solid).replace(CUTOFF_ID, cutoff), method)
                for solid in solids
                for cutoff in cutoffs
            ]
        return filled
