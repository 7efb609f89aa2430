"""Cox's proportional hazards: partial likelihood with Efron's or Breslow's ties, proportionality, concordance.

time in any one unit, event 1 or 0, covariates (n, p). Checked against R's survival
(tests/reference/stats/r/survival.R).

Sources: Cox 1972 JRSS B 34:187; Efron 1977 JASA 72:557; Grambsch & Therneau 1994 Biometrika 81:515 (score test of a
coefficient that changes with 1 - Kaplan-Meier); Harrell 1982 JAMA 247:2543 (concordance).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from outflow_cohort.stats.kernels.firth import Likelihood

SOURCE = "Cox 1972 JRSS B 34:187; ties Efron 1977 JASA 72:557"
PROPORTIONALITY_SOURCE = "Grambsch & Therneau 1994 Biometrika 81:515"
CONCORDANCE_SOURCE = "Harrell 1982 JAMA 247:2543"
Ties = Literal["efron", "breslow"]


@dataclass(frozen=True)
class EventTimes:
    """Contributions of the distinct event times: log likelihood (m,), score (m, p), information (m, p, p)."""

    time: np.ndarray
    value: np.ndarray
    score: np.ndarray
    information: np.ndarray


@dataclass(frozen=True)
class RiskSets:
    """Cases by falling time, and their events: what does not depend on the coefficients.

    order : (n,) of the cases; event : (d,) places of the events in that order; share : (d,) of its tied events that an
    event leaves out (0 under Breslow); last : (d,) place of the last case still at risk; start : (m,) first event of
    each distinct time, falling; time : (m,) rising.
    """

    order: np.ndarray
    event: np.ndarray
    share: np.ndarray
    last: np.ndarray
    start: np.ndarray
    time: np.ndarray


def risk_sets(time: np.ndarray, event: np.ndarray, ties: Ties = "efron") -> RiskSets:
    """Risk sets of times with events 1 or 0."""
    order = np.argsort(-time, kind="stable")
    falling = -time[order]
    at = np.flatnonzero(event[order] == 1)
    distinct, start, tied = np.unique(falling[at], return_index=True, return_counts=True)
    rank = np.arange(len(at)) - np.repeat(start, tied)
    share = rank / np.repeat(tied, tied) if ties == "efron" else np.zeros(len(at))
    last = np.searchsorted(falling, falling[at], side="right") - 1
    return RiskSets(order=order, event=at, share=share, last=last, start=start, time=-distinct[::-1])


def contributions(sets: RiskSets, covariates: np.ndarray, beta: np.ndarray) -> EventTimes:
    """What each distinct event time adds to the partial likelihood at `beta` (Efron 1977, or Breslow's by `sets`)."""
    x = covariates[sets.order]
    p = x.shape[1]
    if not len(sets.event):
        return EventTimes(sets.time, np.zeros(0), np.zeros((0, p)), np.zeros((0, p, p)))
    linear = x @ beta
    linear = linear - linear.max()
    weight = np.exp(linear)
    # Weight, first and second moments of each case in one row.
    moments = np.column_stack([np.ones(len(x)), x, (x[:, :, None] * x[:, None, :]).reshape(len(x), p * p)])
    moments *= weight[:, None]
    tied = np.diff(np.append(sets.start, len(sets.event)))
    own = np.repeat(np.add.reduceat(moments[sets.event], sets.start, axis=0), tied, axis=0)
    left = np.cumsum(moments, axis=0)[sets.last] - sets.share[:, None] * own
    below = left[:, 0]
    mean = left[:, 1 : p + 1] / below[:, None]
    second = (left[:, p + 1 :] / below[:, None]).reshape(len(below), p, p)
    per_event = (
        linear[sets.event] - np.log(below),
        x[sets.event] - mean,
        second - mean[:, :, None] * mean[:, None, :],
    )
    value, score, information = (np.add.reduceat(v, sets.start, axis=0)[::-1] for v in per_event)
    return EventTimes(sets.time, value, score, information)


def partial_likelihood(time: np.ndarray, event: np.ndarray, covariates: np.ndarray, ties: Ties = "efron") -> Likelihood:
    """The partial log likelihood as a function of the coefficients, with score and information.

    At coefficient 0 each event costs the log of the number at risk, here log 3 + log 2 + log 1; the hazard ratio comes
    from `firth.maximum`:

    >>> of = partial_likelihood(np.array([1.0, 2, 3]), np.ones(3), np.array([[1.0], [0.0], [1.0]]))
    >>> round(of(np.zeros(1))[0], 4), round(-float(np.log(6)), 4)
    (-1.7918, -1.7918)
    """
    sets = risk_sets(time, event, ties)

    def of(beta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        found = contributions(sets, covariates, beta)
        return float(found.value.sum()), found.score.sum(axis=0), found.information.sum(axis=0)

    return of


@dataclass(frozen=True)
class Proportionality:
    """Chi-square and p of each covariate (one df) and of all together (last)."""

    chi_square: np.ndarray
    p_value: np.ndarray


def proportionality(time: np.ndarray, event: np.ndarray, covariates: np.ndarray, beta: np.ndarray) -> Proportionality:
    """Score test that the coefficients do not change with 1 - Kaplan-Meier of all cases."""
    from scipy.special import chdtrc

    found = contributions(risk_sets(time, event), covariates, beta)
    at_risk = np.array([(time >= t).sum() for t in found.time])
    events = np.array([((time == t) & (event == 1)).sum() for t in found.time])
    g = 1.0 - np.append(1.0, np.cumprod(1.0 - events / at_risk)[:-1])  # left-continuous
    u = (g[:, None] * found.score).sum(axis=0)
    weighted = [np.einsum("m,mij->ij", g**power, found.information) for power in range(3)]
    spread = weighted[2] - weighted[1] @ np.linalg.solve(weighted[0], weighted[1])
    single = u**2 / np.diag(spread)
    whole = float(u @ np.linalg.solve(spread, u))
    chi = np.append(single, whole)
    df = np.append(np.ones(len(u)), float(len(u)))
    return Proportionality(chi, np.asarray(chdtrc(df, chi)))


def concordance(time: np.ndarray, event: np.ndarray, risk: np.ndarray) -> float:
    """Share of comparable pairs in which the higher risk has the earlier event; ties of risk count half.

    Of three pairs two are in order:

    >>> round(concordance(np.array([1.0, 2, 3]), np.ones(3), np.array([0.9, 0.2, 0.4])), 3)
    0.667
    """
    agreed = total = 0.0
    for i in np.flatnonzero(event == 1):
        later = (time > time[i]) | ((time == time[i]) & (event == 0))
        total += float(later.sum())
        agreed += float((risk[i] > risk[later]).sum()) + 0.5 * float((risk[i] == risk[later]).sum())
    return agreed / total if total else float("nan")
