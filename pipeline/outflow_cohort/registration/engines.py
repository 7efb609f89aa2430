"""Engines of deformable registration: two prepared phases in, the displacement of each voxel out. LPS, mm.

`greedy`: the package picsl_greedy (Apache 2.0), greedy diffeomorphic registration by the sum of squares. `demons`:
SimpleITK's diffeomorphic demons, for machines that the package has no wheel for.
"""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from outflow_geometry.base.carry_limits import ComparisonSettings
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.image.registration import Comparison, Displacement

if TYPE_CHECKING:
    import SimpleITK as sitk

EngineName = Literal["automatic", "greedy", "demons"]

GREEDY_STEPS = "100x80x60x20"
"""Steps on grids of 8, 4, 2 and 1 mm."""

GREEDY_SMOOTHING = ("3vox", "1vox")
"""Smoothing of each step and of the whole field. 2 voxels leave a ring that moves by 12 mm 0.1 mm less behind, but err
by a third more where the image is smooth; a field smoothed by half a voxel follows noise, by 2 mm in one heart."""


def greedy_there() -> bool:
    """Whether the package of the engine `greedy` is installed."""
    return importlib.util.find_spec("picsl_greedy") is not None


def chosen_engine(name: EngineName) -> str:
    """The engine to use; `automatic` takes the more exact one that is installed. Raises GeometryError."""
    if name == "automatic":
        return "greedy" if greedy_there() else "demons"
    if name == "greedy" and not greedy_there():
        raise GeometryError("no_engine", "engine greedy: picsl_greedy is not installed; install it or say `automatic`")
    return name


def register(pair: Comparison, engine: str) -> Displacement:
    """The displacement from source to target of `pair`; raises GeometryError `registration_failed`."""
    try:
        vectors = ENGINES[engine](pair)
    except RuntimeError:
        raise GeometryError("registration_failed", f"engine {engine} found no field between the two phases") from None
    if vectors.shape != (*pair.source.shape, 3) or not np.all(np.isfinite(vectors)):
        raise GeometryError("registration_failed", f"engine {engine} gave a field that is not finite")
    return Displacement(vectors.astype(np.float32), pair.grid)


def write_field(path: Path, motion: Displacement) -> None:
    """Write the displacement (mm, LPS) of each voxel of the source as a vector image in NRRD."""
    import SimpleITK as sitk

    image = sitk.GetImageFromArray(np.ascontiguousarray(motion.vectors), isVector=True)
    image.SetOrigin(motion.grid.origin.tolist())
    image.SetSpacing(motion.grid.spacing.tolist())
    image.SetDirection(motion.grid.direction.ravel().tolist())
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{path.stem}.part{path.suffix}")
    sitk.WriteImage(image, str(part), useCompression=True)
    part.replace(path)


def _image(values: Any, pair: Comparison) -> sitk.Image:
    import SimpleITK as sitk

    image = sitk.GetImageFromArray(np.ascontiguousarray(values, dtype=np.float32))
    image.SetOrigin(pair.grid.origin.tolist())
    image.SetSpacing(pair.grid.spacing.tolist())
    image.SetDirection(pair.grid.direction.ravel().tolist())
    return image


def _greedy(pair: Comparison) -> Any:
    import SimpleITK as sitk
    from picsl_greedy import Greedy3D

    # HU scale: the engine's step length follows from the images' own range
    fixed, moving = _image(100.0 * pair.source, pair), _image(100.0 * pair.target, pair)
    mask = _image(pair.mask, pair)
    engine = Greedy3D()
    engine.execute(
        f"-d 3 -threads 1 -float -V 0 -m SSD -i fixed moving -gm mask -n {GREEDY_STEPS} "
        f"-s {' '.join(GREEDY_SMOOTHING)} -o warp",
        out=io.StringIO(),
        err=io.StringIO(),
        fixed=fixed,
        moving=moving,
        mask=mask,
        warp=None,
    )
    return sitk.GetArrayFromImage(engine["warp"])


ERROR_FACTOR = {"greedy": 1.0, "demons": 2.0}
"""By how much the expected errors, which are those of `greedy`, are widened for an engine: on moving hearts the ring of
demons errs by 1.9 instead of 0.5 mm in the 90th percentile, the hinges by 1.4 instead of 0.6 mm."""


def error_factor(engine: str, grid_mm: float) -> float:
    """By how much the expected errors are widened for an engine on a grid of this spacing, mm.

    On a grid of 2 mm the ring of moving hearts errs by 0.57 instead of 0.31 mm (root mean square of nine pairs), and
    its disagreement does not show: the errors grow with the voxels. A finer grid than the usual one earns nothing.
    """
    return ERROR_FACTOR[engine] * max(1.0, grid_mm / ComparisonSettings().spacing)


DEMONS_LEVELS = ((4, 60, 2.0), (2, 40, 1.5), (1, 20, 1.2))
"""Shrinking, steps and smoothing of the field (voxels) of each level."""


def _demons(pair: Comparison) -> Any:
    import SimpleITK as sitk

    fixed, moving = _image(pair.source, pair), _image(pair.target, pair)
    fields: list[sitk.Image] = []
    for shrink, steps, smoothing in DEMONS_LEVELS:
        first = sitk.Shrink(sitk.SmoothingRecursiveGaussian(fixed, 0.5 * shrink), [shrink] * 3) if shrink > 1 else fixed
        second = (
            sitk.Shrink(sitk.SmoothingRecursiveGaussian(moving, 0.5 * shrink), [shrink] * 3) if shrink > 1 else moving
        )
        demons = sitk.DiffeomorphicDemonsRegistrationFilter()
        demons.SetNumberOfIterations(steps)
        demons.SetStandardDeviations(smoothing)
        demons.SetSmoothDisplacementField(True)
        demons.SetNumberOfThreads(1)
        start = [_field_on(fields[-1], first)] if fields else []
        fields.append(demons.Execute(first, second, *start))
    return sitk.GetArrayFromImage(fields[-1])


def _field_on(field: sitk.Image, grid: sitk.Image) -> sitk.Image:
    """A field of the coarser level on the grid of the next."""
    import SimpleITK as sitk

    return sitk.Resample(field, grid, sitk.Transform(), sitk.sitkLinear, 0.0, sitk.sitkVectorFloat64)


ENGINES: dict[str, Callable[[Comparison], Any]] = {"greedy": _greedy, "demons": _demons}
"""Engine by name: displacement (nk, nj, ni, 3), mm, of the source's voxels."""
