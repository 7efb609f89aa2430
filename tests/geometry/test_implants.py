"""A grid of implants: the numbers of single plans, order in depth and size, and what scatter makes of a chance."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from test_reading import CHOSEN, DEVICE, DRAWN, heart

from outflow_geometry.base.inputs import Device, ImplantGrid, Placement, Plan
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.landmarks.findings import LANDMARK_SUSPECT, LandmarkFinding
from outflow_geometry.landmarks.sizing import SizingTarget, fits
from outflow_geometry.measures.implants import ImplantReading, area_responses, implant_plan
from outflow_geometry.measures.judging import marked
from outflow_geometry.measures.reading import ReadingResult, measure_reading
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.outflow.smallest_planes import SMALLEST_RISE

SMALLER = Device("invented-34", 34.0, 28.0, 0.0, 16.0)
DEPTHS = (9.0, 15.0, 21.0)
SEARCH = SMALLEST_RISE / 4.0
"""mm2 to which the search for the smallest section ends."""
GRID = ImplantGrid((SMALLER, DEVICE), DEPTHS, (0.0, 6.0), (0.0,), ("full_frame", "skirt"), Placement(2.0, 3.0, 1.0))


@cache
def tried() -> ReadingResult:
    return measure_reading(replace(heart(), definitions=DRAWN, plans=(), implants=GRID))


def area(device: Device, depth: float, tilt: float, solid: str, method: str) -> float:
    wanted = (device.device_id, depth, tilt, solid, method)
    (one,) = [i for i in tried().implants if (i.device_id, i.depth, i.tilt_ap, i.solid, i.method) == wanted]
    assert one.area is not None
    return one.area


def test_an_implant_has_the_numbers_of_its_plan() -> None:
    plans = (Plan("P", DEVICE, 15.0, tilt_ap=6.0), Plan("Q", SMALLER, 21.0))
    alone = measure_reading(replace(heart(), definitions=CHOSEN, plans=plans))
    for plan in plans:
        for one in tried().implants:
            if (one.device_id, one.depth, one.tilt_ap) != (
                plan.device.device_id,
                plan.ventricular_depth,
                plan.tilt_ap,
            ):
                continue
            for measure, number in (
                ("neo_lvot_area", one.area),
                ("native_lvot_area", one.native_area),
                ("neo_lvot_station", one.station),
                ("device_septum_distance", one.septum_distance),
            ):
                (value,) = [
                    v
                    for v in alone.values
                    if (v.plan_id, v.measure, v.variant, v.method) == (plan.plan_id, measure, one.solid, one.method)
                ]
                assert number == pytest.approx(value.value, rel=1e-9), (measure, one)


def test_area_never_grows_with_depth_or_diameter_along_one_path() -> None:
    for solid in ("full_frame", "skirt"):
        for tilt in (0.0, 6.0):
            for device in (SMALLER, DEVICE):
                by_depth = [area(device, depth, tilt, solid, "reader_path") for depth in DEPTHS]
                assert np.all(np.diff(by_depth) <= SEARCH)
            for depth in DEPTHS:
                smaller, larger = (area(d, depth, tilt, solid, "reader_path") for d in (SMALLER, DEVICE))
                assert larger <= smaller + SEARCH


def test_the_response_is_that_of_implants_placed_anew() -> None:
    lumen = ReadingLumen(PhaseFindings(PhaseImage(heart().volume), build_anatomy(heart().landmarks)))
    plan = implant_plan(DEVICE, 15.0, 0.0, 0.0)
    sections = PlanSections(plan, None, CHOSEN, lumen)
    (response,) = area_responses([sections], "full_frame", "reader_path")
    assert response is not None
    for n, (name, step) in enumerate(
        (("ventricular_depth", 0.5), ("tilt_ap", 1.0), ("tilt_ic", 1.0), ("offset_ap", 0.5), ("offset_ic", 0.5))
    ):
        ends = [
            PlanSections(replace(plan, **{name: getattr(plan, name) + by}), None, CHOSEN, lumen)
            .section("full_frame", "reader_path")
            .area
            for by in (-step, step)
        ]
        assert response[n] == pytest.approx((ends[1] - ends[0]) / (2.0 * step), abs=1.5, rel=0.15), name


def test_a_chance_rests_on_landmarks_and_placement() -> None:
    (one,) = [
        i
        for i in tried().implants
        if (i.device_id, i.depth, i.tilt_ap, i.solid, i.method)
        == ("invented-38", 21.0, 0.0, "full_frame", "reader_path")
    ]
    total = math.hypot(one.landmark_sd, one.placement_sd)
    expected = 0.5 * math.erfc((one.area - 170.0) / (math.sqrt(2.0) * total))
    assert one.chance_below == {"A": pytest.approx(expected, abs=1e-4)}
    # without scatter and placement nothing is known of a chance
    held = replace(
        GRID, devices=(DEVICE,), depths=(21.0,), tilts_ap=(0.0,), solids=("full_frame",), placement=Placement()
    )
    plain = measure_reading(replace(heart(), definitions=replace(CHOSEN, draws=0), plans=(), implants=held))
    assert all(i.chance_below == {} and i.landmark_sd is None and i.placement_sd is None for i in plain.implants)


def test_landmark_scatter_of_an_implant_is_that_of_its_plan() -> None:
    alone = measure_reading(replace(heart(), definitions=DRAWN, plans=(Plan("P", DEVICE, 15.0),)))
    (value,) = [
        v for v in alone.values if (v.measure, v.variant, v.method) == ("neo_lvot_area", "full_frame", "reader_path")
    ]
    (one,) = [
        i
        for i in tried().implants
        if (i.device_id, i.depth, i.tilt_ap, i.solid, i.method)
        == ("invented-38", 15.0, 0.0, "full_frame", "reader_path")
    ]
    assert one.landmark_sd == pytest.approx(value.std_error, rel=0.3)


def test_an_implant_that_cannot_be_had_says_why() -> None:
    grid = ImplantGrid((Device("bare", 30.0, 20.0),), (12.0,), solids=("skirt",))
    found = measure_reading(replace(heart(), plans=(), implants=grid)).implants
    assert {i.status for i in found} == {"missing_covered_part"}
    assert all(i.area is None for i in found)


def test_a_device_fits_where_it_meets_all_of_its_targets() -> None:
    # a circle of 20 mm: 22 mm are 10 % over in diameter and perimeter, 21 % in area (1.1 squared)
    ring = (math.pi * 100.0, math.pi * 20.0)
    both = [SizingTarget("d", "diameter", 5.0, 15.0), SizingTarget("d", "area", 20.0, 22.0)]
    assert fits(22.0, *ring, "d", both) is True
    assert fits(22.0, *ring, "d", [*both, SizingTarget("d", "perimeter", 11.0, 15.0)]) is False
    assert fits(22.0, *ring, "other", both) is None


def test_pose_covariance_is_that_of_the_ring() -> None:
    # a ring that is only shifted by SD s along each axis moves depth and offsets by s and turns nothing
    generator = np.random.default_rng(4)
    own = build_anatomy(heart().landmarks)
    anatomies = []
    for shift in generator.normal(0.0, 0.8, (400, 3)):
        anatomies.append(build_anatomy({n: p + shift for n, p in heart().landmarks.items()}))
    reading = ImplantReading(ReadingLumen(PhaseFindings(None, own)), None, CHOSEN, own, anatomies)
    covariance = reading.pose_covariance(implant_plan(DEVICE, 15.0, 0.0, 0.0))
    deviations = np.sqrt(np.diag(covariance))
    assert deviations[[0, 3, 4]] == pytest.approx(np.full(3, 0.8), rel=0.1)
    assert deviations[1:3] == pytest.approx(np.zeros(2), abs=1e-9)


def test_an_implant_on_a_suspect_ring_says_so() -> None:
    finding = LandmarkFinding("mitral_ring", 3, "ring_point_off", "suspect", 40.0, 5.0, "mm", "look")
    assert {i.status for i in marked(tried(), [finding]).implants if i.area is not None} == {LANDMARK_SUSPECT}
    path = LandmarkFinding("outflow_path", 1, "path_point_off", "suspect", 40.0, 5.0, "mm", "look")
    by_method = {i.method: i.status for i in marked(tried(), [path]).implants if i.area is not None}
    assert by_method["reader_path"] == LANDMARK_SUSPECT
    assert by_method["automatic_path"] != LANDMARK_SUSPECT
