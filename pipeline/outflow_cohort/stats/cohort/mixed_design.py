"""Design of group x phase with additive factors and numbers, and the contrasts of its marginal means.

The model has one mean per cell of group and phase, sum-to-zero columns for additive factors and centred numbers, so
that a marginal mean weighs the levels of the other factors equally and takes numbers at their mean.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np


@dataclass(frozen=True)
class MixedDesign:
    """columns (n, p); levels of group and phase; the additive terms with their columns; status `ok` or a reason.

    cells : (group, phase) -> column of its mean.
    """

    columns: np.ndarray
    group_levels: tuple[str, ...]
    phase_levels: tuple[str, ...]
    cells: Mapping[tuple[str, str], int]
    additive: Mapping[str, tuple[int, ...]]
    status: str


def mixed_design(
    group: np.ndarray, phase: np.ndarray, factors: Mapping[str, np.ndarray], numbers: Mapping[str, np.ndarray]
) -> MixedDesign:
    """Design of n readings. group, phase, factors : (n,) text; numbers : (n,) finite. Status `empty_cell` where a group
    has no reading in a phase: its marginal means are not defined then."""
    groups, phases = (tuple(sorted(set(v.tolist()))) for v in (group, phase))
    cells = {(g, f): i * len(phases) + j for i, g in enumerate(groups) for j, f in enumerate(phases)}
    parts = [((group == g) & (phase == f)).astype(np.float64) for g, f in cells]
    status = "ok" if all(part.any() for part in parts) else "empty_cell"
    additive: dict[str, tuple[int, ...]] = {}
    for name, values in factors.items():
        levels = sorted(set(values.tolist()))
        own = [(values == level).astype(np.float64) - (values == levels[-1]) for level in levels[:-1]]
        additive[name] = tuple(range(len(parts), len(parts) + len(own)))
        parts += own
    for name, values in numbers.items():
        additive[name] = (len(parts),)
        parts.append(values - values.mean())
    columns = np.column_stack(parts) if parts else np.zeros((len(group), 0))
    return MixedDesign(
        columns=columns,
        group_levels=groups,
        phase_levels=phases,
        cells=cells,
        additive={k: v for k, v in additive.items() if v},
        status=status,
    )


def _mean_of(design: MixedDesign, groups: tuple[str, ...], phases: tuple[str, ...]) -> np.ndarray:
    weights = np.zeros(design.columns.shape[1])
    for g in groups:
        for f in phases:
            weights[design.cells[g, f]] = 1.0 / (len(groups) * len(phases))
    return weights


def marginal_means(design: MixedDesign) -> Iterator[tuple[str, str, np.ndarray]]:
    """(term, level, weights) of the means of each group, each phase and each cell."""
    for g in design.group_levels:
        yield "group", g, _mean_of(design, (g,), design.phase_levels)
    if len(design.phase_levels) > 1:
        for f in design.phase_levels:
            yield "phase", f, _mean_of(design, design.group_levels, (f,))
        for g, f in design.cells:
            yield "group x phase", f"{g} / {f}", _mean_of(design, (g,), (f,))


def differences(design: MixedDesign) -> Iterator[tuple[str, str, np.ndarray]]:
    """(term, comparison, weights) of all pairs of groups, of phases, and of groups within each phase."""
    for a, b in combinations(design.group_levels, 2):
        yield "group", f"{b} - {a}", _group_difference(design, a, b, design.phase_levels)
    if len(design.phase_levels) > 1:
        for a, b in combinations(design.phase_levels, 2):
            late = _mean_of(design, design.group_levels, (b,))
            yield "phase", f"{b} - {a}", late - _mean_of(design, design.group_levels, (a,))
        for f in design.phase_levels:
            for a, b in combinations(design.group_levels, 2):
                yield "group within phase", f"{b} - {a} / {f}", _group_difference(design, a, b, (f,))


def _group_difference(design: MixedDesign, a: str, b: str, phases: tuple[str, ...]) -> np.ndarray:
    result: np.ndarray = _mean_of(design, (b,), phases) - _mean_of(design, (a,), phases)
    return result


def terms(design: MixedDesign) -> Iterator[tuple[str, np.ndarray]]:
    """(term, rows) of the F test of each term: all its differences together."""
    g, f = design.group_levels, design.phase_levels
    if len(g) > 1:
        yield "group", np.array([_group_difference(design, g[0], other, f) for other in g[1:]])
    if len(f) > 1:
        first = _mean_of(design, g, (f[0],))
        yield "phase", np.array([_mean_of(design, g, (other,)) - first for other in f[1:]])
    if len(g) > 1 and len(f) > 1:
        yield (
            "group x phase",
            np.array(
                [
                    _group_difference(design, g[0], a, (b,)) - _group_difference(design, g[0], a, (f[0],))
                    for a in g[1:]
                    for b in f[1:]
                ]
            ),
        )
    for name, columns in design.additive.items():
        yield name, np.eye(design.columns.shape[1])[list(columns)]
