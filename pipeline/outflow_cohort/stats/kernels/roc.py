"""Operating characteristic of a measure against a yes/no outcome. Areas, sensitivities and shares have unit 1.

The direction of risk is given, never found from the data: risk "high" = an event is likelier at larger values, "low" =
at smaller ones. A paired comparison takes complete rows only. A cut-off is an observed value: at or beyond it counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Risk = Literal["low", "high"]
DELONG_SOURCE = "DeLong, DeLong & Clarke-Pearson 1988 Biometrics 44:837; midranks Sun & Xu 2014 IEEE SPL 21:1389"
YOUDEN_SOURCE = "Youden 1950 Cancer 3:32"


@dataclass(frozen=True)
class RocArea:
    """Area under the curve, its DeLong variance and standard error, Wald interval clipped to [0, 1], logit interval.

    Status `too_few_events`, `too_few_non_events` (fewer than two: no variance), `constant_values`, `perfect_separation`
    (variance 0: no interval) or `ok`.
    """

    area: float
    variance: float
    standard_error: float
    ci_low: float
    ci_high: float
    logit_low: float
    logit_high: float
    n_events: int
    n_non_events: int
    n_missing: int
    status: str


@dataclass(frozen=True)
class PairedAreas:
    """Difference of two areas of the same cases, its standard error, interval, z, p, covariance and status."""

    difference: float
    standard_error: float
    ci_low: float
    ci_high: float
    z: float
    p_value: float
    covariance: float
    n_events: int
    n_non_events: int
    n_missing: int
    status: str


def _split(value: np.ndarray, event: np.ndarray, risk: Risk) -> tuple[np.ndarray, np.ndarray, int]:
    """Values of events and of non-events, larger = riskier, and the number of rows left out."""
    if risk not in ("low", "high"):
        raise ValueError(f"risk {risk!r}; needed low or high")
    value, event = np.asarray(value, np.float64), np.asarray(event, np.float64)
    if value.shape != event.shape:
        raise ValueError(f"{len(value)} values and {len(event)} outcomes; one of each a case is needed")
    good = np.isfinite(value) & np.isfinite(event)
    signed = value[good] if risk == "high" else -value[good]
    return signed[event[good] == 1], signed[event[good] == 0], int((~good).sum())


def _components(events: np.ndarray, others: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Structural components: of each event the share of non-events below it, and the reverse (DeLong 1988)."""
    from scipy.stats import rankdata

    m, n = len(events), len(others)
    ranks = rankdata(np.concatenate([events, others]))
    of_events = (ranks[:m] - rankdata(events)) / n
    of_others = 1 - (ranks[m:] - rankdata(others)) / m
    return of_events, of_others


def _status(events: np.ndarray, others: np.ndarray) -> str:
    if len(events) < 2:
        return "too_few_events"
    if len(others) < 2:
        return "too_few_non_events"
    return "constant_values" if np.ptp(np.concatenate([events, others])) == 0 else "ok"


def roc_area(value: np.ndarray, event: np.ndarray, risk: Risk, *, confidence: float = 0.95) -> RocArea:
    """Area under the curve with DeLong's interval. event : 1, 0 or NaN. Raises ValueError for unequal lengths.

    Ratings 1 to 5 of 58 normal and 51 abnormal images (Hanley & McNeil 1982 Radiology 143:29: area 0.893):

    >>> ratings = np.repeat([1, 2, 3, 4, 5] * 2, [33, 6, 6, 11, 2, 3, 2, 2, 11, 33])
    >>> found = roc_area(ratings, np.repeat([0, 1], [58, 51]), "high")
    >>> round(float(found.area), 3), found.n_events, found.status
    (0.893, 51, 'ok')
    """
    from scipy.stats import norm

    events, others, missing = _split(value, event, risk)
    nan = float("nan")
    m, n = len(events), len(others)
    status = _status(events, others)
    if not m or not n:
        return RocArea(
            area=nan,
            variance=nan,
            standard_error=nan,
            ci_low=nan,
            ci_high=nan,
            logit_low=nan,
            logit_high=nan,
            n_events=m,
            n_non_events=n,
            n_missing=missing,
            status=status,
        )
    of_events, of_others = _components(events, others)
    area = float(of_events.mean())
    if status != "ok":
        return RocArea(
            area=area,
            variance=nan,
            standard_error=nan,
            ci_low=nan,
            ci_high=nan,
            logit_low=nan,
            logit_high=nan,
            n_events=m,
            n_non_events=n,
            n_missing=missing,
            status=status,
        )
    variance = float(of_events.var(ddof=1) / m + of_others.var(ddof=1) / n)
    se = float(np.sqrt(variance))
    if not se > 0:
        return RocArea(
            area=area,
            variance=0.0,
            standard_error=0.0,
            ci_low=nan,
            ci_high=nan,
            logit_low=nan,
            logit_high=nan,
            n_events=m,
            n_non_events=n,
            n_missing=missing,
            status="perfect_separation",
        )
    z = float(norm.ppf((1 + confidence) / 2))
    logit_low = logit_high = nan
    if 0 < area < 1:
        centre, half = np.log(area / (1 - area)), z * se / (area * (1 - area))
        logit_low, logit_high = (float(1 / (1 + np.exp(-x))) for x in (centre - half, centre + half))
    return RocArea(
        area=area,
        variance=variance,
        standard_error=se,
        ci_low=max(area - z * se, 0.0),
        ci_high=min(area + z * se, 1.0),
        logit_low=logit_low,
        logit_high=logit_high,
        n_events=m,
        n_non_events=n,
        n_missing=missing,
        status="ok",
    )


def compare_areas(
    first: np.ndarray,
    second: np.ndarray,
    event: np.ndarray,
    first_risk: Risk,
    second_risk: Risk,
    *,
    confidence: float = 0.95,
) -> PairedAreas:
    """DeLong's paired test of two measures of the same cases; rows with any missing value are left out.

    Invented areas, mm2; low values carry the risk. 14 of 16 and 10 of 16 pairs are in the right order:

    >>> event = np.array([1, 1, 1, 1, 0, 0, 0, 0.0])
    >>> first, second = np.array([1.0, 2, 3, 6, 4, 5, 7, 8]), np.array([1.0, 4, 5, 6, 2, 3, 7, 8])
    >>> found = compare_areas(first, second, event, "low", "low")
    >>> round(float(found.difference), 3), found.n_events, found.status
    (0.25, 4, 'ok')
    """
    from scipy.stats import norm

    first, second = np.asarray(first, np.float64), np.asarray(second, np.float64)
    both = np.isfinite(first) & np.isfinite(second) & np.isfinite(np.asarray(event, np.float64))
    masked = np.where(both, np.asarray(event, np.float64), np.nan)
    e1, o1, missing = _split(first, masked, first_risk)
    e2, o2, _ = _split(second, masked, second_risk)
    m, n, nan = len(e1), len(o1), float("nan")
    status = next((s for s in (_status(e1, o1), _status(e2, o2)) if s != "ok"), "ok")
    if status != "ok":
        return PairedAreas(
            difference=nan,
            standard_error=nan,
            ci_low=nan,
            ci_high=nan,
            z=nan,
            p_value=nan,
            covariance=nan,
            n_events=m,
            n_non_events=n,
            n_missing=missing,
            status=status,
        )
    (x1, y1), (x2, y2) = _components(e1, o1), _components(e2, o2)
    cov = np.cov(x1, x2) / m + np.cov(y1, y2) / n
    difference = float(x1.mean() - x2.mean())
    variance = float(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])
    if not variance > 1e-15:
        return PairedAreas(
            difference=difference,
            standard_error=0.0,
            ci_low=nan,
            ci_high=nan,
            z=nan,
            p_value=nan,
            covariance=float(cov[0, 1]),
            n_events=m,
            n_non_events=n,
            n_missing=missing,
            status="no_variance",
        )
    se = float(np.sqrt(variance))
    half = float(norm.ppf((1 + confidence) / 2)) * se
    z = difference / se
    return PairedAreas(
        difference=difference,
        standard_error=se,
        ci_low=difference - half,
        ci_high=difference + half,
        z=z,
        p_value=float(2 * norm.sf(abs(z))),
        covariance=float(cov[0, 1]),
        n_events=m,
        n_non_events=n,
        n_missing=missing,
        status="ok",
    )


@dataclass(frozen=True)
class RocCurve:
    """Points of the curve from (0, 0) to (1, 1): cut-off (observed value; NaN at the first point), both rates."""

    cutoff: np.ndarray
    sensitivity: np.ndarray
    specificity: np.ndarray


def roc_curve(value: np.ndarray, event: np.ndarray, risk: Risk) -> RocCurve:
    """Empirical curve, a point at each observed value. Empty where there are no events or no non-events.

    A point at each observed value, the riskiest first:

    >>> curve = roc_curve(np.array([1.0, 2, 3, 4]), np.array([0, 1, 0, 1]), "high")
    >>> curve.cutoff.tolist(), curve.sensitivity.tolist(), curve.specificity.tolist()
    ([nan, 4.0, 3.0, 2.0, 1.0], [0.0, 0.5, 0.5, 1.0, 1.0], [1.0, 1.0, 0.5, 0.5, 0.0])
    """
    events, others, _ = _split(value, event, risk)
    if not len(events) or not len(others):
        return RocCurve(np.zeros(0), np.zeros(0), np.zeros(0))
    cuts = np.unique(np.concatenate([events, others]))[::-1]
    sensitivity = 1 - np.searchsorted(np.sort(events), cuts, "left") / len(events)
    specificity = np.searchsorted(np.sort(others), cuts, "left") / len(others)
    observed = cuts if risk == "high" else -cuts
    return RocCurve(
        np.append(np.nan, observed), np.append(0.0, sensitivity), np.append(1.0, specificity)
    )  # fmt: skip


@dataclass(frozen=True)
class YoudenPoint:
    """Cut-off with the largest J = sensitivity + specificity - 1; cutoff is an observed value, midpoint is between it
    and the next value on the safe side; n_ties = cut-offs with the same J (the most specific is taken)."""

    cutoff: float
    midpoint: float
    sensitivity: float
    specificity: float
    index: float
    n_ties: int


def youden_point(value: np.ndarray, event: np.ndarray, risk: Risk) -> YoudenPoint | None:
    """The Youden point; None where there are no events or no non-events.

    Both events and one of three others at 3 or above:

    >>> best = youden_point(np.array([1.0, 2, 3, 4, 5]), np.array([0, 0, 1, 0, 1]), "high")
    >>> best.cutoff, best.midpoint, round(float(best.index), 3)
    (3.0, 2.5, 0.667)
    """
    curve = roc_curve(value, event, risk)
    if not len(curve.cutoff):
        return None
    index = curve.sensitivity + curve.specificity - 1
    best = np.flatnonzero(index >= index.max() - 1e-12)  # rounding of sums of shares
    at = int(best[0])
    after = at + 1 if at + 1 < len(index) else at
    nan = float("nan")
    cutoff = float(curve.cutoff[at])
    midpoint = nan if at == 0 else (cutoff + float(curve.cutoff[after])) / 2
    return YoudenPoint(
        cutoff=cutoff,
        midpoint=midpoint,
        sensitivity=float(curve.sensitivity[at]),
        specificity=float(curve.specificity[at]),
        index=float(index[at]),
        n_ties=len(best),
    )


@dataclass(frozen=True)
class HanleyMcNeil:
    """Q1, Q2 and standard error of the area, from the ratings and by the exponential approximation."""

    q1: float
    q2: float
    se_ratings: float
    se_exponential: float


def hanley_mcneil(value: np.ndarray, event: np.ndarray, risk: Risk) -> HanleyMcNeil:
    """Standard errors after Hanley & McNeil 1982 Radiology 143:29; raises ValueError without events or non-events.

    The paper's own ratings (table II: 0.032):

    >>> ratings = np.repeat([1, 2, 3, 4, 5] * 2, [33, 6, 6, 11, 2, 3, 2, 2, 11, 33])
    >>> round(float(hanley_mcneil(ratings, np.repeat([0, 1], [58, 51]), "high").se_ratings), 3)
    0.032
    """
    events, others, _ = _split(value, event, risk)
    m, n = len(events), len(others)
    if not m or not n:
        raise ValueError(f"{m} events and {n} non-events; both are needed")
    levels = np.unique(np.concatenate([events, others]))
    a = np.bincount(np.searchsorted(levels, events), minlength=len(levels)).astype(np.float64)
    b = np.bincount(np.searchsorted(levels, others), minlength=len(levels)).astype(np.float64)
    above, below = a.sum() - np.cumsum(a), np.cumsum(b) - b
    area = float((b * (above + a / 2)).sum() / (m * n))
    q1 = float((b * (above**2 + above * a + a**2 / 3)).sum() / (n * m**2))  # Table II, rows 6 and 7
    q2 = float((a * (below**2 + below * b + b**2 / 3)).sum() / (m * n**2))

    def error(first: float, second: float) -> float:
        parts = area * (1 - area) + (m - 1) * (first - area**2) + (n - 1) * (second - area**2)
        return float(np.sqrt(parts / (m * n)))

    return HanleyMcNeil(q1, q2, error(q1, q2), error(area / (2 - area), 2 * area**2 / (1 + area)))
