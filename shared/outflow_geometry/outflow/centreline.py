"""The automatic outflow path: centreline of the (residual) outflow lumen from the ventricle to the aortic centre.

All points LPS, mm, float64; images indexed [k, j, i].

A minimal path over a cost that falls with the square of the distance from the wall (scikit-image, minimal cost
path on a grid) finds the channel; a cubic B-spline through it is then moved to the least cost per length, below
the grid's resolution. The channel beside a device is a crescent, often widest at its two horns: the cost rises away
from the plane that holds ring axis and aortic centre, so that the path keeps to the crescent's middle and its planes
lie across the channel, not across a horn. The path is stiff, since a path that follows every narrow turn has planes
that lie askew in the outflow tract: it may pass nearer to one wall than to the other, and where device and septum all
but meet it cuts through the device's edge. It arrives along n_a at the aortic centre, and starts at the widest place
of the ventricle, which the image alone decides: landmarks drawn anew lead to the same path.

Sources: Cohen & Kimmel 1997, Int J Comput Vis 24:57 (minimal paths); Deschamps & Cohen 2001, Med Image Anal 5:281
(centred by the distance to the wall). The constants below were set on invented hearts of many shapes, so that the
planes lie as across a reader's path: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import BSpline
from scipy.optimize import minimize
from skimage.graph import MCP_Geometric

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.image.lumen import OUTFLOW, Lumen, PhaseImage
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.outflow_path import OutflowPath, path_through
from outflow_geometry.outflow.solids import Solid

DISTANCE_OFFSET = 2.0
"""mm added to the distance before it is squared: the cost stays finite at the wall, and in narrow channels bending
decides."""

ASIDE = 3.0
"""mm from the plane of ring axis and aortic centre at which the cost has doubled."""

BLOCKED_COST = 400.0
"""1/mm2; cost of device and walls to the search on the grid: a path through a closed channel is dear, yet exists."""

CONTROL_SPACING = 5.0
"""mm between the control points of the spline; channels turn on radii of 10 mm and more."""

END_CONTROLS = 3
"""Control points at the end that are fixed: the aortic centre, and two before it on the aortic axis, within one
spacing."""

BENDING = 0.2
"""1/mm2; weight of the bending of the control polygon against the cost (about 0.01/mm in a channel of 10 mm)."""

SAMPLES_PER_SPAN = 8
"""Points a span of the spline at which its cost is summed."""

START_DISTANCE = 33.0
"""mm from the aortic centre at which the path starts at least, so that it covers the 30 mm that are searched."""

BELOW_RING = 5.0
"""mm into the ventricle, from ring and aortic plane, at which the path starts at least."""

PLATEAU = 1.5
"""mm; places this little narrower than the widest belong to it: its middle does not hang on noise."""

PLATEAU_REACH = 10.0
"""mm around the very widest voxel in which the plateau is averaged."""

DEVICE_CLEARANCE = 6.0
"""mm upstream of the device's outflow end at which the path starts at least."""


@dataclass(frozen=True)
class _Grid:
    """Distance from the wall of the residual lumen, mm, and cost of a path, 1/mm2, on the coarse grid around it;
    points (nk, nj, ni, 3) of the grid, mm."""

    distance: NDArray[np.float32]
    cost: NDArray[np.float64]
    territory: NDArray[np.bool_]
    volume: Volume
    points: FloatArray


def _residual_grid(lumen: Lumen, anatomy: Anatomy, solid: Solid | None) -> _Grid:
    territory = lumen.territory
    ours = (territory.values == OUTFLOW) & (lumen.distance.values > 0.0)
    boxes = ndimage.find_objects(ours.astype(np.int8))
    if not boxes:
        raise GeometryError("no_lumen_at_path", "the outflow lumen is empty; check landmarks and blood level")
    box = tuple(
        slice(max(0, s.start - 2), min(n, s.stop + 2)) for s, n in zip(boxes[0], territory.values.shape, strict=True)
    )
    inside = ours[box].copy()
    low = np.asarray([s.start for s in box], dtype=np.float64)
    volume = Volume(inside, territory.to_points(low), territory.direction, territory.spacing)
    where = np.argwhere(inside)
    points = volume.to_points(where)
    out = anatomy.atrial_side(points)
    if solid is not None:
        out |= solid.contains(points)
    inside[tuple(where[out].T)] = False
    distance = ndimage.distance_transform_edt(inside, sampling=[float(s) for s in territory.spacing[::-1]])
    smooth = ndimage.gaussian_filter(distance.astype(np.float32), 1.0)
    every = volume.to_points(np.moveaxis(np.indices(inside.shape), 0, -1))
    beside = (every - anatomy.ring_center) @ anatomy.across
    cost = (1.0 + (beside / ASIDE) ** 2) / (smooth.astype(np.float64) + DISTANCE_OFFSET) ** 2
    return _Grid(smooth, cost, inside, volume, every)


def _widest_place(grid: _Grid, allowed: NDArray[np.bool_]) -> FloatArray:
    """Middle (3,), mm, of the widest place of the ventricle within `allowed`; raises `no_residual_lumen`."""
    width = np.where(allowed & grid.territory, grid.distance, np.float32(-1.0))
    top = float(width.max())
    if top <= 0.0:
        raise GeometryError("no_residual_lumen", "the device leaves no ventricle upstream of it; check plan, landmarks")
    plateau = np.argwhere(width > top - PLATEAU)
    # of several places as wide, the one around the very widest voxel
    best = np.asarray(np.unravel_index(int(np.argmax(width)), width.shape))
    near = np.linalg.norm((plateau - best) * grid.volume.spacing[::-1], axis=1) <= PLATEAU_REACH
    plateau = plateau[near]
    weight = width[tuple(plateau.T)].astype(np.float64) - (top - PLATEAU)
    return grid.volume.to_points((weight[:, None] * plateau).sum(axis=0) / weight.sum())


def _pooled_least(values: FloatArray, factor: int) -> FloatArray:
    """Least of each block of `factor` voxels a side."""
    padded = np.pad(values, [(0, -n % factor) for n in values.shape], mode="edge")
    k, j, i = (n // factor for n in padded.shape)
    result: FloatArray = padded.reshape(k, factor, j, factor, i, factor).min(axis=(1, 3, 5))
    return result


def _grid_route(grid: _Grid, start: FloatArray, end: FloatArray) -> FloatArray:
    """Points (n, 3), mm, of the minimal path over the grid, pooled to 2 mm."""
    spacing = grid.volume.spacing[::-1]
    factor = max(1, round(2.0 / float(spacing.mean())))
    top = np.asarray(grid.cost.shape) - 1
    cost = _pooled_least(np.where(grid.territory, grid.cost, BLOCKED_COST), factor)
    first, goal = (
        tuple((np.clip(np.round(grid.volume.to_index(p)).astype(int), 0, top) // factor).tolist()) for p in (start, end)
    )
    search = MCP_Geometric(cost, sampling=tuple(float(s) * factor for s in spacing))
    search.find_costs([first], [goal])
    route = np.asarray(search.traceback(goal), dtype=np.float64)
    points = grid.volume.to_points(route * factor + 0.5 * (factor - 1))
    points[0] = start
    return points


def _settled(grid: _Grid, route: FloatArray, anatomy: Anatomy) -> FloatArray:
    """Points (n, 3), mm, of the spline of least cost near the grid's route, ending along the aortic axis."""
    center, axis = anatomy.aortic_center, anatomy.aortic_plane.normal
    whole = np.vstack([route[:-1], center])
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(whole, axis=0), axis=1))])
    count = max(round(chord[-1] / CONTROL_SPACING) + 1, END_CONTROLS + 3)
    knots = np.concatenate([[0.0] * 3, np.linspace(0.0, 1.0, count - 2), [1.0] * 3])
    even = np.linspace(0.0, chord[-1], SAMPLES_PER_SPAN * (count - 3) + 1)
    line = np.stack([np.interp(even, chord, whole[:, axis_]) for axis_ in range(3)], axis=-1)
    line = ndimage.gaussian_filter1d(line, 1.0 * SAMPLES_PER_SPAN / 2.0, axis=0, mode="nearest")
    design = BSpline.design_matrix(np.linspace(0.0, 1.0, len(even)), knots, 3).toarray()
    controls = np.linalg.lstsq(design, line, rcond=None)[0]
    controls[0] = route[0]
    # the last controls of a clamped cubic lie a third and two thirds of a span apart
    before = np.array([1.0, 1.0 / 3.0, 0.0]) * chord[-1] / (count - 3)
    controls[-END_CONTROLS:] = center - before[:, None] * axis
    free = slice(1, count - END_CONTROLS)
    slopes = np.gradient(grid.cost)

    def energy(flat: FloatArray) -> tuple[float, FloatArray]:
        moved = controls.copy()
        moved[free] = flat.reshape(-1, 3)
        points = design @ moved
        middle = 0.5 * (points[1:] + points[:-1])
        step = points[1:] - points[:-1]
        length = np.linalg.norm(step, axis=1)
        index = grid.volume.to_index(middle).T
        value = ndimage.map_coordinates(grid.cost, index, order=1, mode="nearest")
        slope = np.stack([ndimage.map_coordinates(s, index, order=1, mode="nearest") for s in slopes], axis=-1)
        # index gradient [k, j, i] to mm: index = inverse(direction * spacing) (p - origin)
        gradient = slope[:, ::-1] / grid.volume.spacing @ grid.volume.direction.T
        bend = moved[2:] - 2.0 * moved[1:-1] + moved[:-2]
        total = float(value @ length) + BENDING / CONTROL_SPACING * float((bend**2).sum())
        pull = 0.5 * gradient * length[:, None]
        along = value[:, None] * step / np.maximum(length, 1e-9)[:, None]
        by_point = np.zeros_like(points)
        by_point[1:] += pull + along
        by_point[:-1] += pull - along
        by_control = design.T @ by_point
        weight = 2.0 * BENDING / CONTROL_SPACING
        by_control[2:] += weight * bend
        by_control[1:-1] -= 2.0 * weight * bend
        by_control[:-2] += weight * bend
        return total, by_control[free].ravel()

    result = minimize(
        energy, controls[free].ravel(), jac=True, method="L-BFGS-B", options={"maxiter": 200, "ftol": 1e-9}
    )
    controls[free] = result.x.reshape(-1, 3)
    fine = BSpline(knots, controls, 3)(np.linspace(0.0, 1.0, 4 * (count - 3) + 1))
    return np.asarray(fine, dtype=np.float64)


def automatic_path(
    lumen: Lumen,
    anatomy: Anatomy,
    solid: Solid | None = None,
    phase_image: PhaseImage | None = None,
) -> OutflowPath:
    """Centreline of the outflow lumen, or with `solid` of the residual lumen beside it.

    Parameters
    ----------
    lumen : the outflow lumen; its coarse territory and distances are used.
    solid : device to be taken out of the lumen; the path then starts ahead of its outflow end and leads into the
        channel beside it. Where that is closed the path runs through the narrowest place all the same.
    phase_image : not needed; accepted so that all parts of a reading are called alike.

    Raises GeometryError `no_lumen_at_path`, `no_residual_lumen`, and what the anatomy and the path raise.
    """
    grid = _residual_grid(lumen, anatomy, solid)
    ring, aorta = anatomy.ring_plane, anatomy.aortic_plane
    ring_height = ring.height(grid.points)
    away = np.linalg.norm(grid.points - aorta.point, axis=-1)
    ventricle = (ring_height > BELOW_RING) & (aorta.height(grid.points) < -BELOW_RING)
    if solid is not None:
        ventricle &= ring_height >= float(ring.height(solid.outflow_end)) + DEVICE_CLEARANCE
    far = ventricle & (away >= START_DISTANCE)
    allowed = far if (far & grid.territory).any() else ventricle
    route = _grid_route(grid, _widest_place(grid, allowed), aorta.point)
    if len(route) < 3:
        raise GeometryError("no_lumen_at_path", "ventricle and aortic centre fall together; check hinges and apex")
    return path_through(_settled(grid, route, anatomy), anatomy.aortic_plane, "automatic_path")
