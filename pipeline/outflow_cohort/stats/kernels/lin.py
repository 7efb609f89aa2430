"""Lin's concordance correlation of two readers or methods, one pair per case; unitless.

Sources: Lin 1989, Biometrics 45:255, with the correction Lin 2000, Biometrics 56:324 (n - 2 in the variance).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outflow_cohort.stats.data.cells import usable_numbers
from outflow_cohort.stats.kernels.limits_of_agreement import _normal_quantile

SOURCE = "Lin 1989 Biometrics 45:255; Lin 2000 Biometrics 56:324"


@dataclass(frozen=True)
class Concordance:
    """Concordance correlation and its parts.

    estimate (n denominators as in Lin 1989), estimate_n1 (n - 1), standard_error (asymptotic); ci_low, ci_high by
    Fisher's z; plain_low, plain_high without; pearson; bias_correction C_b = estimate / pearson; scale_shift =
    SD second / SD first; location_shift = (mean second - mean first) / sqrt(SD first x SD second).
    """

    n: int
    estimate: float
    estimate_n1: float
    standard_error: float
    ci_low: float
    ci_high: float
    plain_low: float
    plain_high: float
    pearson: float
    bias_correction: float
    scale_shift: float
    location_shift: float
    status: str
    note: str


def concordance(
    first: Sequence[float] | np.ndarray, second: Sequence[float] | np.ndarray, *, confidence: float = 0.95
) -> Concordance:
    """Concordance correlation of paired readings; incomplete pairs are left out and counted in `note`.

    Raises ValueError where the lengths differ. status: too_few_pairs (< 3), constant_values (no spread in either),
    perfect_agreement (estimate 1, no interval).

    A second reader who always reads 1 more: 2 s_xy / (s_x^2 + s_y^2 + 1), here 2.5 / 3.5:

    >>> found = concordance([1, 2, 3, 4], [2, 3, 4, 5])
    >>> round(float(found.estimate), 3), round(float(found.pearson), 3)
    (0.714, 1.0)
    """
    a, b = usable_numbers(first), usable_numbers(second)
    if len(a) != len(b):
        raise ValueError(f"{len(a)} first and {len(b)} second values; pairs are needed")
    kept = np.isfinite(a) & np.isfinite(b)
    note = f"{int((~kept).sum())} incomplete pair(s) left out" if not kept.all() else ""
    a, b = a[kept], b[kept]
    n, nan = len(a), float("nan")
    if n < 3:
        return Concordance(
            n=n,
            estimate=nan,
            estimate_n1=nan,
            standard_error=nan,
            ci_low=nan,
            ci_high=nan,
            plain_low=nan,
            plain_high=nan,
            pearson=nan,
            bias_correction=nan,
            scale_shift=nan,
            location_shift=nan,
            status="too_few_pairs",
            note=note,
        )
    # Differences of means and spreads need a common origin, not their own.
    origin = (a.mean() + b.mean()) / 2
    a, b = a - origin, b - origin
    size = abs(origin) + max(np.abs(a).max(), np.abs(b).max())
    s_a, s_b = float(a.std()), float(b.std())
    if max(s_a, s_b) <= 1e-12 * size or min(s_a, s_b) <= 1e-12 * max(s_a, s_b):
        return Concordance(
            n=n,
            estimate=nan,
            estimate_n1=nan,
            standard_error=nan,
            ci_low=nan,
            ci_high=nan,
            plain_low=nan,
            plain_high=nan,
            pearson=nan,
            bias_correction=nan,
            scale_shift=nan,
            location_shift=nan,
            status="constant_values",
            note=note,
        )
    covariance = float(((a - a.mean()) * (b - b.mean())).mean())
    shift = float(b.mean() - a.mean())
    estimate = 2 * covariance / (s_a**2 + s_b**2 + shift**2)  # Lin 1989, eq. 1
    inflate = n / (n - 1)
    estimate_n1 = 2 * covariance * inflate / ((s_a**2 + s_b**2) * inflate + shift**2)
    pearson = covariance / (s_a * s_b)
    location = shift / np.sqrt(s_a * s_b)
    scale = s_b / s_a
    correction = 2 / (scale + 1 / scale + location**2)
    if float(np.abs(a - b).max()) <= 1e-12 * size:
        return Concordance(
            n=n,
            estimate=1.0,
            estimate_n1=1.0,
            standard_error=nan,
            ci_low=nan,
            ci_high=nan,
            plain_low=nan,
            plain_high=nan,
            pearson=1.0,
            bias_correction=1.0,
            scale_shift=1.0,
            location_shift=0.0,
            status="perfect_agreement",
            note=note,
        )
    if abs(pearson) < 1e-12:
        return Concordance(
            n=n,
            estimate=estimate,
            estimate_n1=estimate_n1,
            standard_error=nan,
            ci_low=nan,
            ci_high=nan,
            plain_low=nan,
            plain_high=nan,
            pearson=pearson,
            bias_correction=correction,
            scale_shift=scale,
            location_shift=location,
            status="interval_not_estimable",
            note=note,
        )
    standard_error = concordance_error(estimate, pearson, location, n)
    quantile = _normal_quantile((1 + confidence) / 2)
    z_error = standard_error / (1 - estimate**2)
    z = np.arctanh(estimate)
    return Concordance(
        n=n,
        estimate=float(estimate),
        estimate_n1=float(estimate_n1),
        standard_error=float(standard_error),
        ci_low=float(np.tanh(z - quantile * z_error)),
        ci_high=float(np.tanh(z + quantile * z_error)),
        plain_low=float(estimate - quantile * standard_error),
        plain_high=float(estimate + quantile * standard_error),
        pearson=float(pearson),
        bias_correction=float(correction),
        scale_shift=float(scale),
        location_shift=float(location),
        status="ok",
        note=note,
    )


def concordance_error(estimate: float, pearson: float, location: float, n: int) -> float:
    """Asymptotic standard error (Lin 1989, eq. 4, with n - 2 after Lin 2000)."""
    variance = (
        (1 - pearson**2) * estimate**2 * (1 - estimate**2) / pearson**2
        + 2 * estimate**3 * (1 - estimate) * location**2 / pearson
        - estimate**4 * location**4 / (2 * pearson**2)
    ) / (n - 2)
    return float(np.sqrt(max(variance, 0.0)))
