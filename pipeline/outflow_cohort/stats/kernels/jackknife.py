"""Intervals that do not rest on normal errors: the jackknife by case on a scale that steadies the variance.

Each case is left out in turn; the spread of the figure on its transformed scale gives a standard error with n - 1
degrees of freedom. Variances of few values with heavy tails are too small more often than too large, and their standard
errors with them; Bonett's factor n / (n - 1.96) moves the log variance up and widens its interval. In simulation (20
and 50 cases, three readers; results_demo/statistics_coverage.md) the intervals cover 95-97 % with normal errors and
94-96 % with t5 errors, where F and chi-square intervals cover 82-92 %.

Sources: Arvesen 1969 Ann Math Stat 40:2076 (jackknife of log variance ratios); Arvesen & Schmitz 1970 Biometrics
26:677 (variance components); Miller 1974 Biometrika 61:1; Bonett 2006 Comput Stat Data Anal 50:775 (factor of few
values).
"""

from __future__ import annotations

import numpy as np

from outflow_cohort.stats.data.cells import Cells
from outflow_cohort.stats.kernels.case_weights import components_of_weights
from outflow_cohort.stats.kernels.limits_of_agreement import _normal_quantile, _t_quantile
from outflow_cohort.stats.kernels.reml import VarianceComponents

SOURCE = "Arvesen & Schmitz 1970 Biometrics 26:677 (jackknife by case); Bonett 2006 Comput Stat Data Anal 50:775"
FEWEST_CASES = 10
"""Below so many cases the spread of the leave-one-out figures is too rough: intervals of normal theory then."""
SMALLEST_SPREAD = 1e-12
"""Leave-one-out figures nearer to each other than this differ by rounding only."""


def standard_error(estimate: float, without: np.ndarray) -> float:
    """Jackknife standard error from the figures without each case; NaN where one is undefined or all are equal."""
    n = len(without)
    if n < FEWEST_CASES or not np.isfinite(estimate) or not np.isfinite(without).all():
        return float("nan")
    pseudo = n * estimate - (n - 1) * without
    error = float(pseudo.std(ddof=1) / np.sqrt(n))
    return error if error > SMALLEST_SPREAD * max(abs(estimate), 1.0) else float("nan")


def few_values_factor(n: int) -> float:
    """What a variance of n values and its relative error are multiplied by (Bonett 2006, eq. 5, with its 95 % quantile
    at every confidence)."""
    return n / (n - _normal_quantile(0.975))


def interval(
    estimate: float, without: np.ndarray, confidence: float, power: float, values: int = 0
) -> tuple[float, float]:
    """Interval of `power` times a log variance; (NaN, NaN) where there is none.

    without : the figures without each case; values : those the variance is of, 0 = one per case.
    """
    n = len(without)
    error = standard_error(estimate, without)
    if not np.isfinite(error):
        return float("nan"), float("nan")
    factor = few_values_factor(values or n)
    half = _t_quantile(confidence, n - 1) * error * factor
    centre = estimate + power * float(np.log(factor))
    return min(centre - half, estimate), max(centre + half, estimate)


def log_ratio(icc: np.ndarray | float, k: int) -> np.ndarray:
    """Logarithm of the variance ratio of an ICC of k readers: log (1 + (k-1) icc) / (1 - icc)."""
    value = np.asarray(icc, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.log((1.0 + (k - 1.0) * value) / (1.0 - value)))


def icc_of_log_ratio(ratio: float, k: int) -> float:
    """The ICC of a log variance ratio."""
    return float(np.expm1(ratio) / (np.exp(ratio) + k - 1.0))


def components_without(cells: Cells, fit: VarianceComponents) -> np.ndarray | None:
    """(n_cases, 4) components without each case, standardised units; None where a jackknife has too few cases."""
    if cells.n_cases < FEWEST_CASES or cells.n_readers < 2 or fit.status != "ok":
        return None
    return components_of_weights(cells, 1.0 - np.eye(cells.n_cases), fit)


def icc_interval(
    estimate: float, components: np.ndarray, error_parts: tuple[int, ...], k: int, confidence: float
) -> tuple[float, float]:
    """Interval of case / (case + error parts) from the components without each case; k sets the scale only."""
    case = components[:, 0]
    total = case + components[:, list(error_parts)].sum(axis=1)
    icc = np.divide(case, total, out=np.full(len(case), np.nan), where=total > 0)
    # The logarithm of the ratio holds the case variance once.
    low, high = interval(float(log_ratio(estimate, k)), log_ratio(icc, k), confidence, 1.0)
    return icc_of_log_ratio(low, k), icc_of_log_ratio(high, k)


def within_interval(cells: Cells, confidence: float) -> tuple[float, float]:
    """Interval of the pooled variance of repeated reads, squared unit of the values; cells of a case go together."""
    squares = cells.within_ss.sum(axis=1)
    degrees = np.maximum(cells.counts - 1.0, 0.0).sum(axis=1)
    used = degrees > 0
    squares, degrees = squares[used], degrees[used]
    if len(squares) < FEWEST_CASES or not squares.sum() > 0:
        return float("nan"), float("nan")
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = float(np.log(squares.sum() / degrees.sum()))
        without = np.log((squares.sum() - squares) / (degrees.sum() - degrees))
    low, high = interval(estimate, without, confidence, 1.0)
    return float(np.exp(low)) * cells.scale**2, float(np.exp(high)) * cells.scale**2


def nested_limits(
    means: np.ndarray, counts: np.ndarray, squares: np.ndarray, confidence: float
) -> tuple[float, float, float, float] | None:
    """`limit_arms` of pairs nested in cases: mean, number and within-case sum of squares of each case's differences."""
    if len(means) < FEWEST_CASES:
        return None
    return limit_arms(*nested_variances(means, counts, squares), means, confidence, int(counts.sum()))


def limit_arms(
    variance: float, without: np.ndarray, means: np.ndarray, confidence: float, pairs: int
) -> tuple[float, float, float, float] | None:
    """Interval of the SD of one difference, and reach of a limit's interval inwards and outwards.

    variance, without : of one difference, of all cases and without each; means : the cases' mean differences; pairs :
    differences of single readings. Returns sd_low, sd_high and the distances of the interval's ends from the limit
    (MOVER, Zou 2013); None where a jackknife has too few cases or no spread.
    """
    n = len(means)
    if n < FEWEST_CASES or not variance > 0 or not (without > 0).all():
        return None
    low, high = interval(float(np.log(variance) / 2), np.log(without) / 2, confidence, 0.5, pairs)
    if not np.isfinite(low):
        return None
    sd, z = float(np.sqrt(variance)), _normal_quantile(0.975)
    bias_half = _t_quantile(confidence, n - 1) * float(means.std(ddof=1) / np.sqrt(n))
    sd_low, sd_high = float(np.exp(low)), float(np.exp(high))
    return (
        sd_low,
        sd_high,
        float(np.hypot(bias_half, z * (sd - sd_low))),
        float(np.hypot(bias_half, z * (sd_high - sd))),
    )


def nested_variances(means: np.ndarray, counts: np.ndarray, squares: np.ndarray) -> tuple[float, np.ndarray]:
    """Between-case plus within-case variance of differences (Bland & Altman 1999, sec. 5.2), of all cases and without
    each of them."""
    centred = means - means.mean()
    sums = np.stack([np.ones(len(counts)), counts, counts**2, counts * centred, counts * centred**2, squares])
    whole = sums.sum(axis=1)
    n, total, square, first, second, within_ss = np.column_stack([whole, whole[:, None] - sums])
    df = total - n
    between_square = np.maximum(second - first**2 / total, 0.0) / (n - 1)
    within = np.divide(np.maximum(within_ss, 0.0), df, out=np.zeros_like(df), where=df > 0)
    repeats = (total**2 - square) / ((n - 1) * total)
    found = np.maximum((between_square - within) / repeats, 0.0) + within
    return float(found[0]), found[1:]


def effective_df(squares: np.ndarray, degrees: np.ndarray, df: int) -> float:
    """Degrees of freedom whose chi-square has the relative variance that the cases' own sums of squares show, the error
    of few cases added.

    squares, degrees : sum of squares and degrees of freedom of each case. Below `df`; `df` itself with few cases.
    """
    used = degrees > 0
    n, total = int(used.sum()), float(squares[used].sum())
    if n < FEWEST_CASES or not total > 0:
        return float(df)
    mean_square = total / float(degrees[used].sum())
    deviation = squares[used] - mean_square * degrees[used]
    relative = n / (n - 1) * float((deviation**2).sum()) / total**2
    return round(2.0 / max(relative, 2.0 / df) / few_values_factor(n) ** 2, 1)


def excess_kurtosis(residuals: np.ndarray) -> float:
    """Excess kurtosis g2 of residuals (0 = normal); NaN of fewer than FEWEST_CASES or without spread."""
    values = residuals[np.isfinite(residuals)]
    if len(values) < FEWEST_CASES:
        return float("nan")
    centred = values - values.mean()
    second = float((centred**2).mean())
    return (
        float((centred**4).mean() / second**2 - 3.0)
        if second > SMALLEST_SPREAD * float(np.abs(values).max()) ** 2
        else float("nan")
    )
