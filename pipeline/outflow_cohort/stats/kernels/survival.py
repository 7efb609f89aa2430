"""Time to event without a model: Kaplan-Meier, restricted mean survival time, cumulative incidence of rival events.

time in any one unit; event 1 or 0 (cause: 0 = censored, 1, 2, ... for rival events). Checked against R's survival
(tests/reference/stats/r/survival.R).

Sources: Kaplan & Meier 1958 JASA 53:457 (Greenwood's error, interval of log(-log S)); Brookmeyer & Crowley 1982
Biometrics 38:29 (median); Royston & Parmar 2013 BMC Med Res Methodol 13:152 (restricted mean); Aalen & Johansen 1978
Scand J Stat 5:141 (cumulative incidence; error by infinitesimal jackknife); Mantel 1966 (log-rank).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KAPLAN_MEIER_SOURCE = "Kaplan & Meier 1958 JASA 53:457; interval of log(-log S)"
RESTRICTED_MEAN_SOURCE = "Royston & Parmar 2013 BMC Med Res Methodol 13:152"
AALEN_JOHANSEN_SOURCE = "Aalen & Johansen 1978 Scand J Stat 5:141; error by infinitesimal jackknife"
LOG_RANK_SOURCE = "Mantel 1966 Cancer Chemother Rep 50:163"
MEDIAN_SOURCE = "Brookmeyer & Crowley 1982 Biometrics 38:29"


@dataclass(frozen=True)
class SurvivalCurve:
    """Step function at the distinct event times: at_risk just before, events, survival just after, with interval."""

    time: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray
    survival: np.ndarray
    std_error: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    largest_time: float

    def at(self, when: float) -> tuple[float, float, float, float]:
        """Survival, its standard error and interval at a time; NaN beyond the largest time seen."""
        if when > self.largest_time:
            return (float("nan"),) * 4
        i = int(np.searchsorted(self.time, when, side="right")) - 1
        if i < 0:
            return 1.0, 0.0, 1.0, 1.0
        return tuple(float(v[i]) for v in (self.survival, self.std_error, self.ci_low, self.ci_high))  # type: ignore[return-value]

    def median(self) -> tuple[float, float, float]:
        """Time at which survival falls to one half, with interval; infinite where it does not."""
        return tuple(_crossing(self.time, v) for v in (self.survival, self.ci_low, self.ci_high))  # type: ignore[return-value]


def _crossing(time: np.ndarray, survival: np.ndarray) -> float:
    below = np.flatnonzero(survival <= 0.5 + 1e-12)
    if not len(below):
        return float("inf")
    i = int(below[0])
    if abs(survival[i] - 0.5) <= 1e-12 and i + 1 < len(time):
        return float(time[i] + time[i + 1]) / 2  # flat at one half: the middle of the step
    return float(time[i])


def kaplan_meier(time: np.ndarray, event: np.ndarray, confidence: float = 0.95) -> SurvivalCurve:
    """Kaplan-Meier curve of finite times >= 0; the interval's ends are NaN where survival is 0.

    Events at 1 and 3, one case lost at 2: 3/4 after the first, 3/4 x 1/2 after the second:

    >>> curve = kaplan_meier(np.array([1.0, 2, 3, 4]), np.array([1, 0, 1, 0]))
    >>> curve.time.tolist(), curve.survival.round(3).tolist()
    ([1.0, 3.0], [0.75, 0.375])
    """
    from scipy.special import ndtri

    times = np.unique(time[event == 1])
    ordered = np.sort(time)
    at_risk = len(time) - np.searchsorted(ordered, times, side="left")
    events = np.array([int(((time == t) & (event == 1)).sum()) for t in times], dtype=np.int64)
    survival = np.cumprod(1.0 - events / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(events / (at_risk * (at_risk - events)))
        error = survival * np.sqrt(greenwood)
        log = np.log(survival)
        half = float(ndtri((1 + confidence) / 2)) * np.sqrt(greenwood) / np.abs(log)
        low, high = survival ** np.exp(half), survival ** np.exp(-half)
    gone = survival <= 0
    error, low, high = (np.where(gone, np.nan, v) for v in (error, low, high))
    return SurvivalCurve(
        time=times,
        at_risk=at_risk,
        events=events,
        survival=survival,
        std_error=error,
        ci_low=low,
        ci_high=high,
        largest_time=float(ordered[-1]) if len(time) else 0.0,
    )


def restricted_mean(curve: SurvivalCurve, horizon: float) -> tuple[float, float]:
    """Mean event-free time up to `horizon`, and its standard error; NaN beyond the largest time seen.

    Area under 1, 3/4 and 3/8 up to 4: 1 + 1.5 + 0.375:

    >>> curve = kaplan_meier(np.array([1.0, 2, 3, 4]), np.array([1, 0, 1, 0]))
    >>> round(restricted_mean(curve, 4.0)[0], 3)
    2.875
    """
    if horizon > curve.largest_time and not (len(curve.survival) and curve.survival[-1] == 0):
        return float("nan"), float("nan")
    inside = curve.time < horizon
    edges = np.concatenate([[0.0], curve.time[inside], [horizon]])
    heights = np.concatenate([[1.0], curve.survival[inside]])
    areas = heights * np.diff(edges)
    mean = float(areas.sum())
    after = mean - np.cumsum(areas)[: int(inside.sum())]
    left, events = curve.at_risk[inside].astype(np.float64), curve.events[inside]
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = np.where(left > events, after**2 * events / (left * (left - events)), 0.0)
    return mean, float(np.sqrt(parts.sum()))


def log_rank(time: np.ndarray, event: np.ndarray, group: np.ndarray) -> tuple[float, int, float]:
    """Chi-square, degrees of freedom and p of equal hazards in all groups.

    Two groups with the same times do not differ:

    >>> time, event = np.array([1.0, 2, 3, 1, 2, 3]), np.ones(6)
    >>> chi_square, df, p = log_rank(time, event, np.array(["a", "a", "a", "b", "b", "b"]))
    >>> round(float(chi_square), 6), df, round(float(p), 3)
    (0.0, 1, 1.0)
    """
    from scipy.special import chdtrc

    names = sorted(set(group.tolist()))
    member = np.array([group == name for name in names], dtype=np.float64)
    excess, spread = np.zeros(len(names)), np.zeros((len(names), len(names)))
    for t in np.unique(time[event == 1]):
        here = member @ (time >= t)
        n, d = float(here.sum()), float(((time == t) & (event == 1)).sum())
        excess += member @ ((time == t) & (event == 1)) - d * here / n
        if n > 1:
            share = here / n
            spread += d * (n - d) / (n - 1) * (np.diag(share) - np.outer(share, share))
    df = len(names) - 1
    chi = float(excess[:-1] @ np.linalg.pinv(spread[:-1, :-1]) @ excess[:-1])
    return chi, df, float(chdtrc(float(df), chi))


@dataclass(frozen=True)
class Incidence:
    """Cumulative incidence of one cause at the distinct times of any event, with its standard error."""

    time: np.ndarray
    at_risk: np.ndarray
    incidence: np.ndarray
    std_error: np.ndarray

    def at(self, when: float) -> tuple[float, float]:
        """Incidence and standard error at a time."""
        i = int(np.searchsorted(self.time, when, side="right")) - 1
        return (float(self.incidence[i]), float(self.std_error[i])) if i >= 0 else (0.0, 0.0)


def aalen_johansen(time: np.ndarray, cause: np.ndarray, which: int) -> Incidence:
    """Cumulative incidence of cause `which` where other causes (> 0) end the risk too.

    Four cases, none lost: each event adds one quarter:

    >>> found = aalen_johansen(np.array([1.0, 2, 3, 4]), np.array([1, 2, 1, 2]), 1)
    >>> float(found.incidence[-1].round(3))
    0.5
    """
    times = np.unique(time[cause > 0])
    survival, total = 1.0, 0.0
    of_survival, of_total = np.zeros(len(time)), np.zeros(len(time))  # influence of each case
    incidence, error, left = np.empty(len(times)), np.empty(len(times)), np.empty(len(times), dtype=np.int64)
    for m, t in enumerate(times):
        risk = time >= t
        n = float(risk.sum())
        own, anyone = (time == t) & (cause == which), (time == t) & (cause > 0)
        hazard, whole = own.sum() / n, anyone.sum() / n
        of_total = of_total + of_survival * hazard + survival * (own - risk * hazard) / n
        of_survival = of_survival * (1 - whole) - survival * (anyone - risk * whole) / n
        total += survival * hazard
        survival *= 1 - whole
        incidence[m], left[m] = total, int(n)
        error[m] = np.sqrt((of_total**2).sum())
    return Incidence(times, left, incidence, error)
