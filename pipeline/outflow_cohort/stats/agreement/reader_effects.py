"""Bias of single readers against the mean of all readers, in the unit of the values.

Source: Searle, Casella & McCulloch 1992, Variance Components, ch. 7 (fixed readers, random cases).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.cells import Cells, cells_of_frame
from outflow_cohort.stats.kernels.reml import VarianceComponents, additive_fit, fit_cells

if TYPE_CHECKING:
    import pandas as pd

BIAS_SOURCE = "Searle, Casella & McCulloch 1992 ch. 7"
BIAS_DEFINITION = "reader's effect minus the mean of all readers' effects; cases random, readers fixed"


def reader_bias(
    frame: pd.DataFrame,
    *,
    case: str = "case_id",
    reader: str = "reader_id",
    value: str = "value",
    read: str | None = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Bias of each reader against the mean of all, with interval, from any pattern of readings.

    Returns one row per reader: reader, estimate, ci_low, ci_high, standard_error, df, n_cases, n_readings, definition,
    source, status, note. Complete readings give the classical contrast of reader means with the reader x case error.
    Raises KeyError for an absent column; status one_reader, one_case, readers_share_no_case, perfect_agreement ...

    Shrout & Fleiss 1979, table 2: the second judge's mean is 2.5, 2.79 below that of all, 5.29:

    >>> import pandas as pd
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> frame = pd.DataFrame([(c, r, v) for c, row in enumerate(table) for r, v in enumerate(row)])
    >>> found = reader_bias(frame.set_axis(["case_id", "reader_id", "value"], axis=1))
    >>> [round(float(x), 2) for x in found["estimate"]]
    [2.38, -2.79, -0.96, 1.37]
    """
    import pandas as pd

    if read is not None and read not in frame.columns:
        raise KeyError(f"column {read!r} not in the frame; it has {list(frame.columns)}")
    cells = cells_of_frame(frame, case=case, reader=reader, value=value)
    rows = reader_bias_rows(cells, fit_cells(cells), confidence=confidence)
    columns = "reader estimate ci_low ci_high standard_error df n_cases n_readings definition source status note"
    return pd.DataFrame(rows, columns=columns.split())


def reader_bias_rows(cells: Cells, fit: VarianceComponents, *, confidence: float) -> list[dict[str, Any]]:
    """Rows of `reader_bias`; fit = components of the same cells."""
    from scipy.stats import t

    nan = float("nan")
    rows = [
        {
            "reader": name,
            "estimate": nan,
            "ci_low": nan,
            "ci_high": nan,
            "standard_error": nan,
            "df": nan,
            "n_cases": int((cells.counts[:, index] > 0).sum()),
            "n_readings": int(cells.counts[:, index].sum()),
            "definition": BIAS_DEFINITION,
            "source": BIAS_SOURCE,
            "status": "one_reader" if cells.n_readers == 1 else fit.status,
            "note": cells.note,
        }
        for index, name in enumerate(cells.readers)
    ]
    if cells.n_readers == 1 or not np.isfinite(fit.residual):
        return rows
    if fit.status != "ok":
        effects = additive_fit((cells.counts > 0).astype(np.float64), cells.means)[0].mean(axis=0) * cells.scale
        for row, effect in zip(rows, effects - effects.mean(), strict=True):
            row["estimate"] = float(effect)
        return rows
    occupied = cells.counts > 0
    error = fit.values[2] + np.divide(fit.residual, cells.counts, out=np.ones_like(cells.counts), where=occupied)
    weights = np.where(occupied, 1.0 / error, 0.0)
    absorbed = fit.case / (1.0 + fit.case * weights.sum(axis=1))
    information = np.diag(weights.sum(axis=0)) - (weights * absorbed[:, None]).T @ weights
    right = (weights * (cells.means - (absorbed * (weights * cells.means).sum(axis=1))[:, None])).sum(axis=0)
    centring = np.eye(cells.n_readers) - 1.0 / cells.n_readers
    inverse = np.linalg.pinv(information, hermitian=True)
    effects = centring @ inverse @ right * cells.scale
    errors = np.sqrt(np.maximum(np.diag(centring @ inverse @ centring), 0.0))
    rank = additive_fit(occupied.astype(np.float64), cells.means)[1]
    # Readers differ against case x reader where it is in the model, else against the residual.
    df = (cells.n_cells if np.isfinite(fit.case_reader) else cells.n_readings) - rank
    quantile = float(t.ppf((1 + confidence) / 2, df)) if df > 0 else nan
    for row, effect, error_of in zip(rows, effects, errors, strict=True):
        half = quantile * error_of
        row |= {"estimate": float(effect), "ci_low": float(effect - half), "ci_high": float(effect + half)}
        row |= {"standard_error": float(error_of), "df": float(df)}
        if not np.isfinite(half):
            row["status"] = "interval_not_estimable"
    return rows
