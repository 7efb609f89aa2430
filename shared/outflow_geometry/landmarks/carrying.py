"""Landmarks of a marked phase carried to another phase of the same heart, each structure by its nature.

All points LPS, mm, float64. A `Motion` says where points of the marked phase lie in the other one, as an image
registration found them. What is stiff must not be bent by the errors of the registration, so:

ring : moved as a stiff body; what is left over is followed only as far as a smooth closed curve can (two harmonics),
    and not at all where the ring is implanted. The trigones go with it.
annulus : hinges, aortic ring and traced annulus move as one stiff body.
post tips, anterior leaflet : go with the stiff ring. The leaflet keeps its length; its place in the other phase is not
    known, since leaflets swing from open to closed.
septum : follows the motion point by point.
apex : stays where it is; in truth it hardly moves, and the motion of the wall about it drags it by 1 to 2 mm.
path, outline, samples : are not carried. The automatic path, and the levels of blood and muscle, are found anew in the
    image of the phase.

How far the motion departs from the stiff body it should be (the disagreement) says how exact it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from outflow_geometry.base.contours import closed_contour
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, unit
from outflow_geometry.base.planes import facing, least_squares_plane

Motion = Callable[[FloatArray], FloatArray]
"""From points (n, 3) of the marked phase to where they lie in the other one, mm."""

RING_STRUCTURES = ("mitral_ring", "trigone_left", "trigone_right")
STIFF_WITH_RING = ("post_tip", "anterior_leaflet")
ANNULUS_STRUCTURES = (
    "aortic_hinge_left",
    "aortic_hinge_right",
    "aortic_hinge_non",
    "aortic_ring",
    "aortic_contour",
)
FOLLOWING = ("septum",)
STAYING = ("lv_apex",)
NOT_CARRIED = ("outflow_path", "outflow_trace", "blood_sample", "muscle_sample")
PATH = "outflow_path"

SUPPORT_POINTS = 48
"""Points around ring and annulus at which the motion is asked."""

SUPPORT_OFFSETS = ((0.0, 0.0), (2.5, 0.0), (1.5, -2.0), (1.5, 2.0))
"""mm outward and along the normal from the contour: the tissue beside the contour moves with it."""

RING_OFFSETS = ((0.0, 0.0), (1.0, -1.5), (2.0, -3.0), (3.0, -1.0))
"""The same for a native ring whose apex is known, normal toward the apex: only the atrial side counts. The ventricle
shortens and thickens beside the ring, and drags a ring that is fitted to both sides: on moving hearts its area came out
4 % too small at end-systole and its centre 0.4 mm too near the atrium."""

IMPLANT_OFFSETS = ((0.0, 0.0), (0.6, 0.0))
"""The same for an implanted ring, whose metal band alone moves as it does."""

RING_HARMONICS = 2
"""A native ring changes its size, roundness and saddle over the beat, and nothing finer."""

ALONG = 0.1
"""Weight of residuals along a contour: an image shows hardly how tissue slides along an edge."""

FIT_ROUNDS = 6

ROBUST = 1.5
"""Residuals beyond this many standard deviations count less (Huber 1964, Ann Math Stat 35:73)."""


@dataclass(frozen=True)
class StiffFit:
    """A stiff body's move that explains the motion of its support points best.

    turn : (3, 3). center, target : (3,), mm; points move to target + turn (p - center).
    disagreement : root mean square distance between motion and move, mm.
    size_change : relative change of the body's size (length) in the motion, 0.02 = 2 % longer.
    radius : mean distance of the support points from their centre, mm.
    """

    turn: FloatArray
    center: FloatArray
    target: FloatArray
    disagreement: float
    size_change: float
    radius: float

    def move(self, points: ArrayLike) -> FloatArray:
        """Points (n, 3), mm, moved with the body."""
        result: FloatArray = self.target + (np.asarray(points, dtype=np.float64) - self.center) @ self.turn.T
        return result


@dataclass(frozen=True)
class CarriedLandmarks:
    """Landmarks in another phase than the one they were marked in, and how well the motion fits their nature.

    landmarks : (n, 3) arrays by structure, mm.
    ring, annulus : the stiff moves; None where the reading has no such structure.
    left_over : disagreement of the ring's motion after its smooth change of shape, mm; None without a ring.
    """

    landmarks: Mapping[str, FloatArray]
    ring: StiffFit | None
    annulus: StiffFit | None
    left_over: float | None


def stiff_fit(points: FloatArray, moved: FloatArray, along: FloatArray) -> StiffFit:
    """Rigid motion from `points` to `moved` (n >= 3, 3), mm, by weighted least squares; large residuals count less.

    along : (n, 3) unit directions in which a motion hardly shows, since the contour looks the same along them:
    residuals along them have the weight `ALONG` only.

    Source: Kabsch 1976, Acta Cryst A32:922 (start, turn by singular values), then Gauss-Newton on the weighted
    residuals with Huber's weights. Raises GeometryError `too_few_points`.

    Four points moved by 2, 0 and 1 mm, seen equally well in all directions:

    >>> points = np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10]])
    >>> fit = stiff_fit(points, points + [2.0, 0.0, 1.0], np.zeros((4, 3)))
    >>> bool(np.allclose(fit.move(points) - points, [2.0, 0.0, 1.0]))
    True
    """
    if len(points) < 3:
        raise GeometryError("too_few_points", f"a stiff body needs three points, found {len(points)}")
    center, target = points.mean(axis=0), moved.mean(axis=0)
    relative = points - center
    u, _, vt = np.linalg.svd(relative.T @ (moved - target))
    turn = vt.T @ np.diag([1.0, 1.0, float(np.sign(np.linalg.det(vt.T @ u.T)))]) @ u.T
    for _ in range(FIT_ROUNDS):
        arms = relative @ turn.T
        rest = moved - target - arms
        seen = _seen(along @ turn.T)
        residual = np.einsum("nij,nj->ni", seen, rest)
        weight = _calm(residual)
        # a small turn w moves a point at arm a by w x a = -[a]x w
        design = np.einsum("nij,njk->nik", seen, np.concatenate([_stacked_identity(len(arms)), -_cross(arms)], axis=2))
        step = np.linalg.lstsq((design * weight[:, None, None]).reshape(-1, 6), (residual * weight[:, None]).ravel())[0]
        target, turn = target + step[:3], Rotation.from_rotvec(step[3:]).as_matrix() @ turn
    rest = moved - target - relative @ turn.T
    seen_rest = np.einsum("nij,nj->ni", _seen(along @ turn.T), rest)
    before = float(np.linalg.norm(relative, axis=1).mean())
    after = float(np.linalg.norm(moved - moved.mean(axis=0), axis=1).mean())
    return StiffFit(
        turn=turn,
        center=center,
        target=target,
        disagreement=_root_mean_square(seen_rest),
        size_change=after / before - 1.0 if before > 0.0 else 0.0,
        radius=before,
    )


def _seen(along: FloatArray) -> FloatArray:
    """(n, 3, 3) weights of residuals: 1 across the directions `along` (n, 3), ALONG along them."""
    result: FloatArray = np.eye(3) - (1.0 - ALONG) * along[:, :, None] * along[:, None, :]
    return result


def _stacked_identity(count: int) -> FloatArray:
    return np.broadcast_to(np.eye(3), (count, 3, 3))


def _cross(vectors: FloatArray) -> FloatArray:
    """(n, 3, 3) matrices of the cross product with `vectors` (n, 3)."""
    x, y, z = vectors.T
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)


def _root_mean_square(residual: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.sum(residual**2, axis=1))))


def _calm(residual: FloatArray) -> FloatArray:
    """Square roots (n,) of Huber's weights of residuals (n, 3)."""
    length = np.linalg.norm(residual, axis=1)
    scale = ROBUST * max(_root_mean_square(residual), 1e-9)
    result: FloatArray = np.sqrt(np.minimum(1.0, scale / np.maximum(length, 1e-9)))
    return result


def carried_landmarks(landmarks: Mapping[str, ArrayLike], motion: Motion, *, implanted: bool) -> CarriedLandmarks:
    """Landmarks (n, 3) by structure of a marked phase, mm, in the phase that `motion` leads to.

    implanted : whether the ring is a surgical valve or ring, which keeps its shape.

    A heart that moves by 3 mm toward the feet takes its ring along; the apex stays:

    >>> from outflow_geometry import straight_tract
    >>> landmarks, _ = straight_tract()
    >>> carried = carried_landmarks(landmarks, lambda points: points - [0.0, 0.0, 3.0], implanted=False)
    >>> moved = carried.landmarks["mitral_ring"] - landmarks["mitral_ring"]
    >>> bool(np.allclose(moved, [0.0, 0.0, -3.0])), carried.landmarks["lv_apex"].tolist()
    (True, [[0.0, 0.0, -60.0]])
    """
    given = {name: np.asarray(p, dtype=np.float64).reshape(-1, 3) for name, p in landmarks.items()}
    carried: dict[str, FloatArray] = {}
    ring = annulus = None
    left_over = None
    if "mitral_ring" in given and len(given["mitral_ring"]) >= 3:
        ring, bend, left_over = _ring_move(given["mitral_ring"], motion, implanted, _apex(given))
        for name in RING_STRUCTURES:
            if name in given:
                carried[name] = ring.move(given[name]) + bend(given[name])
        for name in STIFF_WITH_RING:
            if name in given:
                carried[name] = ring.move(given[name])
    support = _annulus_support(given)
    if support is not None:
        annulus = stiff_fit(support[0], motion(support[0]), support[1])
        for name in ANNULUS_STRUCTURES:
            if name in given:
                carried[name] = annulus.move(given[name])
    for name in FOLLOWING:
        if name in given:
            carried[name] = motion(given[name])
    for name in STAYING:
        if name in given:
            carried[name] = given[name]
    order = [name for name in given if name in carried]
    return CarriedLandmarks({name: carried[name] for name in order}, ring, annulus, left_over)


def support_points(landmarks: Mapping[str, ArrayLike]) -> list[FloatArray]:
    """Points (n, 3), mm, about ring and annulus at which the motion counts; none for what a reading does not have."""
    given = {name: np.asarray(p, dtype=np.float64).reshape(-1, 3) for name, p in landmarks.items()}
    bodies = []
    if len(given.get("mitral_ring", ())) >= 3:
        bodies.append(_ring_support(given["mitral_ring"], _apex(given))[0])
    annulus = _annulus_support(given)
    return bodies if annulus is None else [*bodies, annulus[0]]


def _support(
    points: FloatArray,
    name: str,
    offsets: Sequence[tuple[float, float]] = SUPPORT_OFFSETS,
    toward: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Points (n, 3), mm, in the tissue beside a closed contour through `points`, and the contour's directions there.

    toward : (3,) point on the side that the offsets' normal shows to; without it that side is open.
    """
    plane = least_squares_plane(points, name)
    if toward is not None:
        plane = facing(plane, toward)
    contour = closed_contour(points, plane, name, check=False)
    outline = contour.spline(np.linspace(0.0, contour.knots[-1], SUPPORT_POINTS, endpoint=False))
    outward = outline - contour.centroid
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    heights = _heights(points, plane.lift(outline), plane.normal, plane.point)
    rows = [plane.lift(outline + out * outward) + (heights + along)[:, None] * plane.normal for out, along in offsets]
    return np.concatenate(rows), np.concatenate([unit(np.roll(r, -1, axis=0) - np.roll(r, 1, axis=0)) for r in rows])


def _apex(given: Mapping[str, FloatArray]) -> FloatArray | None:
    """The apex (3,), mm; None where the reading has none."""
    return given["lv_apex"].mean(axis=0) if len(given.get("lv_apex", ())) else None


def _ring_support(points: FloatArray, apex: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """Support of a native ring: its atrial side, or both sides where the apex does not tell which that is."""
    return _support(points, "mitral_ring", SUPPORT_OFFSETS if apex is None else RING_OFFSETS, apex)


def _heights(points: FloatArray, outline: FloatArray, normal: FloatArray, center: FloatArray) -> FloatArray:
    """Height over the plane of the outline's points: that of the given points, linear between the two nearest."""
    distance = np.linalg.norm(outline[:, None] - points[None], axis=2)
    near = np.argsort(distance, axis=1)[:, :2]
    away = np.take_along_axis(distance, near, axis=1)
    share = away[:, ::-1] / np.maximum(away.sum(axis=1, keepdims=True), 1e-9)
    heights: FloatArray = (((points - center) @ normal)[near] * share).sum(axis=1)
    return heights


def _annulus_support(given: Mapping[str, FloatArray]) -> tuple[FloatArray, FloatArray] | None:
    """Points beside the aortic annulus and its directions there; None where the reading has too few of it."""
    for name in ("aortic_contour", "aortic_ring"):
        if name in given and len(given[name]) >= 6:
            return _support(given[name], name)
    points = [given[name] for name in ANNULUS_STRUCTURES if name in given]
    if not points or sum(map(len, points)) < 3:
        return None
    stacked = np.concatenate(points)
    plane = least_squares_plane(stacked, "aortic annulus")
    center = plane.project(stacked).mean(axis=0)
    radius = float(np.linalg.norm(plane.project(stacked) - center, axis=1).mean())
    angle = np.arange(SUPPORT_POINTS) * 2.0 * math.pi / SUPPORT_POINTS
    return _support(plane.lift(center + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)), "aortic annulus")


def _ring_move(
    points: FloatArray, motion: Motion, implanted: bool, apex: FloatArray | None
) -> tuple[StiffFit, Motion, float]:
    """The ring's stiff move, how it bends beside it, and the root mean square of what neither explains, mm."""
    if implanted:
        support, along = _support(points, "mitral_ring", IMPLANT_OFFSETS)
    else:
        support, along = _ring_support(points, apex)
    moved = motion(support)
    fit = stiff_fit(support, moved, along)
    plane = least_squares_plane(points, "mitral_ring")
    if implanted:
        return fit, np.zeros_like, fit.disagreement
    radius = float(np.linalg.norm(plane.project(points), axis=1).mean())
    terms, seen = _harmonics(plane, support, radius), _seen(along @ fit.turn.T)
    residual = np.einsum("nij,nj->ni", seen, moved - fit.move(support))
    # unknown: one vector per term; a point's bend is the sum of its terms times their vectors
    design = np.einsum("nij,nt->nitj", seen, terms).reshape(len(support), 3, -1)
    found = np.zeros(design.shape[2])
    for _ in range(FIT_ROUNDS):
        weight = _calm(residual - design @ found)
        found = np.linalg.lstsq(
            (design * weight[:, None, None]).reshape(-1, len(found)), (residual * weight[:, None]).ravel()
        )[0]
    vectors = found.reshape(terms.shape[1], 3)

    def bend(p: FloatArray) -> FloatArray:
        result: FloatArray = _harmonics(plane, p, radius) @ vectors
        return result

    return fit, bend, _root_mean_square(residual - design @ found)


def _harmonics(plane: Plane, points: FloatArray, radius: float) -> FloatArray:
    """Terms (n, 2 RING_HARMONICS + 1) of the angle of `points` (n, 3) about the plane's point.

    They grow with the distance from there, 1 at `radius`, so that an even stretch is one of the changes they hold.
    """
    flat = plane.project(points)
    angle = np.arctan2(flat[:, 1], flat[:, 0])[:, None] * np.arange(1, RING_HARMONICS + 1)
    far = np.linalg.norm(flat, axis=1, keepdims=True) / radius
    return np.hstack([np.ones((len(flat), 1)), far * np.cos(angle), far * np.sin(angle)])
