"""One reading of an invented heart exported from its CT: the label map must be the heart's own blood and device.

Truth: the closed-form heart of the demonstration (its blood is a formula, not an image) and the device's frustums.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import highdicom as hd
import nibabel
import numpy as np
import pandas as pd
import pydicom
import pytest
import trimesh
from test_polydata import arrays_of

from outflow_cohort.cli import EXIT_FAILED, EXIT_OK, main
from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import heart_case
from outflow_cohort.demo.landmarks import chambers_at
from outflow_cohort.demo.settings import load_settings
from outflow_cohort.demo.study import write_case_series, write_tables
from outflow_cohort.handover.drawing import DrawnReading, write_drawings
from outflow_cohort.handover.request import Request, read_request
from outflow_cohort.steps.inventory import inventory
from outflow_cohort.steps.plan import plan
from outflow_cohort.study import core_inputs
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.outflow.placing import build_solid

DEMO = """\
study_id: export_study
title: One invented case
seed: 5
phases_pct: [40]
readers: [ash]
reads: 1
sites: [Aldermoor]
cases: [{case_id: S01, group: native, seed: 11}]
scan: {matrix: 120, pixel_mm: 1.2, slice_mm: 1.2, slices: 100, supersample: 1}
"""


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export") / "study"
    settings = folder.parent / "demo.yaml"
    settings.write_text(DEMO, encoding="utf-8")
    write_tables(folder=folder, settings=settings)
    write_case_series(folder=folder, case_id="S01")
    plan(study_file=folder / "study.yaml")
    work = folder / "results/work"
    inventory(request=work / "requests/S01.json", output=work / "inventory/S01.json")
    square = [[0, 0], [3, 0], [3, 2], [0, 2], [0, 0]]
    section = {
        "station_mm": -5.0, "area_mm2": 6.0, "ci_low": None, "ci_high": None, "point": [1, 2, 3], "normal": [1, 0, 0],
        "u": [0, 1, 0], "v": [0, 0, 1], "residual": [square], "blood": [], "device": [],
    }  # fmt: skip
    contour = [[0, 0, 0], [1, 0, 0], [1, 1, 0]]
    drawn = {
        "ring": {"points": contour, "contour": contour, "d_contour": None, "center": [5, 6, 7], "normal": [0, 0, 1]},
        "apex": [0, 0, 0], "three_chamber": {"point": [1, 1, 1], "normal": [1, 0, 0]},
        "paths": {"reader_path": None, "automatic_path": [[0, 0, 0], [0, 0, 9]]},
        "plans": {"P1": {"sections": {"skirt|automatic_path": section}}},
    }  # fmt: skip
    reading = DrawnReading(phase_pct=40.0, reader_id="ash", read_no=1, drawn=drawn)
    write_drawings(work / "measured/S01", (reading,))
    return folder / "results"


@pytest.fixture(scope="module")
def exported(results: Path) -> Path:
    output = results.parent / "out"
    chosen = ["--key", "S01", "--phase", "40", "--reader", "ash", "--read", "1"]
    assert main(["export", str(results), *chosen, "--output", str(output)]) == EXIT_OK
    return output


def labels_and_points(path: Path) -> tuple[np.ndarray, np.ndarray, float]:
    """Labels, voxel centres in LPS and voxel volume, by nibabel."""
    image = nibabel.load(path)
    labels = np.asarray(image.dataobj)
    centres = nibabel.affines.apply_affine(image.affine, np.stack(np.indices(labels.shape), axis=-1))
    return labels, centres * [-1, -1, 1], float(abs(np.linalg.det(image.affine[:3, :3])))


def request_of(results: Path) -> Request:
    return read_request(results / "work/requests/S01.json")


def solid_of(results: Path, plan_id: str):
    request = request_of(results)
    wanted = next(p for p in core_inputs.plans(request) if p.plan_id == plan_id)
    return build_solid("full_frame", wanted, None, build_anatomy(core_inputs.landmarks(request.readings[0].structures)))


def test_label_1_is_the_blood_of_the_heart(results: Path, exported: Path):
    labels, points, voxel = labels_and_points(exported / "labels_P1.nii.gz")
    settings = load_settings(results.parent / "demo.yaml")
    heart = HeartPhase(heart_case(settings.case("S01")), 40.0)
    request = request_of(results)
    anatomy = build_anatomy(core_inputs.landmarks(request.readings[0].structures))
    solid = solid_of(results, "P1")
    every_third = (slice(None, None, 3),) * 3  # the formula is slow
    near, labels, voxel = points[every_third].reshape(-1, 3), labels[every_third], 27 * voxel
    blood = chambers_at(heart, heart.to_local(near)).outflow_blood < 0.0
    blood &= ~anatomy.atrial_side(near) & (anatomy.aortic_plane.height(near) <= 8.0) & ~solid.contains(near)
    found = labels.ravel() == 1
    overlap = 2 * (blood & found).sum() / (blood.sum() + found.sum())
    # some 100 cm2 of surface around 60 ml: a misplacement by 0.05 mm all around changes the volume by 1 %
    assert overlap > 0.99
    assert found.sum() * voxel == pytest.approx(blood.sum() * voxel, rel=0.01)


def test_label_2_is_the_device(results: Path, exported: Path):
    solid = solid_of(results, "P1")
    true = sum(math.pi * (z1 - z0) / 3 * (a * a + a * b + b * b) for z0, z1, a, b in solid.pieces)
    labels, points, voxel = labels_and_points(exported / "labels_P1.nii.gz")
    np.testing.assert_array_equal(labels == 2, solid.contains(points))
    assert (labels == 2).sum() * voxel == pytest.approx(true, rel=0.01)
    mesh = trimesh.load_mesh(exported / "device_P1.stl")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(true, rel=1e-4)
    told = json.loads((exported / "volumes.json").read_text())["P1"]
    assert told["device_surface_ml"] == pytest.approx(true / 1000, rel=1e-3)


def test_surface_and_voxels_of_the_lumen_agree(exported: Path):
    labels, _, voxel = labels_and_points(exported / "labels_P1.nii.gz")
    mesh = trimesh.load_mesh(exported / "lumen_P1.stl")
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx((labels == 1).sum() * voxel, rel=0.01)


def test_both_forms_of_a_surface_are_one_mesh(exported: Path):
    for name in ("lumen_P1", "device_P1"):
        _, arrays = arrays_of(exported / f"{name}.vtp")
        stl = trimesh.load_mesh(exported / f"{name}.stl", process=False)
        corners = arrays["Points"].reshape(-1, 3)[arrays["connectivity"].reshape(-1, 3)]
        np.testing.assert_allclose(corners, stl.triangles, atol=1e-4)  # STL holds single precision


def test_the_segmentation_joins_the_ct_and_equals_the_label_image(results: Path, exported: Path):
    ct = next((results.parent / "dicom").rglob("*.dcm"))
    source, read = pydicom.dcmread(ct, stop_before_pixels=True), hd.seg.segread(exported / "labels_P1.dcm")
    for name in ("StudyInstanceUID", "FrameOfReferenceUID"):
        assert source[name].value == read[name].value
    assert read.PatientID == "S01"
    labels, points, _ = labels_and_points(exported / "labels_P1.nii.gz")
    for number in (1, 2):
        volume = read.get_volume(segment_numbers=[number], combine_segments=False)
        index = np.argwhere(volume.array.reshape(volume.array.shape[:3]))
        seen = index @ volume.affine[:3, :3].T + volume.affine[:3, 3]
        own = points[labels == number]
        assert len(seen) == len(own)
        np.testing.assert_allclose(np.sort(seen.sum(axis=1)), np.sort(own.sum(axis=1)), atol=1e-3)


def test_lines_and_planes_come_as_landmark_tables(exported: Path):
    lines = pd.read_csv(exported / "lines.csv")
    assert list(lines.columns) == [
        "case_id",
        "phase_pct",
        "reader_id",
        "read_no",
        "structure",
        "point_no",
        "x_mm",
        "y_mm",
        "z_mm",
    ]
    assert set(lines["structure"]) == {"ring_contour", "automatic_path", "smallest_section|P1|skirt|automatic_path|1"}
    section = lines[lines["structure"].str.startswith("smallest")][["x_mm", "y_mm", "z_mm"]].to_numpy()
    np.testing.assert_allclose(section, [[1, 2, 3], [1, 5, 3], [1, 5, 5], [1, 2, 5], [1, 2, 3]])
    planes = pd.read_csv(exported / "planes.csv")
    assert list(planes["plane"]) == ["ring_plane", "three_chamber_plane"]
    assert planes.loc[0, ["x_mm", "y_mm", "z_mm", "normal_z"]].tolist() == [5, 6, 7, 1]


def test_no_identity_and_no_path_stands_in_the_files(results: Path, exported: Path):
    for path in exported.iterdir():
        assert str(results.parent).encode() not in path.read_bytes()
    dataset = pydicom.dcmread(exported / "labels_P1.dcm")
    assert str(dataset.PatientName).rstrip("^") == "S01"
    assert not dataset.get("InstitutionName")


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (["--key", "S99"], "S99.json is missing"),
        (["--reader", "elm"], "no such reading"),
        (["--phase", "75"], "one of these: phase 40 reader ash read 1"),
        (["--solid", "prosthesis_post"], "missing_prosthesis"),
    ],
)
def test_what_cannot_be_exported_is_told(
    results: Path, tmp_path: Path, change: list[str], expected: str, capsys: pytest.CaptureFixture[str]
):
    chosen = ["--key", "S01", "--phase", "40", "--reader", "ash", *change]
    assert main(["export", str(results), *chosen, "--output", str(tmp_path / "o")]) == EXIT_FAILED
    assert expected in capsys.readouterr().err
