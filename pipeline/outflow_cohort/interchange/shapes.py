"""Lumen and device of one reading as label map and as closed surfaces. All points LPS, mm.

Label 1 is blood of the outflow lumen that the device leaves free, label 2 the device. A voxel belongs to what its
centre is in; surfaces follow the sub-voxel blood edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from outflow_geometry.base.frames import FloatArray, Volume
    from outflow_geometry.image.lumen import Lumen
    from outflow_geometry.landmarks.anatomy import Anatomy
    from outflow_geometry.outflow.outflow_path import OutflowPath
    from outflow_geometry.outflow.solids import Solid

LUMEN, DEVICE = 1, 2
SEGMENTS = 360
"""Facets around the device: its volume falls short of the true one by (2 pi / 360)^2 / 6 = 5e-5."""
EDGE_MM = 1.0
"""mm that one full contrast between blood and muscle is taken for, where edge and cutting planes are combined: it
moves only the rounding of the corners between them, never the surfaces themselves."""


@dataclass(frozen=True)
class Mesh:
    """Triangles (m, 3) of vertices (n, 3), mm, normals outward."""

    vertices: FloatArray
    triangles: NDArray[np.int64]


def blood_depth(lumen: Lumen, anatomy: Anatomy, beyond_aortic_plane: float, path: OutflowPath) -> Volume:
    """A field that is positive in the outflow lumen as the study defines it, on the lumen's grid.

    Cut at ring and curtain plane and `beyond_aortic_plane` mm beyond the aortic plane; only the part that the path
    runs through (the largest where the path misses all).
    """
    from dataclasses import replace

    field = lumen.field
    points = _centres(field)
    depth = field.values * (EDGE_MM / lumen.level.contrast_hu)
    ventricular = np.maximum(anatomy.ring_plane.height(points), anatomy.curtain_plane.height(points))
    depth = np.minimum(depth, ventricular)
    depth = np.minimum(depth, beyond_aortic_plane - anatomy.aortic_plane.height(points))
    parts, count = ndimage.label(depth > 0.0)
    if count > 1:
        other = (parts > 0) & (parts != _part_of_path(parts, count, field, path))
        depth[other] = -depth[other]
    return replace(field, values=depth)


def _part_of_path(parts: NDArray[np.int32], count: int, field: Volume, path: OutflowPath) -> int:
    index = np.rint(field.to_index(path.points)).astype(int)
    index = index[np.all((index >= 0) & (index < parts.shape), axis=1)]
    on_path = parts[tuple(index.T)]
    votes = np.bincount(on_path[on_path > 0], minlength=count + 1)
    if not votes.any():
        votes = np.bincount(parts.ravel(), minlength=count + 1)
        votes[0] = 0
    return int(np.argmax(votes))


def _centres(volume: Volume) -> FloatArray:
    """Voxel centres (nk, nj, ni, 3), mm."""
    return volume.to_points(np.stack(list(np.indices(volume.values.shape, dtype=np.float64)), axis=-1))


def outside_solid(solid: Solid, points: FloatArray) -> FloatArray:
    """Distance-like height (...) of `points` (..., 3) above the solid's surface, mm: negative inside, 0 on it."""
    relative = points - solid.axis_point
    along = relative @ solid.axis
    radial = np.linalg.norm(relative - along[..., None] * solid.axis, axis=-1)
    radius = np.interp(along, solid.stations, solid.diameters / 2.0)
    result: FloatArray = np.maximum(radial - radius, np.maximum(solid.solid_from - along, along - solid.solid_to))
    return result


def label_map(depth: Volume, grid: Volume, solid: Solid | None) -> NDArray[np.uint8]:
    """Labels [k, j, i] on `grid`, of which the grid of `depth` is a part."""
    labels: NDArray[np.uint8] = np.zeros(grid.values.shape, dtype=np.uint8)
    start = np.rint(grid.to_index(depth.origin)).astype(int)
    box = tuple(slice(s, s + n) for s, n in zip(start, depth.values.shape, strict=True))
    labels[box][depth.values > 0.0] = LUMEN
    if solid is not None:
        for k in range(labels.shape[0]):  # slice by slice: a whole grid of points would take much memory
            j, i = np.indices(labels.shape[1:], dtype=np.float64)
            points = grid.to_points(np.stack([np.full(j.shape, float(k)), j, i], axis=-1))
            labels[k][solid.contains(points)] = DEVICE
    return labels


def lumen_mesh(depth: Volume, solid: Solid | None) -> Mesh:
    """Surface of the lumen that the device leaves free; empty where none is left.

    Lorensen & Cline 1987, marching cubes (scikit-image), closed at the border of the grid.
    """
    from skimage.measure import marching_cubes

    values = np.asarray(depth.values, dtype=np.float64)
    if solid is not None:
        values = np.minimum(values, outside_solid(solid, _centres(depth)))
    padded = np.pad(values, 1, constant_values=-EDGE_MM)
    if not (padded > 0.0).any():
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    corners, triangles, _, _ = marching_cubes(padded, 0.0, gradient_direction="ascent", allow_degenerate=False)
    vertices = depth.to_points(corners.astype(np.float64) - 1.0)
    return _outward(Mesh(vertices, triangles.astype(np.int64)))


def solid_mesh(solid: Solid) -> Mesh:
    """Closed surface of the solid of revolution."""
    rims = [(solid.solid_from, 0.0)]
    for low, high, radius_low, radius_high in solid.pieces:
        rims += [(low, radius_low), (high, radius_high)]
    rims.append((solid.solid_to, 0.0))
    kept = [rims[0], *(rim for last, rim in pairwise(rims) if rim != last)]
    helper = np.eye(3)[int(np.argmin(np.abs(solid.axis)))]
    u = np.cross(solid.axis, helper)
    u /= np.linalg.norm(u)
    v = np.cross(solid.axis, u)
    angle = np.linspace(0.0, 2.0 * math.pi, SEGMENTS, endpoint=False)[:, None]
    around = np.cos(angle) * u + np.sin(angle) * v
    rings = [solid.axis_point + station * solid.axis + radius * around for station, radius in kept[1:-1]]
    ends = np.stack([solid.axis_point + station * solid.axis for station, _ in (kept[0], kept[-1])])
    vertices = np.concatenate([*rings, ends])
    here = np.arange(SEGMENTS)
    there = (here + 1) % SEGMENTS
    first_end, last_end = len(rings) * SEGMENTS, len(rings) * SEGMENTS + 1
    triangles = [np.stack([np.full(SEGMENTS, first_end), there, here], axis=1)]
    for n in range(len(rings) - 1):
        a, b = n * SEGMENTS, (n + 1) * SEGMENTS
        triangles += [np.stack([a + here, a + there, b + there], 1), np.stack([a + here, b + there, b + here], 1)]
    last = (len(rings) - 1) * SEGMENTS
    triangles.append(np.stack([np.full(SEGMENTS, last_end), last + here, last + there], axis=1))
    return _outward(Mesh(vertices, np.concatenate(triangles)))


def mesh_volume(mesh: Mesh) -> float:
    """Signed volume, mm3, of a closed mesh: divergence theorem, sum of a . (b x c) / 6."""
    a, b, c = (mesh.vertices[mesh.triangles[:, corner]] for corner in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def _outward(mesh: Mesh) -> Mesh:
    """The mesh with triangles turned so that normals point outward."""
    return mesh if mesh_volume(mesh) >= 0.0 else Mesh(mesh.vertices, mesh.triangles[:, ::-1])
