"""DICOM files that leave here, judged by an independent validator: dciodvfy of Debian's dicom3tools.

It knows the modules, value representations and enumerated values of PS3.3; a private coding scheme and a missing study
date (there is none to give) are only warnings to it.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from test_landmark_files import some_reading
from test_measurement_report import rows
from test_shapes import LABEL, ball, barrel, evidence

from outflow_cohort.interchange.landmark_writers import evidence_of, write_report, write_structure_set
from outflow_cohort.interchange.measurement_report import write_measurement_report
from outflow_cohort.interchange.shape_writers import write_segmentation
from outflow_cohort.interchange.shapes import label_map

pytestmark = pytest.mark.skipif(not shutil.which("dciodvfy"), reason="needs Debian's dicom3tools")


def errors_of(path: Path) -> list[str]:
    done = subprocess.run(["dciodvfy", "-new", str(path)], capture_output=True, text=True, check=False)
    told = done.stderr.splitlines()
    assert told
    return [line for line in told if line.startswith(("Error", "Abort"))]


@pytest.mark.parametrize("writer", [write_report, write_structure_set])
def test_landmarks_conform(tmp_path: Path, writer):
    writer(tmp_path / "x.dcm", LABEL, some_reading(), evidence_of(LABEL))
    assert errors_of(tmp_path / "x.dcm") == []


def test_measurements_conform(tmp_path: Path):
    write_measurement_report(tmp_path / "x.dcm", "C007", rows())
    assert errors_of(tmp_path / "x.dcm") == []


def test_the_segmentation_conforms(tmp_path: Path):
    depth = ball(np.eye(3))
    labels = label_map(depth, depth, barrel())
    write_segmentation(tmp_path / "x.dcm", labels, depth, LABEL, "p1", evidence(depth))
    assert errors_of(tmp_path / "x.dcm") == []


def test_the_validator_does_find_an_error(tmp_path: Path):
    """Else an empty list above would say nothing."""
    import pydicom

    write_structure_set(tmp_path / "x.dcm", LABEL, some_reading(), evidence_of(LABEL))
    broken = pydicom.dcmread(tmp_path / "x.dcm")
    broken.ROIContourSequence[0].ContourSequence[0].ContourGeometricType = "CLOSED_NONPLANAR"
    broken.save_as(tmp_path / "y.dcm")
    assert any("ContourGeometricType" in line for line in errors_of(tmp_path / "y.dcm"))
