"""True values against closed forms that have nothing to do with the invented heart. Lengths mm, areas mm2."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import shapely

from outflow_cohort.demo import true_planes
from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import DEVICES, DemoDevice, DemoPlan, heart_case, plans_of, prosthesis_of
from outflow_cohort.demo.heart_case import HeartCase
from outflow_cohort.demo.random_cases import KINDS, random_case
from outflow_cohort.demo.ring_shape import RingShape
from outflow_cohort.demo.settings import load_settings
from outflow_cohort.demo.true_device import true_solids
from outflow_cohort.demo.true_sections import (
    SKETCH,
    LumenSamples,
    SectionPlane,
    Steps,
    TrueOutflow,
    circumcircle,
    outlines,
)


@pytest.mark.parametrize("tilt", [0.0, 35.0])
def test_outline_of_a_cylinder_is_the_ellipse_of_the_cut(tilt: float) -> None:
    angle = np.radians(tilt)
    u = np.array([np.cos(angle), 0.0, np.sin(angle)])
    plane = SectionPlane(np.array([0.4, 0.2, 0.0]), u, np.array([0.0, 1.0, 0.0]))
    samples = LumenSamples.of(plane, lambda p: np.hypot(p[..., 0], p[..., 1]) - 10.0, 0.1)
    (polygon,) = outlines(samples.a, samples.b, samples.values)
    # a plane tilted by t cuts a cylinder in an ellipse of area pi r² / cos t
    assert polygon.area == pytest.approx(np.pi * 100.0 / np.cos(angle), rel=3e-5)


def test_circumcircle_of_a_right_triangle_is_its_hypotenuse() -> None:
    center, radius = circumcircle(np.array([[0.0, 0.0, 1.0], [6.0, 0.0, 1.0], [0.0, 8.0, 1.0]]))
    assert center == pytest.approx([3.0, 4.0, 1.0])
    assert radius == pytest.approx(5.0)


def test_round_ring_has_the_measures_of_a_circle() -> None:
    values = {
        (name, variant): value
        for name, variant, value, _ in true_planes.ring_values(HeartPhase(HeartCase(ring=RingShape(14.0)), 75.0))
    }
    assert values["mitral_area", "spline"] == pytest.approx(np.pi * 196.0)
    assert values["mitral_perimeter", "projected"] == pytest.approx(2 * np.pi * 14.0, rel=1e-7)
    for variant in ("area", "perimeter", "max", "min", "septal_lateral", "intercommissural", "circle_fit"):
        assert values["mitral_diameter", variant] == pytest.approx(28.0, rel=1e-5), variant
    # a chord that subtends twice the trigone angle
    chord = 2 * 14.0 * np.sin(np.radians(HeartCase().trigone_angle))
    assert values["mitral_diameter", "intertrigonal"] == pytest.approx(chord)
    assert values["mitral_nonplanarity", "range"] == pytest.approx(0.0, abs=1e-9)


def test_annulus_perimeter_agrees_with_a_table_of_the_elliptic_integral() -> None:
    # E(m = 0.5) = 1.3506438810 (Abramowitz & Stegun 1964, table 17.1)
    ratio = np.sqrt(0.5)
    longer = (1 - ratio) / (1 + ratio)
    heart = HeartPhase(HeartCase(annulus_radius=10.0, annulus_longer=float(longer)), 75.0)
    values = {name + variant: value for name, variant, value, _ in true_planes.aortic_values(heart)}
    long_axis = 10.0 * (1 + longer)
    assert values["aortic_perimeter"] == pytest.approx(4 * long_axis * 1.3506438810, rel=1e-9)


def _solids(heart: HeartPhase, device: DemoDevice, plan: DemoPlan) -> dict:
    return true_solids(heart, device, plan, None)


def test_section_values_converge_with_the_sampling() -> None:
    case = random_case(7, "narrow")
    heart = HeartPhase(case.heart, case.phase_pct)
    outflow = TrueOutflow(heart)
    solid = _solids(heart, case.device, case.plan)["full_frame"]
    station = outflow.smallest(solid, Steps(2.0, 1.0, 0.5, 0.25)).station
    coarse, fine, finest = (outflow.section(station, solid, step).area for step in (0.2, 0.1, 0.05))
    assert fine == pytest.approx(finest, rel=2e-4)
    assert abs(coarse - finest) > abs(fine - finest)


def test_smallest_section_is_no_larger_than_any_other_in_range() -> None:
    case = random_case(15, "bulge")
    heart = HeartPhase(case.heart, 40.0)
    outflow = TrueOutflow(heart)
    solid = _solids(heart, case.device, case.plan)["full_frame"]
    best = outflow.smallest(solid, Steps(1.0, 0.5, 0.25, 0.25))
    end = outflow.last_station(solid)
    assert end <= best.station <= 0.0
    for station in np.linspace(end, 0.0, 23):
        assert outflow.section(float(station), solid, 0.25).area >= best.area - 0.02
    # the residual lumen, cut out of the native one, and at a distance of the device
    assert best.area <= best.native_area
    assert best.septum_distance >= 0.0


def test_last_station_touches_the_solid_and_the_next_plane_misses_it() -> None:
    heart = HeartPhase(HeartCase(), 40.0)
    outflow = TrueOutflow(heart)
    solid = _solids(heart, DEVICES[2], DemoPlan("P", "d", 18.0))["full_frame"]
    end = outflow.last_station(solid)
    rims = solid.half_rims()

    def lowest(station: float) -> float:
        (point,), (tangent,) = outflow.path.at(station)
        return float(((rims - point) @ tangent).min())

    assert lowest(end) == pytest.approx(0.0, abs=1e-4)
    assert lowest(end - 0.01) > 0.0
    # dense points of the half-solid, not its rims: none lies farther upstream
    z, r, phi = np.meshgrid(
        np.linspace(0.0, 23.0, 60), np.linspace(0.0, 1.0, 20), np.linspace(-np.pi / 2, np.pi / 2, 60)
    )
    radius = r * np.interp(z, solid.stations, solid.diameters) / 2.0
    across = np.cross(solid.axis, solid.side)
    points = (
        solid.start
        + z[..., None] * solid.axis
        + (radius * np.cos(phi))[..., None] * solid.side
        + (radius * np.sin(phi))[..., None] * across
    )
    (point,), (tangent,) = outflow.path.at(end)
    assert ((points - point) @ tangent).min() > -1e-3


def test_random_cases_repeat_and_cover_their_kinds() -> None:
    for seed in range(len(KINDS)):
        assert random_case(seed) == random_case(seed)
        assert random_case(seed).kind == KINDS[seed]
    assert random_case(1).heart != random_case(1 + len(KINDS)).heart
    with pytest.raises(ValueError, match="known: plain"):
        random_case(1, "none")


def test_random_cases_hold_narrow_and_parted_channels() -> None:
    rough = Steps(2.0, 1.0, 1.0, 0.5)
    areas, parts = [], []
    for seed in (1, 7, 19, 2, 8, 20):
        case = random_case(seed)
        heart = HeartPhase(case.heart, case.phase_pct)
        section = TrueOutflow(heart).smallest(_solids(heart, case.device, case.plan)["full_frame"], rough)
        areas.append(section.area)
        parts.append(len(section.residual.geoms))
    assert min(areas) < 80.0
    assert max(parts) == 2


def test_ventricle_volume_of_a_smooth_heart_is_near_its_body_of_revolution() -> None:
    case = HeartCase(bulge=0.0)
    heart = HeartPhase(case, 40.0)
    rx, ry, power, _ = heart.lv_axes
    # volume of (x/a)² + (y/b)² + (h/L)^p < 1, h > 0: pi a b L p / (p + 1)
    body = np.pi * rx * ry * heart.lv_length * power / (power + 1.0) / 1000.0
    papillary = 2.0
    assert true_planes.ventricle_volume(heart) == pytest.approx(body - papillary, rel=0.12)


def test_half_plane_beyond_the_annulus_is_on_the_right_side() -> None:
    heart = HeartPhase(HeartCase(), 40.0)
    outflow = TrueOutflow(heart)
    plane = outflow.plane(-6.0)
    beyond = outflow._beyond(plane)
    a, b = np.meshgrid(np.linspace(-40, 40, 41), np.linspace(-40, 40, 41))
    height = (plane.lift(a, b) - heart.aortic_center) @ heart.aortic_axes[2]
    inside = shapely.contains_xy(beyond, a, b)
    clear = np.abs(height - 1.0) > 1e-6
    assert np.array_equal(inside[clear], (height > 1.0)[clear])


@pytest.mark.parametrize(
    ("case_id", "phase", "depth", "solid", "is_open"),
    [
        ("D07", 40.0, 18.0, "full_frame", False),  # obstructs at end-systole only
        ("D07", 75.0, 18.0, "full_frame", True),
        ("D08", 40.0, 18.0, "full_frame", False),  # open by its covered part
        ("D08", 40.0, 18.0, "skirt", True),
        ("D09", 40.0, 18.0, "full_frame", False),  # open a few millimetres less deep
        ("D09", 40.0, 14.0, "full_frame", True),
        ("D10", 40.0, 10.0, "full_frame", False),  # never open
    ],
)
def test_stories_of_the_failed_bioprostheses(case_id: str, phase: float, depth: float, solid: str, is_open: bool):
    case = load_settings(Path(__file__).parents[2] / "config/demo.yaml").case(case_id)
    heart = HeartPhase(heart_case(case), phase)
    planned = plans_of(case)[0]
    device = next(d for d in DEVICES if d.device_id == planned.device_id)
    plan = dataclasses.replace(planned, depth=depth)
    area = TrueOutflow(heart).smallest(true_solids(heart, device, plan, prosthesis_of(case))[solid], SKETCH).area
    assert (area > 190.0) if is_open else (area < 165.0)
