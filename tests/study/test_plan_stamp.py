"""A plan with nothing to do ends at once, and one with anything to do never does."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from table_files import LANDMARK_HEADER, ring_rows, write_csv

from outflow_cohort.steps.plan import plan
from outflow_cohort.study import checks
from outflow_cohort.study.fingerprints import fingerprint


@pytest.fixture
def planned(study: Callable[..., Path]) -> Path:
    path = study()
    for name in "abc":
        folder = path.parent / "d" / name
        folder.mkdir(parents=True)
        (folder / "1.dcm").write_bytes(b"one")
    plan(study_file=path)
    return path


@pytest.fixture
def loads(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Grows by one each time that the tables are read."""
    counted: list[int] = []
    real = checks.load_tables

    def counting(*arguments: object) -> object:
        counted.append(1)
        fingerprint.cache_clear()
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(checks, "load_tables", counting)
    fingerprint.cache_clear()
    return counted


def test_nothing_to_do_reads_no_table_and_repeats_the_warnings(study: Callable[..., Path], loads: list[int]) -> None:
    path = study(plans=(["case_id", "plan_id", "device_id", "ventricular_depth_mm"], [["C1", "p1", "K27", 0.4]]))
    first = plan(study_file=path)
    written = {p: p.stat().st_mtime_ns for p in path.parent.rglob("results/**/*") if p.is_file()}
    assert loads == [1]
    assert plan(study_file=path) == first
    assert loads == [1]
    assert {p: p.stat().st_mtime_ns for p in path.parent.rglob("results/**/*") if p.is_file()} == written


def touched_row(path: Path) -> None:
    """The same size and time, another digit."""
    file = path.parent / "landmarks.csv"
    state, text = file.stat(), file.read_text(encoding="utf-8")
    last = text.rstrip()[-1]
    file.write_text(text.rstrip()[:-1] + ("1" if last != "1" else "2") + "\n", encoding="utf-8")
    os.utime(file, ns=(state.st_atime_ns, state.st_mtime_ns))


CHANGES: dict[str, Callable[[Path], object]] = {
    "a point": touched_row,
    "a setting": lambda path: path.write_text("study_id: trial\ntitle: other\n", encoding="utf-8"),
    "an image": lambda path: (path.parent / "d/b/1.dcm").write_bytes(b"three"),
    "an image more": lambda path: (path.parent / "d/b/2.dcm").write_bytes(b"two"),
    "a new table": lambda path: write_csv(
        path.parent / "device_profiles.csv",
        ["device_id", "station_mm", "diameter_mm"],
        [["K27", 0, 27], ["K27", 20, 26]],
    ),
    "a request that is gone": lambda path: (path.parent / "results/work/requests/C1.json").unlink(),
    "a request that was written over": lambda path: (path.parent / "results/work/requests/C1.json").write_text("{}"),
    "a table of the plan that is gone": lambda path: (path.parent / "results/work/readings.parquet").unlink(),
    "a stamp that cannot be read": lambda path: (path.parent / "results/work/plan_stamp.json").write_text("[]"),
    "a case more": lambda path: [
        write_csv(path.parent / "cases.csv", ["case_id", "device_id"], [["C1", "K27"], ["C2", ""], ["C3", ""]]),
        write_csv(
            path.parent / "landmarks.csv",
            LANDMARK_HEADER,
            [*ring_rows("C1", 30, "R1"), *ring_rows("C1", 40, "R1"), *ring_rows("C2", "", "R1")],
        ),
    ],
}


@pytest.mark.parametrize("change", list(CHANGES))
def test_any_change_is_planned(planned: Path, loads: list[int], change: str) -> None:
    plan(study_file=planned)
    assert loads == []
    fingerprint.cache_clear()
    CHANGES[change](planned)
    plan(study_file=planned)
    assert loads == [1]
    # what was repaired or taken in is again as it should be
    fingerprint.cache_clear()
    plan(study_file=planned)
    assert loads == [1]


def test_a_generated_study_and_a_given_one_are_two(planned: Path, loads: list[int]) -> None:
    plan(study_file=planned, generated=True)
    assert loads == [1]


def test_a_dry_run_leaves_the_stamp(planned: Path, loads: list[int], tmp_path: Path) -> None:
    touched_row(planned)
    for _ in range(2):
        changes = tmp_path / "changes"
        changes.mkdir(exist_ok=True)
        plan(study_file=planned, changes=changes)
    assert loads == [1, 1]
