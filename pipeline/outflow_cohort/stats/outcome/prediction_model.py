"""Penalised logistic model of an outcome: fit, calibration, decision curve, optimism. Probabilities are fractions of 1.

The penalty is a ridge on standardised predictors; the intercept is not penalised. Optimism by bootstrap of the cases,
the model refitted in each draw (Harrell 2015, Regression Modeling Strategies, sec. 5.3; Efron 1983).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

MODEL_SOURCE = "le Cessie & van Houwelingen 1992 Appl Stat 41:191 (ridge logistic)"
CALIBRATION_SOURCE = "Cox 1958 Biometrika 45:562; Van Calster 2016 J Clin Epidemiol 74:167"
DECISION_SOURCE = "Vickers & Elkin 2006 Med Decis Making 26:565"
BRIER_SOURCE = "Brier 1950 Mon Weather Rev 78:1"
MOST_STEPS = 100
TOLERANCE = 1e-10
"""Newton steps end when no coefficient moves by more than this (standardised predictors)."""
EDGE = 1e-12
"""Probabilities are kept this far from 0 and 1 before their logit is taken."""


@dataclass(frozen=True)
class LogisticFit:
    """Intercept and coefficients (of the predictors as given), the centres and scales used; status `ok` or a reason."""

    intercept: float
    coefficients: np.ndarray
    status: str

    def probability(self, predictors: np.ndarray) -> np.ndarray:
        """(n,) chance of the event from (n, p) predictors."""
        return _expit(self.intercept + np.asarray(predictors, np.float64) @ self.coefficients)


def _expit(x: np.ndarray) -> np.ndarray:
    from scipy.special import expit

    return np.asarray(expit(x))


def fit_logistic(predictors: np.ndarray, event: np.ndarray, penalty: float = 1.0) -> LogisticFit:
    """Ridge logistic regression by Newton's method; penalty / 2 x sum of squared standardised coefficients is added to
    minus the log likelihood. penalty 0 = maximum likelihood.

    predictors : (n, p) finite; event : (n,) 0 or 1. Status `one_outcome`, `constant_values`, `not_converged`. Raises
    ValueError for other shapes.

    One event in four without the sign and three in four with it: the intercept is -log 3, the coefficient log 9:

    >>> sign, event = np.repeat([0.0, 1.0], 4)[:, None], np.array([1, 0, 0, 0, 1, 1, 1, 0])
    >>> fit = fit_logistic(sign, event, penalty=0.0)
    >>> round(fit.intercept, 3), round(float(fit.coefficients[0]), 3), fit.status
    (-1.099, 2.197, 'ok')
    """
    x, y = np.asarray(predictors, np.float64), np.asarray(event, np.float64)
    if x.ndim != 2 or len(x) != len(y):
        raise ValueError(f"predictors of shape {x.shape} and {len(y)} outcomes; needed (n, p) and n")
    nan = np.full(x.shape[1], np.nan)
    if len(np.unique(y)) < 2:
        return LogisticFit(float("nan"), nan, "one_outcome")
    centre, scale = x.mean(axis=0), x.std(axis=0)
    if (scale <= 1e-12 * np.maximum(np.abs(x).max(axis=0), 1e-300)).any():
        return LogisticFit(float("nan"), nan, "constant_values")
    design = np.column_stack([np.ones(len(x)), (x - centre) / scale])
    ridge = np.diag([0.0, *[penalty] * x.shape[1]])
    beta = np.zeros(design.shape[1])
    beta[0] = np.log(y.mean() / (1 - y.mean()))
    status = "not_converged"
    for _ in range(MOST_STEPS):
        p = _expit(design @ beta)
        gradient = design.T @ (y - p) - ridge @ beta
        hessian = (design * (p * (1 - p))[:, None]).T @ design + ridge
        if np.linalg.cond(hessian) > 1e14:
            status = "separated"  # the likelihood has no maximum
            break
        step = np.linalg.solve(hessian, gradient)
        # Halving keeps Newton's step from running past the maximum.
        for _ in range(30):
            if _objective(design, y, beta + step, ridge) >= _objective(design, y, beta, ridge) - 1e-12:
                break
            step = step / 2
        beta = beta + step
        if np.abs(step).max() < TOLERANCE:
            status = "ok"
            break
    coefficients = beta[1:] / scale
    return LogisticFit(float(beta[0] - (coefficients * centre).sum()), coefficients, status)


def _objective(design: np.ndarray, y: np.ndarray, beta: np.ndarray, ridge: np.ndarray) -> float:
    linear = design @ beta
    return float((y * linear - np.logaddexp(0, linear)).sum() - beta @ ridge @ beta / 2)


@dataclass(frozen=True)
class Calibration:
    """intercept (slope held at 1) and slope of the outcome on the model's logit, Brier score, observed / expected."""

    intercept: float
    slope: float
    brier: float
    observed_expected: float
    status: str


def calibration(probability: np.ndarray, event: np.ndarray) -> Calibration:
    """Calibration of probabilities against outcomes; status `one_outcome`, `constant_values` or `separated`.

    Chances of 1/4 and 3/4 that come true exactly (intercept 0, slope 1, Brier score 3/16):

    >>> found = calibration(np.repeat([0.25, 0.75], 4), np.array([1, 0, 0, 0, 1, 1, 1, 0]))
    >>> abs(round(found.intercept, 3)), round(found.slope, 3), round(found.brier, 4)
    (0.0, 1.0, 0.1875)
    """
    p = np.clip(np.asarray(probability, np.float64), EDGE, 1 - EDGE)
    y = np.asarray(event, np.float64)
    brier, ratio = float(((p - y) ** 2).mean()), float(y.sum() / p.sum())
    logit = np.log(p / (1 - p))
    fit = fit_logistic(logit[:, None], y, penalty=0.0)
    if fit.status in ("one_outcome", "constant_values"):
        return Calibration(float("nan"), float("nan"), brier, ratio, fit.status)
    shift = 0.0
    for _ in range(MOST_STEPS):
        q = _expit(logit + shift)
        step = (y - q).sum() / max((q * (1 - q)).sum(), 1e-300)
        shift += float(np.clip(step, -2, 2))
        if abs(step) < TOLERANCE:
            break
    slope = float(fit.coefficients[0]) if fit.status == "ok" else float("nan")
    return Calibration(shift, slope, brier, ratio, fit.status)


def net_benefit(probability: np.ndarray, event: np.ndarray, thresholds: Sequence[float]) -> np.ndarray:
    """(n_thresholds, 2) net benefit of acting at or above each threshold probability, and of acting on everyone.

    At a threshold of 0.2 three are acted on, two of them rightly: (2 - 1 x 0.25) / 4; everyone: (2 - 2 x 0.25) / 4:

    >>> net_benefit(np.array([0.1, 0.3, 0.6, 0.9]), np.array([0, 0, 1, 1]), [0.2]).round(4).tolist()
    [[0.4375, 0.375]]
    """
    p, y = np.asarray(probability, np.float64), np.asarray(event, np.float64)
    out = np.empty((len(thresholds), 2))
    for row, threshold in enumerate(thresholds):
        odds = threshold / (1 - threshold)
        act = p >= threshold
        out[row, 0] = (y[act].sum() - odds * (1 - y[act]).sum()) / len(y)  # Vickers & Elkin 2006
        out[row, 1] = y.mean() - odds * (1 - y.mean())
    return out


@dataclass(frozen=True)
class Optimism:
    """Mean over draws of (figure in the draw - figure of the draw's model in all cases) of area and Brier score; median
    calibration slope of the draws' models in all cases (a mean would follow single draws with next to no slope); number
    of draws used."""

    area: float
    slope: float
    brier: float
    n_draws: int


def model_optimism(predictors: np.ndarray, event: np.ndarray, penalty: float, n_draws: int, seed: int) -> Optimism:
    """Optimism of area, calibration slope and Brier score of the model by bootstrap of the cases.

    Invented cases; a model looks better in the cases that made it than in others:

    >>> value, event = np.array([1, 2, 3, 4, 5, 6, 7, 8.0])[:, None], np.array([0, 0, 1, 0, 1, 0, 1, 1])
    >>> found = model_optimism(value, event, penalty=1.0, n_draws=50, seed=1)
    >>> found.n_draws, round(float(found.area), 4) > 0
    (49, True)
    """
    from outflow_cohort.stats.kernels.roc import roc_area

    x, y = np.asarray(predictors, np.float64), np.asarray(event, np.float64)
    random = np.random.default_rng(seed)
    found = []
    for _ in range(n_draws):
        rows = random.integers(0, len(y), len(y))
        fit = fit_logistic(x[rows], y[rows], penalty)
        if fit.status != "ok":
            continue
        inside, outside = fit.probability(x[rows]), fit.probability(x)
        b = calibration(outside, y)
        brier = float(((inside - y[rows]) ** 2).mean()) - b.brier
        areas = roc_area(inside, y[rows], "high").area - roc_area(outside, y, "high").area
        found.append((areas, b.slope, brier))
    if not found:
        return Optimism(float("nan"), float("nan"), float("nan"), 0)
    table = np.array(found)
    slopes = table[:, 1][np.isfinite(table[:, 1])]
    slope = float(np.median(slopes)) if len(slopes) else float("nan")
    return Optimism(float(table[:, 0].mean()), slope, float(table[:, 2].mean()), len(found))
