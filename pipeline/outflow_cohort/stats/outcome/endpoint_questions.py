"""The endpoint tables of a study: every outcome against every predictor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.cohort.cutoffs import AREA
from outflow_cohort.stats.data.dask_scheduler import compute_each
from outflow_cohort.stats.data.one_value import is_plain
from outflow_cohort.stats.data.outcome_columns import events_of
from outflow_cohort.stats.kernels.roc import DELONG_SOURCE
from outflow_cohort.stats.outcome import endpoints as endpoint
from outflow_cohort.stats.outcome import question

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import Outcome, Predictor, StatisticsSettings


def matching(chosen: pd.DataFrame, predictor: Predictor) -> pd.Series:
    """Whether the predictor names each row; an empty name matches all, an empty variant all plain ones."""
    same = chosen["measure"] == predictor.measure
    if not predictor.variant:
        same &= is_plain(chosen["variant"])
    for column in ("variant", "method", "plan_id"):
        wanted = getattr(predictor, column)
        if wanted:
            same &= chosen[column] == wanted
    return same


def questions_of(
    cases: pd.DataFrame,
    chosen: pd.DataFrame,
    outcome: Outcome,
    cutoffs: Sequence[Mapping[str, Any]],
    settings: StatisticsSettings,
) -> list[question.Question]:
    """One question a quantity, in the order of the predictors; case by case in the order of the case table."""
    event = events_of(cases, outcome)
    found: dict[tuple[str, ...], question.Question] = {}
    listed = tuple((float(c["area_mm2"]), str(c.get("rule") or ""), str(c["cutoff_id"])) for c in cutoffs)
    for predictor in settings.predictors:
        rows = chosen[matching(chosen, predictor)]
        own = tuple((c, "", f"given_{c:g}") for c in predictor.cutoffs)
        for key, part in rows.groupby(question.PREDICTOR, sort=True):
            value = cases["case_id"].map(part.set_index("case_id")["value"]).to_numpy(np.float64)
            names = {"outcome": outcome.column, "endpoint": outcome.endpoint}
            names |= dict(zip(question.PREDICTOR, key, strict=True))
            asked = own + (listed if predictor.measure == AREA else ())
            found.setdefault(key, question.Question(names, predictor.risk, value, event, asked))
    return list(found.values())


def model_tables(
    cases: pd.DataFrame, chosen: pd.DataFrame, groups: pd.Series, settings: StatisticsSettings, rule: str
) -> dict[str, pd.DataFrame]:
    """Tables adjusted_models, time_to_event, survival_curves, model_curves; empty where the settings ask for none."""
    import pandas as pd

    from outflow_cohort.stats.outcome import adjusted_models as adjusted
    from outflow_cohort.stats.outcome import time_to_event as timed

    rows: dict[str, list[dict[str, Any]]] = {"adjusted_models": [], "time_to_event": [], "survival_curves": []}
    curves: list[dict[str, Any]] = []
    by_column = {o.column: o for o in settings.outcomes}
    for model in settings.adjusted_models:
        questions = questions_of(cases, chosen, by_column[model.outcome], [], settings)
        found, curve = adjusted.adjusted_rows(cases, questions, model, settings)
        rows["adjusted_models"] += found
        curves += curve
    for outcome in settings.time_to_event:
        seen = timed.follow_up(cases, groups, outcome)
        found, curve = timed.survival_rows(seen, outcome, settings)
        rows["time_to_event"] += found
        rows["survival_curves"] += curve
        for names, value in measures_of(cases, chosen, settings):
            found, curve = timed.hazard_rows(cases, seen, names, value, outcome, settings)
            rows["time_to_event"] += found
            curves += curve
    tables = {
        "adjusted_models": pd.DataFrame(rows["adjusted_models"], columns=adjusted.COLUMNS),
        "time_to_event": pd.DataFrame(rows["time_to_event"], columns=timed.COLUMNS),
        "survival_curves": pd.DataFrame(rows["survival_curves"], columns=timed.CURVE_COLUMNS),
        "model_curves": pd.DataFrame(curves, columns=adjusted.CURVE_COLUMNS),
    }
    tables["adjusted_models"]["phase_rule"] = settings.phase_rule
    tables["adjusted_models"]["readings_rule"] = rule
    for frame in tables.values():
        for column in ("term", "model", "group", *question.PREDICTOR):
            if column in frame:
                frame[column] = frame[column].astype(object).where(frame[column].notna(), "").astype(str)
        for column in ("n", "n_events", "n_missing", "n_at_risk"):
            if column in frame:
                frame[column] = frame[column].astype("Int64")
    return tables


def measures_of(
    cases: pd.DataFrame, chosen: pd.DataFrame, settings: StatisticsSettings
) -> list[tuple[dict[str, str], np.ndarray]]:
    """Names and values (case by case, NaN = missing) of every quantity that the predictors name."""
    found: dict[tuple[str, ...], np.ndarray] = {}
    for predictor in settings.predictors:
        rows = chosen[matching(chosen, predictor)]
        for key, part in rows.groupby(question.PREDICTOR, sort=True):
            value = cases["case_id"].map(part.set_index("case_id")["value"]).to_numpy(np.float64)
            found.setdefault(tuple(str(k) for k in key), value)
    return [(dict(zip(question.PREDICTOR, key, strict=True)), value) for key, value in found.items()]


def endpoint_tables(
    cases: pd.DataFrame,
    chosen: pd.DataFrame,
    cutoffs: Sequence[Mapping[str, Any]],
    settings: StatisticsSettings,
    rule: str,
    scheduler: str | None,
) -> dict[str, pd.DataFrame]:
    """Tables endpoints, roc_curves, decision_curves, dose_response; empty where the study names no outcome."""
    import pandas as pd

    columns = {
        "endpoints": question.ENDPOINT_COLUMNS,
        "roc_curves": question.CURVE_COLUMNS,
        "decision_curves": question.DECISION_COLUMNS,
        "dose_response": question.DOSE_COLUMNS,
        "calibration_curves": question.CALIBRATION_COLUMNS,
    }
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in columns}
    for outcome in settings.outcomes:
        questions = questions_of(cases, chosen, outcome, cutoffs, settings)
        for predictor in settings.predictors:
            if not matching(chosen, predictor).any():
                absent = {"outcome": outcome.column, "endpoint": outcome.endpoint, "measure": predictor.measure}
                absent |= {"variant": predictor.variant, "method": predictor.method, "plan_id": predictor.plan_id}
                text = "area under the ROC curve"
                absent |= {"risk": predictor.risk, "statistic": "auc", "definition": text}
                rows["endpoints"].append(absent | {"status": "not_measured", "source": DELONG_SOURCE})
        answers = compute_each(partial(endpoint.answer, settings=settings), questions, scheduler)
        for found in answers:
            rows["endpoints"] += found.endpoints
            rows["roc_curves"] += found.curve
            rows["decision_curves"] += found.decision
            rows["dose_response"] += found.dose
            rows["calibration_curves"] += found.calibration
        if len(questions) > 1:
            rows["endpoints"] += endpoint.comparison_rows(questions, settings)
    endpoint.adjusted(rows["endpoints"], settings.area_families)
    tables = {name: pd.DataFrame(rows[name], columns=columns[name]) for name in columns}
    tables["endpoints"]["phase_rule"], tables["endpoints"]["readings_rule"] = settings.phase_rule, rule
    for name, frame in tables.items():
        for column in frame.columns:
            if column in ("n", "n_events", "n_non_events", "n_missing", "quantile_group"):
                frame[column] = frame[column].astype("Int64")
            elif column in question.KEYS or column in question.TEXT_COLUMNS:
                frame[column] = frame[column].astype(object).where(frame[column].notna(), "").astype(str)
        tables[name] = frame
    return tables
