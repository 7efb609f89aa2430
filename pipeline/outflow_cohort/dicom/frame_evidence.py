"""What the image says of the frame that coordinates are given in: a coarse view of the whole field, and its witnesses.

Points LPS, mm; HU. The core judges (image/orientation.py, image/pose.py); here pixels are read for it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outflow_cohort.dicom.pixels import PixelError
from outflow_cohort.dicom.volume import Grid, ReadRegion, Region
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.orientation import ImageOrientation
from outflow_geometry.image.pose import PoseFinding, pose_finding

IN_PLANE_MM = 2.0
BETWEEN_SLICES_MM = 6.0
"""Spacing of the view: blood is asked at places some 10 mm from its edge, and each slice costs its decoding."""
MOST_VOXELS = 150_000_000
"""A compressed image file is read whole for its view; a larger one is not judged."""
ReadBox = Callable[[Region], ReadRegion]


def slice_hash(values: NDArray[Any]) -> str | None:
    """Hash of a slice's HU, by which the same scan shows under another name; None for an empty slice."""
    if float(np.ptp(values)) == 0.0:
        return None
    return hashlib.sha256(np.ascontiguousarray(values, dtype=np.float32).tobytes()).hexdigest()[:32]


def whole_view(grid: Grid, read_box: ReadBox, *, by_slice: bool, hashes: list[str] | None = None) -> Volume | None:
    """A coarse copy of the whole image; None where it cannot be read, is too large, or is sheared.

    by_slice : whether a single slice can be read without the others. hashes : takes the `slice_hash` of each whole
    slice that was read. Slices between are not decoded for it, so a copy cropped by less than the view's step is not
    seen.
    """

    def kept(values: NDArray[Any]) -> NDArray[Any]:
        found = slice_hash(values) if hashes is not None else None
        if found is not None and hashes is not None:
            hashes.append(found)
        return values[::inner, ::inner].copy()

    if grid.shear.any() or (not by_slice and int(np.prod(grid.size)) > MOST_VOXELS):
        return None
    inner = max(1, int(IN_PLANE_MM / max(grid.spacing[0], grid.spacing[1])))
    step = max(1, int(BETWEEN_SLICES_MM / grid.spacing[2]))
    (columns, rows, slices), places = grid.size, np.arange(0, grid.size[2], step)
    try:
        if by_slice:
            read = (read_box(Region((0, 0, int(k)), (columns, rows, int(k) + 1))).values[0] for k in places)
            values = np.stack([kept(one) for one in read])
        else:
            whole = read_box(Region((0, 0, 0), (columns, rows, slices))).values
            values = np.stack([kept(one) for one in whole[::step]])
    except PixelError:
        return None
    return Volume(values, grid.origin, grid.direction, grid.spacing * np.array([inner, inner, step]))


def mirrored_as(
    structures: dict[str, list[list[float]]], image: ImageOrientation, view: Volume | None
) -> PoseFinding | None:
    """What the image says against the frame of one reading's points; None where it says nothing."""
    points = {n: np.atleast_2d(np.asarray(p, dtype=np.float64)) for n, p in structures.items() if len(p)}
    return pose_finding(points, image, view)
