"""Queries go out blinded; corrections come back with who, when and why, and nothing is overwritten."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outflow_cohort.corelab.queries import query_table, write_queries
from outflow_cohort.steps.judge_pictures import picture_name
from outflow_cohort.study.corrections import corrected
from outflow_cohort.study.outputs import LANDMARK_FINDINGS, typed_frame
from outflow_cohort.study.problems import Problem
from outflow_geometry.landmarks.findings import finding

WHO = {"case_id": "C1", "phase_pct": 40.0, "reader_id": "ash", "read_no": 1}


def findings(*found: object) -> pd.DataFrame:
    return typed_frame([WHO | vars(f) for f in found], LANDMARK_FINDINGS)


def test_a_query_says_what_is_wrong_in_a_sentence() -> None:
    table = query_table(findings(finding("point_off_curve", "mitral_ring", 7, 12.34, 4.5)))
    row = table.iloc[0]
    text = "Mitral ring, point 7: the point departs from the curve through its neighbours: 12.3 mm, bound 4.5 mm."
    assert row["what_is_wrong"] == text
    assert row["what_to_do"].startswith("Look at the point again")
    assert row["query_id"] == query_table(findings(finding("point_off_curve", "mitral_ring", 7, 9.0, 4.5))).iloc[0, 0]


def test_two_findings_on_one_point_are_one_query() -> None:
    table = query_table(
        findings(
            finding("point_off_curve", "mitral_ring", 7, 12.34, 4.5),
            finding("readings_differ", "mitral_ring", 7, 11.0, 4.0),
            finding("point_off_curve", "mitral_ring", 8, 12.34, 4.5),
        )
    )
    assert table["point_no"].tolist() == [7, 8]
    assert table["code"].tolist() == ["point_off_curve; readings_differ", "point_off_curve"]
    assert table["what_is_wrong"].iloc[0].count("12.3 mm") == 1
    assert "11.0" not in table["what_is_wrong"].iloc[0]
    assert table["query_id"].is_unique


def test_a_query_does_not_tell_how_far_other_readers_are() -> None:
    table = query_table(findings(finding("readings_differ", "lv_apex", 1, 8.7654, 3.2)))
    assert not any(text in table.iloc[0]["what_is_wrong"] for text in ("8.8", "3.2", "mm"))


def test_queries_on_a_blinded_list_name_no_case(tmp_path: Path) -> None:
    """Only the readings of the key, by their reading_id: no case, phase or read, in the table and on the page."""
    frame = findings(finding("not_on_wall", "septum", 2, 9.0, 5.0))
    (who,) = frame[["case_id", "phase_pct", "reader_id", "read_no"]].to_dict("records")
    other = frame.assign(reader_id="else")
    (tmp_path / "tables").mkdir()
    (tmp_path / "work" / "requests").mkdir(parents=True)
    pd.concat([frame, other]).to_parquet(tmp_path / "tables" / "landmark_findings.parquet")
    key = pd.DataFrame([{"order": 1, "reading_id": "list-007"} | who])
    key.to_csv(tmp_path / "key.csv", index=False)
    folder, count = write_queries(results=tmp_path, key=tmp_path / "key.csv")
    sent = pd.read_csv(folder / "queries.csv")
    assert (count, sent["reading_id"].tolist()) == (1, ["list-007"])
    assert not {"case_id", "phase_pct", "read_no"} & set(sent.columns)
    page = (folder / "queries.html").read_text(encoding="utf-8")
    assert "list-007" in page
    assert str(who["case_id"]) not in page
    everything, _ = write_queries(results=tmp_path)
    assert set(pd.read_csv(everything / "queries.csv")["query_id"]) > set(sent["query_id"])
    (tmp_path / "key.csv").write_text("reading_id\nlist-007\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"key\.csv: found no column reader_id"):
        write_queries(results=tmp_path, key=tmp_path / "key.csv")


def test_notes_are_no_queries() -> None:
    assert query_table(findings(finding("reader_drifts", "", None, 1.0, 0.5))).empty


def test_pictures_are_named_alike_with_and_without_a_phase() -> None:
    assert picture_name(WHO, "lv_apex", 1) == "40|ash|1|lv_apex|1"
    assert picture_name(WHO | {"phase_pct": float("nan")}, "", pd.NA) == "|ash|1||"


def landmarks() -> pd.DataFrame:
    rows = [
        WHO | {"structure": "mitral_ring", "point_no": i, "x_mm": 1.0 * i, "y_mm": 0.0, "z_mm": 0.0} for i in (1, 2)
    ]
    return pd.DataFrame(rows)


HEADER = "case_id,phase_pct,reader_id,read_no,structure,point_no,x_mm,y_mm,z_mm,corrected_by,date,reason\n"


def test_corrections_replace_points_and_keep_their_history(tmp_path: Path) -> None:
    text = (
        HEADER
        + "C1,40,ash,1,mitral_ring,2,5,6,7,ash,2026-03-01,query Q-1\nC1,,ash,1,mitral_ring,2,8,8,8,oak,2026-04-02,seen again\n"
    )
    (tmp_path / "corrections.csv").write_text(text, encoding="utf-8")
    problems: list[Problem] = []
    before = landmarks()
    after, history = corrected(before, tmp_path / "corrections.csv", problems)
    assert problems == []
    assert before.loc[1, "x_mm"] == 2.0
    assert after.loc[1, ["x_mm", "y_mm", "z_mm"]].tolist() == [8.0, 8.0, 8.0]
    assert history["version"].tolist() == [0, 1, 2]
    assert history["by"].tolist() == ["ash", "ash", "oak"]
    assert history["reason"].tolist() == ["as filed", "query Q-1", "seen again"]
    assert history["valid"].tolist() == [False, False, True]
    assert history["x_mm"].tolist() == [2.0, 5.0, 8.0]


def test_a_correction_of_nothing_is_a_problem(tmp_path: Path) -> None:
    text = HEADER + "C1,40,ash,2,mitral_ring,2,5,6,7,ash,2026-03-01,query\n"
    (tmp_path / "corrections.csv").write_text(text, encoding="utf-8")
    problems: list[Problem] = []
    corrected(landmarks(), tmp_path / "corrections.csv", problems)
    assert [p.row for p in problems] == [2]


@pytest.mark.parametrize("missing", ["reason", "date", "corrected_by"])
def test_a_correction_says_who_when_and_why(tmp_path: Path, missing: str) -> None:
    frame = pd.DataFrame([{name: "1" for name in HEADER.strip().split(",")}]).drop(columns=missing)
    frame.to_csv(tmp_path / "corrections.csv", index=False)
    problems: list[Problem] = []
    corrected(landmarks(), tmp_path / "corrections.csv", problems)
    assert any(missing in str(p) for p in problems)
