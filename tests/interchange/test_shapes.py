"""Label maps, DICOM SEG and STL of known shapes, read back with other libraries: nibabel, SimpleITK, highdicom, trimesh."""

from __future__ import annotations

import math
from pathlib import Path

import highdicom as hd
import nibabel
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
import trimesh
from scipy.spatial.transform import Rotation

from outflow_cohort.interchange.concepts import LOCAL_SCHEME, ReadingLabel
from outflow_cohort.interchange.landmark_writers import evidence_of
from outflow_cohort.interchange.shape_writers import SEGMENTS, write_label_image, write_segmentation, write_stl
from outflow_cohort.interchange.shapes import (
    DEVICE,
    LUMEN,
    label_map,
    lumen_mesh,
    mesh_volume,
    outside_solid,
    solid_mesh,
)
from outflow_geometry.base.frames import Volume, unit
from outflow_geometry.outflow.solids import Solid

LABEL = ReadingLabel("C007", "ash", 2, 40.0)
TURN = Rotation.from_euler("xyz", [20, -35, 50], degrees=True).as_matrix()
RADIUS = 9.0
FACETING = 1e-4
"""Relative volume that 360 facets lose is 5e-5 (2 pi^2 / 3 / 360^2)."""


def ball(direction: np.ndarray = TURN, spacing: tuple[float, float, float] = (0.5, 0.6, 0.8)) -> Volume:
    """Height inside a ball of RADIUS about (12, -30, 55) on a turned grid."""
    size = np.array([40, 50, 60])
    grid = Volume(np.zeros(size), np.zeros(3), direction, np.asarray(spacing))
    centre = np.array([12.0, -30.0, 55.0])
    origin = centre - grid.to_points((size - 1) / 2.0)
    grid = Volume(grid.values, origin, direction, grid.spacing)
    points = grid.to_points(np.stack(np.indices(size, dtype=float), axis=-1))
    return Volume(RADIUS - np.linalg.norm(points - centre, axis=-1), origin, direction, grid.spacing)


def barrel() -> Solid:
    """A solid with a waist and a step, standing askew at the edge of the ball."""
    return Solid(
        np.array([14.0, -33.0, 50.0]), unit(np.array([0.3, 0.5, 0.8])), np.array([0.0, 6.0, 6.0, 14.0]),
        np.array([8.0, 6.0, 7.0, 9.0]), 1.0, 12.0,
    )  # fmt: skip


def frustums(solid: Solid) -> float:
    """Closed form: pi h / 3 (a2 + a b + b2) of each piece."""
    return sum(math.pi * (z1 - z0) / 3 * (a * a + a * b + b * b) for z0, z1, a, b in solid.pieces)


def evidence(grid: Volume) -> pydicom.Dataset:
    header = evidence_of(LABEL)
    header.Rows, header.Columns, header.SliceThickness = 512, 512, 0.5
    header.ImagePositionPatient, header.ImageOrientationPatient = [0, 0, 0], [1, 0, 0, 0, 1, 0]
    header.PixelSpacing = [0.4, 0.4]
    return header


def test_device_mesh_is_closed_and_has_the_volume_of_its_frustums(tmp_path: Path):
    solid = barrel()
    mesh = solid_mesh(solid)
    write_stl(tmp_path / "device.stl", mesh)
    read = trimesh.load_mesh(tmp_path / "device.stl")
    assert read.is_watertight
    assert read.is_winding_consistent
    assert read.volume == pytest.approx(frustums(solid), rel=FACETING)
    assert mesh_volume(mesh) == pytest.approx(read.volume, rel=1e-5)
    along = (np.asarray(read.vertices) - solid.axis_point) @ solid.axis
    assert (along.min(), along.max()) == pytest.approx((1.0, 12.0), abs=1e-4)
    assert (tmp_path / "device.stl").read_bytes()[:80].startswith(b"outflow-cohort, LPS, mm")


def test_ball_mesh_and_labels_have_the_volume_of_the_ball(tmp_path: Path):
    depth = ball()
    write_stl(tmp_path / "lumen.stl", lumen_mesh(depth, None))
    read = trimesh.load_mesh(tmp_path / "lumen.stl")
    true = 4 / 3 * math.pi * RADIUS**3
    assert read.is_watertight
    # linear interpolation of the distance cuts off about curvature x spacing^2: 0.3 % here
    assert read.volume == pytest.approx(true, rel=0.005)
    assert read.center_mass == pytest.approx((12.0, -30.0, 55.0), abs=0.01)
    voxels = (label_map(depth, depth, None) == LUMEN).sum() * np.prod(depth.spacing)
    assert voxels == pytest.approx(true, rel=0.005)


def test_lumen_that_the_device_leaves_free_is_ball_minus_device(tmp_path: Path):
    depth, solid = ball(spacing=(0.5, 0.5, 0.5)), barrel()
    labels = label_map(depth, depth, solid)
    points = depth.to_points(np.stack(np.indices(labels.shape, dtype=float), axis=-1))
    inside = solid.contains(points)
    np.testing.assert_array_equal(labels == DEVICE, inside)
    np.testing.assert_array_equal(labels == LUMEN, (depth.values > 0) & ~inside)
    free = lumen_mesh(depth, solid)
    write_stl(tmp_path / "free.stl", free)
    assert trimesh.load_mesh(tmp_path / "free.stl").is_watertight
    voxels = (labels == LUMEN).sum() * np.prod(depth.spacing)
    assert mesh_volume(free) == pytest.approx(voxels, rel=0.01)


def test_the_device_reaches_beyond_the_grid_of_the_lumen():
    depth = ball()
    part = Volume(
        depth.values[10:30, 5:45, 8:50], depth.to_points(np.array([10.0, 5.0, 8.0])), depth.direction, depth.spacing
    )
    labels = label_map(part, depth, barrel())
    whole = label_map(depth, depth, barrel())
    np.testing.assert_array_equal(labels == DEVICE, whole == DEVICE)
    np.testing.assert_array_equal(labels[10:30, 5:45, 8:50], whole[10:30, 5:45, 8:50])
    assert not (labels[:10] == LUMEN).any()


def test_height_above_the_solid_has_the_sign_of_its_inside():
    solid = barrel()
    points = np.random.default_rng(4).uniform(-10, 10, (4000, 3)) + solid.axis_point + 6 * solid.axis
    height = outside_solid(solid, points)
    clear = np.abs(height) > 1e-9
    np.testing.assert_array_equal(height[clear] < 0, solid.contains(points)[clear])


@pytest.mark.parametrize(
    "direction", [np.eye(3), TURN, TURN @ np.diag([1.0, 1.0, -1.0])], ids=["straight", "turned", "left-handed"]
)
def test_nifti_stands_where_the_image_stood(tmp_path: Path, direction: np.ndarray):
    depth = ball(direction)
    labels = label_map(depth, depth, barrel())
    write_label_image(tmp_path / "labels.nii.gz", labels, depth)
    read = nibabel.load(tmp_path / "labels.nii.gz")
    np.testing.assert_array_equal(np.asarray(read.dataobj).transpose(2, 1, 0), labels)
    index = np.argwhere(labels == DEVICE)[::97]
    lps = nibabel.affines.apply_affine(read.affine, index[:, ::-1]) * [-1, -1, 1]  # NIfTI is RAS
    np.testing.assert_allclose(lps, depth.to_points(index), atol=2e-5)  # float32 affine
    image = sitk.ReadImage(str(tmp_path / "labels.nii.gz"))
    assert image.GetPixelIDValue() == sitk.sitkUInt8
    for k, j, i in index[:5]:
        np.testing.assert_allclose(
            image.TransformIndexToPhysicalPoint([int(i), int(j), int(k)]),
            depth.to_points(np.array([k, j, i])),
            atol=2e-5,
        )


@pytest.mark.parametrize(
    "direction", [np.eye(3), TURN, TURN @ np.diag([1.0, 1.0, -1.0])], ids=["straight", "turned", "left-handed"]
)
def test_dicom_segmentation_stands_where_the_image_stood(tmp_path: Path, direction: np.ndarray):
    depth = ball(direction)
    labels = label_map(depth, depth, barrel())
    path = tmp_path / "labels.dcm"
    write_segmentation(path, labels, depth, LABEL, "p1", evidence(depth))
    read = hd.seg.segread(path)
    assert [read.get_segment_description(n).segment_label for n in read.segment_numbers] == ["outflow lumen", "device"]
    for number, value in ((1, LUMEN), (2, DEVICE)):
        volume = read.get_volume(segment_numbers=[number], combine_segments=False)
        index = np.argwhere(volume.array[..., 0] if volume.array.ndim == 4 else volume.array)
        points = index @ volume.affine[:3, :3].T + volume.affine[:3, 3]
        back = depth.to_index(points)
        np.testing.assert_allclose(back, np.rint(back), atol=2e-4)  # decimal strings of 16 characters
        found = np.zeros(labels.shape, bool)
        found[tuple(np.rint(back).astype(int).T)] = True
        np.testing.assert_array_equal(found, labels == value)
    plain = pydicom.dcmread(path)
    assert plain.PatientID == "C007"
    assert plain.CodingSchemeIdentificationSequence[0].CodingSchemeDesignator == LOCAL_SCHEME
    assert plain.FrameOfReferenceUID == evidence(depth).FrameOfReferenceUID


def test_the_same_labels_give_the_same_bytes(tmp_path: Path):
    depth = ball()
    labels = label_map(depth, depth, barrel())
    for name in "ab":
        write_segmentation(tmp_path / f"{name}.dcm", labels, depth, LABEL, "p1", evidence(depth))
        write_label_image(tmp_path / f"{name}.nii.gz", labels, depth)
    for ending in ("dcm", "nii.gz"):
        assert (tmp_path / f"a.{ending}").read_bytes() == (tmp_path / f"b.{ending}").read_bytes()


def test_a_segmentation_without_lumen_counts_its_segments_from_one(tmp_path: Path):
    depth = ball()
    labels = np.where(label_map(depth, depth, barrel()) == DEVICE, DEVICE, 0).astype(np.uint8)
    write_segmentation(tmp_path / "x.dcm", labels, depth, LABEL, "p1", evidence(depth))
    read = hd.seg.segread(tmp_path / "x.dcm")
    assert list(read.segment_numbers) == [1]
    assert read.get_segment_description(1).segment_label == "device"
    with pytest.raises(ValueError, match="nothing to write"):
        write_segmentation(tmp_path / "y.dcm", labels * 0, depth, LABEL, "p1", evidence(depth))


def test_segment_codes_stand_in_the_concept_dictionary():
    """Source: pydicom's SNOMED CT concepts, generated from DICOM PS3.16."""
    from pydicom.sr import _concepts_dict

    known = {code for entry in _concepts_dict.concepts["SCT"].values() for code in entry}
    assert {code for _, _, *pairs in SEGMENTS for code, _ in pairs} <= known


def test_nothing_left_free_gives_an_empty_surface(tmp_path: Path):
    depth = ball()
    wide = Solid(
        np.array([12.0, -30.0, 35.0]),
        np.array([0.0, 0.0, 1.0]),
        np.array([0.0, 40.0]),
        np.array([60.0, 60.0]),
        0.0,
        40.0,
    )
    mesh = lumen_mesh(depth, wide)
    assert len(mesh.triangles) == 0
    write_stl(tmp_path / "none.stl", mesh)
    assert (tmp_path / "none.stl").stat().st_size == 84
