"""Multi-reader ROC: Obuchowski-Rockette against the analysis of pseudovalues, closed forms and simulation."""

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.stats.data.settings import StatisticsSettings
from outflow_cohort.stats.kernels import roc
from outflow_cohort.stats.kernels.multi_reader_roc import multi_reader_roc
from outflow_cohort.stats.outcome.multi_reader import multi_reader_rows


def ratings(seed=1, t=2, r=4, n=60, events=24, gain=0.4):
    rng = np.random.default_rng(seed)
    event = (np.arange(n) < events).astype(float)
    case = rng.normal(size=n) + event
    value = case + rng.normal(0, 0.5, (t, r, n)) + rng.normal(0, 0.3, (t, 1, n)) + rng.normal(0, 0.3, (1, r, n))
    value[1:] += gain * event
    return value, event


def pseudovalue_analysis(value, event):
    """Dorfman, Berbaum & Metz 1992: three-way analysis of variance of jackknife pseudovalues, written out; F with the
    case x test term taken in only where positive (Hillis 2005), df of Hillis 2007."""
    t, r, n = value.shape
    whole = np.array([[roc.roc_area(row, event, "high").area for row in test] for test in value])
    y = np.empty((t, r, n))
    for c in range(n):
        kept = np.arange(n) != c
        left = [[roc.roc_area(row[kept], event[kept], "high").area for row in test] for test in value]
        y[:, :, c] = n * whole - (n - 1) * np.array(left)
    mean = y.mean()
    tests, by_reader, by_case = y.mean((1, 2)), y.mean(2), y.mean(1)
    ms_t = r * n * ((tests - mean) ** 2).sum() / (t - 1)
    tr = by_reader - tests[:, None] - y.mean((0, 2))[None] + mean
    ms_tr = n * (tr**2).sum() / ((t - 1) * (r - 1))
    tc = by_case - tests[:, None] - y.mean((0, 1))[None] + mean
    ms_tc = r * (tc**2).sum() / ((t - 1) * (n - 1))
    trc = (
        y - by_reader[:, :, None] - by_case[:, None, :] - y.mean(0)[None]
        + tests[:, None, None] + y.mean((0, 2))[None, :, None] + y.mean((0, 1))[None, None, :] - mean
    )  # fmt: skip
    ms_trc = (trc**2).sum() / ((t - 1) * (r - 1) * (n - 1))
    error = ms_tr + max(ms_tc - ms_trc, 0.0)
    return ms_t / error, error**2 / (ms_tr**2 / ((t - 1) * (r - 1)))


@pytest.mark.parametrize("seed", [1, 2])
def test_jackknife_form_is_the_analysis_of_pseudovalues(seed):
    value, event = ratings(seed)
    found = multi_reader_roc(value, event, covariance="jackknife")
    f_value, df2 = pseudovalue_analysis(value, event)
    # The mean of the pseudovalues is the area up to the jackknife's bias, which is 0 for this statistic.
    assert found.f_value == pytest.approx(f_value, rel=1e-9)
    assert found.df2 == pytest.approx(df2, rel=1e-9)


def test_readers_who_are_copies_are_one_reader():
    """No reader variance: the mean area has DeLong's standard error (DeLong 1988), the difference that of the pair."""
    value, event = ratings(3, r=1)
    copies = np.repeat(value, 3, axis=1)
    found = multi_reader_roc(copies, event)
    single = roc.roc_area(value[0, 0], event, "high")
    pair = roc.compare_areas(value[0, 0], value[1, 0], event, "high", "high")
    assert found.averages[0].area == pytest.approx(single.area, abs=1e-14)
    assert found.averages[0].std_error == pytest.approx(single.standard_error, rel=1e-9)
    assert found.difference.area == pytest.approx(pair.difference, abs=1e-14)
    assert found.difference.std_error == pytest.approx(pair.standard_error, rel=1e-9)
    with pytest.raises(ValueError, match="two of each"):
        multi_reader_roc(value, event)


def test_tests_without_a_difference_are_told_apart_in_about_five_of_a_hundred():
    rejected = [multi_reader_roc(*ratings(seed, gain=0.0)).p_value < 0.05 for seed in range(200)]
    assert 0.01 <= np.mean(rejected) <= 0.09


def test_the_table_has_readers_means_and_differences():
    value, event = ratings(5, t=2, r=3)
    rows = [
        (f"C{c:02d}", f"R{j}", 1, "P1", "neo_lvot_area", "skirt", ("automatic_path", "reader_path")[i], -value[i, j, c])
        for i in range(2) for j in range(3) for c in range(value.shape[2])
    ]  # fmt: skip
    names = ["case_id", "reader_id", "read_no", "plan_id", "measure", "variant", "method", "value"]
    frame = pd.DataFrame(rows, columns=names)
    told = {f"C{c:02d}": e for c, e in enumerate(event)}
    table = pd.DataFrame(multi_reader_rows(frame, "obstruction", told, "low", StatisticsSettings()))
    assert table["statistic"].value_counts().to_dict() == {"auc_of_reader": 6, "auc_mean": 2, "auc_difference": 1}
    found = multi_reader_roc(value, event)
    mean = table[(table["statistic"] == "auc_mean") & (table["method"] == "automatic_path")].squeeze()
    assert mean["estimate"] == pytest.approx(found.averages[0].area)
    assert table[table["statistic"] == "auc_difference"].squeeze()["p_value"] == pytest.approx(found.p_value)
    few = multi_reader_rows(frame, "o", {k: float(i < 3) for i, k in enumerate(told)}, "low", StatisticsSettings())
    assert {row["status"] for row in few} == {"too_few_events"}
    alone = multi_reader_rows(frame[frame["reader_id"] == "R1"], "o", told, "low", StatisticsSettings())
    assert {row["status"] for row in alone} == {"one_reader"}
