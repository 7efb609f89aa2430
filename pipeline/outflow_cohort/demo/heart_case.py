"""What makes one invented heart: sizes, shapes and image levels, at rest; the heart at a phase follows from it.

Lengths mm, angles degrees, image levels HU. `contraction` runs from 0 (end of filling) to 1 (end of systole).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from outflow_cohort.demo.ring_shape import RingShape

CONTRACTION = ((0.0, 0.0), (10.0, 0.25), (20.0, 0.6), (30.0, 0.9), (40.0, 1.0), (50.0, 0.75), (60.0, 0.3), (75.0, 0.0),
               (100.0, 0.0))  # fmt: skip
"""Phase in % R-R and contraction, linear between: an invented beat with end-systole at 40 %."""

VALVE_CLOSED_ABOVE = 0.2
"""Contraction above which the mitral valve is closed and the aortic valve open."""


@dataclass(frozen=True)
class Levels:
    """Image levels, HU."""

    left_blood: float = 390.0
    right_blood: float = 180.0
    muscle: float = 95.0
    wall: float = 95.0
    calcium: float = 980.0
    metal: float = 6500.0


@dataclass(frozen=True)
class RingImplant:
    """A surgical valve or ring as the image shows it: a metal band along the ring contour.

    kind : `none`, `bioprosthesis` (circular band with three posts and leaflets) or `ring` (band alone).
    """

    kind: str = "none"
    wall: float = 0.6
    height: float = 3.0
    post_height: float = 15.0
    leaflet_height: float = 12.0


@dataclass(frozen=True)
class HeartCase:
    """An invented heart at the end of filling, and how much it changes at the end of systole."""

    case_id: str = "X"
    seed: int = 0
    ring: RingShape = field(default_factory=lambda: RingShape(17.0, 0.09, 0.03, 2.5))
    trigone_angle: float = 42.0
    opening: float = 124.0
    out_of_plane: float = 5.0
    annulus_radius: float = 12.0
    annulus_longer: float = 0.08
    curtain_length: float = 6.0
    curtain_drop: float = 16.0
    curtain_wall: float = 1.6
    lv_radius: float = 23.5
    lv_length: float = 88.0
    lv_shift: float = 5.5
    lv_wall: float = 9.5
    septum: float = 10.5
    membranous_septum: float = 2.0
    bulge: float = 3.0
    bulge_below: float = 12.0
    bulge_across: float = 14.0
    ridge: float = 0.0
    """Height of a narrow ridge along the outflow septum, which parts the channel into two lobes."""
    septal_turn: float = 0.0
    """degrees by which ventricle and septum are turned about the ring axis, out of the plane of that axis and the
    aortic centre; 0 makes the lumen symmetric about that plane."""
    path_depth: float = 8.5
    """mm inside the outflow septum, its bulge left out, at which the true path passes."""
    trabeculae: float = 0.0
    """mm that trabeculae rise from the free wall of the ventricle."""
    chordae: float = 0.0
    """mm thickness of the chordae between papillary muscles and leaflets; 0 = none."""
    leaflet_thickness: float = 1.3
    leaflet_length: float = 23.0
    shortening: float = 0.28
    calcified: bool = False
    implant: RingImplant = field(default_factory=RingImplant)
    levels: Levels = field(default_factory=Levels)
    center: tuple[float, float, float] = (22.0, 8.0, -60.0)
    """Ring centre at the end of filling, LPS."""
    roll: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Small rotations of the heart about the LPS axes, degrees."""

    def with_levels(self, **changes: float) -> HeartCase:
        """The same heart with other image levels."""
        return replace(self, levels=replace(self.levels, **changes))


def contraction_at(phase_pct: float) -> float:
    """Contraction (0 to 1) of the invented beat at a phase."""
    phases, values = zip(*CONTRACTION, strict=True)
    return float(np.interp(phase_pct, phases, values))
