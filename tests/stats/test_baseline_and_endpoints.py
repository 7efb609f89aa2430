"""Baseline table, prediction model, sizes: against scikit-learn, statsmodels, scipy and closed forms (named beside)."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats as scipy_stats
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss

from outflow_cohort.stats.agreement import sizing
from outflow_cohort.stats.cohort.baseline import baseline_table
from outflow_cohort.stats.cohort.summary import summarise
from outflow_cohort.stats.data.one_value import groups_of
from outflow_cohort.stats.data.outcome_columns import events_of, outcome_mistakes
from outflow_cohort.stats.data.settings import Outcome, StatisticsSettings
from outflow_cohort.stats.kernels import comparisons, roc
from outflow_cohort.stats.kernels.two_by_two import likelihood_ratio
from outflow_cohort.stats.outcome import endpoints
from outflow_cohort.stats.outcome import prediction_model as model

SETTINGS = StatisticsSettings(n_boot=200, n_boot_model=60)


def outcome_data(n=160, seed=11):
    rng = np.random.default_rng(seed)
    area = rng.normal(250, 70, n)
    event = (rng.random(n) < 1 / (1 + np.exp((area - 190) / 25))).astype(float)
    return area, event


def test_unpenalised_model_equals_statsmodels():
    area, event = outcome_data()
    other = np.random.default_rng(1).normal(size=len(area))
    x = np.column_stack([area, other])
    theirs = sm.Logit(event, sm.add_constant(x)).fit(disp=0, method="newton", tol=1e-12)
    ours = model.fit_logistic(x, event, penalty=0.0)
    assert ours.status == "ok"
    assert np.append(ours.intercept, ours.coefficients) == pytest.approx(theirs.params, rel=1e-7)


@pytest.mark.parametrize("penalty", [0.1, 1.0, 20.0])
def test_ridge_equals_scikit_learn(penalty):
    """scikit-learn minimises C sum(log loss) + w'w / 2, intercept free: C = 1 / penalty on the same standardised x."""
    area, event = outcome_data()
    z = (area - area.mean()) / area.std()
    theirs = LogisticRegression(C=1 / penalty, tol=1e-12, max_iter=10_000).fit(z[:, None], event)
    ours = model.fit_logistic(area[:, None], event, penalty)
    assert ours.coefficients[0] * area.std() == pytest.approx(theirs.coef_[0, 0], rel=1e-5)
    chance = ours.probability(area[:, None])
    assert chance == pytest.approx(theirs.predict_proba(z[:, None])[:, 1], abs=1e-6)


def test_calibration_of_the_maximum_likelihood_model_is_perfect_in_its_own_cases():
    """Score equations of logistic regression: intercept 0, slope 1, observed = expected."""
    area, event = outcome_data()
    chance = model.fit_logistic(area[:, None], event, 0.0).probability(area[:, None])
    found = model.calibration(chance, event)
    assert (found.intercept, found.slope, found.observed_expected) == pytest.approx((0, 1, 1), abs=1e-6)
    assert found.brier == pytest.approx(brier_score_loss(event, chance), abs=1e-14)


def test_calibration_slope_of_chances_made_too_extreme():
    """Logits doubled: the slope is half that of the right ones (Cox 1958)."""
    area, event = outcome_data()
    right = model.fit_logistic(area[:, None], event, 0.0).probability(area[:, None])
    logit = np.log(right / (1 - right))
    assert model.calibration(1 / (1 + np.exp(-2 * logit)), event).slope == pytest.approx(0.5, abs=1e-6)


def test_net_benefit_by_its_definition():
    """Vickers & Elkin 2006: true positives / n - false positives / n x odds of the threshold."""
    chance, event = np.array([0.9, 0.6, 0.4, 0.1]), np.array([1.0, 0.0, 1.0, 0.0])
    found = model.net_benefit(chance, event, [0.5, 0.2])
    assert found[0] == pytest.approx([1 / 4 - 1 / 4 * 1, 0.5 - 0.5 * 1])
    assert found[1] == pytest.approx([2 / 4 - 1 / 4 * 0.25, 0.5 - 0.5 * 0.25])


def test_optimism_is_about_what_new_cases_lose():
    """Mean optimism of the area is the mean loss in fresh cases, within its noise (Harrell 2015 sec. 5.3).

    With a real signal: where nothing predicts, this bootstrap is known to correct too little (Smith 2014 Am J Epidemiol
    180:318).
    """
    rng = np.random.default_rng(2)
    slopes = np.array([1.2, 0.6, 0, 0, 0])

    def draw(n):
        x = rng.normal(size=(n, 5))
        return x, (rng.random(n) < 1 / (1 + np.exp(0.4 - x @ slopes))).astype(float)

    lost, said = [], []
    for seed in range(25):
        x, event = draw(80)
        fit = model.fit_logistic(x, event, 0.01)
        new, fresh = draw(2000)
        inside = roc.roc_area(fit.probability(x), event, "high").area
        lost.append(inside - roc.roc_area(fit.probability(new), fresh, "high").area)
        said.append(model.model_optimism(x, event, 0.01, 20, seed).area)
    noise = np.hypot(np.std(lost), np.std(said)) / np.sqrt(25)
    assert np.mean(said) > 0.01
    assert abs(np.mean(said) - np.mean(lost)) < 3 * noise


def test_separated_and_constant_data_have_a_status():
    x = np.arange(10.0)[:, None]
    event = (x[:, 0] > 4).astype(float)
    assert model.fit_logistic(x, event, 0.0).status == "separated"
    assert model.fit_logistic(x, event, 1.0).status == "ok"
    assert model.fit_logistic(np.ones((10, 1)), event, 1.0).status == "constant_values"
    assert model.fit_logistic(x, np.zeros(10), 1.0).status == "one_outcome"


def question(area, event, risk="low", cutoffs=((170.0, "at_or_below", "low"),)):
    names = {"outcome": "o", "endpoint": "", "plan_id": "", "measure": "m", "variant": "", "method": "", "unit": "mm2"}
    return endpoints.Question(names, risk, area, event, cutoffs)


def test_rates_at_a_given_cutoff_by_counting():
    area, event = outcome_data()
    rows = pd.DataFrame(endpoints.answer(question(area, event), SETTINGS).endpoints)
    given = rows[rows["cutoff_id"] == "low"].set_index("statistic")["estimate"]
    positive = area <= 170
    assert given["sensitivity"] == positive[event == 1].mean()
    assert given["specificity"] == (~positive[event == 0]).mean()
    assert given["positive_predictive_value"] == event[positive].mean()
    assert given["negative_predictive_value"] == (1 - event[~positive]).mean()


def test_below_excludes_the_cutoff_itself_and_at_or_below_holds_it():
    area, event = np.array([170.0, 160.0, 180.0, 200.0]), np.array([1.0, 1.0, 0.0, 0.0])
    for rule, sensitivity in (("below", 0.5), ("at_or_below", 1.0)):
        rows = endpoints.answer(question(area, event, cutoffs=((170.0, rule, "c"),)), SETTINGS).endpoints
        found = next(r for r in rows if r["statistic"] == "sensitivity" and r.get("cutoff_id") == "c")
        assert found["estimate"] == sensitivity


def test_youden_figures_in_the_same_cases_are_too_good():
    area, event = outcome_data(60)
    rows = pd.DataFrame(endpoints.answer(question(area, event), SETTINGS).endpoints).set_index("statistic")
    youden = rows[rows["cutoff_id"] == "youden"]["estimate"]
    assert youden["youden_index_corrected"] < youden["youden_index"]
    assert rows.loc["youden_cutoff", "ci_low"] <= youden["youden_cutoff"] <= rows.loc["youden_cutoff", "ci_high"]


def test_few_events_are_warned_of_and_fewer_withheld():
    """Below the stated number no area, curve, Youden point, model or decision curve is drawn, and the rows say why."""
    area, event = outcome_data(160)
    for count, warning in ((5, "few_events"), (12, "few_events"), (int(event.sum()), "")):
        found = endpoints.answer(question(area, np.where(np.cumsum(event) <= count, event, 0.0)), SETTINGS)
        rows = pd.DataFrame(found.endpoints).drop_duplicates("statistic").set_index("statistic")
        assert set(rows["warning"]) == {warning}
        assert rows.loc["sensitivity", "estimate"] >= 0
        if count < SETTINGS.fewest_events:
            assert (found.curve, found.decision) == ([], [])
            withheld = rows.loc[["auc", "youden_cutoff", "model_auc"]]
            assert (withheld["status"] == "too_few_events").all()
            assert withheld["estimate"].isna().all()
            assert withheld["definition"].str.contains("withheld: 5 events; needed 10").all()
        else:
            assert np.isfinite(rows.loc["auc", "estimate"])
            assert len(found.decision) > 0


def test_area_has_the_interval_of_the_logit_scale():
    """Covers 93-95 % with 10 events of 60, the plain one 82-92 %; never beyond 1."""
    area, event = outcome_data(80, seed=4)
    row = next(r for r in endpoints.answer(question(area, event), SETTINGS).endpoints if r["statistic"] == "auc")
    found = roc.roc_area(area, event, "low")
    assert (row["ci_low"], row["ci_high"]) == (found.logit_low, found.logit_high)


def test_youden_of_noise_has_no_index_in_new_cases():
    """A measure without any relation: apparent J is about 0.15, that of new cases 0."""
    rng = np.random.default_rng(6)
    settings = StatisticsSettings(n_boot_model=50)
    apparent, corrected = [], []
    for _ in range(40):
        area, event = rng.normal(size=60), np.r_[np.ones(15), np.zeros(45)]
        q = question(area, event)
        apparent.append(roc.youden_point(area, event, "low").index)
        corrected.append(endpoints.cross_validated_youden(q, settings)[2])
    noise = np.std(corrected) / np.sqrt(40)
    assert np.mean(apparent) > 0.1
    assert abs(np.mean(corrected)) < 3 * noise + 0.03


def test_calibration_slope_of_new_cases_stays_in_reach():
    """Ten events: the bootstrap's mean optimism gave slopes from -10 to 3."""
    for seed in range(6):
        area, event = outcome_data(60, seed=seed)
        found = model.model_optimism(area[:, None], event, 1.0, 60, seed)
        assert 0 < found.slope < 2.5


def test_likelihood_ratios_by_their_formula():
    """Simel 1991 by hand: 24 of 30 with, 6 of 40 without the outcome are positive."""
    table = np.array([[24, 6], [6, 34]])
    ratio, low, high, status = likelihood_ratio(table, 0, 0.95)
    half = 1.959963984540054 * np.sqrt(1 / 24 - 1 / 30 + 1 / 6 - 1 / 40)
    assert status == "ok"
    assert (ratio, low, high) == pytest.approx((0.8 / 0.15, 0.8 / 0.15 * np.exp(-half), 0.8 / 0.15 * np.exp(half)))
    assert likelihood_ratio(table, 1, 0.95)[0] == pytest.approx(0.2 / 0.85)
    assert likelihood_ratio(np.array([[3, 0], [2, 5]]), 0, 0.95)[3] == "empty_cell"


def test_families_of_tests_are_adjusted_apart():
    """Holm within the rows that share the named columns; the family and its size stand in the rows."""
    rows = [{"outcome": o, "p_value": p} for o, p in (("a", 0.01), ("a", 0.04), ("b", 0.02), ("b", float("nan")))]
    endpoints.adjusted(rows, ("outcome",))
    assert [r.get("p_holm") for r in rows[:3]] == pytest.approx([0.02, 0.04, 0.02])
    assert "p_holm" not in rows[3]
    assert rows[0]["family"] == "a: 2 tests"
    endpoints.adjusted(rows, ())
    assert rows[0]["p_holm"] == pytest.approx(0.03)


def test_trend_equals_the_score_test_of_logistic_regression():
    """Cochran-Armitage is the score test of the slope; with these n it is near scipy's linear-by-linear p."""
    rng = np.random.default_rng(3)
    score = rng.integers(0, 4, 300)
    event = (rng.random(300) < 0.1 + 0.1 * score).astype(float)
    r = np.corrcoef(score, event)[0, 1]
    expected = scipy_stats.norm.sf(np.sqrt(300) * abs(r)) * 2  # Agresti 2013, sec. 5.3.5: z = sqrt(n) r
    assert endpoints.trend_p(score, event) == pytest.approx(expected, rel=1e-10)
    assert np.isnan(endpoints.trend_p(np.ones(5), np.array([0, 1, 0, 1, 0.0])))


def test_dose_groups_hold_every_case_once_in_order():
    area, event = outcome_data()
    rows = pd.DataFrame(endpoints.answer(question(area, event), SETTINGS).dose)
    assert rows["n"].sum() == len(area)
    assert rows["n_events"].sum() == event.sum()
    assert (rows["from_value"].to_numpy()[1:] > rows["to_value"].to_numpy()[:-1]).all()
    assert rows["n"].max() - rows["n"].min() <= 1


def test_events_are_read_as_text_or_number():
    cases = pd.DataFrame({"case_id": list("abcd"), "o": ["1", "1.0", "0", ""]})
    assert events_of(cases, Outcome(column="o")).tolist()[:3] == [1, 1, 0]
    assert np.isnan(events_of(cases, Outcome(column="o"))[3])
    words = pd.DataFrame({"case_id": list("abc"), "o": ["yes", "no", "lost"]})
    found = events_of(words, Outcome(column="o", event="yes", no_event="no", missing=("lost",)))
    assert found[:2].tolist() == [1, 0]
    assert np.isnan(found[2])


@pytest.mark.parametrize("texts", [("yes", "no"), ("true", "false"), ("ja", "nein"), ("1", "2"), ("1", "unknown")])
def test_a_text_beside_the_stated_ones_is_an_error_that_lists_it(texts):
    """Deaths written yes/no must not become "no event"."""
    cases = pd.DataFrame({"case_id": list("abcde"), "death": [texts[0]] * 2 + [texts[1]] * 3})
    settings = StatisticsSettings(outcomes=(Outcome(column="death"),))
    mistake = outcome_mistakes(cases, settings)[0]
    assert f'"{texts[1]}"' in mistake.found
    with pytest.raises(ValueError, match=texts[1]):
        events_of(cases, settings.outcomes[0])
    absent = outcome_mistakes(cases.drop(columns="death"), settings)[0]
    assert "no such column" in absent.found
    many = cases.assign(death=[f"Ada Example {i}" for i in range(5)])
    assert "Ada" not in outcome_mistakes(many, settings)[0].found


def baseline_cases(n=40):
    rng = np.random.default_rng(8)
    return pd.DataFrame(
        {
            "case_id": [f"C{i}" for i in range(n)],
            "group": ["a" if i % 2 else "b" for i in range(n)],
            "age": [f"{v:.1f}" if i != 3 else "" for i, v in enumerate(rng.normal(70, 9, n))],
            "sex": rng.choice(["f", "m"], n),
            "note": [f"text {i}" for i in range(n)],
        }
    )


def test_small_groups_have_no_difference_and_no_interval():
    cases = baseline_cases().assign(group=["a"] * 3 + ["b"] * 37)
    table = baseline_table(cases, groups_of(cases, "group"), SETTINGS, ["case_id", "group"])
    row = table[(table["column"] == "age") & (table["group"] == "all")].squeeze()
    assert np.isnan(row["standardised_difference"])
    assert row["status"] == "few_cases"
    values = pd.DataFrame({"k": ["x"] * 2 + ["y"] * 5, "value": [1.0, 900.0, 1, 2, 3, 4, 5]})
    few, enough = summarise(values, ["k"], 0.95, 5).itertuples()
    assert (few.status, enough.status) == ("few_cases", "ok")
    assert np.isnan(few.ci_low)
    assert enough.ci_low < enough.mean < enough.ci_high


def test_baseline_of_numbers_and_categories():
    cases = baseline_cases()
    table = baseline_table(cases, groups_of(cases, "group"), SETTINGS, ["case_id", "group"])
    assert set(table["column"]) == {"age", "sex"}
    age = pd.to_numeric(cases["age"])
    a, b = (age[cases["group"] == g].dropna() for g in "ab")
    row = table[(table["column"] == "age") & (table["group"] == "all")].squeeze()
    assert (row["n"], row["n_missing"]) == (39, 1)
    assert (row["mean"], row["sd"], row["median"]) == pytest.approx((age.mean(), age.std(), age.median()))
    assert row["standardised_difference"] == pytest.approx((a.mean() - b.mean()) / np.sqrt((a.var() + b.var()) / 2))
    assert row["test"].startswith("mann_whitney")
    assert row["p_value"] == pytest.approx(comparisons.mann_whitney(a.to_numpy(), b.to_numpy()).p_value)
    sex = table[(table["column"] == "sex") & (table["group"] == "all")].iloc[0]
    counts = pd.crosstab(cases["sex"], cases["group"]).to_numpy()
    assert sex["p_value"] == pytest.approx(scipy_stats.fisher_exact(counts)[1])
    holm = comparisons.holm(np.array([row["p_value"], sex["p_value"]]))
    assert (row["p_holm"], sex["p_holm"]) == pytest.approx(tuple(holm))


def test_size_is_the_device_inside_its_target():
    """Area oversizing 100 (pi d^2 / 4 / A - 1): a ring of 24 mm diameter is 17.4 % under a 26 mm device."""
    targets = [sizing.Target(f"D{d}", float(d), "", "area", 5.0, 25.0) for d in (23, 26, 29)]
    area = np.pi * 24.0**2 / 4
    name, target, over = sizing.choose_size({"area": area}, "", targets)
    assert name == target.device_id == "D26"
    assert over == pytest.approx(100 * ((26 / 24) ** 2 - 1))
    assert sizing.choose_size({"area": np.pi * 15.0**2 / 4}, "", targets)[0] == sizing.SMALL
    assert sizing.choose_size({"area": np.pi * 40.0**2 / 4}, "", targets)[0] == sizing.LARGE
    assert sizing.choose_size({"area": np.nan}, "", targets)[0] == ""
    assert sizing.choose_size({"perimeter": 75.0}, "", targets)[0] == ""


def test_of_several_fitting_sizes_the_middle_of_the_target_decides():
    """Both 26 and 29 mm lie inside their targets for this ring; the one nearer to the middle of its target is taken."""
    ring = {"area": np.pi * 24.0**2 / 4}  # 17.4 % and 46.0 % over the ring
    near_26 = [sizing.Target("D26", 26.0, "", "area", 7.0, 27.0), sizing.Target("D29", 29.0, "", "area", 20.0, 50.0)]
    near_29 = [sizing.Target("D26", 26.0, "", "area", 15.0, 60.0), sizing.Target("D29", 29.0, "", "area", 40.0, 50.0)]
    assert sizing.choose_size(ring, "", near_26)[0] == "D26"
    assert sizing.choose_size(ring, "", near_29)[0] == "D29"
    # An equal distance goes to the smaller device.
    over = [sizing.oversizing(t, ring["area"]) for t in near_26]
    even = [sizing.Target(f"D{d}", float(d), "", "area", o - 5, o + 5) for d, o in zip((26, 29), over, strict=True)]
    assert sizing.choose_size(ring, "", even[::-1])[0] == "D26"


def test_size_kappa_does_not_count_the_device_family_as_agreement():
    """Two groups with targets of their own: readers agree on the family always, on the size by chance only."""
    rng = np.random.default_rng(3)
    devices = {"A": (23, 26, 29), "B": (33, 36, 39)}
    targets = [sizing.Target(f"{g}{d}", float(d), g, "area", 0.0, 20.0) for g in "AB" for d in devices[g]]
    rows = [
        {"case_id": f"{g}{i}", "group": g, "phase_pct": 30.0, "reader_id": r, "read_no": 1}
        | {"size": f"{g}{rng.choice(devices[g])}"}
        for g in "AB" for i in range(60) for r in ("R1", "R2")
    ]  # fmt: skip
    table = sizing.size_agreement(pd.DataFrame(rows), targets, SETTINGS)
    kappas = table[table["statistic"] == "kappa"]
    assert set(kappas["target_group"]) == {"A", "B"}
    assert (kappas["estimate"].abs() < 0.3).all()


def test_targets_of_the_own_group_go_first():
    targets = [
        sizing.Target("D26", 26.0, "", "area", 5.0, 25.0),
        sizing.Target("D29", 29.0, "calcium", "area", 40.0, 60.0),
    ]
    ring = {"area": np.pi * 24.0**2 / 4}
    assert sizing.choose_size(ring, "valve", targets)[0] == "D26"
    assert sizing.choose_size(ring, "calcium", targets)[0] == "D29"


def test_settings_name_the_unknown_and_the_missing():
    with pytest.raises(ValueError, match="reference_reader"):
        StatisticsSettings(reader_rule="reference_reader")
    with pytest.raises(ValueError, match="unknown item"):
        StatisticsSettings(grras_facts={"titel": "x"})
    with pytest.raises(ValueError, match="extra"):
        StatisticsSettings.model_validate({"n_bot": 5})
    fields = StatisticsSettings.model_json_schema()["properties"]
    assert all("description" in f and "unit" in f for f in fields.values())
