"""Variance components of weighted cases, all rows of weights at once: what the jackknife by case needs.

Complete readings: mean squares from sums over cases (matrix products); else the restricted likelihood of every row,
compiled. Readers stay as they are.
"""

from __future__ import annotations

import numpy as np

from outflow_cohort.stats.data.cells import Cells
from outflow_cohort.stats.kernels.reml import VarianceComponents


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
    # A case drawn five times gives no more about the residual than drawn once: its copies fit as exactly as it does.
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
    result: np.ndarray = (n_cases > 1) & linked & (residual > 0) & spread
    return result


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
