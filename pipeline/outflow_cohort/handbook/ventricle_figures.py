"""Figures of ventricle, septum, leaflet and the angle of both valves. Points LPS, mm; planes come from the core."""

from __future__ import annotations

import numpy as np
import shapely

from outflow_cohort.handbook.canvas import HEIGHT, LEFT, WIDTH, sheet
from outflow_cohort.handbook.specimen import specimen
from outflow_cohort.handbook.three_chamber import DASH, HALF_WIDTH_MM, key, plane_edge, three_chamber
from outflow_cohort.report import palette
from outflow_cohort.report.svg import Drawing
from outflow_geometry.base.planes import least_squares_plane


def aorto_mitral_angle() -> Drawing:
    """Ring plane and aortic plane with their downstream normals, and the angle between these."""
    drawing = sheet(
        "Aorto-mitral angle", "Ring plane and aortic plane edge-on in the three-chamber plane, downstream normals"
    )
    heart, view = specimen(), three_chamber(drawing, device=False)
    plane, anatomy = heart.three_chamber_view(), heart.anatomy
    for cut, centre, colour, name in (
        (anatomy.ring_plane, anatomy.ring_center, palette.BLUE, "n_m"),
        (anatomy.aortic_plane, anatomy.aortic_center, palette.VERMILION, "n_a"),
    ):
        plane_edge(view, cut, centre, colour)
        start, tip = plane.project(np.stack([centre, centre + 22.0 * cut.normal]))
        view.span(start, tip, colour, both=False)
        view.note(tip, name, 8, 4, colour=colour)
    drawing.text(WIDTH - 24, HEIGHT - 96, "opening: between n_m and n_a", "end", class_="b")
    drawing.text(WIDTH - 24, HEIGHT - 78, "(180 degrees = coplanar valves)", "end")
    drawing.text(WIDTH - 24, HEIGHT - 60, "axis: 180 degrees less the opening", "end", class_="b")
    key(drawing, [("mitral ring plane", palette.BLUE, ""), ("aortic plane", palette.VERMILION, "")])
    return drawing


def leaflet_length() -> Drawing:
    """The curve through the anterior leaflet's points."""
    drawing = sheet("Leaflet length", "Curve through the anterior leaflet's points from base to tip")
    heart, view = specimen(), three_chamber(drawing, device=False)
    points = heart.three_chamber_view().project(heart.anatomy.structure("anterior_leaflet"))
    view.curve(points, stroke=palette.GREEN, stroke_width=3)
    for point in points:
        view.dot(point, palette.VERMILION, size=3.4)
    for point, name in ((points[0], "base"), (points[-1], "tip")):
        view.note(point, name, 10, -8, colour=palette.VERMILION)
    return drawing


def septal_thickness() -> Drawing:
    """Both blood edges of the septum near the outflow tract."""
    drawing = sheet(
        "Septal thickness", "From the left ventricle's blood edge to the right's, within 20 mm of the aortic plane"
    )
    heart, view = specimen(), three_chamber(drawing, device=False, centre=(34.0, 14.0))
    plane = heart.three_chamber_view()
    drawing.clip(0, 0, WIDTH, HEIGHT - 28)
    right = heart.blood(plane, HALF_WIDTH_MM, "right_blood")
    view.shape(right, "#DCE6F0", palette.BLUE)
    drawing.end_clip()
    plane_edge(view, heart.anatomy.aortic_plane, heart.anatomy.aortic_center, palette.VERMILION)
    septum = heart.anatomy.structure("septum")
    in_view = septum[np.abs(plane.height(septum)) < np.abs(plane.height(septum)).min() + 1.0]
    for point in plane.project(in_view):
        far = shapely.shortest_line(shapely.Point(point), right)
        view.span(far.coords[0], far.coords[1], palette.GREEN)
    view.note((62.0, 30.0), "right ventricle", 0, 0, "middle", palette.FAINT_INK)
    key(drawing, [("aortic plane", palette.VERMILION, ""), ("thickness; the largest counts", palette.GREEN, "")])
    return drawing


def ring_septum_distance() -> Drawing:
    """From the ring's nearest point to the septum's plane."""
    drawing = sheet(
        "Distance from ring to septum", "From the ring contour to the least-squares plane of the septum's points"
    )
    heart, view = specimen(), three_chamber(drawing, device=False)
    plane, anatomy = heart.three_chamber_view(), heart.anatomy
    points = anatomy.structure("septum")
    wall = least_squares_plane(points)
    plane_edge(view, wall, points.mean(axis=0), palette.BLUE, 20.0, DASH)
    plane_edge(view, anatomy.ring_plane, anatomy.ring_center, palette.VERMILION, 15.0)
    outline = anatomy.ring_contour.outline
    nearest = outline[int(np.argmin(np.abs(wall.height(outline))))]
    start, end = plane.project(np.stack([nearest, nearest - wall.height(nearest) * wall.normal]))
    view.span(start, end, palette.GREEN)
    key(drawing, [("septum's plane", palette.BLUE, DASH), ("ring plane", palette.VERMILION, ""),
                   ("shortest distance", palette.GREEN, "")])  # fmt: skip
    return drawing


def lv_volume() -> Drawing:
    """Blood below the ring plane and upstream of the aortic plane."""
    drawing = sheet("Volume of the left ventricle", "Blood below the ring plane and upstream of the aortic plane")
    heart, view = specimen(), three_chamber(drawing, device=False)
    plane, anatomy = heart.three_chamber_view(), heart.anatomy
    blood = heart.blood(plane, HALF_WIDTH_MM, "outflow_blood")
    reach = 200.0
    for cut, sign in ((anatomy.ring_plane, 1.0), (anatomy.aortic_plane, -1.0)):
        normal = sign * np.array([cut.normal @ plane.u, cut.normal @ plane.v])
        across = np.array([-normal[1], normal[0]])
        foot = plane.project(cut.point) if cut is anatomy.ring_plane else plane.project(anatomy.aortic_center)
        half = shapely.Polygon([foot - reach * across, foot + reach * across, foot + reach * (across + normal),
                                foot + reach * (normal - across)])  # fmt: skip
        blood = blood.intersection(half)
    drawing.clip(0, 0, WIDTH, HEIGHT - 28)
    view.shape(blood, LEFT, palette.GREEN, 1.4)
    drawing.end_clip()
    view.note((-8.0, 48.0), "left ventricle", 0, 0, "middle", palette.FAINT_INK)
    plane_edge(view, anatomy.ring_plane, anatomy.ring_center, palette.BLUE)
    plane_edge(view, anatomy.aortic_plane, anatomy.aortic_center, palette.VERMILION)
    key(drawing, [("ring plane", palette.BLUE, ""), ("aortic plane", palette.VERMILION, ""),
                   ("counted", palette.GREEN, "")])  # fmt: skip
    return drawing
