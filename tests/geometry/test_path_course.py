"""The reader's path between its clicks: against simulated curves, and sections that few clicks leave open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from channels import Channel
from test_redrawn_sections import read

from outflow_cohort.demo.landmarks import OutflowCurve
from outflow_cohort.demo.rough_hearts import rough_heart
from outflow_geometry.base.findings import UNTROUBLED
from outflow_geometry.base.frames import Plane, unit
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.outflow_path import LONGEST_EXTENSION, reader_path
from outflow_geometry.outflow.path_course import CURVATURE, CURVATURE_LENGTH, SQUARE, PathCourse, path_course
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.outflow.sparse_clicks import clicks_too_sparse
from outflow_geometry.scatter.redrawn_sections import PlanRedraws

STEP, LENGTH, BEYOND = 0.5, 50.0, 6.0
PLANE = Plane.from_normal([0.0, 0.0, 0.0], [0.0, 0.0, 1.0])


def straight_course(count: int, rest: float = 0.0) -> PathCourse:
    """Course of clicks on a straight line through the annulus."""
    places = np.linspace(BEYOND - LENGTH, BEYOND, count)
    return path_course(np.outer(places, [0.0, 0.0, 1.0]), PLANE, rest, LONGEST_EXTENSION)


def random_courses(number: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places (f,), one coordinate (f, number) of curves with the prior's curvature, and their slopes, by steps."""
    fine = np.arange(0.0, LENGTH + STEP / 2, STEP)
    keep = np.exp(-STEP / CURVATURE_LENGTH)
    bend = CURVATURE * rng.standard_normal(number)
    place, slope = 50.0 * rng.standard_normal(number), 2.0 * rng.standard_normal(number)
    places, slopes = [place], [slope]
    for _ in fine[1:]:
        slope = slope + STEP * bend
        place = place + STEP * slope
        bend = keep * bend + CURVATURE * np.sqrt(1.0 - keep**2) * rng.standard_normal(number)
        places.append(place)
        slopes.append(slope)
    return fine, np.array(places), np.array(slopes)


@pytest.mark.parametrize("count", [3, 4, 6, 9])
def test_what_clicks_leave_open_is_what_they_do_not_tell_of_simulated_curves(count: int) -> None:
    fine, places, slopes = random_courses(4000, np.random.default_rng(count))
    course = straight_course(count)
    clicked = places[np.rint(np.linspace(0.0, LENGTH, count) / STEP).astype(int)]
    seen = np.vstack([clicked, np.ones(clicked.shape[1])])

    def left_open(values: np.ndarray) -> np.ndarray:
        """Standard deviation of `values` (..., n) about the best line through the clicks, and the annulus' direction."""
        fit = np.linalg.lstsq(seen.T, values.T, rcond=None)[0]
        return (values - (seen.T @ fit).T).std(axis=1)

    at_knots = np.array([np.interp(course.knots, fine, one) for one in places.T]).T
    expected = np.sqrt(np.sum(course.between**2, axis=1))
    assert left_open(at_knots) == pytest.approx(expected, rel=0.08, abs=0.03)
    # the direction in the annulus is seen too, as well as the tract is square to it
    inside = int(np.rint((LENGTH - BEYOND) / STEP))
    noise = np.radians(SQUARE) * np.random.default_rng(1).standard_normal(slopes.shape[1])
    seen = np.vstack([seen, slopes[inside] + noise])
    within = course.knots[1:-1]
    tilt = np.degrees(left_open(np.array([np.interp(within, fine, one) for one in slopes.T]).T))
    # the simulation knows slopes to half a step along the curve
    assert tilt == pytest.approx(course.tilt[1:-1], rel=0.1, abs=0.2)


def test_dense_exact_clicks_are_passed_through_however_askew_the_path_meets_the_annulus() -> None:
    turned = unit(np.array([np.sin(0.3), 0.0, np.cos(0.3)]))
    clicks = np.outer(np.linspace(-40.0, 6.0, 24), turned)
    course = path_course(clicks, PLANE, 0.0, LONGEST_EXTENSION)
    places = course.places(clicks[:, None], PLANE.normal[None])[:, 0]
    assert np.abs(places - course.from_clicks @ clicks).max() < 0.01
    assert course.tilt_near(np.array([-12.0]), 8.0)[0] < 0.5
    # 0.3 rad off the normal, to 5 degrees and what the clicks leave open
    assert course.surprise == pytest.approx(0.3 / np.radians(SQUARE), rel=0.02)


def test_few_clicks_turn_into_the_annulus_as_the_tract_does() -> None:
    """A tract that runs straight, then turns by 25 degrees over 12 mm and passes the annulus square."""
    station = np.arange(-60.0, 20.0, 0.1)
    angle = np.radians(25.0) * np.clip(-station / 12.0, 0.0, 1.0)
    curve = np.cumsum(0.1 * np.stack([np.sin(angle), 0.0 * angle, np.cos(angle)], axis=1), axis=0)
    curve -= curve[np.argmin(np.abs(station))]
    for count, worst in ((3, 5.0), (4, 5.0), (6, 4.0), (10, 3.0), (30, 1.0)):
        wanted = np.linspace(-40.0, 7.0, count)
        clicks = np.stack([np.interp(wanted, station, curve[:, axis]) for axis in range(3)], axis=1)
        course = path_course(clicks, PLANE, 0.0, LONGEST_EXTENSION)
        ends = course.places(clicks[:, None], PLANE.normal[None])[:, 0]
        slope = np.gradient(ends, course.knots, axis=0)
        at = unit(np.array([np.interp(course.annulus, course.knots, slope[:, axis]) for axis in range(3)]))
        assert np.degrees(np.arccos(at @ PLANE.normal)) < worst, count
        # exact clicks stay on the path
        apart = np.linalg.norm(clicks[:, None] - ends, axis=2).min(axis=1)
        assert apart.max() < 0.05, count


def test_a_path_that_runs_back_through_the_annulus_is_left_as_it_is() -> None:
    """No path from ventricle to aorta: turning it round would give it a course that nobody clicked."""
    clicks = np.array([[6.0, 0.0, -30.0], [3.0, 0.0, -15.0], [-1.0, 0.0, 3.0]])
    course = path_course(clicks, PLANE, 0.0, LONGEST_EXTENSION)
    spline = course.from_clicks @ clicks
    assert np.abs(course.places(clicks[:, None], PLANE.normal[None])[:, 0] - spline).max() > 0.5
    assert np.array_equal(course.places(clicks[:, None], -PLANE.normal[None])[:, 0], spline)


def test_a_path_that_ends_short_of_the_annulus_reaches_it() -> None:
    anatomy = build_anatomy(dict(Channel().anatomy().landmarks))
    points = np.asarray(Channel().pose(Channel().path_points(np.linspace(-30.0, -4.0, 9))))
    path = reader_path(points, anatomy, 0.5)
    assert path.first < -25.0
    assert abs(float(anatomy.aortic_plane.height(path.at(0.0)[0]))) < 1e-3


def test_the_section_of_a_sparse_path_says_so_and_that_of_a_dense_one_does_not() -> None:
    for count in (2, 3):
        found = read(Channel(bulge=3.0), np.linspace(-30.0, 3.0, count)).sections()
        assert found.section("full_frame", "reader_path").status == "path_sparse"
        assert found.bottleneck("full_frame", "reader_path")[1] == "path_sparse"
    for count in (8, 12, 30):
        found = read(Channel(bulge=3.0), np.linspace(-30.0, 3.0, count)).sections()
        assert found.section("full_frame", "reader_path").status == "ok", count


@pytest.mark.parametrize(("count", "askew", "sparse"), [(5, 0.35, True), (5, 0.1, False), (12, 0.35, False)])
def test_clicks_that_contradict_what_is_assumed_of_them_count_only_where_they_are_dense(
    count: int, askew: float, sparse: bool
) -> None:
    found = read(Channel(bulge=3.0), np.linspace(-30.0, 3.0, 12)).sections()
    anatomy = found.reading.anatomy
    normal, across = anatomy.aortic_plane.normal, anatomy.aortic_plane.u
    line = unit(np.cos(askew) * normal + np.sin(askew) * across)
    clicks = anatomy.aortic_center + np.outer(np.linspace(-40.0, 4.0, count), line)
    course = path_course(clicks, anatomy.aortic_plane, 0.0, LONGEST_EXTENSION)
    assert [sparse] == clicks_too_sparse(
        found.reading.lumen("reader_path"), found.path("reader_path"), course, anatomy, [found.solid("full_frame")],
        np.array([-8.0]), Definitions(),
    )  # fmt: skip


@pytest.mark.parametrize("bend", [0.0, 0.02])
def test_few_and_many_clicks_on_one_curve_give_one_value_and_one_interval(bend: float) -> None:
    areas, scatter = [], []
    for count in (5, 6, 10, 30):
        reading = read(Channel(bulge=3.0, bend=bend), np.linspace(-30.0, 3.0, count))
        areas.append(reading.sections().section("full_frame", "reader_path").area)
        scatter.append(np.nanstd(reading.redraws(120).numbers("full_frame", "reader_path")[:, 0]))
    assert max(areas) < 1.02 * min(areas)
    # of 120 draws a standard deviation is known to 6.5 percent
    assert np.abs(np.array(scatter) / np.mean(scatter) - 1.0).max() < 0.2


def test_a_tight_heart_clicked_with_few_and_with_many_points() -> None:
    """An invented heart whose section shrinks by a tenth where planes lean by 5 degrees (rough heart 100, narrow)."""
    rough = rough_heart(100, spacing=0.75, streaks=0.0, steps=0.0, kind="narrow")
    rough = replace(rough, supersample=1)
    anatomy, curve = build_anatomy(rough.landmarks), OutflowCurve(rough.heart)
    lumen = PhaseFindings(PhaseImage(rough.image()), anatomy).lumen
    found, spread = {}, {}
    for count in (3, 4, 8, 12, 30):
        points, _ = curve.at(np.linspace(max(curve.first, -45.0), 7.0, count))
        marks = {**rough.landmarks, "outflow_path": rough.heart.to_patient(points)}
        findings = PhaseFindings(None, build_anatomy(marks), _found={"lumen": lumen})
        chosen = Definitions(solids=("full_frame",), landmark_sd={"default": 0.7})
        sections = PlanSections(rough.plan, None, chosen, ReadingLumen(findings, 0.7))
        found[count] = sections.section("full_frame", "reader_path")
        # landmarks held: what is left is the open course alone
        still = PlanRedraws(sections, findings.anatomy, [findings.anatomy] * 60)
        spread[count] = float(np.nanstd(still.numbers("full_frame", "reader_path")[:, 0])) / found[count].area
    assert {count: section.status for count, section in found.items() if count <= 4} == {
        3: "path_sparse",
        4: "path_sparse",
    }
    assert all(found[count].status in UNTROUBLED for count in (8, 12, 30))
    areas = [found[count].area for count in (8, 12, 30)]
    assert max(areas) < 1.01 * min(areas)
    assert found[4].area == pytest.approx(found[30].area, rel=0.03)
    assert spread[4] > 0.03
    assert spread[30] < 0.01
