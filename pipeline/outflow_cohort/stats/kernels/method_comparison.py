"""Deming and Passing-Bablok regression between two readers or methods, one pair per case.

Both fit second = intercept + slope x first with error in both; the unit is that of the values.

Sources: Deming 1943, Statistical Adjustment of Data; Linnet 1993, Clin Chem 39:424 (jackknife);
Passing & Bablok 1983, J Clin Chem Clin Biochem 21:709.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

import numpy as np

from outflow_cohort.stats.data.cells import usable_numbers
from outflow_cohort.stats.kernels.limits_of_agreement import _t_quantile

DEMING_SOURCE = "Deming 1943; Linnet 1993 Clin Chem 39:424 (jackknife interval)"
PASSING_BABLOK_SOURCE = "Passing & Bablok 1983 J Clin Chem Clin Biochem 21:709"
LARGEST_WHOLE = 2**53
"""Whole numbers up to this are exact in double precision."""


@dataclass(frozen=True)
class RegressionLine:
    """Intercept and slope with standard errors (NaN for rank methods) and interval; reason in `status` if NaN."""

    method: str
    n: int
    intercept: float
    intercept_se: float
    intercept_low: float
    intercept_high: float
    slope: float
    slope_se: float
    slope_low: float
    slope_high: float
    confidence: float
    source: str
    status: str
    note: str


def _pairs(
    first: Sequence[float] | np.ndarray, second: Sequence[float] | np.ndarray
) -> tuple[np.ndarray, np.ndarray, str]:
    x, y = usable_numbers(first), usable_numbers(second)
    if len(x) != len(y):
        raise ValueError(f"{len(x)} first and {len(y)} second values; pairs are needed")
    kept = np.isfinite(x) & np.isfinite(y)
    note = f"{int((~kept).sum())} incomplete pair(s) left out" if not kept.all() else ""
    return x[kept], y[kept], note


def _no_line(method: str, n: int, confidence: float, source: str, status: str, note: str) -> RegressionLine:
    nan = float("nan")
    return RegressionLine(
        method=method,
        n=n,
        intercept=nan,
        intercept_se=nan,
        intercept_low=nan,
        intercept_high=nan,
        slope=nan,
        slope_se=nan,
        slope_low=nan,
        slope_high=nan,
        confidence=confidence,
        source=source,
        status=status,
        note=note,
    )


def deming(
    first: Sequence[float] | np.ndarray,
    second: Sequence[float] | np.ndarray,
    *,
    error_ratio: float = 1.0,
    interval: Literal["jackknife", "analytical"] = "jackknife",
    confidence: float = 0.95,
) -> RegressionLine:
    """Deming regression.

    error_ratio : variance of the error of `first` over that of `second` (many papers use the inverse).
    interval : "jackknife" (Linnet) or "analytical" (correlation-based standard error), both with t, n - 2.

    Incomplete pairs are left out and counted in `note`. Raises ValueError for unequal lengths or error_ratio <= 0;
    data never raise (too_few_pairs below 3, constant_values, no_correlation).

    The same spread in both methods gives the slope 1:

    >>> line = deming([0.0, 1, 2, 3], [0.0, 2, 1, 3])
    >>> round(float(line.slope), 3), abs(round(float(line.intercept), 3))
    (1.0, 0.0)
    """
    if not error_ratio > 0:
        raise ValueError(f"error_ratio is {error_ratio}; a positive ratio of variances is needed")
    x, y, note = _pairs(first, second)
    n = len(x)
    if n < 3:
        return _no_line("deming", n, confidence, DEMING_SOURCE, "too_few_pairs", note)
    if np.ptp(x) <= 1e-12 * np.abs(x).max() or np.ptp(y) <= 1e-12 * np.abs(y).max():
        return _no_line("deming", n, confidence, DEMING_SOURCE, "constant_values", note)
    mean_x, mean_y = x.mean(), y.mean()
    sxx, syy = ((x - mean_x) ** 2).sum(), ((y - mean_y) ** 2).sum()
    sxy = ((x - mean_x) * (y - mean_y)).sum()
    if abs(sxy) <= 1e-12 * np.sqrt(sxx * syy):
        return _no_line("deming", n, confidence, DEMING_SOURCE, "no_correlation", note)
    slope = float(_deming_slope(sxx, syy, sxy, error_ratio))
    intercept = mean_y - slope * mean_x
    if interval == "analytical":
        correlation2 = sxy**2 / (sxx * syy)
        slope_se = float(np.sqrt(slope**2 * max(1 - correlation2, 0.0) / correlation2 / (n - 2)))
        intercept_se = float(slope_se * np.sqrt((x**2).mean()))
    else:
        # Sums without one pair: S - n/(n-1) (x_i - mean)(y_i - mean).
        shrink = n / (n - 1)
        left_xx, left_yy = sxx - shrink * (x - mean_x) ** 2, syy - shrink * (y - mean_y) ** 2
        left_xy = sxy - shrink * (x - mean_x) * (y - mean_y)
        left_slope = _deming_slope(left_xx, left_yy, left_xy, error_ratio)
        left_intercept = (n * mean_y - y) / (n - 1) - left_slope * (n * mean_x - x) / (n - 1)
        slope_se, intercept_se = _jackknife_error(slope, left_slope), _jackknife_error(intercept, left_intercept)
    quantile = _t_quantile(confidence, n - 2)
    status = "ok" if np.isfinite(slope_se) and np.isfinite(intercept_se) else "interval_not_estimable"
    return RegressionLine(
        method="deming",
        n=n,
        intercept=float(intercept),
        intercept_se=intercept_se,
        intercept_low=float(intercept - quantile * intercept_se),
        intercept_high=float(intercept + quantile * intercept_se),
        slope=float(slope),
        slope_se=slope_se,
        slope_low=float(slope - quantile * slope_se),
        slope_high=float(slope + quantile * slope_se),
        confidence=confidence,
        source=DEMING_SOURCE,
        status=status,
        note=note,
    )


def _deming_slope(
    sxx: np.ndarray | float, syy: np.ndarray | float, sxy: np.ndarray | float, error_ratio: float
) -> np.ndarray:
    """Slope from sums of squares (numbers or arrays); NaN where x and y are uncorrelated."""
    # Linnet 1993, eq. 2 with lambda = var(error x) / var(error y).
    half = error_ratio * syy - sxx
    root = half + np.sqrt(half**2 + 4 * error_ratio * sxy**2)
    below = 2 * error_ratio * sxy
    return np.asarray(np.divide(root, below, out=np.full(np.shape(root), np.nan), where=np.asarray(below != 0)))


def _jackknife_error(estimate: float, left_out: np.ndarray) -> float:
    """Standard error of the mean of the pseudo-values n estimate - (n-1) left_out."""
    pseudo = len(left_out) * estimate - (len(left_out) - 1) * left_out
    return float(pseudo.std(ddof=1) / np.sqrt(len(pseudo)))


def passing_bablok(
    first: Sequence[float] | np.ndarray, second: Sequence[float] | np.ndarray, *, confidence: float = 0.95
) -> RegressionLine:
    """Passing-Bablok regression: shifted median of the slopes of all pairs of points.

    Pairs of identical points and slopes of exactly -1 are dropped; a vertical pair counts as a slope of infinity with
    the sign of its rise. Slopes are compared with -1 in decimal whole numbers where the values have few enough digits,
    because 1.1 - 1.0 is not 0.1 in binary. Needs positive association, as the paper does.

    Incomplete pairs are left out and counted in `note`. Raises ValueError for unequal lengths; data never raise
    (too_few_pairs below 3, constant_values, no_positive_association).

    One gross outlier does not move the line of the others, y = 1 + 2 x:

    >>> line = passing_bablok([1, 2, 3, 4, 5, 6, 7], [3, 5, 7, 90, 11, 13, 15])
    >>> round(float(line.slope), 3), round(float(line.intercept), 3)
    (2.0, 1.0)
    """
    from scipy.stats import norm

    x, y, note = _pairs(first, second)
    n, source = len(x), PASSING_BABLOK_SOURCE
    if n < 3:
        return _no_line("passing_bablok", n, confidence, source, "too_few_pairs", note)
    if np.ptp(x) <= 1e-12 * np.abs(x).max() or np.ptp(y) <= 1e-12 * np.abs(y).max():
        return _no_line("passing_bablok", n, confidence, source, "constant_values", note)
    slopes = _slopes(x, y)
    count = len(slopes)
    offset = int((slopes < -1).sum())
    if count == 0 or offset + count // 2 >= count:
        return _no_line("passing_bablok", n, confidence, source, "no_positive_association", note)
    spread = norm.ppf((1 + confidence) / 2) * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    rank_low = int(np.floor((count - spread) / 2 + 0.5))
    low_index, high_index = rank_low + offset - 1, count - rank_low + offset
    inside = low_index >= 0 and high_index < count
    wanted = {count // 2 + offset, max(count // 2 - 1 + offset, 0), *((low_index, high_index) if inside else ())}
    slopes.partition(sorted(wanted))
    middle = slopes[count // 2 + offset]
    if count % 2 == 0:
        middle = (slopes[count // 2 - 1 + offset] + middle) / 2
    slope_low, slope_high = (slopes[low_index], slopes[high_index]) if inside else (np.nan, np.nan)
    inside = bool(inside and np.isfinite(slope_low) and np.isfinite(slope_high))
    if not np.isfinite(middle):
        return _no_line("passing_bablok", n, confidence, source, "no_positive_association", note)
    nan = float("nan")
    intercept = float(np.median(y - middle * x))
    ends = [intercept]
    if inside:
        # Of x < 0 the steeper slope gives the higher intercept, of x of both signs perhaps neither end is outermost.
        ends += [float(np.median(y - slope * x)) for slope in (slope_low, slope_high)]
    return RegressionLine(
        method="passing_bablok",
        n=n,
        intercept=intercept,
        intercept_se=nan,
        intercept_low=min(ends) if inside else nan,
        intercept_high=max(ends) if inside else nan,
        slope=float(middle),
        slope_se=nan,
        slope_low=float(slope_low) if inside else nan,
        slope_high=float(slope_high) if inside else nan,
        confidence=confidence,
        source=source,
        status="ok" if inside else "interval_not_estimable",
        note=note,
    )


def _slopes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Slopes of all pairs of points, without identical points and slopes of exactly -1, in no order."""
    units = _whole_units(np.concatenate([x, y]))
    if units is not None:
        x, y = units[: len(x)], units[len(x) :]
    first, second = np.triu_indices(len(x), k=1)
    rise, run = y[second] - y[first], x[second] - x[first]
    kept = ~((rise == 0) & (run == 0)) & (rise != -run)
    rise, run = rise[kept], run[kept]
    vertical = run == 0
    result: np.ndarray = np.divide(rise, run, out=np.where(rise > 0, np.inf, -np.inf), where=~vertical)
    return result


def _whole_units(values: np.ndarray) -> np.ndarray | None:
    """The values as whole multiples of their last shared decimal; None where that takes more than 53 bits."""
    decimals = [Decimal(repr(float(v))).normalize() for v in values]
    places = max(0, *(-int(d.as_tuple().exponent) for d in decimals))
    if places > 15 or max(abs(d) for d in decimals) * 10**places >= LARGEST_WHOLE:
        return None
    return np.array([float(d.scaleb(places)) for d in decimals])
