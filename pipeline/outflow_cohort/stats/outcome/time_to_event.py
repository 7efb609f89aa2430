"""Time to an event: survival and incidence curves by group, restricted means, log-rank, hazard ratios of measures.

Times are in the unit that the settings name. A rival event ends the follow-up of a case in Kaplan-Meier, log-rank and
Cox (cause-specific hazards); its own share is the Aalen-Johansen incidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.covariates import covariates_of
from outflow_cohort.stats.data.one_value import ALL_GROUPS
from outflow_cohort.stats.data.outcome_columns import causes_of, times_of
from outflow_cohort.stats.kernels import cox, firth, survival
from outflow_cohort.stats.outcome.question import PREDICTOR
from outflow_cohort.stats.outcome.regression_rows import Regression, regression_rows, spline_rows

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings, TimeToEvent

COLUMNS = [
    "outcome", *PREDICTOR, "model", "statistic", "term", "group", "estimate", "std_error", "df", "ci_low", "ci_high",
    "p_value", "n", "n_events", "n_missing", "status", "definition", "source",
]  # fmt: skip
CURVE_COLUMNS = [
    "outcome", "group", "statistic", "time", "time_unit", "n_at_risk", "n_events", "estimate", "std_error", "ci_low",
    "ci_high", "definition", "source",
]  # fmt: skip
NO_PREDICTOR: dict[str, Any] = dict.fromkeys(PREDICTOR, "")


@dataclass(frozen=True)
class FollowUp:
    """time, cause (0 censored, 1 the event, 2 ... rival events), group of the cases with both; n_missing without."""

    time: np.ndarray
    cause: np.ndarray
    group: np.ndarray
    used: np.ndarray

    @property
    def event(self) -> np.ndarray:
        result: np.ndarray = (self.cause == 1).astype(np.float64)
        return result

    @property
    def n_missing(self) -> int:
        return int((~self.used).sum())


def follow_up(cases: pd.DataFrame, groups: pd.Series, outcome: TimeToEvent) -> FollowUp:
    """Follow-up of the cases whose time and event are both known."""
    time, cause = times_of(cases, outcome), causes_of(cases, outcome)
    used = np.isfinite(time) & np.isfinite(cause)
    group = cases["case_id"].map(groups).to_numpy(dtype=object)
    return FollowUp(time[used], cause[used], group[used], used)


def survival_rows(
    seen: FollowUp, outcome: TimeToEvent, settings: StatisticsSettings
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Figures by group with their comparison, and the curves."""
    names = sorted(set(seen.group.tolist()))
    members = [(ALL_GROUPS, np.ones(len(seen.time), bool))]
    members += [(name, seen.group == name) for name in names] if len(names) > 1 else []
    horizon = outcome.horizon
    if horizon is None and len(seen.time):
        horizon = min(float(seen.time[mine].max()) for _, mine in members)
    rows: list[dict[str, Any]] = []
    curves: list[dict[str, Any]] = []
    means: dict[str, tuple[float, float]] = {}
    for name, mine in members:
        time, event = seen.time[mine], seen.event[mine]
        curve = survival.kaplan_meier(time, event, settings.confidence)
        common: dict[str, Any] = {"outcome": outcome.event_column, "group": name}
        curves += [common | row for row in _curve_rows(curve, outcome)]
        curves += [common | row for row in _at_risk_rows(time, event, curve, seen.time, outcome)]
        for which, label in enumerate(("event", *outcome.competing), start=1):
            if outcome.competing:
                curves += [
                    common | row for row in _incidence_rows(time, seen.cause[mine], which, label, outcome, settings)
                ]
        sizes = {"n": int(mine.sum()), "n_events": int(event.sum()), "n_missing": seen.n_missing}
        enough = int(event.sum()) >= settings.fewest_events
        rows += [
            common | NO_PREDICTOR | sizes | row
            for row in _group_rows(curve, horizon, enough, outcome, settings, means, name)
        ]
    if len(names) > 1:
        rows += _comparison_rows(seen, names, means, horizon, outcome, settings)
    return rows, curves


def _curve_rows(curve: survival.SurvivalCurve, outcome: TimeToEvent) -> list[dict[str, Any]]:
    text = "share without the event; n_at_risk just before the time"
    return [
        {"statistic": "survival", "time": t, "time_unit": outcome.time_unit, "n_at_risk": n, "n_events": d}
        | {"estimate": s, "std_error": se, "ci_low": low, "ci_high": high, "definition": text}
        | {"source": survival.KAPLAN_MEIER_SOURCE}
        for t, n, d, s, se, low, high in zip(
            curve.time.tolist(), curve.at_risk.tolist(), curve.events.tolist(), curve.survival.tolist(),
            curve.std_error.tolist(), curve.ci_low.tolist(), curve.ci_high.tolist(), strict=True,
        )
    ]  # fmt: skip


def _at_risk_rows(
    time: np.ndarray, event: np.ndarray, curve: survival.SurvivalCurve, all_times: np.ndarray, outcome: TimeToEvent
) -> list[dict[str, Any]]:
    """Numbers at risk at round times of the whole cohort's follow-up, the same for every group."""
    text = "share without the event at a round time; n_at_risk: followed to this time or beyond, n_events: by then"
    return [
        {"statistic": "at_risk", "time": t, "time_unit": outcome.time_unit, "n_at_risk": int((time >= t).sum())}
        | {"n_events": int(event[time <= t].sum()), "definition": text, "source": survival.KAPLAN_MEIER_SOURCE}
        | dict(zip(("estimate", "std_error", "ci_low", "ci_high"), curve.at(t), strict=True))
        for t in round_times(float(all_times.max(initial=0.0)))
    ]


def round_times(longest: float) -> list[float]:
    """About five times from 0 to `longest`: steps of 1, 2 or 5 times a power of ten."""
    if not longest > 0:
        return [0.0]
    power = 10.0 ** np.floor(np.log10(longest / 5))
    step = next(s * power for s in (1, 2, 5, 10) if s * power * 5 >= longest * 0.999)
    return [float(i * step) for i in range(int(longest / step + 1e-9) + 1)]


def _incidence_rows(
    time: np.ndarray, cause: np.ndarray, which: int, label: str, outcome: TimeToEvent, settings: StatisticsSettings
) -> list[dict[str, Any]]:
    from scipy.special import ndtri

    found = survival.aalen_johansen(time, cause, which)
    z = float(ndtri((1 + settings.confidence) / 2))
    text = f"cumulative incidence of {label} with rival events; interval on the scale log(-log(1 - incidence))"
    rows = []
    for t, n, share, error in zip(found.time, found.at_risk, found.incidence, found.std_error, strict=True):
        low = high = float("nan")
        if 0 < share < 1:
            half = z * error / ((1 - share) * abs(np.log1p(-share)))
            low, high = (float(1 - (1 - share) ** np.exp(side * half)) for side in (-1, 1))
        rows.append(
            {"statistic": f"incidence of {label}", "time": float(t), "time_unit": outcome.time_unit}
            | {"n_at_risk": int(n), "n_events": int(((time == t) & (cause == which)).sum()), "estimate": float(share)}
            | {"std_error": float(error), "ci_low": low, "ci_high": high, "definition": text}
            | {"source": survival.AALEN_JOHANSEN_SOURCE}
        )
    return rows


def _group_rows(
    curve: survival.SurvivalCurve,
    horizon: float | None,
    enough: bool,
    outcome: TimeToEvent,
    settings: StatisticsSettings,
    means: dict[str, tuple[float, float]],
    name: str,
) -> list[dict[str, Any]]:
    from scipy.special import ndtri

    nan = float("nan")
    median = curve.median() if enough else (nan, nan, nan)
    reached = bool(np.isfinite(median[0]))
    reason = "too_few_events" if not enough else "ok" if reached else "not_reached"
    rows: list[dict[str, Any]] = [
        {"statistic": "median_time", "estimate": median[0] if reached else nan}
        | {"ci_low": median[1] if reached else nan, "ci_high": median[2] if np.isfinite(median[2]) else nan}
        | {"status": reason, "definition": f"time ({outcome.time_unit}) by which half had the event"}
        | {"source": survival.MEDIAN_SOURCE}
    ]
    mean, error = survival.restricted_mean(curve, horizon) if horizon is not None and enough else (nan, nan)
    means[name] = (mean, error)
    half = float(ndtri((1 + settings.confidence) / 2)) * error
    status = "ok" if np.isfinite(mean) else "too_few_events" if not enough else "beyond_follow_up"
    text = f"mean time ({outcome.time_unit}) without the event up to {horizon:g}" if horizon is not None else "no times"
    rows.append(
        {"statistic": "restricted_mean", "estimate": mean, "std_error": error, "ci_low": mean - half}
        | {"ci_high": mean + half, "status": status, "definition": text, "source": survival.RESTRICTED_MEAN_SOURCE}
    )
    return rows


def _comparison_rows(
    seen: FollowUp,
    names: Sequence[str],
    means: dict[str, tuple[float, float]],
    horizon: float | None,
    outcome: TimeToEvent,
    settings: StatisticsSettings,
) -> list[dict[str, Any]]:
    from scipy.special import ndtr, ndtri

    common = {"outcome": outcome.event_column, "group": ALL_GROUPS, "n": len(seen.time)} | NO_PREDICTOR
    common |= {"n_events": int(seen.event.sum()), "n_missing": seen.n_missing}
    row: dict[str, Any] = {"statistic": "log_rank", "source": survival.LOG_RANK_SOURCE}
    row |= {"definition": "chi-square of equal hazards in all groups"}
    if seen.event.sum() < settings.fewest_events:
        row |= {"estimate": np.nan, "status": "too_few_events"}
    else:
        chi, df, p = survival.log_rank(seen.time, seen.event, seen.group)
        row |= {"estimate": chi, "df": df, "p_value": p, "status": "ok"}
    rows = [common | row]
    z = float(ndtri((1 + settings.confidence) / 2))
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            difference = means[b][0] - means[a][0]
            error = float(np.hypot(means[a][1], means[b][1]))
            known = np.isfinite(difference) and error > 0
            rows.append(
                common
                | {"statistic": "restricted_mean_difference", "term": f"{b} - {a}", "estimate": difference}
                | {"std_error": error, "ci_low": difference - z * error, "ci_high": difference + z * error}
                | {"p_value": float(2 * ndtr(-abs(difference) / error)) if known else np.nan}
                | {"status": "ok" if known else "not_defined", "source": survival.RESTRICTED_MEAN_SOURCE}
                | {"definition": f"difference of the mean times without the event up to {horizon:g}"}
            )
    return rows


def hazard_rows(
    cases: pd.DataFrame,
    seen: FollowUp,
    names: dict[str, str],
    value: np.ndarray,
    outcome: TimeToEvent,
    settings: StatisticsSettings,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Hazard ratio of one measure (and the covariates), test of proportionality, concordance; curve of the spline."""
    adjust = covariates_of(cases, outcome.covariates)
    measure, covariates = value[seen.used], adjust.values[seen.used]
    good = np.isfinite(measure) & np.isfinite(covariates).all(axis=1)
    time, event, measure, covariates = seen.time[good], seen.event[good], measure[good], covariates[good]
    common: dict[str, Any] = dict(names)
    common |= {"outcome": outcome.event_column, "model": f"Cox: {' + '.join(['measure', *outcome.covariates])}"}
    common |= {"n": int(good.sum()), "n_events": int(event.sum()), "group": ALL_GROUPS}
    common |= {"n_missing": len(cases) - int(good.sum())}

    def likelihood(design: np.ndarray) -> firth.Likelihood:
        return cox.partial_likelihood(time, event, design)

    regression = Regression(likelihood, "hazard_ratio", cox.SOURCE, intercept=False)
    rows = regression_rows(
        regression, measure, covariates, adjust.names, int(event.sum()), firth_rule=outcome.firth,
        fewest_events=settings.fewest_events, confidence=settings.confidence,
    )  # fmt: skip
    curve: list[dict[str, Any]] = []
    if rows[0]["status"] == "ok":
        columns = np.column_stack([measure, covariates])
        columns = (columns - columns.mean(axis=0)) / np.append(measure.std(ddof=1), np.ones(covariates.shape[1]))
        beta = np.log([row["estimate"] for row in rows])
        test = cox.proportionality(time, event, columns, beta)
        text = "chi-square that the hazard ratio does not change with 1 - Kaplan-Meier"
        rows += [
            {"statistic": "proportionality", "term": term, "estimate": float(chi), "df": df, "p_value": float(p)}
            | {"status": "ok", "definition": text, "source": cox.PROPORTIONALITY_SOURCE}
            for term, chi, p, df in zip(
                [*(row["term"] for row in rows), "all"], test.chi_square, test.p_value, [*[1] * len(beta), len(beta)],
                strict=True,
            )
        ]  # fmt: skip
        share = cox.concordance(time, event, np.round(columns @ beta, 10))
        rows.append(
            {"statistic": "concordance", "estimate": share, "status": "ok", "source": cox.CONCORDANCE_SOURCE}
            | {"definition": "Harrell's C of the model, in the same cases: too good"}
        )
        if outcome.spline_knots:
            found, curve = spline_rows(regression, measure, covariates, outcome.spline_knots, settings.confidence)
            rows += found
    return [common | row for row in rows], [common | row for row in curve]
