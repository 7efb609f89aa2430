"""Differences between groups: standardised differences, rank and exact tests, adjustment for many tests.

Values in any one unit; p values two-sided unless said. A missing value is left out and counted by the caller.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb, lgamma, prod
from typing import Literal

import numpy as np


@dataclass(frozen=True)
class StandardisedDifference:
    """estimate with variance and interval (NaN where none is defined); name of the definition; status."""

    estimate: float
    variance: float
    ci_low: float
    ci_high: float
    status: str


def pooled_sd(sd_first: float, n_first: int, sd_second: float, n_second: int) -> float:
    """Pooled standard deviation of two groups, n - 1 denominators."""
    squares = (n_first - 1) * sd_first**2 + (n_second - 1) * sd_second**2
    return float(np.sqrt(squares / (n_first + n_second - 2)))


def small_sample_factor(df: float, form: Literal["exact", "approximate"] = "exact") -> float:
    """J of Hedges' g. exact : gamma functions (Hedges 1981 J Educ Stat 6:107); approximate : 1 - 3 / (4 df - 1)."""
    if form == "approximate":
        return 1 - 3 / (4 * df - 1)
    return float(np.exp(lgamma(df / 2) - lgamma((df - 1) / 2)) / np.sqrt(df / 2))


def cohen_d(
    mean_first: float,
    sd_first: float,
    n_first: int,
    mean_second: float,
    sd_second: float,
    n_second: int,
    *,
    confidence: float = 0.95,
) -> StandardisedDifference:
    """Difference of means over the pooled SD; variance Borenstein 2009 eq. 4.20, interval by noncentral t.

    Status `too_few_values` (fewer than two in a group) or `constant_values` (pooled SD 0).

    Borenstein et al. 2009, chapter 4: d = 0.5970 with variance 0.0418:

    >>> found = cohen_d(103, 5.5, 50, 100, 4.5, 50)
    >>> round(float(found.estimate), 4), round(float(found.variance), 4)
    (0.597, 0.0418)
    """
    nan = float("nan")
    if min(n_first, n_second) < 2:
        return StandardisedDifference(nan, nan, nan, nan, "too_few_values")
    spread = pooled_sd(sd_first, n_first, sd_second, n_second)
    if not spread > 0:
        return StandardisedDifference(nan, nan, nan, nan, "constant_values")
    d = (mean_first - mean_second) / spread
    harmonic = n_first * n_second / (n_first + n_second)
    variance = 1 / harmonic + d**2 / (2 * (n_first + n_second))  # Borenstein 2009, eq. 4.20
    low, high = _noncentral_limits(d * np.sqrt(harmonic), n_first + n_second - 2, confidence)
    return StandardisedDifference(
        float(d), float(variance), low / float(np.sqrt(harmonic)), high / float(np.sqrt(harmonic)), "ok"
    )


def _noncentral_limits(t_value: float, df: int, confidence: float) -> tuple[float, float]:
    """Noncentrality parameters at which t_value is the upper and the lower tail quantile (Steiger & Fouladi 1997)."""
    from scipy.optimize import brentq
    from scipy.stats import nct

    tail = (1 - confidence) / 2
    reach = 10.0 + abs(t_value)

    def root(target: float) -> float:
        return float(brentq(lambda nc: nct.cdf(t_value, df, nc) - target, t_value - reach, t_value + reach, xtol=1e-10))

    return root(1 - tail), root(tail)


def smd_means(first: np.ndarray, second: np.ndarray, ddof: int = 1) -> float:
    """Difference of means over the root of the mean variance (Austin 2009 Stat Med 28:3083); NaN where that is 0.

    Means 4 apart, variances 1 and 7, of which the mean is 4:

    >>> round(float(smd_means(np.array([5.0, 6, 7]), np.array([2 - 7**0.5, 2, 2 + 7**0.5]))), 3)
    2.0
    """
    first, second = np.asarray(first, np.float64), np.asarray(second, np.float64)
    if min(len(first), len(second)) <= ddof:
        return float("nan")
    spread = np.sqrt((first.var(ddof=ddof) + second.var(ddof=ddof)) / 2)
    return float((first.mean() - second.mean()) / spread) if spread > 0 else float("nan")


def smd_shares(first: Sequence[float] | np.ndarray, second: Sequence[float] | np.ndarray) -> float:
    """Standardised difference of two distributions over categories; counts or shares in the same order.

    Two categories : Austin 2009, signed by the last category. More : Mahalanobis distance of the shares without the
    first category (Yang & Dalton 2012 SAS Global Forum 335), never negative. NaN where a group is empty or the
    covariance is singular.

    Half against one in five: 0.3 over the root of (0.25 + 0.16) / 2:

    >>> round(float(smd_shares([5, 5], [8, 2])), 3)
    0.663
    """
    a, b = np.asarray(first, np.float64), np.asarray(second, np.float64)
    keep = (a + b) > 0
    if not a.sum() > 0 or not b.sum() > 0:
        return float("nan")
    if keep.sum() < 2:
        return 0.0
    a, b = (a / a.sum())[keep][1:], (b / b.sum())[keep][1:]
    cov = (np.diag(a) - np.outer(a, a) + np.diag(b) - np.outer(b, b)) / 2
    difference = a - b
    if not difference.any():
        return 0.0
    if np.linalg.matrix_rank(cov) < len(cov):
        return float("nan")
    distance = float(np.sqrt(difference @ np.linalg.solve(cov, difference)))
    return float(np.sign(difference[0])) * distance if len(difference) == 1 else distance


@dataclass(frozen=True)
class TestResult:
    """Name of the test, its statistic, p and status (`ok` or why there is none)."""

    test: str
    statistic: float
    p_value: float
    status: str


MannWhitneyForm = Literal["exact", "normal_corrected", "normal"]
EXACT_LARGEST = 50
"""Groups below this size without ties get the exact p, as common statistical packages do."""


def mann_whitney(
    first: np.ndarray, second: np.ndarray, form: MannWhitneyForm | None = None, alternative: str = "two-sided"
) -> TestResult:
    """Mann-Whitney U of the first group. form None = exact without ties and below 50 per group, else normal_corrected.

    normal_corrected : normal with continuity correction; normal : without. The test's name carries the form.
    Source: Mann & Whitney 1947 Ann Math Stat 18:50; Hollander & Wolfe 1973 ch. 4.

    Permeability of placental membranes (Hollander & Wolfe 1973, p. 69: one-sided p 0.127, here twice that):

    >>> term = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    >>> found = mann_whitney(np.array(term), np.array([1.15, 0.88, 0.90, 0.74, 1.21]))
    >>> found.test, found.statistic, round(float(found.p_value), 3)
    ('mann_whitney_exact', 35.0, 0.254)
    """
    from scipy.stats import mannwhitneyu

    first, second = _finite(first), _finite(second)
    nan = float("nan")
    if not len(first) or not len(second):
        return TestResult("mann_whitney", nan, nan, "empty_group")
    both = np.concatenate([first, second])
    if np.ptp(both) == 0:
        return TestResult("mann_whitney", len(first) * len(second) / 2, 1.0, "constant_values")
    ties = len(np.unique(both)) < len(both)
    if form is None:
        form = "exact" if not ties and max(len(first), len(second)) < EXACT_LARGEST else "normal_corrected"
    method = "exact" if form == "exact" else "asymptotic"
    found = mannwhitneyu(first, second, form == "normal_corrected", alternative, method=method)
    return TestResult(f"mann_whitney_{form}", float(found.statistic), float(found.pvalue), "ok")


def kruskal_wallis(groups: Sequence[np.ndarray]) -> TestResult:
    """Kruskal-Wallis H with correction for ties, chi-square p. Source: Kruskal & Wallis 1952 JASA 47:583.

    Mucociliary clearance in three groups (Hollander & Wolfe 1973, p. 116: H = 0.77):

    >>> groups = [[2.9, 3.0, 2.5, 2.6, 3.2], [3.8, 2.7, 4.0, 2.4], [2.8, 3.4, 3.7, 2.2, 2.0]]
    >>> found = kruskal_wallis([np.array(group) for group in groups])
    >>> round(float(found.statistic), 2), round(float(found.p_value), 2)
    (0.77, 0.68)
    """
    from scipy.stats import kruskal

    filled = [g for g in map(_finite, groups) if len(g)]
    nan = float("nan")
    if len(filled) < 2:
        return TestResult("kruskal_wallis", nan, nan, "empty_group")
    if np.ptp(np.concatenate(filled)) == 0:
        return TestResult("kruskal_wallis", 0.0, 1.0, "constant_values")
    found = kruskal(*filled)
    return TestResult("kruskal_wallis", float(found.statistic), float(found.pvalue), "ok")


@dataclass(frozen=True)
class FisherTable:
    """Fisher's exact test of a 2 x 2 table: conditional and sample odds ratio with the exact interval of the former."""

    p_value: float
    conditional_odds_ratio: float
    ci_low: float
    ci_high: float
    sample_odds_ratio: float


def fisher_2x2(table: Sequence[Sequence[int]], alternative: str = "two-sided", confidence: float = 0.95) -> FisherTable:
    """Fisher's exact test; two-sided p sums the tables no likelier than the one seen. Source: Agresti 1990 sec. 3.5.

    Raises ValueError where the table is not 2 x 2 whole numbers >= 0.

    Fisher's tea tasting, three of four right either way: p = 34 / 70:

    >>> found = fisher_2x2([[3, 1], [1, 3]])
    >>> round(float(found.p_value), 4), round(float(found.sample_odds_ratio), 3)
    (0.4857, 9.0)
    """
    from scipy.stats import fisher_exact
    from scipy.stats.contingency import odds_ratio

    counts = np.asarray(table)
    if counts.shape != (2, 2) or (counts < 0).any():
        raise ValueError(f"a table of shape {counts.shape}; needed 2 x 2 counts >= 0")
    counts = counts.astype(np.int64)
    p = float(fisher_exact(counts, alternative)[1])
    if (counts.sum(axis=0) == 0).any() or (counts.sum(axis=1) == 0).any():
        nan = float("nan")
        return FisherTable(p, nan, nan, nan, nan)
    ratio = odds_ratio(counts, kind="conditional")
    limits = ratio.confidence_interval(confidence)
    bottom = float(counts[0, 1] * counts[1, 0])
    sample = float(counts[0, 0] * counts[1, 1]) / bottom if bottom else float("inf")
    return FisherTable(p, float(ratio.statistic), float(limits.low), float(limits.high), sample)


LARGEST_EXACT = 1_000_000
"""Tables with the same margins that are still enumerated for the exact r x c test."""


def category_test(table: np.ndarray) -> TestResult:
    """Fisher's exact test of an r x c table by full enumeration; chi-square where too many tables are possible.

    Never by simulation, so that p repeats. Sources: Freeman & Halton 1951 Biometrika 38:141; Pearson 1900.

    Two rows are Fisher's tea tasting again, p = 34 / 70:

    >>> round(float(category_test(np.array([[3, 1], [1, 3]])).p_value), 4)
    0.4857
    """
    from scipy.stats import chi2_contingency

    counts = np.asarray(table, dtype=np.int64)
    counts = counts[counts.sum(axis=1) > 0][:, counts.sum(axis=0) > 0]
    nan = float("nan")
    if min(counts.shape, default=0) < 2:
        return TestResult("fisher_exact", nan, nan, "one_category")
    if counts.shape == (2, 2):
        return TestResult("fisher_exact", nan, fisher_2x2(counts.tolist()).p_value, "ok")
    p = _freeman_halton(counts)
    if p is not None:
        return TestResult("fisher_exact", nan, p, "ok")
    found = chi2_contingency(counts, correction=False)
    status = "ok" if found.expected_freq.min() >= 1 else "small_expected_counts"
    return TestResult("chi_square", float(found.statistic), float(found.pvalue), status)


def _freeman_halton(counts: np.ndarray) -> float | None:
    """Sum of the probabilities of all tables with these margins that are no likelier than `counts`.

    The margins fix the last column, so only the others are counted out; the fullest comes last, and the table is turned
    where that leaves less to count. None where there are more than LARGEST_EXACT tables.
    """
    counts = min((_fullest_last(counts), _fullest_last(counts.T)), key=_candidates)
    rows, columns = counts.sum(axis=1), counts.sum(axis=0)
    log_factorial = np.array([lgamma(i + 1) for i in range(int(counts.sum()) + 1)])
    constant = log_factorial[rows].sum() + log_factorial[columns].sum() - log_factorial[counts.sum()]
    left, logs = rows[None, :], np.zeros(1)
    for column in columns[:-1]:
        entries = _compositions(int(column), len(rows))
        if len(left) * len(entries) > 50 * LARGEST_EXACT:
            return None
        own = log_factorial[entries].sum(axis=1)
        pieces = []
        for start in range(0, len(entries), max(1, LARGEST_EXACT // len(left))):
            part = slice(start, start + max(1, LARGEST_EXACT // len(left)))
            rest = left[:, None, :] - entries[None, part, :]
            table_of, entry_of = np.nonzero((rest >= 0).all(axis=2))
            pieces.append((rest[table_of, entry_of], logs[table_of] + own[part][entry_of]))
        left, logs = np.concatenate([p[0] for p in pieces]), np.concatenate([p[1] for p in pieces])
        if len(left) > LARGEST_EXACT:
            return None
    logs = constant - logs - log_factorial[left].sum(axis=1)
    seen = constant - log_factorial[counts].sum()
    same = 1e-7  # relative slack of equal probabilities, as R's fisher.test takes
    return float(min(1.0, np.exp(logs[logs <= seen + same]).sum()))


def _fullest_last(counts: np.ndarray) -> np.ndarray:
    return counts[:, np.argsort(counts.sum(axis=0), kind="stable")]


def _candidates(counts: np.ndarray) -> int:
    """Ways to fill all columns but the last, whatever the row sums."""
    return prod(comb(int(total) + len(counts) - 1, len(counts) - 1) for total in counts.sum(axis=0)[:-1])


def _compositions(total: int, parts: int) -> np.ndarray:
    """(n, parts) all ways to write `total` as an ordered sum of whole numbers >= 0."""
    if parts == 1:
        return np.array([[total]], dtype=np.int64)
    pieces = []
    for first in range(total + 1):
        rest = _compositions(total - first, parts - 1)
        pieces.append(np.column_stack([np.full(len(rest), first), rest]))
    return np.concatenate(pieces)


def holm(p_values: np.ndarray) -> np.ndarray:
    """Holm's adjusted p (Holm 1979 Scand J Stat 6:65); NaN stays NaN and does not count among the tests.

    The smallest of four is multiplied by 4, the next by 3, and so on, never falling:

    >>> [round(float(p), 3) for p in holm(np.array([0.01, 0.04, 0.03, 0.005]))]
    [0.03, 0.06, 0.06, 0.02]
    """
    return _adjusted(p_values, "holm")


def bonferroni(p_values: np.ndarray) -> np.ndarray:
    """Bonferroni's adjusted p; NaN stays NaN and does not count.

    Four tests, so each p is multiplied by 4 (at most 1):

    >>> bonferroni(np.array([0.01, 0.02, 0.03, 0.5])).round(4).tolist()
    [0.04, 0.08, 0.12, 1.0]
    """
    return _adjusted(p_values, "bonferroni")


def benjamini_hochberg(p_values: np.ndarray) -> np.ndarray:
    """Benjamini & Hochberg 1995 JRSS B 57:289, false discovery rate; NaN stays NaN and does not count.

    By hand: p times 4 / rank, and never above that of the next larger p:

    >>> benjamini_hochberg(np.array([0.01, 0.02, 0.03, 0.5])).round(4).tolist()
    [0.04, 0.04, 0.04, 0.5]
    """
    return _adjusted(p_values, "benjamini_hochberg")


def _adjusted(p_values: np.ndarray, method: Literal["holm", "bonferroni", "benjamini_hochberg"]) -> np.ndarray:
    """Written out, since the library's function collects garbage at each call (0.1 s, once per family of tests)."""
    p = np.asarray(p_values, np.float64)
    out = np.full(len(p), np.nan)
    known = np.flatnonzero(np.isfinite(p))
    m, order = len(known), known[np.argsort(p[known], kind="stable")]
    if not m:
        return out
    if method == "holm":
        found = np.maximum.accumulate(p[order] * (m - np.arange(m)))
    elif method == "bonferroni":
        found = p[order] * m
    else:
        found = np.minimum.accumulate((p[order] * m / (np.arange(m) + 1))[::-1])[::-1]
    out[order] = np.minimum(found, 1.0)
    return out


def _finite(values: np.ndarray) -> np.ndarray:
    values = np.asarray(values, np.float64)
    result: np.ndarray = values[np.isfinite(values)]
    return result
