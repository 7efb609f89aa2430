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


def contributions(
    time: np.ndarray, event: np.ndarray, covariates: np.ndarray, beta: np.ndarray, ties: Ties = "efron"
) -> EventTimes:
    """What each distinct event time adds to the partial likelihood at `beta`."""
    order = np.argsort(-time, kind="stable")
    t, e, x = time[order], event[order] == 1, covariates[order]
    linear = x @ beta
    linear = linear - linear.max()
    weight = np.exp(linear)
    sums = np.cumsum(weight)
    firsts = np.cumsum(weight[:, None] * x, axis=0)
    seconds = np.cumsum(weight[:, None, None] * x[:, :, None] * x[:, None, :], axis=0)
    times = np.unique(t[e])
    p = x.shape[1]
    value, score, information = np.zeros(len(times)), np.zeros((len(times), p)), np.zeros((len(times), p, p))
    for m, at in enumerate(times):
        last = np.searchsorted(-t, -at, side="right") - 1  # the last of those still at risk
        tied = np.flatnonzero((t == at) & e)
        d = len(tied)
        own = weight[tied]
        share = np.arange(d) / d if ties == "efron" else np.zeros(d)
        below = sums[last] - share * own.sum()
        first = firsts[last][None, :] - share[:, None] * (own[:, None] * x[tied]).sum(axis=0)
        second = seconds[last][None] - share[:, None, None] * (
            own[:, None, None] * x[tied][:, :, None] * x[tied][:, None, :]
        ).sum(axis=0)
        mean = first / below[:, None]
        value[m] = linear[tied].sum() - np.log(below).sum()
        score[m] = x[tied].sum(axis=0) - mean.sum(axis=0)
        information[m] = (second / below[:, None, None] - mean[:, :, None] * mean[:, None, :]).sum(axis=0)
    return EventTimes(times, value, score, information)


def partial_likelihood(time: np.ndarray, event: np.ndarray, covariates: np.ndarray, ties: Ties = "efron") -> Likelihood:
    """The partial log likelihood as a function of the coefficients, with score and information."""

    def of(beta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        found = contributions(time, event, covariates, beta, ties)
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

    found = contributions(time, event, covariates, beta)
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
    """Share of comparable pairs in which the higher risk has the earlier event; ties of risk count half."""
    agreed = total = 0.0
    for i in np.flatnonzero(event == 1):
        later = (time > time[i]) | ((time == time[i]) & (event == 0))
        total += float(later.sum())
        agreed += float((risk[i] > risk[later]).sum()) + 0.5 * float((risk[i] == risk[later]).sum())
    return agreed / total if total else float("nan")
