"""Time to event, Firth's penalty and splines against R's survival and closed forms (sources beside each check)."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from outflow_cohort.stats.data.one_value import groups_of
from outflow_cohort.stats.data.outcome_columns import outcome_mistakes
from outflow_cohort.stats.data.settings import AdjustedModel, Outcome, Predictor, StatisticsSettings, TimeToEvent
from outflow_cohort.stats.kernels import cox, firth, spline, survival
from outflow_cohort.stats.outcome.endpoint_questions import model_tables

R = Path(__file__).parents[1] / "reference" / "stats" / "r"
REFERENCE = json.loads((R / "survival.json").read_text())
LUNG = pd.read_csv(R / "survival_lung.csv")
TOLERANCE = 1e-6


def columns(frame, *names):
    return tuple(frame[name].to_numpy(np.float64) for name in names)


@pytest.mark.parametrize("sex", [1, 2])
def test_kaplan_meier_median_and_restricted_mean_equal_r(sex):
    """survfit(conf.type = "log-log") and its restricted mean up to 600 days, lung of R's survival."""
    own = LUNG[LUNG["sex"] == sex]
    curve = survival.kaplan_meier(*columns(own, "time", "event"))
    for when in (100, 365, 700):
        for figure, value in zip(("survival", "se", "low", "high"), curve.at(when), strict=True):
            assert value == pytest.approx(REFERENCE[f"km.{sex}.{when}.{figure}"], rel=TOLERANCE)
        assert (own["time"] >= when).sum() == REFERENCE[f"km.{sex}.{when}.at_risk"]
    assert curve.median()[0] == REFERENCE[f"km.{sex}.median"]
    mean, error = survival.restricted_mean(curve, 600.0)
    assert mean == pytest.approx(REFERENCE[f"km.{sex}.rmst600"], rel=TOLERANCE)
    assert error == pytest.approx(REFERENCE[f"km.{sex}.rmst600_se"], rel=TOLERANCE)
    assert np.isnan(survival.restricted_mean(curve, 5000.0)[0])


def test_log_rank_equals_r():
    time, event, sex = columns(LUNG, "time", "event", "sex")
    chi, df, p = survival.log_rank(time, event, sex)
    assert df == 1
    assert chi == pytest.approx(REFERENCE["logrank.chisq"], rel=TOLERANCE)
    assert p == pytest.approx(REFERENCE["logrank.p"], rel=TOLERANCE)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_cox_equals_r(ties):
    time, event = columns(LUNG, "time", "event")
    names = ["age", "sex", "ph.ecog"]
    x = LUNG[names].to_numpy(np.float64)
    fit = firth.fit_firth(cox.partial_likelihood(time, event, x - x.mean(axis=0), ties), 3, penalised=False)
    for k, name in enumerate(names):
        assert fit.coefficients[k] == pytest.approx(REFERENCE[f"cox.{ties}.{name}.coef"], rel=TOLERANCE)
        assert fit.std_errors[k] == pytest.approx(REFERENCE[f"cox.{ties}.{name}.se"], rel=TOLERANCE)
    if ties == "efron":
        found = cox.proportionality(time, event, x - x.mean(axis=0), fit.coefficients)
        for k, name in enumerate([*names, "GLOBAL"]):
            assert found.chi_square[k] == pytest.approx(REFERENCE[f"zph.{name}.chisq"], rel=TOLERANCE)
            assert found.p_value[k] == pytest.approx(REFERENCE[f"zph.{name}.p"], rel=TOLERANCE)
        risk = x @ fit.coefficients
        assert cox.concordance(time, event, risk) == pytest.approx(REFERENCE["cox.concordance"], abs=1e-12)


def test_firth_cox_stays_finite_where_nobody_of_a_group_has_an_event():
    """Direct search of the penalised partial likelihood in R (coxph's own information), Breslow ties."""
    small = pd.read_csv(R / "survival_firth.csv")
    time, event, age, sex = columns(small, "time", "event", "age", "sex")
    x = np.column_stack([age / 10, sex])
    fit = firth.fit_firth(cox.partial_likelihood(time, event, x, "breslow"), 2)
    assert fit.log_likelihood >= REFERENCE["firth_cox.penalised_loglik"] - 1e-6
    assert fit.coefficients == pytest.approx(
        [REFERENCE["firth_cox.age10"], REFERENCE["firth_cox.sex"]], abs=2e-4
    )  # R's search ends here
    assert np.isfinite(fit.ci_high).all()


def test_rival_events_equal_r():
    """survfit of a multi-state Surv (Aalen-Johansen), mgus2 of R's survival."""
    mgus = pd.read_csv(R / "survival_mgus2.csv")
    time, cause = columns(mgus, "etime", "ev")
    for which, name in ((1, "progression"), (2, "death")):
        found = survival.aalen_johansen(time, cause, which)
        for when in (60, 120, 240):
            estimate, error = found.at(when)
            assert estimate == pytest.approx(REFERENCE[f"aj.{when}.{name}.estimate"], rel=TOLERANCE)
            assert error == pytest.approx(REFERENCE[f"aj.{when}.{name}.se"], rel=TOLERANCE)


def test_incidences_and_survival_add_up_to_one():
    mgus = pd.read_csv(R / "survival_mgus2.csv")
    time, cause = columns(mgus, "etime", "ev")
    total = sum(survival.aalen_johansen(time, cause, which).incidence for which in (1, 2))
    curve = survival.kaplan_meier(time, (cause > 0).astype(float))
    assert total + curve.survival == pytest.approx(1.0, abs=1e-12)


def test_logistic_equals_r_and_firth_its_closed_form():
    """glm; Firth 1993: in a 2 x 2 table the penalty adds one half to each cell."""
    event, age, sex, ecog = columns(LUNG, "event", "age", "sex", "ph.ecog")
    design = np.column_stack([np.ones(len(event)), age, sex, ecog])
    fit = firth.fit_firth(firth.logistic_likelihood(design, event), 4, penalised=False)
    for k, name in enumerate(("Intercept", "age", "sex", "ph.ecog")):
        assert fit.coefficients[k] == pytest.approx(REFERENCE[f"glm.{name}.coef"], rel=TOLERANCE)
        assert fit.std_errors[k] == pytest.approx(REFERENCE[f"glm.{name}.se"], rel=TOLERANCE)
    a, b, c, d = 0, 12, 5, 9  # nobody with the factor has the event: maximum likelihood has no estimate
    exposed = np.repeat([1.0, 1.0, 0.0, 0.0], [a, b, c, d])
    event = np.repeat([1.0, 0.0, 1.0, 0.0], [a, b, c, d])
    design = np.column_stack([np.ones(len(event)), exposed])
    fit = firth.fit_firth(firth.logistic_likelihood(design, event), 2)
    expected = np.log((a + 0.5) * (d + 0.5) / ((b + 0.5) * (c + 0.5)))
    assert fit.coefficients[1] == pytest.approx(expected, abs=1e-6)
    assert fit.ci_low[1] < expected < fit.ci_high[1]
    assert 0 < fit.p_values[1] < 1


def test_profile_limits_are_where_the_likelihood_has_fallen_by_half_the_chi_square():
    event, age = columns(LUNG, "event", "age")
    design = np.column_stack([np.ones(len(event)), (age - age.mean()) / 10])
    fit = firth.fit_firth(firth.logistic_likelihood(design, event), 2, penalised=False)
    at_limit = sm.GLM(
        event, np.ones(len(event)), family=sm.families.Binomial(), offset=design[:, 1] * fit.ci_high[1]
    ).fit()
    assert fit.log_likelihood - at_limit.llf == pytest.approx(3.841458820694124 / 2, abs=1e-5)


@pytest.mark.parametrize("number", [3, 4, 5])
def test_spline_is_straight_beyond_its_knots_and_smooth_at_them(number):
    rng = np.random.default_rng(1)
    value = rng.normal(50, 10, 200)
    knots = spline.knots_of(value, number)
    for side in (np.linspace(0, knots[0], 9), np.linspace(knots[-1], knots[-1] + 60, 9)):
        assert np.abs(np.diff(spline.spline_basis(side, knots), 2, axis=0)).max() < 1e-9
    for knot in knots:
        near = knot + np.array([-2e-3, -1e-3, 0, 1e-3, 2e-3])
        second = np.diff(spline.spline_basis(near, knots), 2, axis=0) / 1e-6
        assert np.abs(np.diff(second, axis=0)).max() < 1e-3
    with pytest.raises(ValueError, match="3, 4 or 5"):
        spline.knots_of(value, 7)


FOLLOW_UP = TimeToEvent(
    time_column="time", event_column="ended", event="dead", no_event="alive", covariates=("ph.ecog",)
)


def study(n=227):
    """lung as a study: sex as group, age as the measure."""
    cases = LUNG.iloc[:n].astype(str).assign(case_id=[f"C{i:03d}" for i in range(n)])
    ended = np.where(LUNG["event"][:n] == 1, "dead", "alive")
    cases = cases.assign(group=np.where(LUNG["sex"][:n] == 1, "a", "b"), ended=ended)
    chosen = pd.DataFrame(
        {"case_id": cases["case_id"], "plan_id": "", "measure": "mitral_area", "variant": "spline",
         "method": "reader_points", "unit": "mm2", "value": LUNG["age"][:n].astype(float)}
    )  # fmt: skip
    return cases, chosen


def tables(cases, chosen, **settings):
    settings = StatisticsSettings(predictors=(Predictor(measure="mitral_area", risk="high"),), **settings)
    return model_tables(cases, chosen, groups_of(cases, "group"), settings, "")


def test_tables_hold_the_figures_of_the_kernels():
    cases, chosen = study()
    model = AdjustedModel(outcome="event", covariates=("ph.ecog",), spline_knots=3)
    found = tables(
        cases, chosen, time_to_event=(FOLLOW_UP,), outcomes=(Outcome(column="event"),), adjusted_models=(model,)
    )
    rows = found["time_to_event"]
    chi = rows[rows["statistic"] == "log_rank"].squeeze()
    assert chi["estimate"] == pytest.approx(REFERENCE["logrank.chisq"], rel=TOLERANCE)
    median = rows[(rows["statistic"] == "median_time") & (rows["group"] == "b")].squeeze()
    assert median["estimate"] == REFERENCE["km.2.median"]
    hazard = rows[(rows["statistic"] == "hazard_ratio")].set_index("term")
    assert list(hazard.index) == ["measure, per SD", "ph.ecog"]
    assert hazard["ci_low"].lt(hazard["estimate"]).all()
    assert rows["statistic"].eq("proportionality").sum() == 3
    curve = found["survival_curves"]
    assert curve[curve["group"] == "all"]["n_at_risk"].iloc[0] == 227
    odds = found["adjusted_models"]
    assert set(odds["statistic"]) == {"odds_ratio", "curvature_test"}
    assert odds["definition"].str.contains("maximum likelihood").any()
    spline_curve = found["model_curves"]
    assert (spline_curve["ci_low"] <= spline_curve["estimate"]).all()


def test_few_events_call_for_the_penalty_and_fewer_are_withheld():
    cases, chosen = study(60)
    few = cases.assign(ended=np.where(np.arange(60) < 14, "dead", "alive"))
    rows = tables(few, chosen, time_to_event=(FOLLOW_UP,))["time_to_event"]
    hazard = rows[rows["statistic"] == "hazard_ratio"]
    assert hazard["definition"].str.contains("Firth").all()
    fewer = cases.assign(ended=np.where(np.arange(60) < 4, "dead", "alive"))
    rows = tables(fewer, chosen, time_to_event=(FOLLOW_UP,))["time_to_event"]
    assert set(rows[rows["statistic"].isin(["hazard_ratio", "log_rank"])]["status"]) == {"too_few_events"}


def test_rival_events_and_unknown_texts():
    cases, chosen = study(120)
    rival = cases.assign(ended=np.where(np.arange(120) % 5 == 0, "moved", cases["ended"]))
    wrong = outcome_mistakes(rival, StatisticsSettings(time_to_event=(FOLLOW_UP,)))
    assert '"moved"' in wrong[0].found
    outcome = FOLLOW_UP.model_copy(update={"competing": ("moved",)})
    curve = tables(rival, chosen, time_to_event=(outcome,))["survival_curves"]
    assert {"survival", "at_risk", "incidence of event", "incidence of moved"} == set(curve["statistic"])
    risk = curve[(curve["statistic"] == "at_risk") & (curve["group"] == "all")]
    assert risk["n_at_risk"].tolist() == [(pd.to_numeric(rival["time"]) >= t).sum() for t in risk["time"]]
    bad = outcome_mistakes(cases.assign(time="soon"), StatisticsSettings(time_to_event=(FOLLOW_UP,)))
    assert "no time" in bad[0].found


def test_profile_limits_stand_a_sample_of_a_few_cases() -> None:
    """Eight cases, three events, two covariates of very different size: limits are numbers about the estimate, or
    infinite; nothing raises."""
    generator = np.random.default_rng(8)
    for _ in range(40):
        design = np.column_stack([np.ones(8), generator.normal(250.0, 90.0, 8), generator.normal(76.0, 7.0, 8)])
        event = np.zeros(8)
        event[generator.choice(8, 3, replace=False)] = 1.0
        fit = firth.fit_firth(firth.logistic_likelihood(design, event), 3)
        if fit.status == "ok":
            assert (fit.ci_low <= fit.coefficients + 1e-9).all()
            assert (fit.ci_high >= fit.coefficients - 1e-9).all()
