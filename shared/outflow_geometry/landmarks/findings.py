"""What is found wrong with landmarks: one finding per structure or point, and the codes with their remedies.

Numbers and bounds in the finding's own unit (mm, deg, HU or 1).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["suspect", "impossible", "note"]
LANDMARK_SUSPECT = "landmark_suspect"
"""Status of a value that rests on a point found bad: it keeps its number."""
BAD = ("suspect", "impossible")
"""Severities that make values doubtful."""
WHOLE_READING = ""
"""Structure of a finding that concerns the reading as a whole."""


@dataclass(frozen=True)
class LandmarkFinding:
    """One finding.

    structure : name of the study contract; WHOLE_READING where all points are concerned.
    point_no : place of the point in its structure, from 1; None = the structure as a whole.
    severity : `suspect` (values that rest on it need a look), `impossible` (the reading cannot be right), `note`.
    number, bound : what was found, and what it may be at most (at least, where `number` is below).
    """

    structure: str
    point_no: int | None
    code: str
    severity: Severity
    number: float | None
    bound: float | None
    unit: str
    remedy: str


@dataclass(frozen=True)
class FindingCode:
    """What a code means, how grave it is, and what to do."""

    severity: Severity
    unit: str
    meaning: str
    remedy: str


LOOK = "Look at the point again and correct it, or confirm it in a second read."
NAMES = "Check the names of the points and correct the table."
REREAD = "Check the case, the series and the phase of this reading, then read it again."

CODES: dict[str, FindingCode] = {
    "point_off_curve": FindingCode("suspect", "mm", "the point departs from the curve through its neighbours", LOOK),
    "points_out_of_order": FindingCode(
        "suspect", "mm", "the point steps back along its curve", "Put the points in order along the curve."
    ),
    "point_slid": FindingCode("suspect", "mm", "the point has slid along its curve onto or past a neighbour", LOOK),
    "points_repeated": FindingCode(
        "suspect", "mm", "two points of one curve coincide", "Remove one of the two, or move it to its place."
    ),
    "curve_crosses_itself": FindingCode(
        "suspect", "1", "the closed curve crosses itself", "Put the points in order around the curve."
    ),
    "ring_size_unusual": FindingCode("suspect", "mm", "the ring is smaller or larger than mitral rings are", REREAD),
    "hinge_triangle_unusual": FindingCode("suspect", "deg", "the hinges do not lie around an annulus", LOOK),
    "hinge_off_contour": FindingCode("suspect", "mm", "the hinge is away from the traced annulus", LOOK),
    "annulus_size_unusual": FindingCode("suspect", "mm", "the hinges are too near or too far from each other", LOOK),
    "annulus_oblique": FindingCode("suspect", "deg", "path and aortic plane do not meet at right angles", LOOK),
    "annulus_against_ring": FindingCode(
        "suspect", "mm", "ring and aortic annulus do not lie beside each other as in a heart", REREAD
    ),
    "angle_unusual": FindingCode(
        "suspect", "deg", "the aorto-mitral angle is outside the usual range", "Check ring, apex and hinges."
    ),
    "hinges_misnamed": FindingCode("suspect", "1", "left, right and non-coronary hinge are interchanged", NAMES),
    "trigones_swapped": FindingCode("suspect", "mm", "left and right trigone are interchanged", NAMES),
    "trigone_off_ring": FindingCode("suspect", "mm", "the trigone is away from the ring", LOOK),
    "trigones_misplaced": FindingCode("suspect", "deg", "the trigone does not lie beside the aorta on the ring", LOOK),
    "apex_on_atrial_side": FindingCode("suspect", "mm", "lv_apex is on the atrial side of the ring", LOOK),
    "apex_off_axis": FindingCode("suspect", "deg", "lv_apex is far beside the ring's axis", LOOK),
    "apex_distance_unusual": FindingCode("suspect", "mm", "lv_apex is too near to the ring or too far from it", LOOK),
    "path_reversed": FindingCode(
        "suspect", "mm", "the path runs from aorta to ventricle", "Number its points from the ventricle to the aorta."
    ),
    "path_misses_aorta": FindingCode("suspect", "mm", "the path does not pass through the aortic annulus", LOOK),
    "septum_off_side": FindingCode("suspect", "mm", "the septum is on the wrong side of the outflow tract", LOOK),
    "point_off_surface": FindingCode("suspect", "mm", "the point departs from the surface through the others", LOOK),
    "leaflet_off_ring": FindingCode("suspect", "mm", "the leaflet's base is away from the ring", LOOK),
    "leaflet_length_unusual": FindingCode("suspect", "mm", "the leaflet is unusually short or long", LOOK),
    "post_tips_uneven": FindingCode("suspect", "mm", "the post tips do not lie evenly around the ring's axis", LOOK),
    "ring_on_right_side": FindingCode(
        "impossible", "mm", "the ring is beside the aorta where the tricuspid ring is", REREAD
    ),
    "readings_differ": FindingCode("suspect", "mm", "the point is away from that of other readings", LOOK),
    "reading_shifted": FindingCode("suspect", "mm", "the whole reading is shifted against other readings", REREAD),
    "phases_jump": FindingCode("suspect", "mm", "the structure moves more between phases than hearts do", REREAD),
    "not_on_wall": FindingCode("suspect", "mm", "the point is away from the edge of blood in the image", LOOK),
    "not_in_blood": FindingCode("suspect", "mm", "the point does not lie in blood", LOOK),
    "not_in_muscle": FindingCode("suspect", "HU", "the image around the point is not muscle", LOOK),
    "apex_off_cavity_end": FindingCode("suspect", "mm", "lv_apex is not at the end of the cavity in the image", LOOK),
    "ring_off_image": FindingCode("suspect", "mm", "the ring is shifted against the edges in the image", REREAD),
    "ring_between_no_pools": FindingCode("suspect", "HU", "no blood on both sides of the ring plane", REREAD),
    "reading_off_image": FindingCode("suspect", "mm", "the whole reading is shifted against the image", REREAD),
    "reader_drifts": FindingCode(
        "note", "mm", "the reader's bias or scatter has changed", "Have the reader practise and read again."
    ),
    "same_landmarks_twice": FindingCode(
        "note", "1", "two readings of the case hold the same points", "Remove the copy; each reading must be its own."
    ),
    "landmarks_of_another_case": FindingCode(
        "suspect",
        "1",
        "a reading of another case holds the same points",
        "Find out which case was read; remove the copy.",
    ),
    "same_pixels_twice": FindingCode(
        "suspect", "1", "another case has the same images", "Find out whose scan it is; name each series once."
    ),
    "same_pixels_in_phases": FindingCode(
        "note", "1", "two phases of the case have the same images", "Correct series.csv: each series once."
    ),
}


def finding(
    code: str,
    structure: str,
    point_no: int | None = None,
    number: float | None = None,
    bound: float | None = None,
    *,
    severity: Severity | None = None,
) -> LandmarkFinding:
    """A finding of that code; raises KeyError for an unknown one."""
    known = CODES[code]
    return LandmarkFinding(
        structure=structure,
        point_no=point_no,
        code=code,
        severity=known.severity if severity is None else severity,
        number=None if number is None else round(float(number), 3),
        bound=None if bound is None else round(float(bound), 3),
        unit=known.unit,
        remedy=known.remedy,
    )
