"""Reads one generated series with this project, SimpleITK and dicom2nifti in one run, and prints the times.

    python tests/benchmarks/read_series.py [--slices 256] [--matrix 512] [--rounds 3]

"whole" is everything the intake does: header scan, privacy audit, geometry verdict, and the volume in memory. Times
are wall and processor seconds, the best of the rounds; each reader runs in a process of its own so that the peak
memory is its own. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "dicom"))


def write(folder: Path, n: int, matrix: int, private: int) -> None:
    """A de-identified series with `private` private elements a header beside some sixty standard ones."""
    from series_files import slice_dataset, uid

    random = np.random.default_rng(1)
    field = random.integers(900, 1500, size=(matrix, matrix)).astype("<u2")
    for k in range(n):
        ds = slice_dataset(0)
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = uid(1, 1, k + 1)
        ds.ImagePositionPatient = [-100.0, -100.0, round(0.5 * k, 3)]
        ds.PixelSpacing, ds.SliceThickness, ds.InstanceNumber = [0.4, 0.4], 0.6, k + 1
        ds.Rows = ds.Columns = matrix
        ds.KVP, ds.ExposureTime, ds.XRayTubeCurrent, ds.TableHeight = 100, 500, 400 + k % 7, 150.5
        ds.SliceLocation, ds.WindowCenter, ds.WindowWidth = 0.5 * k, 40, 400
        ds.add_new(0x00190010, "LO", "MADE UP")
        for place in range(private):
            ds.add_new(0x00191000 + place, "DS", str(place))
        ds.PixelData = np.roll(field, k, axis=0).tobytes()
        ds["PixelData"].VR = "OW"
        ds.save_as(folder / f"{(k * 97) % 1009:04d}.dcm", enforce_file_format=True)


def read_here(folder: Path) -> None:
    """Header scan, audit, verdict, volume."""
    from outflow_cohort.dicom.pixels import frame_decoder
    from outflow_cohort.dicom.privacy import Auditor
    from outflow_cohort.dicom.rows import series_plan
    from outflow_cohort.dicom.scan import list_files, scan_folder
    from outflow_cohort.dicom.settings import IntakeSettings, PhaseSettings, PrivacySettings, QualitySettings
    from outflow_cohort.dicom.verify import judge_frames
    from outflow_cohort.dicom.volume import Grid, read_stack

    intake, phase = IntakeSettings(), PhaseSettings()
    scan = scan_folder(folder, intake, phase, Auditor(PrivacySettings(), "C001").audit)
    names, _ = list_files(folder, intake.max_files)
    paths = [folder / name for name, _ in names]
    with frame_decoder(60, 2048) as decoder:
        (series,) = judge_frames(scan.frames, dict(enumerate(paths)), intake, phase, QualitySettings(), decoder)
        if series.verdict != "accepted":
            raise SystemExit(f"the series was not accepted: {sorted(series.codes)}")
        plan = series_plan(1, "series", series, "S", scan.listing_digest)
        read_stack(plan, paths, decoder, Grid.of_plan(plan).whole)


def read_simpleitk(folder: Path) -> None:
    """Bare read; the names are sorted beforehand by the library itself (not timed elsewhere, so timed here)."""
    import SimpleITK as sitk

    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder)))
    reader.Execute()


def read_simpleitk_sorted(folder: Path) -> None:
    """Bare read of a list that is already in order: no header is read twice."""
    import SimpleITK as sitk

    order = sorted(folder.iterdir(), key=lambda p: (int(p.stem) * pow(97, -1, 1009)) % 1009)
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([str(p) for p in order])
    reader.Execute()


def read_dicom2nifti(folder: Path) -> None:
    """Conversion to an uncompressed NIfTI file, the only thing this library offers."""
    import dicom2nifti
    import dicom2nifti.settings

    dicom2nifti.settings.disable_validate_slice_increment()
    with tempfile.TemporaryDirectory() as out, contextlib.redirect_stdout(io.StringIO()):
        dicom2nifti.dicom_series_to_nifti(str(folder), str(Path(out) / "x.nii"), reorient_nifti=False)


READERS: dict[str, Callable[[Path], None]] = {
    "this project, whole": read_here,
    "SimpleITK, ordered list": read_simpleitk_sorted,
    "SimpleITK, finds its files": read_simpleitk,
    "dicom2nifti": read_dicom2nifti,
}


def _measure(name: str, folder: Path, rounds: int, answer: multiprocessing.Queue) -> None:
    small = folder.with_name("few")
    READERS[name](small)  # imports and first-call costs
    start_memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    wall, cpu = [], []
    for _ in range(rounds):
        a, b = time.perf_counter(), time.process_time()
        READERS[name](folder)
        wall.append(time.perf_counter() - a)
        cpu.append(time.process_time() - b)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - start_memory
    answer.put((min(wall), min(cpu), peak / 1024))


def main() -> None:
    """Write the series, read it with every reader in turn, print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--slices", type=int, default=256)
    parser.add_argument("--matrix", type=int, default=512)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--private", type=int, default=60)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        few, folder = Path(work) / "few", Path(work) / "series"
        few.mkdir()
        folder.mkdir()
        write(few, 4, 64, options.private)
        write(folder, options.slices, options.matrix, options.private)
        size = options.slices * options.matrix**2 * 2 / 1e6
        print(
            f"{options.slices} slices of {options.matrix} x {options.matrix}, {size:.0f} MB, best of {options.rounds}"
        )
        context = multiprocessing.get_context("spawn")
        for name in READERS:
            queue: multiprocessing.Queue = context.Queue()
            process = context.Process(target=_measure, args=(name, folder, options.rounds, queue))
            process.start()
            wall, cpu, peak = queue.get()
            process.join()
            print(f"{name:28s} wall {wall:6.3f} s   processor {cpu:6.3f} s   memory +{peak:6.0f} MB")


if __name__ == "__main__":
    main()
