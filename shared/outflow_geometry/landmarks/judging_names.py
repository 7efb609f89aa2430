"""Whether hinges and trigones bear each other's names. Points LPS, mm; angles degrees.

With lv_apex no measure rests on these names, and an honest root may be turned (situs, congenital disease, a heart of
somebody's making). So names are suspect only where two witnesses that know nothing of each other agree: the ring (the
right hinge is farthest from it, left and non-coronary hinge join the curtain) and the patient (the right cusp is in
front, the left one on the left), in a heart that is in the body as hearts are. One witness alone is a note.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations

import numpy as np

from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.base.planes import angle_between
from outflow_geometry.landmarks.findings import LandmarkFinding, Severity, finding
from outflow_geometry.landmarks.judging_frame import HINGE_NAMES, Frame

EXPECTED = {"aortic_hinge_right": 0.0, "aortic_hinge_left": 120.0, "aortic_hinge_non": 240.0}
"""deg; places of the hinges around the aortic axis, anticlockwise seen from the aorta, from where the right one is."""
ROOT_TURN = 70.0
"""deg; how far the root may be turned against the ring before the names are doubted. A name given to the next hinge
turns it by 120; roots vary by some 20 (common practice, no source)."""
PATIENT_TURN = 75.0
"""deg; the same against the front of the patient."""
AGREE = 45.0
"""deg; how near both witnesses must come to their own mean under other names for these to be the right ones."""
EVEN = 0.7
"""Mean resultant length of the hinges' departures from an even root: below, they run the other way round (0 for even
hinges of the wrong order, 1 for the right one)."""
BESIDE = 0.3
"""Least share of the way from aortic centre to ring that is within the aortic plane for it to tell a direction."""
CLEAR_MM = 5.0
"""mm by which a heart must be as in a body: apex left of and below the aortic annulus, annulus before the ring."""
RIGHT_SIDE_AXIS = 40.0
"""deg; the ring's own axis misses the apex by more where the ring is that of the other ventricle."""


@dataclass(frozen=True)
class Turn:
    """Rotation of the root under given names, deg, and how evenly the hinges then lie (1 = even)."""

    degrees: float
    evenness: float

    def fits(self, most: float) -> bool:
        """Whether the names may be right."""
        return self.evenness >= EVEN and abs(self.degrees) <= most


def root_turn(hinges: FloatArray, normal: FloatArray, right: FloatArray) -> Turn | None:
    """Turn of left, right, non-coronary hinge (3, 3) about the downstream normal against the direction `right` (3,) in
    which the right hinge is expected; None where that points along the axis."""
    flat = right - (right @ normal) * normal
    if np.linalg.norm(flat) < BESIDE * np.linalg.norm(right):
        return None
    u = unit(flat)
    v = np.cross(normal, u)
    around = hinges - hinges.mean(axis=0)
    angles = np.arctan2(around @ v, around @ u) - np.radians([EXPECTED[name] for name in HINGE_NAMES])
    mean = np.mean(np.exp(1j * angles))
    return Turn(float(np.degrees(np.angle(mean))), float(np.abs(mean)))


def lies_as_in_a_body(f: Frame) -> bool:
    """Whether ring, annulus and apex lie clearly as in a supine person's LPS frame."""
    apex, aorta = f.one("lv_apex"), f.aorta
    if apex is None or aorta is None or f.ring is None:
        return False
    gaps = (apex[0] - aorta[0], f.ring.point[1] - aorta[1], aorta[2] - apex[2])
    return min(float(gap) for gap in gaps) > CLEAR_MM


def _turns(f: Frame, hinges: FloatArray) -> tuple[Turn | None, Turn | None]:
    """Turn against the ring, and against the patient's front; None where not known."""
    normal = f.downstream
    if normal is None or f.ring is None:
        return None, None
    center = hinges.mean(axis=0)
    by_ring = root_turn(hinges, normal, center - f.ring.point)
    by_patient = root_turn(hinges, normal, np.array([0.0, -1.0, 0.0])) if lies_as_in_a_body(f) else None
    return by_ring, by_patient


def hinge_naming(f: Frame) -> Severity | None:
    """How much the hinges' names are doubted: None, `note` or `suspect`."""
    if f.hinges is None or f.ring is None or "lv_apex" not in f.points:
        return None
    error = float(np.degrees(f.slack)) / max(
        float(np.linalg.norm(f.hinges - f.hinges.mean(axis=0), axis=1).mean()), 5.0
    )
    by_ring, by_patient = _turns(f, f.hinges)
    if by_ring is None or by_ring.fits(ROOT_TURN + error / np.sqrt(3.0)):
        return None
    if by_patient is None or by_patient.fits(PATIENT_TURN):
        return "note"
    for order in permutations(range(3)):
        ring, patient = _turns(f, f.hinges[list(order)])
        if ring is not None and patient is not None and ring.fits(AGREE) and patient.fits(AGREE):
            return "suspect"
    return "note"


def judge_names(f: Frame, apex_behind: bool) -> list[LandmarkFinding]:
    """Findings on the names of hinges and trigones, and on a ring that is where the tricuspid ring is.

    apex_behind : lv_apex is on the wrong side of the ring, so that nothing about the hinges follows from it.
    """
    found: list[LandmarkFinding] = []
    doubt = hinge_naming(f) if not apex_behind else None
    if doubt is not None and _on_right_side(f):
        return [finding("ring_on_right_side", "mitral_ring", None, *_nearer(f))]
    if doubt is not None:
        found = [finding("hinges_misnamed", name, 1, severity=doubt) for name in HINGE_NAMES]
    return found + _trigone_names(f, doubt)


def _trigone_names(f: Frame, doubt: Severity | None) -> list[LandmarkFinding]:
    """Trigones against the hinges, which must be known to bear their own names."""
    left, right = f.one("trigone_left"), f.one("trigone_right")
    if left is None or right is None or f.hinges is None:
        return []
    across = f.hinges[0] - f.hinges[2]
    gap = float((left - right) @ across / max(float(np.linalg.norm(across)), 1e-9))
    if gap >= -f.slack:
        return []
    by_ring, by_patient = _turns(f, f.hinges)
    known = doubt is None and by_ring is not None and by_patient is not None and by_patient.fits(PATIENT_TURN)
    severity: Severity = "suspect" if known else "note"
    return [finding("trigones_swapped", n, 1, gap, 0.0, severity=severity) for n in ("trigone_left", "trigone_right")]


def _nearer(f: Frame) -> tuple[float, float]:
    """By how much the right hinge is nearer to the ring than the left one, mm, and what it may be."""
    if f.hinges is None or f.ring is None:
        return 0.0, 0.0
    away = np.linalg.norm(f.hinges - f.ring.point, axis=1)
    return float(away[0] - away[1]), 2.0 + f.slack


def _on_right_side(f: Frame) -> bool:
    """Whether the ring is on the patient's right of the aorta, by the right and non-coronary hinge, and its own axis
    misses the apex."""
    apex, aorta = f.one("lv_apex"), f.aorta
    if apex is None or aorta is None or f.ring is None or f.hinges is None:
        return False
    away = np.linalg.norm(f.hinges - f.ring.point, axis=1)
    margin = 2.0 + f.slack
    beside = away[0] > max(away[1], away[2]) + margin and f.ring.point[0] < aorta[0] - CLEAR_MM
    return bool(beside and angle_between(apex - f.ring.point, f.ring.normal) > RIGHT_SIDE_AXIS)
