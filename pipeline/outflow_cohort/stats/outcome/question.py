"""A measure against an outcome: the question, its answer, and the columns of the tables that hold it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from outflow_cohort.stats.data.settings import Risk

PREDICTOR = ["plan_id", "measure", "variant", "method", "unit"]
KEYS = ["outcome", "endpoint", *PREDICTOR, "risk"]
ENDPOINT_COLUMNS = [
    *KEYS, "statistic", "compared_with", "cutoff", "cutoff_id", "estimate", "ci_low", "ci_high", "p_value", "p_holm",
    "family", "n", "n_events", "n_non_events", "n_missing", "status", "warning", "phase_rule", "readings_rule",
    "definition", "source",
]  # fmt: skip
TEXT_COLUMNS = ("statistic", "compared_with", "cutoff_id", "warning", "status", "family")
CURVE_COLUMNS = [*KEYS, "cutoff", "sensitivity", "specificity", "n_events", "n_non_events", "definition", "source"]
DECISION_COLUMNS = [
    *KEYS, "threshold", "net_benefit", "net_benefit_all", "net_benefit_none", "n", "n_events", "warning", "definition",
    "source",
]  # fmt: skip
DOSE_COLUMNS = [
    *KEYS, "quantile_group", "from_value", "to_value", "median", "n", "n_events", "estimate", "ci_low", "ci_high",
    "trend_p", "status", "warning", "definition", "source",
]  # fmt: skip
CALIBRATION_COLUMNS = [
    *KEYS, "quantile_group", "predicted", "n", "n_events", "estimate", "ci_low", "ci_high", "definition", "source",
]  # fmt: skip


@dataclass(frozen=True)
class Question:
    """One measure against one outcome, a value and an outcome a case (NaN = missing), with the cut-offs asked for."""

    names: dict[str, str]
    risk: Risk
    value: np.ndarray
    event: np.ndarray
    cutoffs: tuple[tuple[float, str, str], ...]
    """(value, rule, name)"""


@dataclass(frozen=True)
class Answer:
    """Rows of the tables endpoints, roc_curves, decision_curves, dose_response."""

    endpoints: list[dict[str, Any]]
    curve: list[dict[str, Any]]
    decision: list[dict[str, Any]]
    dose: list[dict[str, Any]]
    calibration: list[dict[str, Any]]
