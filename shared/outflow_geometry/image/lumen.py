"""The outflow lumen of one reading: which blood is ventricle, outflow tract and root, and where its edge is.

All points LPS, mm, float64; images HU, indexed [k, j, i].

Thresholding alone leaks: the mitral valve is open, curtain, membranous septum and root walls are a voxel or
two thick, and the right heart may be as bright as the left. So blood is flooded from markers in descending order
of its distance from the nearest wall, thin dark sheets counting as walls: floods meet in the necks between
chambers, and there the border is settled on the full grid along the darkest line. The edge between blood and
muscle is never touched: the field is the image minus the half-way level, and only blood of other chambers is
turned negative. No device takes part, so one lumen serves all plans of a reading.

Sources: Vincent & Soille 1991 (watershed by flooding); Meyer & Beucher 1990, J Vis Commun Image Represent 1:21
(markers); blood edge half-way between blood and muscle: study contract.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Volume, unit
from outflow_geometry.image.flooding import CLOSED, OPEN, flood, settle_border
from outflow_geometry.image.levels import BloodLevel, blood_level, flow_axis
from outflow_geometry.image.lumen_checks import lumen_doubt
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import Anatomy

__all__ = ["ATRIUM", "OTHER", "OUTFLOW", "Lumen", "PhaseImage", "outflow_lumen"]

OUTFLOW, ATRIUM, OTHER = 1, 2, 3
"""Labels of the territories: ventricle, outflow tract and root; blood behind ring and curtain; any other blood."""

LEAST_SHARE = 0.25
"""Floods run down to this share of the contrast, so that territories reach into the walls, never into muscle."""

WALL_HEIGHTS, HEIGHT_STEP = 200, 0.05
"""Heights below WALL_HEIGHTS rank walls by brightness; above, one step is HEIGHT_STEP mm from the wall."""

NECKS = (2.0, 3.0, 4.0, 5.0)
"""mm; blood behind a neck of a smaller radius is another chamber. The first suffices where walls are seen; the
others are tried in turn where a leak stays open. The outflow tract itself is wider, and carries markers."""

CHAMBER_RISE = 1.2
"""mm; blood behind a neck is a chamber of its own if it is that much wider than the neck (not a mere crevice)."""

CURTAIN_CLEARANCE = 3.0
"""mm behind the curtain plane from which blood is surely atrium; nearer the curtain the darkest line decides,
since a reader's ring may miss the wall by a millimetre or two."""

BEYOND_AORTIC_PLANE = 11.5
"""mm; the lumen ends 8 mm beyond the aortic plane (contract), and the field must run 3 mm past that cut."""

ORIFICE_DEPTH = 4.0
"""mm before and behind the ring plane that make the valve's orifice. There the ring plane itself is the border:
what is before it is outflow, and the field runs on behind it, so that the cut at the plane is exact."""

RING_RIM = 3.0
"""mm outside the ring contour that still counts as the valve's orifice; well inside it, blood passes the valve."""

BEHIND_VALVE = 12.0
"""mm behind the ring plane as far as what lies within the ring is atrium, however the curtain plane leans."""

OTHER_SIDE = 0.25
"""Share of the contrast below the level that blood of other chambers is given at least."""

METAL_REACH = 2
"""Voxels around a bright voxel in which its peak decides where calcium or metal ends: the skirt of the blur."""

LEAK_CLEARANCE = 3.0
"""mm from the wall: a border between two chambers running this far from any wall is no border but a leak."""

LEAK_AREA = 40.0
"""mm2 of such a border that is allowed: a hole in a wall up to some 13 mm across is still bridged truly."""

BESIDE_ROOT = (1.8, 6.0)
"""Annulus radii plus mm from the aortic axis, beyond which no sinus reaches: 29 mm for an annulus of 25 mm, where
an aneurysm of the root of 50 mm ends at 25 mm. Common practice, no source."""

FAR_FROM_AXIS = 50.0
"""mm from the axis apex–outflow tract: beyond the radius of the largest ventricles (LVEDD 90 mm; no source)."""


@dataclass(frozen=True)
class Lumen:
    """The outflow lumen of one reading.

    field : HU minus the half-way level inside the territory and its walls, negative in other chambers; zero level
        set = edge of the outflow lumen. Not cut at ring, curtain or 8 mm beyond the aortic plane.
    level : the blood and muscle level used.
    status : `ok`; `leak` where another chamber joins without a neck; `noise_too_high`, `lumen_incomplete`,
        `landmarks_outside_blood` (see `lumen_checks`); `low_contrast`.
    territory : int8 labels OUTFLOW, ATRIUM, OTHER (0 = none) on the coarse grid.
    distance : distance of coarse blood from the nearest wall, mm, on the same grid.
    neck : radius, mm, of the neck that separated the chambers.
    """

    field: Volume
    level: BloodLevel
    status: str
    territory: Volume
    distance: Volume
    neck: float


@dataclass(frozen=True)
class _Ground:
    """What floods run on: heights, distances and sides of the coarse grid."""

    height: NDArray[np.int16]
    distance: NDArray[np.float32]
    atrial: NDArray[np.bool_]
    ring_height: NDArray[np.float32]
    orifice: NDArray[np.bool_]
    """Within the ring contour and its rim, up to ORIFICE_DEPTH mm before and behind the ring plane."""
    forbidden: NDArray[np.bool_]


def _heights(phase: PhaseImage, level: BloodLevel) -> tuple[NDArray[np.int16], NDArray[np.float32]]:
    parted = phase.separation(level.blood_hu, level.muscle_hu, level.ceiling_hu)
    values, distance = parted.values, parted.distance
    share = (values - np.float32(level.muscle_hu)) * np.float32(1.0 / level.contrast_hu)
    height = np.clip(share * WALL_HEIGHTS, 0, WALL_HEIGHTS - 1).astype(np.int16)
    inside = distance > 0.0
    height[inside] = WALL_HEIGHTS + np.minimum(distance[inside] / HEIGHT_STEP, 1023 - WALL_HEIGHTS).astype(np.int16)
    height[(share < LEAST_SHARE) | (values > level.ceiling_hu)] = CLOSED
    return height, distance


def _within_ring(phase: PhaseImage, anatomy: Anatomy, among: NDArray[np.bool_], rim: float) -> NDArray[np.bool_]:
    """Which of the coarse voxels `among` lie within the ring contour widened by `rim` mm, seen along its normal."""
    k, j, i = np.nonzero(among)
    flat = anatomy.ring_plane.project(phase.coarse.to_points(np.stack([k, j, i], axis=-1)))
    flat = flat - anatomy.ring_contour.centroid
    within = np.zeros(among.shape, dtype=bool)
    edge = anatomy.ring_contour.radii(np.arctan2(flat[:, 1], flat[:, 0])) + rim
    within[k, j, i] = np.hypot(flat[:, 0], flat[:, 1]) <= edge
    return within


def _ground(phase: PhaseImage, anatomy: Anatomy, level: BloodLevel) -> _Ground:
    height, distance = _heights(phase, level)
    ring, curtain, aorta = anatomy.ring_plane, anatomy.curtain_plane, anatomy.aortic_plane
    ring_height = phase.heights(ring.point, ring.normal)
    curtain_height = phase.heights(curtain.point, curtain.normal)
    aortic_height = phase.heights(aorta.point, aorta.normal)
    height = np.where(aortic_height > BEYOND_AORTIC_PLANE, np.int16(CLOSED), height)
    atrial = (ring_height < 0.0) & (curtain_height < -CURTAIN_CLEARANCE)
    # where the annulus lies close below the ring, the curtain plane leans over the atrium; the aorta leads away
    # from the ring all the same, so that what is straight behind the valve is atrium
    behind = (ring_height < -ORIFICE_DEPTH) & (ring_height > -BEHIND_VALVE) & ~atrial
    atrial |= _within_ring(phase, anatomy, behind, -RING_RIM)
    # blood in front of the curtain, above the ring, and far beside the aorta: appendage, pulmonary trunk, right heart
    nk, nj, ni = np.nonzero((distance > 2.0) & (height >= 0) & ~atrial)
    points = phase.coarse.to_points(np.stack([nk, nj, ni], axis=-1))
    relative = points - aorta.point
    along = relative @ aorta.normal
    sideways = relative - along[:, None] * aorta.normal
    beside = np.linalg.norm(sideways, axis=-1)
    mitral = unit(anatomy.ring_center - aorta.point)
    mitral = unit(mitral - (mitral @ aorta.normal) * aorta.normal)
    root = BESIDE_ROOT[0] * anatomy.aortic_radius + BESIDE_ROOT[1]
    away = (along > -5.0) & (beside > root) & (sideways @ mitral < 0.5 * beside)
    far = ((ring_height[nk, nj, ni] < 0.0) & (beside > root + 4.0)) | away
    far |= phase.line_distance(flow_axis(anatomy))[nk, nj, ni] > FAR_FROM_AXIS
    orifice = _within_ring(phase, anatomy, np.abs(ring_height) <= ORIFICE_DEPTH, RING_RIM)
    forbidden = np.zeros(height.shape, dtype=bool)
    forbidden[nk[far], nj[far], ni[far]] = True
    return _Ground(
        height=height, distance=distance, atrial=atrial, ring_height=ring_height, orifice=orifice, forbidden=forbidden
    )


def _voxels(phase: PhaseImage, points: FloatArray) -> NDArray[np.int64]:
    """Coarse voxels (m, 3) of the points that are in the image."""
    index = np.round(phase.coarse.to_index(points)).astype(np.int64)
    kept = np.all((index >= 1) & (index < np.asarray(phase.coarse.values.shape) - 1), axis=-1)
    result: NDArray[np.int64] = index[kept]
    return result


def _marker_voxels(
    phase: PhaseImage, anatomy: Anatomy, ground: _Ground, seed_points: FloatArray | None
) -> NDArray[np.int64]:
    """Coarse voxels (m, 3) surely in the outflow lumen; raises `no_lumen_at_path`."""
    found: list[NDArray[np.int64]] = []
    aorta = anatomy.aortic_plane
    # along the aortic axis both ways from the widest blood near the aortic centre, up to the first wall
    for way in (np.arange(0.0, 8.5, 0.5), np.arange(0.0, -10.5, -0.5)):
        steps = _voxels(phase, aorta.point + way[:, None] * aorta.normal)
        clear = ground.distance[tuple(steps.T)] > 0.0
        stop = len(clear) if clear.all() else int(np.argmin(clear))
        found.append(steps[:stop])
    if sum(map(len, found)) == 0:
        around = np.stack(np.meshgrid(*[np.linspace(-0.5, 0.5, 7) * anatomy.aortic_radius] * 3), axis=-1).reshape(-1, 3)
        steps = _voxels(phase, aorta.point + around)
        if len(steps):
            best = int(np.argmax(ground.distance[tuple(steps.T)]))
            found.append(steps[best : best + 1])
    into = anatomy.apex - anatomy.ring_center if anatomy.has("lv_apex") else 45.0 * anatomy.ring_plane.normal
    core = _voxels(phase, anatomy.ring_center + np.linspace(0.15, 0.8, 40)[:, None] * into)
    found.append(core[ground.distance[tuple(core.T)] >= 3.0])
    if seed_points is not None and len(seed_points) > 0:
        path = np.atleast_2d(np.asarray(seed_points, dtype=np.float64))
        knots = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
        fine = np.arange(0.0, knots[-1] + 0.5, 0.5)
        dense = np.stack([np.interp(fine, knots, path[:, axis]) for axis in range(3)], axis=-1)
        dense = dense[~anatomy.atrial_side(dense)]
        found.append(_voxels(phase, dense))
    voxels: NDArray[np.int64] = np.concatenate(found)
    voxels = voxels[(ground.distance[tuple(voxels.T)] > 0.0) & ~ground.atrial[tuple(voxels.T)]]
    voxels = voxels[ground.height[tuple(voxels.T)] >= 0]
    if len(voxels) == 0:
        raise GeometryError(
            "no_lumen_at_path",
            "neither outflow path, ventricle nor aortic centre is in blood; check landmarks and blood level",
        )
    return voxels


def _leak_area(label: NDArray[np.int8], ground: _Ground, spacing: FloatArray) -> float:
    """Area, mm2, where the outflow meets another chamber far from any wall, the open valve left out."""
    wide = ground.distance >= LEAK_CLEARANCE
    valve = np.abs(ground.ring_height) <= ORIFICE_DEPTH + 2.0
    area = 0.0
    for axis in range(3):
        one = tuple(slice(None, -1) if a == axis else slice(None) for a in range(3))
        two = tuple(slice(1, None) if a == axis else slice(None) for a in range(3))
        first, second = label[one], label[two]
        meet = (first != second) & (first > 0) & (second > 0) & ((first == OUTFLOW) | (second == OUTFLOW))
        face = float(np.prod(spacing) / spacing[2 - axis])
        area += face * int((meet & wide[one] & wide[two] & ~valve[one]).sum())
    return area


def _territories(
    ground: _Ground, markers: NDArray[np.int64], spacing: FloatArray
) -> tuple[NDArray[np.int8], float, bool]:
    """Labels of the coarse grid, the neck that parted them, and whether a leak stays."""
    start = np.zeros(ground.height.shape, dtype=np.int8)
    start[tuple(markers.T)] = OUTFLOW
    open_height = np.where(ground.atrial, np.int16(CLOSED), ground.height)
    _, passed = flood(open_height, start)
    sill = np.maximum((passed.astype(np.float32) - WALL_HEIGHTS) * HEIGHT_STEP, 0.0)
    rise = (passed >= 0) & (ground.distance >= sill + CHAMBER_RISE)
    base = np.where(ground.atrial & (ground.height >= 0), np.int8(ATRIUM), np.int8(0))
    # before the ring plane, blood that the ventricle reaches without a neck is outflow up to the plane itself; a
    # pocket of atrium over closed leaflets, or before a saddle-shaped ring, is not
    before = ground.orifice & (ground.ring_height > 0.0) & (ground.distance > 0.0)
    base[before & (sill >= NECKS[0])] = OUTFLOW
    base[ground.forbidden] = OTHER
    base[tuple(markers.T)] = OUTFLOW
    best = base, NECKS[0], np.inf
    for neck in NECKS:
        others = base.copy()
        others[rise & (sill < neck) & (base == 0)] = OTHER
        label, _ = flood(ground.height, others)
        area = _leak_area(label, ground, spacing)
        if area < best[2]:
            best = label, neck, area
        if area <= LEAK_AREA:
            break
    return best[0], best[1], best[2] > LEAK_AREA


def _box(label: NDArray[np.int8], factors: tuple[int, int, int], margin: int) -> tuple[slice, slice, slice]:
    """Coarse box around the outflow territory."""
    boxes = ndimage.find_objects((label == OUTFLOW).astype(np.int8))
    k, j, i = (
        slice(max(0, s.start - margin), min(n, s.stop + margin)) for s, n in zip(boxes[0], label.shape, strict=True)
    )
    return k, j, i


def _grown(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The mask and all voxels that touch it, also by a corner."""
    grown = mask.view(np.uint8)
    for axis in range(3):
        grown = ndimage.maximum_filter1d(grown, 3, axis=axis)
    result: NDArray[np.bool_] = grown.view(bool)
    return result


def _fine_labels(
    phase: PhaseImage,
    label: NDArray[np.int8],
    ground: _Ground,
    box: tuple[slice, slice, slice],
    values: NDArray[np.float32],
    level: BloodLevel,
) -> NDArray[np.int8]:
    """Labels on the full grid of the box, the borders between chambers settled along the darkest line."""
    coarse = label[box].copy()
    ours = coarse == OUTFLOW
    theirs = coarse > OUTFLOW
    meet = (_grown(ours) & theirs) | (_grown(theirs) & ours)
    behind = ground.orifice[box] & ground.atrial[box] & theirs
    plane = ground.orifice & (ground.atrial | ((ground.ring_height > 0.0) & (label == OUTFLOW)))
    free = (coarse > 0) & ~(plane[box] & (ground.distance[box] > 0.0))
    meet &= free
    if meet.any():
        coarse[_grown(meet) & free] = OPEN
    coarse[behind] = OUTFLOW
    # noise in the outer half of an edge belongs to the edge: one more voxel of wall, away from other chambers
    coarse[(coarse == 0) & _grown(ours) & ~_grown(theirs)] = OUTFLOW
    fine = coarse
    for axis, factor in enumerate(phase.factors):
        fine = np.repeat(fine, factor, axis=axis)
    if meet.any():
        low, high = level.muscle_hu - 0.5 * level.contrast_hu, level.blood_hu + 0.5 * level.contrast_hu
        settle_border(values, fine, low, high)
    return fine


def _cut_out_metal(field: NDArray[np.float32], values: NDArray[np.float32], level: BloodLevel) -> None:
    """Turn calcium and metal negative in `field`, in place.

    Their edge is half-way between blood and their peak. The skirt of blur around them, bright on every side, is
    given the value of the nearest voxel beyond it: blood on the side of the lumen, tissue on the other.
    """
    bright = values > level.ceiling_hu
    if not bright.any():
        return
    for found in ndimage.find_objects(ndimage.label(bright)[0]):
        box = tuple(slice(max(0, s.start - 2 * METAL_REACH), s.stop + 2 * METAL_REACH) for s in found)
        part = values[box]
        skirt = _grown(bright[box])
        if skirt.all():
            field[box] = np.minimum(field[box], level.ceiling_hu - part)
            continue
        beyond = ndimage.distance_transform_edt(skirt, return_distances=False, return_indices=True)
        peak = ndimage.maximum_filter(part, size=2 * METAL_REACH + 1)
        edge = np.minimum(part[tuple(beyond)] - level.threshold_hu, 0.5 * (peak + level.blood_hu) - part)
        field[box] = np.where(skirt, edge, field[box])


def outflow_lumen(
    phase_image: PhaseImage,
    anatomy: Anatomy,
    seed_points: FloatArray | None = None,
    level: BloodLevel | None = None,
) -> Lumen:
    """Outflow lumen of one reading.

    Parameters
    ----------
    seed_points : (n, 3) points of the outflow path, mm, in order; None = the anatomy's `outflow_path`, or where the
        reader gave none, ventricle and aortic centre alone.
    level : blood level; estimated where None.

    The last lumen found is kept in `phase_image`, so that the same question costs nothing.

    Raises GeometryError `no_lumen_at_path`, `no_contrast`, and what the anatomy and the level raise.

    Half-way between blood (380 HU) and muscle (110 HU) of the image is 245 HU:

    >>> from outflow_geometry import build_anatomy, straight_tract
    >>> landmarks, volume = straight_tract()
    >>> lumen = outflow_lumen(PhaseImage(volume), build_anatomy(landmarks))
    >>> round(lumen.level.threshold_hu), lumen.status
    (245, 'ok')
    """
    level = blood_level(phase_image, anatomy) if level is None else level
    if level.contrast_hu <= 0.0:
        raise GeometryError("no_contrast", f"blood {level.blood_hu:.0f} HU is not brighter than muscle; check samples")
    if seed_points is None and anatomy.has("outflow_path"):
        seed_points = anatomy.structure("outflow_path")
    seeds = b"" if seed_points is None else np.asarray(seed_points, dtype=np.float64).tobytes()
    points = tuple((name, value.tobytes()) for name, value in sorted(anatomy.landmarks.items()))
    key = (points, seeds, level)
    if phase_image.last_lumen is None or phase_image.last_lumen[0] != key:
        phase_image.last_lumen = (key, _found_lumen(phase_image, anatomy, seed_points, level))
    lumen: Lumen = phase_image.last_lumen[1]
    return lumen


def _found_lumen(phase_image: PhaseImage, anatomy: Anatomy, seed_points: FloatArray | None, level: BloodLevel) -> Lumen:
    ground = _ground(phase_image, anatomy, level)
    markers = _marker_voxels(phase_image, anatomy, ground, seed_points)
    label, neck, leak = _territories(ground, markers, phase_image.coarse.spacing)

    coarse, factors = phase_image.coarse, phase_image.factors
    box = _box(label, factors, 2)
    full = tuple(slice(s.start * f, s.stop * f) for s, f in zip(box, factors, strict=True))
    values = np.ascontiguousarray(phase_image.volume.values[full], dtype=np.float32)
    fine = _fine_labels(phase_image, label, ground, box, values, level)

    contrast = np.float32(level.contrast_hu)
    field = values - np.float32(level.threshold_hu)
    _cut_out_metal(field, values, level)
    np.clip(field, -1.5 * contrast, contrast, out=field)
    turned = (fine != OUTFLOW) & (field > 0.0)
    field[turned] = -np.maximum(field[turned], np.float32(OTHER_SIDE) * contrast)

    origin = phase_image.volume.to_points(np.asarray([s.start for s in full], dtype=np.float64))
    volume = phase_image.volume
    parted = phase_image.separation(level.blood_hu, level.muscle_hu, level.ceiling_hu)
    status = "leak" if leak else lumen_doubt(label, OUTFLOW, coarse, parted, level, anatomy, seed_points)
    status = level.status if status == "ok" else status
    return Lumen(
        field=Volume(field, origin, volume.direction, volume.spacing),
        level=level,
        status=status,
        territory=Volume(label, coarse.origin, coarse.direction, coarse.spacing),
        distance=Volume(ground.distance, coarse.origin, coarse.direction, coarse.spacing),
        neck=neck,
    )
