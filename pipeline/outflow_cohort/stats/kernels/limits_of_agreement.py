"""Bias and 95 % limits of agreement: single pairs, replicates, bias that depends on size, log and percent scales.

A difference is always first minus second, in the unit of the values (log scale: of natural logarithms; percent: of
100 x difference / mean of the pair). Pairs are independent cases; where a case has several pairs, use the replicate
form, never this one on the pooled pairs.

Sources: Bland & Altman 1986, Lancet i:307; Bland & Altman 1999, Stat Methods Med Res 8:135; Carkeet 2015, Optom Vis Sci
92:e71 and Shieh 2018, BMC Med Res Methodol 18:45 (exact limits); Donner & Zou 2012, Stat Methods Med Res 21:347 and
Zou 2013, Stat Methods Med Res 22:630 (MOVER).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from outflow_cohort.stats.data.cells import usable_numbers

if TYPE_CHECKING:
    import pandas as pd

SOURCE = "Bland & Altman 1999 Stat Methods Med Res 8:135"
LimitsInterval = Literal["exact", "approximate", "simple", "mover"]
Scale = Literal["difference", "log", "percent"]
SAME_RTOL = 1e-12
"""Differences whose range is below this share of the values' size are equal: the rest is rounding."""
LARGEST_NONCENTRALITY = 36.0
"""Above this the noncentral t quantile is taken by MOVER, which it has then reached to four digits, because the
library's quantile of far-off noncentralities slows down and fails."""


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Bias, SD of the differences and limits with intervals; NaN with the reason in `status` where they are missing.

    limits_interval names how lower_low ... upper_high were found. ratio_* hold exp of the log scale's figures.
    """

    n: int
    bias: float
    bias_se: float
    bias_low: float
    bias_high: float
    sd: float
    sd_low: float
    sd_high: float
    multiplier: float
    lower: float
    lower_low: float
    lower_high: float
    upper: float
    upper_low: float
    upper_high: float
    scale: str
    limits_interval: str
    confidence: float
    status: str
    note: str

    @property
    def ratio_bias(self) -> float:
        """Geometric mean of first / second; NaN unless the scale is log."""
        return float(np.exp(self.bias)) if self.scale == "log" else float("nan")

    @property
    def ratio_lower(self) -> float:
        return float(np.exp(self.lower)) if self.scale == "log" else float("nan")

    @property
    def ratio_upper(self) -> float:
        return float(np.exp(self.upper)) if self.scale == "log" else float("nan")

    def to_frame(self) -> pd.DataFrame:
        """One row, a column per field."""
        import pandas as pd

        return pd.DataFrame([{f.name: getattr(self, f.name) for f in fields(self)} | {"source": SOURCE}])


def bland_altman(
    first: Sequence[float] | np.ndarray,
    second: Sequence[float] | np.ndarray,
    *,
    multiplier: float | None = None,
    confidence: float = 0.95,
    limits_interval: LimitsInterval = "exact",
    scale: Scale = "difference",
) -> LimitsOfAgreement:
    """Bias and limits of agreement of paired readings, one pair per case.

    first, second : equally long; a pair with a missing or infinite value is left out and counted in `note`.
    multiplier : of the SD; default the normal quantile 1.95996 of 95 % (1999 paper: 1.96, 1986 paper: 2).
    limits_interval : "exact" (noncentral t for one limit), "approximate" (1999: SE^2 = s^2 (1/n + z^2/(2(n-1)))),
        "simple" (1986: SE^2 = 3 s^2/n), "mover" (Donner & Zou).

    Raises ValueError where the lengths differ. Data never raise: see `status` (too_few_pairs, not_positive,
    no_spread = all differences equal, for which the limits equal the bias).

    Peak flow by two meters, l/min (Bland & Altman 1986 Lancet i:307: bias -2.1, SD 38.8, limits -79.7 and 75.5 from
    these rounded figures):

    >>> large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    >>> small = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    >>> found = bland_altman(large, small, multiplier=2)
    >>> [round(float(x), 1) for x in (found.bias, found.sd, found.lower, found.upper)]
    [-2.1, 38.8, -79.6, 75.4]
    """
    a, b = usable_numbers(first), usable_numbers(second)
    if len(a) != len(b):
        raise ValueError(f"{len(a)} first and {len(b)} second values; pairs are needed")
    kept = np.isfinite(a) & np.isfinite(b)
    n_left_out = int((~kept).sum())
    note = f"{n_left_out} incomplete pair(s) left out" if n_left_out else ""
    a, b = a[kept], b[kept]
    z = _normal_quantile(0.975) if multiplier is None else float(multiplier)
    if scale != "difference" and len(a) and min(a.min(), b.min()) <= 0:
        return _undefined(len(a), z, scale, limits_interval, confidence, "not_positive", note)
    differences = scaled_differences(a, b, scale)
    size = float(max(np.abs(a).max(), np.abs(b).max())) if len(a) and scale == "difference" else 1.0
    return limits_of_differences(
        differences, z=z, confidence=confidence, limits_interval=limits_interval, scale=scale, size=size, note=note
    )


def scaled_differences(first: np.ndarray, second: np.ndarray, scale: Scale) -> np.ndarray:
    """Differences of finite pairs on a scale; positive values for log and percent."""
    if scale == "log":
        return np.asarray(np.log(first) - np.log(second))
    if scale == "percent":
        return np.asarray(100.0 * (first - second) / ((first + second) / 2.0))
    return np.asarray(first - second)


def limits_of_differences(
    differences: np.ndarray,
    *,
    z: float,
    confidence: float,
    limits_interval: LimitsInterval,
    scale: Scale = "difference",
    size: float = 0.0,
    note: str = "",
) -> LimitsOfAgreement:
    """Limits of differences already formed; size is the magnitude of the values they come from."""
    n = len(differences)
    if n < 2:
        return _undefined(n, z, scale, limits_interval, confidence, "too_few_pairs", note)
    bias = float(differences.mean())
    if np.ptp(differences) <= SAME_RTOL * size:
        return LimitsOfAgreement(
            n=n,
            bias=bias,
            bias_se=0.0,
            bias_low=bias,
            bias_high=bias,
            sd=0.0,
            sd_low=0.0,
            sd_high=0.0,
            multiplier=z,
            lower=bias,
            lower_low=bias,
            lower_high=bias,
            upper=bias,
            upper_low=bias,
            upper_high=bias,
            scale=scale,
            limits_interval=limits_interval,
            confidence=confidence,
            status="no_spread",
            note=note,
        )
    sd = float(differences.std(ddof=1))
    se = sd / np.sqrt(n)
    half = _t_quantile(confidence, n - 1) * se
    low, high, used = _limit_offsets(n, sd, z, confidence, limits_interval)
    sd_low, sd_high = (float(np.sqrt(v)) for v in variance_interval(sd**2, n - 1, confidence))
    return LimitsOfAgreement(
        n=n,
        bias=bias,
        bias_se=se,
        bias_low=bias - half,
        bias_high=bias + half,
        sd=sd,
        sd_low=sd_low,
        sd_high=sd_high,
        multiplier=z,
        lower=bias - z * sd,
        lower_low=bias - high,
        lower_high=bias - low,
        upper=bias + z * sd,
        upper_low=bias + low,
        upper_high=bias + high,
        scale=scale,
        limits_interval=used,
        confidence=confidence,
        status="ok",
        note=note,
    )


def _limit_offsets(n: int, sd: float, z: float, confidence: float, method: LimitsInterval) -> tuple[float, float, str]:
    """Lower and upper confidence limit of `bias + z sd`, as distances from the bias, and the method used."""
    if method == "exact" and z * np.sqrt(n) > LARGEST_NONCENTRALITY:
        method = "mover"
    if method == "exact":
        low, high = _exact_factors(n, z, confidence)
        return low * sd, high * sd, method
    if method == "mover":
        low, high = variance_interval(sd**2, n - 1, confidence)
        bias_half = _normal_quantile((1 + confidence) / 2) * sd / np.sqrt(n)
        return (
            z * sd - np.hypot(bias_half, z * (sd - np.sqrt(low))),
            z * sd + np.hypot(bias_half, z * (np.sqrt(high) - sd)),
            method,
        )
    if method == "approximate":
        # Bland & Altman 1999, sec. 2.2: the limit's standard error with the quantile of 95 %, whatever the multiplier.
        error = sd * np.sqrt(1 / n + _normal_quantile(0.975) ** 2 / (2 * (n - 1)))
    elif method == "simple":
        error = sd * np.sqrt(3 / n)  # Bland & Altman 1986
    else:
        raise ValueError(f"limits_interval is {method!r}; exact, approximate, simple and mover are known")
    half = _t_quantile(confidence, n - 1) * error
    return z * sd - half, z * sd + half, method


@lru_cache(maxsize=4096)
def _exact_factors(n: int, z: float, confidence: float) -> tuple[float, float]:
    """Factors f of sd with P(limit beyond bias + f sd) = half the error each side (noncentral t, Carkeet 2015)."""
    tail = (1 - confidence) / 2
    return one_sided_factor(n, z, tail), one_sided_factor(n, z, 1 - tail)


def one_sided_factor(n: int, z: float, probability: float) -> float:
    """One-sided normal tolerance factor: quantile of the noncentral t over sqrt(n) (NIST e-Handbook 7.2.6.3)."""
    from scipy.stats import nct

    return float(nct.ppf(probability, n - 1, z * np.sqrt(n)) / np.sqrt(n))


@lru_cache(maxsize=4096)
def _t_quantile(confidence: float, df: int) -> float:
    from scipy.stats import t

    return float(t.ppf((1 + confidence) / 2, df))


@lru_cache(maxsize=64)
def _normal_quantile(probability: float) -> float:
    from scipy.stats import norm

    return float(norm.ppf(probability))


def variance_interval(variance: float, df: int, confidence: float) -> tuple[float, float]:
    """Chi-square interval of a variance with df degrees of freedom."""
    low, high = _chi_square_quantiles(df, confidence)
    return variance * df / high, variance * df / low


@lru_cache(maxsize=4096)
def _chi_square_quantiles(df: int, confidence: float) -> tuple[float, float]:
    from scipy.stats import chi2

    low, high = chi2.ppf([(1 - confidence) / 2, (1 + confidence) / 2], df)
    return float(low), float(high)


def _undefined(
    n: int, z: float, scale: str, interval: str, confidence: float, status: str, note: str
) -> LimitsOfAgreement:
    nan = float("nan")
    return LimitsOfAgreement(
        n=n,
        bias=nan,
        bias_se=nan,
        bias_low=nan,
        bias_high=nan,
        sd=nan,
        sd_low=nan,
        sd_high=nan,
        multiplier=z,
        lower=nan,
        lower_low=nan,
        lower_high=nan,
        upper=nan,
        upper_low=nan,
        upper_high=nan,
        scale=scale,
        limits_interval=interval,
        confidence=confidence,
        status=status,
        note=note,
    )
