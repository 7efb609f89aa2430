"""Figures of outflow tract and device. Points LPS, mm; planes, path and device come from the core."""

from __future__ import annotations

import math

import numpy as np
import shapely
from scipy.stats import norm

from outflow_cohort.handbook.canvas import BLOOD, DEVICE, HEIGHT, LEFT, WIDTH, Projection, sheet
from outflow_cohort.handbook.specimen import STATIONS, specimen
from outflow_cohort.handbook.three_chamber import DASH, key, path_line, plane_edge, three_chamber
from outflow_cohort.report import palette
from outflow_cohort.report.svg import Axes, Drawing
from outflow_geometry.base.contours import closed_contour
from outflow_geometry.base.frames import Plane
from outflow_geometry.base.planes import least_squares_plane
from outflow_geometry.outflow.residual import SEPTAL_FAN


def _section_edge(view: Projection, station: float, colour: str, dash: str = "") -> None:
    """The section at a station, edge-on: from the device (or the lumen's edge) to the septum."""
    heart = specimen()
    cut, lumen, device = heart.section(station)
    left = lumen.difference(device)
    line = shapely.LineString([(-60.0, 0.0), (60.0, 0.0)]).intersection(left)
    plane = heart.three_chamber_view()
    for part in shapely.get_parts(line):
        ends = [cut.lift(np.array(end)) for end in part.coords]
        if part.length > 0.5:
            view.curve(plane.project(np.array(ends)), stroke=colour, stroke_width=3, stroke_dasharray=dash)


def neo_lvot_area() -> Drawing:
    """The smallest section edge-on in the three-chamber view, and en face."""
    drawing = sheet(
        "Neo-LVOT area", "The smallest section between device and septum: along the heart, and seen from the aorta"
    )
    view = three_chamber(drawing, centre=(48.0, 14.0))
    path_line(view)
    _section_edge(view, specimen().smallest(), palette.GREEN)
    _en_face(drawing)
    key(drawing, [("outflow path", palette.PURPLE, "8 3 2 3"), ("smallest section", palette.GREEN, "")])
    return drawing


def _en_face(drawing: Drawing, scale: float = 3.6) -> None:
    """The smallest section seen along the path: blood of the aortic side, device, and what is left."""
    heart = specimen()
    _, lumen, device = heart.section(heart.smallest())
    free = lumen.difference(device)
    reach = lumen.buffer(6.0).envelope
    view = Projection(drawing, (float(lumen.centroid.x), float(lumen.centroid.y)), scale, x=WIDTH - 132, y=HEIGHT / 2)
    view.shape(lumen, BLOOD)
    view.shape(device.intersection(reach), DEVICE, palette.BLUE)
    view.shape(free, LEFT, palette.GREEN, 1.6)
    drawing.text(WIDTH - 132, 60, "seen along the path", "middle", class_="b halo")


def native_lvot_area() -> Drawing:
    """The same plane without a device."""
    drawing = sheet("Native LVOT area", "The same plane and rule as the neo-LVOT, without a device")
    heart = specimen()
    view = three_chamber(drawing, device=False, centre=(48.0, 14.0))
    path_line(view)
    _, lumen, _ = heart.section(heart.smallest())
    plane_edge(view, heart.path.plane(heart.smallest()), heart.path.at(heart.smallest())[0], palette.ORANGE, 18.0, DASH)
    face = Projection(drawing, (float(lumen.centroid.x), float(lumen.centroid.y)), 3.6, x=WIDTH - 132, y=HEIGHT / 2)
    face.shape(lumen, BLOOD, palette.ORANGE, 1.6)
    drawing.text(WIDTH - 132, 60, "seen along the path", "middle", class_="b halo")
    key(drawing, [("outflow path", palette.PURPLE, "8 3 2 3"), ("plane of the section", palette.ORANGE, DASH)])
    return drawing


def lvot_residual_fraction() -> Drawing:
    """What is left beside what was there."""
    drawing = sheet("Residual fraction", "Area left by the device over the area of the same section without it")
    heart = specimen()
    _, lumen, device = heart.section(heart.smallest())
    free = lumen.difference(device)
    centre = (float(lumen.centroid.x), float(lumen.centroid.y))
    for x, shape, fill, stroke, name in (
        (WIDTH * 0.27, free, LEFT, palette.GREEN, "neo"),
        (WIDTH * 0.73, lumen, BLOOD, palette.ORANGE, "native"),
    ):
        view = Projection(drawing, centre, 5.0, x=x, y=HEIGHT / 2)
        view.shape(shape, fill, stroke, 1.6)
        drawing.text(x, 40, name, "middle", class_="b")
    drawing.text(WIDTH / 2, HEIGHT / 2, "over", "middle", class_="b")
    return drawing


def neo_lvot_station() -> Drawing:
    """Areas along the outflow path, with the place of the smallest."""
    drawing = sheet("Station of the neo-LVOT", "Area of native and residual section along the outflow path")
    heart = specimen()
    native, left = heart.areas()
    axes = Axes(
        drawing=drawing,
        left=64,
        top=60,
        right=WIDTH - 24,
        bottom=HEIGHT - 80,
        x_range=(float(STATIONS[0]), 0.0),
        y_range=(0.0, float(native.max()) * 1.05),
    )
    axes.bottom_axis("station along the outflow path, mm (0 = aortic annulus, negative = upstream)")
    axes.left_axis("area of the section, mm2")
    drawing.path(axes.points(STATIONS, native), stroke=palette.ORANGE, stroke_dasharray=DASH, stroke_width=2)
    drawing.path(axes.points(STATIONS, left), stroke=palette.GREEN, stroke_width=2.4)
    place = axes.x(heart.smallest())
    drawing.line(place, axes.top, place, axes.bottom, stroke=palette.INK, stroke_dasharray="2 2.5")
    drawing.mark(place, axes.y(float(left.min())), "circle", palette.GREEN, 4.5)
    drawing.text(place + 8, axes.y(float(left.min())) + 16, "neo-LVOT", class_="b halo")
    key(drawing, [("native", palette.ORANGE, DASH), ("left by the device", palette.GREEN, "")])
    return drawing


def device_septum_distance() -> Drawing:
    """Shortest way from the device to the wall in the smallest section."""
    drawing = sheet(
        "Distance from device to septum", "Shortest way from the device to the lumen's wall in the smallest section"
    )
    heart = specimen()
    cut, lumen, device = heart.section(heart.smallest())
    view = Projection(drawing, (float(lumen.centroid.x), float(lumen.centroid.y)), 7.0)
    view.shape(lumen, BLOOD)
    view.shape(device.intersection(lumen.buffer(4.0).envelope), DEVICE, palette.BLUE)
    view.shape(lumen.difference(device), LEFT, palette.GREEN, 1.4)
    axis = cut.project(heart.solid.axis_point + heart.solid.axis * _to_plane(cut))
    rays = np.array(lumen.exterior.coords) - axis
    towards = np.array([cut.u, cut.v]) @ heart.anatomy.toward_aorta
    angle = np.degrees(np.arctan2(rays @ [-towards[1], towards[0]], rays @ towards))
    wall = shapely.MultiPoint((rays[np.abs(angle) <= SEPTAL_FAN] + axis).tolist())
    ends = shapely.shortest_line(device, wall)
    view.span(ends.coords[0], ends.coords[1], palette.VERMILION)
    for side in (-1.0, 1.0):
        turn = math.radians(side * SEPTAL_FAN)
        ray = math.cos(turn) * towards + math.sin(turn) * np.array([-towards[1], towards[0]])
        view.curve([axis, axis + 34.0 * ray], stroke=palette.FAINT_INK, stroke_dasharray="2 2.5", stroke_width=1)
    key(drawing, [("shortest distance", palette.VERMILION, ""), ("what counts as septum", palette.FAINT_INK, "2 2.5")])
    return drawing


def _to_plane(cut: Plane) -> float:
    """Distance along the device's axis to a plane, mm."""
    solid = specimen().solid
    return float(-cut.height(solid.axis_point) / (solid.axis @ cut.normal))


def neo_lvot_diameter() -> Drawing:
    """Largest diameter of the section and smallest."""
    drawing = sheet("Diameters of the neo-LVOT", "Largest and smallest diameter of the smallest section")
    heart = specimen()
    _, lumen, device = heart.section(heart.smallest())
    free = max(shapely.get_parts(lumen.difference(device)), key=lambda part: part.area)
    view = Projection(drawing, (float(free.centroid.x), float(free.centroid.y)), 7.0)
    view.shape(free, LEFT, palette.GREEN, 1.6)
    points = np.array(free.convex_hull.exterior.coords)
    angles = np.linspace(0.0, math.pi, 180, endpoint=False)
    directions = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    widths = np.ptp(points @ directions.T, axis=0)
    for direction, colour, name in (
        (directions[int(np.argmax(widths))], palette.VERMILION, "max"),
        (directions[int(np.argmin(widths))], palette.BLUE, "min"),
    ):
        across = np.array([-direction[1], direction[0]])
        for side in (points @ direction).min(), (points @ direction).max():
            line = [side * direction + t * across for t in (np.ptp(points @ across) * np.array([-0.55, 0.55])
                    + (points @ across).mean())]  # fmt: skip
            view.curve(line, stroke=colour, stroke_dasharray="2 2.5", stroke_width=1)
        low, high = (points @ direction).min(), (points @ direction).max()
        offset = (points @ across).mean() * across
        view.span(low * direction + offset, high * direction + offset, colour)
        view.note(high * direction + offset, name, 8, -8, colour=colour)
    return drawing


def bottleneck_area() -> Drawing:
    """Planes tilted about one station."""
    drawing = sheet(
        "Bottleneck area", "At each station planes tilted up to 30 degrees against the path; the smallest counts"
    )
    heart, view = specimen(), three_chamber(drawing)
    path_line(view)
    plane, station = heart.three_chamber_view(), heart.smallest()
    point, tangent = heart.path.at(station)
    for tilt in (-30.0, -15.0, 0.0, 15.0, 30.0):
        turn = math.radians(tilt)
        normal = math.cos(turn) * tangent + math.sin(turn) * np.cross(plane.normal, tangent)
        colour, dash = (palette.GREEN, "") if tilt == 0.0 else (palette.FAINT_INK, "2 2.5")
        plane_edge(view, Plane.from_normal(point, normal), point, colour, 15.0, dash)
    key(drawing, [("at right angles to the path", palette.GREEN, ""), ("tilted", palette.FAINT_INK, "2 2.5")])
    return drawing


def neo_lvot_chance_below() -> Drawing:
    """Distribution of the true area, and its part below the cut-off."""
    drawing = sheet("Chance that the true area is below a cut-off", "Likely true areas given the landmarks' scatter")
    area, spread, cutoff = 200.0, 18.0, 180.0
    x = np.linspace(area - 4 * spread, area + 4 * spread, 300)
    y = norm.pdf(x, area, spread)
    axes = Axes(
        drawing=drawing,
        left=50,
        top=60,
        right=WIDTH - 24,
        bottom=HEIGHT - 80,
        x_range=(float(x[0]), float(x[-1])),
        y_range=(0.0, float(y.max()) * 1.15),
    )
    below = x <= cutoff
    foot = axes.points([cutoff, x[0]], [0.0, 0.0])
    drawing.polygons([[*axes.points(x[below], y[below]), *foot]], fill=palette.ORANGE, fill_opacity=0.6)
    drawing.path(axes.points(x, y), stroke=palette.INK, stroke_width=2)
    axes.bottom_axis("true area, mm2 (an example)")
    for value, name, side in ((cutoff, "cut-off", "end"), (area, "measured", "start")):
        drawing.line(
            axes.x(value), axes.top, axes.x(value), axes.bottom, stroke=palette.FAINT_INK, stroke_dasharray=DASH
        )
        drawing.text(axes.x(value) + (6 if side == "start" else -6), axes.top + 10, name, side, class_="b halo")
    key(drawing, [("chance below", palette.ORANGE, "")])
    return drawing


def traced_area() -> Drawing:
    """The reader's points and the closed spline through them."""
    drawing = sheet("Traced area", "Closed spline through the reader's own points on their least-squares plane")
    heart = specimen()
    cut, lumen, device = heart.section(heart.smallest())
    free = max(shapely.get_parts(lumen.difference(device)), key=lambda part: part.area)
    ring = free.buffer(-0.6).exterior
    marks = np.array([ring.interpolate(share, normalized=True).coords[0] for share in np.arange(14) / 14])
    points = cut.lift(marks)
    contour = closed_contour(points, least_squares_plane(points), "outflow_trace", check=False)
    view = Projection(drawing, (float(free.centroid.x), float(free.centroid.y)), 7.0)
    view.shape(free, "none", palette.FAINT_INK)
    view.curve(cut.project(contour.outline), True, fill=LEFT, fill_opacity=0.6, stroke=palette.GREEN)
    for mark in marks:
        view.dot(mark, palette.VERMILION, size=3.6)
    key(drawing, [("spline through the points", palette.GREEN, ""), ("edge in the image", palette.FAINT_INK, "")])
    return drawing


def oversizing() -> Drawing:
    """Device outline over the ring."""
    drawing = sheet("Oversizing", "Nominal circle of the device over the ring's contour")
    heart = specimen()
    contour = heart.anatomy.ring_contour
    plane = Plane.from_normal(contour.plane.point, contour.plane.normal, heart.anatomy.toward_aorta)
    course = plane.project(contour.outline)
    centre = plane.project(heart.anatomy.ring_center)
    view = Projection(drawing, tuple(centre), 6.2, y=HEIGHT / 2 - 8)
    view.curve(course, True, fill=BLOOD, stroke=palette.VERMILION)
    turn = np.linspace(0.0, 2 * math.pi, 120)
    radius = heart.plan.device.nominal_diameter / 2
    view.curve(
        centre + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1), True, stroke=palette.BLUE, stroke_width=2.4
    )
    key(drawing, [("device, nominal diameter", palette.BLUE, ""), ("ring", palette.VERMILION, "")])
    return drawing
