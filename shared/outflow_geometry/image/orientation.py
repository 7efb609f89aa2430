"""Whether the anatomy in a chest CT is as its coordinates say: x to patient left, y to posterior, z to the head.

All points LPS, mm; HU. A position cannot tell: a heart at the isocentre keeps its place when x and y are negated. The
anatomy can: spine and descending aorta lie behind the heart, aorta and heart left of the spine, the liver below. Each
casts a vote where it is seen clearly, and none where it is not; a phantom without a chest gets none. All limits: common
anatomy, no source; they leave room for rotated, thin and stout patients, and a verdict takes two votes without an
opposing one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from outflow_geometry.base.frames import FloatArray, Volume

Axis = Literal["x", "y", "z"]
AXES: tuple[Axis, ...] = ("x", "y", "z")
GRID_MM = 4.0
"""Spacing at which the chest is looked at: no structure that votes is smaller than three of these."""
LEAST_ALONG_AXIS = 0.85
"""Cosine of 32 degrees: a grid turned further from the patient's axes is not judged."""
SHORTEST_SCAN_MM = 80.0
NARROWEST_SCAN_MM = 160.0
"""A smaller field shows the heart and little beside it, and parts of a heart can pass for spine and aorta."""
LUNG_HU = (-930.0, -500.0)
SOFT_HU = (-20.0, 160.0)
DENSE_HU = 100.0
"""Bone, also of old patients, and enhanced blood lie above it, muscle mostly below."""
BLOOD_HU = 200.0
STANDING_SHARE = 0.75
"""Share of slices in which a column of spine or aorta is dense: discs are not."""
THIN_MM = 7.0
"""Columns this far from their edge count: the breastbone is thinner, spine and aorta are not."""
HEART_RADIUS_MM = 8.0
"""A ball of this radius fits in the chambers, not in vessels of the lungs, ribs or the breastbone."""
DOMINANCE = 2.0
"""How much more of the columns' cores must be on the side of the back."""
SPINE_DISTANCE_MM, AORTA_DISTANCE_MM = 45.0, 35.0
"""How far behind the middle of the heart they lie at least; nearer columns may be part of it."""
COLUMN_DISTANCE_MM = 30.0
"""A column nearer to the middle of the heart than this is part of the heart."""
HEART_OFFSET_MM = 8.0
AORTA_OFFSET_MM = 8.0
AORTA_STEADY = 0.15
"""Standard deviation over mean along the column: blood is even, vertebrae and discs take turns."""
AORTA_LEAST = 0.6
"""Least HU of a slice over the column's mean: no slice passes beside the descending aorta."""
NEIGHBOURS_MM = (15.0, 75.0)
"""Distance of descending aorta and spine."""
SIDE_BY_SIDE_MM = 35.0
"""How far the one may be before the other: the aorta runs beside the vertebrae."""
LONGEST_AORTA = 1.7
"""Longer over shorter radius of its section: the aorta is round, the breastbone is flat."""
AORTA_MM2 = (150.0, 1600.0)
LEAST_SPINE_MM2 = 400.0
LEAST_LUNG_MM3 = 1e5
LIVER_MM2 = 4000.0
END_SHARE = 0.12
"""Share of the slices that counts as the lower or upper end."""


@dataclass(frozen=True)
class Vote:
    """What one structure says of one axis: `number` beyond `bound` on the side of a person (+1) or of its mirror image
    (-1); mm, mm2 or a share."""

    axis: Axis
    name: str
    number: float
    bound: float

    @property
    def side(self) -> int:
        """+1 as in a person, -1 the other way round, 0 not clear."""
        return 0 if abs(self.number) < self.bound else (1 if self.number > 0 else -1)


@dataclass(frozen=True)
class ImageOrientation:
    """All votes of one image."""

    votes: tuple[Vote, ...]

    def score(self, axis: Axis) -> int:
        """Sum of the clear votes on `axis`; 0 where they disagree or there is none."""
        sides = [vote.side for vote in self.votes if vote.axis == axis and vote.side]
        return sum(sides) if len(set(sides)) == 1 else 0

    @property
    def inverted(self) -> tuple[Axis, ...]:
        """Axes along which the anatomy is the other way round: two votes say so, none the contrary, and those on the
        other axis of the section agree among themselves too, as those of a true spine and aorta do."""
        if min(abs(self.score("x")), abs(self.score("y"))) < 2:
            return ()
        return tuple(axis for axis in AXES if self.score(axis) <= -2)

    @property
    def upright(self) -> tuple[Axis, ...]:
        """Axes along which at least one structure is as in a person, and none the other way round."""
        return tuple(axis for axis in AXES if self.score(axis) >= 1)

    def reasons(self, axes: Sequence[Axis]) -> str:
        """The clear votes on `axes` with their numbers."""
        clear = [vote for vote in self.votes if vote.axis in axes and vote.side]
        return ", ".join(f"{vote.name} {vote.number:+.3g} (beyond {vote.bound:g})" for vote in clear)


NOTHING_SEEN = ImageOrientation(())


def shows_lungs(volume: Volume) -> bool:
    """Whether the image shows 100 ml of lung: then a person was scanned, and no phantom without a chest."""
    lungs = (volume.values > LUNG_HU[0]) & (volume.values < LUNG_HU[1])
    return float(lungs.sum()) * float(volume.spacing.prod()) >= LEAST_LUNG_MM3


def image_orientation(volume: Volume) -> ImageOrientation:
    """Votes of the structures that the image shows; none where it is no chest, too small or askew.

    volume : the whole field of view, at any spacing; a coarse copy (about 4 mm) will do.
    """
    chest = _upright_copy(volume)
    if chest is None:
        return NOTHING_SEEN
    values, spacing = chest
    extent = np.array(values.shape) * spacing
    if extent[0] < SHORTEST_SCAN_MM or min(extent[1], extent[2]) < NARROWEST_SCAN_MM:
        return NOTHING_SEEN
    return _Chest(values, spacing).votes()


def _upright_copy(volume: Volume) -> tuple[NDArray[np.float32], FloatArray] | None:
    """A coarse copy [z, y, x] whose indices run to head, posterior and left, and its spacing (3,) z, y, x."""
    axes = volume.direction  # columns are the directions of i, j, k
    nearest = np.abs(axes).argmax(axis=0)
    if sorted(nearest) != [0, 1, 2] or np.abs(axes).max(axis=0).min() < LEAST_ALONG_AXIS:
        return None
    step = np.maximum(1, np.round(GRID_MM / volume.spacing)).astype(int)
    values = volume.values[:: step[2]].astype(np.float32)
    rows, columns = (n - n % d for n, d in zip(values.shape[1:], step[1::-1], strict=True))
    blocks = values[:, :rows, :columns].reshape(len(values), rows // step[1], step[1], columns // step[0], step[0])
    values = blocks.mean(axis=(2, 4))
    order = [int(2 - np.flatnonzero(nearest == axis)[0]) for axis in (2, 1, 0)]
    values = values.transpose(order)
    spacing = (volume.spacing * step)[::-1][order]
    for place, axis in enumerate((2, 1, 0)):
        if axes[axis, int(np.flatnonzero(nearest == axis)[0])] < 0:
            values = np.flip(values, axis=place)
    return np.ascontiguousarray(values, dtype=np.float32), spacing


@dataclass(frozen=True)
class _Chest:
    """HU [z, y, x] towards head, posterior, left, and spacing (3,) z, y, x."""

    values: NDArray[np.float32]
    spacing: FloatArray

    def votes(self) -> ImageOrientation:
        """All votes that this chest casts."""
        lungs = (self.values > LUNG_HU[0]) & (self.values < LUNG_HU[1])
        standing = (self.values > DENSE_HU).mean(axis=0) >= STANDING_SHARE
        bright = self._thick_blood()
        if not bright.any() or lungs.sum() * float(self.spacing.prod()) < LEAST_LUNG_MM3:
            return NOTHING_SEEN
        # The middle of all that is bright leans towards the back; without the columns it is the heart's.
        columns = self._columns(standing, self._centre(bright), COLUMN_DISTANCE_MM / 2.0)
        bright &= ~ndimage.binary_dilation(columns, iterations=2)
        if not bright.any():
            return NOTHING_SEEN
        heart = self._centre(bright)
        pair = self._aorta_and_spine(self._columns(standing, heart, COLUMN_DISTANCE_MM))
        if pair is None:
            return ImageOrientation(tuple(self._liver()))
        aorta, spine = pair
        votes = [
            Vote("y", "spine behind the heart, mm", float(spine[0] - heart[1]), SPINE_DISTANCE_MM),
            Vote("y", "descending aorta behind the heart, mm", float(aorta[0] - heart[1]), AORTA_DISTANCE_MM),
            Vote("x", "heart left of the spine, mm", float(heart[2] - spine[1]), HEART_OFFSET_MM),
            Vote("x", "descending aorta left of the spine, mm", float(aorta[1] - spine[1]), AORTA_OFFSET_MM),
        ]
        return ImageOrientation((*votes, *self._liver()))

    def _thick_blood(self) -> NDArray[np.bool_]:
        """Enhanced bodies that a ball fits in: chambers, aorta, and vertebrae where they are as bright."""
        depth = ndimage.distance_transform_edt(self.values > BLOOD_HU, sampling=self.spacing)
        result: NDArray[np.bool_] = depth >= HEART_RADIUS_MM
        return result

    def _centre(self, mask: NDArray[np.bool_]) -> FloatArray:
        """Centroid of `mask`, mm along z, y, x."""
        result: FloatArray = np.array(ndimage.center_of_mass(mask)) * self.spacing
        return result

    def _columns(self, standing: NDArray[np.bool_], heart: FloatArray, distance: float) -> NDArray[np.bool_]:
        """Thick columns [y, x] that are dense in nearly all slices, `distance` mm or more before or behind the heart,
        on the side where more of them are: the back."""
        depth = ndimage.distance_transform_edt(np.pad(standing, 1), sampling=self.spacing[1:])[1:-1, 1:-1]
        numbered, count = ndimage.label(standing)
        sides: dict[bool, list[int]] = {True: [], False: []}
        cores = {True: 0.0, False: 0.0}
        for number in range(1, count + 1):
            core = (numbered == number) & (depth >= THIN_MM)
            if not core.any():
                continue
            away = float(ndimage.center_of_mass(core)[0] * self.spacing[1] - heart[1])
            if abs(away) >= distance:
                sides[away > 0].append(number)
                cores[away > 0] += float(core.sum())
        if max(cores.values()) < DOMINANCE * min(cores.values()):
            return np.zeros_like(standing)
        result: NDArray[np.bool_] = np.isin(numbered, sides[cores[True] > cores[False]])
        return result

    def _aorta_and_spine(self, columns: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray] | None:
        """Places (2,) y, x of descending aorta and spine, mm: neighbours in the back, the one bright and even through
        all slices, the other not. None unless both are seen: one alone may be part of a heart that fills the field."""
        area = float(self.spacing[1] * self.spacing[2])
        mean, spread = self.values.mean(axis=0), self.values.std(axis=0)
        whole = self.values.min(axis=0) > AORTA_LEAST * mean
        parts, count = ndimage.label(columns & whole & (spread < AORTA_STEADY * mean) & (mean > BLOOD_HU))
        round_parts = [
            mask
            for mask in (parts == number for number in range(1, count + 1))
            if AORTA_MM2[0] <= float(mask.sum()) * area <= AORTA_MM2[1] and self._elongation(mask) <= LONGEST_AORTA
        ]
        if not round_parts:
            return None
        aorta = max(
            round_parts, key=lambda mask: float(np.median(mean[mask]))
        )  # enhanced blood is brighter than marrow
        spine = columns & ~ndimage.binary_dilation(aorta, iterations=2)
        if spine.sum() * area < LEAST_SPINE_MM2:
            return None
        places = [np.array(ndimage.center_of_mass(mask)) * self.spacing[1:] for mask in (aorta, spine)]
        near, far = NEIGHBOURS_MM
        apart = places[0] - places[1]
        if abs(apart[0]) > SIDE_BY_SIDE_MM or not near <= float(np.linalg.norm(apart)) <= far:
            return None
        return places[0], places[1]

    def _elongation(self, mask: NDArray[np.bool_]) -> float:
        """Longer over shorter radius of `mask` [y, x], by its second moments."""
        places = np.argwhere(mask) * self.spacing[1:]
        small, large = np.linalg.eigvalsh(np.cov(places.T) + np.diag(self.spacing[1:] ** 2 / 12.0))
        return float(np.sqrt(large / small))

    def _liver(self) -> list[Vote]:
        """More soft tissue in the lower end of the scan than in the upper: the liver and what is beside it."""
        soft = ((self.values > SOFT_HU[0]) & (self.values < SOFT_HU[1])).mean(axis=(1, 2))
        whole = float(np.prod(np.array(self.values.shape[1:]) * self.spacing[1:]))
        count = max(1, round(END_SHARE * len(soft)))
        more = whole * float(soft[:count].mean() - soft[-count:].mean())
        return [Vote("z", "soft tissue below more than above, mm2", more, LIVER_MM2)]
