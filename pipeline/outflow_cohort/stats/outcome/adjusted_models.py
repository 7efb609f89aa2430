"""Yes/no outcomes on a measure and chosen covariates by logistic regression, penalised where events are few."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.covariates import covariates_of
from outflow_cohort.stats.kernels import firth
from outflow_cohort.stats.outcome.endpoints import PREDICTOR, Question
from outflow_cohort.stats.outcome.regression_rows import Regression, regression_rows, spline_rows

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
        common = {k: q.names[k] for k in ("outcome", *PREDICTOR)} | {"model": f"logistic: {text}", "n": int(good.sum())}
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
    return rows, curves
