"""Limits of agreement where bias or spread depends on the size of the measurement.

Difference (first - second) on mean of the pair: D = b0 + b1 A; spread from the absolute residuals: |R| = c0 + c1 A.

Source: Bland & Altman 1999, Stat Methods Med Res 8:135, sec. 3.2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outflow_cohort.stats.data.cells import usable_numbers
from outflow_cohort.stats.kernels.limits_of_agreement import _t_quantile

SOURCE = "Bland & Altman 1999 Stat Methods Med Res 8:135 sec. 3.2"
SIGNIFICANCE = 0.05
"""Level at which the spread counts as growing with size (the paper's practice)."""


@dataclass(frozen=True)
class RegressionLimits:
    """Regression of the differences on the means, and of the absolute residuals.

    intercept, slope with standard errors and intervals; slope_p tests that the bias is constant; spread_intercept c0,
    spread_slope c1, spread_p tests that the spread is constant; spread_grows is spread_p < 0.05.
    """

    n: int
    intercept: float
    intercept_se: float
    intercept_low: float
    intercept_high: float
    slope: float
    slope_se: float
    slope_low: float
    slope_high: float
    slope_p: float
    residual_sd: float
    spread_intercept: float
    spread_slope: float
    spread_p: float
    spread_grows: bool
    multiplier: float
    status: str
    note: str

    def limit_lines(self, growing: bool | None = None) -> tuple[tuple[float, float], tuple[float, float]]:
        """((intercept, slope) of the lower limit, the same of the upper); growing: None = as the data say."""
        grows = self.spread_grows if growing is None else growing
        if grows:
            # SD of a normal residual = sqrt(pi/2) x mean absolute residual.
            factor = self.multiplier * np.sqrt(np.pi / 2)
            offset, tilt = factor * self.spread_intercept, factor * self.spread_slope
        else:
            offset, tilt = self.multiplier * self.residual_sd, 0.0
        return (
            (float(self.intercept - offset), float(self.slope - tilt)),
            (float(self.intercept + offset), float(self.slope + tilt)),
        )


def bland_altman_regression(
    first: Sequence[float] | np.ndarray,
    second: Sequence[float] | np.ndarray,
    *,
    multiplier: float = 1.96,
    confidence: float = 0.95,
) -> RegressionLimits:
    """Bias and limits as straight lines in the mean of the pair, one pair per case.

    Incomplete pairs are left out and counted in `note`. Raises ValueError where the lengths differ; data never raise
    (status too_few_pairs below 3, constant_values where all means are equal).

    Invented readings that differ by one tenth of their mean, and 1 up or down:

    >>> mean = np.array([100.0, 200, 300, 400])
    >>> half = (0.1 * mean + [1, -1, -1, 1]) / 2
    >>> found = bland_altman_regression(mean + half, mean - half)
    >>> round(float(found.slope), 3), round(abs(float(found.intercept)), 3)
    (0.1, 0.0)
    """
    from scipy.special import stdtr

    a, b = usable_numbers(first), usable_numbers(second)
    if len(a) != len(b):
        raise ValueError(f"{len(a)} first and {len(b)} second values; pairs are needed")
    kept = np.isfinite(a) & np.isfinite(b)
    note = f"{int((~kept).sum())} incomplete pair(s) left out" if not kept.all() else ""
    a, b = a[kept], b[kept]
    n, nan = len(a), float("nan")
    status = "too_few_pairs" if n < 3 else ""
    means = (a + b) / 2
    if not status and np.ptp(means) <= 1e-12 * np.abs(means).max():
        status = "constant_values"
    if status:
        return RegressionLimits(
            n=n,
            intercept=nan,
            intercept_se=nan,
            intercept_low=nan,
            intercept_high=nan,
            slope=nan,
            slope_se=nan,
            slope_low=nan,
            slope_high=nan,
            slope_p=nan,
            residual_sd=nan,
            spread_intercept=nan,
            spread_slope=nan,
            spread_p=nan,
            spread_grows=False,
            multiplier=multiplier,
            status=status,
            note=note,
        )
    intercept, slope, intercept_se, slope_se, residuals = _line(means, a - b)
    residual_sd = float(np.sqrt((residuals**2).sum() / (n - 2)))
    spread_intercept, spread_slope, _, spread_se, _ = _line(means, np.abs(residuals))
    quantile = _t_quantile(confidence, n - 2)
    exact = residual_sd <= 1e-12 * max(np.abs(a).max(), np.abs(b).max())
    slope_p = nan if exact else float(2 * stdtr(n - 2, -abs(slope / slope_se)))
    spread_p = nan if exact or spread_se == 0 else float(2 * stdtr(n - 2, -abs(spread_slope / spread_se)))
    return RegressionLimits(
        n=n,
        intercept=intercept,
        intercept_se=intercept_se,
        intercept_low=intercept - quantile * intercept_se,
        intercept_high=intercept + quantile * intercept_se,
        slope=slope,
        slope_se=slope_se,
        slope_low=slope - quantile * slope_se,
        slope_high=slope + quantile * slope_se,
        slope_p=slope_p,
        residual_sd=residual_sd,
        spread_intercept=spread_intercept,
        spread_slope=spread_slope,
        spread_p=spread_p,
        spread_grows=bool(spread_p < SIGNIFICANCE),
        multiplier=multiplier,
        status="no_spread" if exact else "ok",
        note=note,
    )


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float, float, np.ndarray]:
    """Least-squares line: intercept, slope, their standard errors, residuals."""
    n, center = len(x), x.mean()
    spread = float(((x - center) ** 2).sum())
    slope = float(((x - center) * (y - y.mean())).sum() / spread)
    intercept = float(y.mean() - slope * center)
    residuals = y - intercept - slope * x
    variance = float((residuals**2).sum() / (n - 2))
    return (
        intercept,
        slope,
        float(np.sqrt(variance * (1 / n + center**2 / spread))),
        np.sqrt(variance / spread),
        residuals,
    )
