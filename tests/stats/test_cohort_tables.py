"""The statistics step on an invented cohort: same answers whatever the partitions and the scheduler; figures by hand."""

import json
import subprocess
import sys
import time

import cohort_study
import dask
import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student_t
from statsmodels.stats.proportion import proportion_confint

from outflow_cohort.stats.agreement.core_table import CORE_STATISTICS, is_primary
from outflow_cohort.stats.data.case_reduction import case_values, rules_of
from outflow_cohort.stats.data.one_value import SYSTOLE_RULES, end_systolic_phase, one_value_a_case
from outflow_cohort.stats.data.settings import StatisticsSettings
from outflow_cohort.stats.data.table_meanings import COLUMN_MEANINGS, TABLE_MEANINGS
from outflow_cohort.steps.statistics import statistics

SETTINGS = StatisticsSettings()


def run(root, scheduler=None):
    statistics(results=root, study=root / "work" / "study.json", scheduler=scheduler)
    return cohort_study.table_bytes(root)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    root = cohort_study.write_study(tmp_path_factory.mktemp("study"))
    return root, run(root)


def table(done, name):
    return pd.read_parquet(done[0] / "tables" / f"{name}.parquet")


def names_of(done) -> set[str]:
    """Names of the tables written."""
    return {name.split(".", 1)[0] for name in done[1]}


def test_writes_every_table_as_parquet_and_csv(done):
    names = names_of(done)
    assert {
        "cohort_summary", "agreement", "size_agreement", "cutoffs", "associations", "baseline", "phase_curves",
        "endpoints", "roc_curves", "landmark_agreement", "categorical_agreement",
    } <= names  # fmt: skip
    assert all(f"{n}.{kind}" in done[1] for n in names for kind in ("csv", "parquet", "schema.json"))


def test_a_measure_of_the_device_named_alone_means_that_of_the_main_solid():
    quantities = [
        ("neo_lvot_area", "skirt"),
        ("neo_lvot_area", "full_frame"),
        ("lv_volume", ""),
        ("mitral_area", "d_shape"),
    ]
    measure, variant = (pd.Series(list(names)) for names in zip(*quantities, strict=True))
    found = is_primary(measure, variant, {"neo_lvot_area", "lv_volume", "mitral_area/spline"}, "skirt")
    assert found.tolist() == [True, False, True, False]


def test_core_table_is_small_and_the_rest_is_detail(done):
    core, detail = table(done, "agreement"), table(done, "agreement_detail")
    keys = ["measure", "variant", "method", "plan_id", "phase_rule", "group", "statistic", "comparison"]
    assert not pd.concat([core, detail]).duplicated(keys).any()
    assert set(core["statistic"]) <= set(CORE_STATISTICS)
    assert {"icc_a_1", "rdc", "wsd", "bias", "loa_upper"} <= set(core["statistic"])
    assert set(core["measure"]) == {
        "mitral_area",
        "mitral_perimeter",
        "neo_lvot_area",
        "lv_volume",
        "aorto_mitral_angle",
    }
    assert set(core["phase_rule"]) == {"one_per_case"}
    assert core.groupby(["measure", "variant", "method", "plan_id"]).size().max() <= 45
    bias = core[(core["statistic"] == "bias") & (core["status"] == "ok")]
    assert bias[["std_error", "df", "p_value"]].notna().all(axis=None)
    assert (core["model"] != "").all()
    assert not detail["statistic"].str.contains("deming|passing").any()


def test_phases_groups_and_lines_come_when_asked_for(done):
    from outflow_cohort.stats.agreement.by_quantity import agreement_of
    from outflow_cohort.stats.data.measure_files import measure_files

    groups = pd.Series({f"C{i:03d}": ("a", "b")[i % 2] for i in range(18)})
    settings = StatisticsSettings(each_phase=True, by_group=True, regressions=True, n_boot=100)
    with measure_files(done[0] / "tables" / "measurements", done[0] / "work", settings) as files:
        found = agreement_of(files.readings("mitral_area", "spline"), groups, settings)
    assert set(found["phase_rule"]) == {"one_per_case", "each_phase"}
    assert set(found["group"]) == {"all", "a", "b"}
    assert found["statistic"].str.contains("passing_bablok_slope").any()


def test_rows_carry_definition_and_source(done):
    # the checklist, and the table of phases, hold no statistic
    for name in names_of(done) - {"grras", "phases", "reporting"}:
        frame = table(done, name)
        assert (frame["definition"] != "").all(), name
        assert (frame["source"] != "").all(), name


def test_one_phase_of_a_case_is_its_end_systole(done):
    phases = table(done, "phases")
    assert (phases.groupby("case_id")["is_end_systole"].sum() <= 1).all()
    assert set(phases.loc[phases["is_end_systole"], "found_by"]) <= set(SYSTOLE_RULES)
    by_volume = phases[phases["found_by"] == "smallest_lv_volume"]
    assert len(by_volume)
    for _, rows in by_volume.groupby("case_id"):
        assert rows.loc[rows["is_end_systole"], "lv_volume_ml"].item() == rows["lv_volume_ml"].min()


def test_the_data_dictionary_knows_every_table_and_column(done):
    names = names_of(done)
    assert names == set(TABLE_MEANINGS)
    columns = {c for name in names for c in table(done, name).columns}
    assert columns == set(COLUMN_MEANINGS)


def test_partitions_row_order_and_cores_change_no_byte(done, tmp_path):
    frame = cohort_study.measurements()
    shuffled = frame.sample(frac=1, random_state=1).reset_index(drop=True)
    for number, (rows, parts, group) in enumerate([(frame, 1, None), (shuffled, 7, 100)]):
        root = cohort_study.write_study(tmp_path / str(number), rows, parts=parts, row_group=group)
        with dask.config.set(num_workers=1 + 3 * number):
            assert run(root) == done[1]


def test_cluster_by_address_gives_the_same_bytes(done, tmp_path):
    """A real scheduler and two workers, each a process of its own, on the loopback address."""
    file = tmp_path / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    module = [sys.executable, "-m"]
    started = []
    try:
        options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(file)]
        started.append(subprocess.Popen([*module, "distributed.cli.dask_scheduler", *options], **quiet))
        options = ["--scheduler-file", str(file), "--nthreads", "1", "--no-dashboard", "--no-nanny"]
        for name in ("one", "two"):
            own = ["--name", name, "--local-directory", str(tmp_path / name)]
            started.append(subprocess.Popen([*module, "distributed.cli.dask_worker", *options, *own], **quiet))
        address = _address(file)
        from distributed import Client

        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
        root = cohort_study.write_study(tmp_path / "study")
        assert run(root, address) == done[1]
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait(timeout=30)


def _address(file):
    for _ in range(600):
        if file.exists() and file.stat().st_size:
            return json.loads(file.read_text())["address"]
        time.sleep(0.1)
    raise TimeoutError("the scheduler did not write its address")


def test_one_value_a_case_by_plain_pandas(done):
    """Mean over readers of their first usable read, in the phase of the smallest mean LV volume."""
    frame = cohort_study.measurements()
    good = frame[frame["status"].isin(SETTINGS.usable_statuses) & frame["value"].notna()]
    first = (
        good.sort_values("read_no")
        .groupby(["case_id", "phase_pct", "measure", "variant", "method", "reader_id"], as_index=False)
        .first()
    )
    means = first.groupby(["measure", "variant", "method", "case_id", "phase_pct"])["value"].mean()
    volume = means["lv_volume"].droplevel([0, 1]).reset_index().sort_values("value")
    phase = volume.drop_duplicates("case_id").set_index("case_id")["phase_pct"]
    chosen = means["neo_lvot_area", "full_frame", "reader_path"].reset_index()
    expected = chosen[chosen["phase_pct"] == chosen["case_id"].map(phase)]["value"]
    summary = table(done, "cohort_summary")
    row = summary[
        (summary["measure"] == "neo_lvot_area")
        & (summary["method"] == "reader_path")
        & (summary["group"] == "all")
        & (summary["phase_rule"] == "end_systole")
    ].squeeze()
    assert row["n"] == len(expected)
    assert row["mean"] == pytest.approx(expected.mean(), rel=1e-13)
    assert row["sd"] == pytest.approx(expected.std(), rel=1e-12)
    quartiles = [row["q1"], row["median"], row["q3"]]
    assert quartiles == pytest.approx(np.quantile(expected, [0.25, 0.5, 0.75]), rel=1e-14)
    assert (row["minimum"], row["maximum"]) == (expected.min(), expected.max())
    half = student_t.ppf(0.975, len(expected) - 1) * expected.std() / np.sqrt(len(expected))
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((row["mean"] - half, row["mean"] + half), rel=1e-12)


def test_reader_and_read_rules(tmp_path):
    root = cohort_study.write_study(tmp_path / "s")
    folder = root / "tables" / "measurements"
    frame = cohort_study.measurements()
    ring = frame[(frame["measure"] == "mitral_area") & (frame["phase_pct"] == 30)]
    cases = {
        "reference": (
            StatisticsSettings(reader_rule="reference_reader", reference_reader="R2"),
            ring[ring["reader_id"] == "R2"].sort_values("read_no").groupby("case_id")["value"].first(),
        ),
        "mean_of_reads": (
            StatisticsSettings(read_rule="mean_of_reads"),
            ring.groupby(["case_id", "reader_id"])["value"].mean().groupby("case_id").mean(),
        ),
        "median": (
            StatisticsSettings(reader_rule="median_over_readers"),
            ring.sort_values("read_no").groupby(["case_id", "reader_id"])["value"].first().groupby("case_id").median(),
        ),
    }
    for settings, expected in cases.values():
        values = case_values(folder, rules_of(settings))
        mine = values[(values["measure"] == "mitral_area") & (values["phase_pct"] == 30)]
        mine = mine.set_index(mine["case_id"].astype(str))["value"].dropna().sort_index()
        assert mine.to_numpy() == pytest.approx(expected.sort_index().to_numpy(), rel=1e-14)


def test_the_same_reading_twice_counts_by_its_mean(tmp_path):
    frame = cohort_study.measurements(4)
    twice = pd.concat([frame, frame.assign(value=frame["value"] + 2)], ignore_index=True)
    once = cohort_study.write_study(tmp_path / "a", frame)
    doubled = cohort_study.write_study(tmp_path / "b", twice.sample(frac=1, random_state=2))
    a, b = (case_values(r / "tables" / "measurements", rules_of(SETTINGS)) for r in (once, doubled))
    keys = ["case_id", "phase_pct", "measure", "variant", "method"]
    a, b = (x.assign(case_id=x["case_id"].astype(str)).sort_values(keys)["value"].to_numpy() for x in (a, b))
    assert b == pytest.approx(a + 1, rel=1e-13, nan_ok=True)


def test_several_phases_without_a_sign_of_end_systole_are_missing_with_the_reason(tmp_path):
    frame = cohort_study.measurements(6)
    frame = frame[frame["measure"] == "mitral_area"]
    root = cohort_study.write_study(tmp_path / "s", frame)
    values = case_values(root / "tables" / "measurements", rules_of(SETTINGS))
    assert end_systolic_phase(values).empty
    chosen = one_value_a_case(values, "end_systole")
    assert (chosen["missing"] == "no_end_systole").all()
    assert one_value_a_case(values, "mean_over_phases")["value"].notna().all()


def test_cutoff_shares_by_hand_and_statsmodels(done):
    cutoffs = table(done, "cutoffs")
    counted = cutoffs[cutoffs["statistic"] == "share_below"]
    assert len(counted) == 2 * 2 * 4
    for row in counted.itertuples():
        low, high = proportion_confint(row.n_below, row.n, method="wilson")
        assert (row.ci_low, row.ci_high) == pytest.approx((max(low, 0), min(high, 1)), abs=1e-12)
    both = counted[counted["group"] == "all"].pivot_table(index="method", columns="cutoff_id", values="n_below")
    assert (both["high"] >= both["low"]).all()
    chance = cutoffs[cutoffs["statistic"] == "expected_share_below"]
    assert set(chance["variant"]) == {"full_frame/low"}
    assert chance["estimate"].between(0, 1).all()


def test_share_crossing_a_cutoff_is_what_value_and_rdc_give(done):
    frame, agreement = table(done, "categorical_agreement"), table(done, "agreement")
    rows = frame[frame["statistic"] == "share_crossing"]
    rdc = agreement[
        (agreement["statistic"] == "rdc")
        & (agreement["phase_rule"] == "one_per_case")
        & (agreement["measure"] == "neo_lvot_area")
    ].set_index("method")["estimate"]
    values = case_values(done[0] / "tables" / "measurements", rules_of(SETTINGS))
    chosen = one_value_a_case(values, "end_systole")
    for row in rows.itertuples():
        own = chosen[(chosen["measure"] == "neo_lvot_area") & (chosen["method"] == row.method)]["value"].dropna()
        cut = {"low": 170.0, "high": 240.0}[row.cutoff_id]
        assert row.estimate == pytest.approx((abs(own - cut) <= rdc[row.method]).mean(), abs=1e-14)


def test_counts_of_size_pairs_and_shares_agree(done):
    pairs, shares, sizes = (table(done, n) for n in ("size_agreement", "size_shares", "sizes"))
    first = sizes.sort_values(["case_id", "reader_id", "read_no"]).drop_duplicates(["case_id", "reader_id"])
    wide = first.pivot_table(index="case_id", columns="reader_id", values="size", aggfunc="first")
    expected = sum(wide[[a, b]].dropna().shape[0] for a, b in (("R1", "R2"), ("R1", "R3"), ("R2", "R3")))
    assert pairs["count"].sum() == expected
    assert shares[shares["group"] == "all"]["count"].sum() == sizes["case_id"].nunique()
    same = pairs[(pairs["statistic"] == "same_class") & (pairs["comparison"] == "R2 - R1")].squeeze()
    both = wide[["R1", "R2"]].dropna()
    assert same["estimate"] == pytest.approx((both["R1"] == both["R2"]).mean())


def test_choices_are_named_in_the_rows(tmp_path):
    chosen = {"reader_rule": "reference_reader", "reference_reader": "R2", "phase_rule": "mean_over_phases"}
    root = cohort_study.write_study(tmp_path / "s", statistics=chosen | {"outcomes": []})
    run(root)
    summary = pd.read_parquet(root / "tables" / "cohort_summary.parquet")
    assert summary["readings_rule"].str.contains("R2").all()
    assert set(summary["phase_rule"]) == {"each_phase", "mean_over_phases"}
    assert pd.read_parquet(root / "tables" / "endpoints.parquet").empty


def _one_reader(frame):
    return frame[frame["reader_id"] == "R1"]


def _constant(frame):
    return frame.assign(value=frame["value"].where(frame["value"].isna(), 200.0))


def _infinite(frame):
    return frame.assign(value=frame["value"].where(frame.index % 5 != 0, np.inf))


BAD = {
    "one_reader": _one_reader,
    "one_read": lambda f: f[f["read_no"] == 1],
    "one_phase_unknown": lambda f: f[f["phase_pct"] == 30].assign(phase_pct=np.nan),
    "all_missing": lambda f: f.assign(value=np.nan, status="leak"),
    "constant": _constant,
    "two_cases": lambda f: f[f["case_id"].isin(["C000", "C001"])],
    "one_case": lambda f: f[f["case_id"] == "C000"],
    "infinite": _infinite,
    "perfect_agreement": lambda f: f.assign(value=f.groupby(["case_id", "measure"])["value"].transform("first")),
    "no_rows": lambda f: f.iloc[:0],
}


@pytest.mark.filterwarnings("error::RuntimeWarning", "error::UserWarning")
@pytest.mark.parametrize("kind", sorted(BAD))
def test_bad_input_gives_results_or_a_status(kind, tmp_path, capfd):
    frame = BAD[kind](cohort_study.measurements(8, phases=(30.0, 70.0))).reset_index(drop=True)
    root = cohort_study.write_study(
        tmp_path / "s", frame, parts=1, case_table=cohort_study.cases(8), points=cohort_study.landmarks(3)
    )
    run(root)
    assert capfd.readouterr().err == ""
    for name in ("cohort_summary", "cutoffs", "associations", "baseline", "endpoints", "categorical_agreement"):
        out = pd.read_parquet(root / "tables" / f"{name}.parquet")
        column = "mean" if name == "cohort_summary" else "estimate"
        if column in out:
            lost = out[out[column].isna()]
            assert (lost["status"] != "ok").all(), name
