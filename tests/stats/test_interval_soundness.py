"""Intervals hold their estimates, one model gives RC and RDC, and no interval rests on normal errors unsaid."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats as scipy_stats

from outflow_cohort import stats
from outflow_cohort.stats import agreement_table
from outflow_cohort.stats.data.cells import cells_of_frame
from outflow_cohort.stats.kernels import jackknife, robust_limits
from outflow_cohort.stats.kernels.icc_forms import FORMS
from outflow_cohort.stats.kernels.intraclass import ratio_of
from outflow_cohort.stats.kernels.reml import fit_cells


def readings(seed, n=10, k=3, m=2, missing=0.1, spread=(30.0, 4.0, 0.0, 8.0)):
    rng = np.random.default_rng(seed)
    case, reader, cell, residual = spread
    value = 300 + rng.normal(0, case, (n, 1, 1)) + rng.normal(0, reader, (1, k, 1)) + rng.normal(0, cell, (n, k, 1))
    value = value + rng.normal(0, residual, (n, k, m))
    at = np.argwhere(rng.random((n, k, m)) >= missing)
    frame = pd.DataFrame(
        {
            "case_id": [f"C{i:02d}" for i in at[:, 0]],
            "reader_id": [f"R{i + 1}" for i in at[:, 1]],
            "read_no": at[:, 2] + 1,
            "value": value[tuple(at.T)],
        }
    )
    return frame.assign(measure="mitral_area", variant="spline", method="reader_points", plan_id="", unit="mm2")


@pytest.mark.parametrize("missing", [0.0, 0.2])
def test_no_estimate_outside_its_interval_and_no_rdc_below_rc(missing):
    """Small cohorts without reader or interaction variance, where components are held at 0."""
    for seed in range(15):
        table = agreement_table(readings(seed, missing=missing, spread=(30.0, 0.0, 0.0, 8.0)), n_boot=100)
        ok = table[table["status"] == "ok"]
        slack = 1e-9 * (1 + ok["estimate"].abs())
        assert (ok["ci_low"] <= ok["estimate"] + slack).all()
        assert (ok["estimate"] <= ok["ci_high"] + slack).all()
        own = table.set_index(["statistic", "comparison"])["estimate"]
        assert own["rdc", "all_readers"] >= own["rc", "within_readers"] - 1e-9


def test_one_case_read_again_does_not_widen_the_limits():
    """With one degree of freedom the repeats' variance made the interval several times wider."""
    once = readings(3, n=20, k=2, m=1, missing=0.0)
    again = pd.concat([once, once.iloc[:1].assign(read_no=2, value=lambda f: f["value"] + 9)], ignore_index=True)
    width = {}
    for name, frame in (("once", once), ("again", again)):
        rows = agreement_table(frame, n_boot=0).set_index(["statistic", "comparison"])
        row = rows.loc["loa_upper", "R2 - R1"]
        width[name] = row.ci_high - row.ci_low
    assert width["again"] == pytest.approx(width["once"], rel=1e-12)


def test_repeats_of_cases_that_one_reader_read_do_not_count():
    shared = readings(5, n=12, k=2, m=2, missing=0.0)
    alone = readings(6, n=8, k=1, m=2, missing=0.0).assign(case_id=lambda f: "X" + f["case_id"])
    before = stats.bland_altman_replicates(shared, "R2", "R1").limits
    after = stats.bland_altman_replicates(pd.concat([shared, alone]), "R2", "R1").limits
    assert (after.lower, after.upper_high, after.n) == pytest.approx((before.lower, before.upper_high, before.n))
    assert "read by one of the two only" in after.note


@pytest.mark.parametrize("missing", [0.0, 0.15])
def test_jackknife_leaves_out_whole_cases(missing):
    """Standard error by its definition (Miller 1974 eq. 1.3) from refits of frames without each case."""
    frame = readings(8, n=14, m=1, missing=missing)
    cells = cells_of_frame(frame)
    fit = fit_cells(cells)
    without = jackknife.components_without(cells, fit)
    form = next(f for f in FORMS if f.key == "icc_c_1")
    whole = stats.icc(frame).set_index("form").estimate["icc_c_1"]
    figures = [jackknife.log_ratio(v, 3) for v in (whole, ratio_of(without, form, 1.0))]
    refits = []
    for case in sorted(set(frame["case_id"])):
        table = stats.icc(frame[frame["case_id"] != case]).set_index("form")
        refits.append(float(jackknife.log_ratio(table.estimate["icc_c_1"], 3)))
    assert figures[1] == pytest.approx(refits, rel=1e-4, abs=1e-5)
    n = len(refits)
    expected = np.sqrt((n - 1) / n * ((np.array(refits) - np.mean(refits)) ** 2).sum())
    assert jackknife.standard_error(float(figures[0]), figures[1]) == pytest.approx(expected, rel=1e-4)


def test_tails_widen_the_generalised_interval_more_than_normal_errors_do():
    """Effective degrees of freedom are those of normal theory less what few cases cost (Bonett 2006), and fall where
    one case holds the spread."""
    even = np.full(20, 1.0) * 2.0
    uneven = np.r_[np.full(19, 0.1), 30.0]
    assert jackknife.effective_df(even, np.full(20, 2.0), 40) == round(40 * (1 - 1.959964 / 20) ** 2, 1)
    assert jackknife.effective_df(uneven, np.full(20, 2.0), 40) < 4


def test_pooled_within_reader_limits_cover():
    """Second minus first read over three readers of 20 cases, normal: 95 % (MOVER: 91-94 %)."""
    rng = np.random.default_rng(4)
    hits = []
    case = np.repeat(np.arange(20), 3)
    for _ in range(400):
        d = rng.normal(0, 1, 60) + np.repeat(rng.normal(0, 0.5, 20), 3)
        found = stats.bland_altman_paired_replicates(case, d, np.zeros(60)).limits
        truth = 1.959963984540054 * np.sqrt(1.25)
        hits.append(found.upper_low <= truth <= found.upper_high)
    assert found.limits_interval == "jackknife"
    assert 0.92 <= np.mean(hits) <= 0.98


def test_limits_of_a_pair_leave_out_whole_cases():
    """Variance of one difference without each case, by refitting the frame without it; with and without repeats."""
    frame = readings(11, n=16, k=2, m=2, missing=0.1)
    for own in (frame, frame[frame["read_no"] == 1]):
        cells = cells_of_frame(own)
        robust = robust_limits.replicate_pair_limits(cells, "R2", "R1", confidence=0.95)
        whole = stats.bland_altman_replicates(own, "R2", "R1").limits
        both = cells.counts[:, :2].min(axis=1) > 0
        shared = [c for c, used in zip(cells.cases, both, strict=True) if used]
        logs = [
            np.log(stats.bland_altman_replicates(own[own["case_id"] != c], "R2", "R1").limits.sd) for c in shared
        ]  # fmt: skip
        n = len(shared)
        pseudo = n * np.log(whole.sd) - (n - 1) * np.array(logs)
        pairs = int(cells.counts[both].sum(axis=0).min())
        factor = pairs / (pairs - 1.959963984540054)
        half = scipy_stats.t.ppf(0.975, n - 1) * factor * pseudo.std(ddof=1) / np.sqrt(n)
        assert robust.sd_high == pytest.approx(whole.sd * np.sqrt(factor) * np.exp(half), rel=1e-9)
        assert robust.sd_low == pytest.approx(whole.sd * np.sqrt(factor) * np.exp(-half), rel=1e-9)
        assert (robust.lower, robust.upper, robust.limits_interval) == (whole.lower, whole.upper, "jackknife")


def test_limits_of_a_pair_cover_under_heavy_tails():
    """Differences of t5 errors, 50 cases: 94-96 % (the exact interval of normal theory: 89 %)."""
    rng = np.random.default_rng(6)
    hits = []
    for _ in range(600):
        d = rng.standard_t(5, 50) / np.sqrt(5 / 3)
        found = robust_limits.pair_limits(d, np.zeros(50), confidence=0.95)
        hits.append(found.upper_low <= 1.959963984540054 <= found.upper_high)
    assert 0.925 <= np.mean(hits) <= 0.975


def test_few_pairs_keep_the_exact_interval():
    d = np.array([1.0, -2.0, 0.5, 3.0, -1.0, 2.5])
    found = robust_limits.pair_limits(d, np.zeros(6), confidence=0.95)
    assert found == stats.bland_altman(d, np.zeros(6))
    assert found.limits_interval == "exact"


def test_every_row_of_limits_shows_the_tails_it_rests_on():
    """Excess kurtosis of a pair's differences, as scipy has it; a case far off raises it in the table."""
    frame = readings(12, n=30, k=2, m=1, missing=0.0)
    far = frame.copy()
    far.loc[(far["case_id"] == "C03") & (far["reader_id"] == "R2"), "value"] += 90
    shown = {}
    for name, own in (("even", frame), ("far", far)):
        wide = own.pivot_table(index="case_id", columns="reader_id", values="value")
        rows = agreement_table(own, n_boot=0).set_index(["statistic", "comparison"])
        shown[name] = rows.loc[("loa_upper", "R2 - R1"), "excess_kurtosis"]
        assert shown[name] == pytest.approx(scipy_stats.kurtosis(wide["R2"] - wide["R1"]))
    assert shown["far"] > 10 > shown["even"]
