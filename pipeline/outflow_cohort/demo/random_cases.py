"""Random invented hearts with difficult outflow tracts, for checks of accuracy against known truth. Lengths mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outflow_cohort.demo.cohort import DemoDevice, DemoPlan
from outflow_cohort.demo.heart_case import HeartCase, Levels
from outflow_cohort.demo.ring_shape import RingShape

KINDS = ("plain", "narrow", "two_lobes", "bulge", "thin_walls", "wide")
"""Kinds of difficulty; `random_case` takes them in turn by seed."""


@dataclass(frozen=True)
class RandomCase:
    """A heart, one device in it, and how it is scanned."""

    kind: str
    heart: HeartCase
    phase_pct: float
    device: DemoDevice
    plan: DemoPlan
    spacing: tuple[float, float, float]
    blur_fwhm: float
    noise_sd: float


def random_case(
    seed: int,
    kind: str | None = None,
    *,
    spacing: tuple[float, float, float] = (0.5, 0.5, 0.6),
    blur_fwhm: float | None = None,
    noise_sd: float | None = None,
) -> RandomCase:
    """A random heart, device and scan; the same seed gives the same case.

    plain: any. narrow: a channel of about 50 to 120 mm2. two_lobes: a septal ridge parts the channel. bulge: 7 to
    10 mm. thin_walls: curtain and membranous septum of 1.0 to 1.6 mm beside a bright right heart. wide: a small
    device. Blur is drawn from 0.7 to 1.1 mm FWHM and noise from 15 to 35 HU where not given.
    """
    rng = np.random.default_rng([seed, 77])
    kind = KINDS[seed % len(KINDS)] if kind is None else kind
    if kind not in KINDS:
        raise ValueError(f"kind {kind!r}; known: {', '.join(KINDS)}")
    thin = kind == "thin_walls"
    narrow = kind == "narrow"
    tight = narrow or kind == "two_lobes"
    muscle = rng.uniform(85.0, 110.0)
    radius = rng.uniform(15.0, 18.5)
    bulge = {"bulge": rng.uniform(7.0, 10.0), "wide": rng.uniform(0.0, 2.0)}.get(kind, rng.uniform(1.0, 5.0))
    heart = HeartCase(
        case_id=f"R{seed:03d}",
        seed=seed,
        ring=RingShape(radius, rng.uniform(0.04, 0.11), rng.uniform(0.0, 0.04), rng.uniform(1.0, 3.5)),
        trigone_angle=rng.uniform(36.0, 48.0),
        opening=rng.uniform(108.0, 136.0),
        out_of_plane=rng.uniform(-8.0, 8.0),
        annulus_radius=rng.uniform(10.8, 13.2),
        annulus_longer=rng.uniform(0.03, 0.12),
        curtain_length=rng.uniform(4.5, 8.0),
        curtain_drop=rng.uniform(8.0, 22.0),
        curtain_wall=rng.uniform(1.0, 1.6) if thin else rng.uniform(1.4, 2.4),
        lv_radius=radius + rng.uniform(0.8, 2.0) if narrow else rng.uniform(20.0, 23.0),
        lv_length=rng.uniform(76.0, 92.0),
        lv_shift=rng.uniform(1.5, 3.5) if narrow else rng.uniform(3.0, 6.0),
        lv_wall=rng.uniform(8.5, 12.0),
        septum=rng.uniform(9.0, 13.0),
        membranous_septum=rng.uniform(1.0, 1.6) if thin else rng.uniform(1.6, 3.0),
        bulge=bulge,
        bulge_below=rng.uniform(9.0, 14.0),
        bulge_across=rng.uniform(11.0, 17.0),
        ridge=rng.uniform(9.0, 13.0) if kind == "two_lobes" else 0.0,
        leaflet_length=rng.uniform(18.0, radius + 6.0),
        shortening=rng.uniform(0.18, 0.32),
        levels=Levels(
            left_blood=rng.uniform(330.0, 450.0),
            right_blood=rng.uniform(320.0, 420.0) if thin else rng.uniform(110.0, 300.0),
            muscle=muscle,
            wall=muscle,
        ),
        center=tuple(rng.normal((22.0, 8.0, -60.0), 3.0).tolist()),
        roll=tuple(rng.normal(0.0, 8.0, 3).tolist()),
    )
    diameter = rng.uniform(26.0, 30.0) if kind == "wide" else 2.0 * radius * rng.uniform(1.0, 1.15)
    if tight:
        diameter = 2.0 * radius * rng.uniform(1.10, 1.20)
    height = rng.uniform(19.0, 26.0)
    profile = ((0.0, diameter * 1.04), (0.45 * height, diameter * 0.97), (height, diameter * rng.uniform(0.94, 1.04)))
    device = DemoDevice("random", float(diameter), float(height), (0.0, 0.55 * float(height)), profile)
    plan = DemoPlan(
        "P1",
        "random",
        float(min(rng.uniform(17.0, 20.0) if tight else rng.uniform(14.0, 20.0), height - 1.0)),
        tilt_ap=float(rng.uniform(-6.0, 6.0)),
        offset_ap=float(rng.uniform(-1.5, 1.5)),
    )
    return RandomCase(
        kind=kind,
        heart=heart,
        phase_pct=40.0 if tight else float(rng.choice([20.0, 40.0, 75.0])),
        device=device,
        plan=plan,
        spacing=spacing,
        blur_fwhm=float(rng.uniform(0.7, 1.1)) if blur_fwhm is None else blur_fwhm,
        noise_sd=float(rng.uniform(15.0, 35.0)) if noise_sd is None else noise_sd,
    )
