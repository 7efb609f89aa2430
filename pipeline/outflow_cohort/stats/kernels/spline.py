"""Restricted cubic splines: cubic between the knots, straight beyond them, smooth to the second derivative.

Source: Harrell 2015, Regression Modeling Strategies, sec. 2.4.5-2.4.6 (basis and places of the knots).
"""

from __future__ import annotations

import numpy as np

SOURCE = "Harrell 2015 Regression Modeling Strategies sec. 2.4.5-2.4.6"
PLACES = {3: (0.1, 0.5, 0.9), 4: (0.05, 0.35, 0.65, 0.95), 5: (0.05, 0.275, 0.5, 0.725, 0.95)}
"""Quantiles of the knots, by their number (Harrell 2015, table 2.3)."""


def knots_of(value: np.ndarray, number: int) -> np.ndarray:
    """Knots at the usual quantiles of the values. Raises ValueError for a number that is not 3, 4 or 5.

    Three knots at the quantiles 0.1, 0.5 and 0.9 (Harrell 2015, table 2.3):

    >>> knots_of(np.arange(101.0), 3).tolist()
    [10.0, 50.0, 90.0]
    """
    if number not in PLACES:
        raise ValueError(f"{number} knots; needed 3, 4 or 5")
    return np.asarray(np.quantile(value, PLACES[number]))


def spline_basis(value: np.ndarray, knots: np.ndarray) -> np.ndarray:
    """(n, k - 1) columns: the value itself, then k - 2 curved ones, in the unit of the value.

    Below the first knot the curve is straight, so its second column is 0 there:

    >>> spline_basis(np.array([5.0, 50.0]), np.array([10.0, 50.0, 90.0])).tolist()
    [[5.0, 0.0], [50.0, 10.0]]
    """
    k = len(knots)
    last, before = knots[-1], knots[-2]
    unit = (last - knots[0]) ** 2
    columns = [value]

    def cubed(at: float) -> np.ndarray:
        return np.maximum(value - at, 0.0) ** 3

    for j in range(k - 2):  # Harrell 2015, eq. 2.26
        curved = cubed(knots[j]) - (
            cubed(before) * (last - knots[j]) - cubed(last) * (before - knots[j])
        ) / (last - before)  # fmt: skip
        columns.append(curved / unit)
    return np.column_stack(columns)
