"""Uncertainty of one reading by Monte Carlo: the core's redrawn sections against measuring each redrawn reading anew.

Run:  python tests/benchmarks/monte_carlo.py [--draws 200] [--anew 10]

Both work on the same synthetic channel, 0.5 x 0.5 x 0.6 mm, two solids along the reader's path. Measuring anew cuts
the whole area curve and the smallest section of each redrawn reading, with the lumen shared; its time is taken from
a few draws. Timings are processor seconds, printed, never asserted.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "geometry"))

from channels import Channel

from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.scatter.redrawn_sections import PlanRedraws
from outflow_geometry.scatter.settling import settled_landmarks
from outflow_geometry.scatter.uncertainty import redrawn_landmarks

SOLIDS = ("full_frame", "skirt")
SCATTER_MM = 0.5


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--anew", type=int, default=10)
    options = parser.parse_args()

    channel = Channel(noise=25.0, bulge=3.0)
    image, lumen = PhaseImage(channel.image()), channel.lumen()
    path = channel.pose(channel.path_points([-30.0, -22.0, -14.0, -6.0, 3.0]))
    marks = {name: np.asarray(points) for name, points in channel.anatomy().landmarks.items()} | {"outflow_path": path}
    chosen = Definitions(solids=SOLIDS, landmark_sd={"default": SCATTER_MM})

    def sections_of(landmarks: dict[str, np.ndarray]) -> PlanSections:
        found = PhaseFindings(image, build_anatomy(landmarks), _found={"lumen": lumen, "level": lumen.level})
        return PlanSections(channel.plan(), None, chosen, ReadingLumen(found))

    middle = build_anatomy(settled_landmarks(marks, chosen.landmark_sd), checked=False)

    def core() -> tuple[np.ndarray, float]:
        sections = sections_of(marks)
        for solid in SOLIDS:
            sections.section(solid, "reader_path")
        start = time.process_time()
        again = [
            build_anatomy(m, checked=False) for m in redrawn_landmarks(marks, {"default": SCATTER_MM}, options.draws, 1)
        ]
        redrawn = PlanRedraws(sections, middle, again).each()
        areas = np.array([[r.smallest(solid, "reader_path").area for solid in SOLIDS] for r in redrawn])
        return areas, time.process_time() - start

    core()  # compiles on first use
    areas, core_time = core()
    start = time.process_time()
    anew = []
    for redrawn in redrawn_landmarks(marks, {"default": SCATTER_MM}, options.draws, 1)[: options.anew]:
        sections = sections_of(redrawn)
        anew.append([sections.section(solid, "reader_path").area for solid in SOLIDS])
    anew_time = (time.process_time() - start) / options.anew * options.draws

    difference = areas[: options.anew] - np.array(anew)
    print(f"{options.draws} draws, solids {', '.join(SOLIDS)}")
    print(f"redrawn sections: {core_time:.2f} s, areas, distances and diameters")
    print(f"measured anew:    {anew_time:.2f} s, from {options.anew} draws")
    print(f"ratio: {anew_time / core_time:.1f} times faster")
    print(f"standard deviation of the draws, mm2: {areas.std(axis=0, ddof=1).round(2).tolist()}")
    print(
        f"redrawn minus anew, mm2: median size {np.median(np.abs(difference)):.2f}, largest {np.abs(difference).max():.2f}"
    )


if __name__ == "__main__":
    main()
