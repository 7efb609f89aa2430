"""REML against the likelihood written out with dense matrices, against closed forms, and under changes of unit."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from outflow_cohort.stats import icc, reproducibility, variance_components


def crossed(seed, n=15, k=3, m=2, missing=0.0, spread=(3.0, 1.0, 0.7, 1.0)):
    """A tidy frame of simulated readings with some of them missing."""
    rng = np.random.default_rng(seed)
    values = (
        50.0
        + rng.normal(0, spread[0], (n, 1, 1))
        + rng.normal(0, spread[1], (1, k, 1))
        + rng.normal(0, spread[2], (n, k, 1))
        + rng.normal(0, spread[3], (n, k, m))
    )
    case, reader, read = np.indices((n, k, m)).reshape(3, -1)
    frame = pd.DataFrame(
        {
            "case_id": [f"C{i:03d}" for i in case],
            "reader_id": [f"R{j}" for j in reader],
            "read_no": read + 1,
            "value": values.ravel(),
        }
    )
    return frame[rng.random(len(frame)) >= missing].reset_index(drop=True)


def dense_criterion(frame, components):
    """-2 log restricted likelihood by its definition (Harville 1977), matrices written out."""
    y = frame["value"].to_numpy()
    designs = []
    for labels in (frame["case_id"], frame["reader_id"], frame["case_id"] + frame["reader_id"]):
        codes = labels.factorize()[0]
        designs.append((codes[:, None] == np.arange(codes.max() + 1)).astype(float))
    covariance = components[3] * np.eye(len(y))
    for design, component in zip(designs, components[:3], strict=True):
        covariance += component * design @ design.T
    inverse = np.linalg.inv(covariance)
    information = inverse.sum()
    mean = (inverse @ y).sum() / information
    residual = y - mean
    return (
        (len(y) - 1) * np.log(2 * np.pi)
        + np.linalg.slogdet(covariance)[1]
        + np.log(information)
        + residual @ inverse @ residual
    )


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("m", "missing"), [(1, 0.0), (1, 0.25), (2, 0.0), (2, 0.3)])
def test_is_the_minimum_of_the_dense_likelihood(seed, m, missing):
    frame = crossed(seed, n=12, k=4, m=m, missing=missing)
    fit = variance_components(frame)
    assert fit.status == "ok"
    values = fit.values
    assert fit.restricted_criterion == pytest.approx(dense_criterion(frame, values), rel=1e-10)
    free = [0, 1, 3] if np.isnan(fit.case_reader) else [0, 1, 2, 3]

    def of_roots(roots):
        components = np.zeros(4)
        components[free] = roots**2
        return dense_criterion(frame, components)

    start = np.sqrt(np.maximum(values[free], 1e-3))
    searched = minimize(of_roots, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000})
    assert fit.restricted_criterion <= searched.fun + 1e-8
    np.testing.assert_allclose(values[free], searched.x**2, rtol=2e-5, atol=1e-6 * fit.total)


@pytest.mark.parametrize("m", [1, 3])
def test_equals_analysis_of_variance_when_balanced(m):
    """Searle, Casella & McCulloch 1992: REML of balanced data equals the ANOVA estimators if none is negative."""
    frame = crossed(4, n=30, k=4, m=m)
    fit = variance_components(frame)
    table = frame.groupby(["case_id", "reader_id"])["value"].agg(["mean", "var"])
    n, k = 30, 4
    means = table["mean"].to_numpy().reshape(n, k)
    case_square = k * m * means.mean(axis=1).var(ddof=1)
    reader_square = n * m * means.mean(axis=0).var(ddof=1)
    left = means - means.mean(axis=1, keepdims=True) - means.mean(axis=0, keepdims=True) + means.mean()
    cell_square = m * (left**2).sum() / ((n - 1) * (k - 1))
    residual = table["var"].mean() if m > 1 else cell_square
    assert fit.residual == pytest.approx(residual, rel=1e-9)
    assert fit.case == pytest.approx((case_square - cell_square) / (k * m), rel=1e-9)
    assert fit.reader == pytest.approx((reader_square - cell_square) / (n * m), rel=1e-9)
    if m > 1:
        assert fit.case_reader == pytest.approx((cell_square - residual) / m, rel=1e-9)


def test_boundary_is_a_new_fit_and_not_a_cut_off_analysis_of_variance():
    """With a negative ANOVA component the others are those of the model without it."""
    for seed in range(200):
        frame = crossed(seed, n=8, k=3, m=1, spread=(2.0, 0.0, 0.0, 1.0))
        fit = variance_components(frame)
        if fit.reader == 0.0:
            break
    without = variance_components(frame, reader=None)
    assert fit.residual == pytest.approx(without.residual, rel=1e-8)
    assert fit.case == pytest.approx(without.case, rel=1e-8)


def test_readers_are_crossed_with_cases_and_not_nested():
    """Penicillin data: the known mistake nests samples in plates and finds SD 0.3084, 1.9219, 0.5829."""
    data = Path(__file__).parents[1] / "reference" / "stats" / "data" / "penicillin.csv"
    frame = pd.read_csv(data).rename(columns={"plate": "case_id", "sample": "reader_id", "diameter": "value"})
    fit = variance_components(frame)
    assert np.sqrt(fit.case) == pytest.approx(0.8467, abs=5e-5)
    nested = variance_components(frame.assign(reader_id=frame.case_id + frame.reader_id))
    assert nested.status == "residual_not_estimable"


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    factor=st.floats(-1e3, 1e3).filter(lambda v: abs(v) > 1e-3),
    shift=st.floats(-1e4, 1e4),
)
def test_icc_is_invariant_under_affine_change_of_unit(seed, factor, shift):
    frame = crossed(seed, n=10, k=3, m=2, missing=0.2)
    changed = frame.assign(value=factor * frame["value"] + shift)
    before, after = icc(frame), icc(changed)
    for column in ("estimate", "ci_low", "ci_high"):
        np.testing.assert_allclose(before[column], after[column], rtol=1e-5, atol=1e-6)
    assert list(before["status"]) == list(after["status"])


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_order_and_names_do_not_matter(seed):
    frame = crossed(seed, n=9, k=3, m=2, missing=0.25)
    shuffled = frame.sample(frac=1, random_state=seed)
    renamed = shuffled.assign(
        reader_id=shuffled["reader_id"].map({"R0": "z", "R1": "m", "R2": "a"}),
        case_id=shuffled["case_id"].str.replace("C", "patient "),
    )
    first, second = icc(frame), icc(renamed)
    np.testing.assert_allclose(first["estimate"], second["estimate"], rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(first["ci_low"], second["ci_low"], rtol=1e-5, atol=1e-6)


def test_removing_cells_moves_the_estimate_continuously_from_the_complete_one():
    """The incomplete estimate uses all readings: it stays near the complete one, listwise deletion would not."""
    frame = crossed(11, n=40, k=3, m=1, spread=(3.0, 0.8, 0.0, 1.0))
    complete = icc(frame).set_index("form").estimate
    one_gone = icc(frame.drop(index=5)).set_index("form").estimate
    np.testing.assert_allclose(complete, one_gone, atol=0.01)


def test_generalised_and_f_based_intervals_agree_where_the_latter_is_exact():
    frame = crossed(3, n=25, k=4, m=1)
    exact = icc(frame, interval="f_based").set_index("form")
    general = icc(frame, interval="generalised").set_index("form")
    for form in ("icc_1_1", "icc_c_1", "icc_c_k"):
        assert general.ci_low[form] == pytest.approx(exact.ci_low[form], abs=2e-3)
        assert general.ci_high[form] == pytest.approx(exact.ci_high[form], abs=2e-3)


def test_precision_and_icc_tell_the_same_story():
    frame = crossed(7, missing=0.2)
    fit = variance_components(frame)
    table = reproducibility(frame).set_index("statistic").estimate
    ratio = icc(frame).set_index("form").estimate
    assert table["sd_reproducibility"] ** 2 == pytest.approx(fit.reader + fit.case_reader + fit.residual, rel=1e-12)
    assert ratio["icc_a_1"] == pytest.approx(table["icc_inter_single"], rel=1e-12)
    assert ratio["icc_a_1"] <= ratio["icc_c_1"] <= 1
    assert ratio["icc_a_1"] <= ratio["icc_a_k"]


def test_columns_that_are_not_there_are_named():
    with pytest.raises(KeyError, match="rater"):
        icc(crossed(0), reader="rater")


def test_errors_of_components_of_very_different_size():
    """Readers who agree to five digits: the error of a variance is s^2 sqrt(2 / df)."""
    rng = np.random.default_rng(3)
    case = rng.normal(0, 1, (12, 1, 1))
    value = case + 1e-5 * rng.normal(size=(12, 3, 2))
    at = np.argwhere(np.isfinite(value))
    frame = pd.DataFrame({"case_id": at[:, 0], "reader_id": at[:, 1], "value": value[tuple(at.T)]})
    fit = variance_components(frame)
    assert fit.status == "ok"
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(fit.case * np.sqrt(2 / 11), rel=1e-3)
    assert np.sqrt(fit.covariance[3, 3]) == pytest.approx(fit.residual * np.sqrt(2 / 36), rel=0.05)
