"""One invented study through the core lab's whole loop, by the commands alone: protocol, worklist, readings in, judged,
queries out, corrected and adjudicated, frozen, refused, amended."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from outflow_cohort.cli import main
from outflow_cohort.cli_parts import EXIT_OK, EXIT_STUDY

PROJECT = Path(__file__).parents[2]
DEMO = """\
study_id: loop_study
title: One invented case
seed: 5
phases_pct: [40]
readers: [ash, birch, oak]
reads: 1
sites: [Aldermoor]
cases: [{case_id: S01, group: native, seed: 11}]
scan: {matrix: 90, pixel_mm: 1.6, slice_mm: 1.6, slices: 75, supersample: 1}
"""
SETTINGS = """
uncertainty: {draws: 0}
statistics: {n_boot: 100, values: final}
adjudication:
  adjudicators: [oak]
  differences: [{measure: mitral_area, more_than: 0.001}]
"""


def run(study: Path, *more: str) -> None:
    command = [sys.executable, "-m", "snakemake", "--cores", "2", *more, "--config", f"study={study}"]
    done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-4000:]


def call(*words: object) -> None:
    assert main([str(word) for word in words]) == EXIT_OK, words


@pytest.mark.slow
def test_a_study_goes_through_the_whole_loop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study, place = tmp_path / "study/study.yaml", tmp_path / "study"
    (tmp_path / "demo.yaml").write_text(DEMO, encoding="utf-8")
    call("demo", "--folder", place, "--settings", tmp_path / "demo.yaml")
    call("demo-series", "--folder", place, "--case", "S01")
    marked = pd.read_csv(place / "landmarks.csv", dtype=str)
    settings = yaml.safe_load(study.read_text(encoding="utf-8")) | yaml.safe_load(SETTINGS)
    study.write_text(yaml.safe_dump(settings), encoding="utf-8")

    # protocol and worklist
    call("protocol", study, "--output", tmp_path / "protocol", "--no-pdf")
    assert "Mitral ring" in (tmp_path / "protocol/protocol.html").read_text(encoding="utf-8")
    dealt = ["--output", tmp_path / "worklist", "--key", tmp_path / "key"]
    call("worklist", study, "--readers", "ash,birch", "--repeat", "0%", *dealt)

    # the readers file under the names of their lists; birch's right hinge is 15 mm off
    key = pd.read_csv(tmp_path / "key/key.csv", dtype=str)
    names = dict(zip(key["reader_id"], key["reading_id"], strict=True))
    filed = marked[marked["reader_id"].isin(names)].copy()
    slip = (filed["reader_id"] == "birch") & (filed["structure"] == "aortic_hinge_right")
    right = filed.loc[slip, ["x_mm", "y_mm", "z_mm"]].astype(float).iloc[0]
    filed.loc[slip, "y_mm"] = f"{right['y_mm'] - 15.0:.3f}"
    filed["case_id"] = filed["reader_id"].map(names)
    filed.to_csv(tmp_path / "filed.csv", index=False)
    (place / "landmarks.csv").unlink()
    call("unblind", tmp_path / "filed.csv", "--key", tmp_path / "key/key.csv", "--output", place / "landmarks.csv")

    # looked at before the run, then judged in it; the query names the point
    call("check", study, "--images")
    assert "aortic_hinge_right" in capsys.readouterr().err
    run(study, "--until", "final")
    call("queries", study)
    queries = pd.read_csv(place / "results/queries/queries.csv")
    of_birch = queries[queries["reader_id"] == "birch"]
    assert "aortic_hinge_right" in set(of_birch["structure"])
    assert "data:image/webp" in (place / "results/queries/queries.html").read_text(encoding="utf-8")
    asked = pd.read_csv(place / "results/tables/adjudication.csv")
    assert set(asked["measure"]) == {"mitral_area"}
    assert set(asked["status"]) == {"needs_adjudication"}

    # birch corrects the point, oak adjudicates
    who = {"case_id": "S01", "phase_pct": 40, "reader_id": "birch", "read_no": 1, "structure": "aortic_hinge_right"}
    told = {"corrected_by": "birch", "date": "2026-03-01", "reason": of_birch["query_id"].iloc[0]}
    pd.DataFrame([who | {"point_no": 1} | right.to_dict() | told]).to_csv(place / "corrections.csv", index=False)
    both = [pd.read_csv(place / "landmarks.csv", dtype=str), marked[marked["reader_id"] == "oak"]]
    pd.concat(both).to_csv(place / "landmarks.csv", index=False)
    run(study)
    call("queries", study)
    again = pd.read_csv(place / "results/queries/queries.csv")
    assert "aortic_hinge_right" not in set(again["structure"])
    history = pd.read_csv(place / "results/queries/landmark_history.csv")
    assert history["version"].tolist() == [0, 1]
    assert np.allclose(history["y_mm"].diff().iloc[1], 15.0)
    final = pd.read_parquet(place / "results/tables/final.parquet")
    assert set(final.loc[final["measure"] == "mitral_area", "status"]) == {"adjudicated"}
    angle = final[(final["measure"] == "aorto_mitral_angle") & (final["variant"] == "opening")].iloc[0]
    assert (angle["status"], angle["readings"]) == ("ok", "ash/1;birch/1")

    # frozen: a change is refused until it is an amendment
    call("freeze", study)
    plans = (place / "plans.csv").read_text(encoding="utf-8")
    (place / "plans.csv").write_text(plans + "\n", encoding="utf-8")
    assert main(["plan", "--study", str(study)]) == EXIT_STUDY
    assert "changed since the study was frozen" in capsys.readouterr().err
    assert main(["freeze", str(study)]) == EXIT_STUDY
    call("freeze", study, "--amend", "a blank line at the end of the plans")
    call("plan", "--study", study)
    records = sorted((place / "freeze").glob("*.json"))
    assert [path.stem for path in records] == ["000", "001"]
