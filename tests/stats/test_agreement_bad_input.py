"""Bad input gives a defined result or a status with the reason: no warning, no exception, no NaN without a reason."""

import warnings

import numpy as np
import pandas as pd
import pytest

from outflow_cohort import stats


def readings(n, k, m, value):
    case, reader, read = np.indices((n, k, m)).reshape(3, -1)
    return pd.DataFrame(
        {
            "measure": "mitral_area",
            "variant": "spline",
            "method": "reader_points",
            "plan_id": "",
            "case_id": [f"C{i}" for i in case],
            "phase_pct": 30.0,
            "reader_id": [f"R{j}" for j in reader],
            "read_no": read + 1,
            "value": np.asarray(value(case, reader, read), dtype=float),
            "unit": "mm2",
        }
    )


def scatter(case, reader, read):
    return 20.0 + 3 * case + np.random.default_rng(3).normal(size=len(case))


def disjoint(frame):
    return frame[frame["case_id"].isin(["C0", "C1", "C2", "C3"]) == (frame["reader_id"] == "R0")]


BAD = {
    "one_reader": readings(10, 1, 2, scatter),
    "one_reader_one_read": readings(10, 1, 1, scatter),
    "one_read": readings(10, 3, 1, scatter),
    "all_missing": readings(10, 3, 2, lambda c, r, k: np.full(len(c), np.nan)),
    "one_reader_all_missing": readings(10, 3, 2, lambda c, r, k: np.where(r == 1, np.nan, scatter(c, r, k))),
    "one_case_all_missing": readings(10, 3, 2, lambda c, r, k: np.where(c == 1, np.nan, scatter(c, r, k))),
    "constant": readings(10, 3, 2, lambda c, r, k: np.full(len(c), 1 / 3)),
    "constant_but_one": readings(10, 3, 2, lambda c, r, k: np.where((c == 0) & (r == 0) & (k == 0), 1.0, 0.0)),
    "zeros": readings(10, 3, 2, lambda c, r, k: np.zeros(len(c))),
    "two_cases": readings(2, 3, 2, scatter),
    "two_cases_one_read": readings(2, 2, 1, scatter),
    "one_case": readings(1, 3, 2, scatter),
    "three_cases": readings(3, 2, 1, scatter),
    "perfect": readings(10, 3, 2, lambda c, r, k: 5.0 + c),
    "perfect_one_read": readings(10, 3, 1, lambda c, r, k: 5.0 + c),
    "perfect_but_biased": readings(10, 3, 2, lambda c, r, k: 5.0 + c + 0.3 * r),
    "perfect_repeats": readings(10, 3, 2, lambda c, r, k: 5.0 + c + np.sin(3 * c + r)),
    "ties": readings(20, 3, 2, lambda c, r, k: np.round(scatter(c, r, k) / 4) * 4),
    "infinite": readings(10, 3, 2, lambda c, r, k: np.where((c == 2) & (r == 1), np.inf, scatter(c, r, k))),
    "all_infinite": readings(5, 2, 2, lambda c, r, k: np.full(len(c), -np.inf)),
    "negative": readings(10, 3, 2, lambda c, r, k: scatter(c, r, k) - 40),
    "tiny": readings(10, 3, 2, lambda c, r, k: 1e-200 * scatter(c, r, k)),
    "huge": readings(10, 3, 2, lambda c, r, k: 1e200 * scatter(c, r, k)),
    "largest": readings(10, 3, 2, lambda c, r, k: 1.7e308 * np.sign(np.sin(c + r + k) + 0.1)),
    "tails": readings(10, 3, 2, lambda c, r, k: 10.0 ** -np.random.default_rng(5).uniform(0, 290, len(c))),
    "far_from_zero": readings(10, 3, 2, lambda c, r, k: 1e9 + scatter(c, r, k)),
    "no_shared_case": disjoint(readings(8, 2, 2, scatter)),
    "one_case_read_by_a_reader": readings(10, 3, 2, scatter).query("reader_id != 'R2' or case_id == 'C0'"),
    "few_cells": readings(10, 3, 1, scatter).sample(14, random_state=1),
    "no_case_variance": readings(12, 3, 2, lambda c, r, k: 9 + r + np.random.default_rng(1).normal(size=len(c))),
    "text": readings(10, 3, 2, scatter).assign(value=lambda f: f["value"].astype(str).where(f.index != 3, "n/a")),
    "no_rows": readings(3, 2, 1, scatter).iloc[:0],
}


@pytest.fixture(autouse=True)
def _warnings_are_errors():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def explained(table):
    """No missing estimate or interval beside an `ok`, no empty status, estimates inside their intervals."""
    assert table["status"].notna().all()
    assert (table["status"] != "").all()
    ok = table[table["status"] == "ok"]
    assert ok["estimate"].notna().all()
    assert ok["ci_low"].notna().all()
    assert ok["ci_high"].notna().all()
    slack = 1e-9 * (1 + ok["estimate"].abs())
    assert (ok["ci_low"] <= ok["estimate"] + slack).all()
    assert (ok["estimate"] <= ok["ci_high"] + slack).all()
    values = table[["estimate", "ci_low", "ci_high"]].to_numpy(float)
    assert not np.isinf(values).any()


@pytest.mark.parametrize("name", sorted(BAD))
def test_agreement_table(name):
    table = stats.agreement_table(BAD[name], n_boot=200)
    explained(table)
    assert (table["statistic"] == "icc_a_1").sum() == (0 if name == "no_rows" else 1)


@pytest.mark.parametrize("name", sorted(BAD))
def test_public_functions(name):
    frame = BAD[name]
    explained(stats.icc(frame))
    explained(stats.repeatability(frame, n_draws=100))
    explained(stats.reproducibility(frame))
    explained(stats.reader_bias(frame))
    explained(stats.reader_drift(frame.assign(order=range(len(frame))), order="order"))
    fit = stats.variance_components(frame)
    assert fit.status == "ok" or fit.to_frame()["status"].ne("ok").all() or np.isfinite(fit.case)


@pytest.mark.parametrize("name", sorted(BAD))
def test_pairs(name):
    wide = BAD[name].assign(value=lambda f: pd.to_numeric(f["value"], errors="coerce"))
    a = wide.loc[wide["reader_id"] == "R0", "value"].to_numpy(float)
    b = wide.loc[wide["reader_id"] == "R1", "value"].to_numpy(float)
    n = min(len(a), len(b))
    for scale in ("difference", "log", "percent"):
        found = stats.bland_altman(a[:n], b[:n], scale=scale)
        assert found.status != "ok" or np.isfinite([found.bias_low, found.lower_low, found.upper_high]).all()
    for found in (stats.deming(a[:n], b[:n]), stats.passing_bablok(a[:n], b[:n])):
        assert found.status != "ok" or np.isfinite([found.slope_low, found.intercept_high]).all()
    found = stats.concordance(a[:n], b[:n])
    assert found.status != "ok" or np.isfinite([found.ci_low, found.ci_high]).all()
    line = stats.bland_altman_regression(a[:n], b[:n])
    assert line.status != "ok" or np.isfinite([line.slope_low, line.slope_p]).all()


def test_the_reason_is_the_right_one():
    def status(name, statistic="icc_a_1"):
        table = stats.agreement_table(BAD[name], n_boot=0).set_index("statistic")
        return table.loc[[statistic], "status"].iloc[0]

    assert status("one_reader") == "one_reader"
    assert status("one_read", "wsd") == "one_read"
    assert status("all_missing") == "no_readings"
    assert status("constant") == "constant_values"
    assert status("one_case") == "one_case"
    assert status("perfect") == "perfect_agreement"
    assert status("perfect_but_biased") == "no_residual_variation"
    assert status("no_shared_case") == "readers_share_no_case"
    assert status("infinite") == "ok"
    assert "infinite" in stats.icc(BAD["infinite"])["note"].iloc[0]
    perfect = stats.icc(BAD["perfect"]).set_index("form")
    assert (perfect["estimate"] == 1.0).all()


def test_planes_and_landmarks_without_pairs():
    plane = pd.DataFrame(
        {"case_id": ["C1", "C2"], "reader_id": "R1", "read_no": 1, "normal_x": [0.0, 1.0], "normal_y": 0.0}
    ).assign(normal_z=[0.0, np.inf], center_x=0.0, center_y=0.0, center_z=0.0)
    table = stats.plane_agreement(plane)
    assert set(table["status"]) == {"no_pairs"}
    landmarks = pd.DataFrame(
        {"case_id": ["C1"], "reader_id": "R1", "structure": "lv_apex", "point_no": 1, "x_mm": 0.0, "y_mm": 0.0}
    ).assign(z_mm=0.0)
    assert len(stats.landmark_agreement(landmarks)) == 0
