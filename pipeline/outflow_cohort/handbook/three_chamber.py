"""The three-chamber view that many figures of the handbook begin with. Points LPS, mm."""

from __future__ import annotations

import numpy as np

from outflow_cohort.handbook.canvas import BLOOD, DEVICE, HEIGHT, MUSCLE, WIDTH, Projection
from outflow_cohort.handbook.specimen import specimen
from outflow_cohort.report import palette
from outflow_cohort.report.svg import Drawing, legend
from outflow_geometry.base.frames import FloatArray, Plane

DASH = "6 3"

HALF_WIDTH_MM = 75.0

SCALE = 3.2
"""px a mm of the three-chamber view."""


def key(drawing: Drawing, entries: list[tuple[str, str, str]]) -> None:
    """What the colours and dashes mean, below the drawing: name, colour, dash of each."""
    legend(drawing, 24, HEIGHT - 12, entries, WIDTH - 48)


def three_chamber(drawing: Drawing, device: bool = True, centre: tuple[float, float] = (8.0, 14.0)) -> Projection:
    """Blood and muscle cut along the three-chamber plane, ring and aortic plane, and the planned device."""
    heart = specimen()
    plane = heart.three_chamber_view()
    view = Projection(drawing, centre, SCALE, y=HEIGHT / 2 - 14)
    drawing.clip(0, 0, WIDTH, HEIGHT - 28)
    for tissue in ("muscle", "left_walls"):
        view.shape(heart.blood(plane, HALF_WIDTH_MM, tissue), MUSCLE)
    view.shape(heart.blood(plane, HALF_WIDTH_MM, "left_blood"), BLOOD)
    if device:
        view.shape(heart.solid.outline(plane), DEVICE, palette.BLUE)
        place = heart.solid.outline(plane).centroid
        view.note((place.x, place.y), "device", 0, 4, "middle", palette.BLUE)
    drawing.end_clip()
    view.note((-19.0, -20.0), "left atrium", 0, 0, "middle", palette.FAINT_INK)
    view.note((-8.0, 48.0), "left ventricle", 0, 0, "middle", palette.FAINT_INK)
    return view


def plane_edge(
    view: Projection, cut: Plane, centre: FloatArray, colour: str, half: float = 24.0, dash: str = ""
) -> FloatArray:
    """A plane seen edge-on in the three-chamber view; returns its direction (2,) in the drawing's plane."""
    plane = specimen().three_chamber_view()
    along = np.cross(cut.normal, plane.normal)
    along /= np.linalg.norm(along)
    middle, direction = plane.project(centre), np.array([along @ plane.u, along @ plane.v])
    view.curve([middle - half * direction, middle + half * direction], stroke=colour, stroke_dasharray=dash)
    return direction


def path_line(view: Projection) -> None:
    """The outflow path in the view."""
    heart = specimen()
    points, _ = heart.path.at(np.linspace(-34.0, 6.0, 60))
    view.curve(heart.three_chamber_view().project(points), stroke=palette.PURPLE, stroke_dasharray="8 3 2 3")
