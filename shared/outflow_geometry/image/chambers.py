"""Volume of the left ventricle in one phase.

All points LPS, mm, float64; volumes ml. Papillary muscles and trabeculae are left out where the image shows them
as muscle (choice `papillary = exclude`): the volume is that of blood, by which end-systole is found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.levels import BloodLevel
from outflow_geometry.image.lumen import OUTFLOW, Lumen, PhaseImage, outflow_lumen
from outflow_geometry.landmarks.anatomy import Anatomy

CUT_AREA = 50.0
"""mm2 of ventricle on the image border above which the volume is refused: more than the rim of a rounded apex."""

SIDES = (("right", "left"), ("front", "back"), ("feet", "head"))
"""Sides of the patient towards lower and higher x, y, z (LPS)."""

CUBIC_MM_PER_ML = 1000.0
"""mm3 in 1 ml."""


def _heights(volume: Volume, point: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Signed distance, mm, of every voxel's centre from a plane, float32."""
    i, j, k = (float(step @ normal) for step in (volume.direction * volume.spacing).T)
    nk, nj, ni = volume.values.shape
    start = float((volume.origin - point) @ normal)
    column = (start + k * np.arange(nk)).astype(np.float32)[:, None, None]
    return column + ((j * np.arange(nj)).astype(np.float32)[:, None] + (i * np.arange(ni)).astype(np.float32))


def _border_cuts(lumen: Lumen, anatomy: Anatomy) -> dict[str, float]:
    """Areas, mm2, of ventricle on the outermost layers of the image that a flood can reach, by the patient's side."""
    territory = lumen.territory
    areas: dict[str, float] = {}
    for axis in range(3):
        face = float(np.prod(territory.spacing) / territory.spacing[2 - axis])
        outward = territory.direction[:, 2 - axis]
        for layer, way in ((1, -outward), (territory.values.shape[axis] - 2, outward)):
            where = [np.arange(n) for n in territory.values.shape]
            where[axis] = np.array([layer])
            grid = np.stack(np.meshgrid(*where, indexing="ij"), axis=-1).reshape(-1, 3)
            cut = grid[territory.values[tuple(grid.T)] == OUTFLOW]
            points = territory.to_points(cut)
            ventricle = ~anatomy.atrial_side(points) & (anatomy.aortic_plane.height(points) < 0.0)
            patient_axis = int(np.argmax(np.abs(way)))
            side = SIDES[patient_axis][int(way[patient_axis] > 0.0)]
            areas[side] = areas.get(side, 0.0) + face * int(ventricle.sum())
    return areas


@dataclass(frozen=True)
class VentricleCut:
    """Where the image ends in the ventricle.

    side : the patient's side with the largest cut; area : of that cut, mm2; total : of all cuts, mm2.
    """

    side: str
    area: float
    total: float

    @property
    def across(self) -> float:
        """Width, mm, of a disc of the cut's area."""
        return 2.0 * math.sqrt(self.area / math.pi)

    @property
    def message(self) -> str:
        """Where, how much, and what to do."""
        return (
            f"the image ends in the ventricle towards the patient's {self.side}: the cut is {self.area:.0f} mm2, "
            f"{self.across:.0f} mm across; use an image that goes on there, or raise resample.margin_mm where it does"
        )


def ventricle_cut(lumen: Lumen, anatomy: Anatomy) -> VentricleCut | None:
    """How the image's border cuts the ventricle; None where it does not, or by the rim of a rounded apex alone."""
    cuts = _border_cuts(lumen, anatomy)
    total = sum(cuts.values())
    if total <= CUT_AREA:
        return None
    side = max(cuts, key=lambda name: cuts[name])
    return VentricleCut(side, cuts[side], total)


def lv_volume(
    phase_image: PhaseImage, anatomy: Anatomy, level: BloodLevel | None = None, lumen: Lumen | None = None
) -> float:
    """Volume of the left ventricle, ml: blood of the outflow lumen that is neither on the atrial side of ring and
    curtain plane nor beyond the aortic plane; papillary muscles excluded.

    Voxels count by the sign of the lumen's field at their centre, and in part where a plane cuts them. On a smooth
    surface the error of such counting falls faster than the voxel's size. `lumen`: the reading's, found if None.

    Raises GeometryError with the status of a lumen in doubt (`leak`, `lumen_incomplete`, …), `ventricle_cropped_SIDE`,
    and what the lumen raises: a doubtful volume would choose the wrong end-systole, so there is none.

    The ellipsoid of the image has 4/3 pi 21 x 20 x 30 mm3 = 52.8 ml; the rest is tract up to the aortic plane:

    >>> from outflow_geometry import build_anatomy, straight_tract
    >>> landmarks, volume = straight_tract()
    >>> round(lv_volume(PhaseImage(volume), build_anatomy(landmarks)), 1)
    55.6
    """
    lumen = outflow_lumen(phase_image, anatomy, None, level) if lumen is None else lumen
    if lumen.status not in ("ok", "low_contrast"):
        raise GeometryError(lumen.status, "the lumen found is not the ventricle, or not all of it; see the status")
    cut = ventricle_cut(lumen, anatomy)
    if cut is not None:
        raise GeometryError(f"ventricle_cropped_{cut.side}", cut.message)
    field = lumen.field
    size = float(np.prod(field.spacing)) ** (1.0 / 3.0)
    blood = field.values > 0.0
    above = [
        np.clip(0.5 + _heights(field, plane.point, plane.normal) / size, 0.0, 1.0)
        for plane in (anatomy.ring_plane, anatomy.curtain_plane)
    ]
    beyond = np.clip(0.5 + _heights(field, anatomy.aortic_plane.point, anatomy.aortic_plane.normal) / size, 0.0, 1.0)
    share = np.maximum(above[0], above[1]) * (1.0 - beyond)
    return float(share[blood].sum(dtype=np.float64) * np.prod(field.spacing) / CUBIC_MM_PER_ML)
