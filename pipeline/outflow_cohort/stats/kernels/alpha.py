"""Krippendorff's alpha of any number of readers with missing readings. Unit 1.

Cases with a single rating drop out of observed and expected disagreement; a rating of 0 is a rating. The ordinal
distance is Krippendorff's own, not Gwet's ordinal weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from outflow_cohort.stats.kernels.bootstrap import weighted_bootstrap

Metric = Literal["nominal", "ordinal", "interval", "ratio"]
SOURCE = "Krippendorff 2011, Computing Krippendorff's Alpha-Reliability; Krippendorff 2004 ch. 11; case bootstrap"


@dataclass(frozen=True)
class AlphaResult:
    """alpha with its bootstrap interval, Gwet's standard error (nominal; NaN otherwise), counts and status."""

    estimate: float
    ci_low: float
    ci_high: float
    se: float
    n_cases: int
    n_ratings: int
    n_dropped: int
    status: str


def krippendorff_alpha(
    ratings: np.ndarray,
    metric: Metric = "ordinal",
    *,
    confidence: float = 0.95,
    n_draws: int = 2000,
    seed: int = 20240229,
) -> AlphaResult:
    """Alpha of ratings (n_cases, n_raters), NaN = missing; n_draws 0 = no interval.

    Status `no_pairs` (no case with two ratings), `one_class` (all ratings equal: alpha is 0 / 0), `perfect_agreement`
    or that of the bootstrap. Raises ValueError for an unknown metric or for negative ratings under `ratio`.

    Two observers, ten items, two classes (Krippendorff 2011, example A: 0.095):

    >>> ratings = np.array([[0, 1, 0, 0, 0, 0, 0, 0, 1, 0], [1, 1, 1, 0, 0, 1, 0, 0, 0, 0]]).T
    >>> round(float(krippendorff_alpha(ratings, "nominal", n_draws=0).estimate), 3)
    0.095
    """
    if metric not in ("nominal", "ordinal", "interval", "ratio"):
        raise ValueError(f"metric {metric!r}; needed nominal, ordinal, interval or ratio")
    values = np.asarray(ratings, np.float64)
    kept = values[(np.isfinite(values)).sum(axis=1) >= 2]
    dropped, nan = len(values) - len(kept), float("nan")
    if not len(kept):
        return AlphaResult(
            estimate=nan, ci_low=nan, ci_high=nan, se=nan, n_cases=0, n_ratings=0, n_dropped=dropped, status="no_pairs"
        )
    levels = np.unique(kept[np.isfinite(kept)])
    if metric == "ratio" and levels[0] < 0:
        raise ValueError("a negative rating; the ratio metric needs ratings >= 0")
    counts = np.stack([(kept == level).sum(axis=1) for level in levels], axis=1).astype(np.float64)
    n, n_ratings = len(counts), int(counts.sum())
    if len(levels) == 1:
        return AlphaResult(
            estimate=nan,
            ci_low=nan,
            ci_high=nan,
            se=nan,
            n_cases=n,
            n_ratings=n_ratings,
            n_dropped=dropped,
            status="one_class",
        )
    size = counts.sum(axis=1)
    # Coincidences of each case, every ordered pair of ratings counted 1 / (m - 1).
    pairs = counts[:, :, None] * counts[:, None, :] - np.eye(len(levels)) * counts[:, :, None]
    pairs = pairs.reshape(n, -1) / (size - 1)[:, None]

    def of_weights(weights: np.ndarray) -> np.ndarray:
        total = weights @ counts
        distance = _distances(levels, total, metric).reshape(len(total), -1)
        number = total.sum(axis=1)
        observed = (weights @ pairs * distance).sum(axis=1) / number
        product = (total[:, :, None] * total[:, None, :]).reshape(len(total), -1)
        expected = (product * distance).sum(axis=1) / (number * (number - 1))
        result: np.ndarray = np.divide(
            expected - observed, expected, out=np.full(len(total), np.nan), where=expected > 0
        )
        return result

    alpha = float(of_weights(np.ones((1, n)))[0])
    se = _gwet_se(counts) if metric == "nominal" else nan
    if not ((counts > 0).sum(axis=1) > 1).any():
        return AlphaResult(
            estimate=1.0,
            ci_low=nan,
            ci_high=nan,
            se=se,
            n_cases=n,
            n_ratings=n_ratings,
            n_dropped=dropped,
            status="perfect_agreement",
        )
    low = high = nan
    status = "ok"
    if n_draws:
        boot = weighted_bootstrap(of_weights, n, n_draws=n_draws, seed=seed, confidence=confidence)
        low, high, status = boot.ci_low, boot.ci_high, boot.status
    return AlphaResult(
        estimate=alpha,
        ci_low=low,
        ci_high=high,
        se=se,
        n_cases=n,
        n_ratings=n_ratings,
        n_dropped=dropped,
        status=status,
    )


def _distances(levels: np.ndarray, totals: np.ndarray, metric: Metric) -> np.ndarray:
    """(n, k, k) squared distances of classes; the ordinal one depends on how often each class was given (n, k)."""
    number, k = totals.shape
    if metric == "ordinal":
        middle = np.cumsum(totals, axis=1) - totals / 2
        return (middle[:, :, None] - middle[:, None, :]) ** 2  # Krippendorff 2011, ordinal metric
    if metric == "nominal":
        distance = 1.0 - np.eye(k)
    else:
        distance = np.subtract.outer(levels, levels) ** 2
        if metric == "ratio":
            total = np.add.outer(levels, levels) ** 2
            distance = np.divide(distance, total, out=np.zeros_like(distance), where=total > 0)  # 0 against 0: equal
    return np.broadcast_to(distance, (number, k, k))


def _gwet_se(counts: np.ndarray) -> float:
    """Standard error of the nominal alpha, linear in the cases (Gwet 2014, ch. 5)."""
    n = len(counts)
    if n < 2:
        return float("nan")
    size = counts.sum(axis=1)
    mean = size.mean()
    pi = counts.sum(axis=0) / counts.sum()
    pe = float((pi**2).sum())
    agree = (counts * (counts - 1)).sum(axis=1) / (mean * (size - 1))
    small = 1 / counts.sum()
    pa_prime = agree.mean()
    pa = (1 - small) * pa_prime + small
    alpha_prime = (pa_prime - pe) / (1 - pe)
    own = (agree - pa * (size - mean) / mean - pe) / (1 - pe)
    chance = counts @ pi / mean - pe * (size - mean) / mean
    part = own - 2 * (1 - alpha_prime) * (chance - pe) / (1 - pe)
    return float(np.sqrt(((part - alpha_prime) ** 2).sum() / (n * (n - 1))))
