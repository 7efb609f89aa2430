"""Landmark files that general-purpose libraries wrote in their own way: rt-utils, plastimatch, highdicom, pydicom."""

from __future__ import annotations

import math
import shutil
import subprocess
from pathlib import Path

import highdicom as hd
import numpy as np
import pytest
import shapely
import SimpleITK as sitk
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from outflow_cohort.interchange.concepts import ReadingLabel
from outflow_cohort.interchange.landmark_files import read_dicom_landmarks
from outflow_cohort.interchange.landmark_writers import evidence_of

RT_UTILS = Path(__file__).parent / "data" / "rt_utils_ellipse.dcm"
PLASTIMATCH = RT_UTILS.with_name("plastimatch_ellipse.dcm")
XYZ = ["x_mm", "y_mm", "z_mm"]


def points_of(path: Path, structure: str) -> np.ndarray:
    problems: list = []
    frame = read_dicom_landmarks(path, problems)
    assert problems == []
    return frame[frame["structure"] == structure][XYZ].astype(float).to_numpy()


def test_a_structure_set_of_rt_utils():
    """Truth: the ellipse that the mask was drawn from (see data/README.md); pixels are 0.5 mm."""
    lies_on_the_ellipse(points_of(RT_UTILS, "mitral_ring"))
    sample = points_of(RT_UTILS, "blood_sample")
    assert set(sample[:, 2]) == {44.5}
    np.testing.assert_allclose(sample[:, :2].mean(axis=0), [-9.25, -19.25], atol=0.5)


def lies_on_the_ellipse(ring: np.ndarray) -> None:
    """The ellipse that the mask was drawn from; pixels are 0.5 mm."""
    assert len(ring) >= 40
    assert set(ring[:, 2]) == {47.5}
    radius = np.hypot((ring[:, 0] - 4) / 16, (ring[:, 1] + 6) / 14)
    assert np.abs(radius - 1).max() * 16 < 0.75  # a pixel's diagonal
    assert shapely.Polygon(ring[:, :2]).area == pytest.approx(math.pi * 16 * 14, rel=0.05)


def test_a_structure_set_of_plastimatch():
    lies_on_the_ellipse(points_of(PLASTIMATCH, "mitral_ring"))


@pytest.mark.skipif(not shutil.which("plastimatch"), reason="needs Debian's plastimatch")
def test_a_structure_set_that_plastimatch_writes_here(tmp_path: Path):
    k, j, i = np.indices((12, 96, 96))
    x, y = -20 + 0.5 * i, -30 + 0.5 * j
    mask = ((k == 5) & (((x - 4) / 16) ** 2 + ((y + 6) / 14) ** 2 <= 1)).astype(np.uint8)
    image = sitk.GetImageFromArray(mask)
    image.SetOrigin((-20, -30, 40))
    image.SetSpacing((0.5, 0.5, 1.5))
    sitk.WriteImage(image, str(tmp_path / "mask.nrrd"))
    (tmp_path / "list.txt").write_text("0|255\\0\\0|Mitral Ring\n")
    words = ["--input-ss-img", "mask.nrrd", "--input-ss-list", "list.txt", "--output-dicom", "out"]
    subprocess.run(["plastimatch", "convert", *words], cwd=tmp_path, check=True, capture_output=True)
    (written,) = (tmp_path / "out").glob("*.dcm")
    lies_on_the_ellipse(points_of(written, "mitral_ring"))


@pytest.mark.parametrize("named_by", ["finding", "tracking"])
def test_a_report_of_highdicom_with_other_codes(tmp_path: Path, named_by: str):
    """Names may stand in the tracking identifier or in the finding; points as POINT or POLYLINE."""
    evidence = evidence_of(ReadingLabel("C007", "x", 1, None))
    random = np.random.default_rng(1)
    shapes = {
        "Mitral Ring": (hd.sr.GraphicTypeValues3D.POLYLINE, random.uniform(-200, 200, (12, 3))),
        "LV-apex": (hd.sr.GraphicTypeValues3D.POINT, random.uniform(-200, 200, (1, 3))),
        "post tip": (hd.sr.GraphicTypeValues3D.POLYLINE, random.uniform(-200, 200, (3, 3))),
    }
    groups = []
    for name, (kind, points) in shapes.items():
        finding = Code("X1", "99OTHER", name) if named_by == "finding" else codes.SCT.AnatomicalStructure
        identifier = f"region {len(groups) + 1}" if named_by == "finding" else name
        groups.append(
            hd.sr.PlanarROIMeasurementsAndQualitativeEvaluations(
                tracking_identifier=hd.sr.TrackingIdentifier(hd.UID(), identifier=identifier),
                referenced_region=hd.sr.ImageRegion3D(kind, points, evidence.FrameOfReferenceUID),
                finding_type=finding,
                measurements=[hd.sr.Measurement(codes.SCT.Length, 3.0, Code("mm", "UCUM", "mm"))],
            )
        )
    observer = hd.sr.ObserverContext(codes.DCM.Person, hd.sr.PersonObserverIdentifyingAttributes(name="elm^"))
    report = hd.sr.MeasurementReport(
        observation_context=hd.sr.ObservationContext(observer_person_context=observer),
        procedure_reported=codes.LN.CTUnspecifiedBodyRegion,
        imaging_measurements=groups,
    )
    document = hd.sr.Comprehensive3DSR(
        [evidence], report, series_instance_uid=hd.UID(), series_number=1, sop_instance_uid=hd.UID(), instance_number=1,
        manufacturer="somebody else",
    )  # fmt: skip
    path = tmp_path / "other.dcm"
    document.save_as(path)
    for name, structure in (("Mitral Ring", "mitral_ring"), ("LV-apex", "lv_apex"), ("post tip", "post_tip")):
        np.testing.assert_allclose(points_of(path, structure), shapes[name][1], atol=1e-4)
    frame = read_dicom_landmarks(path, [])
    assert set(frame["case_id"]) == {"C007"}
    assert set(frame["reader_id"]) == {"elm"}


def test_a_study_reads_a_folder_of_mixed_landmark_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """A structure set beside a CSV; a name that the contract does not know is mapped in the settings."""
    from outflow_cohort.cli import EXIT_OK, EXIT_STUDY, main

    (tmp_path / "cases.csv").write_text("case_id\nC007\nC008\n")
    (tmp_path / "series.csv").write_text("case_id,dicom_dir,phase_pct\nC007,a,30\nC008,b,30\n")
    folder = tmp_path / "landmarks"
    folder.mkdir()
    (folder / "one.dcm").write_bytes(RT_UTILS.read_bytes())
    header = "case_id,phase_pct,reader_id,read_no,structure,point_no,x_mm,y_mm,z_mm\n"
    turns = [2 * math.pi * k / 12 for k in range(12)]
    rows = [
        f"C008,30,ash,1,annulus of mine,{k + 1},{16 * math.cos(t):.3f},{14 * math.sin(t):.3f},0\n"
        for k, t in enumerate(turns)
    ]
    (folder / "two.csv").write_text(header + "".join(rows))
    path = tmp_path / "study.yaml"
    path.write_text("study_id: mixed\nlandmarks: landmarks\n")
    assert main(["check", str(path)]) == EXIT_STUDY
    assert "annulus of mine" in capsys.readouterr().err
    path.write_text("study_id: mixed\nlandmarks: landmarks\nstructure_names: {annulus of mine: mitral_ring}\n")
    assert main(["check", str(path)]) == EXIT_OK
    drawing = capsys.readouterr().out
    assert "2 cases, 2 series, 2 readings" in drawing
