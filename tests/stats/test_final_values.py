"""One final value per case, phase and measure: rules, limits, intervals."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.stats.data.adjudication_settings import AdjudicationSettings, Difference
from outflow_cohort.stats.data.final_values import ReaderValue, final_tables, settle, with_final
from outflow_cohort.stats.data.settings import StatisticsSettings

LIMIT = Difference(measure="neo_lvot_area", more_than=40.0)


def values(**readers: float) -> list[ReaderValue]:
    return [ReaderValue(name, (1,), value, 6.0, value - 12.0, value + 12.0) for name, value in readers.items()]


def final(given: list[ReaderValue], **settings: object):
    chosen = AdjudicationSettings.model_validate({"adjudicators": ["oak"], "differences": [LIMIT]} | settings)
    return settle("neo_lvot_area", "full_frame", "reader_path", given, chosen)


def test_readers_who_agree_give_their_mean() -> None:
    row, why = final(values(ash=200.0, birch=220.0, oak=400.0))
    assert why is None
    assert (row.value, row.rule, row.status, row.n_readers) == (210.0, "mean_of_readers", "ok", 2)
    # two readings of 6 mm2 each, 14.14 mm2 apart from reader to reader: the larger variance counts, over two
    assert row.std_error == pytest.approx(np.sqrt(200.0 / 2.0))
    assert row.readings == "ash/1;birch/1"


def test_a_doubt_of_a_reading_that_counts_is_the_final_value_s_too() -> None:
    ash, birch, cedar = values(ash=200.0, birch=220.0, cedar=204.0)
    row, _ = final([ash, replace(birch, doubt="two_places")])
    assert (row.value, row.status) == (210.0, "two_places")
    # the doubtful reader is not among the two closest
    row, _ = final([ash, replace(birch, doubt="two_places"), cedar], rule="mean_of_two_closest")
    assert (row.value, row.status) == (202.0, "ok")


def test_readers_who_differ_wait_for_the_adjudicator() -> None:
    row, why = final(values(ash=200.0, birch=260.0))
    assert row.status == "needs_adjudication"
    assert why is not None
    assert (why.difference, why.limit, why.reason) == (60.0, 40.0, "differ_by_more_than")


@pytest.mark.parametrize(
    ("rule", "value"),
    [
        ("mean_of_two_closest", 255.0),
        ("adjudicator", 250.0),
        ("median_of_readers", 250.0),
        ("mean_of_readers", 236.667),
    ],
)
def test_the_adjudicator_settles_by_the_named_rule(rule: str, value: float) -> None:
    row, _ = final(values(ash=200.0, birch=260.0, oak=250.0), rule_if_adjudicated=rule)
    assert row.status == "adjudicated"
    assert row.value == pytest.approx(value, abs=1e-3)
    assert row.rule == rule


def test_per_cent_and_classes_ask_for_an_adjudicator_too() -> None:
    percent = Difference(measure="neo_lvot_area", more_than_pct=10.0)
    assert final(values(ash=200.0, birch=225.0), differences=[percent])[1].reason == "differ_by_more_than_pct"
    classes = Difference(measure="neo_lvot_area", classes=(170.0,))
    assert final(values(ash=165.0, birch=172.0), differences=[classes])[1].reason == "different_classes"
    assert final(values(ash=171.0, birch=179.0), differences=[classes])[1] is None
    other = Difference(measure="neo_lvot_area", variant="skirt", more_than=1.0)
    assert final(values(ash=165.0, birch=172.0), differences=[other])[1] is None


def rows() -> pd.DataFrame:
    place = {
        "plan_id": "p",
        "measure": "neo_lvot_area",
        "variant": "full_frame",
        "method": "reader_path",
        "unit": "mm2",
    }
    listed = [
        ("C1", 40.0, "ash", 1, 200.0, "ok"),
        ("C1", 40.0, "ash", 2, 210.0, "ok"),
        ("C1", 40.0, "birch", 1, 225.0, "ok"),
        ("C1", 75.0, "ash", 1, 300.0, "landmark_suspect"),
        ("C2", 40.0, "ash", 1, None, "no_channel"),
        ("C2", None, "ash", 1, 150.0, "ok"),
    ]
    names = ["case_id", "phase_pct", "reader_id", "read_no", "value", "status"]
    frame = pd.DataFrame([place | dict(zip(names, row, strict=True)) for row in listed])
    return frame.assign(
        landmark_origin="marked", std_error=5.0, ci_low=frame["value"] - 10.0, ci_high=frame["value"] + 10.0
    )


def test_each_case_phase_and_measure_has_one_row(tmp_path: Path) -> None:
    rows().to_parquet(tmp_path / "part-0.parquet")
    table, asked = final_tables(tmp_path, AdjudicationSettings(), StatisticsSettings())
    assert not table.duplicated(["case_id", "phase_pct", "plan_id", "measure", "variant", "method"]).any()
    assert len(table) == 4
    found = table.set_index(["case_id", "phase_pct"])
    assert found.loc[("C1", 40.0), "value"] == pytest.approx((205.0 + 225.0) / 2)
    assert found.loc[("C1", 40.0), "readings"] == "ash/1;ash/2;birch/1"
    assert found.loc[("C1", 75.0), "status"] == "landmark_suspect"
    assert pd.isna(found.loc[("C1", 75.0), "value"])
    assert found.loc[("C2", 40.0), "status"] == "no_usable_value"
    alone = table[table["phase_pct"].isna()].iloc[0]
    assert (alone["value"], alone["ci_low"], alone["ci_high"]) == (150.0, 140.0, 160.0)
    assert asked.empty


def test_carried_values_count_only_where_no_reader_marked_the_phase(tmp_path: Path) -> None:
    table = rows()
    carried = (table["case_id"] == "C1") & (table["phase_pct"] == 40.0) & (table["reader_id"] == "birch")
    alone = (table["case_id"] == "C2") & table["phase_pct"].isna()
    table.loc[carried | alone, "landmark_origin"] = "carried"
    table.to_parquet(tmp_path / "part-0.parquet")
    limit = Difference(measure="neo_lvot_area", more_than=5.0)
    final, asked = final_tables(tmp_path, AdjudicationSettings(differences=(limit,)), StatisticsSettings())
    found = final.set_index(["case_id", "phase_pct"])
    # birch's carried 225 mm2 neither enters the mean of ash's two reads nor asks for a further reader
    assert found.loc[("C1", 40.0), "value"] == pytest.approx(205.0)
    assert found.loc[("C1", 40.0), "readings"] == "ash/1;ash/2"
    assert found.loc[("C1", 40.0), "landmark_origin"] == "marked"
    assert asked.empty
    over = final[final["phase_pct"].isna()].iloc[0]
    assert (over["value"], over["landmark_origin"]) == (150.0, "carried")
    # where the marked value cannot be used the carried one stands, and says so
    table.loc[table["reader_id"] == "ash", "status"] = "no_channel"
    table.to_parquet(tmp_path / "part-0.parquet")
    final, _ = final_tables(tmp_path, AdjudicationSettings(), StatisticsSettings())
    row = final.set_index(["case_id", "phase_pct"]).loc[("C1", 40.0)]
    assert (row["value"], row["readings"], row["landmark_origin"]) == (225.0, "birch/1", "carried")


def test_the_statistics_can_take_final_values() -> None:
    key = {"plan_id": "p", "measure": "m", "variant": "v", "method": "r"}
    ours = pd.DataFrame([key | {"case_id": c, "phase_pct": 40.0, "value": 1.0} for c in ("C1", "C2")])
    settled = pd.DataFrame(
        [
            key | {"case_id": "C1", "phase_pct": 40.2, "value": 7.0, "status": "adjudicated"},
            key | {"case_id": "C2", "phase_pct": 40.0, "value": 9.0, "status": "needs_adjudication"},
        ]
    )
    found = with_final(ours, settled, 5.0)
    assert found["value"].tolist()[0] == 7.0
    assert np.isnan(found["value"].tolist()[1])
