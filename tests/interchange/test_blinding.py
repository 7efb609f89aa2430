"""Blinded lists: every series once, the chosen share twice, repeats apart, nothing of the case in the list."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.cli import EXIT_FAILED, EXIT_OK, main
from outflow_cohort.interchange.blinding import CLOSEST_REPEAT, blinded_lists, unblind, write_lists
from outflow_cohort.interchange.concepts import LANDMARK_COLUMNS

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
    with pytest.raises(ValueError, match="must not be"):
        write_lists(blinded, lists=tmp_path / "lists", key=tmp_path / "lists" / "inner")


def test_landmarks_filed_under_a_reading_come_back_to_their_case():
    key = blinded_lists(SERIES, ["R1"], repeat_share=0.1, seed=3).key
    row = key[key["read_no"] == 2].iloc[0]
    landmarks = pd.DataFrame({"case_id": [row["reading_id"]], "reader_id": ["R1"], "structure": ["lv_apex"]})
    back = unblind(landmarks, key).iloc[0]
    assert (back["case_id"], back["phase_pct"], back["read_no"]) == (row["case_id"], row["phase_pct"], 2)
    with pytest.raises(ValueError, match="not in the key"):
        unblind(landmarks.assign(reader_id="R9"), key)


def filed_under(key: pd.DataFrame) -> pd.DataFrame:
    """What readers hand back: the reading as case_id, no phase, coordinates of either sign."""
    rows = key.assign(case_id=key["reading_id"], structure="lv_apex", point_no=1, phase_pct="", read_no="")
    rows = rows.assign(x_mm=-rows["order"] / 7.0, y_mm=rows["order"] * 1.0, z_mm=0.125)
    return rows[list(LANDMARK_COLUMNS)]


def test_the_command_gives_back_what_was_filed(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    blinded = blinded_lists(SERIES, ["R1", "R2"], repeat_share=0.2, seed=3)
    write_lists(blinded, lists=tmp_path / "lists", key=tmp_path / "key")
    filed_under(blinded.key).to_csv(tmp_path / "filed.csv", index=False)
    words = ["unblind", str(tmp_path / "filed.csv"), "--key", str(tmp_path / "key/key.csv")]
    assert main([*words, "--output", str(tmp_path / "landmarks.csv")]) == EXIT_OK
    assert f"{len(blinded.key)} readings" in capsys.readouterr().out
    back = pd.read_csv(tmp_path / "landmarks.csv", float_precision="round_trip")
    assert list(back.columns) == list(LANDMARK_COLUMNS)
    columns = ["case_id", "phase_pct", "reader_id", "read_no"]
    pd.testing.assert_frame_equal(back[columns], blinded.key[columns], check_dtype=False)
    np.testing.assert_array_equal(back["x_mm"], -blinded.key["order"] / 7.0)
    assert main([*words, "--output", str(tmp_path / "landmarks.csv")]) == EXIT_FAILED
    assert "not overwritten" in capsys.readouterr().err


MAPPED = """study_id: blinded
landmark_files:
  - files: "*.tsv"
    blinded: true
    coordinates: RAS
    unit: cm
    separator: tab
    columns: {case_id: reading, reader_id: who, structure: name, x_mm: R, y_mm: A, z_mm: S}
    structures: {tip: lv_apex}
"""


def test_files_of_other_programs_come_back_by_the_mapping_of_the_study(tmp_path: Path, capsys):
    """One reader files a table in the contract's columns, the other in RAS, cm and other names: the same comes back."""
    blinded = blinded_lists(SERIES, ["R1", "R2"], repeat_share=0.2, seed=3)
    write_lists(blinded, lists=tmp_path / "lists", key=tmp_path / "key")
    rows = filed_under(blinded.key)
    rows[rows["reader_id"] == "R1"].to_csv(tmp_path / "R1.csv", index=False)
    theirs = rows[rows["reader_id"] == "R2"].rename(columns={"case_id": "reading", "reader_id": "who"})
    theirs = theirs.assign(R=-theirs["x_mm"] / 10.0, A=-theirs["y_mm"] / 10.0, S=theirs["z_mm"] / 10.0, name="tip")
    theirs[["reading", "who", "name", "R", "A", "S"]].to_csv(tmp_path / "R2.tsv", index=False, sep="\t")
    (tmp_path / "study.yaml").write_text(MAPPED, encoding="utf-8")
    words = ["unblind", str(tmp_path / "R1.csv"), str(tmp_path / "R2.tsv"), "--key", str(tmp_path / "key/key.csv")]
    words += ["--study", str(tmp_path / "study.yaml"), "--output", str(tmp_path / "landmarks.csv")]
    assert main(words) == EXIT_OK, capsys.readouterr().err
    back = pd.read_csv(tmp_path / "landmarks.csv")
    columns = ["case_id", "phase_pct", "reader_id", "read_no"]
    pd.testing.assert_frame_equal(back[columns], blinded.key[columns], check_dtype=False)
    np.testing.assert_allclose(back[["x_mm", "y_mm", "z_mm"]], rows[["x_mm", "y_mm", "z_mm"]], atol=1e-9)
    assert set(back["structure"]) == {"lv_apex"}


def test_a_file_that_no_mapping_describes_names_what_is_missing(tmp_path: Path, capsys):
    blinded = blinded_lists(SERIES, ["R1"], repeat_share=0.0, seed=3)
    write_lists(blinded, lists=tmp_path / "lists", key=tmp_path / "key")
    filed_under(blinded.key).rename(columns={"x_mm": "R"}).to_csv(tmp_path / "filed.csv", index=False)
    words = ["unblind", str(tmp_path / "filed.csv"), "--key", str(tmp_path / "key/key.csv")]
    assert main([*words, "--output", str(tmp_path / "landmarks.csv")]) == EXIT_FAILED
    told = capsys.readouterr().err
    assert "found no column x_mm" in told
    assert "--study with an entry of landmark_files" in told


@pytest.mark.parametrize(
    ("change", "expected"),
    [({"x_mm": "left of it"}, "row 2, x_mm: found no number"), ({"case_id": "R1-999"}, "not in the key"),
     ({"reader_id": "R9"}, "not in the key")],
)  # fmt: skip
def test_what_cannot_be_given_back_is_told(tmp_path: Path, change: dict[str, str], expected: str, capsys):
    blinded = blinded_lists(SERIES, ["R1"], repeat_share=0.0, seed=3)
    write_lists(blinded, lists=tmp_path / "lists", key=tmp_path / "key")
    filed_under(blinded.key).head(1).assign(**change).to_csv(tmp_path / "filed.csv", index=False)
    words = ["unblind", str(tmp_path / "filed.csv"), "--key", str(tmp_path / "key/key.csv")]
    assert main([*words, "--output", str(tmp_path / "landmarks.csv")]) == EXIT_FAILED
    told = capsys.readouterr().err
    assert expected in told
    assert "left of it" not in told
    assert not (tmp_path / "landmarks.csv").exists()
