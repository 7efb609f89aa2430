"""Multi-frame CT: objects made by highdicom from single slices, and a four-dimensional one with shuffled frames
(PS3.3 A.38 Enhanced CT, C.7.6.16 functional groups)."""

from __future__ import annotations

import numpy as np
import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
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
    slice_dataset,
    take_inventory,
    uid,
)

from outflow_cohort.dicom.pixels import frame_decoder
from outflow_cohort.dicom.volume import Grid, read_stack
from outflow_cohort.handover.inventory import SeriesPlan

ENHANCED_CT = "1.2.840.10008.5.1.4.1.1.2.1"


def item(**values):
    ds = Dataset()
    for name, value in values.items():
        setattr(ds, name, value)
    return ds


def enhanced(order, phases=(30.0, 70.0), spoil=None):
    """A 4-D Enhanced CT; frame f shows slice and phase `order[f]`. HU of phase p are 100 p higher."""
    ds = slice_dataset(0)
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = ENHANCED_CT
    for name in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness"):
        delattr(ds, name)
    for name in ("RescaleIntercept", "RescaleSlope", "RescaleType", "ConvolutionKernel"):
        delattr(ds, name)
    ds.NumberOfFrames = len(order)
    shared = item(
        PlaneOrientationSequence=Sequence([item(ImageOrientationPatient=[1, 0, 0, 0, 1, 0])]),
        PixelMeasuresSequence=Sequence(
            [item(PixelSpacing=[ROW_SPACING, COLUMN_SPACING], SliceThickness=SLICE_SPACING)]
        ),
        PixelValueTransformationSequence=Sequence([item(RescaleIntercept=-1024, RescaleSlope=1, RescaleType="HU")]),
        CTImageFrameTypeSequence=Sequence([item(FrameType=["ORIGINAL", "PRIMARY", "AXIAL", "NONE"])]),
    )
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    groups, pixels = [], []
    for k, p in order:
        position = [float(v) for v in ORIGIN + np.array([0, 0, SLICE_SPACING * k])]
        groups.append(
            item(
                PlanePositionSequence=Sequence([item(ImagePositionPatient=position)]),
                FrameContentSequence=Sequence(
                    [item(TemporalPositionIndex=p + 1, StackID="1", InStackPositionNumber=k + 1)]
                ),
                CardiacSynchronizationSequence=Sequence(
                    [item(NominalPercentageOfCardiacPhase=phases[p], RRIntervalTimeNominal=900.0)]
                ),
            )
        )
        pixels.append((expected_hu()[k].astype(int) + 1024 + 100 * p).astype("<u2"))
    ds.PerFrameFunctionalGroupsSequence = Sequence(groups)
    ds.PixelData = np.stack(pixels).tobytes()
    ds["PixelData"].VR = "OW"
    if spoil is not None:
        spoil(ds)
    return ds


def shuffled(n_phases=2):
    order = [(k, p) for p in range(n_phases) for k in range(SLICES)]
    return [order[i] for i in np.random.default_rng(5).permutation(len(order))]


def test_shuffled_four_dimensional_object_becomes_two_phases(tmp_path):
    folder = tmp_path / "s"
    folder.mkdir()
    enhanced(shuffled()).save_as(folder / "one", enforce_file_format=True)
    found = take_inventory(request(folder), tmp_path / "work")
    rows = sorted(found["series"], key=lambda row: row["phase_pct"])
    assert [(r["verdict"], r["phase_pct"], r["phase_source"], r["n_slices"]) for r in rows] == [
        ("accepted", 30.0, "functional_groups", SLICES),
        ("accepted", 70.0, "functional_groups", SLICES),
    ]
    assert len(found["plans"]) == 2
    for plan in map(SeriesPlan.model_validate, found["plans"]):
        with frame_decoder(30, 2048) as decoder:
            read = read_stack(plan, [folder / "one"], decoder, Grid.of_plan(plan).whole)
        np.testing.assert_array_equal(read.values, expected_hu() + (100 if plan.phase_pct == 70 else 0))
        assert plan.spacing == pytest.approx([COLUMN_SPACING, ROW_SPACING, SLICE_SPACING])
        assert plan.size == (COLUMNS, ROWS, SLICES)


def test_trigger_delay_over_interval_gives_the_phase(tmp_path):
    def spoil(ds):
        for group in ds.PerFrameFunctionalGroupsSequence:
            cardiac = group.CardiacSynchronizationSequence[0]
            cardiac.NominalCardiacTriggerDelayTime = 9.0 * cardiac.NominalPercentageOfCardiacPhase
            del cardiac.NominalPercentageOfCardiacPhase

    folder = tmp_path / "s"
    folder.mkdir()
    enhanced(shuffled(), spoil=spoil).save_as(folder / "one", enforce_file_format=True)
    found = take_inventory(request(folder), tmp_path / "work")
    assert sorted(p["phase_pct"] for p in found["plans"]) == [30.0, 70.0]


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda ds: delattr(ds, "PerFrameFunctionalGroupsSequence"), "no_position"),
        (lambda ds: delattr(ds, "SharedFunctionalGroupsSequence"), "no_orientation"),
        (lambda ds: setattr(ds, "PixelData", ds.PixelData[:-2000]), "truncated_pixels"),
        (lambda ds: ds.PerFrameFunctionalGroupsSequence.pop(3), "missing_slices"),
    ],
)
def test_faults_of_multiframe_objects(tmp_path, spoil, code):
    folder = tmp_path / "s"
    folder.mkdir()
    order = [(k, 0) for k in range(SLICES)]
    enhanced(order, spoil=spoil).save_as(folder / "one", enforce_file_format=True)
    found = take_inventory(request(folder), tmp_path / "work")
    assert any(code in codes_of(row) for row in found["series"])
    assert found["plans"] == []


def test_legacy_converted_object_of_highdicom_reads_like_its_slices(tmp_path):
    from highdicom.legacy import LegacyConvertedEnhancedCTImage

    slices = [slice_dataset(k) for k in (3, 0, 7, 1, 2, 11, 4, 5, 6, 8, 10, 9)]
    for ds in slices:
        ds.AccessionNumber = ds.StudyDate = ds.StudyTime = ds.StudyID = ""
        ds.ReferringPhysicianName = ""
        ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = ""
        ds.Manufacturer, ds.SoftwareVersions, ds.KVP = "made up", "1", 100
    converted = LegacyConvertedEnhancedCTImage(
        slices, series_instance_uid=uid(3, 8), series_number=8, sop_instance_uid=uid(1, 8), instance_number=1
    )
    folder = tmp_path / "s"
    folder.mkdir()
    converted.save_as(folder / "one")
    found = take_inventory(request(folder, privacy={"policy": "report_only"}), tmp_path / "work")
    (row,) = found["series"]
    assert row["n_slices"] == SLICES, row
    assert row["slice_spacing_mm"] == pytest.approx(SLICE_SPACING)
    plan = SeriesPlan.model_validate(*found["plans"])
    with frame_decoder(30, 2048) as decoder:
        read = read_stack(plan, [folder / "one"], decoder, Grid.of_plan(plan).whole)
    np.testing.assert_array_equal(read.values, expected_hu())
