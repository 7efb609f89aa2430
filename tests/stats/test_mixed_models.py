"""Mixed models against lme4, lmerTest and emmeans (tests/reference/stats/r/mixed_models.R)."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.stats.cohort.mixed_design import differences, marginal_means, mixed_design, terms
from outflow_cohort.stats.cohort.mixed_models import mixed_model_table
from outflow_cohort.stats.data.settings import MixedModel, StatisticsSettings
from outflow_cohort.stats.kernels.mixed_model import contrast_of, fit_mixed, joint_test

R = Path(__file__).parents[1] / "reference" / "stats" / "r"
REFERENCE = json.loads((R / "mixed_models.json").read_text())
TOLERANCE = 2e-5
"""Relative; lme4's optimiser and numerical derivatives reach about 1e-6, degrees of freedom 1e-5."""


def data(name):
    text = dict.fromkeys(("case_id", "reader_id", "group", "phase", "site"), str)
    return pd.read_csv(R / f"mixed_{name}.csv", dtype={k: v for k, v in text.items()})


def fitted(name):
    frame = data(name)
    factors = {"site": frame["site"].to_numpy()} if name == "cohort" else {}
    design = mixed_design(frame["group"].to_numpy(), frame["phase"].to_numpy(), factors, {})
    codes = [pd.factorize(frame[c])[0] for c in ("case_id", "reader_id")]
    return design, fit_mixed(frame["value"].to_numpy(), design.columns, codes)


@pytest.mark.parametrize("name", ["tvbo", "cohort"])
def test_components_means_contrasts_and_tests_equal_r(name):
    """tvbo: lmerTest's TVbo (complete, one variance 0); cohort: readings missing, an additive site."""
    design, fit = fitted(name)
    assert fit.status == ("singular" if name == "tvbo" else "ok")
    for found, key in zip([*fit.variances, fit.residual], ("case_id", "reader_id", "Residual"), strict=True):
        assert found == pytest.approx(REFERENCE[f"{name}.variance.{key}"], rel=TOLERANCE, abs=1e-6)
    checked = 0
    for term, level, weights in [*marginal_means(design), *differences(design)]:
        kind = "contrast" if " - " in level else "mean"
        key = f"{name}.{kind}.{level.replace(' ', '')}"
        if term != "group" or f"{key}.estimate" not in REFERENCE:
            continue
        c = contrast_of(fit, weights)
        own = {"estimate": c.estimate, "se": c.std_error, "df": c.df, "low": c.ci_low, "high": c.ci_high}
        for figure, value in own.items():
            assert value == pytest.approx(REFERENCE[f"{key}.{figure}"], rel=TOLERANCE), (key, figure)
        checked += 1
    assert checked == (6 if name == "tvbo" else 3)
    for term, rows in terms(design):
        key = f"{name}.F.{term.replace(' ', '_')}"
        test = joint_test(fit, rows)
        own = {"value": test.f_value, "df1": test.df1, "df2": test.df2}
        for figure, value in own.items():
            assert value == pytest.approx(REFERENCE[f"{key}.{figure}"], rel=TOLERANCE), (key, figure)
        assert test.p_value == pytest.approx(REFERENCE[f"{key}.p"], rel=1e-3)


def test_an_empty_cell_and_too_few_readings_have_a_status():
    group, phase = np.array(["a", "a", "b", "b"]), np.array(["1", "2", "1", "1"])
    assert mixed_design(group, phase, {}, {}).status == "empty_cell"
    x = np.ones((4, 1))
    assert fit_mixed(np.arange(4.0), x, [np.array([0, 0, 1, 1]), np.zeros(4, int)]).status == "too_few_readings"
    many = np.repeat(np.arange(5), 4)
    assert fit_mixed(np.ones(20), np.ones((20, 1)), [many]).status == "constant_values"
    assert fit_mixed(np.arange(20.0), np.ones((20, 2)), [many]).status == "not_estimable"


def test_the_table_has_means_differences_and_tests():
    frame = data("cohort")
    cases = frame.drop_duplicates("case_id")[["case_id", "group", "site"]]
    readings = frame.assign(
        measure="neo_lvot_area", variant="skirt", method="reader_path", plan_id="P1", unit="mm2", read_no=1,
        phase_pct=frame["phase"].str[1:].astype(float),
    ).drop(columns=["group", "site", "phase"])  # fmt: skip
    model = MixedModel(measure="neo_lvot_area", variant="skirt", covariates=("site",))
    table = mixed_model_table(readings, cases, model, StatisticsSettings())
    row = table[(table["statistic"] == "difference") & (table["term"] == "group")].squeeze()
    assert row["estimate"] == pytest.approx(REFERENCE["cohort.contrast.ring-native.estimate"], rel=TOLERANCE)
    assert row["df"] == pytest.approx(REFERENCE["cohort.contrast.ring-native.df"], rel=TOLERANCE)
    assert {"mean", "difference", "f_test", "variance"} == set(table["statistic"])
    assert (table["status"] == "ok").all()
    within = table[table["term"] == "group within phase"]
    assert len(within) == 3
    assert (within["p_holm"] >= within["p_value"]).all()
    few = mixed_model_table(readings[readings["case_id"].isin(["C01"])], cases, model, StatisticsSettings())
    assert set(few["status"]) == {"too_few_readings"}


def test_a_variance_of_0_marks_its_own_row_and_the_means_only():
    """Readers of equal means cancel from differences; without a variance of cases nothing is sure."""
    at = np.indices((12, 3, 2)).reshape(3, -1)
    rng = np.random.default_rng(5)
    value = rng.normal(0, 3, 12)[at[0]] + rng.normal(0, 1, at.shape[1])
    frame = pd.DataFrame(dict(zip(("case_id", "reader_id", "phase_pct"), at.astype(str), strict=True)))
    frame["value"] = value - pd.Series(value).groupby(at[1]).transform("mean").to_numpy()
    frame["phase_pct"] = 20.0 * (1 + at[2])
    frame = frame.assign(measure="neo_lvot_area", variant="skirt", method="reader_path", plan_id="P1", unit="mm2")
    cases = pd.DataFrame({"case_id": [str(i) for i in range(12)], "group": ["a", "b"] * 6})
    model, settings = MixedModel(measure="neo_lvot_area"), StatisticsSettings()
    table = mixed_model_table(frame, cases, model, settings)
    status = table.groupby(["statistic", "term"])["status"].agg(set).to_dict()
    assert status["variance", "reader"] == {"variance_nil"}
    assert status["variance", "case"] == {"ok"}
    status = table.groupby("statistic")["status"].agg(set).to_dict()
    assert status["difference"] == {"ok"} == status["f_test"]
    assert status["mean"] == {"variance_nil"}
    assert table.loc[table["statistic"] != "variance", "definition"].str.contains("reader came out as 0").all()
    swapped = frame.rename(columns={"case_id": "reader_id", "reader_id": "case_id"})
    table = mixed_model_table(swapped, cases.head(3).assign(group="a"), model, settings)
    assert set(table.loc[table["statistic"] == "difference", "status"]) == {"variance_nil"}
