"""The ring's course over the beat: whether carried phases follow each other as one beat has it. mm; phases % of R-R.

A phase whose images bear another phase's label is carried without error into the wrong phase: one pair of images
cannot show it. The course of all phases does.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.interpolate import CubicSpline

from outflow_geometry.base.frames import FloatArray


def off_smooth_course(centers: Mapping[float, FloatArray], phase: float) -> tuple[float, float] | None:
    """Distance, mm, of the ring's centre (3,) at `phase` from a cubic course through the other phases of the beat, and
    how far it may be.

    Where phases cover the beat in steps of CLOSE at most the course is closed; in a part of the beat it runs through
    the two phases before and the two after. None where there are no such, as at the ends of a part of the beat.
    """
    expected = _closed_course(centers, phase)
    if expected is None:
        expected = _course_near(centers, phase)
    if expected is None:
        return None
    places = np.stack(list(centers.values()))
    way = float(np.linalg.norm(places[:, None] - places[None], axis=2).max())
    allowed = min(max(LEAST_DEPARTURE, DEPARTURE * way), MOST_DEPARTURE)
    return float(np.linalg.norm(centers[phase] - expected)), round(allowed, 2)


def _closed_course(centers: Mapping[float, FloatArray], phase: float) -> FloatArray | None:
    """The place at `phase` by the closed course through all others; None where phases do not cover the beat."""
    phases = sorted(centers)
    if (
        len(phases) < FEWEST_PHASES
        or max((b - a) % 100.0 for a, b in zip(phases, [*phases[1:], *phases[:1]], strict=True)) > CLOSE
    ):
        return None
    others = [p for p in phases if p != phase]
    places = np.stack([centers[p] for p in [*others, others[0]]])
    course = CubicSpline([*others, others[0] + 100.0], places, bc_type="periodic")
    found: FloatArray = course(phase if phase >= others[0] else phase + 100.0)
    return found


def _course_near(centers: Mapping[float, FloatArray], phase: float) -> FloatArray | None:
    """The place at `phase` by the cubic through two phases before and two after, each CLOSE to the next; else None."""
    ways = sorted(((p - phase + 50.0) % 100.0 - 50.0, p) for p in centers if p != phase)
    near = [w for w in ways if w[0] < 0.0][-2:] + [w for w in ways if w[0] > 0.0][:2]
    before, after = [w for w, _ in near if w < 0.0], [w for w, _ in near if w > 0.0]
    if len(before) < 2 or len(after) < 2 or max(np.diff([*before, 0.0, *after])) > CLOSE:
        return None
    found: FloatArray = CubicSpline([w for w, _ in near], np.stack([centers[p] for _, p in near]))(0.0)
    return found


def off_course(centers: Mapping[float, FloatArray], phase: float) -> float | None:
    """Distance, mm, of the ring's centre at `phase` from the line between the phases before and after it in the beat.

    None where they are more than FARTHEST_NEIGHBOUR away, or where there are too few phases to call it a course.
    """
    others = sorted(p for p in centers if p != phase)
    if len(others) < FEWEST_PHASES - 1:
        return None
    before = max(others, key=lambda p: (p < phase, p))
    after = min(others, key=lambda p: (p < phase, p))
    back, ahead = (phase - before) % 100.0, (after - phase) % 100.0
    if max(back, ahead) > FARTHEST_NEIGHBOUR:
        return None
    expected = (ahead * centers[before] + back * centers[after]) / (back + ahead)
    return float(np.linalg.norm(centers[phase] - expected))


def out_of_turn(toward_apex: Mapping[float, float], phase: float) -> float | None:
    """How far, mm, the ring at `phase` is on the wrong side of another phase of the same limb of the beat.

    toward_apex : how far the ring has gone toward the apex by phase, mm. It goes there all through systole and back all
    through diastole, so that phases whose labels were exchanged stand out of turn. One label that is wrong by less than
    the distance to its neighbour leaves the order as it is and is not found. None without another phase in the limb.
    """
    found = []
    for first, last, sign in ((*TOWARD, 1.0), (*AWAY, -1.0)):
        if first <= phase <= last:
            others = [p for p in toward_apex if first <= p <= last and p != phase]
            found += [sign * (toward_apex[min(p, phase)] - toward_apex[max(p, phase)]) for p in others]
    return max(found, default=None)


def against_the_beat(toward_apex: float, from_pct: float, to_pct: float) -> float | None:
    """How far, mm, a ring's way toward the apex is from what systole and diastole ask; above 0 = it contradicts them.

    From diastole to systole the ring goes toward the apex, from systole to diastole away from it, within either it
    stays about where it is. None where a phase is neither.
    """
    first, second = _part_of_beat(from_pct), _part_of_beat(to_pct)
    if first is None or second is None:
        return None
    if first == second:
        return abs(toward_apex) - STAYS
    return LEAST_WAY - toward_apex if second == "systole" else LEAST_WAY + toward_apex


def _part_of_beat(phase: float) -> str | None:
    if SYSTOLE[0] <= phase <= SYSTOLE[1]:
        return "systole"
    return "diastole" if phase >= DIASTOLE or phase <= 2.0 else None


SYSTOLE, DIASTOLE = (25.0, 45.0), 68.0
"""% of R-R: the ring is low in any beat, and high again (common practice, no source)."""

TOWARD, AWAY = (2.0, 35.0), (40.0, 95.0)
"""% of R-R within which the ring only goes toward the apex, and only away from it (common practice, no source)."""

LEAST_WAY, STAYS = 1.0, 6.0
"""mm: even a weak ventricle pulls its ring down by 3 mm; within a part of the beat it moves by 4 mm at most."""

FEWEST_PHASES = 5
FARTHEST_NEIGHBOUR = 15.0
"""% of R-R: beyond, the ring turns round between two phases."""

CLOSE = 12.5
"""% of R-R between neighbouring phases at which a cubic course follows the beat."""

DEPARTURE, LEAST_DEPARTURE, MOST_DEPARTURE = 0.145, 1.0, 2.0
"""Share of the ring's whole way, and mm: how far a ring may be from the cubic course of the other phases in steps of
10 %. Of beats with quick early filling and a late kick it is 0.09 to 0.11 of the way off, of one with a phase that
shows its neighbour 2 mm away 0.19 and more; carrying errs by 0.3 mm."""
