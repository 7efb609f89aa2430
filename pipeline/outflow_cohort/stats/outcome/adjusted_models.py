"""Yes/no outcomes on a measure and chosen covariates by logistic regression, penalised where events are few."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.covariates import covariates_of
from outflow_cohort.stats.kernels import firth, imputation
from outflow_cohort.stats.outcome.question import PREDICTOR, Question
from outflow_cohort.stats.outcome.regression_rows import EVENTS_A_SLOPE, Regression, regression_rows, spline_rows

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import AdjustedModel, StatisticsSettings

LOGISTIC_SOURCE = "Cox 1958 JRSS B 20:215 (logistic regression)"
COLUMNS = [
    "outcome", *PREDICTOR, "model", "statistic", "term", "estimate", "std_error", "df", "ci_low", "ci_high", "p_value",
    "n", "n_events", "n_missing", "status", "phase_rule", "readings_rule", "definition", "source",
]  # fmt: skip
CURVE_COLUMNS = [
    "outcome", *PREDICTOR, "model", "value", "estimate", "ci_low", "ci_high", "n", "n_events", "definition", "source",
]  # fmt: skip


def adjusted_rows(
    cases: pd.DataFrame, questions: Sequence[Question], model: AdjustedModel, settings: StatisticsSettings
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of the model of each measure (complete cases; others counted in n_missing), and curves of splines."""
    adjust = covariates_of(cases, model.covariates)
    text = " + ".join(["measure", *model.covariates])
    rows: list[dict[str, Any]] = []
    curves: list[dict[str, Any]] = []
    for q in questions:
        good = np.isfinite(q.value) & np.isfinite(q.event) & np.isfinite(adjust.values).all(axis=1)
        value, event, covariates = q.value[good], q.event[good], adjust.values[good]
        n_events = int(min(event.sum(), len(event) - event.sum()))
        common = {k: q.names[k] for k in ("outcome", *PREDICTOR)} | {
            "model": f"logistic: {text}; complete cases",
            "n": int(good.sum()),
        }
        common |= {"n_events": int(event.sum()), "n_missing": int((~good).sum())}

        def likelihood(design: np.ndarray, event: np.ndarray = event) -> firth.Likelihood:
            return firth.logistic_likelihood(design, event)

        regression = Regression(likelihood, "odds_ratio", LOGISTIC_SOURCE, intercept=True)
        found = regression_rows(
            regression, value, covariates, adjust.names, n_events, firth_rule=model.firth,
            fewest_events=settings.fewest_events, confidence=settings.confidence,
        )  # fmt: skip
        if model.spline_knots and found[0]["status"] == "ok":
            test, curve = spline_rows(regression, value, covariates, model.spline_knots, settings.confidence)
            found += test
            curves += [common | row for row in curve]
        rows += [common | row for row in found]
        known = np.isfinite(q.event)
        if settings.imputations and not good[known].all() and found[0]["status"] == "ok":
            table = np.column_stack([q.event, q.value, adjust.values])[known]
            filled = _imputed_rows(table, adjust.names, model, settings)
            gaps = {"model": f"logistic: {text}; gaps filled {settings.imputations} times", "n": len(table)}
            gaps |= {"n_events": int(table[:, 0].sum()), "n_missing": int((~known).sum())}
            rows += [common | gaps | row for row in filled]
    return rows, curves


def _imputed_rows(
    table: np.ndarray, names: Sequence[str], model: AdjustedModel, settings: StatisticsSettings
) -> list[dict[str, Any]]:
    """Odds ratios over filled copies of (event, measure, covariates); the SD is that of the measured values."""
    terms = ["measure, per SD", *names]
    blank = {"statistic": "odds_ratio", "term": terms[0], "estimate": np.nan, "definition": "not fitted"}
    try:
        copies = imputation.impute(table, settings.imputations, settings.seed)
    except ValueError:
        return [blank | {"status": "too_few_values", "source": imputation.SOURCE}]
    spread = float(np.nanstd(table[:, 1], ddof=1))
    events = min(table[:, 0].sum(), len(table) - table[:, 0].sum())
    penalised = model.firth == "always" or (model.firth == "auto" and events < EVENTS_A_SLOPE * len(terms))
    found = []
    for copy in copies:
        columns = (copy[:, 1:] - copy[:, 1:].mean(axis=0)) / np.append(spread, np.ones(len(names)))
        design = np.column_stack([np.ones(len(copy)), columns])
        likelihood = firth.logistic_likelihood(design, copy[:, 0])
        best, done = firth.estimate(likelihood, design.shape[1], penalised)
        if not done:
            return [blank | {"status": "not_converged", "source": imputation.SOURCE}]
        found.append((best[1:], np.sqrt(np.diag(np.linalg.inv(likelihood(best)[2])))[1:]))
    rows = []
    for k, term in enumerate(terms):
        estimates, errors = (np.array([f[i][k] for f in found]) for i in (0, 1))
        pooled = imputation.pool(estimates, errors, len(table) - len(terms) - 1, settings.confidence)
        text = f"Rubin's rules; {100 * pooled.missing_information:.0f} % of the information is missing"
        rows.append(
            {"statistic": "odds_ratio", "term": term, "estimate": float(np.exp(pooled.estimate)), "df": pooled.df}
            | {"std_error": pooled.std_error, "ci_low": float(np.exp(pooled.ci_low))}
            | {"ci_high": float(np.exp(pooled.ci_high)), "p_value": pooled.p_value, "status": "ok"}
            | {"definition": f"{text}; std_error is that of its logarithm"}
            | {"source": f"{LOGISTIC_SOURCE}; {imputation.SOURCE}"}
        )
    return rows
