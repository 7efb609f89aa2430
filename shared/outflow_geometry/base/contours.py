"""Closed smooth contours in a plane: area, centroid, perimeter, chords, circle fit.

Points LPS, mm, float64; in-plane coordinates (u, v) of the contour's plane, mm; areas mm2.

A contour is the closed periodic cubic spline through its points, parametrised by chord length, so that it
depends neither on the start point nor on the winding. Areas and centroids are integrated exactly on the
polynomial pieces (Gauss-Legendre of sufficient order), perimeters to 1e-9 of their length or better.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import ArrayLike

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane
from outflow_geometry.base.planes import checked_points

if TYPE_CHECKING:
    from scipy.interpolate import PPoly

REPEATED_POINT = 1e-3
"""mm; consecutive points nearer than this are one point written twice (files carry 3 decimals)."""

OUTLINE_POINTS = 1440
"""Samples of the fine outline: the sagitta of 0.25 degrees on a 20 mm radius is 5e-5 mm."""

GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(8)
"""Exact to degree 15; the first moments of a cubic contour have degree 8."""

CROSSING_SHARE = 0.01
"""Share of the enclosed area that self-crossings may take: small loops of noisy dense points, not a wrong order."""

FULL_TURN = 2.0 * math.pi
"""radians."""

CIRCLE_ROUNDS = 100
"""Most steps of a circle fit; rings need about eight."""

CIRCLE_STEP = 1e-9
"""Step, in radii, at which a circle fit stands still."""

CHORD_DIRECTIONS = 720
"""Directions searched over half a turn for the longest chord, before parabolic refinement."""


def distinct_points(points: ArrayLike, structure: str) -> FloatArray:
    """Drop repeats of the previous point (also the first written again at the end) from closed (n, 3) points.

    >>> distinct_points([[0, 0, 0], [4, 0, 0], [4, 0, 0], [4, 3, 0], [0, 0, 0]], "mitral_ring").shape
    (3, 3)
    """
    array = checked_points(points, structure, 3)
    gap = np.linalg.norm(array - np.roll(array, 1, axis=0), axis=1)
    return checked_points(array[gap > REPEATED_POINT], structure, 3)


def winding_number(polygon: FloatArray) -> int:
    """Turns that the closed polygon (n, 2), mm, makes about its mean point.

    >>> square = np.array([[0.0, 0], [4, 0], [4, 3], [0, 3]])
    >>> winding_number(square), winding_number(square[::-1])
    (1, -1)
    """
    relative = polygon - polygon.mean(axis=0)
    ahead = np.roll(relative, -1, axis=0)
    cross = relative[:, 0] * ahead[:, 1] - relative[:, 1] * ahead[:, 0]
    turn = np.arctan2(cross, np.sum(relative * ahead, axis=1))
    return round(float(turn.sum()) / (2.0 * math.pi))


@dataclass(frozen=True)
class Contour:
    """A closed contour through points, in a plane.

    plane : the plane on which the points are projected.
    points : (n, 3) the points as given (off the plane), mm, without repeats.
    knots : (n + 1,) chord length along the projected points, mm.
    """

    plane: Plane
    points: FloatArray
    knots: FloatArray

    @cached_property
    def spline(self) -> PPoly:
        """Periodic cubic spline of the in-plane coordinates over `knots`."""
        return periodic_spline(self.knots, self.plane.project(self.points))

    @cached_property
    def _nodes(self) -> tuple[FloatArray, FloatArray]:
        return gauss_nodes(self.knots)

    @cached_property
    def _sampled(self) -> tuple[FloatArray, FloatArray]:
        nodes, _ = self._nodes
        return self.spline(nodes), self.spline(nodes, 1)

    @cached_property
    def signed_area(self) -> float:
        """Area, mm2, positive where the points run anticlockwise about the plane's normal."""
        value, slope = self._sampled
        # Green's theorem: A = 1/2 closed integral of (u dv - v du)
        return 0.5 * float(self._nodes[1] @ (value[:, 0] * slope[:, 1] - value[:, 1] * slope[:, 0]))

    @property
    def area(self) -> float:
        """Enclosed projected area, mm2."""
        return abs(self.signed_area)

    @cached_property
    def centroid(self) -> FloatArray:
        """Area centroid (2,), in-plane coordinates, mm."""
        value, slope = self._sampled
        origin = value.mean(axis=0)
        shifted = value - origin
        cross = shifted[:, 0] * slope[:, 1] - shifted[:, 1] * slope[:, 0]
        # Green's theorem: c = 1/(3 A) closed integral of x (x . n) ds
        moment = (self._nodes[1] * cross) @ shifted / 3.0
        result: FloatArray = origin + moment / self.signed_area
        return result

    @property
    def center(self) -> FloatArray:
        """Area centroid (3,), mm."""
        return self.plane.lift(self.centroid)

    @cached_property
    def perimeter(self) -> float:
        """Length of the projected contour, mm."""
        return float(self._nodes[1] @ np.linalg.norm(self._sampled[1], axis=1))

    @cached_property
    def spatial_perimeter(self) -> float:
        """Length of the closed periodic cubic spline through the points in space, mm."""
        knots = _chord_knots(self.points)
        spline = periodic_spline(knots, self.points)
        nodes, weights = gauss_nodes(knots)
        return float(weights @ np.linalg.norm(spline(nodes, 1), axis=1))

    @cached_property
    def flat(self) -> FloatArray:
        """Fine outline (OUTLINE_POINTS, 2), in-plane coordinates, mm, anticlockwise, first point not repeated."""
        outline: FloatArray = self.spline(np.linspace(0.0, self.knots[-1], OUTLINE_POINTS, endpoint=False))
        return outline if self.signed_area > 0 else outline[::-1]

    @cached_property
    def outline(self) -> FloatArray:
        """Fine outline (OUTLINE_POINTS, 3), mm."""
        return self.plane.lift(self.flat)

    @cached_property
    def _polar_edges(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Start angle, turn (radians, signed) and start radius of each edge of the outline about the centroid."""
        relative = self.flat - self.centroid
        ahead = np.roll(relative, -1, axis=0)
        cross = relative[:, 0] * ahead[:, 1] - relative[:, 1] * ahead[:, 0]
        turn = np.arctan2(cross, relative[:, 0] * ahead[:, 0] + relative[:, 1] * ahead[:, 1])
        return np.arctan2(relative[:, 1], relative[:, 0]), turn, np.hypot(relative[:, 0], relative[:, 1])

    def radii(self, angles: ArrayLike) -> FloatArray:
        """Distance (m,), mm, from the centroid to the contour in the in-plane directions `angles` (m,), radians.

        Where a ray meets the contour more than once, the nearest crossing counts. Raises `centroid_outside`.
        """
        wanted = np.mod(np.atleast_1d(np.asarray(angles, dtype=np.float64)), FULL_TURN)
        order = np.argsort(wanted, kind="stable")
        twice = np.concatenate([wanted[order], wanted[order] + FULL_TURN])
        start, turn, radius = self._polar_edges
        low, high = np.minimum(start, start + turn), np.maximum(start, start + turn)
        lap = np.floor(low / FULL_TURN) * FULL_TURN
        first = np.searchsorted(twice, low - lap, side="left")
        count = np.where(turn == 0.0, 0, np.searchsorted(twice, high - lap, side="right") - first)
        edge = np.repeat(np.arange(len(start)), count)
        ray = np.repeat(first - np.cumsum(count) + count, count) + np.arange(len(edge))
        whole = np.abs(turn[edge])
        along = np.sign(turn[edge]) * (twice[ray] - (start - lap)[edge])
        near, far = radius[edge], radius[(edge + 1) % len(start)]
        # a straight edge in polar form, by the law of sines in the triangle of centroid and edge
        met = near * far * np.sin(whole) / (near * np.sin(along) + far * np.sin(whole - along))
        nearest = np.full(len(wanted), np.inf)
        np.minimum.at(nearest, order[ray % len(wanted)], met)
        if not np.all(np.isfinite(nearest)):
            raise GeometryError("centroid_outside", "the contour's centroid is outside it; check the point order")
        return nearest

    def chord(self, direction: ArrayLike) -> float:
        """Length, mm, of the chord through the centroid along `direction` (3,), projected on the plane."""
        wanted = np.asarray(direction, dtype=np.float64)
        x, y = float(wanted @ self.plane.u), float(wanted @ self.plane.v)
        angle = math.atan2(y, x)
        return float(self.radii([angle, angle + math.pi]).sum())

    @cached_property
    def axis_diameters(self) -> tuple[float, float]:
        """Longest chord through the centroid, and the chord through it at right angles, mm.

        For an ellipse these are its axes.
        """
        angles = np.linspace(0.0, math.pi, CHORD_DIRECTIONS, endpoint=False)
        both = self.radii(np.concatenate([angles, angles + math.pi])).reshape(2, -1)
        chords = both.sum(axis=0)
        best = int(np.argmax(chords))
        before, peak, after = chords[best - 1], chords[best], chords[(best + 1) % CHORD_DIRECTIONS]
        curvature = before - 2.0 * peak + after
        shift = 0.0 if curvature >= 0.0 else 0.5 * (before - after) / curvature
        angle = angles[best] + shift * math.pi / CHORD_DIRECTIONS
        quarter = math.pi / 2.0
        longest, across = self.radii([angle, angle + 2 * quarter, angle + quarter, angle + 3 * quarter]).reshape(2, 2)
        return float(longest.sum()), float(across.sum())

    def extreme(self, direction: ArrayLike) -> FloatArray:
        """The contour's point (3,), mm, farthest along `direction` (3,)."""
        wanted = np.asarray(direction, dtype=np.float64)
        result: FloatArray = self.outline[int(np.argmax(self.outline @ wanted))]
        return result


def periodic_spline(knots: FloatArray, points: FloatArray) -> PPoly:
    """Closed cubic spline through `points` (n >= 3, d) at `knots` (n + 1,), the last being the first again.

    The same curve as scipy's CubicSpline with periodic ends, found ten times faster for the few points of a ring,
    which counts where a reading is redrawn hundreds of times.

    It passes through its points and ends where it began:

    >>> square = np.array([[1.0, 0], [0, 1], [-1, 0], [0, -1]])
    >>> curve = periodic_spline(np.arange(5.0), square)
    >>> (curve(1.0).round(6) + 0.0).tolist(), (curve(4.0).round(6) + 0.0).tolist()
    ([0.0, 1.0], [1.0, 0.0])
    """
    from scipy.interpolate import PPoly  # on first use: whoever only lists the measures needs no scipy

    h = np.diff(knots)
    rise = (np.roll(points, -1, axis=0) - points) / h[:, None]
    before = np.roll(h, 1)
    count = len(points)
    here = np.arange(count)
    system = np.zeros((count, count))
    system[here, here] = 2.0 * (before + h)
    system[here, here - 1] += before
    system[here, (here + 1) % count] += h
    # continuity of the slope: h- M- + 2 (h- + h) M + h M+ = 6 (rise - rise-); de Boor 1978, ch. IV
    bend = np.linalg.solve(system, 6.0 * (rise - np.roll(rise, 1, axis=0)))
    after = np.roll(bend, -1, axis=0)
    slope = rise - h[:, None] * (2.0 * bend + after) / 6.0
    coefficients = np.stack([(after - bend) / (6.0 * h[:, None]), bend / 2.0, slope, points])
    return PPoly.construct_fast(coefficients, knots, extrapolate="periodic")


def _chord_knots(points: FloatArray) -> FloatArray:
    steps = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    if np.any(steps <= 0.0):
        raise GeometryError("repeated_points", "two neighbouring points fall together on the plane; correct them")
    return np.concatenate([[0.0], np.cumsum(steps)])


def gauss_nodes(knots: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights, 8 on each interval of `knots` (n,).

    Exact for polynomials, here the integral of x^3 from 0 to 2:

    >>> nodes, weights = gauss_nodes(np.array([0.0, 1.0, 2.0]))
    >>> round(float(weights @ nodes**3), 6)
    4.0
    """
    half = 0.5 * np.diff(knots)
    middle = 0.5 * (knots[1:] + knots[:-1])
    nodes = (middle[:, None] + half[:, None] * GAUSS_NODES).ravel()
    return nodes, (half[:, None] * GAUSS_WEIGHTS).ravel()


def closed_contour(
    points: ArrayLike, plane: Plane, structure: str = "contour", *, check: bool = True, crescent: bool = False
) -> Contour:
    """Closed periodic cubic spline through `points` (n >= 3, 3), mm, in order around, projected on `plane`.

    Parameters
    ----------
    check : also refuse points that run around more or less than once, or cross over; off for redrawn points
        of a contour that passed.
    crescent : whether the middle of the points may be outside the contour, as in an outflow tract beside a device.

    Raises GeometryError `too_few_points`, `bad_points`, `repeated_points`, `wound_twice`, `points_out_of_order`.

    The area of a circle of 10 mm radius is 314.159 mm2; sixteen points on it give

    >>> t = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    >>> circle = np.stack([10 * np.cos(t), 10 * np.sin(t), np.zeros(16)], axis=1)
    >>> ring = closed_contour(circle, Plane.from_normal([0, 0, 0], [0, 0, 1]))
    >>> round(ring.area, 1)
    314.1
    """
    array = distinct_points(points, structure) if check else np.asarray(points, dtype=np.float64)
    flat = plane.project(array)
    contour = Contour(plane, array, _chord_knots(flat))
    if check:
        turns = abs(winding_number(flat))
        if turns > 1:
            raise GeometryError("wound_twice", f"{structure} runs {turns} times around; list each point once, in order")
        if turns == 0 and not crescent:
            raise GeometryError("points_out_of_order", f"{structure} does not run around its centre; order its points")
        polygon = shapely.Polygon(contour.flat)
        if not polygon.is_valid:
            enclosed = shapely.make_valid(polygon).area
            if abs(enclosed - contour.area) > CROSSING_SHARE * enclosed:
                raise GeometryError("points_out_of_order", f"{structure} crosses itself; order its points around it")
    return contour


def angularly_sorted(points: ArrayLike, plane: Plane) -> FloatArray:
    """The points (n, 3), mm, in order of their angle about their mean in `plane`.

    >>> square = [[1, 1, 0], [-1, -1, 0], [-1, 1, 0], [1, -1, 0]]
    >>> angularly_sorted(square, Plane.from_normal([0, 0, 0], [0, 0, 1], toward=[1, 0, 0])).astype(int).tolist()
    [[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]
    """
    array = np.asarray(points, dtype=np.float64)
    relative = plane.project(array) - plane.project(array).mean(axis=0)
    result: FloatArray = array[np.argsort(np.arctan2(relative[:, 1], relative[:, 0]), kind="stable")]
    return result


def circle_fit(flat: ArrayLike) -> tuple[FloatArray, float]:
    """Centre (2,) and radius, mm, of the circle with the least squared geometric distance to `flat` (n >= 3, 2), mm.

    Starts at the algebraic Taubin fit and ends with Gauss-Newton (Levenberg-Marquardt damped) on the distances.
    Sources: Taubin 1991, IEEE PAMI 13:1115; Chernov & Lesort 2005, J Math Imaging Vis 23:239 (geometric fit).
    Raises GeometryError `collinear_points`.

    Four points of a circle about (2, 3):

    >>> center, radius = circle_fit([[7, 3], [2, 8], [-3, 3], [2, -2]])
    >>> center.round(6).tolist(), round(float(radius), 6)
    ([2.0, 3.0], 5.0)
    """
    points = np.asarray(flat, dtype=np.float64)
    origin = points.mean(axis=0)
    centred = points - origin
    singular = np.linalg.svd(centred, compute_uv=False)
    if len(points) < 3 or singular[1] <= 1e-6 * singular[0]:
        raise GeometryError("collinear_points", "a circle needs three points that do not lie on a line")
    scale = math.sqrt(float(np.mean(np.sum(centred**2, axis=1))))
    x, y = (centred / scale).T
    # Taubin: smallest singular vector of [(z - mean z)/(2 sqrt(mean z)), x, y] (SVD form, Chernov 2010, section 5.9)
    z = x * x + y * y
    mean_z = float(z.mean())
    design = np.stack([(z - mean_z) / (2.0 * math.sqrt(mean_z)), x, y], axis=1)
    a0, b, c = np.linalg.svd(design, full_matrices=False)[2][2]
    a = a0 / (2.0 * math.sqrt(mean_z))
    center = np.asarray([-b / (2.0 * a), -c / (2.0 * a)])
    xy = np.stack([x, y], axis=1)
    radius = float(np.mean(np.linalg.norm(xy - center, axis=1)))
    damping, error = 1e-6, np.inf
    for _ in range(CIRCLE_ROUNDS):
        offset = xy - center
        distance = np.linalg.norm(offset, axis=1)
        residual = distance - radius
        error = float(residual @ residual)
        if error < CIRCLE_STEP**2:
            break
        jacobian = np.column_stack([-offset / distance[:, None], -np.ones(len(xy))])
        gradient = jacobian.T @ residual
        normal = jacobian.T @ jacobian
        while True:
            step = np.linalg.solve(normal + damping * np.eye(3), -gradient)
            trial = np.linalg.norm(xy - (center + step[:2]), axis=1) - (radius + step[2])
            if float(trial @ trial) <= error or damping > 1e6:
                break
            damping *= 10.0
        center, radius, damping = center + step[:2], radius + float(step[2]), max(damping * 0.1, 1e-12)
        if np.linalg.norm(step) < CIRCLE_STEP:
            break
    return origin + scale * center, scale * radius


def polygon_area(flat: ArrayLike) -> float:
    """Signed area, mm2, of the closed polygon (n, 2), mm (shoelace).

    >>> polygon_area([[0, 0], [4, 0], [4, 3], [0, 3]])
    12.0
    """
    p = np.asarray(flat, dtype=np.float64)
    q = np.roll(p, -1, axis=0)
    return 0.5 * float(np.sum(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]))


def polygon_perimeter(points: ArrayLike) -> float:
    """Length, mm, of the closed polygon (n, 2 or 3), mm.

    >>> polygon_perimeter([[0, 0], [4, 0], [4, 3], [0, 3]])
    14.0
    """
    p = np.asarray(points, dtype=np.float64)
    return float(np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1).sum())
