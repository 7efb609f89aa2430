"""Area curve along the outflow path: the pipeline's core against the plain script a researcher would write.

Run:  python tests/benchmarks/area_curve.py [--stations 61] [--repeats 5]

Both work on the same synthetic channel of known area, 0.5 x 0.5 x 0.6 mm. The plain script reads a DICOM series
with SimpleITK, resamples a 0.25 mm plane at every station, thresholds half-way, labels, and counts the pixels of
the part at the path, for one solid. The core cuts two solids by the contract's rule to sub-voxel precision. Reading
is timed apart; the core's lumen, found once a reading, is given beside it. Timings are printed, never asserted.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import SimpleITK as sitk
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "geometry"))

from channels import Channel

from outflow_geometry.base.frames import Plane, Volume
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.outflow.area_curves import area_curves
from outflow_geometry.outflow.residual import smallest_section
from outflow_geometry.outflow.sections import NativeSections

PLANE_STEP = 0.25
PLANE_WIDTH = 60.0


def write_series(image: Volume, folder: Path) -> None:
    """The image as a DICOM series of single slices, by SimpleITK alone."""
    volume = sitk.GetImageFromArray(image.values.astype(np.int16))
    volume.SetOrigin(image.origin.tolist())
    volume.SetSpacing(image.spacing.tolist())
    writer = sitk.ImageFileWriter()
    writer.KeepOriginalImageUIDOn()
    for k in range(volume.GetDepth()):
        one = volume[:, :, k]
        position = volume.TransformIndexToPhysicalPoint((0, 0, k))
        for tag, value in (
            ("0008|0060", "CT"),
            ("0020|000d", "1.2.826.0.1.3680043.10.999.1"),
            ("0020|000e", "1.2.826.0.1.3680043.10.999.2"),
            ("0008|0018", f"1.2.826.0.1.3680043.10.999.3.{k + 1}"),
            ("0020|0013", str(k + 1)),
            ("0020|0032", "\\".join(f"{x:.6f}" for x in position)),
            ("0020|0037", "1\\0\\0\\0\\1\\0"),
            ("0028|1052", "0"),
            ("0028|1053", "1"),
        ):
            one.SetMetaData(tag, value)
        writer.SetFileName(str(folder / f"{k:04d}.dcm"))
        writer.Execute(one)


def plain_read(folder: Path) -> sitk.Image:
    """Series read as in SimpleITK's own example."""
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    return reader.Execute()


def plain_areas(image: sitk.Image, path, stations, solid, level: float) -> np.ndarray:
    """Area (n,), mm2, of the part of each plane at the path point: resample, threshold, label, count."""
    size = int(PLANE_WIDTH / PLANE_STEP)
    areas = []
    for station in stations:
        point, tangent = path.at(station)
        plane = Plane.from_normal(point, tangent)
        corner = plane.lift([-PLANE_WIDTH / 2.0, -PLANE_WIDTH / 2.0])
        direction = np.stack([plane.u, plane.v, plane.normal], axis=1)
        cut = sitk.Resample(
            image,
            [size, size, 1],
            sitk.Transform(),
            sitk.sitkLinear,
            corner.tolist(),
            [PLANE_STEP, PLANE_STEP, 1.0],
            direction.ravel().tolist(),
            -1000.0,
            sitk.sitkFloat32,
        )
        blood = sitk.GetArrayViewFromImage(cut)[0] > level
        at = (np.arange(size) * PLANE_STEP) - PLANE_WIDTH / 2.0
        x, y = np.meshgrid(at, at)
        blood &= ~solid.contains(plane.lift(np.stack([x, y], axis=-1)))
        label, count = ndimage.label(blood)
        if count == 0:
            areas.append(0.0)
            continue
        rows, columns = np.nonzero(label)
        nearest = np.argmin((rows - size / 2) ** 2 + (columns - size / 2) ** 2)
        areas.append((label == label[rows[nearest], columns[nearest]]).sum() * PLANE_STEP**2)
    return np.array(areas)


def timed(work, repeats: int):
    """Result and the fastest of `repeats` runs, s."""
    best, result = np.inf, None
    for _ in range(repeats):
        start = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - start)
    return result, best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--stations", type=int, default=61)
    parser.add_argument("--repeats", type=int, default=5)
    options = parser.parse_args()

    channel = Channel(noise=25.0, lobes=0.3)
    image = channel.image()
    anatomy, path = channel.anatomy(), channel.path()
    solids = {name: channel.solid(name) for name in ("full_frame", "skirt")}
    level = 0.5 * (channel.blood + channel.muscle)
    step = 30.0 / (options.stations - 1)
    chosen = Definitions(station_step=step)
    stations = -step * np.arange(options.stations)[::-1]

    with tempfile.TemporaryDirectory() as folder:
        write_series(image, Path(folder))
        read, read_time = timed(lambda: plain_read(Path(folder)), options.repeats)
    plain, plain_time = timed(
        lambda: plain_areas(read, path, stations, solids["full_frame"], level), min(options.repeats, 3)
    )
    start = time.perf_counter()
    lumen = channel.lumen(image)
    area_curves(lumen, path, anatomy, solids, chosen)
    first_time = time.perf_counter() - start
    _, core_time = timed(lambda: area_curves(lumen, path, anatomy, solids, chosen), 2 * options.repeats)
    solid = solids["full_frame"]
    native = NativeSections(lumen, path, anatomy, solid)
    native.at(stations)
    found, smallest_time = timed(
        lambda: smallest_section(lumen, path, anatomy, solid, chosen, native=native), options.repeats
    )
    truth = channel.true_area(found.station, path, anatomy, solids["full_frame"])
    row = int(np.argmin(np.abs(stations - found.station)))

    print(f"image {image.values.shape}, {options.stations} stations")
    print(f"plain script: read {read_time:.3f} s, curve of one solid {plain_time:.3f} s")
    print(f"core: curve of two solids {core_time:.4f} s (first call in a process {first_time:.3f} s)")
    print(f"      smallest section, refined between stations {smallest_time:.4f} s")
    print(f"ratio of the curves: {plain_time / core_time:.1f} times faster, with twice the solids")
    print(f"area at station {found.station:.2f} mm: true {truth:.2f}, core {found.area:.2f} mm2")
    print(
        f"     plain script at its nearest station: {plain[row]:.2f} mm2 (both sides of the device, part at the path)"
    )


if __name__ == "__main__":
    main()
