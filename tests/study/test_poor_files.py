"""Files as they come from spreadsheets and other systems: each mistake gets one message with place and remedy."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from table_files import LANDMARK_HEADER, ring_rows

from outflow_cohort.stats.data.table_meanings import PARTS
from outflow_cohort.steps.finish import finish
from outflow_cohort.steps.inventory import inventory
from outflow_cohort.steps.judge import judge
from outflow_cohort.steps.measure import measure
from outflow_cohort.steps.plan import plan
from outflow_cohort.steps.report import report
from outflow_cohort.steps.statistics import statistics
from outflow_cohort.steps.table import table
from outflow_cohort.steps.volume import volume
from outflow_cohort.study.columns import TABLES
from outflow_cohort.study.launch import prepare
from outflow_cohort.study.problems import Problem, StudyError, grouped
from outflow_cohort.study.tables import read_table

CASES = "case_id,group\nC1,native\nC2,ring\n"


def messages(path: Path) -> list[str]:
    with pytest.raises(StudyError) as caught:
        plan(study_file=path)
    return [m for m in grouped(caught.value.problems) if m.startswith("error")]


LANDMARK_TEXT = ",".join(LANDMARK_HEADER) + "\nC1,30,R1,1,mitral_ring,1,1.5,2.5,0\n"
POOR = {
    "semicolons": ("cases.csv", CASES.replace(",", ";").encode(), ["cases.csv, row 1", "semicolons", "commas"]),
    "semicolons and decimal commas": (
        "landmarks.csv", LANDMARK_TEXT.replace(",", ";").replace(".", ",").encode(),
        ["landmarks.csv, row 1", "semicolons", "decimal commas", "landmark_files"],
    ),
    "tabs": ("cases.csv", CASES.replace(",", "\t").encode(), ["cases.csv, row 1", "tabs"]),
    "decimal commas": (
        "landmarks.csv", LANDMARK_TEXT.replace("1.5,2.5", "1,5,2,5").encode(),
        ["landmarks.csv, row 2", "11 cells under 9 columns", "decimal commas by points"],
    ),
    "one long row": (
        "cases.csv", b"case_id,group\nC1,native\nC2,ring,extra\n",
        ["cases.csv, row 3", "3 cells under 2 columns", "quotes"],
    ),
    "xlsx": ("cases.csv", b"PK\x03\x04" + b"\1" * 60, ["cases.csv: found an Excel workbook", "CSV UTF-8"]),
    "UTF-16": ("cases.csv", CASES.encode("utf-16"), ["cases.csv: found text in UTF-16", "UTF-8"]),
    "UTF-16 without mark": ("cases.csv", CASES.encode("utf-16-le"), ["cases.csv: found text in UTF-16"]),
    "Latin-1": (
        "cases.csv", CASES.replace("ring", "réné").encode("latin-1"),
        ["cases.csv, row 3", "not UTF-8", "Latin-1"],
    ),
    "binary": ("cases.csv", b"\x89BIN\0\1\2\3\4\5\6\7", ["cases.csv: found a binary file"]),
    "empty": ("cases.csv", b"", ["cases.csv: found an empty file", "a header and rows"]),
    "blank": ("cases.csv", b"\xef\xbb\xbf \r\n", ["cases.csv: found an empty file"]),
    "header only": ("cases.csv", b"case_id,group\n", ["cases.csv: found a header and no rows", "one row per case"]),
}  # fmt: skip


@pytest.mark.parametrize("kind", POOR)
@pytest.mark.filterwarnings("error")
def test_a_poor_file_gets_one_message(study, kind: str) -> None:
    name, content, expected = POOR[kind]
    path = study()
    (path.parent / name).write_bytes(content)
    found = messages(path)
    assert len(found) == 1, found
    for part in [*expected, "needed", "Remedy:"]:
        assert part in found[0]


@pytest.mark.parametrize("word", ["NaN", "n/a", "#N/A", "-", "inf"])
def test_what_stands_for_no_number_is_named(study, word: str) -> None:
    rows = ring_rows("C1", 30, "R1") + ring_rows("C1", 40, "R1")
    rows[3][6] = word
    (found,) = messages(study(landmarks=(LANDMARK_HEADER, rows)))
    assert found.startswith(f'error: landmarks.csv, row 5, x_mm: found "{word}", which is no number; needed a number')
    assert "remove the row" in found


@pytest.mark.parametrize("place", ["D:\\ct\\a", "..\\ct\\a", "E:/ct/a"])
def test_a_windows_path_is_shown_with_what_to_write(study, place: str) -> None:
    (found,) = messages(study(series=(["case_id", "dicom_dir"], [["C1", place], ["C2", "d/c"]])))
    assert f'series.csv, row 2, dicom_dir: found a Windows path ("{place}")' in found
    assert "../ct/C1" in found


def test_a_windows_path_that_may_name_somebody_is_not_shown(study) -> None:
    (found,) = messages(study(series=(["case_id", "dicom_dir"], [["C1", "D:\\Anna Smith\\a"], ["C2", "d/c"]])))
    assert "Smith" not in found


@pytest.mark.parametrize("table", ["landmarks", "series"])
def test_a_header_without_rows_warns_and_leaves_tables_that_can_be_used(study, table: str, capsys) -> None:
    header = LANDMARK_HEADER if table == "landmarks" else ["case_id", "dicom_dir", "phase_pct"]
    path = study(**{table: (header, [])})
    problems = plan(study_file=path)
    assert [p.found for p in problems if p.file == f"{table}.csv"] == ["a header and no rows"]
    readings = pd.read_parquet(path.parent / "results/work/readings.parquet")
    assert readings["x_mm"].dtype == "float64"
    assert pd.api.types.is_string_dtype(readings["reader_id"])


def test_a_study_without_landmarks_ends_with_every_case_set_aside(study) -> None:
    path = study("study_id: trial\nstatistics: {n_boot: 100}\n", landmarks=(LANDMARK_HEADER, []))
    plan(study_file=path)
    results = path.parent / "results"
    work = results / "work"
    for key in ("C1", "C2"):
        given = {"request": work / f"requests/{key}.json", "inventory": work / f"inventory/{key}.json"}
        inventory(request=given["request"], output=given["inventory"])
        volume(**given, output_dir=work / f"volumes/{key}")
        judge(**given, volumes=work / f"volumes/{key}", output=work / f"judged/{key}.json")
        measure(
            **given, volumes=work / f"volumes/{key}", judged=work / f"judged/{key}.json",
            output_dir=work / f"measured/{key}",
        )  # fmt: skip
    table(results=results)
    for part in PARTS:
        statistics(results=results, study=work / "study.json", part=part)
    report(results=results)
    closing = finish(results=results)
    assert "cases: 2 in, 0 measured, 2 set aside" in closing


@pytest.mark.parametrize(
    ("settings", "key", "needed"),
    [
        ("report: {pdf: sometimes}", "report.pdf", "true or false, or 'browser' or 'weasyprint'"),
        ("statistics: {n_boot: many}", "statistics.n_boot", "a whole number"),
    ],
)
def test_a_key_is_named_as_it_is_written(study, settings: str, key: str, needed: str) -> None:
    found = messages(study(f"study_id: trial\n{settings}\n"))
    assert len(found) == 1, found
    assert f"study.yaml, {key}: found" in found[0]
    assert needed in found[0]
    assert "[" not in found[0].split("needed")[0]


def test_a_mistyped_config_key_runs_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit, match=r"unknown key .studdy.; needed study or scheduler.*did you mean .study."):
        prepare(study=None, demo_settings="config/demo.yaml", main_process=True, given=["studdy"])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("beside", "remedy"),
    [
        ("cases.xlsx", 'Save "cases.xlsx" as cases.csv: CSV in UTF-8, comma-separated.'),
        ("Cases.CSV", 'Rename "Cases.CSV" to cases.csv.'),
        ("case.csv", 'Write cases.csv, or rename "case.csv".'),
        ("notes.docx", "Write cases.csv."),
    ],
)
def test_a_missing_table_names_what_lies_beside_it(tmp_path: Path, beside: str, remedy: str) -> None:
    (tmp_path / beside).write_bytes(b"PK")
    problems: list[Problem] = []
    read_table(tmp_path / "cases.csv", TABLES["cases"], problems)
    assert [p.remedy for p in problems] == [remedy]
    assert ("beside it" in problems[0].found) == (Path(beside).stem.lower() == "cases")
