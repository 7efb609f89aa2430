"""Penalised likelihood after Firth: finite estimates where events are few or an outcome is separated.

The log likelihood gains half the logarithm of the information's determinant; intervals and p come from the profile of
this penalised likelihood. Any likelihood is taken as a function of the coefficients.

Sources: Firth 1993 Biometrika 80:27; Heinze & Schemper 2002 Stat Med 21:2409 (logistic), 2001 Biometrics 57:114 (Cox).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

SOURCE = "Firth 1993 Biometrika 80:27; profile intervals: Heinze & Schemper 2002 Stat Med 21:2409"
MOST_STEPS = 200
TOLERANCE = 1e-9
DIFFERENCE = 1e-5
"""Relative step of the central differences of the information."""
LONGEST_STEP = 2.0
LIMIT_TOLERANCE = 1e-9
"""Of a profile limit, in units of the larger of 1 and the standard error."""

WIDEST = 50.0
"""A profile limit further away than so many standard errors is taken as infinite."""

Likelihood = Callable[[np.ndarray], tuple[float, np.ndarray, np.ndarray]]
"""coefficients -> log likelihood, score (p,), information (p, p)."""


@dataclass(frozen=True)
class PenalisedFit:
    """coefficients, standard errors, profile limits, p of each (penalised likelihood ratio), penalised log likelihood,
    status `ok` or `not_converged`."""

    coefficients: np.ndarray
    std_errors: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    p_values: np.ndarray
    log_likelihood: float
    status: str


def fit_firth(likelihood: Likelihood, size: int, *, confidence: float = 0.95, penalised: bool = True) -> PenalisedFit:
    """Maximise the (penalised) likelihood of `size` coefficients from 0; limits and p by its profile."""
    from scipy.special import chdtrc, chdtri

    start = np.zeros(size)
    best, value, done = _maximum(likelihood, start, np.ones(size, bool), penalised)
    if not done:
        nan = np.full(size, np.nan)
        return PenalisedFit(
            coefficients=nan,
            std_errors=nan,
            ci_low=nan,
            ci_high=nan,
            p_values=nan,
            log_likelihood=float("nan"),
            status="not_converged",
        )
    try:
        errors = np.sqrt(np.diag(np.linalg.inv(likelihood(best)[2])))
    except np.linalg.LinAlgError:
        errors = np.full(size, np.nan)
    if not np.isfinite(errors).all():  # the data do not tell the coefficients apart
        nan = np.full(size, np.nan)
        return PenalisedFit(
            coefficients=nan,
            std_errors=nan,
            ci_low=nan,
            ci_high=nan,
            p_values=nan,
            log_likelihood=float("nan"),
            status="not_converged",
        )
    drop = float(chdtri(1.0, 1.0 - confidence)) / 2.0
    low, high, p = np.empty(size), np.empty(size), np.empty(size)
    for k in range(size):
        low[k] = _limit(likelihood, best, value, k, -errors[k], drop, penalised)
        high[k] = _limit(likelihood, best, value, k, errors[k], drop, penalised)
        without = best.copy()
        without[k] = 0.0
        null = _maximum(likelihood, without, np.arange(size) != k, penalised)[1]
        p[k] = float(chdtrc(1.0, max(2.0 * (value - null), 0.0)))
    return PenalisedFit(
        coefficients=best, std_errors=errors, ci_low=low, ci_high=high, p_values=p, log_likelihood=value, status="ok"
    )


def _objective(likelihood: Likelihood, beta: np.ndarray, penalised: bool) -> float:
    value, _, information = likelihood(beta)
    if not penalised:
        return value
    sign, logarithm = np.linalg.slogdet(information)
    return value + 0.5 * float(logarithm) if sign > 0 else -np.inf


def _gradient(likelihood: Likelihood, beta: np.ndarray, penalised: bool) -> tuple[np.ndarray, np.ndarray]:
    """Score of the objective and the information."""
    _, score, information = likelihood(beta)
    if not penalised:
        return score, information
    inverse = np.linalg.inv(information)
    score = score.copy()
    for k in range(len(beta)):
        step = np.zeros_like(beta)
        step[k] = DIFFERENCE * max(1.0, abs(beta[k]))
        change = (likelihood(beta + step)[2] - likelihood(beta - step)[2]) / (2 * step[k])
        score[k] += 0.5 * float(np.trace(inverse @ change))
    return score, information


def _maximum(
    likelihood: Likelihood, start: np.ndarray, free: np.ndarray, penalised: bool
) -> tuple[np.ndarray, float, bool]:
    """Newton's method over the free coefficients with halved steps: coefficients, objective, converged."""
    beta, value = start.copy(), _objective(likelihood, start, penalised)
    if not free.any():
        return beta, value, True
    for _ in range(MOST_STEPS):
        try:
            score, information = _gradient(likelihood, beta, penalised)
            step = np.linalg.solve(information[np.ix_(free, free)], score[free])
        except np.linalg.LinAlgError:
            return beta, value, False
        largest = float(np.abs(step).max())
        if not np.isfinite(largest):
            return beta, value, False
        if largest < TOLERANCE:
            return beta, value, True
        step *= min(1.0, LONGEST_STEP / largest)
        for _ in range(30):
            trial = beta.copy()
            trial[free] += step
            found = _objective(likelihood, trial, penalised)
            if found >= value - 1e-12:
                break
            step /= 2
        if found <= value and float(np.abs(step).max()) < 1e-7:
            return beta, value, True
        beta, value = trial, found
    return beta, value, False


def _limit(
    likelihood: Likelihood, best: np.ndarray, value: float, k: int, step: float, drop: float, penalised: bool
) -> float:
    """Where the profile of coefficient k has fallen by `drop` towards `step`; infinite where it does not, or where the
    data leave the profile without a maximum."""
    from scipy.optimize import brentq

    free = np.arange(len(best)) != k

    def fall(distance: float) -> float:
        """How far the profile has fallen below the limit's height; NaN where it has no maximum there."""
        start = best.copy()
        start[k] = best[k] + distance
        _, found, done = _maximum(likelihood, start, free, penalised)
        return value - found - drop if done else float("nan")

    near, far = 0.0, step
    while (there := fall(far)) < 0:
        near, far = far, 2 * far
        if abs(far) > WIDEST * abs(step):
            return float(np.sign(step)) * float("inf")
    if not np.isfinite(there):
        return float(np.sign(step)) * float("inf")

    def height(distance: float) -> float:
        found = fall(distance)
        return found if np.isfinite(found) else there

    return float(best[k] + brentq(height, near, far, xtol=LIMIT_TOLERANCE * max(1.0, abs(step))))


def logistic_likelihood(design: np.ndarray, event: np.ndarray) -> Likelihood:
    """Log likelihood of logistic regression; design (n, p) with its column of ones, event (n,) 0 or 1."""
    from scipy.special import expit

    def of(beta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        linear = design @ beta
        p = expit(linear)
        value = float((event * linear - np.logaddexp(0.0, linear)).sum())
        return value, design.T @ (event - p), (design * (p * (1 - p))[:, None]).T @ design

    return of


def maximum(likelihood: Likelihood, size: int) -> tuple[np.ndarray, float, bool]:
    """Maximum of an unpenalised likelihood: coefficients, log likelihood, whether the steps ended.

    One event in four against three in four: log odds ratio log 9:

    >>> design = np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)])
    >>> found = maximum(logistic_likelihood(design, np.array([1.0, 0, 0, 0, 1, 1, 1, 0])), 2)
    >>> found[0].round(3).tolist(), found[2]
    ([-1.099, 2.197], True)
    """
    return _maximum(likelihood, np.zeros(size), np.ones(size, bool), penalised=False)


def estimate(likelihood: Likelihood, size: int, penalised: bool) -> tuple[np.ndarray, bool]:
    """Coefficients alone, without limits, and whether the steps ended."""
    best, _, done = _maximum(likelihood, np.zeros(size), np.ones(size, bool), penalised)
    return best, done
