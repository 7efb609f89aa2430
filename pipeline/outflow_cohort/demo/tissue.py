"""From shapes to HU: each tissue is laid over those before it, its edge a Gaussian step across the surface.

A step of standard deviation sigma at signed distance d covers Phi(-d / sigma). For a flat edge this is exactly
the image of a Gaussian point spread; blood pools on two sides of a thin wall add up, as blurred images do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from outflow_cohort.demo import thorax
from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.chambers import RIGHT_WALL, Chambers
from outflow_cohort.demo.shapes import Array, union

AIR, LUNG, FAT, CHEST_MUSCLE, LIVER, STOMACH = -1000.0, -860.0, -98.0, 55.0, 108.0, 62.0
BONE, MARROW, CANAL = 520.0, 210.0, 30.0
LUNG_VESSEL = 90.0
"""HU; common values, no source."""

REACH = 4.0
"""Standard deviations beyond which an edge is over: Phi(-4) = 3e-5, 0.03 HU of 1000."""


def cover(distance: Array, sigma: float) -> Array:
    """Share (0 to 1) of a tissue at signed `distance` mm from its edge."""
    share = (distance < 0.0).astype(distance.dtype)
    near = np.abs(distance) < REACH * sigma
    share[near] = ndtr(-distance[near] / sigma)
    return share


def over(below: Array, share: Array, level: Array | float) -> Array:
    """Lay `level` HU over the image with the given share."""
    return below + share * (level - below)


class Canvas:
    """An image in the making: HU at some points, and how near the nearest edge is (mm)."""

    def __init__(self, image: Array, sigma: float) -> None:
        self.image = image
        self.sigma = sigma
        self.nearest = np.full_like(image, 1e3)

    def lay(self, distance: Array, level: float) -> None:
        """Lay a tissue of `level` HU and signed `distance` over what is there."""
        self.image = over(self.image, cover(distance, self.sigma), level)
        self._note(distance)

    def _note(self, distance: Array) -> None:
        """A tissue hides the edges below it: inside, its own edge alone is seen."""
        self.nearest = np.where(distance < 0.0, -distance, np.minimum(self.nearest, distance))

    def lay_blood(self, left: Array, left_level: float, right: Array, right_level: float) -> None:
        """Lay two pools of blood at once: behind a thin wall between them their blurred edges add up."""
        share_left, share_right = cover(left, self.sigma), cover(right, self.sigma)
        below = self.image
        self.image = below + share_left * (left_level - below) + share_right * (right_level - below)
        self._note(np.minimum(left, right))


@dataclass(frozen=True)
class Chest:
    """All tissues of one phase."""

    heart: HeartPhase

    def draw_chest(self, canvas: Canvas, x: Array, y: Array, z: Array, vessels: bool = True) -> None:
        """Lay what is outside the mediastinum, at LPS points (arrays of one shape)."""
        canvas.lay(thorax.skin(x, y), FAT)
        canvas.lay(thorax.chest_wall(x, y), CHEST_MUSCLE)
        inside = thorax.cavity(x, y)
        canvas.lay(inside, LUNG)
        if vessels:
            tubes = np.maximum(thorax.lung_vessels(x, y, z, self.heart.case.seed), inside + 3.0)
            canvas.image = over(canvas.image, cover(tubes, max(canvas.sigma, 0.5)), LUNG_VESSEL)
        ribs = thorax.ribs(x, y, z)
        canvas.lay(ribs, BONE)
        canvas.lay(ribs + 1.6, MARROW)
        liver, stomach = thorax.diaphragm(x, y, z)
        canvas.lay(np.maximum(stomach, inside), STOMACH)
        canvas.lay(np.maximum(liver, inside), LIVER)

    def draw_heart(self, canvas: Canvas, x: Array, y: Array, z: Array) -> Array:
        """Lay the mediastinum without metal; the distance (mm) to its fat, which hides what is below."""
        heart, levels = self.heart, self.heart.case.levels
        local = (np.stack([x, y, z]).T - heart.ring_center.astype(x.dtype)) @ heart.axes.T.astype(x.dtype)
        parts = Chambers(heart, *(np.ascontiguousarray(local[..., i].T) for i in range(3)))
        muscle, walls, right = parts.muscle, parts.left_walls, parts.right_blood
        aorta, oesophagus = thorax.descending_aorta(x, y), thorax.oesophagus(x, y)
        bone, canal = thorax.vertebra(x, y, z)
        middle = union(union(muscle, right - RIGHT_WALL, 40.0), walls, 30.0) - 5.0
        back = np.minimum(np.minimum(aorta - 5.0, bone - 6.0), oesophagus - 4.0)
        fat = np.maximum(union(middle, back, 12.0), thorax.cavity(x, y))
        canvas.lay(fat, FAT)
        canvas.lay(oesophagus, CHEST_MUSCLE)
        canvas.lay(aorta - 1.6, levels.wall)
        canvas.lay(aorta, levels.left_blood)
        canvas.lay(bone, BONE)
        canvas.lay(bone + 1.8, MARROW)
        canvas.lay(canal, CANAL)
        canvas.lay(right - RIGHT_WALL, levels.wall)
        canvas.lay(walls, levels.wall)
        canvas.lay(muscle, levels.muscle)
        canvas.lay_blood(parts.left_blood, levels.left_blood, right, levels.right_blood)
        if heart.case.calcified:
            canvas.lay(parts.calcium, levels.calcium)
        return fat

    def metal(self, x: Array, y: Array, z: Array, sigma: float) -> Array:
        """Share of metal (0 to 1): the blurred band of an implanted ring, box times box across and along its wall."""
        implant = self.heart.case.implant
        local = (np.stack([x, y, z], axis=-1) - self.heart.ring_center) @ self.heart.axes.T
        edge = self.heart.ring.distance(local[..., 0], local[..., 1])
        height = local[..., 2]
        across = ndtr(edge / sigma) - ndtr((edge - implant.wall) / sigma)
        half = implant.height / 2.0
        result: Array = across * (ndtr((height + half) / sigma) - ndtr((height - half) / sigma))
        return result
