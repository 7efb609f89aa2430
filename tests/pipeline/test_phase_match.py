"""Which reading belongs to which series: one rule and one setting from the tables to the account of the run."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import yaml

from outflow_cohort.demo.study import write_case_series, write_tables
from outflow_cohort.phases import PhaseMatch
from outflow_cohort.steps.finish import LostRows, balance
from outflow_cohort.steps.inventory import inventory
from outflow_cohort.steps.judge import judge
from outflow_cohort.steps.measure import measure
from outflow_cohort.steps.plan import plan
from outflow_cohort.steps.volume import volume

DEMO = """\
study_id: phase_study
title: One invented case
seed: 5
phases_pct: [33]
readers: [ash]
reads: 1
sites: [Aldermoor]
cases: [{case_id: S01, group: native, seed: 11}]
scan: {matrix: 90, pixel_mm: 1.6, slice_mm: 1.6, slices: 75, supersample: 1}
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("phases") / "study"
    settings = folder.parent / "demo.yaml"
    settings.write_text(DEMO, encoding="utf-8")
    write_tables(folder=folder, settings=settings)
    write_case_series(folder=folder, case_id="S01")
    return folder


@pytest.mark.parametrize(
    ("stated", "read_at", "is_measured"),
    [("33", 35, True), ("33", 37, False), ("", 35, True), ("", 37, False)],
    ids=["in series.csv", "in series.csv, too far", "by the header", "by the header, too far"],
)
def test_a_reading_within_the_tolerance_is_measured_at_the_phase_of_the_volume(
    written: Path, stated: str, read_at: int, is_measured: bool
) -> None:
    """With the setting at 3, a reading at 35 % belongs to the volume of 33 %, one at 37 % does not."""
    study = yaml.safe_load((written / "study.yaml").read_text(encoding="utf-8"))
    study |= {"phase": {"tolerance_pct": 3}, "uncertainty": {"draws": 0}, "results": f"results_{stated}_{read_at}"}
    (written / "study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    for name, phase in (("series", stated), ("landmarks", str(read_at))):
        table = pd.read_csv(written / f"{name}.csv", dtype=str)
        table.assign(phase_pct=phase).to_csv(written / f"{name}.csv", index=False)
    plan(study_file=written / "study.yaml")
    work = written / str(study["results"]) / "work"
    request, found = work / "requests/S01.json", work / "inventory/S01.json"
    inventory(request=request, output=found)
    volume(request=request, inventory=found, output_dir=work / "volumes/S01")
    given = {"request": request, "inventory": found, "volumes": work / "volumes/S01"}
    judge(**given, output=work / "judged/S01.json")
    measure(**given, judged=work / "judged/S01.json", output_dir=work / "measured/S01")
    values = pd.read_parquet(work / "measured/S01/measurements.parquet")
    areas = values[values["measure"] == "mitral_area"]
    assert list(areas["phase_pct"].unique()) == ([33.0] if is_measured else [])
    if is_measured:
        readings = pd.read_parquet(work / "readings.parquet")
        assert set(readings["phase_pct"]) == ({33.0} if stated else {float(read_at)})
        keys = ["case_id", "phase_pct", "reader_id", "read_no"]
        given = readings[keys].drop_duplicates()
        measured = values.loc[values["reader_id"].notna(), keys].drop_duplicates()
        none = pd.DataFrame(columns=keys)
        counts = balance(given[["case_id"]], given, measured, none, PhaseMatch(3.0))
        assert counts["readings"] == {"in": 1, "measured": 1, "set_aside": 0}


def test_the_nearest_phase_wins_and_the_edge_belongs() -> None:
    match = PhaseMatch(3.0)
    assert match.nearest(35.0, [30.0, 33.0, 36.0, None]) == 2
    assert match.nearest(36.0, [33.0]) == 0
    assert match.nearest(36.1, [33.0]) is None
    assert PhaseMatch(0.3).same(0.3, 0.6)  # 0.6 - 0.3 is a little more than 0.3 as floats
    assert match.same(None, None)
    assert not match.same(None, 30.0)
    assert match.series_of(None, [33.0]) == match.series_of(40.0, [None]) == 0
    assert match.series_of(None, [33.0, 40.0]) is None
    assert match.labels([30.0, 33.1, 32.9, None, 36.0]) == [0, 1, 0, None, 1]


def test_of_two_readings_of_one_reader_near_one_phase_each_is_accounted_for() -> None:
    """The nearer one is measured, the other is set aside with its own number; neither is lost nor counted twice."""
    keys = ["case_id", "phase_pct", "reader_id", "read_no"]
    given = pd.DataFrame([["C1", 33.5, "R1", 1], ["C1", 35.0, "R1", 1]], columns=keys)
    measured = pd.DataFrame([["C1", 33.0, "R1", 1]], columns=keys)
    aside = given.iloc[[1]]
    counts = balance(given[["case_id"]], given, measured, aside, PhaseMatch(3.0))
    assert counts["readings"] == {"in": 2, "measured": 1, "set_aside": 1}
    with pytest.raises(LostRows):
        balance(given[["case_id"]], given, measured, given.iloc[:0], PhaseMatch(3.0))
