"""Blinded lists: every series once, the chosen share twice, repeats apart, nothing of the case in the list."""

from __future__ import annotations

import pandas as pd
import pytest

from outflow_cohort.interchange.blinding import CLOSEST_REPEAT, blinded_lists, unblind, write_lists

SERIES = pd.DataFrame([(f"C{i:03d}", p) for i in range(40) for p in (30.0, 75.0)], columns=["case_id", "phase_pct"])


def test_each_reader_reads_all_once_and_the_share_twice():
    blinded = blinded_lists(SERIES, ["R1", "R2"], repeat_share=0.25, seed=3)
    for reader, key in blinded.key.groupby("reader_id"):
        assert (key["read_no"] == 1).sum() == 80
        assert (key["read_no"] == 2).sum() == 20
        assert key["reading_id"].is_unique
        assert list(blinded.lists[str(reader)]["reading_id"]) == list(key.sort_values("order")["reading_id"])


def test_repeats_come_well_after_first_reads_and_are_not_a_block_at_the_end():
    key = blinded_lists(SERIES, ["R1"], repeat_share=0.5, seed=1).key
    wide = key.pivot_table(index=["case_id", "phase_pct"], columns="read_no", values="order").dropna()
    assert (wide[2] - wide[1]).min() > CLOSEST_REPEAT * len(SERIES)
    assert (key.sort_values("order")["read_no"].tail(10) == 1).any()


def test_readers_have_different_orders_and_the_same_seed_repeats():
    first = blinded_lists(SERIES, ["R1", "R2"], repeat_share=0.1, seed=3)
    again = blinded_lists(SERIES, ["R1", "R2"], repeat_share=0.1, seed=3)
    pd.testing.assert_frame_equal(first.key, again.key)
    orders = [list(k.sort_values("order")["case_id"]) for _, k in first.key.groupby("reader_id")]
    assert orders[0] != orders[1]


def test_written_lists_hold_no_case_and_the_key_stands_apart(tmp_path):
    blinded = blinded_lists(SERIES, ["R1", "R 2"], repeat_share=0.1, seed=3)
    write_lists(blinded, lists=tmp_path / "lists", key=tmp_path / "key")
    text = "".join(p.read_text() for p in (tmp_path / "lists").iterdir())
    assert not any(case in text for case in SERIES["case_id"])
    with pytest.raises(ValueError, match="must not lie"):
        write_lists(blinded, lists=tmp_path / "lists", key=tmp_path / "lists" / "inner")


def test_landmarks_filed_under_a_reading_come_back_to_their_case():
    key = blinded_lists(SERIES, ["R1"], repeat_share=0.1, seed=3).key
    row = key[key["read_no"] == 2].iloc[0]
    landmarks = pd.DataFrame({"case_id": [row["reading_id"]], "reader_id": ["R1"], "structure": ["lv_apex"]})
    back = unblind(landmarks, key).iloc[0]
    assert (back["case_id"], back["phase_pct"], back["read_no"]) == (row["case_id"], row["phase_pct"], 2)
    with pytest.raises(ValueError, match="not in the key"):
        unblind(landmarks.assign(reader_id="R9"), key)
