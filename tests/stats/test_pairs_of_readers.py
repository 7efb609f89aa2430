"""Limits of agreement, concordance and regressions: closed forms, equivariance, replicates."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outflow_cohort.stats import (
    MeasureChoice,
    bland_altman,
    bland_altman_regression,
    bland_altman_replicates,
    concordance,
    deming,
    method_agreement,
    passing_bablok,
    repeatability,
)

LIMITS = ("bias", "bias_low", "bias_high", "lower", "lower_low", "lower_high", "upper", "upper_low", "upper_high")


def pairs(seed, n=25):
    rng = np.random.default_rng(seed)
    truth = rng.normal(30, 4, n)
    return truth + rng.normal(0, 1, n), truth + 0.5 + rng.normal(0, 1, n)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    factor=st.floats(1e-3, 1e3),
    shift=st.floats(-1e3, 1e3),
    method=st.sampled_from(["exact", "approximate", "simple", "mover"]),
)
def test_limits_are_equivariant(seed, factor, shift, method):
    a, b = pairs(seed)
    before = bland_altman(a, b, limits_interval=method)
    scaled = bland_altman(factor * a + shift, factor * b + shift, limits_interval=method)
    swapped = bland_altman(b, a, limits_interval=method)
    for name in LIMITS:
        assert getattr(scaled, name) == pytest.approx(factor * getattr(before, name), rel=1e-7, abs=1e-8 * factor)
    assert swapped.upper_high == pytest.approx(-before.lower_low, rel=1e-12)
    assert swapped.bias == pytest.approx(-before.bias, rel=1e-12)


def test_exact_limits_contain_the_tolerance_factor_of_the_handbook():
    """NIST e-Handbook 7.2.6.3: one-sided factor 1.8752 (approximate) for n = 43, coverage 0.90, confidence 0.99."""
    rng = np.random.default_rng(0)
    a = rng.normal(size=43)
    found = bland_altman(a, np.zeros(43), multiplier=1.2815515655446004, confidence=0.98)
    assert (found.upper_high - found.bias) / found.sd == pytest.approx(1.8740, abs=2e-4)


def test_replicates_with_one_read_each_are_single_pairs():
    a, b = pairs(3)
    frame = pd.DataFrame({"case_id": [*range(25), *range(25)], "reader_id": ["A"] * 25 + ["B"] * 25, "value": [*a, *b]})
    single = bland_altman(a, b, limits_interval="mover")
    repeated = bland_altman_replicates(frame, "A", "B").limits
    for name in (*LIMITS, "sd", "sd_low", "sd_high"):
        assert getattr(repeated, name) == pytest.approx(getattr(single, name), rel=1e-9)


def test_unequal_replicates_use_the_mean_of_the_inverse_counts():
    """Bland & Altman 1999: 1 - mean(1/m); the mistake 1 - 1/mean(m) gives another variance."""
    rng = np.random.default_rng(5)
    rows = []
    for case in range(30):
        truth = rng.normal(50, 5)
        for reader, reads in (("A", 1 + case % 3), ("B", 2)):
            rows += [(case, reader, truth + rng.normal()) for _ in range(reads)]
    frame = pd.DataFrame(rows, columns=["case_id", "reader_id", "value"])
    found = bland_altman_replicates(frame, "A", "B")
    inverse = np.mean([1 / (1 + case % 3) for case in range(30)])
    assert found.mean_inverse_first == pytest.approx(inverse, rel=1e-12)
    expected = found.variance_of_means + (1 - inverse) * found.within_first + 0.5 * found.within_second
    assert found.total_variance == pytest.approx(expected, rel=1e-12)


def test_log_limits_are_ratios_and_do_not_see_the_unit():
    a, b = pairs(4)
    found = bland_altman(a, b, scale="log")
    inches = bland_altman(a / 25.4, b / 25.4, scale="log")
    assert found.ratio_bias == pytest.approx(np.exp(np.mean(np.log(a / b))), rel=1e-12)
    assert inches.ratio_upper == pytest.approx(found.ratio_upper, rel=1e-10)
    assert bland_altman(a - 40, b, scale="log").status == "not_positive"


def test_regression_limits_find_a_planted_slope():
    truth = np.linspace(10, 50, 41)
    found = bland_altman_regression(1.1 * truth, truth)
    assert found.slope == pytest.approx(0.1 / 1.05, rel=1e-9)
    assert found.status == "no_spread"


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), factor=st.floats(1e-2, 1e2), shift=st.floats(-1e3, 1e3))
def test_concordance_is_invariant_and_symmetric(seed, factor, shift):
    a, b = pairs(seed)
    found = concordance(a, b)
    assert concordance(b, a).estimate == pytest.approx(found.estimate, rel=1e-10)
    assert concordance(factor * a + shift, factor * b + shift).estimate == pytest.approx(found.estimate, rel=1e-7)
    assert found.estimate == pytest.approx(found.pearson * found.bias_correction, rel=1e-10)
    assert abs(found.estimate) <= abs(found.pearson) + 1e-12


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), ratio=st.floats(0.1, 10))
def test_deming_swaps_to_the_inverse_line(seed, ratio):
    a, b = pairs(seed)
    forward, back = deming(a, b, error_ratio=ratio), deming(b, a, error_ratio=1 / ratio)
    assert back.slope == pytest.approx(1 / forward.slope, rel=1e-9)
    assert back.intercept == pytest.approx(-forward.intercept / forward.slope, rel=1e-7, abs=1e-7)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_passing_bablok_swaps_to_the_inverse_line(seed):
    """The method is built so that the choice of axes does not matter (Passing & Bablok 1983, sec. 2.2)."""
    a, b = (np.round(v, 2) for v in pairs(seed, n=20))
    forward, back = passing_bablok(a, b), passing_bablok(b, a)
    if forward.status == back.status == "ok":
        # An even number of slopes averages two neighbours, and 1 / mean is not the mean of 1 / slope.
        assert back.slope == pytest.approx(1 / forward.slope, rel=5e-3)
        assert 1 / back.slope_high == pytest.approx(forward.slope_low, rel=1e-9)


def test_passing_bablok_drops_slopes_of_exactly_minus_one():
    """1.1 - 1.0 is not 0.1 in binary: the pair must be found all the same."""
    x = np.array([1.0, 1.1, 2.0, 3.0, 4.0, 5.0])
    y = np.array([1.1, 1.0, 2.1, 2.9, 4.2, 5.0])
    scaled = passing_bablok(10 * x, 10 * y)
    assert passing_bablok(x, y).slope == pytest.approx(scaled.slope, rel=1e-12)


def test_repeatability_forms_are_those_of_their_definitions():
    rng = np.random.default_rng(8)
    values = rng.normal(40, 5, (30, 1)) * np.exp(rng.normal(0, 0.05, (30, 2)))
    frame = pd.DataFrame(
        {"case_id": np.repeat(np.arange(30), 2), "reader_id": "R1", "read_no": [1, 2] * 30, "value": values.ravel()}
    )
    table = repeatability(frame, n_draws=500).set_index("statistic")
    half_square = (values[:, 0] - values[:, 1]) ** 2 / 2
    assert table.estimate["wsd"] == pytest.approx(np.sqrt(half_square.mean()), rel=1e-12)
    assert table.estimate["wcv_rms"] == pytest.approx(
        np.sqrt((half_square / values.mean(axis=1) ** 2).mean()), rel=1e-12
    )
    assert table.estimate["wcv_mean"] == pytest.approx(np.sqrt(half_square.mean()) / values.mean(), rel=1e-12)
    logs = np.log(values)
    assert table.estimate["wcv_log"] == pytest.approx(
        np.expm1(np.sqrt(((logs[:, 0] - logs[:, 1]) ** 2 / 2).mean())), rel=1e-12
    )
    assert (table.ci_low < table.estimate).all()
    assert (table.estimate < table.ci_high).all()


def test_methods_are_compared_with_a_case_s_pairs_kept_together():
    rng = np.random.default_rng(2)
    rows = []
    for case in range(20):
        shared = rng.normal(10, 3)
        for reader in ("R1", "R2", "R3"):
            area = 300 + rng.normal(0, 40)
            rows.append((case, reader, "reader_path", area))
            rows.append((case, reader, "automatic_path", area + shared + rng.normal(0, 0.01)))
    frame = pd.DataFrame(rows, columns=["case_id", "reader_id", "method", "value"]).assign(
        measure="neo_lvot_area", variant="skirt", plan_id="P1", unit="mm2"
    )
    table = method_agreement(frame).set_index("statistic")
    bias = table.loc["bias"]
    per_case = frame.pivot_table(index=["case_id", "reader_id"], columns="method", values="value")
    difference = per_case["automatic_path"] - per_case["reader_path"]
    by_case = difference.groupby("case_id").mean()
    assert bias.comparison == "automatic_path - reader_path"
    assert bias.estimate == pytest.approx(difference.mean(), rel=1e-10)
    # 20 cases, not 60 pairs, carry the interval.
    half = (bias.ci_high - bias.ci_low) / 2
    assert half == pytest.approx(2.093024054 * by_case.std() / np.sqrt(20), rel=1e-6)
    chosen = (MeasureChoice("neo_lvot_area", "skirt", "reader_path"), MeasureChoice("absent", "", ""))
    assert len(method_agreement(frame, pairs=[chosen])) == 0
