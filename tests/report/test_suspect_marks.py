"""Suspect points are marked on the plates at their place."""

from __future__ import annotations

import numpy as np

from outflow_cohort.handover.drawing import DrawnReading, Suspect
from outflow_cohort.report.pictures import PictureFrame
from outflow_cohort.report.plates import ON_RING, Plate, _mark_suspects
from outflow_cohort.steps.judge import suspect_places
from outflow_geometry.base.drawn import ReadingDrawing
from outflow_geometry.landmarks.findings import finding


def test_only_points_of_the_plate_are_marked() -> None:
    frame = PictureFrame("ring", 40.0, "", "", (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), 0.5, (101, 101))
    marks = (
        Suspect(structure="mitral_ring", point_no=3, at=[10.0, 10.0, 0.0]),
        Suspect(structure="lv_apex", point_no=1, at=[5.0, 5.0, 0.0]),
    )
    reading = DrawnReading(phase_pct=40.0, reader_id="ash", read_no=1, drawn=ReadingDrawing(), suspects=marks)
    for on_ring, name in ((True, "mitral ring 3"), (False, "lv apex 1")):
        plate = Plate(frame, "t", "d")
        _mark_suspects(plate, reading, on_ring)
        assert [label[2] for label in plate.labels] == [f"suspect: {name}"]
    assert "mitral_ring" in ON_RING


def test_places_are_those_of_the_points_found() -> None:
    ring = np.arange(12.0).reshape(4, 3)
    found = [finding("point_off_curve", "mitral_ring", 2), finding("ring_off_image", "mitral_ring")]
    assert suspect_places(found, {"mitral_ring": ring}) == (
        Suspect(structure="mitral_ring", point_no=2, at=[3.0, 4.0, 5.0]),
    )
