"""Invented hearts, devices, prostheses and plans. Lengths mm. Every name and number here is made up."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

import numpy as np

from outflow_cohort.demo.heart_case import HeartCase, Levels, RingImplant
from outflow_cohort.demo.ring_shape import RingShape
from outflow_cohort.demo.settings import DemoCase


@dataclass(frozen=True)
class DemoDevice:
    """An invented catheter-borne valve; profile of (station, diameter) from the inflow end."""

    device_id: str
    nominal_diameter: float
    height: float
    covered: tuple[float, float]
    profile: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class DemoProsthesis:
    """An invented surgical valve or ring."""

    prosthesis_id: str
    labelled_size: float
    true_inner_diameter: float
    wall: float
    post_height: float | None = None
    leaflet_height: float | None = None


@dataclass(frozen=True)
class DemoPlan:
    """Where a device sits in a case; depth None with anchor post_tips."""

    plan_id: str
    device_id: str
    depth: float | None
    anchor: str = "ring"
    tilt_ap: float = 0.0
    offset_ap: float = 0.0


DEVICES = (
    DemoDevice("Quillane-26", 26.4, 19.0, (0.0, 9.5)),
    DemoDevice("Quillane-29", 29.3, 22.0, (0.0, 11.5), ((0.0, 29.8), (11.0, 28.6), (22.0, 29.9))),
    DemoDevice("Quillane-32", 32.4, 23.0, (0.0, 12.0), ((0.0, 33.0), (12.0, 31.6), (23.0, 33.2))),
    DemoDevice("Bramoor-40", 40.0, 25.0, (2.0, 16.0), ((0.0, 44.0), (6.0, 39.0), (16.0, 38.6), (25.0, 36.5))),
    DemoDevice("Bramoor-44", 44.0, 26.0, (2.0, 17.0), ((0.0, 48.0), (6.0, 43.0), (17.0, 42.4), (26.0, 40.0))),
)
PROSTHESES = (
    DemoProsthesis(
        prosthesis_id="Fennick-27",
        labelled_size=27.0,
        true_inner_diameter=25.0,
        wall=0.6,
        post_height=14.0,
        leaflet_height=12.0,
    ),
    DemoProsthesis(
        prosthesis_id="Fennick-29",
        labelled_size=29.0,
        true_inner_diameter=27.0,
        wall=0.6,
        post_height=15.0,
        leaflet_height=12.5,
    ),
    DemoProsthesis(
        prosthesis_id="Fennick-31",
        labelled_size=31.0,
        true_inner_diameter=28.6,
        wall=0.7,
        post_height=16.0,
        leaflet_height=13.5,
    ),
    DemoProsthesis("Orvane-30", 30.0, 27.6, 1.6),
    DemoProsthesis("Orvane-32", 32.0, 29.4, 1.6),
)


@dataclass(frozen=True)
class Story:
    """Sizes of a heart, mm and degrees, in which a valve in a failed bioprosthesis meets something to show."""

    opening: float
    lv_radius: float
    bulge: float
    bulge_below: float
    shortening: float
    lv_shift: float
    path_depth: float
    """How far from the septum the true path's control point is, so that the path passes the bulge in blood."""


STORIES = {
    # the planned device obstructs at end-systole and leaves a wide tract in diastole
    "systole_only": Story(
        opening=107.1, lv_radius=17.5, bulge=6.8, bulge_below=10.5, shortening=0.28, lv_shift=0.65, path_depth=30.0
    ),
    # the whole frame obstructs, its covered part does not: open cells stand before the tract
    "covered_part": Story(
        opening=109.4, lv_radius=18.3, bulge=10.3, bulge_below=10.6, shortening=0.36, lv_shift=1.0, path_depth=48.0
    ),
    # a few millimetres less depth leave the tract open
    "shallower_depth": Story(
        opening=112.6, lv_radius=15.4, bulge=8.4, bulge_below=14.8, shortening=0.26, lv_shift=1.9, path_depth=34.0
    ),
    # no fitting device at any depth tried leaves the tract open
    "no_size": Story(
        opening=101.0, lv_radius=15.0, bulge=10.4, bulge_below=9.2, shortening=0.32, lv_shift=1.3, path_depth=52.0
    ),
}


def _rng(*key: object) -> np.random.Generator:
    return np.random.default_rng(zlib.crc32("/".join(map(str, key)).encode()))


def prosthesis_of(case: DemoCase) -> DemoProsthesis | None:
    """Surgical valve or ring of a case."""
    if case.group == "failed_bioprosthesis":
        return PROSTHESES[case.seed % 3]
    if case.group == "failed_ring":
        return PROSTHESES[3 + case.seed % 2]
    return None


def _ring(case: DemoCase, rng: np.random.Generator) -> RingShape:
    prosthesis = prosthesis_of(case)
    if prosthesis is not None and case.group == "failed_bioprosthesis":
        return RingShape(prosthesis.true_inner_diameter / 2.0)
    if prosthesis is not None:
        longer, flat = 0.07, 0.02
        # the inner diameter of a ring that is not round is that of the circle of equal area
        radius = prosthesis.true_inner_diameter / 2.0 / np.sqrt(1.0 + (longer**2 + flat**2) / 2.0)
        return RingShape(float(radius), longer, flat)
    radius = rng.uniform(17.6, 19.6) if case.group == "native" else rng.uniform(15.0, 16.6)
    return RingShape(radius, rng.uniform(0.06, 0.11), rng.uniform(0.02, 0.04), rng.uniform(2.0, 3.5))


def heart_case(case: DemoCase) -> HeartCase:
    """The invented heart of a demonstration case."""
    rng = _rng("heart", case.seed)
    ring = _ring(case, rng)
    prosthesis = prosthesis_of(case)
    implant = RingImplant()
    if prosthesis is not None and prosthesis.post_height is not None and prosthesis.leaflet_height is not None:
        implant = RingImplant("bioprosthesis", prosthesis.wall, 3.2, prosthesis.post_height, prosthesis.leaflet_height)
    elif prosthesis is not None:
        implant = RingImplant("ring", prosthesis.wall, 2.4)
    calcified = case.group == "annular_calcification"
    bright_right = case.seed % 3 == 0
    # walls as bright as muscle: an edge half-way between blood and muscle then is on every wall
    muscle = rng.uniform(88.0, 104.0)
    heart = HeartCase(
        case_id=case.case_id,
        seed=case.seed,
        ring=ring,
        trigone_angle=rng.uniform(38.0, 46.0),
        opening=rng.uniform(110.0, 121.0) if calcified else rng.uniform(113.0, 131.0),
        out_of_plane=rng.uniform(2.0, 8.0),
        annulus_radius=rng.uniform(11.3, 12.9),
        annulus_longer=rng.uniform(0.05, 0.11),
        curtain_length=rng.uniform(5.0, 7.5),
        curtain_drop=rng.uniform(10.0, 20.0),
        curtain_wall=rng.uniform(1.2, 2.0),
        lv_radius=rng.uniform(19.5, 21.5) if calcified else rng.uniform(21.5, 24.5) - (1.2 if prosthesis else 0.0),
        lv_length=rng.uniform(80.0, 92.0),
        lv_shift=rng.uniform(3.0, 5.0),
        lv_wall=rng.uniform(8.5, 11.5),
        septum=rng.uniform(10.0, 13.0),
        membranous_septum=rng.uniform(1.8, 2.6),
        bulge=rng.uniform(4.0, 8.0) if calcified else rng.uniform(1.0, 6.5),
        bulge_below=rng.uniform(10.0, 13.5),
        bulge_across=rng.uniform(12.0, 17.0),
        leaflet_length=min(rng.uniform(20.0, 25.0), ring.radius + 6.0),
        shortening=rng.uniform(0.20, 0.32),
        calcified=calcified,
        implant=implant,
        levels=Levels(
            left_blood=rng.uniform(340.0, 430.0),
            right_blood=rng.uniform(330.0, 380.0) if bright_right else rng.uniform(130.0, 210.0),
            muscle=muscle,
            wall=muscle,
        ),
        center=tuple(rng.normal((22.0, 8.0, -60.0), (2.0, 2.0, 2.0)).tolist()),
        roll=tuple(rng.normal(0.0, 4.0, 3).tolist()),
    )
    story = STORIES.get(case.story)
    if story is None:
        return heart
    return replace(
        heart,
        opening=story.opening,
        lv_radius=story.lv_radius,
        bulge=story.bulge,
        bulge_below=story.bulge_below,
        shortening=story.shortening,
        lv_shift=story.lv_shift,
        path_depth=story.path_depth,
    )


def plans_of(case: DemoCase) -> list[DemoPlan]:
    """Plans of a case; the first is the one its sizes were chosen for."""
    return _all_plans(case)[:1] if case.one_plan else _all_plans(case)


def _all_plans(case: DemoCase) -> list[DemoPlan]:
    rng = _rng("plan", case.seed)
    deep = rng.uniform(16.0, 20.0)
    if case.group == "native":
        big = case.seed % 2 == 0
        plans = [DemoPlan("P1", "Bramoor-44" if big else "Bramoor-40", round(deep, 1))]
        if case.seed % 3 == 2:
            plans.append(DemoPlan("P2", "Bramoor-40" if big else "Bramoor-44", round(deep - 2.0, 1), tilt_ap=-4.0))
        return plans
    if case.group == "annular_calcification":
        plans = [DemoPlan("P1", "Quillane-32", round(deep + 1.0, 1))]
        second = DemoPlan("P2", "Quillane-29", round(deep - 3.0, 1), offset_ap=-1.0)
        return [*plans, second] if case.seed % 2 == 0 else plans
    if case.group == "failed_bioprosthesis":
        plans = [DemoPlan("P1", "Quillane-26" if prosthesis_of(case) is PROSTHESES[0] else "Quillane-29", 18.0)]
        at_tips = DemoPlan("P2", plans[0].device_id, None, "post_tips")
        return [*plans, at_tips if case.seed % 2 == 0 else DemoPlan("P2", plans[0].device_id, 11.0)]
    return [DemoPlan("P1", "Quillane-29", round(deep, 1))]
