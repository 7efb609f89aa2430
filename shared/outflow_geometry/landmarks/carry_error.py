"""How far carried landmarks may be off, and when they are not to be believed. Lengths mm.

The disagreement between the motion that a registration found and the stiff body it should be predicts the error best:
sd^2 = a^2 + (k disagreement)^2. The constants are those of twelve moving hearts, 72 pairs of phases
(tests/benchmarks/carry.py), times Student's t over the normal quantile for so many hearts (12; of each kind of ring 6);
no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from outflow_geometry.base.carry_limits import CarryBounds
from outflow_geometry.base.inputs import SharedMove
from outflow_geometry.landmarks.carrying import ANNULUS_STRUCTURES, RING_STRUCTURES, STIFF_WITH_RING, CarriedLandmarks


@dataclass(frozen=True)
class ErrorLaw:
    """sd = sqrt(floor^2 + (slope disagreement)^2), mm, for each of the errors that a body's points share."""

    shift: tuple[float, float]
    lift: tuple[float, float]
    tilt: tuple[float, float]
    radial: tuple[float, float]
    oval: tuple[float, float] = (0.0, 0.0)

    def move(self, structures: tuple[str, ...], disagreement: float) -> SharedMove:
        """The standard deviations at a disagreement."""

        def at(law: tuple[float, float]) -> float:
            floor, slope = law
            return math.hypot(floor, slope * disagreement)

        return SharedMove(
            structures=structures,
            shift=at(self.shift),
            tilt=at(self.tilt),
            radial=at(self.radial),
            lift=at(self.lift),
            oval=at(self.oval),
        )


NATIVE_RING = ErrorLaw(
    shift=(0.053, 0.586), lift=(0.081, 0.374), tilt=(0.126, 0.0), radial=(0.075, 0.207), oval=(0.0, 0.660)
)
IMPLANTED_RING = ErrorLaw(shift=(0.180, 0.0), lift=(0.067, 0.382), tilt=(0.115, 0.0), radial=(0.0, 0.0))
ANNULUS = ErrorLaw(shift=(0.0, 0.365), lift=(0.103, 0.378), tilt=(0.095, 0.670), radial=(0.0, 0.745), oval=(0.0, 0.766))
SEPTUM_SHIFT = 0.55
"""mm; the septum follows the motion point by point."""

APEX_SHIFT = 1.0
"""mm; the apex is kept where it was marked."""


@dataclass(frozen=True)
class CarryFigures:
    """What is known of one carried reading; None = not known.

    ring_error, annulus_error : expected error of a coordinate, mm. disagreement : the larger departure of the motion
    from the shape that ring or annulus keep, mm. ring_change : share of the area by which the carried ring differs from
    the marked one. likeness : smaller correlation of the registered images about ring and annulus.
    centers_change : change of the distance of ring and annulus centres, mm. prediction : miss of the marks of another
    marked phase, mm. unsteady : distance of the ring's centre from its course through the neighbouring phases, mm.
    out_of_turn : how far the ring is on the wrong side of a phase before or after it in systole or diastole, mm.
    departure : distance of the ring's centre from the smooth course of the other phases, and how far it may be, mm.
    slab_step : largest step between neighbouring slices of the two images over the usual one. against_beat : how far
    the ring moves otherwise than systole and diastole have it, mm (above 0 = it does).
    """

    ring_error: float | None
    annulus_error: float | None
    ring_change: float
    likeness: float
    centers_change: float
    disagreement: float | None = None
    prediction: float | None = None
    unsteady: float | None = None
    out_of_turn: float | None = None
    departure: tuple[float, float] | None = None
    slab_step: float | None = None
    against_beat: float | None = None

    @property
    def error(self) -> float:
        """The larger expected error, mm."""
        return max(e for e in (self.ring_error, self.annulus_error, 0.0) if e is not None)


@dataclass(frozen=True)
class CarryVerdict:
    """Status of the carried values (empty = none), whether the phase is set aside, and the reason in words."""

    code: str = ""
    set_aside: bool = False
    reason: str = ""


def ring_disagreement(carried: CarriedLandmarks, *, implanted: bool) -> float | None:
    """The disagreement that tells the error of the carried ring, mm: a native ring may change its shape smoothly."""
    if carried.ring is None or carried.left_over is None:
        return None
    return carried.ring.disagreement if implanted else carried.left_over


def largest_disagreement(carried: CarriedLandmarks, *, implanted: bool, more: float = 0.0) -> float | None:
    """The larger disagreement of ring and annulus, mm; None without either. more : as in `carry_moves`."""
    annulus = None if carried.annulus is None else carried.annulus.disagreement
    known = [d for d in (ring_disagreement(carried, implanted=implanted), annulus) if d is not None]
    return math.hypot(max(known), more) if known else None


def carry_moves(carried: CarriedLandmarks, *, implanted: bool, more: float = 0.0) -> tuple[SharedMove, ...]:
    """Shared errors of the carried landmarks; more : disagreement added, mm, as of two predictions that differ."""
    moves: list[SharedMove] = []
    ring = ring_disagreement(carried, implanted=implanted)
    if ring is not None:
        law = IMPLANTED_RING if implanted else NATIVE_RING
        moves.append(law.move((*RING_STRUCTURES, *STIFF_WITH_RING), math.hypot(ring, more)))
    if carried.annulus is not None:
        moves.append(ANNULUS.move(ANNULUS_STRUCTURES, math.hypot(carried.annulus.disagreement, more)))
    moves.append(SharedMove(("septum",), SEPTUM_SHIFT, 0.0, 0.0))
    moves.append(SharedMove(("lv_apex",), APEX_SHIFT, 0.0, 0.0))
    return tuple(moves)


def coordinate_error(move: SharedMove) -> float:
    """Expected error of one coordinate of a point of the body, mm: shift, tilt, radius and roundness taken together."""
    # a rim point's three coordinates: shift and oval in two, lift and tilt (two axes) along the normal, radius outward
    lift = move.shift if move.lift is None else move.lift
    squares = 2.0 * move.shift**2 + lift**2 + move.tilt**2 + move.radial**2 + 2.0 * move.oval**2
    return math.sqrt(squares / 3.0)


def carry_verdict(figures: CarryFigures, bounds: CarryBounds) -> CarryVerdict:
    """Whether carried landmarks are believed, doubted or set aside; the gravest reason first."""
    if figures.prediction is not None and figures.prediction > bounds.largest_prediction:
        return CarryVerdict("carry_prediction_failed", True, _words("misses the marks of the other marked phase by",
                            figures.prediction, bounds.largest_prediction))  # fmt: skip
    if figures.error > bounds.largest_error:
        return CarryVerdict("carry_disagreement", True, _words("expected error of the carried landmarks",
                            figures.error, bounds.largest_error))  # fmt: skip
    if figures.likeness < bounds.least_likeness:
        return CarryVerdict(
            "carry_poor_match",
            False,
            f"correlation of the registered images {figures.likeness:.2f}; needed {bounds.least_likeness:g}",
        )
    doubts = (
        ("carry_prediction_failed", "misses the marks of the other phase by", figures.prediction, bounds.prediction),
        (
            "carry_disagreement",
            "motion departs from the shape of ring or annulus by",
            figures.disagreement,
            bounds.doubt_disagreement,
        ),
        ("carry_disagreement", "expected error of the carried landmarks", figures.error, bounds.doubt_error),
        ("carry_ring_changed", "change of the ring's area, share", abs(figures.ring_change), bounds.ring_change),
        ("carry_disagreement", "change between ring and annulus", abs(figures.centers_change), bounds.centers_apart),
        (
            "carry_poor_match",
            "step between slices of one of the images, times the usual",
            figures.slab_step,
            bounds.slab_step,
        ),
        ("carry_motion_unsteady", "ring moves against the beat by", figures.against_beat, 0.0),
        ("carry_motion_unsteady", "ring's centre off its course by", figures.unsteady, bounds.unsteady),
        ("carry_motion_unsteady", "ring out of turn between phases by", figures.out_of_turn, bounds.out_of_turn),
    )
    departed = (
        [
            (
                "carry_motion_unsteady",
                "shows another phase than it states, or its neighbour does: ring's centre off the"
                " smooth course of the other phases by",
                *figures.departure,
            )
        ]
        if figures.departure
        else []
    )
    for code, words, found, bound in (*doubts, *departed):
        if found is not None and found > bound:
            return CarryVerdict(code, False, _words(words, found, bound))
    return CarryVerdict()


def _words(text: str, found: float, bound: float) -> str:
    return f"{text} {found:.2f}; at most {bound:g}"
