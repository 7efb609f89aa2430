"""The automatic outflow path: the mean line of a potential flow through the outflow lumen around the device.

All points LPS, mm, float64. Image, ring, aortic plane and device alone decide it, never the reader's `outflow_path`.

The flow around a narrowed and lengthened device (`path_body`) is cut into shells of equal potential. On the
aortic side of the device's axis each shell gives the path one point, the mean position weighted by |grad phi|^2 V
(the flow's own share), and a length, sum |grad phi| V / sum |grad phi|^2 V times the step of the potential. The path is
that mean line at the annulus and the cubic laid through it further upstream (FITTED, LINE_COUNTS), its station 0 the
line's crossing of the aortic plane. All solids of a plan share the path around the whole device (`full_frame`): planes
then differ by what is solid alone.

Source: definition of the automatic path in the study contract.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.outflow_path import PATH_STEP, OutflowPath
from outflow_geometry.outflow.potential_flow import Flow, FlowGround, solved_flow
from outflow_geometry.outflow.sections import aortic_side
from outflow_geometry.outflow.solids import Solid

NARROWED = 5.0
"""mm by which the device's radius is less for the path (the study contract begins with 1.5): so far off the flow finds
the channel's middle and seldom one of its lobes; figures with FITTED."""

KEPT_OFF = 8.0
"""mm by which it is less for a second flow, further off the device: where device and septum all but touch, the first
may go into one lobe and lean. The second is taken where it finds a clearly smaller section, as a doubtful one
(`plane_doubt`). One choice serves all depths of a device (`plane_doubt.smaller_kept_off`)."""

LENGTHENED = 30.0
"""mm below the ring plane to which the device's last diameter is carried on for the path at least: the flow does not
turn over the rim, and devices down to that depth share one path, along which a deeper one never leaves a larger section
(the study contract begins with 22; with 30 sections 22 mm deep are nearer to those along the true centreline). Above
the ring plane nothing is taken out: most of that is atrial side."""

BODY_DECIMALS = 7
"""Decimals, mm, to which the body's place is given: far below any landmark, above rounding."""

SHELLS = 4000
"""Shells of the potential: in the ventricle, where it changes least, one is about 0.3 mm thick."""

POINT_SMOOTHING, TANGENT_SMOOTHING = 1.5, 4.0
"""mm; standard deviations along the flow's mean line by which its points and its tangents are smoothed."""

FITTED, DEGREE = 40.0, 3
"""mm upstream of the annulus over which a polynomial of that degree in arc length is laid through the mean line.

About a deep device the mean line follows the device, round its rim, where the tract's own middle line does not turn.
On 42 asymmetric invented hearts at 12, 17 and 22 mm sections were within 8 % of those along the true centreline in 98,
90 and 90 %, with a mean line smoothed over 4 mm and flows 1.5 and 5 mm off in 98, 83 and 63 %; 30, 35, 45 and 50 mm,
degrees 2 and 4, a slope that is the aortic normal, and means of several flows were no better."""

LINE_COUNTS = (3.0, 8.0)
"""mm upstream of the annulus up to which the path is the mean line itself, and from which it is the cubic alone.

At the annulus the device turns the flow little, and a cubic over 40 mm leans there: in a straight tract behind a bend
by 21 degrees. Smallest sections at the annulus of the analytic cohort were up to 3.5 % off along the cubic alone, 0.4 %
so. 8 and 14 mm did as well there, but left two of 149 sections of asymmetric invented hearts 12 and 13 % too small
that said nothing; 3 and 8 mm none."""

SHORTEST_FIT = 10.0
"""mm of flow upstream of the annulus that a path needs."""

LEAST_FLOW = 1e-3
"""Of the mean energy of a shell: one that holds less is empty."""


def path_body(solid: Solid, anatomy: Anatomy, narrowed: float = NARROWED) -> Solid:
    """The device as the path sees it: a cylinder about its axis, of its last diameter less twice `narrowed` mm, from
    the ring plane to LENGTHENED mm below it, or to the device's own end where that is deeper.

    So the depth of a device, down to LENGTHENED, leaves the flow around it as it is, and along one path a deeper device
    never leaves a larger section.
    """
    normal = anatomy.ring_plane.normal
    ring_station = -float(anatomy.ring_plane.height(solid.axis_point)) / float(solid.axis @ normal)
    # rounded, so that the depth from which it is reckoned does not show
    start = np.round(solid.axis_point + ring_station * solid.axis, BODY_DECIMALS)
    depth = solid.solid_to - ring_station
    end = LENGTHENED if depth <= LENGTHENED + 10.0**-BODY_DECIMALS else depth
    last = float(np.interp(solid.solid_to, solid.stations, solid.diameters))
    diameter = max(last - 2.0 * narrowed, 0.1)
    return Solid(
        axis_point=start,
        axis=solid.axis,
        stations=np.array([0.0, end]),
        diameters=np.full(2, diameter),
        solid_from=0.0,
        solid_to=end,
    )


def body_line(body: Solid) -> tuple[float, ...]:
    """A path's body, a cylinder, as numbers."""
    return (*body.axis_point.tolist(), *body.axis.tolist(), body.solid_to, float(body.diameters[0]))


def automatic_path(
    lumen: Lumen,
    anatomy: Anatomy,
    solid: Solid | None = None,
    ground: FlowGround | None = None,
    narrowed: float | None = None,
) -> OutflowPath:
    """Mean line of the flow through the outflow lumen, or, with `solid`, through what the device leaves open.

    Parameters
    ----------
    lumen : the outflow lumen, found without the reader's path.
    solid : the whole device of a plan (`full_frame`).
    ground : the lumen's, where it is known: one serves all devices of a reading.
    narrowed : mm by which the device's radius is less; None = NARROWED.

    Raises GeometryError `no_channel`, and what the anatomy raises.

    At the annulus the path is within 3 degrees of the axis of the image's straight tract, which leans by 55 degrees:

    >>> from outflow_geometry import PhaseImage, build_anatomy, outflow_lumen, straight_tract
    >>> landmarks, volume = straight_tract()
    >>> anatomy = build_anatomy(landmarks)
    >>> path = automatic_path(outflow_lumen(PhaseImage(volume), anatomy), anatomy)
    >>> _, tangent = path.at(0.0)
    >>> bool(abs(np.degrees(np.arcsin(tangent[2])) - 55.0) < 3.0)
    True
    """
    ground = FlowGround.of(lumen, anatomy) if ground is None else ground
    body = None if solid is None else path_body(solid, anatomy, NARROWED if narrowed is None else narrowed)
    return path_about(body, anatomy, ground)


def path_about(body: Solid | None, anatomy: Anatomy, ground: FlowGround) -> OutflowPath:
    """The automatic path around a body (`path_body`); raises as `automatic_path`."""
    return flow_line(solved_flow(ground, anatomy, body), anatomy, body)


def flow_line(flow: Flow, anatomy: Anatomy, body: Solid | None) -> OutflowPath:
    """The mean line of a flow on the aortic side of the body's axis (of the ring's where there is none)."""
    from outflow_geometry.outflow import flow_kernels

    ground = flow.ground
    axis_point, axis = (
        (anatomy.ring_center, anatomy.ring_plane.normal) if body is None else (body.axis_point, body.axis)
    )
    beside = (ground.points - axis_point) @ aortic_side(anatomy, axis)
    weight = np.clip(0.5 + beside / ground.spacing, 0.0, 1.0)
    energy, moment, slope_sum, square_sum = flow_kernels.shell_sums(
        np.nan_to_num(flow.potential), flow.share, flow.openness, ground.first, ground.second, ground.points, weight,
        ground.spacing, SHELLS,
    )  # fmt: skip
    filled = (energy > LEAST_FLOW * float(energy.mean())) & (square_sum > 0.0)
    if int(filled.sum()) < SHELLS // 10:
        raise GeometryError("no_channel", "no flow passes on the aortic side of the device; check plan and ring")
    # from ventricle to aorta: potentials fall
    rows = np.flatnonzero(filled)[::-1]
    places = moment[rows] / energy[rows, None]
    steps = slope_sum[rows] / square_sum[rows] * ground.spacing / SHELLS
    length = np.cumsum(steps) - 0.5 * steps
    return _smooth_path(length, places, anatomy)


def _smooth_path(length: FloatArray, places: FloatArray, anatomy: Anatomy) -> OutflowPath:
    """The path along `places` (n, 3) at `length` (n,), mm, with station 0 on the aortic plane.

    The cubic of arc length that is nearest to the flow's mean line over FITTED mm, through its crossing of the aortic
    plane; further upstream straight on as far as the flow goes.
    """
    even = np.arange(length[0], length[-1], PATH_STEP)
    if len(even) < 8:
        raise GeometryError("no_channel", "the flow is too short for a path; check hinges and ring")
    raw = np.stack([np.interp(even, length, places[:, axis]) for axis in range(3)], axis=-1)
    points = ndimage.gaussian_filter1d(raw, POINT_SMOOTHING / PATH_STEP, axis=0, mode="nearest")
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    height = anatomy.aortic_plane.height(points)
    crossing = np.flatnonzero((height[:-1] < 0.0) & (height[1:] >= 0.0))
    if not len(crossing):
        raise GeometryError("no_channel", "the flow does not cross the aortic plane; check hinges")
    # the plane, carried on, may cut the ventricle too
    k = int(crossing[np.argmin(np.linalg.norm(points[crossing] - anatomy.aortic_center, axis=1))])
    share = height[k] / (height[k] - height[k + 1])
    end = points[k] + share * (points[k + 1] - points[k])
    along -= along[k] + share * (along[k + 1] - along[k])
    if along[0] > -SHORTEST_FIT:
        raise GeometryError("no_channel", "the flow is too short for a path; check hinges and ring")
    moving = np.concatenate([[True], np.diff(along) > 1e-9])
    along, points = along[moving], points[moving]
    at = np.arange(math.ceil(along[0] / PATH_STEP), math.floor(along[-1] / PATH_STEP) + 1) * PATH_STEP
    line = np.stack([np.interp(at, along, points[:, axis]) for axis in range(3)], axis=-1)
    slopes = ndimage.gaussian_filter1d(np.gradient(line, axis=0), TANGENT_SMOOTHING / PATH_STEP, axis=0, mode="nearest")
    cubic, direction = _cubic_along(at, line, end)
    line_counts = np.clip((at + LINE_COUNTS[1]) / (LINE_COUNTS[1] - LINE_COUNTS[0]), 0.0, 1.0)[:, None]
    line_counts *= line_counts * (3.0 - 2.0 * line_counts)
    curve = line_counts * line + (1.0 - line_counts) * cubic
    tangents = unit(line_counts * unit(slopes) + (1.0 - line_counts) * direction)
    stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    return OutflowPath("automatic_path", stations - np.interp(0.0, at, stations), curve, tangents)


def _cubic_along(at: FloatArray, line: FloatArray, end: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points and unit tangents (n, 3) at `at` (n,), mm, of the cubic that is nearest to `line` (n, 3) over FITTED mm
    upstream of the annulus and passes it at `end` (3,), mm; straight on at both ends."""
    reach = min(FITTED, -float(at[0]))
    fitted = (at >= -reach) & (at <= 0.0)
    inside = np.clip(at, -reach, 0.0)
    share, powers = (inside / reach)[:, None], np.arange(1, DEGREE + 1)
    factors = np.linalg.lstsq(share[fitted] ** powers, line[fitted] - end, rcond=None)[0]
    tangents = unit((powers * share ** (powers - 1)) @ factors)
    return end + share**powers @ factors + (at - inside)[:, None] * tangents, tangents
