"""A yes/no outcome of the case table against the measures: discrimination, cut-offs, model, dose and response.

Cut-offs are in the unit of the measure; everything else has unit 1. The direction of risk is that of the settings. Rows
with fewer events or non-events than `few_events` carry the warning `few_events` (Peduzzi 1996 J Clin Epidemiol 49:1373:
ten events an estimated slope).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.kernels import roc
from outflow_cohort.stats.kernels.comparisons import holm
from outflow_cohort.stats.kernels.proportions import SOURCE as SHARE_SOURCE
from outflow_cohort.stats.kernels.proportions import share
from outflow_cohort.stats.kernels.two_by_two import SOURCE as RATIO_SOURCE
from outflow_cohort.stats.kernels.two_by_two import likelihood_ratio, two_by_two
from outflow_cohort.stats.outcome import prediction_model as model
from outflow_cohort.stats.outcome.question import (
    PREDICTOR,
    Answer,
    Question,
)

if TYPE_CHECKING:
    from outflow_cohort.stats.data.settings import StatisticsSettings

MODEL = model.MODEL_SOURCE
FOLDS = 10
CROSS_VALIDATION_SOURCE = "Stone 1974 JRSS B 36:111 (cross-validation); Harrell 2015 sec. 5.3"
COUNT_SOURCE = "counted; two-by-two table of STARD 2015 (Bossuyt et al. 2015 BMJ 351:h5527)"
THRESHOLDS = tuple(round(0.05 * i, 2) for i in range(1, 13))
"""Threshold probabilities of the decision curve, 5 to 60 %: common practice, no source."""


def answer(question: Question, settings: StatisticsSettings) -> Answer:
    """All figures of one question; where they are missing, rows with the reason as status."""
    value, event = question.value, question.event
    good = np.isfinite(value) & np.isfinite(event)
    n_events = int((event[good] == 1).sum())
    n_others = int(good.sum()) - n_events
    warning = "few_events" if min(n_events, n_others) < settings.few_events else ""
    common = question.names | {"risk": question.risk, "n": int(good.sum()), "n_events": n_events, "warning": warning}
    common |= {"n_non_events": n_others, "n_missing": int((~good).sum())}
    kept = Question(question.names, question.risk, value[good], event[good], question.cutoffs)
    if min(n_events, n_others) < settings.fewest_events:
        rows = _withheld_rows(n_events, n_others, settings) + _given_rows(kept, settings, with_curve=False)
        return Answer([common | row for row in rows], [], [], [common | row for row in _dose_rows(kept, settings)], [])
    rows = [common | row for row in _area_rows(kept, settings)]
    rows += [common | row for row in _given_rows(kept, settings)]
    rows += [common | row for row in _youden_rows(kept, settings)]
    fitted = _model_rows(kept, settings)
    rows += [common | row for row in fitted[0]]
    return Answer(
        rows,
        [common | row for row in _curve_rows(kept)],
        [common | row for row in fitted[1]],
        [common | row for row in _dose_rows(kept, settings)],
        [common | row for row in calibration_rows(kept, settings)],
    )


def _withheld_rows(n_events: int, n_others: int, settings: StatisticsSettings) -> list[dict[str, Any]]:
    """What is not computed from so few events, and why."""
    scarce = "events" if n_events < settings.fewest_events else "non_events"
    count = n_events if scarce == "events" else n_others
    reason = f"withheld: {count} {scarce.replace('_', '-')}; needed {settings.fewest_events} (statistics.fewest_events)"
    figures = (
        ("auc", "area under the ROC curve", roc.DELONG_SOURCE),
        ("youden_cutoff", "cut-off of the largest J", roc.YOUDEN_SOURCE),
        ("model_auc", "ridge logistic model and decision curve", model.MODEL_SOURCE),
    )
    return [
        _row(name, float("nan"), f"{text}; {reason}", source) | {"status": f"too_few_{scarce}"}
        for name, text, source in figures
    ]


def _row(statistic: str, estimate: float, definition: str, source: str, **more: Any) -> dict[str, Any]:
    known = np.isfinite(estimate)
    return {
        "statistic": statistic,
        "estimate": estimate,
        "definition": definition,
        "source": source,
        "status": "ok" if known else "not_defined",
    } | more


def _area_rows(q: Question, settings: StatisticsSettings) -> list[dict[str, Any]]:
    found = roc.roc_area(q.value, q.event, q.risk, confidence=settings.confidence)
    text = f"area under the ROC curve; {q.risk} values carry the risk"
    low, high = found.logit_low, found.logit_high
    row = _row("auc", found.area, f"{text}; interval on the logit scale", roc.DELONG_SOURCE, ci_low=low, ci_high=high)
    return [row | {"status": found.status}]


def _positive(q: Question, cutoff: float, rule: str = "") -> np.ndarray:
    """Whether each case counts as at risk: at or beyond the cut-off (rule below: under it)."""
    if q.risk == "high":
        return q.value >= cutoff
    return q.value < cutoff if rule == "below" else q.value <= cutoff


def _rates(positive: np.ndarray, event: np.ndarray, confidence: float) -> dict[str, Any]:
    """Sensitivity, specificity and predictive values with Wilson intervals."""
    yes, no = event == 1, event == 0
    return {
        "sensitivity": share(int((positive & yes).sum()), int(yes.sum()), confidence=confidence),
        "specificity": share(int((~positive & no).sum()), int(no.sum()), confidence=confidence),
        "positive_predictive_value": share(int((positive & yes).sum()), int(positive.sum()), confidence=confidence),
        "negative_predictive_value": share(int((~positive & no).sum()), int((~positive).sum()), confidence=confidence),
    }


def _two_by_two_rows(positive: np.ndarray, event: np.ndarray, confidence: float) -> list[dict[str, Any]]:
    """Counts of the two-by-two table, and likelihood ratios with intervals on the log scale."""
    table = two_by_two(positive, event)
    counts = (
        ("true_positives", table[0, 0]), ("false_positives", table[0, 1]), ("false_negatives", table[1, 0]),
        ("true_negatives", table[1, 1]),
    )  # fmt: skip
    rows = [_row(n, float(c), f"{n.replace('_', ' ')} at the given cut-off", COUNT_SOURCE) for n, c in counts]
    for name, line in (("positive_likelihood_ratio", 0), ("negative_likelihood_ratio", 1)):
        ratio, low, high, status = likelihood_ratio(table, line, confidence)
        text = f"{name.replace('_', ' ')} at the given cut-off"
        rows.append(_row(name, ratio, text, RATIO_SOURCE, ci_low=low, ci_high=high) | {"status": status})
    return rows


def _given_rows(q: Question, settings: StatisticsSettings, with_curve: bool = True) -> list[dict[str, Any]]:
    """Two-by-two table of each given cut-off; specificity at the given sensitivities where the curve is drawn."""
    rows = []
    for cutoff, rule, name in q.cutoffs:
        positive = _positive(q, cutoff, rule)
        place = {"cutoff": cutoff, "cutoff_id": name}
        for statistic, found in _rates(positive, q.event, settings.confidence).items():
            rows.append(
                _row(statistic, found.estimate, f"{statistic.replace('_', ' ')} at the given cut-off", SHARE_SOURCE)
                | {"ci_low": found.ci_low, "ci_high": found.ci_high, "status": found.status}
                | place
            )
        rows += [row | place for row in _two_by_two_rows(positive, q.event, settings.confidence)]
    if not with_curve:
        return rows
    curve = roc.roc_curve(q.value, q.event, q.risk)
    for wanted in settings.given_sensitivities:
        reached = np.flatnonzero(curve.sensitivity >= wanted - 1e-12)
        if not len(reached):
            continue
        cutoff = float(curve.cutoff[reached[0]])
        found = _rates(_positive(q, cutoff), q.event, settings.confidence)["specificity"]
        text = f"specificity at the first cut-off with sensitivity {wanted:g} or more, found in the same cases"
        rows.append(
            _row("specificity_at_sensitivity", found.estimate, text, SHARE_SOURCE)
            | {"ci_low": found.ci_low, "ci_high": found.ci_high, "cutoff": cutoff, "cutoff_id": f"sens_{wanted:g}"}
        )
    return rows


def _youden_rows(q: Question, settings: StatisticsSettings) -> list[dict[str, Any]]:
    best = roc.youden_point(q.value, q.event, q.risk)
    if best is None or not np.isfinite(best.cutoff):
        reason = "one_outcome" if best is None else "no_cutoff_better_than_none"
        nan = float("nan")
        return [_row("youden_cutoff", nan, "cut-off of the largest J", roc.YOUDEN_SOURCE) | {"status": reason}]
    draws = _youden_draws(q, settings)
    text = "cut-off of the largest J = sensitivity + specificity - 1 (observed value); found in the same cases"
    tail = (1 - settings.confidence) / 2
    low = high = float("nan")
    if len(draws):
        low, high = np.quantile(draws, (tail, 1 - tail), method="inverted_cdf")
    place = {"cutoff": best.cutoff, "cutoff_id": "youden"}
    boot = "percentile case bootstrap: Efron & Tibshirani 1993 ch. 13"
    rows = [
        _row("youden_cutoff", best.cutoff, text, f"{roc.YOUDEN_SOURCE}; {boot}", ci_low=low, ci_high=high) | place,
        _row("youden_index", best.index, "largest J, found in the same cases", roc.YOUDEN_SOURCE) | place,
    ]
    for statistic, found in _rates(_positive(q, best.cutoff), q.event, settings.confidence).items():
        text = f"{statistic.replace('_', ' ')} at the Youden cut-off, found in the same cases: too good"
        rows.append(
            _row(statistic, found.estimate, text, SHARE_SOURCE, ci_low=found.ci_low, ci_high=found.ci_high)
            | place
            | {"status": found.status}
        )
    found = cross_validated_youden(q, settings)
    about = (
        f"{FOLDS}-fold cross-validation, {max(settings.n_boot_model // FOLDS, 1)} times: cut-off found without the case"
    )
    for name, value in zip(("sensitivity", "specificity", "index"), found, strict=True):
        text = f"{name} at the Youden cut-off in cases that did not choose it; {about}"
        rows.append(_row(f"youden_{name}_corrected", value, text, CROSS_VALIDATION_SOURCE) | place)
    return rows


def cross_validated_youden(q: Question, settings: StatisticsSettings) -> tuple[float, float, float]:
    """Sensitivity, specificity and J of Youden cut-offs in the cases left out when they were chosen.

    In simulation (60 cases with 10 events, true J 0.24) the mean is 0.22, that of the bootstrap's optimism 0.29.
    """
    random = np.random.default_rng(settings.seed)
    event = q.event == 1
    folds = min(FOLDS, int(event.sum()), int((~event).sum()))
    rates = []
    for _ in range(max(settings.n_boot_model // FOLDS, 1)):
        fold = np.empty(len(event), dtype=np.int64)
        for members in (np.flatnonzero(event), np.flatnonzero(~event)):
            fold[random.permutation(members)] = np.arange(len(members)) % folds
        positive = np.zeros(len(event), dtype=bool)
        for number in range(folds):
            inside = fold != number
            best = roc.youden_point(q.value[inside], q.event[inside], q.risk)
            if best is not None and np.isfinite(best.cutoff):
                positive[~inside] = _positive(q, best.cutoff)[~inside]
        rates.append((positive[event].mean(), (~positive[~event]).mean()))
    sensitivity, specificity = np.mean(rates, axis=0)
    return float(sensitivity), float(specificity), float(sensitivity + specificity - 1)


def _youden_draws(q: Question, settings: StatisticsSettings) -> np.ndarray:
    """Youden cut-off of each draw of cases."""
    random = np.random.default_rng(settings.seed)
    out = []
    for _ in range(settings.n_boot_model):
        rows = random.integers(0, len(q.value), len(q.value))
        best = roc.youden_point(q.value[rows], q.event[rows], q.risk)
        if best is not None and np.isfinite(best.cutoff):
            out.append(best.cutoff)
    return np.array(out)


def _curve_rows(q: Question) -> list[dict[str, Any]]:
    curve = roc.roc_curve(q.value, q.event, q.risk)
    text = "empirical curve; a case is positive at or beyond the cut-off"
    return [
        {"cutoff": c, "sensitivity": a, "specificity": b, "definition": text, "source": roc.DELONG_SOURCE}
        for c, a, b in zip(curve.cutoff.tolist(), curve.sensitivity.tolist(), curve.specificity.tolist(), strict=True)
    ]


def _model_rows(q: Question, settings: StatisticsSettings) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of the ridge logistic model of this one measure: calibration, Brier score, optimism; decision curve."""
    predictor = q.value[:, None]
    source = f"{model.MODEL_SOURCE}; optimism: Harrell 2015 sec. 5.3"
    if len(q.value) < 2:
        return [_row("model_auc", float("nan"), "ridge logistic model", source) | {"status": "too_few_cases"}], []
    fit = model.fit_logistic(predictor, q.event, settings.penalty)
    if fit.status != "ok":
        return [_row("model_auc", float("nan"), "ridge logistic model", source) | {"status": fit.status}], []
    chance = fit.probability(predictor)
    seen = model.calibration(chance, q.event)
    area = roc.roc_area(chance, q.event, "high").area
    optimism = model.model_optimism(predictor, q.event, settings.penalty, settings.n_boot_model, settings.seed)
    about = f"ridge logistic model (penalty {settings.penalty:g}), {optimism.n_draws} draws"
    spread = float(q.value.std())
    rows = [
        _row("model_intercept", fit.intercept, f"{about}; chance = expit(intercept + coefficient x measure)", MODEL),
        _row("model_coefficient", float(fit.coefficients[0]), f"{about}; per unit of the measure", MODEL),
        _row("model_odds_ratio_per_sd", float(np.exp(fit.coefficients[0] * spread)), about, model.MODEL_SOURCE),
        _row("model_auc", area, f"{about}; in the same cases", source),
        _row("model_auc_corrected", area - optimism.area, f"{about}; less its optimism", source),
        _row("calibration_intercept", seen.intercept, f"{about}; slope held at 1", model.CALIBRATION_SOURCE),
        _row("calibration_slope", seen.slope, f"{about}; in the same cases", model.CALIBRATION_SOURCE),
        _row(
            "calibration_slope_new_cases",
            optimism.slope,
            f"{about}; median of the draws' models in all cases",
            source,
        ),
        _row("brier_score", seen.brier, f"{about}; in the same cases", model.BRIER_SOURCE),
        _row("brier_score_corrected", seen.brier - optimism.brier, f"{about}; less its optimism", source),
        _row("observed_expected_ratio", seen.observed_expected, f"{about}; events / expected events", source),
    ]
    benefit = model.net_benefit(chance, q.event, THRESHOLDS)
    text = "net benefit of acting at or above the threshold probability; model fitted in the same cases"
    decision = [
        {"threshold": t, "net_benefit": own, "net_benefit_all": every, "net_benefit_none": 0.0, "definition": text}
        | {"source": model.DECISION_SOURCE}
        for t, (own, every) in zip(THRESHOLDS, benefit.tolist(), strict=True)
    ]
    return rows, decision


def calibration_rows(q: Question, settings: StatisticsSettings) -> list[dict[str, Any]]:
    """Predicted and observed share of events by quantile group of the predicted chance, with Wilson interval.

    The chance of a case comes from a model fitted without it (leave one out), so that the plot is not too good.
    """
    n = len(q.value)
    chance = np.full(n, np.nan)
    for i in range(n):
        kept = np.arange(n) != i
        fit = model.fit_logistic(q.value[kept][:, None], q.event[kept], settings.penalty)
        if fit.status != "ok":
            return []
        chance[i] = fit.probability(q.value[i : i + 1][:, None])[0]
    k = settings.quantile_groups
    group = np.searchsorted(np.unique(np.quantile(chance, np.arange(1, k) / k)), chance, "left")
    rows = []
    for number in np.unique(group):
        mine = group == number
        found = share(int(q.event[mine].sum()), int(mine.sum()), confidence=settings.confidence)
        rows.append(
            {"quantile_group": int(number) + 1, "predicted": float(chance[mine].mean()), "n": found.n}
            | {"n_events": found.x, "estimate": found.estimate, "ci_low": found.ci_low, "ci_high": found.ci_high}
            | {"definition": "observed share by group of the chance that a model without the case predicts"}
            | {"source": f"{model.CALIBRATION_SOURCE}; {SHARE_SOURCE}"}
        )
    return rows


def _dose_rows(q: Question, settings: StatisticsSettings) -> list[dict[str, Any]]:
    """Share of events by quantile group of the measure, and the trend over the groups."""
    if not len(q.value):
        return []
    k = settings.quantile_groups
    edges = np.unique(np.quantile(q.value, np.arange(1, k) / k))
    group = np.searchsorted(edges, q.value, "left")
    p = trend_p(group, q.event)
    rows = []
    for number in np.unique(group):
        mine = group == number
        own = np.sort(q.value[mine])
        found = share(int((q.event[mine] == 1).sum()), int(mine.sum()), confidence=settings.confidence)
        rows.append(
            {"quantile_group": int(number) + 1, "from_value": own[0], "to_value": own[-1], "median": np.median(own)}
            | {"n": found.n, "n_events": found.x, "estimate": found.estimate, "ci_low": found.ci_low}
            | {"ci_high": found.ci_high, "trend_p": p, "status": found.status}
            | {"definition": f"share of events by quantile group ({k} groups, ties together); two-sided trend test"}
            | {"source": f"{SHARE_SOURCE}; trend: Armitage 1955 Biometrics 11:375"}
        )
    return rows


def trend_p(score: np.ndarray, event: np.ndarray) -> float:
    """Two-sided p of the Cochran-Armitage trend of events over ordered scores; NaN where either is constant.

    Malformations by alcohol, 93 of 32,574 (Agresti 2002, Categorical Data Analysis: z^2 = 6.57, so p = 0.0104):

    >>> score = np.repeat([0, 0.5, 1.5, 4, 7, 0, 0.5, 1.5, 4, 7], [17066, 14464, 788, 126, 37, 48, 38, 5, 1, 1])
    >>> round(trend_p(score, np.repeat([0, 1], [32481, 93])), 4)
    0.0104
    """
    from scipy.stats import norm

    x, y = np.asarray(score, np.float64), np.asarray(event, np.float64)
    n, mean = len(y), y.mean()
    spread = mean * (1 - mean) * ((x - x.mean()) ** 2).sum()
    if n < 2 or not spread > 0:
        return float("nan")
    return float(2 * norm.sf(abs(((x - x.mean()) * y).sum()) / np.sqrt(spread)))  # Armitage 1955


def comparison_rows(questions: Sequence[Question], settings: StatisticsSettings) -> list[dict[str, Any]]:
    """DeLong's paired test of each measure against the first, and of the two methods of one quantity."""
    pairs = [(q, questions[0]) for q in questions[1:]]
    by_name: dict[tuple[str, ...], list[Question]] = {}
    for q in questions:
        by_name.setdefault(tuple(q.names[k] for k in ("plan_id", "measure", "variant")), []).append(q)
    for same in by_name.values():
        pairs += [(a, b) for i, a in enumerate(same) for b in same[:i] if b is not questions[0]]
    rows: list[dict[str, Any]] = []
    for a, b in pairs:
        found = roc.compare_areas(a.value, b.value, a.event, a.risk, b.risk, confidence=settings.confidence)
        smallest = min(found.n_events, found.n_non_events)
        few = smallest < settings.few_events
        if smallest < settings.fewest_events:
            continue
        rows.append(
            a.names
            | {"risk": a.risk, "compared_with": " / ".join(b.names[k] for k in PREDICTOR[1:4] if b.names[k])}
            | _row("auc_difference", found.difference, "area less area of compared_with, same cases", roc.DELONG_SOURCE)
            | {"ci_low": found.ci_low, "ci_high": found.ci_high, "p_value": found.p_value, "status": found.status}
            | {"n": found.n_events + found.n_non_events, "n_events": found.n_events, "n_missing": found.n_missing}
            | {"n_non_events": found.n_non_events, "warning": "few_events" if few else ""}
        )
    return rows


def adjusted(rows: list[dict[str, Any]], columns: Sequence[str]) -> None:
    """Fill p_holm and family of the rows with a p: Holm's adjustment within the rows that share `columns`."""
    families: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if row.get("p_value") is not None and np.isfinite(row["p_value"]):
            families.setdefault(" / ".join(str(row[c]) for c in columns) or "all", []).append(row)
    for name, members in families.items():
        p = holm(np.array([row["p_value"] for row in members]))
        for row, value in zip(members, p.tolist(), strict=True):
            row |= {"p_holm": value, "family": f"{name}: {len(members)} tests"}
