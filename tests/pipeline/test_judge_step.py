"""The judge step on a small invented study: what it finds reaches the values, the tables and the account."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.demo.study import write_case_series, write_tables
from outflow_cohort.files import read_json, write_json
from outflow_cohort.handover.drawing import read_drawings
from outflow_cohort.steps.inventory import inventory
from outflow_cohort.steps.judge import judge, set_case_aside
from outflow_cohort.steps.measure import measure
from outflow_cohort.steps.plan import plan
from outflow_cohort.steps.volume import volume
from outflow_cohort.study.findings import landmark_findings

DEMO = """\
study_id: judged_study
title: One invented case
seed: 5
phases_pct: [40]
readers: [ash, birch, cedar]
reads: 1
sites: [Aldermoor]
cases: [{case_id: S01, group: native, seed: 11}]
scan: {matrix: 90, pixel_mm: 1.6, slice_mm: 1.6, slices: 75, supersample: 1}
"""


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case with its volume; birch's right hinge is 15 mm off."""
    folder = tmp_path_factory.mktemp("judged") / "study"
    settings = folder.parent / "demo.yaml"
    settings.write_text(DEMO, encoding="utf-8")
    write_tables(folder=folder, settings=settings)
    write_case_series(folder=folder, case_id="S01")
    table = pd.read_csv(folder / "landmarks.csv", dtype=str)
    slip = (table["reader_id"] == "birch") & (table["structure"] == "aortic_hinge_right")
    table.loc[slip, "y_mm"] = (table.loc[slip, "y_mm"].astype(float) - 15.0).round(3).astype(str)
    table.to_csv(folder / "landmarks.csv", index=False)
    with (folder / "study.yaml").open("a", encoding="utf-8") as text:
        text.write("keep_volumes: true\n")
    plan(study_file=folder / "study.yaml")
    place = folder / "results/work"
    request = read_json(place / "requests/S01.json")
    request["study"]["uncertainty"]["draws"] = 0
    request["plans"] = request["plans"][:1]
    write_json(place / "requests/S01.json", request)
    inventory(request=place / "requests/S01.json", output=place / "inventory/S01.json")
    volume(
        request=place / "requests/S01.json",
        inventory=place / "inventory/S01.json",
        output_dir=place / "volumes/S01",
    )
    return place


def given(work: Path) -> dict[str, Path]:
    return {
        "request": work / "requests/S01.json",
        "inventory": work / "inventory/S01.json",
        "volumes": work / "volumes/S01",
    }


def test_values_on_the_slip_are_suspect_and_others_are_not(work: Path) -> None:
    judge(**given(work), output=work / "judged/S01.json")
    found = landmark_findings(work, ["S01"])
    found = found[found["severity"] == "suspect"]
    assert set(found["reader_id"]) == {"birch"}
    assert "aortic_hinge_right" in set(found["structure"])
    measure(**given(work), judged=work / "judged/S01.json", output_dir=work / "measured/S01")
    values = pd.read_parquet(work / "measured/S01/measurements.parquet")
    known = values[values["value"].notna()]
    status = known.groupby(["reader_id", "measure"])["status"].agg(set)
    for name in ("aorto_mitral_angle", "neo_lvot_area", "aortic_diameter"):
        assert status["birch", name] == {"landmark_suspect"}, name
        assert "landmark_suspect" not in status["ash", name], name
    assert "landmark_suspect" not in status["birch", "mitral_perimeter"]
    of_birch = next(d for d in read_drawings(work / "measured/S01") if d.reader_id == "birch")
    assert "aortic_hinge_right" in {f.structure for f in of_birch.findings}


def test_a_reading_that_cannot_be_right_is_set_aside_by_name(work: Path, tmp_path: Path) -> None:
    judge(**given(work), output=tmp_path / "S01.json")
    content = read_json(tmp_path / "S01.json")
    row = {"case_id": "S01", "phase_pct": 40.0, "reader_id": "birch", "read_no": 1, "stage": "judge"}
    row |= {"code": "ring_on_right_side", "message": "found, needed, remedy", "volume_phase_pct": 40.0}
    write_json(tmp_path / "S01.json", content | {"set_aside": [row]})
    measure(**given(work), judged=tmp_path / "S01.json", output_dir=tmp_path / "measured")
    values = pd.read_parquet(tmp_path / "measured/measurements.parquet")
    assert set(values["reader_id"]) == {"ash", "cedar"}
    aside = read_json(tmp_path / "measured/set_aside.json")["rows"]
    assert [(r["reader_id"], r["stage"], r["code"]) for r in aside] == [("birch", "judge", "ring_on_right_side")]


def test_a_case_set_aside_by_the_step_is_set_aside_whole(work: Path, tmp_path: Path) -> None:
    set_case_aside(request=given(work)["request"], output=tmp_path / "S01.json", code="out_of_time", message="why")
    measure(**given(work), judged=tmp_path / "S01.json", output_dir=tmp_path / "measured")
    aside = read_json(tmp_path / "measured/set_aside.json")["rows"]
    assert {r["reader_id"] for r in aside} == {"ash", "birch", "cedar", None}
    assert {r["code"] for r in aside} == {"out_of_time"}


def test_points_are_named_as_the_reader_numbered_them(work: Path, tmp_path: Path) -> None:
    request = read_json(given(work)["request"])
    for reading in request["readings"]:
        if reading["reader_id"] == "birch":
            ring = reading["structures"]["mitral_ring"]
            ring[3] = [ring[3][0], ring[3][1], ring[3][2] + 15.0]
            reading["point_numbers"] = {"mitral_ring": [10 * (i + 1) for i in range(len(ring))]}
    other = work / "requests/S01_tens.json"
    write_json(other, request)
    judge(**(given(work) | {"request": other}), output=tmp_path / "S01.json")
    found = [f for f in read_json(tmp_path / "S01.json")["findings"] if f["structure"] == "mitral_ring"]
    assert {f["point_no"] for f in found if f["reader_id"] == "birch"} == {40}
    with np.load(tmp_path / "S01.npz") as pictures:
        assert pictures["40|birch|1|mitral_ring|40"].shape == (3, 81, 81)


def test_judging_can_be_turned_off(work: Path, tmp_path: Path) -> None:
    request = read_json(given(work)["request"])
    request["study"]["judging"] = {"landmarks": False}
    # beside the other requests, since their paths are relative to that folder
    other = work / "requests/S01_phantom.json"
    write_json(other, request)
    judge(**(given(work) | {"request": other}), output=tmp_path / "S01.json")
    assert read_json(tmp_path / "S01.json")["findings"] == []
