"""HU, grid and region of the volume step against the values written, and against SimpleITK reading the same files."""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as sitk
from pydicom import dcmread, dcmwrite
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)
from series_files import (
    COLUMN_SPACING,
    COLUMNS,
    ORIGIN,
    ROW_SPACING,
    ROWS,
    SLICE_SPACING,
    SLICES,
    codes_of,
    expected_hu,
    request,
    set_stored,
    slice_dataset,
    take_inventory,
    take_volumes,
    write_series,
)

from outflow_cohort.dicom.pixels import frame_decoder
from outflow_cohort.dicom.scan import list_files
from outflow_cohort.dicom.volume import Grid, read_stack
from outflow_cohort.handover.inventory import SeriesPlan


def read_whole(folder, tmp_path, **study):
    """HU [k, j, i] of the only series of a folder, as the inventory plans it."""
    found = take_inventory(request(folder, **study), tmp_path / "work")
    plan = SeriesPlan.model_validate(*found["plans"])
    paths = [folder / name for name, _ in list_files(folder, 1000)[0]]
    with frame_decoder(30, 2048) as decoder:
        return read_stack(plan, paths, decoder, Grid.of_plan(plan).whole), found["series"][0]


def test_values_and_order(tmp_path):
    write_series(tmp_path / "s")
    read, _ = read_whole(tmp_path / "s", tmp_path)
    assert read.values.dtype == np.int16
    np.testing.assert_array_equal(read.values, expected_hu())


@pytest.mark.parametrize(
    "orientation", [(1, 0, 0, 0, 1, 0), (-1, 0, 0, 0, -1, 0), (1, 0, 0, 0, 0, -1), (0.6, 0.8, 0, -0.8, 0.6, 0)]
)
def test_agrees_with_simpleitk_at_the_same_points(tmp_path, orientation):
    write_series(tmp_path / "s", orientation=orientation)
    read, row = read_whole(tmp_path / "s", tmp_path)
    names = sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(tmp_path / "s"))
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(names)
    image = reader.Execute()
    origin = np.array([row[f"origin_{a}_mm"] for a in "xyz"])
    axes = np.array([[row[f"{name}_{a}"] for a in "xyz"] for name in ("row", "column", "slice")])
    spacing = np.array([row["column_spacing_mm"], row["row_spacing_mm"], row["slice_spacing_mm"]])
    for index in [(0, 0, 0), (3, 5, 7), (COLUMNS - 1, ROWS - 1, SLICES - 1), (1, 0, SLICES - 2)]:
        point = origin + (np.array(index) * spacing) @ axes
        theirs = image.GetPixel(image.TransformPhysicalPointToIndex(point.tolist()))
        assert read.values[index[::-1]] == theirs


FORMATS = {
    "signed, HU as stored": (0, 1, True, 16, 15),
    "signed, intercept -1024": (-1024, 1, True, 16, 15),
    "unsigned 16 bit, intercept -8192": (-8192, 1, False, 16, 15),
    "unsigned 12 bit": (-1024, 1, False, 12, 11),
    "signed 13 bit": (-1024, 1, True, 13, 12),
    "slope 2": (-1000, 2, True, 16, 15),
}


@pytest.mark.parametrize("name", FORMATS)
def test_rescale_sign_and_bits(tmp_path, name):
    intercept, slope, signed, bits, high = FORMATS[name]
    target = expected_hu().astype(int) if slope == 1 else 2 * (expected_hu().astype(int) // 2)

    def mutate(ds, k):
        ds.RescaleIntercept, ds.RescaleSlope = intercept, slope
        ds.PixelRepresentation, ds.BitsStored, ds.HighBit = int(signed), bits, high
        set_stored(ds, ((target[k] - intercept) // slope).astype("<i2" if signed else "<u2"))

    write_series(tmp_path / "s", mutate)
    read, row = read_whole(tmp_path / "s", tmp_path)
    assert row["verdict"] == "accepted"
    np.testing.assert_array_equal(read.values, target)


def test_fractional_slope_gives_float(tmp_path):
    write_series(tmp_path / "s", lambda ds, k: setattr(ds, "RescaleSlope", 0.5))
    read, _ = read_whole(tmp_path / "s", tmp_path)
    assert read.values.dtype == np.float32
    np.testing.assert_allclose(read.values, (expected_hu() + 1024) * 0.5 - 1024, atol=1e-3)


def test_rescale_of_each_slice_is_its_own(tmp_path):
    write_series(tmp_path / "s", lambda ds, k: setattr(ds, "RescaleIntercept", -1024 + 10 * k))
    read, row = read_whole(tmp_path / "s", tmp_path)
    assert "mixed_rescale" in codes_of(row)
    np.testing.assert_array_equal(read.values, expected_hu() + 10 * np.arange(SLICES)[:, None, None])


def test_garbage_above_the_stored_bits_is_cleared(tmp_path):
    def mutate(ds, k):
        stored = (expected_hu()[k].astype(int) + 1024).astype("<u2")
        set_stored(ds, stored | np.uint16(0xA000))

    write_series(tmp_path / "s", mutate)
    read, _ = read_whole(tmp_path / "s", tmp_path)
    np.testing.assert_array_equal(read.values, expected_hu())


@pytest.mark.parametrize("signed", [True, False])
def test_padding_becomes_air(tmp_path, signed):
    """A circular field of view padded with -2000, written as signed and as the same bits unsigned."""

    def mutate(ds, k):
        ds.PixelRepresentation, ds.BitsStored, ds.HighBit, ds.RescaleIntercept = 1, 16, 15, 0
        stored = expected_hu()[k].astype("<i2")
        stored[0, :5] = -2000
        set_stored(ds, stored)
        ds.add_new(0x00280120, "SS" if signed else "US", -2000 if signed else 63536)

    write_series(tmp_path / "s", mutate)
    read, row = read_whole(tmp_path / "s", tmp_path)
    assert row["verdict"] == "accepted"
    assert read.n_padded == 5 * SLICES
    assert np.all(read.values[:, 0, :5] == -1024)
    np.testing.assert_array_equal(read.values[:, 1:], expected_hu()[:, 1:])


def test_values_beyond_int16_are_clipped_not_wrapped(tmp_path):
    def mutate(ds, k):
        ds.BitsStored, ds.HighBit = 16, 15
        stored = (expected_hu()[k].astype(int) + 1024).astype("<u2")
        stored[0, 0] = 65535
        set_stored(ds, stored)

    write_series(tmp_path / "s", mutate)
    read, _ = read_whole(tmp_path / "s", tmp_path)
    assert np.all(read.values[:, 0, 0] == 32767)


SYNTAXES = {
    "implicit": ImplicitVRLittleEndian,
    "big endian": ExplicitVRBigEndian,
    "deflated": DeflatedExplicitVRLittleEndian,
    "rle": RLELossless,
    "jpeg 2000": JPEG2000Lossless,
    "jpeg-ls": JPEGLSLossless,
}


@pytest.mark.parametrize("name", SYNTAXES)
def test_transfer_syntaxes(tmp_path, name):
    folder = tmp_path / "s"
    folder.mkdir()
    for k in range(SLICES):
        ds = slice_dataset(k)
        if name in ("implicit", "big endian", "deflated"):
            ds.file_meta.TransferSyntaxUID = SYNTAXES[name]
            if name == "big endian":
                ds.PixelData = np.frombuffer(ds.PixelData, "<u2").byteswap().tobytes()
                dcmwrite(folder / f"{k}", ds, implicit_vr=False, little_endian=False, force_encoding=True)
                continue
        else:
            ds.compress(SYNTAXES[name], generate_instance_uid=False)
        ds.save_as(folder / f"{k}", enforce_file_format=True)
    read, row = read_whole(tmp_path / "s", tmp_path)
    assert row["verdict"] == "accepted"
    np.testing.assert_array_equal(read.values, expected_hu())


def test_damaged_codestream_sets_aside_in_inventory_or_volume(tmp_path):
    for number, path in enumerate(write_series(tmp_path / "s")):
        ds = dcmread(path)
        ds.compress(JPEG2000Lossless, generate_instance_uid=False)
        ds.save_as(path, enforce_file_format=True)
        if number == 2:
            raw = bytearray(path.read_bytes())
            place = raw.rindex(b"\xff\x52")
            raw[place : place + 40] = b"\0" * 40
            path.write_bytes(raw)
    result = take_volumes(request(tmp_path / "s", readings=[reading()], resample=RESAMPLE), tmp_path / "work")
    assert result["volumes"] == []
    assert [row["code"] for row in result["set_aside"]] == ["undecodable_pixels"]


RESAMPLE = {"margin_mm": 5.0, "spacing_mm": 0.5, "interpolator": "linear", "keep_grid_up_to_mm": 0.1}


def reading(phase=None, shift=(0.0, 0.0, 0.0)):
    """Landmarks in the middle of the image."""
    centre = ORIGIN + np.array([9.0, 10.0, 4.0]) + shift
    ring = [(centre + np.array([5.5 * np.cos(a), 5.5 * np.sin(a), 0])).tolist() for a in np.linspace(0, 6, 8)]
    return {
        "phase_pct": phase,
        "reader_id": "R1",
        "read_no": 1,
        "structures": {"mitral_ring": ring, "lv_apex": [(centre + np.array([0, 0, 2])).tolist()]},
    }


@pytest.mark.parametrize("interpolator", ["linear", "bspline"])
def test_resampled_region_holds_the_linear_field(tmp_path, interpolator):
    """The HU written are linear in position, so that any interpolation must give them back inside the image."""
    write_series(tmp_path / "s")
    settings = {**RESAMPLE, "interpolator": interpolator}
    content = request(tmp_path / "s", readings=[reading()], resample=settings)
    result = take_volumes(content, tmp_path / "work")
    (entry,) = result["volumes"]
    image = sitk.ReadImage(str(tmp_path / "work" / "volumes" / entry["file"]))
    assert image.GetPixelID() == sitk.sitkInt16
    assert image.GetSpacing() == (0.5, 0.5, 0.5)
    size = np.array(image.GetSize())
    index = np.stack(np.meshgrid(*(np.arange(n) for n in size), indexing="ij"), -1).reshape(-1, 3)
    points = np.array([image.TransformIndexToPhysicalPoint(i.tolist()) for i in index[::7]])
    i, j, k = ((points - ORIGIN) / [COLUMN_SPACING, ROW_SPACING, SLICE_SPACING]).T
    truth = 3 * k + 2 * j + i - 100
    found = sitk.GetArrayFromImage(image).transpose(2, 1, 0)[tuple(index[::7].T)]
    inner = np.all([i > 4, j > 4, k > 4, i < COLUMNS - 5, j < ROWS - 5, k < SLICES - 5], axis=0)
    tolerance = 0.51  # rounding to int16
    assert inner.sum() > 20
    assert np.abs(found - truth)[inner].max() <= tolerance


def test_spline_along_axes_is_that_of_scipy():
    """scipy.ndimage.map_coordinates with order 3 and mirrored ends, inside and at the border."""
    from scipy import ndimage

    from outflow_cohort.dicom.resampling import interpolate_axis

    random = np.random.default_rng(3)
    values = random.normal(0, 100, size=(9, 11, 7))
    positions = [np.linspace(0, n - 1, 13) for n in values.shape]
    ours = values
    for axis in range(3):
        ours = interpolate_axis(ours, positions[axis], axis, "bspline")
    grid = np.stack(np.meshgrid(*positions, indexing="ij"))
    theirs = ndimage.map_coordinates(values, grid, order=3, mode="mirror")
    np.testing.assert_allclose(ours, theirs, atol=2e-3)  # float32 against float64


def test_fine_and_even_grid_is_handed_on_as_it_is(tmp_path):
    write_series(tmp_path / "s")
    settings = {**RESAMPLE, "keep_grid_up_to_mm": 0.9, "keep_grid_ratio": 1.6}
    result = take_volumes(request(tmp_path / "s", readings=[reading()], resample=settings), tmp_path / "work")
    (entry,) = result["volumes"]
    assert entry["resampled"] is False
    image = sitk.ReadImage(str(tmp_path / "work" / "volumes" / entry["file"]))
    assert image.GetSpacing() == pytest.approx((COLUMN_SPACING, ROW_SPACING, SLICE_SPACING))
    start = np.round((np.array(image.GetOrigin()) - ORIGIN) / image.GetSpacing()).astype(int)
    i, j, k = image.GetSize()
    part = expected_hu()[start[2] : start[2] + k, start[1] : start[1] + j, start[0] : start[0] + i]
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image), part)


def test_region_covers_all_landmarks_with_margin_and_reads_no_more(tmp_path):
    write_series(tmp_path / "s")
    both = [reading(), {**reading(shift=(3, 2, 1)), "reader_id": "R2"}]
    result = take_volumes(request(tmp_path / "s", readings=both, resample=RESAMPLE), tmp_path / "work")
    image = sitk.ReadImage(str(tmp_path / "work" / "volumes" / result["volumes"][0]["file"]))
    points = np.array([p for r in both for g in r["structures"].values() for p in g])
    low = np.array(image.TransformIndexToPhysicalPoint((0, 0, 0)))
    high = np.array(image.TransformIndexToPhysicalPoint([n - 1 for n in image.GetSize()]))
    top = ORIGIN + np.array([COLUMNS - 1, ROWS - 1, SLICES - 1]) * [COLUMN_SPACING, ROW_SPACING, SLICE_SPACING]
    assert np.all(low <= np.maximum(points.min(0) - 5, ORIGIN) + 1e-6)
    assert np.all(high >= np.minimum(points.max(0) + 5, top) - 0.5)


def test_ring_crop_keeps_the_original_voxels(tmp_path):
    write_series(tmp_path / "s")
    content = request(tmp_path / "s", readings=[reading()], resample={**RESAMPLE, "ring_margin_mm": 2.0})
    content["prosthesis"] = {"prosthesis_id": "ring"}
    result = take_volumes(content, tmp_path / "work")
    image = sitk.ReadImage(str(tmp_path / "work" / "volumes" / result["volumes"][0]["ring_file"]))
    assert image.GetSpacing() == pytest.approx((COLUMN_SPACING, ROW_SPACING, SLICE_SPACING))
    start = np.round((np.array(image.GetOrigin()) - ORIGIN) / [COLUMN_SPACING, ROW_SPACING, SLICE_SPACING]).astype(int)
    i, j, k = image.GetSize()
    part = expected_hu()[start[2] : start[2] + k, start[1] : start[1] + j, start[0] : start[0] + i]
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image), part)


def test_unsheared_stack_shows_the_true_field(tmp_path):
    """A field linear in space, sampled on a stack tilted by 20 degrees, comes back at the right points."""
    drift = SLICE_SPACING * np.tan(np.radians(20))
    field = np.array([4.0, -3.0, 5.0])

    def mutate(ds, k):
        first = ORIGIN + np.array([0, drift * k, SLICE_SPACING * k])
        ds.ImagePositionPatient = [float(v) for v in first]
        j, i = np.mgrid[0:ROWS, 0:COLUMNS]
        points = first + np.stack([i * COLUMN_SPACING, j * ROW_SPACING, 0 * i], -1)
        set_stored(ds, np.round((points - ORIGIN) @ field + 1024).astype("<u2"))

    write_series(tmp_path / "s", mutate)
    content = request(tmp_path / "s", readings=[reading()], resample=RESAMPLE)
    assert take_volumes(content, tmp_path / "no")["volumes"] == []
    content["study"]["intake"] = {"allow_unshear": True}
    result = take_volumes(content, tmp_path / "work")
    row = take_inventory(content, tmp_path / "again")["series"][0]
    assert "unsheared" in codes_of(row)
    assert row["verdict"] == "warned"
    assert row["tilt_deg"] == pytest.approx(20, abs=1e-3)
    image = sitk.ReadImage(str(tmp_path / "work" / "volumes" / result["volumes"][0]["file"]))
    centre = ORIGIN + np.array([9.0, 10.0, 4.0])
    for step in [(0, 0, 0), (2, 1, 1), (-2, 2, -1), (1, -1, 2)]:
        point = centre + step
        index = image.TransformPhysicalPointToIndex(point.tolist())
        at = np.array(image.TransformIndexToPhysicalPoint(index))
        assert image.GetPixel(index) == pytest.approx((at - ORIGIN) @ field, abs=1.1)


def test_changed_folder_is_refused(tmp_path):
    from outflow_cohort.files import read_json
    from outflow_cohort.steps.volume import volume

    paths = write_series(tmp_path / "s")
    content = request(tmp_path / "s", readings=[reading()], resample=RESAMPLE)
    take_inventory(content, tmp_path / "work")
    paths[3].rename(tmp_path / "s" / "zzz")
    work = tmp_path / "work"
    volume(request=work / "request.json", inventory=work / "inventory.json", output_dir=work / "v")
    result = read_json(work / "v" / "volumes.json")
    assert [row["code"] for row in result["set_aside"]] == ["changed_since_inventory"]


def test_landmarks_outside_the_image_set_the_phase_aside(tmp_path):
    write_series(tmp_path / "s")
    far = reading(shift=(500.0, 0, 0))
    result = take_volumes(request(tmp_path / "s", readings=[far], resample=RESAMPLE), tmp_path / "work")
    assert [row["code"] for row in result["set_aside"]] == ["outside_image"]


def test_landmarks_in_another_frame_are_explained_before_any_volume_is_made(tmp_path):
    write_series(tmp_path / "s")
    points = reading()
    for group in points["structures"].values():
        for point in group:
            point[:2] = [-point[0], -point[1]]
    result = take_volumes(request(tmp_path / "s", readings=[points], resample=RESAMPLE), tmp_path / "work")
    assert [row["code"] for row in result["set_aside"]] == ["coordinates_ras"]
    assert "negated" in result["set_aside"][0]["message"]


@pytest.mark.parametrize("ending", [".nii", ".nii.gz", ".mha", ".nrrd"])
def test_image_files_give_the_same_volume(tmp_path, ending):
    image = sitk.GetImageFromArray(expected_hu())
    image.SetSpacing((COLUMN_SPACING, ROW_SPACING, SLICE_SPACING))
    image.SetOrigin(ORIGIN.tolist())
    path = tmp_path / f"case{ending}"
    sitk.WriteImage(image, str(path))
    content = request(tmp_path, [{"volume": str(path), "phase_pct": 30.0}], [reading(30.0)], resample=RESAMPLE)
    found = take_inventory(content, tmp_path / "work")
    assert found["series"][0]["verdict"] == "accepted"
    assert "no_header_evidence" in {row["rule"] for row in found["privacy"]}
    result = take_volumes(content, tmp_path / "work")
    write_series(tmp_path / "s")
    dicom = request(
        tmp_path, [{"dicom_dir": str(tmp_path / "s"), "phase_pct": 30.0}], [reading(30.0)], resample=RESAMPLE
    )
    theirs = take_volumes(dicom, tmp_path / "dicom")
    a, b = (
        sitk.GetArrayFromImage(sitk.ReadImage(str(tmp_path / w / "volumes" / r["volumes"][0]["file"])))
        for w, r in (("work", result), ("dicom", theirs))
    )
    # NIfTI keeps its grid in float32: where the interpolated value is half-way, rounding may go either way
    np.testing.assert_allclose(a, b, atol=1 if ending.startswith(".nii") else 0)
    assert np.mean(a != b) < 0.01


def test_image_header_text_is_audited(tmp_path):
    path = tmp_path / "case.nii"
    image = sitk.GetImageFromArray(expected_hu())
    sitk.WriteImage(image, str(path))
    raw = bytearray(path.read_bytes())
    raw[148 : 148 + 20] = b"scan of DOE^JOHN    "
    path.write_bytes(raw)
    found = take_inventory(request(tmp_path, [{"volume": str(path)}]), tmp_path / "work")
    assert ("descrip", "identifying_text") in {(row["tag"], row["rule"]) for row in found["privacy"]}
    assert found["plans"] == []


def test_bytes_of_a_voxel_follow_simpleitk():
    from outflow_cohort.dicom.images import VOXEL_BYTES

    for name in ("Int8", "UInt8", "Int16", "UInt16", "Int32", "UInt32", "Int64", "UInt64", "Float32", "Float64"):
        image = sitk.Image([2, 2, 2], getattr(sitk, f"sitk{name}"))
        assert VOXEL_BYTES[image.GetPixelIDValue()] == sitk.GetArrayFromImage(image).dtype.itemsize


@pytest.mark.parametrize("ending", [".nii", ".nii.gz", ".mha", ".nrrd"])
@pytest.mark.parametrize("spoil", ["empty", "cut", "four dimensions"])
def test_broken_image_files_set_aside(tmp_path, spoil, ending):
    path = tmp_path / f"case{ending}"
    array = expected_hu()
    image = sitk.GetImageFromArray(array)
    if spoil == "four dimensions":
        image = sitk.JoinSeries([image, image])
    sitk.WriteImage(image, str(path))
    raw = path.read_bytes()
    if spoil == "empty":
        path.write_bytes(b"")
    if spoil == "cut":
        path.write_bytes(raw[: len(raw) // 2])
    content = request(tmp_path, [{"volume": str(path)}], [reading()], resample={**RESAMPLE, "whole_image": True})
    result = take_volumes(content, tmp_path / "work")
    found = take_inventory(content, tmp_path / "work")
    assert result["volumes"] == []
    assert len(result["set_aside"] + found["set_aside"]) == 1
