"""The real Snakefile on a small study: nothing lost, nothing done twice, the same bytes on one core and on two."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pyarrow.dataset as ds
import pytest
from workflow_runs import jobs_planned, snakemake, table_bytes

from outflow_cohort.study.outputs import CURVES, MEASUREMENTS, SET_ASIDE, VIEWS

NOTHING = "Nothing to be done"


def measurements(folder: Path) -> pd.DataFrame:
    return ds.dataset(folder / "results/tables/measurements").to_table().to_pandas()


def test_every_reading_is_measured_or_set_aside(finished_study: Path):
    counts = json.loads((finished_study / "results/run.json").read_text())["counts"]
    assert counts["cases"] == {"in": 3, "measured": 2, "set_aside": 1}
    assert counts["readings"] == {"in": 12, "measured": 8, "set_aside": 4}
    aside = pd.read_parquet(finished_study / "results/tables/set_aside.parquet")
    assert set(aside["case_id"]) == {"S03"}


def test_tables_have_the_columns_of_the_contract(finished_study: Path):
    tables = finished_study / "results/tables"
    for name, columns in (("measurements", MEASUREMENTS), ("curves", CURVES), ("views", VIEWS)):
        assert ds.dataset(tables / name).schema.names == [c.name for c in columns]
    assert list(pd.read_parquet(tables / "set_aside.parquet").columns) == [c.name for c in SET_ASIDE]
    for name in ("cohort_summary", "agreement", "size_agreement", "cutoffs", "associations"):
        assert (tables / f"{name}.parquet").exists()
        assert (tables / f"{name}.csv").exists()
    assert "mitral_area" in (tables / "README.md").read_text()


def test_a_value_is_there_or_its_status_says_why(finished_study: Path):
    rows = measurements(finished_study)
    assert (rows["value"].notna() | (rows["status"] != "ok")).all()
    assert (rows["status"] != "").all()
    area = rows[(rows["measure"] == "neo_lvot_area") & (rows["variant"] == "full_frame")]
    assert set(area["method"]) == {"reader_path", "automatic_path"}
    assert area["value"].notna().mean() > 0.9


def test_a_second_run_does_nothing(finished_study: Path):
    done = snakemake(finished_study / "study.yaml")
    assert NOTHING in done.stdout + done.stderr


def test_one_core_gives_the_same_bytes_as_two(scanned_study: Path, finished_study: Path, tmp_path: Path):
    folder = tmp_path / "study"
    shutil.copytree(scanned_study, folder)
    told = snakemake(folder / "study.yaml", "--verbose", cores=1).stderr
    assert table_bytes(folder) == table_bytes(finished_study)
    # The engine looks at its ready jobs when one has ended; with a limit of jobs a second it would look ever more often.
    assert 0 < told.count("Ready jobs:") <= 2 * told.count("Finished jobid:")


def test_touching_one_case_reruns_that_case_only(own_finished_study: Path):
    path = own_finished_study / "landmarks.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    index = next(i for i, line in enumerate(lines) if line.startswith("S02") and "mitral_ring" in line)
    cells = lines[index].split(",")
    cells[6] = f"{float(cells[6]) + 0.01:.3f}"
    lines[index] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = snakemake(own_finished_study / "study.yaml", "--dry-run")
    planned = jobs_planned(done.stdout + done.stderr)
    assert planned["measure"] == planned["inventory"] == planned["sheet"] == 1
    assert planned["table"] == planned["statistics"] == planned["agreement"] == planned["report"] == 1


def test_a_broken_study_stops_before_any_computing(scanned_study: Path, tmp_path: Path):
    folder = tmp_path / "study"
    shutil.copytree(scanned_study, folder)
    plans = (folder / "plans.csv").read_text(encoding="utf-8")
    device = plans.splitlines()[1].split(",")[2]
    (folder / "plans.csv").write_text(plans.replace(device, "Unheard-99"), encoding="utf-8")
    done = snakemake(folder / "study.yaml", check=False)
    assert done.returncode != 0
    assert "Unheard-99" in done.stderr
    assert "plans.csv, row 2, device_id" in done.stderr
    assert not (folder / "results").exists()


def test_the_workflow_lints_clean(scanned_study: Path, tmp_path: Path):
    folder = tmp_path / "study"
    shutil.copytree(scanned_study, folder)
    assert snakemake(folder / "study.yaml", "--lint", check=False).returncode == 0


def test_two_runs_on_one_results_folder_are_refused(own_finished_study: Path):
    from outflow_cohort.study.claim import claim

    holder = claim(own_finished_study / "results")
    done = snakemake(own_finished_study / "study.yaml", check=False)
    holder.close()
    assert done.returncode != 0
    assert "another run" in done.stderr


def test_runs_compare_equal_and_differences_are_explained(finished_study: Path, own_finished_study: Path):
    from outflow_cohort.runs.compare import compare

    same = compare(finished_study / "results", own_finished_study / "results")
    assert same.rows.empty
    assert same.compared == len(measurements(finished_study))
    part = next((own_finished_study / "results/tables/measurements").glob("*.parquet"))
    rows = pd.read_parquet(part)
    rows.loc[0, "value"] = rows.loc[0, "value"] + 1.0
    rows.to_parquet(part)
    other = compare(finished_study / "results", own_finished_study / "results")
    assert len(other.rows) == 1
    assert list(other.rows["why"]) == ["unexplained"]


@pytest.mark.parametrize("text", ["/work/", "/tmp/", "/home/", "/root/"])
def test_no_path_of_the_machine_in_tables_or_report(finished_study: Path, text: str):
    results = finished_study / "results"
    files = [p for folder in ("tables", "report") for p in (results / folder).rglob("*") if p.is_file()]
    assert files
    for path in [*files, results / "run.json"]:
        assert text.encode() not in path.read_bytes(), path.name
