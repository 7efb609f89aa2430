"""The same curve clicked with 4, 6, 10 and 30 points: value and interval along the reader's path.

    python tests/benchmarks/reader_clicks.py --hearts 10 --sd 0.7

Invented hearts (`demo.random_cases`), exact points of the true path, a reader known for a scatter of --sd mm. Figures,
never assertions.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from section_coverage import plan_of

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.landmarks import OutflowCurve, true_landmarks
from outflow_cohort.demo.random_cases import random_case
from outflow_cohort.demo.render import render_volume
from outflow_geometry.base.inputs import Definitions, ReadingInput
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.measures.reading import measure_reading

CLICKS = (4, 6, 10, 30)
FIRST, LAST = -45.0, 7.0
"""mm; stations between which the path is clicked."""


def main() -> None:
    """Print a line per heart."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hearts", type=int, default=10)
    parser.add_argument("--sd", type=float, default=0.7)
    options = parser.parse_args()
    chosen = Definitions(solids=("full_frame",), landmark_sd={"default": options.sd})
    print("| heart | status | " + " | ".join(f"{n} clicks" for n in CLICKS) + " |")
    print("|---|---|" + "---|" * len(CLICKS))
    for seed in range(options.hearts):
        case = random_case(seed)
        phase = HeartPhase(case.heart, case.phase_pct)
        volume = render_volume(
            case.heart, case.phase_pct, case.spacing, case.blur_fwhm, case.noise_sd, seed, margin=12.0, supersample=1
        )
        image, curve = PhaseImage(volume), OutflowCurve(phase)
        given = ReadingInput(true_landmarks(phase), volume, (plan_of(case),), definitions=chosen)
        cells, status = [], ""
        for clicks in CLICKS:
            points, _ = curve.at(np.linspace(max(curve.first, FIRST), LAST, clicks))
            marks = {**given.landmarks, "outflow_path": phase.to_patient(points)}
            values = measure_reading(replace(given, landmarks=marks), image).values
            row = next(v for v in values if (v.measure, v.method) == ("neo_lvot_area", "reader_path"))
            status = row.status
            ends = "none" if row.ci_low is None else f"{row.ci_low:.0f}–{row.ci_high:.0f}"
            cells.append(f"{row.value:.0f} ({ends})" if row.value is not None else row.status)
        print(f"| {seed} | {status} | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
