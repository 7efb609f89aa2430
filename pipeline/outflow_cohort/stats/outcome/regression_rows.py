"""Rows of a regression of an outcome on a measure and covariates: odds or hazard ratios, and a spline."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from outflow_cohort.stats.kernels import firth, spline

EVENTS_A_SLOPE = 10
"""Fewer events per coefficient than this call for Firth's penalty: Peduzzi 1996 J Clin Epidemiol 49:1373."""
CURVE_POINTS = 25


@dataclass(frozen=True)
class Regression:
    """likelihood : of (n, p) columns; ratio : name of the exponentiated coefficient; source : of the model;
    intercept : whether the first coefficient is a constant."""

    likelihood: Callable[[np.ndarray], firth.Likelihood]
    ratio: str
    source: str
    intercept: bool


def regression_rows(
    regression: Regression,
    measure: np.ndarray,
    covariates: np.ndarray,
    names: Sequence[str],
    n_events: int,
    *,
    firth_rule: str,
    fewest_events: int,
    confidence: float,
) -> list[dict[str, Any]]:
    """One row per coefficient: ratio per SD of the measure, per unit of each covariate.

    firth_rule : auto (penalised where events per coefficient are fewer than EVENTS_A_SLOPE), always, never. Complete
    cases only. Status too_few_events, constant_values or collinear without figures.
    """
    spread = float(measure.std(ddof=1)) if len(measure) > 1 else 0.0
    terms = ["measure, per SD", *names]
    columns = np.column_stack([measure, covariates]) if len(measure) else np.zeros((0, len(terms)))
    scale = np.append(spread, np.ones(covariates.shape[1]))
    reason = ""
    if n_events < fewest_events:
        reason = "too_few_events"
    elif not spread > 0:
        reason = "constant_values"
    elif np.linalg.matrix_rank((columns - columns.mean(axis=0)) / np.maximum(columns.std(axis=0), 1e-300)) < len(terms):
        reason = "collinear"
    if reason:
        return [_blank(regression, terms[0], reason)]
    centred = (columns - columns.mean(axis=0)) / scale
    offset = int(regression.intercept)
    design = np.column_stack([np.ones(len(centred)), centred]) if offset else centred
    penalised = firth_rule == "always" or (firth_rule == "auto" and n_events < EVENTS_A_SLOPE * len(terms))
    fit = firth.fit_firth(regression.likelihood(design), design.shape[1], confidence=confidence, penalised=penalised)
    how = "Firth's penalty, profile interval" if penalised else "maximum likelihood, profile interval"
    source = f"{regression.source}; {firth.SOURCE}" if penalised else regression.source
    rows = []
    for k, term in enumerate(terms):
        value, low, high = (float(np.exp(v[k + offset])) for v in (fit.coefficients, fit.ci_low, fit.ci_high))
        rows.append(
            {"statistic": regression.ratio, "term": term, "estimate": value, "ci_low": low, "ci_high": high}
            | {"std_error": float(fit.std_errors[k + offset]), "p_value": float(fit.p_values[k + offset])}
            | {"status": fit.status if np.isfinite(high) or fit.status != "ok" else "no_upper_limit"}
            | {"definition": f"{how}; std_error is that of its logarithm", "source": source}
        )
    return rows


def _blank(regression: Regression, term: str, reason: str) -> dict[str, Any]:
    return {
        "statistic": regression.ratio, "term": term, "estimate": np.nan, "status": reason,
        "definition": "not fitted", "source": regression.source,
    }  # fmt: skip


def spline_rows(
    regression: Regression, measure: np.ndarray, covariates: np.ndarray, number: int, confidence: float
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Test of curvature, and the curve: ratio against the median of the measure with pointwise interval."""
    from scipy.special import chdtrc, ndtri

    knots = spline.knots_of(measure, number)
    if len(np.unique(knots)) < number:
        return [_blank(regression, "curvature", "knots_coincide") | {"statistic": "curvature_test"}], []
    middle = float(np.median(measure))
    raw = spline.spline_basis(measure, knots)
    centre, scale = spline.spline_basis(np.array([middle]), knots)[0], raw.std(axis=0)
    offset = int(regression.intercept)
    others = covariates - covariates.mean(axis=0)

    def maximised(basis: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, bool]:
        parts = [np.ones(len(measure))[:, None]] * offset + [basis, others]
        likelihood = regression.likelihood(np.column_stack(parts))
        beta, value, done = firth.maximum(likelihood, parts_width(parts))
        return beta, np.linalg.inv(likelihood(beta)[2]), value, done

    basis = (raw - centre) / scale
    beta, covariance, value, done = maximised(basis)
    _, _, straight, also = maximised(basis[:, :1])
    if not (done and also):
        return [_blank(regression, "curvature", "not_converged") | {"statistic": "curvature_test"}], []
    chi, df = 2 * (value - straight), number - 2
    test = {
        "statistic": "curvature_test", "term": "curvature", "estimate": chi, "df": df,
        "p_value": float(chdtrc(df, max(chi, 0.0))), "status": "ok", "source": spline.SOURCE,
        "definition": f"likelihood ratio chi-square of {number} knots against a straight line",
    }  # fmt: skip
    own = slice(offset, offset + basis.shape[1])
    first, last = np.quantile(measure, [0.05, 0.95]).tolist()
    at = np.linspace(first, last, CURVE_POINTS)
    points = (spline.spline_basis(at, knots) - centre) / scale
    log_ratio = points @ beta[own]
    half = float(ndtri((1 + confidence) / 2)) * np.sqrt(np.einsum("ij,jk,ik->i", points, covariance[own, own], points))
    text = (
        f"{regression.ratio.replace('_', ' ')} against the median {middle:.6g}; restricted cubic spline, {number} knots"
    )
    curve = [
        {"value": v, "estimate": e, "ci_low": low, "ci_high": high, "definition": text, "source": spline.SOURCE}
        for v, e, low, high in zip(
            at.tolist(), np.exp(log_ratio).tolist(), np.exp(log_ratio - half).tolist(),
            np.exp(log_ratio + half).tolist(), strict=True,
        )
    ]  # fmt: skip
    return [test], curve


def parts_width(parts: Sequence[np.ndarray]) -> int:
    """Columns of parts laid side by side."""
    return sum(part.shape[1] for part in parts)
