"""Two-by-two table of a test against an outcome. Counts are cases, ratios have unit 1."""

from __future__ import annotations

import numpy as np

SOURCE = "Simel, Samsa & Matchar 1991 J Clin Epidemiol 44:763"


def two_by_two(positive: np.ndarray, event: np.ndarray) -> np.ndarray:
    """(2, 2) counts: test positive, negative in rows; event, none in columns.

    >>> two_by_two(np.array([True, True, False, False]), np.array([1, 0, 1, 0])).tolist()
    [[1, 1], [1, 1]]
    """
    yes = event == 1
    return np.array(
        [[(positive & yes).sum(), (positive & ~yes).sum()], [(~positive & yes).sum(), (~positive & ~yes).sum()]]
    )


def likelihood_ratio(table: np.ndarray, line: int, confidence: float) -> tuple[float, float, float, str]:
    """Likelihood ratio of a test result (line 0 positive, 1 negative), its interval (Simel 1991, eq. 2), status.

    Status `empty_cell` where the ratio or its interval needs a count that is 0.

    Positive are 24 of 30 with and 6 of 40 without the outcome: (24 / 30) / (6 / 40) = 5.33:

    >>> ratio, low, high, status = likelihood_ratio(np.array([[24, 6], [6, 34]]), 0, 0.95)
    >>> round(ratio, 2), status
    (5.33, 'ok')
    """
    from scipy.special import ndtri

    nan = float("nan")
    hits, misses = table[line].astype(np.float64)
    events, others = table.sum(axis=0).astype(np.float64)
    if not events or not others:
        return nan, nan, nan, "one_outcome"
    if not hits or not misses:
        return nan, nan, nan, "empty_cell"
    ratio = (hits / events) / (misses / others)
    error = float(np.sqrt(1 / hits - 1 / events + 1 / misses - 1 / others))
    half = float(ndtri((1 + confidence) / 2)) * error
    return float(ratio), float(ratio * np.exp(-half)), float(ratio * np.exp(half)), "ok"
