"""Areas under the curve of several readers and tests of the same cases, readers and cases random.

Obuchowski & Rockette's analysis of variance of the areas, with the covariances of DeLong or of the jackknife; with the
latter F and degrees of freedom are those of Dorfman, Berbaum & Metz's analysis of pseudovalues (Hillis et al. 2005).
Areas have unit 1.

Sources: Obuchowski & Rockette 1995 Commun Stat Simul 24:285; Dorfman, Berbaum & Metz 1992 Invest Radiol 27:723; Hillis,
Obuchowski, Schartz & Berbaum 2005 Stat Med 24:1579 (the two agree); Hillis 2007 Stat Med 26:596 (degrees of freedom).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

SOURCE = "Obuchowski & Rockette 1995 Commun Stat Simul 24:285; df Hillis 2007 Stat Med 26:596"
Covariance = Literal["delong", "jackknife"]


@dataclass(frozen=True)
class AverageArea:
    """Mean area over readers drawn at random, its standard error, df and interval."""

    area: float
    std_error: float
    df: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class MultiReader:
    """areas (t, r) of tests and readers; covariances same reader (1), same test (2), neither (3); mean area of each
    test; F test of equal tests with df; difference of the first two tests (first less second) with interval."""

    areas: np.ndarray
    covariance: tuple[float, float, float]
    averages: tuple[AverageArea, ...]
    f_value: float
    df1: int
    df2: float
    p_value: float
    difference: AverageArea | None


def multi_reader_roc(
    ratings: np.ndarray, event: np.ndarray, *, covariance: Covariance = "delong", confidence: float = 0.95
) -> MultiReader:
    """ROC areas of t tests read by r readers: ratings (t, r, n), complete, larger = riskier; event (n,), 1 or 0.

    Raises ValueError with fewer than two readers, or than two events or non-events.

    Two tests, two readers, six cases (invented); the first test separates them perfectly:

    >>> event = np.array([1, 1, 1, 0, 0, 0])
    >>> first = [[9, 8, 7, 3, 2, 1], [9, 7, 8, 2, 3, 1]]
    >>> second = [[9, 2, 7, 3, 8, 1], [8, 3, 7, 2, 9, 1]]
    >>> found = multi_reader_roc(np.array([first, second], float), event)
    >>> found.areas.round(3).tolist(), round(found.averages[0].area, 3)
    ([[1.0, 1.0], [0.667, 0.667]], 1.0)
    """
    from scipy.special import fdtrc

    t, r, n = ratings.shape
    yes = event == 1
    if r < 2 or min(int(yes.sum()), int((~yes).sum())) < 2:
        raise ValueError(f"{r} reader(s), {int(yes.sum())} events, {int((~yes).sum())} others; two of each are needed")
    flat = ratings.reshape(t * r, n)
    areas = np.array([_area(row[yes], row[~yes]) for row in flat])
    matrix = _delong(flat, yes) if covariance == "delong" else _jackknife(flat, yes)
    test, reader = np.divmod(np.arange(t * r), r)
    same_test, same_reader = test[:, None] == test[None, :], reader[:, None] == reader[None, :]

    def mean_of(chosen: np.ndarray) -> float:
        return float(matrix[chosen].mean()) if chosen.any() else 0.0

    cov1, cov2 = mean_of(~same_test & same_reader), mean_of(same_test & ~same_reader)
    cov3 = mean_of(~same_test & ~same_reader)
    table = areas.reshape(t, r)
    averages = []
    for i in range(t):
        own = matrix[i * r : (i + 1) * r, i * r : (i + 1) * r]
        between = float(own[~np.eye(r, dtype=bool)].mean())
        spread = float(table[i].var(ddof=1))
        total = spread + r * max(between, 0.0)
        df = total**2 / (spread**2 / (r - 1)) if spread > 0 else float("inf")
        averages.append(_with_interval(float(table[i].mean()), float(np.sqrt(total / r)), df, confidence))
    if t < 2:
        nan = float("nan")
        return MultiReader(
            areas=table,
            covariance=(cov1, cov2, cov3),
            averages=tuple(averages),
            f_value=nan,
            df1=0,
            df2=nan,
            p_value=nan,
            difference=None,
        )
    grand = table.mean()
    test_square = r * float(((table.mean(axis=1) - grand) ** 2).sum()) / (t - 1)
    left = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0, keepdims=True) + grand
    cross_square = float((left**2).sum()) / ((t - 1) * (r - 1))
    error = cross_square + r * max(cov2 - cov3, 0.0)
    df2 = error**2 / (cross_square**2 / ((t - 1) * (r - 1))) if cross_square > 0 else float("inf")
    f_value = test_square / error if error > 0 else float("nan")
    difference = _with_interval(
        float(table[0].mean() - table[1].mean()), float(np.sqrt(2 * error / r)), df2, confidence
    )  # fmt: skip
    p = float(fdtrc(t - 1, min(df2, 1e9), f_value)) if np.isfinite(f_value) else float("nan")
    return MultiReader(
        areas=table,
        covariance=(cov1, cov2, cov3),
        averages=tuple(averages),
        f_value=f_value,
        df1=t - 1,
        df2=df2,
        p_value=p,
        difference=difference,
    )


def _with_interval(value: float, error: float, df: float, confidence: float) -> AverageArea:
    from scipy.special import stdtrit

    half = float(stdtrit(min(df, 1e9), (1 + confidence) / 2)) * error
    return AverageArea(value, error, df, value - half, value + half)


def _area(events: np.ndarray, others: np.ndarray) -> float:
    difference = events[:, None] - others[None, :]
    return float((difference > 0).mean() + 0.5 * (difference == 0).mean())


def _delong(flat: np.ndarray, yes: np.ndarray) -> np.ndarray:
    """(m, m) covariance of the areas of the rows (DeLong 1988)."""
    difference = flat[:, yes][:, :, None] - flat[:, ~yes][:, None, :]
    wins = (difference > 0) + 0.5 * (difference == 0)
    found: np.ndarray = np.cov(wins.mean(axis=2)) / yes.sum() + np.cov(wins.mean(axis=1)) / (~yes).sum()
    return found


def _jackknife(flat: np.ndarray, yes: np.ndarray) -> np.ndarray:
    """(m, m) covariance of the areas from leaving out each case."""
    n = flat.shape[1]
    without = np.empty((len(flat), n))
    for i in range(n):
        kept = np.arange(n) != i
        without[:, i] = [_area(row[kept & yes], row[kept & ~yes]) for row in flat]
    centred = without - without.mean(axis=1, keepdims=True)
    found: np.ndarray = (n - 1) / n * centred @ centred.T
    return found
