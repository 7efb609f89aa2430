"""No run harms another: whose results folder it is, and what a dry run may not do."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from table_files import LANDMARK_HEADER, ring_rows

from outflow_cohort.steps.plan import plan
from outflow_cohort.study.launch import is_dry_run
from outflow_cohort.study.problems import StudyError
from outflow_cohort.workflow_files import workflow_file


def state(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Every file below a folder with its time and content."""
    return {
        str(p.relative_to(folder)): (p.stat().st_mtime_ns, p.read_bytes() if p.is_file() else b"")
        for p in sorted(folder.rglob("*"))
    }


def run(study: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(workflow_file("Snakefile")), "--cores", "1"]
    command += [*options, "--config", f"study={study}"]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=study.parent.parent)


def refusal(path: Path) -> str:
    with pytest.raises(StudyError) as caught:
        plan(study_file=path)
    (problem,) = caught.value.problems
    return str(problem)


@pytest.mark.parametrize("place", ["d/a", "d/a/results", "link/results"])
def test_results_inside_the_images_are_refused(study, place: str) -> None:
    path = study(f"study_id: trial\nresults: {place}\n")
    (path.parent / "d/a").mkdir(parents=True)
    (path.parent / "link").symlink_to("d/a")
    before = state(path.parent)
    assert "found a folder inside the images of this study" in refusal(path)
    assert state(path.parent) == before


def test_results_of_another_study_are_refused_before_a_byte_is_written(study, tmp_path: Path) -> None:
    first = study("study_id: trial\nresults: shared\n")
    plan(study_file=first)
    owner = json.loads((tmp_path / "shared/work/owner.json").read_text(encoding="utf-8"))
    assert owner == {"study_id": "trial", "study_file": "../study.yaml"}
    before = state(tmp_path / "shared")
    other = study("study_id: other\nresults: shared\n")
    assert "its study_id differs" in refusal(other)
    assert state(tmp_path / "shared") == before
    study("study_id: trial\nresults: shared\n")  # the first one again
    assert plan(study_file=first) is not None
    twin = tmp_path / "elsewhere"
    twin.mkdir()
    for table in tmp_path.glob("*.csv"):
        (twin / table.name).write_bytes(table.read_bytes())
    (twin / "study.yaml").write_text("study_id: trial\nresults: ../shared\n", encoding="utf-8")
    assert "another study.yaml with the same study_id" in refusal(twin / "study.yaml")
    assert state(tmp_path / "shared") == before


def test_results_of_an_earlier_version_are_taken_over_by_their_study_alone(study, tmp_path: Path) -> None:
    path = study()
    plan(study_file=path)
    (tmp_path / "results/work/owner.json").unlink()
    plan(study_file=path)
    assert (tmp_path / "results/work/owner.json").exists()
    (tmp_path / "results/work/owner.json").unlink()
    assert "its study_id differs" in refusal(study("study_id: other\n"))


def test_a_folder_with_other_files_is_refused(study, tmp_path: Path) -> None:
    path = study()
    (tmp_path / "results").mkdir()
    (tmp_path / "results/letters.txt").write_text("mine", encoding="utf-8")
    assert "found a folder with other files in it" in refusal(path)
    assert [p.name for p in (tmp_path / "results").iterdir()] == ["letters.txt"]


def test_a_dry_run_writes_nothing_and_plans_what_a_run_would_do(study, tmp_path: Path) -> None:
    path = study()
    before = state(tmp_path)
    first = run(path, "--dry-run")
    assert first.returncode == 0, first.stderr
    assert "measure" in first.stdout
    assert state(tmp_path) == before
    plan(study_file=path)
    for key in ("C1", "C2"):
        (tmp_path / f"results/work/inventory/{key}.json").parent.mkdir(exist_ok=True)
        (tmp_path / f"results/work/inventory/{key}.json").write_text("{}", encoding="utf-8")
    rows = ring_rows("C1", 30, "R1", scale=1.01) + ring_rows("C1", 40, "R1") + ring_rows("C2", "", "R1")
    study(landmarks=(LANDMARK_HEADER, rows))
    before = state(tmp_path)
    again = run(path, "-n", "-p")
    assert again.returncode == 0, again.stderr
    assert state(tmp_path) == before
    counted = {tuple(line.split()) for line in again.stdout.splitlines() if line.startswith("inventory ")}
    assert counted == {("inventory", "1")}  # the changed case alone


def test_a_run_on_the_results_of_another_study_stops_at_its_start(study, tmp_path: Path) -> None:
    plan(study_file=study("study_id: first\n"))
    path = study("study_id: second\n")
    before = state(tmp_path / "results")
    for options in ((), ("-n",)):
        done = run(path, *options)
        assert done.returncode != 0
        assert "the results of another study (its study_id differs)" in done.stderr
        assert "Remedy: Name another folder" in done.stderr
        assert state(tmp_path / "results") == before


@pytest.mark.parametrize(
    ("arguments", "dry"),
    [("-n", True), ("-np", True), ("-pn", True), ("--dry-run", True), ("--dryrun", True), ("--cores 1", False),
     ("--config study=-n.yaml", False), ("-p", False), ("--notemp", False)],
)  # fmt: skip
def test_a_dry_run_is_known_by_its_option(arguments: str, dry: bool) -> None:
    assert is_dry_run(["snakemake", *arguments.split()]) == dry


def test_images_that_changed_change_the_request(study, tmp_path: Path) -> None:
    """What `changed_since_inventory` says is true: at the next run the case is read anew."""
    path = study()
    image = tmp_path / "d/a/slice_1"
    image.parent.mkdir(parents=True)
    image.write_bytes(b"one")
    request = tmp_path / "results/work/requests/C1.json"
    plan(study_file=path)
    kept = request.read_bytes()
    for change in (
        lambda: os.utime(image, ns=(1, 1)),
        lambda: image.write_bytes(b"longer"),
        lambda: (image.parent / "slice_2").write_bytes(b"two"),
        lambda: (image.parent / "slice_2").unlink(),
    ):
        change()
        subprocess.run([sys.executable, "-m", "outflow_cohort", "plan", "--study", str(path)], check=True)
        assert request.read_bytes() != kept
        kept = request.read_bytes()
