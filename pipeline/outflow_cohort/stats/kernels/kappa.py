"""Agreement of readers on classes: kappa of two readers, Fleiss' kappa of several. Coefficients have unit 1.

The full ordered list of classes is always given by the caller: levels found in the data, or sorted by name, change a
weighted kappa. Standard errors for intervals are those that hold away from kappa = 0; the null ones are for tests.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from outflow_cohort.stats.kernels.bootstrap import weighted_bootstrap

Weights = Literal["unweighted", "linear", "quadratic"]
KAPPA_SOURCE = "Cohen 1968 Psychol Bull 70:213; standard errors Fleiss, Cohen & Everitt 1969 Psychol Bull 72:323"
FLEISS_SOURCE = (
    "Fleiss 1971 Psychol Bull 76:378; unequal numbers of ratings and standard error Gwet 2014 ch. 2, 5; interval by"
    " case bootstrap (Efron & Tibshirani 1993 ch. 14)"
)


@dataclass(frozen=True)
class KappaResult:
    """estimate with standard errors (se: away from 0; null_se: at kappa = 0), interval, test of 0, shares, status."""

    estimate: float
    se: float
    null_se: float
    ci_low: float
    ci_high: float
    z: float
    p_value: float
    observed: float
    expected: float
    n: int
    status: str


def agreement_weights(n_levels: int, weights: Weights | np.ndarray) -> np.ndarray:
    """(k, k) weights of agreement, 1 on the diagonal. Raises ValueError for an unknown name or another shape."""
    if isinstance(weights, str):
        step = np.abs(np.subtract.outer(np.arange(n_levels), np.arange(n_levels))) / max(n_levels - 1, 1)
        if weights == "unweighted":
            return np.eye(n_levels)
        if weights == "linear":
            return 1 - step  # Cicchetti & Allison 1971
        if weights == "quadratic":
            return 1 - step**2  # Fleiss & Cohen 1973
        raise ValueError(f"weights {weights!r}; needed unweighted, linear, quadratic or a matrix")
    matrix = np.asarray(weights, np.float64)
    if matrix.shape != (n_levels, n_levels):
        raise ValueError(f"weights of shape {matrix.shape}; needed {(n_levels, n_levels)}")
    return matrix


def level_codes(values: Sequence[Hashable], levels: Sequence[Hashable]) -> np.ndarray:
    """Place of each value among `levels`; -1 for a missing one (None, NaN, ''). Raises ValueError for any other."""
    place = {level: i for i, level in enumerate(levels)}
    codes = np.empty(len(values), np.int64)
    for i, value in enumerate(values):
        missing = value is None or value == "" or value != value
        if not missing and value not in place:
            raise ValueError(f"class {value!r} is not among the levels {list(levels)}")
        codes[i] = -1 if missing else place[value]
    return codes


def weighted_kappa(
    first: Sequence[Hashable],
    second: Sequence[Hashable],
    levels: Sequence[Hashable],
    weights: Weights | np.ndarray = "quadratic",
    *,
    confidence: float = 0.95,
) -> KappaResult:
    """Kappa of two readers' classes of the same cases; pairs with a missing class are left out.

    levels : every class, in order. Raises ValueError for a class that is not among them, or unequal lengths.

    One neighbouring class of four; by the formula 1 - 0.25 / 1.25 with squared distances:

    >>> found = weighted_kappa(["low", "low", "mid", "high"], ["low", "mid", "mid", "high"], ["low", "mid", "high"])
    >>> round(float(found.estimate), 3), found.n
    (0.8, 4)
    """
    if len(first) != len(second):
        raise ValueError(f"{len(first)} and {len(second)} classes; one of each reader a case is needed")
    a, b = level_codes(first, levels), level_codes(second, levels)
    both = (a >= 0) & (b >= 0)
    k = len(levels)
    table = np.bincount(a[both] * k + b[both], minlength=k * k).reshape(k, k)
    return kappa_of_table(table, weights, confidence=confidence)


def kappa_of_table(
    table: np.ndarray,
    weights: Weights | np.ndarray = "quadratic",
    *,
    confidence: float = 0.95,
    interval: Literal["wald", "fisher_z"] = "wald",
) -> KappaResult:
    """Kappa of a k x k table of counts (first reader in rows, classes in order).

    interval : "wald" may pass -1 and 1; "fisher_z" (kappa's arc tangent is steadied and never does, and covers 91-96 %
    at 10 to 50 cases where wald covers 85-99 %) is what the tables show. Status `no_spread` where the standard error
    is 0 without perfect agreement (a reader used one class: no interval), `no_cases`, `one_class` (both readers used a
    single class: kappa is 0 / 0), `perfect_agreement` (the standard error is 0, so no interval) or `ok`. Raises
    ValueError where the table is not square.

    Both say yes 20 times and no 15 times of 50; chance agreement is 0.5, so kappa is (0.7 - 0.5) / (1 - 0.5):

    >>> round(float(kappa_of_table([[20, 5], [10, 15]], "unweighted").estimate), 3)
    0.4
    """
    from scipy.stats import norm

    counts = np.asarray(table, np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise ValueError(f"a table of shape {counts.shape}; needed a square one")
    weight = agreement_weights(len(counts), weights)
    n, nan = counts.sum(), float("nan")
    if n == 0:
        return KappaResult(
            estimate=nan,
            se=nan,
            null_se=nan,
            ci_low=nan,
            ci_high=nan,
            z=nan,
            p_value=nan,
            observed=nan,
            expected=nan,
            n=0,
            status="no_cases",
        )
    p = counts / n
    row, column = p.sum(axis=1), p.sum(axis=0)
    observed, chance = float((weight * p).sum()), float(row @ weight @ column)
    if 1 - chance <= 1e-12:  # rounding of sums of shares
        return KappaResult(
            estimate=nan,
            se=nan,
            null_se=nan,
            ci_low=nan,
            ci_high=nan,
            z=nan,
            p_value=nan,
            observed=observed,
            expected=chance,
            n=int(n),
            status="one_class",
        )
    kappa = (observed - chance) / (1 - chance)
    mean = (weight @ column)[:, None] + (row @ weight)[None, :]
    spread = (p * (weight * (1 - chance) - mean * (1 - observed)) ** 2).sum()
    variance = (spread - (observed * chance - 2 * chance + observed) ** 2) / (n * (1 - chance) ** 4)  # FCE 1969, eq. 9
    null = (np.outer(row, column) * (weight - mean) ** 2).sum() - chance**2
    null_se = float(np.sqrt(max(null, 0.0) / n) / (1 - chance))  # FCE 1969, eq. 8 at kappa = 0
    z = kappa / null_se if null_se > 0 else nan
    p_value = float(2 * norm.sf(abs(z))) if null_se > 0 else nan
    if observed >= 1 - 1e-12:
        return KappaResult(
            estimate=1.0,
            se=0.0,
            null_se=null_se,
            ci_low=nan,
            ci_high=nan,
            z=z,
            p_value=p_value,
            observed=observed,
            expected=chance,
            n=int(n),
            status="perfect_agreement",
        )
    se = float(np.sqrt(max(variance, 0.0)))
    # rounding of sums of shares, of which atanh is infinite where no case agrees at all
    if not se > 1e-9 or (interval == "fisher_z" and abs(kappa) >= 1.0 - 1e-12):
        return KappaResult(
            estimate=kappa,
            se=0.0,
            null_se=null_se,
            ci_low=nan,
            ci_high=nan,
            z=z,
            p_value=p_value,
            observed=observed,
            expected=chance,
            n=int(n),
            status="no_spread",
        )
    half = float(norm.ppf((1 + confidence) / 2)) * se
    low, high = kappa - half, kappa + half
    if interval == "fisher_z":
        half /= 1 - kappa**2  # delta method for atanh
        low, high = (float(np.tanh(np.arctanh(kappa) + side * half)) for side in (-1, 1))
    return KappaResult(
        estimate=kappa,
        se=se,
        null_se=null_se,
        ci_low=low,
        ci_high=high,
        z=z,
        p_value=p_value,
        observed=observed,
        expected=chance,
        n=int(n),
        status="ok",
    )


@dataclass(frozen=True)
class FleissResult:
    """Fleiss' kappa, its parts and its standard errors.

    se : Gwet's, unconditional; null_se : Fleiss, Nee & Landis 1979; se_1971 : Fleiss 1971 (both NaN where numbers of
    ratings differ). by_category : kappa of each class against the rest. randolph : chance 1 / k (Randolph 2005).
    """

    estimate: float
    ci_low: float
    ci_high: float
    se: float
    null_se: float
    se_1971: float
    z: float
    p_value: float
    observed: float
    expected: float
    randolph: float
    by_category: tuple[float, ...]
    n_cases: int
    n_ratings: int
    n_dropped: int
    status: str

    def null_interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Interval from the standard error at kappa = 0, for comparison with packages only."""
        from scipy.stats import norm

        half = float(norm.ppf((1 + confidence) / 2)) * self.null_se
        return self.estimate - half, self.estimate + half


def rating_counts(ratings: np.ndarray, n_levels: int) -> np.ndarray:
    """(n_cases, k) how often each class was given, from codes (n_cases, n_raters), -1 = missing."""
    ratings = np.asarray(ratings, np.int64)
    return np.stack([(ratings == level).sum(axis=1) for level in range(n_levels)], axis=1).astype(np.float64)


def fleiss_kappa(
    counts: np.ndarray, *, confidence: float = 0.95, n_draws: int = 2000, seed: int = 20240229
) -> FleissResult:
    """Fleiss' kappa from counts (n_cases, k); cases with fewer than two ratings are left out; n_draws 0 = no interval.

    Status `no_cases`, `one_class`, `perfect_agreement` or that of the bootstrap (`too_few_cases` ...), else `ok`.

    Two cases on which three raters agree and one on which they split (P = (1 + 1 + 1/3) / 3, chance 41 / 81):

    >>> round(float(fleiss_kappa([[3, 0], [0, 3], [2, 1]], n_draws=0).estimate), 3)
    0.55
    """
    from scipy.stats import norm

    every = np.asarray(counts, np.float64)
    kept = every[every.sum(axis=1) >= 2]
    n, k = kept.shape
    nan = float("nan")
    dropped = len(every) - n
    blank = (nan,) * k
    if n == 0:
        return FleissResult(
            estimate=nan,
            ci_low=nan,
            ci_high=nan,
            se=nan,
            null_se=nan,
            se_1971=nan,
            z=nan,
            p_value=nan,
            observed=nan,
            expected=nan,
            randolph=nan,
            by_category=blank,
            n_cases=0,
            n_ratings=0,
            n_dropped=dropped,
            status="no_cases",
        )
    ratings = kept.sum(axis=1)
    share = kept / ratings[:, None]
    agree = ((kept**2).sum(axis=1) - ratings) / (ratings * (ratings - 1))

    def of_weights(weights: np.ndarray) -> np.ndarray:
        total = weights.sum(axis=1)
        pa = weights @ agree / total
        pe = ((weights @ share / total[:, None]) ** 2).sum(axis=1)
        result: np.ndarray = np.divide(pa - pe, 1 - pe, out=np.full(len(pa), np.nan), where=1 - pe > 1e-12)
        return result

    pi = share.mean(axis=0)
    pa, pe = float(agree.mean()), float((pi**2).sum())
    randolph = (pa - 1 / k) / (1 - 1 / k) if k > 1 else nan
    if 1 - pe <= 1e-12:
        return FleissResult(
            estimate=nan,
            ci_low=nan,
            ci_high=nan,
            se=nan,
            null_se=nan,
            se_1971=nan,
            z=nan,
            p_value=nan,
            observed=pa,
            expected=pe,
            randolph=randolph,
            by_category=blank,
            n_cases=n,
            n_ratings=int(ratings.sum()),
            n_dropped=dropped,
            status="one_class",
        )
    kappa = (pa - pe) / (1 - pe)
    # Gwet 2014, ch. 5: linear in the cases, chance agreement included.
    part = (agree - pe) / (1 - pe) - 2 * (1 - kappa) * (share @ pi - pe) / (1 - pe)
    se = float(np.sqrt(((part - kappa) ** 2).sum() / (n * (n - 1)))) if n > 1 else nan
    null_se = se_1971 = nan
    m = ratings[0]
    if (ratings == m).all():
        q = pi * (1 - pi)
        cubes = (q * (1 - 2 * pi)).sum()
        null_se = float(np.sqrt(2 / (n * m * (m - 1)) * (q.sum() ** 2 - cubes)) / q.sum())  # Fleiss, Nee & Landis 1979
        third = (pi**3).sum()
        inner = pe - (2 * m - 3) * pe**2 + 2 * (m - 2) * third
        se_1971 = float(np.sqrt(max(2 * inner / (n * m * (m - 1)), 0.0)) / (1 - pe))  # Fleiss 1971, eq. 14
    with_class = ((kept * (ratings[:, None] - kept)) / (ratings * (ratings - 1))[:, None]).mean(axis=0)
    spread = pi * (1 - pi)
    by_category = tuple(1 - float(w) / float(s) if s > 1e-12 else nan for w, s in zip(with_class, spread, strict=True))
    z = kappa / null_se if null_se > 0 else nan
    p_value = float(2 * norm.sf(abs(z))) if np.isfinite(z) else nan
    low = high = nan
    if pa >= 1 - 1e-12:
        status = "perfect_agreement"
    elif not n_draws:
        status = "ok"
    else:
        boot = weighted_bootstrap(of_weights, n, n_draws=n_draws, seed=seed, confidence=confidence)
        low, high, status = boot.ci_low, boot.ci_high, boot.status
    return FleissResult(
        estimate=kappa,
        ci_low=low,
        ci_high=high,
        se=se,
        null_se=null_se,
        se_1971=se_1971,
        z=z,
        p_value=p_value,
        observed=pa,
        expected=pe,
        randolph=randolph,
        by_category=by_category,
        n_cases=n,
        n_ratings=int(ratings.sum()),
        n_dropped=dropped,
        status=status,
    )


def conger_kappa(ratings: np.ndarray, n_levels: int) -> float:
    """Conger's kappa from codes (n_cases, n_raters) without missing ones: chance from each rater's own marginals.

    Source: Conger 1980 Psychol Bull 88:322. NaN where all raters use one class.

    Of two raters it is Cohen's kappa, here of the table [[20, 5], [10, 15]], 0.4:

    >>> ratings = np.repeat([[0, 0], [0, 1], [1, 0], [1, 1]], [20, 5, 10, 15], axis=0)
    >>> round(float(conger_kappa(ratings, 2)), 3)
    0.4
    """
    codes = np.asarray(ratings, np.int64)
    m = codes.shape[1]
    counts = rating_counts(codes, n_levels)
    agree = float((((counts**2).sum(axis=1) - m) / (m * (m - 1))).mean())
    own = np.stack([(codes == level).mean(axis=0) for level in range(n_levels)], axis=1)
    total = own.sum(axis=0)
    chance = float(((total**2 - (own**2).sum(axis=0)) / (m * (m - 1))).sum())
    return (agree - chance) / (1 - chance) if 1 - chance > 1e-12 else float("nan")
