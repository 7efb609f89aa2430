"""A grid of implants in one reading: processor time per implant, against the plain script's one area curve.

Run:  python tests/benchmarks/implants.py [--depths 20] [--devices 6] [--tilts 5]

The reading is a closed-form heart with thin walls, 1 mm. Lumen and reader's path are found before the clock starts;
scatter of landmarks and placement are in. Timings are printed, never asserted.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "geometry"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from area_curve import plain_areas, plain_read, write_series
from test_reading import DRAWN, heart

from outflow_geometry.base.inputs import Device, ImplantGrid, Placement
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.measures.implants import ImplantReading, implant_plan, measure_implants
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen

STATIONS = -0.5 * np.arange(61)[::-1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--depths", type=int, default=20)
    parser.add_argument("--devices", type=int, default=6)
    parser.add_argument("--tilts", type=int, default=5)
    options = parser.parse_args()

    reading = heart()
    lumen = ReadingLumen(PhaseFindings(PhaseImage(reading.volume), build_anatomy(reading.landmarks)))
    lumen.lumen("reader_path")
    devices = tuple(
        Device(f"invented-{d:.0f}", float(d), 28.0, 0.0, 16.0) for d in np.linspace(28, 40, options.devices)
    )
    depths = tuple(np.linspace(8.0, 20.0, options.depths).tolist())
    tilts = tuple(np.linspace(0.0, 6.0, options.tilts).tolist())
    grid = ImplantGrid(devices, depths, tilts, (0.0,), ("full_frame",), Placement(1.5, 3.0, 1.0))
    own = lumen.anatomy
    placing = ImplantReading(lumen, None, replace(DRAWN, draws=0), own)
    measure_implants(placing, replace(grid, devices=devices[:1], depths=depths[:1], tilts_ap=(0.0,)))  # compile

    plan = PlanSections(implant_plan(devices[0], 15.0, 0.0, 0.0), None, DRAWN, lumen)
    with tempfile.TemporaryDirectory() as folder:
        write_series(reading.volume, Path(folder))
        image = plain_read(Path(folder))
    level = lumen.findings.level.threshold_hu
    start = time.process_time()
    plain_areas(image, lumen.reader_path, STATIONS, plan.solid("full_frame"), level)
    plain = time.process_time() - start

    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.process_time()
    found = measure_implants(placing, grid)
    spent = time.process_time() - start
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory) / 1024.0
    count = len(devices) * len(depths) * len(tilts)
    print(f"{count} implants, both paths ({len(found)} sections): {spent:.2f} s, {grown:.0f} MB more at the peak")
    print(f"per implant {1000.0 * spent / count:.1f} ms; the plain script's one curve {1000.0 * plain:.0f} ms")
    print(f"ratio: one implant costs {spent / count / plain:.2f} of one curve of the plain script")


if __name__ == "__main__":
    main()
