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
        title="Mitral ring",
        where="On the inner edge of the annulus, or of the prosthesis in place.",
        asked="16 points, evenly spaced",
        order="In order around the ring, either way; the first point is not marked again at the end.",
        view="ring",
        view_text=RING_VIEW,
        mistakes=(
            "Points on the leaflet instead of its hinge.",
            "Two points exchanged, or one place marked twice.",
            "The outer edge of a prosthesis, or of its bloom.",
        ),
    ),
    "trigone_left": Marking(
        title="Left fibrous trigone",
        where="Where the left end of the aorto-mitral curtain meets the ring.",
        asked="1 point",
        order="",
        view="ring",
        view_text=RING_VIEW,
        mistakes=("Left and right exchanged: the left one is toward the left coronary cusp.",),
    ),
    "trigone_right": Marking(
        title="Right fibrous trigone",
        where="Where the right end of the curtain meets the ring, toward the non-coronary cusp.",
        asked="1 point",
        order="",
        view="ring",
        view_text=RING_VIEW,
        mistakes=("Left and right exchanged.",),
    ),
    "aortic_hinge_left": Marking(
        title="Left aortic hinge",
        where="Lowest point at which the left coronary cusp joins the wall.",
        asked="1 point",
        order="",
        view="aorta",
        view_text=ROOT_VIEW,
        mistakes=("A point inside the cusp rather than on the wall.", "Names of cusps exchanged."),
    ),
    "aortic_hinge_right": Marking(
        title="Right aortic hinge",
        where="Lowest point at which the right coronary cusp joins the wall; the one farthest from the mitral ring.",
        asked="1 point",
        order="",
        view="aorta",
        view_text=ROOT_VIEW,
        mistakes=("Names of cusps exchanged.",),
    ),
    "aortic_hinge_non": Marking(
        title="Non-coronary aortic hinge",
        where="Lowest point at which the non-coronary cusp joins the wall.",
        asked="1 point",
        order="",
        view="aorta",
        view_text=ROOT_VIEW,
        mistakes=("Names of cusps exchanged.",),
    ),
    "aortic_ring": Marking(
        title="Base of an aortic prosthesis",
        where="On the inner edge of the prosthesis, at its base, in place of the hinges.",
        asked="8 points or more",
        order="Around the base.",
        view="aorta",
        view_text=ROOT_VIEW,
        mistakes=("The upper edge instead of the base.",),
    ),
    "aortic_contour": Marking(
        title="Aortic annulus, traced",
        where="On the edge of blood in the plane of the hinges.",
        asked="16 points, evenly spaced",
        order="In order around the annulus.",
        view="aorta",
        view_text=ROOT_VIEW,
        mistakes=("Traced in a sinus, above the plane of the hinges.",),
    ),
    "lv_apex": Marking(
        title="Apex of the left ventricle",
        where="At the end of the cavity, on the edge of blood.",
        asked="1 point",
        order="",
        view="three_chamber",
        view_text=LONG_VIEW,
        mistakes=("The outer surface of the heart.", "A short axis cut that misses the true end."),
    ),
    "post_tip": Marking(
        title="Tips of the prosthesis' posts",
        where="On the ventricular end of each of the three posts.",
        asked="3 points",
        order="Any.",
        view="three_chamber",
        view_text=LONG_VIEW,
        mistakes=("One post marked twice.",),
    ),
    "septum": Marking(
        title="Septum",
        where="On the left ventricular surface of the septum facing the outflow tract, 5 to 17 mm below the aortic "
        "annulus.",
        asked="12 points in four rows of three",
        order="Row by row from the annulus down.",
        view="three_chamber",
        view_text=LONG_VIEW,
        mistakes=("Points in the muscle or on the right side of the septum.",),
    ),
    "anterior_leaflet": Marking(
        title="Anterior mitral leaflet",
        where="Along the middle of the leaflet.",
        asked="7 points",
        order="From the hinge to the tip.",
        view="three_chamber",
        view_text=LONG_VIEW,
        mistakes=("Begun at the tip.", "Chordae taken for the tip."),
    ),
    "outflow_path": Marking(
        title="Outflow path",
        where="Along the middle of the outflow tract, from the ventricle through the aortic annulus.",
        asked="8 points or more",
        order="From the ventricle to the aorta, at least 5 mm beyond the annulus.",
        view="three_chamber",
        view_text=LONG_VIEW,
        mistakes=("Drawn from the aorta down.", "Along the wall instead of the middle."),
    ),
    "outflow_trace": Marking(
        title="Neo-LVOT, traced",
        where="On the edge of the smallest outflow section that the reader sees.",
        asked="16 points or more",
        order="In order around the section.",
        view="three_chamber",
        view_text="A plane at right angles to the outflow path.",
        mistakes=("The device's own area taken in.",),
    ),
    "blood_sample": Marking(
        title="Samples of blood",
        where="In the middle of the ventricle, 5 mm or more from any wall or papillary muscle.",
        asked="3 points",
        order="Any.",
        view="three_chamber",
        view_text=LONG_VIEW,
        mistakes=("In a papillary muscle, a streak, or the right ventricle.",),
    ),
    "muscle_sample": Marking(
        title="Samples of muscle",
        where="In the middle of the left ventricle's wall.",
        asked="2 points",
        order="Any.",
        view="three_chamber",
        view_text=LONG_VIEW,
        mistakes=("At the edge of blood, in fat or in calcium.",),
    ),
}
