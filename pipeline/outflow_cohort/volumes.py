"""Volumes on disk: SimpleITK files to and from the core's Volume. All points LPS, mm."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from outflow_geometry.base.frames import Volume


def load_volume(path: Path) -> Volume:
    """Read one image file that SimpleITK knows (NRRD, NIfTI, MetaImage) as it is, HU."""
    import SimpleITK as sitk

    from outflow_geometry.base.frames import Volume

    image = sitk.ReadImage(str(path))
    return Volume(
        values=sitk.GetArrayFromImage(image),
        origin=np.asarray(image.GetOrigin(), dtype=np.float64),
        direction=np.asarray(image.GetDirection(), dtype=np.float64).reshape(3, 3),
        spacing=np.asarray(image.GetSpacing(), dtype=np.float64),
    )
