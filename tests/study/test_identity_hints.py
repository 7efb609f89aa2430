"""`check` warns of cells that look as if they named a person or hospital, by row and column, and never repeats them.

Names, places and numbers here are invented; telephone number after the range that Ofcom keeps for drama.
"""

from __future__ import annotations

import pytest
from table_files import LANDMARK_HEADER, ring_rows

from outflow_cohort.cli import EXIT_OK, main
from outflow_cohort.study.preview import preview

HOSPITAL, PERSON = "the name of a hospital", "as names of people have them"
REGISTER, DATE, RUN, MAIL = "a name, a register number", "a full date", "a run of more than 6 digits", "an e-mail"
SITE = "words instead of a code"


def cases_with(column: str, cell: str) -> tuple[list[str], list[list[object]]]:
    return ["case_id", "device_id", column], [["C1", "K27", ""], ["C2", "", cell]]


def hints(path) -> list:
    return [p for p in preview(path)[1] if p.file == "cases.csv"]


@pytest.mark.parametrize(
    ("column", "cell", "expected"),
    [
        ("site", "St Zephyrin Hospital", HOSPITAL),
        ("site", "Klinikum Quellental", HOSPITAL),
        ("site", "Quellental", SITE),
        ("remarks", "sent by Quellental University", HOSPITAL),
        ("remarks", "Quagmire, Zebulon", PERSON),
        ("remarks", "Zebulon Quagmire", PERSON),
        ("remarks", "seen by Dr. Quagmire", REGISTER),
        ("remarks", "call +44 1632 960123", REGISTER),
        ("remarks", "zebulon.quagmire@quellental.example", MAIL),
        ("procedure", "2021-03-14", DATE),
        ("procedure", "14.03.2021", DATE),
        ("number", "40071235", RUN),
        ("number", "K-40071235", RUN),
        ("patient_name", "Zeb Q", "promises an identity"),
    ],
)
def test_a_cell_that_tells_who_is_warned_of_without_repeating_it(study, capsys, column: str, cell: str, expected: str):
    path = study(cases=cases_with(column, cell))
    found = hints(path)
    assert [(p.row, p.column, p.severity) for p in found] == [(3, column, "warning")]
    assert expected in found[0].found
    assert main(["check", str(path), "--json-log"]) == EXIT_OK
    captured = capsys.readouterr()
    assert expected in captured.err
    for part in cell.replace(",", " ").split():
        if len(part) > 3:
            assert part not in captured.out + captured.err


@pytest.mark.parametrize(
    ("column", "cell"),
    [("site", "S1"), ("site", "site-02"), ("site", "3"), ("group", "failed ring"), ("severity", "Severe Mitral"),
     ("age", "71"), ("gradient_mmhg", "12.123456789"), ("died", "yes"), ("remarks", "calcified, moderate"),
     ("days_to_event", "100234"), ("score", "1.25e-07")],
)  # fmt: skip
def test_codes_numbers_and_clinical_words_are_left_alone(study, column: str, cell: str):
    assert hints(study(cases=cases_with(column, cell))) == []


def test_many_rows_are_one_line_with_their_rows(study, capsys):
    rows = [[f"C{i}", "K27", "Quellental Hospital"] for i in range(1, 30)]
    main(["check", str(study(cases=(["case_id", "device_id", "site"], rows)))])
    lines = [line for line in capsys.readouterr().err.splitlines() if HOSPITAL in line]
    assert len(lines) == 1
    assert "cases.csv, rows 2-30, site: found" in lines[0]
    assert "(29 times)" in lines[0]


def test_words_that_the_study_allows_are_not_warned_of(study):
    settings = "study_id: t\nprivacy: {allowed_words: [Quellental]}\n"
    assert hints(study(settings, cases=cases_with("site", "Quellental"))) == []


def test_the_scan_can_be_switched_off(study):
    settings = "study_id: t\nprivacy: {scan_tables: false}\n"
    assert hints(study(settings, cases=cases_with("remarks", "Quagmire, Zebulon"))) == []


def test_a_column_named_after_somebody_is_counted_not_named(study, capsys):
    path = study(cases=(["case_id", "device_id", "seen by Dr. Quagmire"], [["C1", "K27", "40071235"], ["C2", "", ""]]))
    main(["check", str(path)])
    told = "".join(capsys.readouterr())
    assert "cases.csv, row 2, further column 1: found a run of more than 6 digits" in told
    assert "Quagmire" not in told


def test_what_the_run_would_set_aside_says_so(study):
    aside, told = (
        hints(study(cases=cases_with("remarks", cell)))[0].remedy for cell in ("seen by Dr. Quagmire", "40071235")
    )
    assert aside.startswith("The run would set the case aside")
    assert told.startswith("It would go into tables and report as it is")


def test_names_of_readers_are_warned_of_too(study):
    path = study(landmarks=(LANDMARK_HEADER, ring_rows("C1", 30, "Zebulon Quagmire") + ring_rows("C1", 40, "R1")))
    found = [p for p in preview(path)[1] if p.column == "reader_id"]
    assert {p.found for p in found} == {"two capitalised words, as names of people have them"}
    assert [p.row for p in found] == list(range(2, 14))


def test_the_drawing_withholds_names_that_were_warned_of(study, capsys):
    name = "Zebulon Quagmire"
    path = study(
        cases=(["case_id"], [["C1"], [name]]),
        series=(["case_id", "dicom_dir", "phase_pct"], [["C1", "a", 30], [name, "b", 30]]),
        landmarks=(LANDMARK_HEADER, ring_rows("C1", 30, "Barbara Quagmire") + ring_rows(name, 30, "R1")),
        plans=None,
    )
    main(["check", str(path)])
    told = "".join(capsys.readouterr())
    assert "Quagmire" not in told
    assert "\n(row 3)  " in told
    assert "A = (name withheld), B = R1." in told
