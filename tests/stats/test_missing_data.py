"""Missing data: Rubin's rules against R's mice, imputation by what it must restore, and the tables of gaps."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.stats.cohort.missing_data import missing_table
from outflow_cohort.stats.data.one_value import groups_of
from outflow_cohort.stats.data.settings import AdjustedModel, Outcome, StatisticsSettings
from outflow_cohort.stats.kernels.imputation import impute, pool
from outflow_cohort.stats.outcome.adjusted_models import adjusted_rows
from outflow_cohort.stats.outcome.endpoints import Question

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "stats" / "r" / "rubin.json").read_text())


def test_rubins_rules_equal_mice():
    """mice::pool.scalar with n = 60 and k = 3, small-sample df."""
    found = pool(np.array([0.52, 0.61, 0.47, 0.58, 0.55]), np.sqrt([0.041, 0.038, 0.044, 0.040, 0.039]), 57)
    assert found.estimate == pytest.approx(REFERENCE["qbar"], rel=1e-12)
    assert found.std_error**2 == pytest.approx(REFERENCE["t"], rel=1e-9)
    assert found.df == pytest.approx(REFERENCE["df"], rel=1e-9)
    assert found.missing_information == pytest.approx(REFERENCE["fmi"], rel=1e-9)


def test_filled_values_were_seen_and_known_ones_stay():
    rng = np.random.default_rng(1)
    table = rng.normal(size=(80, 3))
    table[:, 2] = (table[:, 0] > 0).astype(float)
    holed = table.copy()
    holed[rng.random(80) < 0.3, 1] = np.nan
    holed[rng.random(80) < 0.2, 2] = np.nan
    found = impute(holed, 4, seed=3)
    assert np.isfinite(found).all()
    assert np.array_equal(found[0][np.isfinite(holed)], holed[np.isfinite(holed)])
    assert set(np.unique(found[:, :, 2])) == {0.0, 1.0}
    assert np.array_equal(found, impute(holed, 4, seed=3))
    assert not np.array_equal(found[0], found[1])
    with pytest.raises(ValueError, match="cannot be imputed"):
        impute(np.where(np.arange(80)[:, None] < 75, np.nan, table), 2, seed=1)


def test_values_missing_at_random_are_restored_where_complete_cases_mislead():
    """Larger y is missing more often where x is large (Rubin 1987): complete cases give a mean that is too small."""
    rng = np.random.default_rng(5)
    complete, pooled = [], []
    for _ in range(20):
        x = rng.normal(size=200)
        y = x + rng.normal(0, 0.6, 200)
        gone = rng.random(200) < 1 / (1 + np.exp(-2 * x))
        filled = impute(np.column_stack([x, np.where(gone, np.nan, y)]), 5, seed=2)
        complete.append(y[~gone].mean())
        pooled.append(filled[:, :, 1].mean())
    assert np.mean(complete) < -0.3
    assert abs(np.mean(pooled)) < 0.12


def cohort(n=120, seed=2):
    rng = np.random.default_rng(seed)
    age, area = rng.normal(72, 8, n), rng.normal(250, 60, n)
    event = (rng.random(n) < 1 / (1 + np.exp((area - 240) / 40))).astype(float)
    cases = pd.DataFrame(
        {"case_id": [f"C{i:03d}" for i in range(n)], "group": np.where(np.arange(n) % 2, "a", "b"),
         "age": [f"{a:.1f}" if i % 5 else "" for i, a in enumerate(age)], "death": event.astype(int).astype(str)}
    )  # fmt: skip
    area = np.where(rng.random(n) < 0.15, np.nan, area)
    return cases, area, event


def test_gaps_are_counted_by_group_and_reason_and_compared():
    cases, area, _ = cohort()
    area[age_above(cases, 74)] = np.nan
    chosen = pd.DataFrame(
        {"case_id": cases["case_id"], "plan_id": "P1", "measure": "neo_lvot_area", "variant": "skirt", "unit": "mm2",
         "method": "reader_path", "value": area, "missing": np.where(np.isnan(area), "no_usable_value", "")}
    ).iloc[2:]  # fmt: skip
    table = missing_table(cases, chosen, groups_of(cases, "group"), StatisticsSettings(), ["case_id", "group", "death"])
    whole = table[(table["group"] == "all") & (table["measure"] == "neo_lvot_area")].set_index("reason")
    assert whole.loc["not_measured", "count"] == 2
    assert whole.loc["no_usable_value", "count"] == np.isnan(area[2:]).sum()
    age = table[(table["statistic"] == "difference_of_missing") & (table["column"] == "age")].squeeze()
    assert age["estimate"] > 1
    assert age["p_value"] < 0.001
    empty = table[(table["column"] == "age") & (table["reason"] == "empty_cell")].set_index("group")
    assert empty.loc["all", "count"] == 24
    assert empty.loc["a", "count"] + empty.loc["b", "count"] == 24


def age_above(cases, limit):
    return (pd.to_numeric(cases["age"]) > limit).to_numpy()


def test_models_with_gaps_say_what_they_rest_on():
    cases, area, event = cohort()
    names = {
        "outcome": "death",
        "endpoint": "",
        "plan_id": "",
        "measure": "neo_lvot_area",
        "variant": "",
        "method": "",
        "unit": "mm2",
    }
    model = AdjustedModel(outcome="death", covariates=("age",))
    settings = StatisticsSettings(outcomes=(Outcome(column="death"),), adjusted_models=(model,), imputations=5)
    rows, _ = adjusted_rows(cases, [Question(names, "low", area, event, ())], model, settings)
    table = pd.DataFrame(rows).set_index(["model", "term"])
    whole = table.loc["logistic: measure + age; gaps filled 5 times"]
    part = table.loc["logistic: measure + age; complete cases"]
    assert (part["n"] < 120).all()
    assert (part["n"] + part["n_missing"] == 120).all()
    assert (whole["n"] == 120).all()
    assert whole["definition"].str.contains("information is missing").all()
    assert whole.loc["measure, per SD", "estimate"] == pytest.approx(part.loc["measure, per SD", "estimate"], rel=0.5)
    without = settings.model_copy(update={"imputations": 0})
    assert len(adjusted_rows(cases, [Question(names, "low", area, event, ())], model, without)[0]) == 2
