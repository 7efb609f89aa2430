"""Figures of mitral ring and aortic annulus. Points LPS, mm; contours, chords and planes come from the core."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import erf

from outflow_cohort.handbook.canvas import BLOOD, HEIGHT, WIDTH, Projection, sheet
from outflow_cohort.handbook.specimen import specimen
from outflow_cohort.report import palette
from outflow_cohort.report.svg import Axes, Drawing, legend
from outflow_geometry.base.contours import Contour, circle_fit
from outflow_geometry.base.frames import FloatArray, Plane
from outflow_geometry.landmarks.mitral import d_shape

DASH = "6 3"
BLUR_MM, WALL_MM, RADIUS_MM = 0.45, 0.8, 14.0
"""Spread of the image's blur, wall and inner radius of the ring in the profile that is drawn."""


def _upright(contour: Contour) -> Plane:
    """The contour's plane with u towards the aorta, so that septal and lateral are right and left."""
    anatomy = specimen().anatomy
    return Plane.from_normal(contour.plane.point, contour.plane.normal, anatomy.toward_aorta)


def _chord(contour: Contour, direction: FloatArray, plane: Plane) -> FloatArray:
    """Ends (2, 2), in `plane`, of the contour's chord through its centroid along `direction` (3,)."""
    own = contour.plane
    angle = math.atan2(float(direction @ own.v), float(direction @ own.u))
    rays = np.array([angle, angle + math.pi])
    ends = contour.centroid + contour.radii(rays)[:, None] * np.stack([np.cos(rays), np.sin(rays)], axis=1)
    return plane.project(own.lift(ends))


def _axes_of(contour: Contour) -> tuple[FloatArray, FloatArray]:
    """Directions (3,) of the longest chord and of the one at right angles, found as the core finds them."""
    own = contour.plane
    angles = np.linspace(0.0, math.pi, 360, endpoint=False)
    directions = np.cos(angles)[:, None] * own.u + np.sin(angles)[:, None] * own.v
    longest = directions[int(np.argmax([contour.chord(direction) for direction in directions]))]
    return longest, np.cross(own.normal, longest)


def _ring(drawing: Drawing, fill: bool = True) -> tuple[Projection, Plane]:
    contour = specimen().anatomy.ring_contour
    plane = _upright(contour)
    course = plane.project(contour.outline)
    low, high = course.min(axis=0), course.max(axis=0)
    view = Projection(drawing, tuple((low + high) / 2), 300.0 / float(max(high - low)))
    view.curve(course, True, fill=BLOOD if fill else "none", stroke=palette.BLUE)
    for point in plane.project(contour.points):
        view.dot(point, palette.FAINT_INK, size=2.6)
    view.note((high[0], view.centre[1]), "to the aorta", 14, 4, colour=palette.FAINT_INK)
    return view, plane


def _trigones(view: Projection, plane: Plane) -> tuple[FloatArray, FloatArray]:
    anatomy = specimen().anatomy
    left, right = (plane.project(anatomy.structure(f"trigone_{side}"))[0] for side in ("left", "right"))
    for point, name in ((left, "left trigone"), (right, "right trigone")):
        view.dot(point, palette.VERMILION, "square", 4.0)
        view.note(point, name, 9, 14 if point[1] > view.centre[1] else -8, colour=palette.VERMILION)
    return left, right


def mitral_area() -> Drawing:
    """Spline contour and D-shaped contour, filled."""
    drawing = sheet("Mitral area", "Closed spline through the ring's points; a straight line between the trigones cuts "
                    "off the aortic part for the D shape")  # fmt: skip
    view, plane = _ring(drawing)
    view.curve(_d_shape(plane), True, fill=palette.SKY, fill_opacity=0.45, stroke=palette.VERMILION,
               stroke_dasharray=DASH)  # fmt: skip
    _trigones(view, plane)
    _key(drawing, [("spline: all within the blue line", palette.BLUE, ""),
                   ("d_shape: within the dashed line", palette.VERMILION, DASH)])  # fmt: skip
    return drawing


def _d_shape(plane: Plane) -> FloatArray:
    anatomy = specimen().anatomy
    return plane.project(anatomy.ring_plane.lift(d_shape(anatomy).flat))


def mitral_perimeter() -> Drawing:
    """The contour from above, and its heights unrolled beside it."""
    drawing = sheet("Mitral perimeter", "The same contour as a length on the ring plane and in space")
    contour = specimen().anatomy.ring_contour
    plane = _upright(contour)
    course = plane.project(contour.outline)
    span = float(np.ptp(course, axis=0).max())
    view = Projection(drawing, tuple((course.min(axis=0) + course.max(axis=0)) / 2), 190.0 / span, x=150)
    view.curve(course, True, stroke=palette.BLUE, stroke_width=2.4)
    view.curve(_d_shape(plane), True, stroke=palette.VERMILION, stroke_dasharray=DASH)
    drawing.text(150, 60, "from above", "middle", class_="b")
    axes, angle, height = _height_axes(drawing, 330.0)
    drawing.path(axes.points(angle, height), stroke=palette.GREEN, stroke_width=2.4)
    drawing.path(axes.points(angle, 0 * height), stroke=palette.BLUE, stroke_width=2.4)
    drawing.text((330 + WIDTH - 24) / 2, 60, "unrolled", "middle", class_="b")
    _key(drawing, [("projected: along the plane", palette.BLUE, ""), ("spatial: up and down too", palette.GREEN, ""),
                   ("d_shape", palette.VERMILION, DASH)])  # fmt: skip
    return drawing


def _height_axes(drawing: Drawing, left: float) -> tuple[Axes, FloatArray, FloatArray]:
    """Heights of the ring's points above their plane over the angle, joined around the ring."""
    anatomy = specimen().anatomy
    plane = _upright(anatomy.ring_contour)
    flat = plane.project(anatomy.ring_contour.points) - plane.project(anatomy.ring_center)
    angle = np.degrees(np.arctan2(flat[:, 1], flat[:, 0])) % 360.0
    order = np.argsort(angle)
    height = -anatomy.ring_plane.height(anatomy.ring_contour.points)[order]  # towards the atrium is up
    angle = angle[order]
    axes = Axes(
        drawing=drawing,
        left=left,
        top=90,
        right=WIDTH - 24,
        bottom=HEIGHT - 90,
        x_range=(0.0, 360.0),
        y_range=(-4.0, 4.0),
    )
    axes.bottom_axis("angle around the ring, degrees", [0, 90, 180, 270, 360])
    axes.left_axis("height above the ring plane, mm")
    around = np.concatenate([[angle[-1] - 360.0], angle, [angle[0] + 360.0]])
    heights = np.concatenate([[height[-1]], height, [height[0]]])
    fine = np.linspace(0.0, 360.0, 181)
    return axes, fine, np.interp(fine, around, heights)


def mitral_diameter() -> Drawing:
    """Chords through the ring centre, between the trigones, and the fitted circle."""
    text = (
        "Septal-lateral chord in the three-chamber plane, intercommissural chord across, intertrigonal distance, circle"
    )
    drawing = sheet("Mitral diameters", text)
    view, plane = _ring(drawing, fill=False)
    anatomy = specimen().anatomy
    contour = anatomy.ring_contour
    points = plane.project(contour.points)
    centre, radius = circle_fit(points)
    turn = np.linspace(0.0, 2 * math.pi, 90)
    view.curve(centre + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1), True, stroke=palette.FAINT_INK,
               stroke_dasharray="2 2.5", stroke_width=1.2)  # fmt: skip
    septal_lateral = anatomy.septal_lateral_direction
    for direction, colour, name, side in (
        (septal_lateral, palette.VERMILION, "septal_lateral", -1.0),
        (np.cross(anatomy.ring_plane.normal, septal_lateral), palette.BLUE, "intercommissural", 1.0),
    ):
        ends = _chord(contour, direction, plane)
        view.span(ends[0], ends[1], colour)
        view.note(0.3 * ends[0] + 0.7 * ends[1], name, 8, side * 12, colour=colour)
    left, right = _trigones(view, plane)
    view.span(left, right, palette.GREEN, DASH)
    _key(drawing, [("intertrigonal", palette.GREEN, DASH), ("circle_fit", palette.FAINT_INK, "2 2.5")])
    return drawing


def mitral_eccentricity() -> Drawing:
    """Longest chord, and the chord at right angles to it."""
    drawing = sheet(
        "Mitral eccentricity", "Longest chord through the area centroid and the chord at right angles to it"
    )
    view, plane = _ring(drawing)
    _longest_and_across(view, plane, specimen().anatomy.ring_contour)
    return drawing


def _longest_and_across(view: Projection, plane: Plane, contour: Contour) -> None:
    longest, across = _axes_of(contour)
    for direction, colour, name in ((longest, palette.VERMILION, "max"), (across, palette.BLUE, "min")):
        ends = _chord(contour, direction, plane)
        view.span(ends[0], ends[1], colour)
        view.note(0.75 * ends[0] + 0.25 * ends[1], name, 8, -6, colour=colour)


def mitral_nonplanarity() -> Drawing:
    """Heights of the ring above its plane over the angle."""
    drawing = sheet(
        "Mitral nonplanarity", "Heights of the ring's points above their least-squares plane, with range and rms"
    )
    anatomy = specimen().anatomy
    axes, angle, height = _height_axes(drawing, 70.0)
    drawing.path(axes.points(angle, height), stroke=palette.BLUE, stroke_width=2)
    points = -anatomy.ring_plane.height(anatomy.ring_contour.points)
    rms = float(np.sqrt(np.mean(points**2)))
    for level, colour, dash in ((points.max(), palette.VERMILION, ""), (points.min(), palette.VERMILION, ""),
                                (rms, palette.GREEN, DASH), (-rms, palette.GREEN, DASH)):  # fmt: skip
        drawing.line(axes.left, axes.y(level), axes.right, axes.y(level), stroke=colour, stroke_dasharray=dash)
    _key(
        drawing,
        [("range: highest to lowest point", palette.VERMILION, ""), ("rms, on both sides", palette.GREEN, DASH)],
    )
    return drawing


def ring_inner_diameter() -> Drawing:
    """A radial profile across the blurred wall of a surgical ring, with the places that each variant takes."""
    text = "Density along a ray from the ring's centre: wall as it is, as the image shows it, and each variant's radius"
    drawing = sheet("Inner diameter of a surgical ring", text)
    radius = np.linspace(RADIUS_MM - 3.0, RADIUS_MM + WALL_MM + 3.0, 400)
    wall = ((radius >= RADIUS_MM) & (radius <= RADIUS_MM + WALL_MM)).astype(float)
    # a box convolved with a normal curve: difference of two error functions
    blurred = 0.5 * (erf((radius - RADIUS_MM) / (BLUR_MM * math.sqrt(2)))
                     - erf((radius - RADIUS_MM - WALL_MM) / (BLUR_MM * math.sqrt(2))))  # fmt: skip
    axes = Axes(
        drawing=drawing,
        left=70,
        top=70,
        right=WIDTH - 24,
        bottom=HEIGHT - 90,
        x_range=(float(radius[0]), float(radius[-1])),
        y_range=(0.0, 1.1),
    )
    axes.bottom_axis("distance from the centre of the ring, mm")
    axes.left_axis("density above blood (wall = 1)")
    drawing.path(axes.points(radius, wall), stroke=palette.FAINT_INK, stroke_dasharray="2 2.5")
    drawing.path(axes.points(radius, blurred), stroke=palette.INK, stroke_width=2)
    ridge = float(radius[int(np.argmax(blurred))])
    half = float(np.interp(blurred.max() / 2, blurred[radius < ridge], radius[radius < ridge]))
    for place, colour, name, height in (
        (half, palette.VERMILION, "half_maximum", 0.95),
        (ridge, palette.BLUE, "ridge, less half the wall", 1.05),
        (RADIUS_MM, palette.GREEN, "model_fit", 0.80),
    ):
        drawing.line(axes.x(place), axes.top, axes.x(place), axes.bottom, stroke=colour, stroke_dasharray=DASH)
        anchor, shift = ("start", 6) if name.startswith("ridge") else ("end", -6)
        drawing.text(axes.x(place) + shift, axes.y(height), name, anchor, class_="halo", style=f"fill:{colour}")
    _key(drawing, [("wall as it is", palette.FAINT_INK, "2 2.5"), ("as the image shows it", palette.INK, "")])
    return drawing


def _annulus(drawing: Drawing, fill: bool = True) -> tuple[Projection, Plane]:
    contour = specimen().anatomy.traced_aortic_contour
    plane = contour.plane
    course = plane.project(contour.outline)
    view = Projection(
        drawing, tuple(plane.project(contour.plane.lift(contour.centroid))), 280.0 / float(np.ptp(course, 0).max())
    )
    view.curve(course, True, fill=BLOOD if fill else "none", stroke=palette.BLUE)
    for name in ("left", "right", "non"):
        point = plane.project(specimen().anatomy.structure(f"aortic_hinge_{name}"))[0]
        view.dot(point, palette.VERMILION, "square", 4.0)
        down, side = point[1] > view.centre[1], 1.0 if point[0] > view.centre[0] else -1.0
        anchor = "start" if side > 0 else "end"
        view.note(point, f"hinge, {name}", 10 * side, 16 if down else -10, anchor, palette.VERMILION)
    return view, plane


def aortic_area() -> Drawing:
    """Annulus outline on the plane of the hinges, filled."""
    drawing = sheet("Aortic annulus area", "Outline of the annulus on the plane through the three hinge points")
    _annulus(drawing)
    return drawing


def aortic_perimeter() -> Drawing:
    """Annulus outline as a length; the triangle of the hinges inside it."""
    drawing = sheet("Aortic annulus perimeter", "Length of the outline; the triangle of the hinges is far shorter")
    view, plane = _annulus(drawing, fill=False)
    anatomy = specimen().anatomy
    view.curve(plane.project(anatomy.traced_aortic_contour.outline), True, stroke=palette.BLUE, stroke_width=3)
    view.curve(plane.project(anatomy.hinges), True, stroke=palette.FAINT_INK, stroke_dasharray=DASH)
    _key(drawing, [("perimeter", palette.BLUE, ""), ("triangle of the hinges: not used", palette.FAINT_INK, DASH)])
    return drawing


def aortic_diameter() -> Drawing:
    """Longest chord, the chord across, and the circle of the same area."""
    drawing = sheet("Aortic annulus diameters", "Longest chord, chord at right angles, and the circle of equal area")
    view, plane = _annulus(drawing, fill=False)
    contour = specimen().anatomy.traced_aortic_contour
    _longest_and_across(view, plane, contour)
    turn = np.linspace(0.0, 2 * math.pi, 90)
    radius = math.sqrt(contour.area / math.pi)
    centre = plane.project(contour.plane.lift(contour.centroid))
    view.curve(centre + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1), True, stroke=palette.GREEN,
               stroke_dasharray=DASH)  # fmt: skip
    _key(drawing, [("area: diameter of this circle", palette.GREEN, DASH)])
    return drawing


def aortic_eccentricity() -> Drawing:
    """Longest chord, and the chord at right angles to it."""
    drawing = sheet(
        "Aortic annulus eccentricity", "Longest chord through the area centroid and the chord at right angles"
    )
    view, plane = _annulus(drawing)
    _longest_and_across(view, plane, specimen().anatomy.traced_aortic_contour)
    return drawing


def _key(drawing: Drawing, entries: list[tuple[str, str, str]]) -> None:
    legend(drawing, 24, HEIGHT - 18, entries, WIDTH - 48)
