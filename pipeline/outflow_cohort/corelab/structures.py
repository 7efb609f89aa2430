"""How each structure is marked: the words of the reading protocol. Common practice where no source is named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Marking:
    """Where the points of a structure go, how many are asked for, in which order, in which view, and what goes wrong.

    view : `ring` (looking at the mitral ring), `aorta` (looking at the aortic annulus), `three_chamber`.
    """

    title: str
    where: str
    asked: str
    order: str
    view: str
    view_text: str
    mistakes: tuple[str, ...]


RING_VIEW = "Turn a plane about the ring's axis in steps of 22.5 degrees; mark both sides of the ring in each."
ROOT_VIEW = "A plane through the three hinge points, found by scrolling from the root down."
LONG_VIEW = "Three-chamber view: through ring centre, aortic centre and apex."

MARKINGS: Mapping[str, Marking] = {
    "mitral_ring": Marking(
        "Mitral ring", "On the inner edge of the annulus, or of the prosthesis in place.", "16 points, evenly spaced",
        "In order around the ring, either way; the first point is not marked again at the end.", "ring", RING_VIEW,
        ("Points on the leaflet instead of its hinge.", "Two points exchanged, or one place marked twice.",
         "The outer edge of a prosthesis, or of its bloom."),
    ),
    "trigone_left": Marking(
        "Left fibrous trigone", "Where the left end of the aorto-mitral curtain meets the ring.", "1 point", "", "ring",
        RING_VIEW, ("Left and right exchanged: the left one is toward the left coronary cusp.",),
    ),
    "trigone_right": Marking(
        "Right fibrous trigone", "Where the right end of the curtain meets the ring, toward the non-coronary cusp.",
        "1 point", "", "ring", RING_VIEW, ("Left and right exchanged.",),
    ),
    "aortic_hinge_left": Marking(
        "Left aortic hinge", "Lowest point at which the left coronary cusp joins the wall.", "1 point", "", "aorta",
        ROOT_VIEW, ("A point inside the cusp rather than on the wall.", "Names of cusps exchanged."),
    ),
    "aortic_hinge_right": Marking(
        "Right aortic hinge", "Lowest point at which the right coronary cusp joins the wall; the one farthest from the "
        "mitral ring.", "1 point", "", "aorta", ROOT_VIEW, ("Names of cusps exchanged.",),
    ),
    "aortic_hinge_non": Marking(
        "Non-coronary aortic hinge", "Lowest point at which the non-coronary cusp joins the wall.", "1 point", "",
        "aorta", ROOT_VIEW, ("Names of cusps exchanged.",),
    ),
    "aortic_ring": Marking(
        "Base of an aortic prosthesis", "On the inner edge of the prosthesis, at its base, in place of the hinges.",
        "8 points or more", "Around the base.", "aorta", ROOT_VIEW, ("The upper edge instead of the base.",),
    ),
    "aortic_contour": Marking(
        "Aortic annulus, traced", "On the edge of blood in the plane of the hinges.", "16 points, evenly spaced",
        "In order around the annulus.", "aorta", ROOT_VIEW, ("Traced in a sinus, above the plane of the hinges.",),
    ),
    "lv_apex": Marking(
        "Apex of the left ventricle", "At the end of the cavity, on the edge of blood.", "1 point", "", "three_chamber",
        LONG_VIEW, ("The outer surface of the heart.", "A short axis cut that misses the true end."),
    ),
    "post_tip": Marking(
        "Tips of the prosthesis' posts", "On the ventricular end of each of the three posts.", "3 points", "Any.",
        "three_chamber", LONG_VIEW, ("One post marked twice.",),
    ),
    "septum": Marking(
        "Septum", "On the left ventricular surface of the septum facing the outflow tract, 5 to 17 mm below the aortic "
        "annulus.", "12 points in four rows of three", "Row by row from the annulus down.", "three_chamber", LONG_VIEW,
        ("Points in the muscle or on the right side of the septum.",),
    ),
    "anterior_leaflet": Marking(
        "Anterior mitral leaflet", "Along the middle of the leaflet.", "7 points", "From the hinge to the tip.",
        "three_chamber", LONG_VIEW, ("Begun at the tip.", "Chordae taken for the tip."),
    ),
    "outflow_path": Marking(
        "Outflow path", "Along the middle of the outflow tract, from the ventricle through the aortic annulus.",
        "8 points or more", "From the ventricle to the aorta, at least 5 mm beyond the annulus.", "three_chamber",
        LONG_VIEW, ("Drawn from the aorta down.", "Along the wall instead of the middle."),
    ),
    "outflow_trace": Marking(
        "Neo-LVOT, traced", "On the edge of the smallest outflow section that the reader sees.", "16 points or more",
        "In order around the section.", "three_chamber", "A plane at right angles to the outflow path.",
        ("The device's own area taken in.",),
    ),
    "blood_sample": Marking(
        "Samples of blood", "In the middle of the ventricle, 5 mm or more from any wall or papillary muscle.",
        "3 points", "Any.", "three_chamber", LONG_VIEW, ("In a papillary muscle, a streak, or the right ventricle.",),
    ),
    "muscle_sample": Marking(
        "Samples of muscle", "In the middle of the left ventricle's wall.", "2 points", "Any.", "three_chamber",
        LONG_VIEW, ("At the edge of blood, in fat or in calcium.",),
    ),
}  # fmt: skip
