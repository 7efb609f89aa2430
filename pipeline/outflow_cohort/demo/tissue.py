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


@dataclass(frozen=True)
class Chest:
    """All tissues of one phase."""

    heart: HeartPhase

    def hu(self, x: Array, y: Array, z: Array, sigma: float, vessels: bool = True) -> tuple[Array, Array]:
        """HU without metal, and the distance of the nearest edge (mm), at LPS points (arrays of one shape)."""
        local = (np.stack([x, y, z], axis=-1) - self.heart.ring_center.astype(x.dtype)) @ self.heart.axes.T.astype(
            x.dtype
        )
        return self._paint(x, y, z, *(np.ascontiguousarray(local[..., i]) for i in range(3)), sigma, vessels)

    def _paint(
        self, x: Array, y: Array, z: Array, lx: Array, ly: Array, lh: Array, sigma: float, vessels: bool
    ) -> tuple[Array, Array]:
        heart, levels = self.heart, self.heart.case.levels
        edges: list[Array] = []

        def lay(image: Array, distance: Array, level: float) -> Array:
            edges.append(distance)
            return over(image, cover(distance, sigma), level)

        image = np.full_like(x, AIR)
        image = lay(image, thorax.skin(x, y), FAT)
        image = lay(image, thorax.chest_wall(x, y), CHEST_MUSCLE)
        inside = thorax.cavity(x, y)
        image = lay(image, inside, LUNG)
        if vessels:
            tubes = np.maximum(thorax.lung_vessels(x, y, z, heart.case.seed), inside + 3.0)
            image = over(image, cover(tubes, max(sigma, 0.5)), LUNG_VESSEL)
        ribs = thorax.ribs(x, y, z)
        image = lay(image, ribs, BONE)
        image = lay(image, ribs + 1.6, MARROW)
        liver, stomach = thorax.diaphragm(x, y, z)
        image = lay(image, np.maximum(stomach, inside), STOMACH)
        image = lay(image, np.maximum(liver, inside), LIVER)

        parts = Chambers(heart, lx, ly, lh)
        muscle, walls, right, left = parts.muscle, parts.left_walls, parts.right_blood, parts.left_blood
        aorta = thorax.descending_aorta(x, y)
        bone, canal = thorax.vertebra(x, y, z)
        middle = union(union(muscle, right - RIGHT_WALL, 40.0), walls, 30.0) - 5.0
        back = np.minimum(np.minimum(aorta - 5.0, bone - 6.0), thorax.oesophagus(x, y) - 4.0)
        image = lay(image, np.maximum(union(middle, back, 12.0), inside), FAT)
        image = lay(image, thorax.oesophagus(x, y), CHEST_MUSCLE)
        image = lay(image, aorta - 1.6, levels.wall)
        image = lay(image, aorta, levels.left_blood)
        image = lay(image, bone, BONE)
        image = lay(image, bone + 1.8, MARROW)
        image = lay(image, canal, CANAL)
        image = lay(image, right - RIGHT_WALL, levels.wall)
        image = lay(image, walls, levels.wall)
        image = lay(image, muscle, levels.muscle)
        edges += [right, left]
        share_left, share_right = cover(left, sigma), cover(right, sigma)
        image = image + share_left * (levels.left_blood - image) + share_right * (levels.right_blood - image)
        if heart.case.calcified:
            image = lay(image, parts.calcium, levels.calcium)
        if heart.case.implant.kind == "bioprosthesis":
            image = lay(image, parts.posts, 600.0)
        nearest = np.abs(edges[0])
        for distance in edges[1:]:
            np.minimum(nearest, np.abs(distance), out=nearest)
        return image, nearest

    def metal(self, x: Array, y: Array, z: Array, sigma: float) -> Array:
        """Share of metal (0 to 1): the blurred band of an implanted ring, box times box across and along its wall."""
        implant = self.heart.case.implant
        local = (np.stack([x, y, z], axis=-1) - self.heart.ring_center) @ self.heart.axes.T
        edge = self.heart.ring.distance(local[..., 0], local[..., 1])
        height = local[..., 2]
        across = ndtr(edge / sigma) - ndtr((edge - implant.wall) / sigma)
        half = implant.height / 2.0
        return across * (ndtr((height + half) / sigma) - ndtr((height - half) / sigma))
