"""Sections of the outflow lumen at right angles to the path.

All points LPS, mm, float64; in-plane coordinates (u, v) of each section plane, origin on the path; areas mm2.

The blood edge in a plane is the zero level of the lumen's field (`blood_edges`). Device outlines, the ring, curtain
and aortic planes cut the outline exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, unit
from outflow_geometry.base.inputs import CONTRACT, Definitions
from outflow_geometry.image.blood_edges import EdgeField as EdgeField
from outflow_geometry.image.blood_edges import blood_outlines as blood_outlines
from outflow_geometry.image.blood_edges import edge_field as edge_field
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.rings import Rings
from outflow_geometry.outflow.solids import CURVE_ARC_STEPS, Solid, outlines

SECTION_RULES = ("aortic_side", "at_path")

LEAST_PART = 5.0
"""mm2; smaller parts of a section do not count (study contract)."""

BEYOND_PART = 1.0
"""mm beyond the aortic plane; a part lying more than half there does not count (study contract)."""

WEAK_AXIS = 0.2
"""Length of the direction across the ring, projected on a plane, below which it gives the plane no axis."""

FARTHEST = 60.0
"""mm from the path that a section reaches: more than the ventricle's width on one side of the device axis."""


@dataclass(frozen=True)
class SectionStack:
    """The native sections of a lumen along a path, by one rule and one device axis.

    stations : (m,) mm; points, tangents, u, v : (m, 3).
    native : (m,) shapely geometries, the kept blood of each plane in (u, v).
    blood : (m,) shapely geometries, all blood of the window.
    """

    stations: FloatArray
    points: FloatArray
    tangents: FloatArray
    u: FloatArray
    v: FloatArray
    rule: str
    native: NDArray[Any]
    blood: NDArray[Any]
    aortic_height: FloatArray
    """(m, 3): height over the aortic plane of (u, v) = constant + rate_u u + rate_v v, mm."""
    blur: float
    """Standard deviation of the image blur found at the edges, mm."""

    def plane(self, row: int) -> Plane:
        """Section plane of one station."""
        return Plane(self.points[row], self.tangents[row], self.u[row], self.v[row])

    def joined(self, other: SectionStack) -> SectionStack:
        """These sections and then those of `other`, of the same rule."""
        return SectionStack(
            stations=np.concatenate([self.stations, other.stations]),
            points=np.concatenate([self.points, other.points]),
            tangents=np.concatenate([self.tangents, other.tangents]),
            u=np.concatenate([self.u, other.u]),
            v=np.concatenate([self.v, other.v]),
            rule=self.rule,
            native=np.concatenate([self.native, other.native]),
            blood=np.concatenate([self.blood, other.blood]),
            aortic_height=np.concatenate([self.aortic_height, other.aortic_height]),
            blur=self.blur,
        )

    def rows(self, chosen: NDArray[Any]) -> SectionStack:
        """The stack of some rows only."""
        return SectionStack(
            stations=self.stations[chosen],
            points=self.points[chosen],
            tangents=self.tangents[chosen],
            u=self.u[chosen],
            v=self.v[chosen],
            rule=self.rule,
            native=self.native[chosen],
            blood=self.blood[chosen],
            aortic_height=self.aortic_height[chosen],
            blur=self.blur,
        )


class NativeSections:
    """Sections without a device along one path and about one device axis, each cut once and kept.

    Implants that share path and axis (depths, solids) share them; `about` and `definitions` as of `section_stack`.
    """

    def __init__(
        self,
        lumen: Lumen,
        path: OutflowPath,
        anatomy: Anatomy,
        about: Solid | None = None,
        definitions: Definitions = CONTRACT,
    ) -> None:
        self.lumen, self.path, self.anatomy = lumen, path, anatomy
        self._about, self._definitions = about, definitions
        self._rows: dict[float, int] = {}
        self._stack: SectionStack | None = None
        self._rings: Rings | None = None

    def at(self, stations: FloatArray) -> SectionStack:
        """The sections at `stations` (m,), mm; the blur is that of the stations asked for first."""
        stack, _, rows = self.kept_at(stations)
        return stack.rows(rows)

    @property
    def blur(self) -> float | None:
        """Standard deviation of the image blur found at the first sections, mm; None before there are any."""
        return None if self._stack is None else self._stack.blur

    def kept_at(self, stations: FloatArray) -> tuple[SectionStack, Rings, NDArray[np.int64]]:
        """All sections kept so far, their rings, and the rows of those at `stations` (m,), mm."""
        missing = np.asarray([s for s in dict.fromkeys(stations.tolist()) if s not in self._rows], dtype=np.float64)
        if len(missing):
            before, rings = self._stack, self._rings
            more = section_stack(
                self.lumen, self.path, self.anatomy, missing, self._about, self._definitions, blur=self.blur
            )
            first = 0 if before is None else len(before.stations)
            self._rows |= {s: first + n for n, s in enumerate(missing.tolist())}
            self._stack = more if before is None else before.joined(more)
            self._rings = Rings.of(more.native) if rings is None else rings.joined(Rings.of(more.native))
        if self._stack is None or self._rings is None:
            raise GeometryError("path_too_short", "no station was asked for")
        return self._stack, self._rings, np.asarray([self._rows[s] for s in stations.tolist()], dtype=np.int64)


def aortic_side(anatomy: Anatomy, axis: FloatArray) -> FloatArray:
    """Unit direction (3,) at right angles to `axis` towards the aortic centre (from the ring centre)."""
    between = anatomy.aortic_center - anatomy.ring_center
    return unit(between - (between @ axis) * axis)


def line_of(point: FloatArray, normal: FloatArray, points: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Height over a plane as a linear function of (u, v): (m, 3) constant, rate of u, rate of v.

    point, normal : (3,), or (m, 3) where each cut has a plane of its own.

    Over a level plane 5 mm below the origin, with v pointing up, the height is 5 + v:

    >>> axes = np.array([[1.0, 0, 0]]), np.array([[0.0, 0, 1]])
    >>> line_of(np.array([0, 0, -5.0]), np.array([0, 0, 1.0]), np.zeros((1, 3)), *axes).tolist()
    [[5.0, 0.0, 1.0]]
    """
    return np.stack([np.vecdot(points - point, normal), np.vecdot(u, normal), np.vecdot(v, normal)], axis=1)


def half_plane(lines: FloatArray, reach: float = 2.0 * FARTHEST) -> NDArray[Any]:
    """Polygons (m,): where constant + rate_u x + rate_v y >= 0, lines (m, 3), right within `reach` mm of the origin.

    Where x >= 10, kept of a square with corners (0, 0) and (30, 20):

    >>> kept = half_plane(np.array([[-10.0, 1.0, 0.0]]))[0]
    >>> round(float(shapely.intersection(kept, shapely.box(0, 0, 30, 20)).area), 6)
    400.0
    """
    rate = np.hypot(lines[:, 1], lines[:, 2])
    n = np.where((rate > 0.0)[:, None], lines[:, 1:] / np.where(rate > 0.0, rate, 1.0)[:, None], [1.0, 0.0])
    with np.errstate(divide="ignore", invalid="ignore"):
        # a line beyond `reach` leaves all or nothing
        offset = np.clip(np.nan_to_num(-lines[:, 0] / rate, nan=-np.inf), -reach, reach)
    foot = offset[:, None] * n
    along = np.stack([-n[:, 1], n[:, 0]], axis=1)
    ends = foot[:, None, :] + np.array([-3.0, 3.0, 3.0, -3.0])[:, None] * reach * along[:, None, :]
    ends[:, 2:] += 3.0 * reach * n[:, None, :]
    return np.asarray(shapely.polygons(ends))


def kept_region(
    points: FloatArray,
    tangents: FloatArray,
    u: FloatArray,
    v: FloatArray,
    anatomy: Anatomy,
    about: Solid | None,
    definitions: Definitions,
) -> NDArray[Any]:
    """Polygons (m,) in (u, v): where blood counts, by the atrial side, the cut beyond the aortic plane and the rule."""
    aortic, ring, curtain = anatomy.aortic_plane, anatomy.ring_plane, anatomy.curtain_plane
    cut = -line_of(aortic.point + definitions.beyond_aortic_plane * aortic.normal, aortic.normal, points, u, v)
    square = shapely.box(-FARTHEST, -FARTHEST, FARTHEST, FARTHEST)
    region = shapely.intersection(half_plane(cut), square)
    if definitions.section_rule == "aortic_side":
        point, axis = (anatomy.ring_center, ring.normal) if about is None else (about.axis_point, about.axis)
        side = line_of(point, aortic_side(anatomy, axis), points, u, v)
        region = shapely.intersection(region, half_plane(side))
    behind_ring = half_plane(-line_of(ring.point, ring.normal, points, u, v))
    behind_curtain = half_plane(-line_of(curtain.point, curtain.normal, points, u, v))
    atrial = shapely.intersection(behind_ring, behind_curtain)
    met = shapely.intersects(region, atrial)
    region[met] = shapely.difference(region[met], atrial[met])
    return np.asarray(region)


def section_stack(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    stations: ArrayLike,
    about: Solid | None = None,
    definitions: Definitions = CONTRACT,
    *,
    blur: float | None = None,
) -> SectionStack:
    """Native sections at `stations` (m,), mm.

    about : the solid beside whose axis the blood counts; None = the ring's axis.
    Raises GeometryError `unknown_section_rule`, `path_outside_image` and what the anatomy raises.
    """
    wanted = np.atleast_1d(np.asarray(stations, dtype=np.float64))
    points, tangents = path.at(wanted)
    return planes_stack(lumen, wanted, points, tangents, anatomy, about, definitions, blur=blur)


def planes_stack(
    lumen: Lumen,
    stations: FloatArray,
    points: FloatArray,
    normals: FloatArray,
    anatomy: Anatomy,
    about: Solid | None = None,
    definitions: Definitions = CONTRACT,
    *,
    blur: float | None = None,
) -> SectionStack:
    """Native sections in the planes through `points` (m, 3) with `normals` (m, 3); see `section_stack`."""
    rule = definitions.section_rule
    if rule not in SECTION_RULES:
        raise GeometryError("unknown_section_rule", f"section_rule {rule!r}; known: {', '.join(SECTION_RULES)}")
    if not bool(np.all(lumen.field.contains(points))):
        raise GeometryError(
            "path_outside_image", "the outflow path leaves the image within the search range; check path and frames"
        )
    u, v = plane_axes(normals, anatomy)
    field = edge_field(lumen)
    region = kept_region(points, normals, u, v, anatomy, about, definitions)
    blood, blur = blood_outlines(field, region, points, u, v, blur)
    native = shapely.intersection(blood, region)
    height = line_of(anatomy.aortic_plane.point, anatomy.aortic_plane.normal, points, u, v)
    return SectionStack(
        stations=stations,
        points=points,
        tangents=normals,
        u=u,
        v=v,
        rule=rule,
        native=np.asarray(native),
        blood=blood,
        aortic_height=height,
        blur=blur,
    )


def plane_axes(normals: FloatArray, anatomy: Anatomy) -> tuple[FloatArray, FloatArray]:
    """In-plane axes u, v (m, 3) of planes with `normals` (m, 3): u along the direction across the ring."""
    return axes_across(normals, anatomy.across, anatomy.toward_aorta)


def axes_across(normals: FloatArray, across: FloatArray, toward: FloatArray) -> tuple[FloatArray, FloatArray]:
    """`plane_axes` from the ring's directions themselves.

    across, toward : the ring's directions (3,), or (m, 3) where each plane has an anatomy of its own; `toward` stands
    in where a plane is nearly at right angles to `across`.
    """
    u = across - np.vecdot(normals, across)[:, None] * normals
    weak = np.linalg.norm(u, axis=1, keepdims=True) < WEAK_AXIS
    if weak.any():
        u = np.where(weak, toward - np.vecdot(normals, toward)[:, None] * normals, u)
    u = unit(u)
    return u, np.cross(normals, u)


def cut_by(stack: SectionStack, solid: Solid, arc_steps: int = CURVE_ARC_STEPS) -> tuple[NDArray[Any], NDArray[Any]]:
    """Sections (m,) with the solid taken out, and its outlines (m,)."""
    device = outlines(solid, stack.points, stack.tangents, stack.u, stack.v, arc_steps=arc_steps)
    residual = stack.native.copy()
    met = ~shapely.is_empty(device)
    residual[met] = shapely.difference(stack.native[met], device[met])
    return residual, device


def counted_parts(stack: SectionStack, sections: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """The parts of the sections (m,) that count by the rule, and the row of each.

    By both rules the part that holds the path's own point, or else is nearest to it, counts; by `at_path` it alone,
    and of the parts that are large enough where there are any.
    """
    parts, row = shapely.get_parts(sections, return_index=True)
    polygonal = shapely.get_type_id(parts) == 3
    parts, row = parts[polygonal], row[polygonal]
    area = shapely.area(parts)
    parts, row, area = parts[area > 0.0], row[area > 0.0], area[area > 0.0]
    large = area >= LEAST_PART
    distance = shapely.distance(parts, shapely.Point(0.0, 0.0))
    if stack.rule == "at_path":
        order = np.lexsort((-area, distance, ~large, row))
        first = order[np.unique(row[order], return_index=True)[1]]
        return parts[first], row[first]
    order = np.lexsort((-area, distance, row))
    own = order[np.unique(row[order], return_index=True)[1]]
    line = stack.aortic_height[row].copy()
    line[:, 0] -= BEYOND_PART
    bounds = shapely.bounds(parts).reshape(-1, 4)
    highest = line[:, 0] + np.maximum(line[:, 1] * bounds[:, 0], line[:, 1] * bounds[:, 2])
    highest += np.maximum(line[:, 2] * bounds[:, 1], line[:, 2] * bounds[:, 3])
    doubtful = highest > 0.0
    counts = large.copy()
    beyond = shapely.area(shapely.intersection(parts[doubtful], half_plane(line[doubtful])))
    counts[doubtful] &= beyond <= 0.5 * area[doubtful]
    counts[own] = True
    return parts[counts], row[counts]


def counted_areas(stack: SectionStack, sections: NDArray[Any]) -> FloatArray:
    """Area (m,) of each section's counted parts, mm2; NaN where a section has none."""
    parts, row = counted_parts(stack, sections)
    areas = np.bincount(row, weights=shapely.area(parts), minlength=len(sections)).astype(np.float64)
    return np.where(np.bincount(row, minlength=len(sections)) > 0, areas, np.nan)
