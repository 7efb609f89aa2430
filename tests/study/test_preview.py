"""`check`: tables and headers only, the study drawn as it was understood, every problem at once, edits on offer."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from pydicom.dataset import FileDataset, FileMetaDataset
from table_files import LANDMARK_HEADER, ring_rows

from outflow_cohort.cli import EXIT_OK, EXIT_STUDY, EXIT_USAGE, main
from outflow_cohort.study.preview import WIDEST_MATRIX, preview
from outflow_cohort.study.problems import Problem, grouped


def header(folder: Path, removed: str = "YES", modality: str = "CT") -> None:
    folder.mkdir(parents=True, exist_ok=True)
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = "1.2.840.10008.5.1.4.1.1.2", "2.25.7"
    ds = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    ds.Modality, ds.PatientIdentityRemoved, ds.PatientName = modality, removed, "Quagmire^Zebulon"
    ds.save_as(folder / "one.dcm", enforce_file_format=True)


def test_the_drawing_shows_readings_repeats_and_holes(study):
    rows = ring_rows("C1", 30, "R1") + ring_rows("C1", 30, "R1", read=2) + ring_rows("C1", 30, "R2")
    rows += ring_rows("C2", "", "R2")
    drawing, _ = preview(study(landmarks=(LANDMARK_HEADER, rows)))
    lines = drawing.splitlines()
    assert lines[0].split("  ") == ["case", "30 %", "40 %", "?"]
    columns = [lines[0].index(name) for name in ("30 %", "40 %", "?")]
    cells = {
        line[:2]: [(line + " " * 40)[a:b].strip() for a, b in zip(columns, [*columns[1:], 40], strict=True)]
        for line in lines[1:3]
    }
    # reader A read twice and B once at 30 %; at 40 % a series without reading; C2 has one series of unknown phase
    assert cells == {"C1": ["A2B", ".", ""], "C2": ["", "", "-B"]}
    assert "2 cases, 3 series, 4 readings. Readers: A = R1, B = R2." in drawing


def test_a_long_matrix_shows_cases_with_holes_first(study):
    names = [f"K{i:03d}" for i in range(WIDEST_MATRIX + 20)]
    rows = [row for n in names[:-1] for row in ring_rows(n, 30, "R1")]
    path = study(
        cases=(["case_id"], [[n] for n in names]),
        series=(["case_id", "dicom_dir", "phase_pct"], [[n, f"d/{n}", 30] for n in names]),
        landmarks=(LANDMARK_HEADER, rows),
        plans=None,
    )
    drawing, _ = preview(path)
    assert f"{names[-1]}  ." in drawing.splitlines()
    assert "… and 20 more cases, 0 of them with fewer" in drawing


def test_the_same_mistake_in_many_rows_is_one_line(study, capsys):
    header(study().parent / "d" / "b")
    assert main(["check", str(study())]) == EXIT_OK
    err = capsys.readouterr().err.splitlines()
    missing = [line for line in err if "no file in this folder" in line]
    assert len(missing) == 1
    assert 'series.csv, rows 2, 4, dicom_dir: found no file in this folder ("d/a") (2 times)' in missing[0]


def test_row_ranges_of_a_group():
    rows = [*range(2, 37), 40, 42, 43]
    problems = [Problem("series.csv", r, "dicom_dir", "nothing", "files", "Correct it.") for r in rows]
    problems.append(Problem("series.csv", 9, "phase_pct", "nothing", "files", "Correct it."))
    lines = grouped(problems)
    assert lines == [
        "error: series.csv, rows 2-36, 40, 42-43, dicom_dir: found nothing (38 times); needed files. Remedy: Correct it.",
        "error: series.csv, row 9, phase_pct: found nothing; needed files. Remedy: Correct it.",
    ]


@pytest.mark.parametrize(
    ("removed", "modality", "expected"),
    [("YES", "CT", None), ("NO", "CT", "no sign of de-identification"), ("YES", "MR", "a series that is not CT")],
)
def test_one_header_a_series_is_looked_at(study, removed: str, modality: str, expected: str | None):
    folder = study().parent / "d"
    for name in "abc":
        header(folder / name, removed, modality)
    _, problems = preview(study())
    found = [p.found for p in problems if p.file == "series.csv"]
    assert found == ([] if expected is None else [f'{expected} ("d/a")'] * 3)
    assert not any("Quagmire" in str(p) for p in problems)


def test_errors_are_all_listed_at_once_and_end_with_status_3(study, capsys):
    path = study(
        plans=(["case_id", "plan_id", "device_id"], [["C1", "p", "K72"]]),
        devices=(["device_id", "nominal_diameter_mm", "height_mm"], [["K27", 2.7, 20]]),
    )
    assert main(["check", str(path)]) == EXIT_STUDY
    captured = capsys.readouterr()
    assert "plans.csv, row 2, device_id" in captured.err
    assert "devices.csv, row 2, nominal_diameter_mm" in captured.err
    assert "2 errors, " in captured.out
    assert not (path.parent / "results").exists()


def test_the_fix_plan_suggests_edits_in_a_new_file_only(study, capsys):
    path = study(plans=(["case_id", "plan_id", "device_id"], [["C1", "p", "K72"]]))
    before = {p.name: p.read_bytes() for p in path.parent.iterdir() if p.is_file()}
    fixes = path.parent / "fixes.csv"
    assert main(["check", str(path), "--fix-plan", str(fixes)]) == EXIT_STUDY
    with fixes.open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    wrong = [r for r in rows if r["column"] == "device_id"]
    assert [(r["file"], r["row"], r["suggestion"]) for r in wrong] == [("plans.csv", "2", "K27")]
    assert {p.name: p.read_bytes() for p in path.parent.iterdir() if p.is_file() and p != fixes} == before
    written = fixes.read_bytes()
    capsys.readouterr()
    assert main(["check", str(path), "--fix-plan", str(fixes)]) == EXIT_USAGE
    assert "not overwritten" in capsys.readouterr().err
    assert fixes.read_bytes() == written


def test_cases_of_which_nothing_can_be_measured_are_counted(study):
    path = study(
        cases=(["case_id", "device_id"], [["C1", "K27"], ["C2", ""], ["C3", ""]]),
        landmarks=(LANDMARK_HEADER, ring_rows("C1", 30, "R1")),
    )
    _, problems = preview(path)
    found = {p.file: p.found for p in problems if p.row is None}
    assert found["landmarks.csv"] == "no reading of 2 of 3 cases"
    assert found["plans.csv"] == "no plan and no device of 2 of 3 cases"
    assert found["series.csv"] == "no series of 1 of 3 cases"
    assert {p.severity for p in problems if p.row is None} == {"warning"}


def test_the_mapping_that_is_suggested_works_as_it_stands(study, capsys):
    """Unknown names are listed with the nearest structure; the line can be pasted into study.yaml."""
    rows = [[*r[:4], "Mitral annulus: inner", *r[5:]] for r in ring_rows("C1", 30, "R1")]
    main(["check", str(study(landmarks=(LANDMARK_HEADER, rows)))])
    told = capsys.readouterr().err
    assert "in 12 rows" in told
    line = re.search(r"in study.yaml: (structure_names: {.*?})", told)
    assert line is not None
    path = study(f"study_id: trial\n{line[1]}\n", landmarks=(LANDMARK_HEADER, rows))
    assert main(["check", str(path)]) == EXIT_OK
    assert "A" in next(row for row in capsys.readouterr().out.splitlines() if row.startswith("C1"))


def test_the_folder_of_a_study_may_be_named_instead_of_its_file(study, capsys):
    path = study()
    main(["check", str(path)])
    by_file = capsys.readouterr()
    main(["check", str(path.parent)])
    assert capsys.readouterr() == by_file
