"""Geometry verdicts against mutations of a regular series (rules: DICOM PS3.3 C.7.6.2 image plane, C.8.2.1 CT)."""

from __future__ import annotations

import numpy as np
import pytest
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
    uid,
    write_series,
)


def judged(folder, tmp_path, **study):
    return take_inventory(request(folder, **study), tmp_path / "work")["series"]


def test_regular_series_is_accepted_with_its_grid(tmp_path):
    write_series(tmp_path / "s")
    (row,) = judged(tmp_path / "s", tmp_path)
    assert row["verdict"] == "accepted"
    assert codes_of(row) == {"phase_unknown"}
    assert (row["columns"], row["rows"], row["n_slices"]) == (COLUMNS, ROWS, SLICES)
    assert row["slice_spacing_mm"] == pytest.approx(SLICE_SPACING, abs=1e-9)
    assert (row["row_spacing_mm"], row["column_spacing_mm"]) == (ROW_SPACING, COLUMN_SPACING)
    assert [row[f"origin_{a}_mm"] for a in "xyz"] == pytest.approx(ORIGIN.tolist())
    assert [row[f"slice_{a}"] for a in "xyz"] == [0, 0, 1]


@pytest.mark.parametrize(
    "orientation",
    [
        (1, 0, 0, 0, 1, 0),
        (-1, 0, 0, 0, -1, 0),
        (1, 0, 0, 0, -1, 0),
        (0, 1, 0, 0, 0, -1),
        (1, 0, 0, 0, 0, -1),
        (0.6, 0.8, 0, -0.8, 0.6, 0),
        (0.8, 0, 0.6, 0, 1, 0),
    ],
)
def test_frame_is_right_handed_in_any_orientation(tmp_path, orientation):
    write_series(tmp_path / "s", orientation=orientation)
    (row,) = judged(tmp_path / "s", tmp_path)
    assert row["verdict"] == "accepted"
    axes = np.array([[row[f"{name}_{a}"] for a in "xyz"] for name in ("row", "column", "slice")])
    assert np.linalg.det(axes) == pytest.approx(1.0, abs=1e-6)
    assert axes[0] == pytest.approx(orientation[:3], abs=1e-6)
    assert axes[1] == pytest.approx(orientation[3:], abs=1e-6)


def move(k_of, vector):
    def mutate(ds, k):
        ds.ImagePositionPatient = [float(a + b) for a, b in zip(ds.ImagePositionPatient, vector(k), strict=True)]

    return mutate if k_of is None else lambda ds, k: mutate(ds, k) if k in k_of else None


def drop(*missing):
    """Slices to leave out: written as far away copies would be wrong, so they are renamed to another modality."""

    def mutate(ds, k):
        if k in missing:
            ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.7"

    return mutate


def tilt(degrees):
    return move(None, lambda k: (0, k * SLICE_SPACING * np.tan(np.radians(degrees)), 0))


def gantry_tilt(degrees):
    """As a tilted scanner writes it: the image plane is tilted, the table moves along z."""

    def mutate(ds, k):
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        ds.ImageOrientationPatient = [1, 0, 0, 0, round(float(c), 6), round(float(-s), 6)]
        ds.ImagePositionPatient = [-10.0, -20.0, round(30 + 0.8 * k, 3)]
        ds.GantryDetectorTilt = degrees

    return mutate


def attribute(name, value, at=None):
    def mutate(ds, k):
        if at is None or k in at:
            setattr(ds, name, value)

    return mutate


def remove(name, at=None):
    def mutate(ds, k):
        if at is None or k in at:
            delattr(ds, name)

    return mutate


GRAVE = [
    ("missing_slices", drop(4)),
    ("missing_slices", drop(4, 5, 8)),
    ("variable_spacing", move((5,), lambda k: (0, 0, 0.2))),
    ("variable_spacing", move(None, lambda k: (0, 0, 0.02 * k * k))),
    ("gantry_tilt", tilt(10)),
    ("gantry_tilt", tilt(1)),
    ("gantry_tilt", gantry_tilt(15)),
    ("inplane_shift", move((5,), lambda k: (2.0, 0, 0))),
    ("no_position", remove("ImagePositionPatient")),
    ("no_orientation", remove("ImageOrientationPatient")),
    ("no_pixel_spacing", remove("PixelSpacing")),
    ("bad_pixel_spacing", attribute("PixelSpacing", [0.0, 0.7])),
    ("bad_pixel_spacing", attribute("PixelSpacing", [-0.7, 0.7])),
    ("bad_pixel_spacing", attribute("PixelSpacing", [700, 700])),
    ("orientation_invalid", attribute("ImageOrientationPatient", [1, 0, 0, 0.5, 0.5, 0])),
    ("orientation_invalid", attribute("ImageOrientationPatient", [2, 0, 0, 0, 2, 0])),
    ("no_rescale", remove("RescaleSlope")),
    ("no_rescale", remove("RescaleIntercept", at=(3,))),
    ("bad_rescale", attribute("RescaleSlope", 0)),
    ("not_hounsfield", attribute("RescaleType", "Z_EFF")),
    ("localizer", attribute("ImageType", ["ORIGINAL", "PRIMARY", "LOCALIZER"])),
    ("projection_image", attribute("ImageType", ["DERIVED", "SECONDARY", "MIP"])),
    ("bad_pixel_format", attribute("PhotometricInterpretation", "MONOCHROME1")),
    ("bad_pixel_format", attribute("BitsStored", 17)),
    ("repeated_in_time", lambda ds, k: setattr(ds, "ImagePositionPatient", [0, 0, 5.0])),
]


@pytest.mark.parametrize(("code", "mutate"), GRAVE, ids=[f"{n}_{c}" for n, (c, _) in enumerate(GRAVE)])
def test_grave_faults_set_the_series_aside(tmp_path, code, mutate):
    write_series(tmp_path / "s", mutate)
    result = take_inventory(request(tmp_path / "s"), tmp_path / "work")
    rows = [row for row in result["series"] if "secondary_capture" not in codes_of(row)]
    assert any(code in codes_of(row) for row in rows)
    assert all(row["verdict"] == "set_aside" for row in rows)
    assert result["plans"] == []
    (aside,) = result["set_aside"]
    assert f"{code}: " in aside["message"]
    assert aside["code"] in {c for row in rows for c in codes_of(row)}


WARNED = [
    ("spacing_jitter", move((5,), lambda k: (0, 0, 0.02))),
    ("inplane_jitter", move((5,), lambda k: (0.08, 0, 0))),
    ("mixed_rescale", lambda ds, k: setattr(ds, "RescaleSlope", 1 + (k % 3))),
    ("no_frame_of_reference", remove("FrameOfReferenceUID")),
    ("not_supine", attribute("PatientPosition", "HFP")),
    ("not_supine", attribute("PatientPosition", "FFDR")),
    ("patient_position_unknown", remove("PatientPosition")),
    ("derived_image", attribute("ImageType", ["DERIVED", "PRIMARY", "AXIAL"])),
    ("interslice_gap", attribute("SliceThickness", 0.5)),
    ("lossy_compressed", attribute("LossyImageCompression", "01")),
    ("rescale_type_unspecified", attribute("RescaleType", "US")),
    ("slice_thickness_warn", attribute("SliceThickness", 1.2)),
    ("slice_thickness_poor", attribute("SliceThickness", 3.0)),
    ("frame_of_reference_per_file", lambda ds, k: setattr(ds, "FrameOfReferenceUID", uid(44, k))),
    ("padding_implausible", attribute("PixelPaddingValue", 1100)),
]


@pytest.mark.parametrize(("code", "mutate"), WARNED, ids=[f"{n}_{c}" for n, (c, _) in enumerate(WARNED)])
def test_lesser_faults_warn(tmp_path, code, mutate):
    write_series(tmp_path / "s", mutate)
    (row,) = judged(tmp_path / "s", tmp_path)
    assert code in codes_of(row)
    assert row["verdict"] == "warned"


ACCEPTED = {
    "rounded to 1e-3": move(None, lambda k: (0.0004 * (-1) ** k, 0.0003, 0.0004 * (k % 2))),
    "no thickness": remove("SliceThickness"),
    "blanks around numbers": attribute("PixelSpacing", " 0.7 \\ 0.6 "),
    "no rescale type": remove("RescaleType"),
    "no kernel": remove("ConvolutionKernel"),
    "feet first": attribute("PatientPosition", "FFS"),
    "no instance number": remove("InstanceNumber"),
    "same instance number": attribute("InstanceNumber", 1),
    "tilt tag zero": attribute("GantryDetectorTilt", 0),
    "overlapping slices": attribute("SliceThickness", 0.9),
}


@pytest.mark.parametrize("name", ACCEPTED)
def test_what_real_scanners_write_is_accepted(tmp_path, name):
    write_series(tmp_path / "s", ACCEPTED[name])
    (row,) = judged(tmp_path / "s", tmp_path)
    assert row["verdict"] == "accepted", row["details"]
    assert row["slice_spacing_mm"] == pytest.approx(SLICE_SPACING, abs=1e-4)


def test_positions_written_with_one_decimal_keep_a_regular_grid(tmp_path):
    def mutate(ds, k):
        ds.ImagePositionPatient = [-10.1234, -20.5678, round(0.625 * k, 1)]
        ds.SliceThickness = 0.625

    write_series(tmp_path / "s", mutate, n=40)
    (row,) = judged(tmp_path / "s", tmp_path)
    assert row["verdict"] == "warned"
    assert "positions_rounded" in codes_of(row)
    assert row["slice_spacing_mm"] == pytest.approx(0.625, abs=0.1 / 39)


def test_missing_slices_are_counted(tmp_path):
    write_series(tmp_path / "s", drop(3, 4, 9))
    rows = judged(tmp_path / "s", tmp_path)
    row = next(r for r in rows if "missing_slices" in codes_of(r))
    assert "3 slices missing in 2 gaps" in row["details"]
    assert row["n_missing_slices"] == 3


def test_gaps_that_instance_numbers_run_across_are_no_missing_slices(tmp_path):
    """A reconstruction with a wider part: numbers run on, so to export it again would bring nothing."""

    def mutate(ds, k):
        ds.ImagePositionPatient = [-10, -20, SLICE_SPACING * (k + max(0, k - 8))]

    write_series(tmp_path / "s", mutate)
    (row,) = judged(tmp_path / "s", tmp_path)
    assert "variable_spacing" in codes_of(row)
    assert "missing_slices" not in codes_of(row)
    assert "instance numbers run on" in row["details"]
    assert row["verdict"] == "set_aside"


def test_one_hole_that_numbers_skip_means_that_slices_are_missing(tmp_path):
    """One gap is a hole in the export and one is not: the first decides."""

    def mutate(ds, k):
        if k >= 9:
            ds.ImagePositionPatient = [-10, -20, 30 + SLICE_SPACING * (k + 1)]

    def without_the_fourth(ds, k):
        mutate(ds, k)
        if k == 4:
            ds.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]

    write_series(tmp_path / "s", without_the_fourth)
    rows = judged(tmp_path / "s", tmp_path)
    assert any("missing_slices" in codes_of(row) for row in rows)


def test_a_sound_stack_with_a_frame_of_reference_per_file_stays_whole(tmp_path):
    write_series(tmp_path / "s", lambda ds, k: setattr(ds, "FrameOfReferenceUID", uid(44, k)))
    result = take_inventory(request(tmp_path / "s"), tmp_path / "work")
    (row,) = result["series"]
    assert row["n_slices"] == SLICES
    assert codes_of(row) >= {"frame_of_reference_per_file"}
    assert not codes_of(row) & {"mixed_frame_of_reference", "no_frame_of_reference"}
    assert len(result["plans"]) == 1


@pytest.mark.parametrize("shift", [0.0, 5.0])
def test_phases_with_a_frame_of_reference_per_file_share_a_frame_where_they_share_the_grid(tmp_path, shift):
    for phase in (30, 70):

        def mutate(ds, k, phase=phase):
            ds.FrameOfReferenceUID = uid(44, phase, k)
            ds.SeriesInstanceUID, ds.NominalPercentageOfCardiacPhase = uid(3, phase), phase
            if phase == 70:
                x, y, z = ds.ImagePositionPatient
                ds.ImagePositionPatient = [x + shift, y, z]

        write_series(tmp_path / f"s{phase}", mutate, series=phase)
    rows = [{"dicom_dir": str(tmp_path / f"s{phase}")} for phase in (30, 70)]
    result = take_inventory(request(tmp_path, rows), tmp_path / "work")
    apart = [row for row in result["series"] if "frames_of_reference_differ" in codes_of(row)]
    assert (len(apart), len(result["plans"])) == ((2, 0) if shift else (0, 2))


def test_identical_copies_are_dropped(tmp_path):
    write_series(tmp_path / "s")
    copy = slice_dataset(5)
    copy.SOPInstanceUID = uid(1, 77, 5)
    copy.save_as(tmp_path / "s" / "copy", enforce_file_format=True)
    (row,) = judged(tmp_path / "s", tmp_path)
    assert "duplicate_slices" in codes_of(row)
    assert (row["verdict"], row["n_slices"]) == ("warned", SLICES)


def test_two_images_at_one_place_are_never_interleaved(tmp_path):
    write_series(tmp_path / "s")
    other = slice_dataset(5)
    other.SOPInstanceUID = uid(1, 77, 5)
    set_stored(other, np.zeros((ROWS, COLUMNS), "<u2"))
    other.save_as(tmp_path / "s" / "other", enforce_file_format=True)
    (row,) = judged(tmp_path / "s", tmp_path)
    assert "duplicate_positions" in codes_of(row)
    assert row["verdict"] == "set_aside"


SEPARATORS = {
    "nominal phase": lambda ds, p: setattr(ds, "NominalPercentageOfCardiacPhase", 30.0 + 40 * p),
    "temporal position": lambda ds, p: setattr(ds, "TemporalPositionIdentifier", p + 1),
    "trigger time": lambda ds, p: setattr(ds, "TriggerTime", 100 + 400 * p),
    "acquisition": lambda ds, p: setattr(ds, "AcquisitionNumber", p + 1),
    "acquisition time": lambda ds, p: setattr(ds, "AcquisitionTime", f"12000{p}"),
}


@pytest.mark.parametrize("name", SEPARATORS)
def test_phases_in_one_series_are_split(tmp_path, name):
    def of_phase(p):
        def mutate(ds, k):
            ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = uid(1, 50 + p, k + 1)
            set_stored(ds, (expected_hu()[k].astype(int) + 1024 + 100 * p).astype("<u2"))
            SEPARATORS[name](ds, p)

        return mutate

    for p in range(2):
        write_series(tmp_path / "s", of_phase(p), prefix=f"p{p}")
    rows = judged(tmp_path / "s", tmp_path)
    assert [row["n_slices"] for row in rows] == [SLICES, SLICES]
    assert all("several_phases" in codes_of(row) for row in rows)


def test_kernels_in_one_series_are_split_and_the_smoother_is_chosen(tmp_path):
    random = np.random.default_rng(2)

    def sharp(ds, k):
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = uid(1, 60, k + 1)
        ds.ConvolutionKernel = "B70"
        set_stored(ds, (expected_hu()[k] + 1024 + random.integers(-40, 40, (ROWS, COLUMNS))).astype("<u2"))

    write_series(tmp_path / "s", sharp, prefix="k")
    write_series(tmp_path / "s")
    result = take_inventory(request(tmp_path / "s"), tmp_path / "work")
    assert sorted(row["verdict"] for row in result["series"]) == ["set_aside", "warned"]
    assert all("mixed_kernel" in codes_of(row) for row in result["series"])
    (plan,) = result["plans"]
    names = sorted(p.name for p in (tmp_path / "s").iterdir())
    assert {names[ordinal][0] for ordinal, *_ in plan["slices"]} == {"f"}


def wider(ds):
    ds.Columns = COLUMNS + 2
    set_stored(ds, np.zeros((ROWS, COLUMNS + 2), "<u2"))


MIXES = {
    "mixed_matrix": wider,
    "mixed_pixel_spacing": lambda ds: setattr(ds, "PixelSpacing", [0.71, 0.6]),
    "mixed_orientation": lambda ds: setattr(ds, "ImageOrientationPatient", [-1, 0, 0, 0, -1, 0]),
    "mixed_frame_of_reference": lambda ds: setattr(ds, "FrameOfReferenceUID", uid(44)),
}


@pytest.mark.parametrize("code", MIXES)
@pytest.mark.parametrize("one_slice", [True, False])
def test_mixtures_are_split_and_never_stacked_together(tmp_path, code, one_slice):
    """One odd slice in the middle leaves a gap; an odd half leaves two stacks, each whole in itself."""

    def mutate(ds, k):
        if k == 5 if one_slice else k >= 5:
            MIXES[code](ds)

    write_series(tmp_path / "s", mutate)
    result = take_inventory(request(tmp_path / "s"), tmp_path / "work")
    assert all(code in codes_of(row) for row in result["series"])
    sizes = sorted(row["n_slices"] for row in result["series"])
    assert sizes == ([1, SLICES - 1] if one_slice else [5, SLICES - 5])
    if one_slice:
        assert result["plans"] == []
        assert any("missing_slices" in codes_of(row) for row in result["series"])
    else:
        (plan,) = result["plans"]
        assert plan["size"][2] == SLICES - 5


def test_localizer_in_the_series_is_put_aside_alone(tmp_path):
    def mutate(ds, k):
        if k == 0:
            ds.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
            ds.ImageOrientationPatient = [1, 0, 0, 0, 0, -1]

    write_series(tmp_path / "s", mutate)
    rows = judged(tmp_path / "s", tmp_path)
    by_verdict = {row["verdict"]: row for row in rows}
    assert codes_of(by_verdict["set_aside"]) >= {"localizer"}
    assert by_verdict["accepted"]["n_slices"] == SLICES - 1


@pytest.mark.parametrize(
    ("name", "value", "code"),
    [("PatientID", "C002", "several_patients"), ("StudyInstanceUID", uid(22), "several_studies")],
)
def test_patients_and_studies_in_one_folder(tmp_path, name, value, code):
    def other(ds, k):
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = uid(1, 61, k + 1)
        ds.SeriesInstanceUID = uid(3, 61)
        setattr(ds, name, value)

    write_series(tmp_path / "s")
    write_series(tmp_path / "s", other, prefix="o")
    result = take_inventory(request(tmp_path / "s"), tmp_path / "work")
    assert all(code in codes_of(row) for row in result["series"])
    assert len(result["plans"]) == (0 if code == "several_patients" else 1)


def test_choice_does_not_depend_on_names(tmp_path):
    chosen = set()
    for swap in (False, True):
        folder = tmp_path / f"s{swap}"
        write_series(folder, series=1, prefix="z" if swap else "a")
        write_series(folder, series=2, prefix="a" if swap else "z")
        result = take_inventory(request(folder), tmp_path / "work")
        chosen.add(result["plans"][0]["series"])
        assert len(result["plans"]) == 1
    assert len(chosen) == 1


def test_other_objects_are_named_and_left(tmp_path):
    write_series(tmp_path / "s")
    (tmp_path / "s" / "notes.txt").write_text("nothing")
    (tmp_path / "s" / "empty").write_bytes(b"")
    screen = slice_dataset(0, 9)
    screen.SOPClassUID = screen.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.7"
    screen.save_as(tmp_path / "s" / "screen", enforce_file_format=True)
    report = slice_dataset(0, 8)
    report.SOPClassUID = report.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.88.67"
    report.save_as(tmp_path / "s" / "dose", enforce_file_format=True)
    magnetic = slice_dataset(0, 7)
    magnetic.SOPClassUID = magnetic.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.4"
    magnetic.Modality = "MR"
    magnetic.save_as(tmp_path / "s" / "mr", enforce_file_format=True)
    rows = judged(tmp_path / "s", tmp_path)
    found = {code for row in rows for code in codes_of(row)}
    assert {"not_dicom", "secondary_capture", "report_object", "not_ct"} <= found
    assert [row["verdict"] for row in rows if row.get("n_slices")] == ["accepted"]


def test_truncated_file_is_told_apart_from_a_missing_slice(tmp_path):
    paths = write_series(tmp_path / "s")
    paths[4].write_bytes(paths[4].read_bytes()[:-100])
    (row,) = judged(tmp_path / "s", tmp_path)
    assert codes_of(row) >= {"truncated_pixels"}
    assert "1 of 12 slices" in row["details"]


def test_empty_and_missing_folders(tmp_path):
    (tmp_path / "empty").mkdir()
    content = request(tmp_path, [{"dicom_dir": str(tmp_path / "empty")}, {"dicom_dir": str(tmp_path / "gone")}])
    result = take_inventory(content, tmp_path / "work")
    assert [row["code"] for row in result["set_aside"]] == ["no_series_found", "folder_missing"]


def test_bounds_hold(tmp_path):
    write_series(tmp_path / "s")
    rows = judged(tmp_path / "s", tmp_path, intake={"max_files": 5})
    assert [codes_of(row) for row in rows] == [{"too_many_files"}]
    rows = judged(tmp_path / "s", tmp_path, intake={"max_voxels": 1000})
    assert "too_many_voxels" in codes_of(rows[0])
    rows = judged(tmp_path / "s", tmp_path, intake={"max_file_megabytes": 0.001})
    assert codes_of(rows[0]) == {"file_too_large"}


@pytest.mark.parametrize(("ratio", "most", "warned"), [(8.0, 10.0, False), (12.0, 10.0, True), (None, 10.0, True)])
def test_lossy_series_are_warned_by_their_ratio(tmp_path, ratio, most, warned):
    def lossy(ds, _):
        ds.LossyImageCompression = "01"
        if ratio is not None:
            ds.LossyImageCompressionRatio = ratio

    write_series(tmp_path / "s", lossy)
    (row,) = judged(tmp_path / "s", tmp_path, intake={"lossy_ratio_warn": most})
    assert ("lossy_compressed" in codes_of(row)) == warned
