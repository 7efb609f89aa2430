"""The film strip of a case sheet: one field in all phases, carried phases told from marked ones."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from outflow_cohort.handover.drawing import DrawnReading
from outflow_cohort.report.case_data import ReadValue
from outflow_cohort.report.film_frames import FIELD_MM, FILM_RING, FILM_SECTION, film_frames
from outflow_cohort.report.film_strip import film_note, film_strip
from outflow_cohort.report.pictures import read_pictures, reference_drawings, take_pictures
from outflow_geometry.base.frames import Volume

ANGLES = np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False)


def drawing(phase: float, carried_from: float | None, methods: tuple[str, ...]) -> DrawnReading:
    radius = 14.0 + phase / 40.0
    contour = np.stack([radius * np.cos(ANGLES), radius * np.sin(ANGLES), 0.0 * ANGLES], axis=1)
    section = {
        "point": [0.0, 18.0, -12.0], "normal": [0.0, 0.6, 0.8], "u": [1.0, 0.0, 0.0], "v": [0.0, 0.8, -0.6],
        "station_mm": -10.0, "area_mm2": 100.0 + phase, "ci_low": None, "ci_high": None, "residual": [[[-8, 0], [8, 0], [8, 5], [-8, 5]]], "blood": [], "device": [],
    }  # fmt: skip
    ring = {"center": [0.0, 0.0, 0.0], "normal": [0.0, 0.0, -1.0], "contour": contour.tolist(), "points": []}
    drawn = {
        "ring": ring | {"d_contour": None},
        "aorta": {"center": [0.0, 30.0, 5.0], "normal": [0.0, 0.0, 1.0], "hinges": None, "contour": None},
        "plans": {"P1": {"axis_point": [0.0, 0.0, 0.0], "sections": {f"full_frame|{m}": section for m in methods}}},
    }  # fmt: skip
    origin = "marked" if carried_from is None else "carried"
    return DrawnReading(
        phase_pct=phase, reader_id="ash", read_no=1, carried_from_pct=carried_from, landmark_origin=origin, drawn=drawn
    )


BOTH, AUTOMATIC = ("reader_path", "automatic_path"), ("automatic_path",)
DRAWINGS = [drawing(40.0, None, BOTH), drawing(50.0, 40.0, AUTOMATIC), drawing(80.0, None, BOTH)]


@dataclass
class Case:
    """What the strip asks of a case."""

    drawings: list[DrawnReading]
    values: list[ReadValue] = field(default_factory=list)

    @property
    def pictures(self) -> list[Any]:
        volume = Volume(np.zeros((40, 40, 40), np.int16), np.full(3, -40.0), np.eye(3), np.full(3, 2.0))
        return read_pictures(
            take_pictures({d.phase_pct: volume for d in self.drawings}, [], film_frames(self.drawings))
        )

    @property
    def phases(self) -> list[float]:
        return [d.phase_pct for d in self.drawings]

    def drawing(self, phase: float) -> Any:
        return next(d for d in reference_drawings(self.drawings) if d.phase_pct == phase)

    def first(self, measure: str, variant: str, **wanted: Any) -> ReadValue | None:
        return next((v for v in self.values if all(getattr(v, k) == w for k, w in wanted.items())), None)


def test_every_phase_is_pictured_in_one_field_along_the_path_that_all_have() -> None:
    frames = film_frames(DRAWINGS)
    assert [(f.name, f.phase_pct) for f in frames] == [
        (name, phase) for phase in (40.0, 50.0, 80.0) for name in (FILM_RING, FILM_SECTION)
    ]
    assert {f.solid_method for f in frames if f.name == FILM_SECTION} == {"full_frame|automatic_path"}
    for frame in frames:
        assert frame.shape[0] == frame.shape[1]
        assert (frame.shape[0] - 1) * frame.spacing == pytest.approx(FIELD_MM[frame.name], abs=frame.spacing)
        center = [0.0, 0.0, 0.0] if frame.name == FILM_RING else [0.0, 18.0, -12.0]
        assert frame.place([center])[0] == pytest.approx([(frame.shape[0] - 1) / 2] * 2)
    both = [drawing(40.0, None, BOTH), drawing(80.0, None, BOTH)]
    assert {f.solid_method for f in film_frames(both) if f.name == FILM_SECTION} == {"full_frame|reader_path"}
    assert film_frames(DRAWINGS[:1]) == []


def test_carried_phases_are_dashed_and_say_where_they_come_from() -> None:
    value = ReadValue(
        phase_pct=50.0, reader_id="ash", read_no=1, plan_id="P1", measure="neo_lvot_area", variant="full_frame",
        method="automatic_path", value=150.0, unit="mm2", ci_low=120.0, ci_high=180.0, status="two_lobes",
        carried_from_pct=40.0,
    )  # fmt: skip
    case = Case(DRAWINGS, [value, replace(value, phase_pct=80.0, value=300.0, status="ok")])
    figures = film_strip(case)  # type: ignore[arg-type]
    drawn = [f.drawing.standalone() for f in figures]
    assert [(">from 40 %<" in d, ">marked<" in d, "stroke-dasharray" in d) for d in drawn] == [
        (False, True, False),
        (True, False, True),
        (False, True, False),
    ]
    assert [f.caption for f in figures] == ["140 mm².", "150 (120 to 180) mm²: two lobes.", "300 (120 to 180) mm²."]
    assert "Open ring and dashed lines: carried" in film_note(case)  # type: ignore[arg-type]
    marked = Case([DRAWINGS[0], DRAWINGS[2]])
    assert "dashed" not in film_note(marked)  # type: ignore[arg-type]
    assert film_strip(Case(DRAWINGS[:1])) == []  # type: ignore[arg-type]
