"""The agreement table of a study: its rows, phases kept apart, the same bytes for the same readings."""

import numpy as np
import pandas as pd
import pytest

from outflow_cohort import stats
from outflow_cohort.stats import AgreementSettings, agreement_table
from outflow_cohort.stats.data.cells import cells_of_arrays, cells_of_frame
from outflow_cohort.stats.kernels.case_weights import components_of_weights
from outflow_cohort.stats.kernels.reml import fit_cells
from outflow_cohort.stats.kernels.robust_limits import replicate_pair_limits


def measurements(seed=0, n=24, k=3, m=2, missing=0.0, phases=(np.nan,), measures=("mitral_area", "neo_lvot_area")):
    rng = np.random.default_rng(seed)
    rows = []
    for measure in measures:
        case_effect, reader_effect = rng.normal(300, 40, n), rng.normal(0, 5, k)
        for case in range(n):
            for reader in range(k):
                for phase in phases:
                    for read in range(m):
                        value = case_effect[case] + reader_effect[reader] + rng.normal(0, 8)
                        rows.append((measure, f"C{case:02d}", phase, f"R{reader + 1}", read + 1, value))
    frame = pd.DataFrame(rows, columns=["measure", "case_id", "phase_pct", "reader_id", "read_no", "value"])
    frame = frame.assign(variant="skirt", method="reader_path", plan_id="P1", unit="mm2")
    return frame[rng.random(len(frame)) >= missing].reset_index(drop=True)


def test_has_what_the_study_contract_asks_for():
    table = agreement_table(measurements(), n_boot=300)
    for measure in ("mitral_area", "neo_lvot_area"):
        rows = table[table["measure"] == measure].set_index(["statistic", "comparison"])
        single = rows.loc[("icc_a_1", "all_readers")]
        assert single.ci_low < single.estimate < single.ci_high
        assert "McGraw" in single.source
        for comparison in ("R2 - R1", "R3 - R1", "R3 - R2", "R1 read 2 - read 1", "within_readers read 2 - read 1"):
            for statistic in ("bias", "loa_lower", "loa_upper"):
                row = rows.loc[(statistic, comparison)]
                assert row.ci_low < row.estimate < row.ci_high
    assert not table.duplicated(["measure", "phase_rule", "phase_pct", "group", "statistic", "comparison"]).any()
    assert (table["definition"].str.len() > 5).all()
    assert (table["source"].str.len() > 5).all()
    assert set(table.loc[table["statistic"] == "variance_case", "unit"]) == {"(mm2)^2"}


def test_rows_are_those_of_the_single_functions():
    frame = measurements(missing=0.15)
    table = agreement_table(frame, n_boot=0)
    rows = table[table["measure"] == "mitral_area"].set_index(["statistic", "comparison"])
    own = frame[frame["measure"] == "mitral_area"]
    forms = stats.icc(own).set_index("form")
    for form in forms.index:
        assert rows.loc[(form, "all_readers")].estimate == forms.estimate[form]
        if rows.loc[(form, "all_readers")].interval != "jackknife":
            assert rows.loc[(form, "all_readers")].ci_low == pytest.approx(forms.ci_low[form], rel=1e-12)
    pair = stats.bland_altman_replicates(own, "R3", "R1").limits
    assert rows.loc[("loa_upper", "R3 - R1")].estimate == pytest.approx(pair.upper, rel=1e-12)
    robust = replicate_pair_limits(cells_of_frame(own), "R3", "R1", confidence=0.95)
    assert rows.loc[("loa_upper", "R3 - R1")].ci_high == pytest.approx(robust.upper_high, rel=1e-12)
    assert rows.loc[("loa_upper", "R3 - R1")].interval == "jackknife"
    bias = stats.reader_bias(own).set_index("reader")
    assert rows.loc[("reader_bias", "R2 - all readers")].estimate == bias.estimate["R2"]


def test_phases_of_a_case_are_not_independent_readings():
    """Copies of every reading in nine more phases must not make an interval shorter."""
    one = measurements(phases=(30.0,), measures=("mitral_area",))
    copies = pd.concat([one.assign(phase_pct=float(p)) for p in range(0, 100, 10)])
    first = agreement_table(one, n_boot=200)
    rules = AgreementSettings(phase_rules=("one_per_case",))
    many = agreement_table(copies, n_boot=200, settings=rules)
    figures = ["estimate", "ci_low", "ci_high", "n_readings"]
    pd.testing.assert_frame_equal(first[figures], many[figures])
    each = agreement_table(copies, n_boot=0, settings=AgreementSettings(phase_rules=("one_per_case", "each_phase")))
    assert set(each["phase_rule"]) == {"one_per_case", "each_phase"}
    assert each.loc[each["phase_rule"] == "each_phase", "phase_pct"].nunique() == 10
    assert each["n_cases"].max() == 24


def test_one_phase_a_case_is_the_one_most_readers_read():
    frame = measurements(phases=(20.0, 40.0), measures=("mitral_area",), m=1)
    frame = frame[~((frame["phase_pct"] == 20.0) & (frame["reader_id"] == "R3"))]
    only = AgreementSettings(phase_rules=("one_per_case",))
    table = agreement_table(frame, n_boot=0, settings=only)
    late = agreement_table(frame[frame["phase_pct"] == 40.0], n_boot=0, settings=only)
    np.testing.assert_array_equal(table["estimate"], late["estimate"])


def test_row_order_does_not_change_a_byte():
    frame = measurements(missing=0.1)
    first = agreement_table(frame, n_boot=100)
    second = agreement_table(frame.sample(frac=1, random_state=3), n_boot=100)
    pd.testing.assert_frame_equal(first, second)
    third = agreement_table(frame, n_boot=100)
    assert first.to_csv() == third.to_csv()


def test_groups_are_told_apart():
    frame = measurements(measures=("mitral_area",))
    frame = frame.assign(group=np.where(frame["case_id"] < "C12", "valve-in-valve", "native"))
    table = agreement_table(frame, n_boot=0, settings=AgreementSettings(by_group=True))
    assert set(table["group"]) == {"all", "native", "valve-in-valve"}
    alone = agreement_table(frame[frame["group"] == "native"].drop(columns="group"), n_boot=0)
    np.testing.assert_allclose(table.loc[table["group"] == "native", "estimate"], alone["estimate"])


@pytest.mark.parametrize(("m", "missing"), [(1, 0.0), (2, 0.0), (1, 0.2), (2, 0.2)])
def test_weights_of_a_draw_are_copies_of_cases(m, missing):
    """A case drawn twice is two cases: weights give what a frame with the copies renamed gives."""
    frame = measurements(seed=5, n=12, m=m, missing=missing, measures=("mitral_area",))
    cells = cells_of_frame(frame)
    names = list(cells.cases)
    weights = np.random.default_rng(1).multinomial(12, np.full(12, 1 / 12), size=20).astype(float)
    fast = components_of_weights(cells, weights, fit_cells(cells)) * cells.scale**2
    for draw, found in zip(weights, fast, strict=True):
        parts = []
        for name, times in zip(names, draw.astype(int), strict=True):
            own = frame[frame["case_id"] == name]
            parts += [own.assign(case_id=f"{name} copy {copy}") for copy in range(times)]
        slow = stats.variance_components(pd.concat(parts)).values
        if m == 1:
            slow[2] = 0.0
        if not missing and (slow[:3] == 0).sum() > (m == 1):
            continue
        np.testing.assert_allclose(found, slow, rtol=1e-5, atol=1e-5 * slow.sum())


def test_a_draw_whose_cases_fit_exactly_has_no_components():
    """Two cases read by three readers, one of them by one only, leave nothing for a residual, however often drawn."""
    readers = [
        ["ash", "birch", "cedar"],
        ["ash"],
        ["ash", "birch", "cedar"],
        ["ash", "birch", "cedar"],
        ["ash", "cedar"],
    ]
    case = [f"C{i}" for i, names in enumerate(readers) for _ in names]
    reader = [name for names in readers for name in names]
    cells = cells_of_arrays(case, reader, np.random.default_rng(2).normal(5, 1, len(case)))
    weights = np.array([[0, 1, 0, 0, 4], [0, 1, 4, 0, 0], [1, 0, 4, 0, 0], [1, 1, 1, 1, 1]], dtype=float)
    found = components_of_weights(cells, weights, fit_cells(cells))
    assert np.isnan(found[:2]).all()
    assert (found[2:].sum(axis=1) < 10).all()


def test_checklist_is_filled_from_the_run_and_the_study():
    frame = measurements()
    table = stats.grras_checklist(frame, agreement_table(frame, n_boot=0), facts={"sampling": "Consecutive cases."})
    by_item = table.set_index("item")
    assert len(table) == 15
    assert "24 cases, 3 readers" in by_item.answer[11]
    assert by_item.answered_by[7] == "study"
    assert by_item.answered_by[5] == "nobody"
    with pytest.raises(ValueError, match="samplign"):
        stats.grras_checklist(frame, facts={"samplign": "x"})
