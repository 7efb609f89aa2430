"""Case bootstrap of variance components: all draws of a measure at once.

Readers stay as they are: the interval carries the sampling of cases, not of readers, and is therefore narrower than
the generalised interval where readers differ. In simulation (20-60 cases, 3 readers, 2 reads) it covers 92-95 % at a
nominal 95 %; the generalised and chi-square intervals, which cover 93-97 %, are the ones shown first.

Complete readings: mean squares of every draw from sums over cases (matrix products); else the restricted likelihood of
every draw, compiled.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from outflow_cohort.stats.data.cells import Cells
from outflow_cohort.stats.kernels.bootstrap import FEWEST_CASES, MOST_FAILURES, case_draws, interval_of_draws
from outflow_cohort.stats.kernels.reml import VarianceComponents


def component_intervals(
    cells: Cells,
    fit: VarianceComponents,
    statistics: dict[str, Callable[[np.ndarray], np.ndarray]],
    *,
    n_draws: int,
    seed: int,
    confidence: float,
) -> dict[str, tuple[float, float]]:
    """BCa intervals of functions of the components (n, 4) in squared units of the values; empty if there are none."""
    if fit.status != "ok" or cells.n_readers < 2 or cells.n_cases < FEWEST_CASES or n_draws == 0:
        return {}
    draws = case_draws(cells.n_cases, n_draws, seed)
    weights = np.vstack([np.ones((1, cells.n_cases)), 1.0 - np.eye(cells.n_cases), draws.weights])
    components = components_of_weights(cells, weights, fit) * cells.scale**2
    n = cells.n_cases
    found = {}
    for name, function in statistics.items():
        values = function(components)
        drawn = values[n + 1 :]
        defined = np.isfinite(drawn)
        if not np.isfinite(values[0]) or draws.probabilities[~defined].sum() > MOST_FAILURES:
            continue
        probabilities = draws.probabilities[defined] / draws.probabilities[defined].sum()
        found[name] = interval_of_draws(float(values[0]), drawn[defined], probabilities, values[1 : n + 1], confidence)
    return found


def components_of_weights(cells: Cells, weights: np.ndarray, fit: VarianceComponents) -> np.ndarray:
    """(n, 4) components for rows of case weights (n, n_cases), standardised units; NaN where a row holds too little."""
    if cells.complete:
        return _balanced_components(cells, weights)
    from outflow_cohort.stats.kernels import reml_kernel

    interaction = bool(np.isfinite(fit.case_reader))
    active = np.array([1.0, 1.0, float(interaction), 1.0])
    start = np.maximum(fit.values / cells.scale**2, 1e-3) * (active > 0)
    enough = _estimable(cells, weights, interaction)
    components = np.full((len(weights), 4), np.nan)
    drawn = weights[enough]
    components[enough] = reml_kernel.fit_draws(cells.counts, cells.means, cells.within_ss, drawn, active, start)
    return components


def _estimable(cells: Cells, weights: np.ndarray, interaction: bool) -> np.ndarray:
    """Rows that hold at least two cases, a case with two readers and a residual degree of freedom."""
    read = cells.counts > 0
    read_by = read.sum(axis=1)
    # A case drawn five times tells no more about the residual than drawn once: its copies fit as exactly as it does.
    present = (weights > 0).astype(float)
    n_cases = present.sum(axis=1)
    linked = present @ (read_by > 1) > 0
    if interaction:
        residual = present @ (cells.counts.sum(axis=1) - read_by)
        spread = present @ cells.within_ss.sum(axis=1) > 0
    else:
        n_readers = (present @ read > 0).sum(axis=1)
        residual = present @ cells.counts.sum(axis=1) - n_cases - n_readers + 1
        spread = np.ones(len(weights), bool)
    return (n_cases > 1) & linked & (residual > 0) & spread


def _balanced_components(cells: Cells, weights: np.ndarray) -> np.ndarray:
    """Components from mean squares, the negative ones 0 (Searle, Casella & McCulloch 1992, table 4.8)."""
    n_readers, repeats = cells.n_readers, float(cells.counts.flat[0])
    table = cells.means
    case_means = table.mean(axis=1)
    per_case = np.column_stack([table, case_means**2, (table**2).sum(axis=1), cells.within_ss.sum(axis=1)])
    sums = weights @ per_case
    n = weights.sum(axis=1)
    reader_means = sums[:, :n_readers] / n[:, None]
    grand = reader_means.mean(axis=1)
    case_square, cell_square, within = sums[:, n_readers], sums[:, n_readers + 1], sums[:, n_readers + 2]
    reader_square = (reader_means**2).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        case_ms = n_readers * repeats * (case_square - n * grand**2) / (n - 1)
        reader_ms = n * repeats * (reader_square - n_readers * grand**2) / (n_readers - 1)
        cell_ss = repeats * (cell_square - n_readers * case_square - n * reader_square + n * n_readers * grand**2)
        cell_ms = cell_ss / ((n - 1) * (n_readers - 1))
        reader = (reader_ms - cell_ms) / (n * repeats)
        case = (case_ms - cell_ms) / (n_readers * repeats)
        if repeats > 1:
            residual = within / (n * n_readers * (repeats - 1))
            cell = (cell_ms - residual) / repeats
        else:
            residual, cell = cell_ms, np.zeros_like(cell_ms)
    components = np.stack([case, reader, cell, residual], axis=1)
    return np.where(np.isnan(components), np.nan, np.maximum(components, 0.0))
