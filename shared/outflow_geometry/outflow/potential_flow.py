"""Potential flow through the outflow lumen around a body, on a grid of about 1 mm with partial walls.

All points LPS, mm, float64; images indexed [k, j, i]; potentials run from 1 in the ventricle to 0 in the aorta.

`FlowGround` holds what no device changes: which share of each cell is outflow lumen, the faces between cells, and
where the potential is held. `solved_flow` puts a body and the planes of the atrial side into it and solves Laplace's
equation by finite volumes: no flow through walls, which cut the faces in proportion (partial walls keep a channel of
a millimetre open, where whole voxels would lose it). One ground serves all devices of a reading.

Source: Laplace's equation by finite volumes, conjugate gradients (Saad 2003, Iterative Methods for Sparse Linear
Systems, section 6.7), preconditioned by a modified incomplete Cholesky factor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.image.lumen import BESIDE_ROOT, OUTFLOW, Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.solids import Solid

GRID_SPACING = 1.0
"""mm between the cells of the flow grid."""

SAMPLES = (-0.25, 0.25)
"""Places in a cell, in cells, along each axis, where the field is looked up for the share of lumen."""

EDGE_SHARE = 0.15
"""Share of the contrast on either side of the level over which a sample passes from wall to lumen."""

CORE_SHARE = 0.35
"""Share of lumen from which a cell is surely lumen: emptier ones are the rim of such a cell, or no lumen at all but
the dim blood of the right heart."""

INLET_DISTANCE = 44.0
"""mm from the aortic centre beyond which the ventricle is held at potential 1 (study contract)."""

INLET_DEPTH = 4.0
"""mm of ventricle at least that are held, where it ends before INLET_DISTANCE: its farthest part."""

SHORTEST_INLET = 20.0
"""mm from the aortic centre; a ventricle that ends before that holds no outflow tract."""

OUTLET_HEIGHT = 8.0
"""mm past the aortic plane beyond which the aorta is held at potential 0 (study contract)."""

HELD_LAYERS = 1.5
"""mm of cells that are kept beyond inlet and outlet."""

LEAST_SHARE = 0.02
"""Share of lumen below which a cell is wall."""

TOLERANCE = 1e-6
"""Relative residual at which the solution is taken: a path moves by less than 0.01 mm below 1e-4."""

DROPPED_SHARE = 0.95
"""Share of the factor's dropped entries that its diagonal takes over."""

MOST_ITERATIONS = 2000
"""Of the conjugate gradients; some 35 are needed."""


@dataclass(frozen=True)
class FlowGround:
    """What no device changes.

    points : (n, 3) centres of the cells that hold lumen, mm. share : (n,) their share of lumen, before the atrial side
    and any device are taken out. spacing : mm between cells.
    first, second : (f,) cells on either side of each face.
    inlet, outlet : (n,) cells held at potential 1 and 0.
    below, above : (n, 3) face towards the lower and the higher neighbour along each axis of the grid, or -1.
    """

    points: FloatArray
    share: FloatArray
    spacing: float
    first: NDArray[np.int64]
    second: NDArray[np.int64]
    inlet: NDArray[np.bool_]
    outlet: NDArray[np.bool_]
    below: NDArray[np.int64]
    above: NDArray[np.int64]

    @classmethod
    def of(cls, lumen: Lumen, anatomy: Anatomy, spacing: float = GRID_SPACING) -> FlowGround:
        """The ground of a lumen with the planes of `anatomy`.

        Raises GeometryError `no_channel` where lumen, ventricle or aorta is missing, and what the anatomy raises.
        """
        shares, origin = _lumen_shares(lumen, anatomy, spacing)
        kept = np.argwhere(shares > LEAST_SHARE)
        points = origin + kept[:, ::-1] * spacing @ lumen.field.direction.T
        share = shares[tuple(kept.T)].astype(np.float64)
        aortic_height = anatomy.aortic_plane.height(points)
        # the aortic plane, carried on, may cut the ventricle too: only what is beside the root is aorta
        root = _beside_root(points, anatomy)
        outlet = (aortic_height > OUTLET_HEIGHT) & root
        ventricle = (anatomy.ring_plane.height(points) > 0.0) & ~(root & (aortic_height > 0.0))
        away = np.linalg.norm(points - anatomy.aortic_center, axis=1)
        farthest = float(away[ventricle].max(initial=0.0))
        inlet_from = min(INLET_DISTANCE, farthest - INLET_DEPTH)
        if inlet_from < SHORTEST_INLET or not outlet.any():
            past = float(aortic_height.max(initial=-INLET_DISTANCE))
            raise GeometryError(
                "no_channel",
                f"the outflow lumen reaches {farthest:.0f} mm from the aortic centre into the ventricle and {past:.0f} "
                f"mm past the aortic plane; needed: {SHORTEST_INLET + INLET_DEPTH:.0f} and {OUTLET_HEIGHT:.0f} mm; "
                "check the region of the image, hinges and ring",
            )
        inlet = ventricle & (away > inlet_from)
        number = np.full(shares.shape, -1, dtype=np.int64)
        number[tuple(kept.T)] = np.arange(len(kept))
        pairs: list[NDArray[np.int64]] = []
        below, above = np.full((2, len(kept), 3), -1)
        faces = 0
        for axis in range(3):
            one = number[tuple(slice(None, -1) if a == axis else slice(None) for a in range(3))].ravel()
            two = number[tuple(slice(1, None) if a == axis else slice(None) for a in range(3))].ravel()
            both = (one >= 0) & (two >= 0)
            pairs.append(np.stack([one[both], two[both]]))
            numbers = np.arange(faces, faces + int(both.sum()))
            above[one[both], axis] = below[two[both], axis] = numbers
            faces += len(numbers)
        first, second = np.concatenate(pairs, axis=1)
        outlet &= _aorta(outlet, first, second, points, anatomy)
        return cls(points, share, spacing, first, second, inlet, outlet, below, above)


@dataclass(frozen=True)
class Flow:
    """A solved flow.

    potential : (n,) of the ground's cells, NaN where no flow passes. share : (n,) lumen left of each cell.
    openness : (f,) open share of each face, 0 where no flow passes.
    """

    ground: FlowGround
    potential: FloatArray
    share: FloatArray
    openness: FloatArray


def _lumen_shares(lumen: Lumen, anatomy: Anatomy, spacing: float) -> tuple[NDArray[np.float32], FloatArray]:
    """Share of outflow lumen of each cell of the flow grid, and the centre (3,) of its first cell, mm."""
    field = lumen.field
    territory = lumen.territory
    where = np.argwhere(territory.values == OUTFLOW)
    if not len(where):
        raise GeometryError("no_channel", "the outflow lumen is empty; check landmarks and blood level")
    low, high = where.min(axis=0), where.max(axis=0)
    corners = territory.to_points(np.stack([low, high]))
    frame = field.direction
    local = corners @ frame
    center = anatomy.aortic_center @ frame
    margin = INLET_DISTANCE + 2.0 * HELD_LAYERS + spacing
    start = np.maximum(local.min(axis=0) - 2.0 * spacing, center - margin)
    end = np.minimum(local.max(axis=0) + 2.0 * spacing, center + margin)
    # the grid runs through the field's own origin, so that it does not depend on the landmarks
    first = field.origin @ frame
    start = first + np.floor((start - first) / spacing) * spacing
    count = np.maximum(np.ceil((end - start) / spacing).astype(int) + 1, 1)
    axes = [start[n] + spacing * np.arange(count[n]) for n in range(3)]
    contrast = np.float32(lumen.level.blood_hu - lumen.level.muscle_hu)
    shares = np.zeros(tuple(count[::-1]), dtype=np.float32)
    for dx in SAMPLES:
        for dy in SAMPLES:
            for dz in SAMPLES:
                index = [
                    (axis + spacing * d - o) / s
                    for axis, d, o, s in zip(axes, (dx, dy, dz), first, field.spacing, strict=True)
                ]
                values = _sampled(field.values, index[::-1])
                values /= contrast
                shares += np.clip(0.5 + values / np.float32(2.0 * EDGE_SHARE), 0.0, 1.0)
    shares /= np.float32(len(SAMPLES) ** 3)
    core = (shares > CORE_SHARE).view(np.uint8)
    for axis in range(3):
        core = ndimage.maximum_filter1d(core, 3, axis=axis)
    shares[core == 0] = 0.0
    origin: FloatArray = start @ frame.T
    grid = Volume(shares, origin, frame, np.full(3, spacing))
    heights = _heights(grid, anatomy.aortic_plane.point, anatomy.aortic_plane.normal)
    square = sum(np.expand_dims((axes[n] - center[n]) ** 2, tuple(a for a in range(3) if a != 2 - n)) for n in range(3))
    root = square - heights**2 <= root_radius(anatomy) ** 2
    past = root & (heights > OUTLET_HEIGHT + HELD_LAYERS * spacing)
    shares[past | (square > (INLET_DISTANCE + HELD_LAYERS * spacing) ** 2)] = 0.0
    return shares, origin


def root_radius(anatomy: Anatomy) -> float:
    """mm from the aortic axis within which blood past the aortic plane is aorta."""
    return BESIDE_ROOT[0] * anatomy.aortic_radius + BESIDE_ROOT[1]


def _beside_root(points: FloatArray, anatomy: Anatomy) -> NDArray[np.bool_]:
    relative = points - anatomy.aortic_center
    along = relative @ anatomy.aortic_plane.normal
    result: NDArray[np.bool_] = np.vecdot(relative, relative) - along**2 <= root_radius(anatomy) ** 2
    return result


def _aorta(
    beyond: NDArray[np.bool_],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    points: FloatArray,
    anatomy: Anatomy,
) -> NDArray[np.bool_]:
    """Cells (n,) that, among those `beyond` the aortic plane, are joined to the one nearest to the aortic axis."""
    both = beyond[first] & beyond[second]
    count = len(points)
    graph = csr_array((np.ones(int(both.sum())), (first[both], second[both])), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    middle = anatomy.aortic_center + (OUTLET_HEIGHT + 0.5 * HELD_LAYERS) * anatomy.aortic_plane.normal
    away = np.where(beyond, np.linalg.norm(points - middle, axis=1), np.inf)
    result: NDArray[np.bool_] = label == label[int(np.argmin(away))]
    return result


def _sampled(values: NDArray[np.float32], index: list[FloatArray]) -> NDArray[np.float32]:
    """Trilinear look-up on a regular grid of fractional indices, axis by axis; outside the image its border's value."""
    result = values
    for axis, places in enumerate(index):
        top = values.shape[axis] - 1
        inside = np.clip(places, 0.0, top)
        left = np.minimum(inside.astype(np.int64), max(top - 1, 0))
        share = (inside - left).astype(np.float32).reshape([-1 if a == axis else 1 for a in range(3)])
        low = np.take(result, left, axis=axis)
        low += share * (np.take(result, np.minimum(left + 1, top), axis=axis) - low)
        result = low
    return result


def _heights(grid: Volume, point: FloatArray, normal: FloatArray) -> NDArray[np.float64]:
    """Height over a plane of every cell's centre, mm."""
    i, j, k = (float(step @ normal) for step in (grid.direction * grid.spacing).T)
    nk, nj, ni = grid.values.shape
    start = float((grid.origin - point) @ normal)
    result: NDArray[np.float64] = (
        (start + k * np.arange(nk))[:, None, None] + (j * np.arange(nj))[:, None] + i * np.arange(ni)
    )
    return result


def open_shares(ground: FlowGround, anatomy: Anatomy, body: Solid | None) -> FloatArray:
    """Share (n,) of each cell that is lumen, on the outflow side of ring and curtain, outside the body."""
    ring, curtain = anatomy.ring_plane, anatomy.curtain_plane
    behind = [np.clip(0.5 - plane.height(ground.points) / ground.spacing, 0.0, 1.0) for plane in (ring, curtain)]
    share = ground.share * (1.0 - behind[0] * behind[1])
    if body is not None:
        share = share * (1.0 - body_share(body, ground.points, ground.spacing))
    return share


def body_share(body: Solid, points: FloatArray, spacing: float) -> FloatArray:
    """Share (n,) of cells about `points` (n, 3) that a solid fills, by its distance from their centres."""
    relative = points - body.axis_point
    along = relative @ body.axis
    radial = np.sqrt(np.maximum(np.vecdot(relative, relative) - along**2, 0.0))
    radius = np.interp(along, body.stations, body.diameters / 2.0)
    depth = np.minimum(radius - radial, np.minimum(along - body.solid_from, body.solid_to - along))
    result: FloatArray = np.clip(0.5 + depth / spacing, 0.0, 1.0)
    return result


def solved_flow(ground: FlowGround, anatomy: Anatomy, body: Solid | None, guess: FloatArray | None = None) -> Flow:
    """The flow around `body`; `guess` (n,) is a potential to start from.

    Raises GeometryError `no_channel` where nothing joins ventricle and aorta.
    """
    from outflow_geometry.outflow import flow_kernels

    share = open_shares(ground, anatomy, body)
    share[share < LEAST_SHARE] = 0.0
    one, two = share[ground.first], share[ground.second]
    openness = 2.0 * one * two / np.maximum(one + two, 1e-12)
    faces = (ground.below, ground.above, ground.first, ground.second)
    live = flow_kernels.reached(openness, *faces, ground.inlet & (share > 0.0))
    live &= flow_kernels.reached(openness, *faces, ground.outlet & (share > 0.0))
    if not live.any():
        raise GeometryError(
            "no_channel", "device and walls leave no way from ventricle to aorta; check plan, ring and hinges"
        )
    held = ground.inlet | ground.outlet
    if not (live & ~held).any():
        raise GeometryError("no_channel", "ventricle and aorta fall together; check hinges and ring")
    openness[~(live[ground.first] & live[ground.second])] = 0.0
    known = np.where(ground.inlet, 1.0, 0.0)
    start = np.full(len(live), 0.5) if guess is None else np.nan_to_num(guess, nan=0.5)
    potential = flow_kernels.potentials(
        openness, *faces, live, held, known, start, DROPPED_SHARE, TOLERANCE, MOST_ITERATIONS
    )
    return Flow(ground, np.where(live, potential, np.nan), np.where(live, share, 0.0), openness)
