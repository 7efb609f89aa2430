"""Readers of invented scans of known truth: an honest one passes, a bias, a scatter, a slip, a drift are named."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.cli import main
from outflow_cohort.cli_parts import EXIT_OK, EXIT_USAGE
from outflow_cohort.corelab.qualify import report
from outflow_cohort.corelab.qualify_deal import deal, known_hearts
from outflow_cohort.corelab.qualify_errors import errors_of, true_points
from outflow_cohort.corelab.qualify_score import Reading, measure_table, score
from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import heart_case
from outflow_cohort.demo.random_cases import random_case
from outflow_cohort.demo.readers import Noise, Reader, read
from outflow_cohort.interchange.filed_points import NEEDED, filed_table
from outflow_cohort.study.landmark_sources import LandmarkFiles
from outflow_cohort.study.qualification import MeasureLimit, QualificationSettings

Points = dict[str, np.ndarray]
Slip = Callable[[Points, int], None]
CASES = 8


@pytest.fixture(scope="module")
def dealt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with eight hearts for two readers, scans as coarse as they may be."""
    import outflow_cohort.corelab.qualify_deal as module

    folder = tmp_path_factory.mktemp("qualify") / "dealt"
    usual = dict(module.TYPICAL)
    module.TYPICAL.update({"pixel": 1.5, "slice": 3.0, "thickness": 3.0})
    try:
        deal(readers=["ash", "birch"], cases=CASES, repeat_share=0.25, output=folder, seed=11)
    finally:
        module.TYPICAL.update(usual)
    return folder


def heart_at(folder: Path, case_id: str) -> HeartPhase:
    case, phase = known_hearts(folder)[case_id]
    return HeartPhase(heart_case(case), phase)


def filed(
    folder: Path, reader: str, *, bias: float = 0.1, noise: Noise | None = None, slip: Slip | None = None
) -> Path:
    """What an invented reader files: the truth, moved; slip(points, place in the list)."""
    key = pd.read_csv(folder / "keep_back/key.csv")
    rows = []
    for row in key[key["reader_id"] == reader].to_dict("records"):
        truth = true_points(heart_at(folder, row["case_id"]))
        rng = np.random.default_rng([row["order"], len(reader)])
        marked = read(truth, Reader(reader, bias, 0.0, 0.0), Noise() if noise is None else noise, rng)
        if slip is not None:
            slip(marked, int(row["order"]))
        for name, points in marked.items():
            for number, (x, y, z) in enumerate(points, start=1):
                rows.append((row["reading_id"], reader, name, number, x, y, z))
    path = folder.parent / f"{reader}_{bias}_{noise is None}_{slip.__name__ if slip else 'honest'}.csv"
    columns = ["case_id", "reader_id", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    pd.DataFrame(rows, columns=columns).to_csv(path, index=False)
    return path


def judged(folder: Path, path: Path, reader: str = "ash") -> tuple[pd.Series, dict[str, pd.DataFrame], str]:
    """The reader's row, the tables, and the page."""
    target, readers = report(folder=folder, readings=[path], output=folder.parent / path.stem)
    tables = {name: pd.read_csv(target / f"{name}.csv") for name in ("structures", "measures", "slips")}
    return readers.set_index("reader_id").loc[reader], tables, (target / f"{reader}.html").read_text(encoding="utf-8")


def test_what_readers_receive_says_nothing_of_the_truth(dealt: Path) -> None:
    key = pd.read_csv(dealt / "keep_back/key.csv")
    assert len(key) == 2 * (CASES + 2)
    names = {path.name for path in (dealt / "readers").rglob("*") if path.is_file() and path.suffix != ".dcm"}
    assert names == {"reading_list.csv", "how_to_file.txt", "protocol.html"}
    for path in (dealt / "readers").rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert b"Q00" not in content, path.name
            assert b"keep_back" not in content, path.name
    listed = pd.read_csv(dealt / "readers/ash/reading_list.csv")
    assert set(listed["reading_id"]) == set(key.loc[key["reader_id"] == "ash", "reading_id"])
    assert set(listed.columns) == {"order", "reading_id"}


def test_repeats_of_a_scan_share_no_identifier(dealt: Path) -> None:
    import pydicom

    key = pd.read_csv(dealt / "keep_back/key.csv")
    twice = key[(key["reader_id"] == "ash") & key["case_id"].duplicated(keep=False)].sort_values(["case_id", "read_no"])
    first, second = (
        pydicom.dcmread(sorted((dealt / "readers/ash" / name).glob("*.dcm"))[5]) for name in twice["reading_id"][:2]
    )
    assert np.array_equal(first.pixel_array, second.pixel_array)
    for keyword in ("PatientID", "StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID", "SOPInstanceUID"):
        assert first[keyword].value != second[keyword].value


def test_true_points_have_no_error(dealt: Path) -> None:
    for case_id in known_hearts(dealt):
        heart = heart_at(dealt, case_id)
        for name, errors in errors_of(true_points(heart), heart).items():
            assert errors.distance.max() < 0.15, (case_id, name)


def test_a_point_moved_outward_has_that_error(dealt: Path) -> None:
    heart = heart_at(dealt, "Q001")
    ring = true_points(heart)["mitral_ring"]
    outward = ring[3] - ring.mean(axis=0)
    moved = ring.copy()
    moved[3] += 4.0 * outward / np.linalg.norm(outward)
    vector = errors_of({"mitral_ring": moved}, heart)["mitral_ring"].vectors[3]
    assert vector[0] == pytest.approx(4.0, abs=0.6)


def test_an_honest_reader_passes(dealt: Path) -> None:
    row, tables, page = judged(dealt, filed(dealt, "ash"))
    assert (row["verdict"], row["against"]) == ("passed", "")
    assert set(tables["structures"].query("reader_id == 'ash'")["verdict"]) == {"passed"}
    ring = tables["structures"].query("structure == 'mitral_ring'").iloc[0]
    assert ring["repeat_sd_mm"] < 0.6
    assert "<h1>Passed</h1>" in page


def test_a_reader_who_marks_the_ring_outside_is_told_so(dealt: Path) -> None:
    row, tables, page = judged(dealt, filed(dealt, "ash", bias=2.4))
    assert row["verdict"] == "practise"
    ring = tables["structures"].query("structure == 'mitral_ring'").iloc[0]
    assert ring["bias_mm"] == pytest.approx(2.4, abs=0.4)
    assert (ring["direction"], ring["verdict"]) == ("outward", "practise")
    area = tables["measures"].query("measure == 'mitral_area'").iloc[0]
    assert area["bias"] > area["bias_limit"]
    assert area["verdict"] == "practise"
    assert "mm outward" in page


def test_a_reader_who_scatters_is_told_so(dealt: Path) -> None:
    row, tables, _ = judged(dealt, filed(dealt, "ash", noise=Noise(point=2.2)))
    assert row["verdict"] == "practise"
    ring = tables["structures"].query("structure == 'mitral_ring'").iloc[0]
    assert ring["scatter_mm"] == pytest.approx(2.2, abs=0.5)
    assert ring["bias_mm"] < 1.5


def one_hinge_off(points: Points, order: int) -> None:
    if order in (2, 6):
        points["aortic_hinge_right"] = points["aortic_hinge_right"] + np.array([0.0, 9.0, 7.0])


def hinges_exchanged(points: Points, order: int) -> None:
    if order in (3, 7):
        points["aortic_hinge_left"], points["aortic_hinge_non"] = (
            points["aortic_hinge_non"],
            points["aortic_hinge_left"],
        )


def path_drawn_backward(points: Points, order: int) -> None:
    points["outflow_path"] = points["outflow_path"][::-1]


@pytest.mark.parametrize(
    ("slip", "structure", "what", "readings"),
    [
        (one_hinge_off, "aortic_hinge_right", "far from its place", 2),
        (hinges_exchanged, "aortic_hinge_left", "names of the hinges exchanged", 2),
        (path_drawn_backward, "outflow_path", "runs from aorta to ventricle", CASES + 2),
    ],
)
def test_slips_are_named(dealt: Path, slip: Slip, structure: str, what: str, readings: int) -> None:
    row, tables, page = judged(dealt, filed(dealt, "ash", slip=slip))
    assert row["verdict"] == "practise"
    own = tables["slips"].query("structure == @structure")
    assert own["reading_id"].nunique() == readings
    assert own["what"].str.contains(what).all()
    assert what in page
    ring = tables["structures"].query("structure == 'mitral_ring'").iloc[0]
    assert ring["verdict"] == "passed"


def tires(points: Points, order: int) -> None:
    if order > (CASES + 2) // 2:
        for name in points:
            points[name] = points[name] + np.array([0.0, 0.0, 2.5])


def test_a_reader_who_tires_is_told_so(dealt: Path) -> None:
    row, _, page = judged(dealt, filed(dealt, "ash", slip=tires))
    assert row["change_mm"] > 0.8
    assert row["change_p_value"] < 0.05
    assert "Change over time" in page


def test_unfiled_readings_and_a_foreign_name_are_said(dealt: Path) -> None:
    path = filed(dealt, "birch")
    frame = pd.read_csv(path)
    some = path.with_name("some.csv")
    frame[frame["case_id"].isin(frame["case_id"].unique()[:7])].to_csv(some, index=False)
    row, _, _ = judged(dealt, some, "birch")
    assert "3 of 10 readings are not filed" in row["against"]
    frame.assign(case_id="Z-1").to_csv(some, index=False)
    with pytest.raises(ValueError, match=r"not in keep_back/key\.csv"):
        judged(dealt, some, "birch")
    frame.assign(x_mm="1,5").to_csv(some, index=False)
    with pytest.raises(ValueError, match="row 2, x_mm"):
        judged(dealt, some, "birch")


def test_the_command_judges_and_says_what_is_missing(
    dealt: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = filed(dealt, "ash")
    words = ["qualify", "--folder", str(dealt), "--readings", str(path), "--output", str(tmp_path / "out")]
    assert main(words) == EXIT_OK
    assert "ash: passed" in "".join(capsys.readouterr())
    assert main(["qualify", "--readings", str(path)]) == EXIT_USAGE
    assert main(["qualify", "--readers", "a/b", "--output", str(tmp_path / "new")]) == EXIT_USAGE
    assert not (tmp_path / "new").exists()


def test_what_the_studys_readers_may_send_is_taken(dealt: Path, tmp_path: Path) -> None:
    plain = pd.read_csv(filed(dealt, "ash"))
    expected = filed_table(filed(dealt, "ash"))[list(NEEDED)].sort_values(["case_id", "structure", "point_no"])
    sheet = tmp_path / "ash.xlsx"
    plain.to_excel(sheet, index=False)
    mirrored = plain.assign(R=-plain["x_mm"] / 10.0, A=-plain["y_mm"] / 10.0, S=plain["z_mm"] / 10.0)
    other = tmp_path / "viewer_ash.csv"
    mirrored.rename(columns={"case_id": "scan", "structure": "label"}).to_csv(
        other, index=False, sep=";", columns=["scan", "label", "point_no", "R", "A", "S"]
    )
    columns = {"case_id": "scan", "structure": "label", "x_mm": "R", "y_mm": "A", "z_mm": "S"}
    group = LandmarkFiles(
        files="points/viewer_*.csv",
        coordinates="RAS",
        unit="cm",
        columns=columns,
        name_pattern="viewer_(?P<reader_id>.+)",
    )
    for path in (sheet, other):
        found = filed_table(path, (group,)).sort_values(["case_id", "structure", "point_no"])
        names = ["case_id", "reader_id", "structure"]
        assert found[names].to_numpy().tolist() == expected[names].to_numpy().tolist()
        places = ["point_no", "x_mm", "y_mm", "z_mm"]
        assert found[places].to_numpy(float) == pytest.approx(expected[places].to_numpy(float), abs=1e-6)


def test_a_file_that_nothing_describes_names_the_missing_entry(tmp_path: Path) -> None:
    points = tmp_path / "points.json"
    points.write_text('{"points": [{"label": "lv_apex", "position": [1, 2, 3]}]}', encoding="utf-8")
    with pytest.raises(ValueError, match=r"points\.json.*coordinate system.*landmark_files"):
        filed_table(points)
    table = tmp_path / "points.csv"
    table.write_text("scan,x\nQ1,2\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"points\.csv.*no column case_id.*--study"):
        filed_table(table)


def test_the_mapping_of_a_study_reaches_the_report(dealt: Path, tmp_path: Path) -> None:
    path = filed(dealt, "birch")
    frame = pd.read_csv(path).rename(columns={"structure": "label"})
    frame.to_csv(tmp_path / "birch_points.csv", index=False)
    study = tmp_path / "study.yaml"
    study.write_text(
        "study_id: S\nlandmark_files:\n  - {files: '*_points.csv', coordinates: LPS, columns: {structure: label}}\n",
        encoding="utf-8",
    )
    arguments = ["qualify", "--folder", str(dealt), "--readings", str(tmp_path / "birch_points.csv")]
    assert main([*arguments, "--output", str(tmp_path / "out")]) == EXIT_USAGE
    assert main([*arguments, "--output", str(tmp_path / "out"), "--study", str(study)]) == EXIT_OK
    assert set(pd.read_csv(tmp_path / "out" / "readers.csv").query("readings_filed > 0")["reader_id"]) == {"birch"}


def test_the_effect_on_the_neo_lvot_is_judged_by_the_studys_own_limit() -> None:
    """A ring marked 3 mm too deep carries the device 3 mm deeper: the smallest section becomes smaller."""
    case = random_case(2)
    heart = HeartPhase(case.heart, case.phase_pct)
    exact = true_points(heart)
    deeper = {name: points.copy() for name, points in exact.items()}
    way = exact["lv_apex"][0] - exact["mitral_ring"].mean(axis=0)
    deeper["mitral_ring"] = exact["mitral_ring"] + 3.0 * way / np.linalg.norm(way)
    limit = MeasureLimit(measure="neo_lvot_area", variant="full_frame", method="automatic_path", bias=2.0, spread=50.0)
    readings = [
        Reading(
            reader_id=reader, reading_id=f"{reader}-{k}", case_id="Q1", read_no=k, order=k, points=points, heart=heart
        )
        for reader, points in (("ash", exact), ("birch", deeper))
        for k in (1, 2)
    ]
    rows = measure_table(score(readings), QualificationSettings(measures=(limit,))).set_index("reader_id")
    assert rows.loc["ash", "bias"] == pytest.approx(0.0, abs=1e-9)
    assert rows.loc["ash", "verdict"] == "passed"
    assert rows.loc["birch", "bias"] < -2.0
    assert rows.loc["birch", "verdict"] == "practise"
