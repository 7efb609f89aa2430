"""Names of a study that try to leave its folder, reach a shell or run as a formula: they stay text. Invented data.

What a spreadsheet runs as a formula: OWASP, CSV injection (cells that start with = + - @, tab or carriage return).
"""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from workflow_runs import PROJECT, snakemake

from outflow_cohort.cli import EXIT_OK, EXIT_STUDY, main
from outflow_cohort.files import write_csv
from outflow_cohort.study.folders import walk_once
from outflow_cohort.study.keys import SAFE_KEY, case_key

HOSTILE = (
    'it\'s "quoted"',
    "{wildcards.key} {input} {{x}}",
    "../../../escape",
    "/absolute/escape",
    "-rf",
    "--output=elsewhere",
    "$(touch pwned)",
    "`touch pwned`",
    "; touch pwned ;",
    "a|touch pwned",
    "*?[a-z]",
    "~root",
    "%s%n",
    "=1+1",
    "Ünïcödé 患者",
    "<script>alert(1)</script>",
    "..",
    ".",
    "x" * 128,
)
REFUSED = ("two\nlines", "nul\0", "bell\a", "x" * 129, "")


@pytest.fixture
def hostile_study(scanned_study: Path, tmp_path: Path):
    """A function that writes a study of the set-aside case S03 under other names; nothing of it needs measuring."""

    def make(names: tuple[str, ...], settings: str = "") -> Path:
        folder = tmp_path / "a study's {odd} folder"
        scans = folder / "dicom" / "it's {odd} $(touch pwned)"
        shutil.copytree(scanned_study / "dicom/S03/phase_040", scans)
        for table in ("cases", "series", "landmarks", "plans"):
            with (scanned_study / f"{table}.csv").open(newline="", encoding="utf-8") as handle:
                head, *rows = csv.reader(handle)
            own = [row for row in rows if row[0] == "S03"]
            if table == "series":
                own = [[row[0], scans.relative_to(folder).as_posix(), *row[2:]] for row in own]
            with (folder / f"{table}.csv").open("w", newline="", encoding="utf-8") as handle:
                writer = csv.writer(handle)
                writer.writerow(head)
                writer.writerows([name, *row[1:]] for name in names for row in own)
        for name in ("devices.csv", "device_profiles.csv", "prostheses.csv", "sizing_targets.csv"):
            shutil.copy(scanned_study / name, folder / name)
        results = tmp_path / "results"
        text = (
            (scanned_study / "study.yaml")
            .read_text(encoding="utf-8")
            .replace("results: results", f"results: {results}")
        )
        (folder / "study.yaml").write_text(text + settings, encoding="utf-8")
        return folder

    return make


def files_of(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*")}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_key_is_a_plain_file_name(name: str):
    key = case_key(name)
    assert SAFE_KEY.fullmatch(key)
    assert key != name
    assert key == case_key(name)


def test_keys_of_different_names_differ():
    names = [*HOSTILE, "a b", "a  b", "a-b", "a_b", "a/b"]
    assert len({case_key(name) for name in names}) == len(names)


def test_hostile_case_ids_pass_plan_and_dry_run(hostile_study, tmp_path: Path):
    folder = hostile_study(HOSTILE)
    before, project = files_of(folder), {p.name for p in PROJECT.iterdir()}
    done = snakemake(folder / "study.yaml", "--dry-run")
    assert "pwned" not in {p.name for p in tmp_path.rglob("*")}
    assert files_of(folder) == before
    assert {p.name for p in PROJECT.iterdir()} <= project | {".snakemake"}
    assert "measure" in done.stdout
    assert not (tmp_path / "results").exists()  # a dry run writes nothing
    assert main(["plan", "--study", str(folder / "study.yaml")]) == EXIT_OK
    requests = tmp_path / "results/work/requests"
    assert {p.stem for p in requests.iterdir()} == {case_key(name) for name in HOSTILE}
    assert {json.loads(p.read_text(encoding="utf-8"))["case"]["case_id"] for p in requests.iterdir()} == set(HOSTILE)


@pytest.mark.parametrize("name", REFUSED)
def test_a_case_id_that_no_table_can_carry_is_refused(hostile_study, name: str, capsys: pytest.CaptureFixture[str]):
    folder = hostile_study((name,))
    assert main(["plan", "--study", str(folder / "study.yaml")]) == EXIT_STUDY
    message = capsys.readouterr().err
    # a zero byte makes the whole table a binary file
    assert ("cases.csv: found a binary file" if "\x00" in name else "cases.csv, row 2, case_id") in message
    assert "Remedy:" in message


def test_hostile_case_ids_pass_a_real_run(hostile_study, tmp_path: Path):
    names = ("=1+1 'x' \"y\" {key}", "../<script>alert(1)</script> $(touch pwned)")
    folder = hostile_study(names)
    before = files_of(folder)
    snakemake(folder / "study.yaml")
    results = tmp_path / "results"
    aside = pd.read_parquet(results / "tables/set_aside.parquet")
    assert set(aside["case_id"]) == set(names)
    assert files_of(folder) == before
    assert {p.name for p in tmp_path.iterdir()} == {folder.name, "results"}
    for page in (results / "report").rglob("*.html"):
        assert "<script>alert(1)" not in page.read_text(encoding="utf-8"), page.name
    assert not [p for p in [*tmp_path.rglob("*"), *PROJECT.iterdir()] if p.name == "pwned"]


@pytest.mark.parametrize("name", ["results", "cases", "landmarks"])
def test_a_tag_of_yaml_runs_nothing(hostile_study, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]):
    folder = hostile_study(("C1",))
    (folder / "study.yaml").write_text(
        f"study_id: x\n{name}: !!python/object/apply:os.system ['touch {tmp_path}/pwned']\n", encoding="utf-8"
    )
    assert main(["plan", "--study", str(folder / "study.yaml")]) == EXIT_STUDY
    assert "study.yaml" in capsys.readouterr().err
    assert not (tmp_path / "pwned").exists()
    done = snakemake(folder / "study.yaml", "--dry-run", check=False)
    assert done.returncode != 0
    assert not (tmp_path / "pwned").exists()


@pytest.mark.parametrize("path", ["../elsewhere", "dicom/../../elsewhere", "link_out", "{elsewhere}"])
def test_a_series_may_lie_anywhere(hostile_study, tmp_path: Path, path: str, capsys: pytest.CaptureFixture[str]):
    folder = hostile_study(("C1",))
    (tmp_path / "elsewhere").mkdir()
    (folder / "link_out").symlink_to(tmp_path / "elsewhere")
    place = path.format(elsewhere=tmp_path / "elsewhere")
    (folder / "series.csv").write_text(f"case_id,dicom_dir,phase_pct\nC1,{place},40\n", encoding="utf-8")
    assert main(["plan", "--study", str(folder / "study.yaml")]) == EXIT_OK
    assert "dicom_dir" not in capsys.readouterr().err


@pytest.mark.parametrize("path", ["loop/dicom", "ring_a", "ring_a/x", "dicom/up/dicom"])
def test_a_link_that_leads_back_on_itself_is_refused(hostile_study, path: str, capsys: pytest.CaptureFixture[str]):
    folder = hostile_study(("C1",))
    (folder / "dicom").mkdir(exist_ok=True)
    for name, target in (("loop", "."), ("ring_a", "ring_b"), ("ring_b", "ring_a"), ("dicom/up", "..")):
        (folder / name).symlink_to(target)
    (folder / "series.csv").write_text(f"case_id,dicom_dir,phase_pct\nC1,{path},40\n", encoding="utf-8")
    assert main(["plan", "--study", str(folder / "study.yaml")]) == EXIT_STUDY
    message = capsys.readouterr().err
    assert "series.csv, row 2, dicom_dir: found a link that leads back on itself" in message


def test_a_tree_with_a_link_back_is_walked_once(tmp_path: Path):
    (tmp_path / "tree/a").mkdir(parents=True)
    (tmp_path / "tree/a/f").write_text("x", encoding="utf-8")
    (tmp_path / "tree/a/back").symlink_to("..")
    assert [root for root, _, files in walk_once(tmp_path / "tree") if files] == [str(tmp_path / "tree/a")]


def test_cells_that_a_spreadsheet_would_run_are_disarmed(tmp_path: Path):
    cells = ["=cmd|'/C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "plain", "a=b"]
    write_csv(tmp_path / "t.csv", pd.DataFrame({"site": cells, "value": [-1.5] * len(cells)}))
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert [row["site"] for row in rows] == [f"'{cell}" for cell in cells[:5]] + ["'\n=1", "plain", "a=b"]
    assert {row["value"] for row in rows} == {"-1.5"}
