"""Redrawn sections against measuring each redrawn reading anew, in a closed-form channel."""

import numpy as np
import pytest
from channels import Channel

from outflow_geometry.anatomy import Anatomy, build_anatomy
from outflow_geometry.errors import GeometryError
from outflow_geometry.image_findings import PhaseFindings
from outflow_geometry.inputs import Definitions
from outflow_geometry.phase_image import PhaseImage
from outflow_geometry.plan_sections import PlanSections, ReadingLumen
from outflow_geometry.redrawn_sections import CURVE_DRAWS, PlanRedraws
from outflow_geometry.settling import settled_landmarks
from outflow_geometry.uncertainty import redrawn_landmarks

SD = 0.5


def middle_of(marks: dict[str, np.ndarray], chosen: Definitions) -> Anatomy:
    return build_anatomy(settled_landmarks(marks, chosen.landmark_sd), checked=False)


def test_scatter_along_the_curve_is_that_of_curves_measured_anew() -> None:
    channel = Channel(bulge=3.0)
    image, lumen = PhaseImage(channel.image()), channel.lumen()
    path = channel.pose(channel.path_points([-30.0, -22.0, -14.0, -6.0, 3.0]))
    marks = {name: np.asarray(points) for name, points in channel.anatomy().landmarks.items()} | {"outflow_path": path}
    chosen = Definitions(solids=("full_frame",), landmark_sd={"default": SD}, station_step=3.0)

    def sections_of(landmarks: dict[str, np.ndarray]) -> PlanSections:
        found = PhaseFindings(image, build_anatomy(landmarks), _found={"lumen": lumen, "level": lumen.level})
        return PlanSections(channel.plan(), None, chosen, ReadingLumen(found))

    scattered = redrawn_landmarks(marks, {"default": SD}, CURVE_DRAWS, 1)
    redraws = PlanRedraws(
        sections_of(marks), middle_of(marks, chosen), [build_anatomy(m, checked=False) for m in scattered]
    )
    stations, shift, sd = redraws.curve_scatter("full_frame", "reader_path")
    own = redraws.sections.curves("reader_path")
    assert np.allclose(stations, own.stations)
    anew = [sections_of(m).curves("reader_path") for m in scattered]
    areas = np.array([np.interp(stations, c.stations, c.areas["full_frame"], left=np.nan) for c in anew])
    reached = np.isfinite(areas).all(axis=0)  # a redrawn path may begin later
    assert reached.sum() >= 9
    # the scan's areas are right to 1.5 percent each
    assert sd[reached] == pytest.approx(areas[:, reached].std(axis=0, ddof=1), rel=0.1, abs=1.0)
    # five path points are the path: the reading itself is the middle of the draws, scanned to 1.5 percent like them
    area = own.areas["full_frame"][reached]
    assert np.all(np.abs(shift[reached] - (areas[:, reached].mean(axis=0) - area)) <= 0.015 * area + 1.0)


def test_a_reading_without_section_has_no_bottleneck_in_its_draws() -> None:
    # a path scattered like this turns back on itself, where planes miss the tract; its settled course does not
    channel = Channel()
    image, lumen = PhaseImage(channel.image()), channel.lumen()
    path = np.asarray(channel.pose(channel.path_points(np.linspace(-30.0, 3.0, 18))))
    path = path + 1.5 * np.random.default_rng(0).standard_normal(path.shape)
    marks = {name: np.asarray(points) for name, points in channel.anatomy().landmarks.items()} | {"outflow_path": path}
    chosen = Definitions(solids=("full_frame",), landmark_sd={"default": SD, "outflow_path": 1.5})
    found = PhaseFindings(image, build_anatomy(marks), _found={"lumen": lumen, "level": lumen.level})
    sections = PlanSections(channel.plan(), None, chosen, ReadingLumen(found))
    assert sections.smallest("full_frame", "reader_path").status == "no_section"
    scattered = redrawn_landmarks(marks, chosen.landmark_sd, 4, 1)
    redraws = PlanRedraws(sections, middle_of(marks, chosen), [build_anatomy(m, checked=False) for m in scattered])
    assert np.isfinite(redraws.areas_along_path("full_frame", "reader_path")[-1])
    with pytest.raises(GeometryError, match="no section"):
        redraws.each()[-1].bottleneck("full_frame", "reader_path")
