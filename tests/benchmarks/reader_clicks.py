"""The same curve clicked with 4, 6, 10 and 30 points: value and interval along the reader's path.

    python tests/benchmarks/reader_clicks.py --hearts 10 --sd 0.7 --smooth 5 --spacing 0.8

Invented hearts (`demo.random_cases`), exact points of one curve, a reader known for a scatter of --sd mm. The curve is
the hearts' true path, which bends sharply up to the annulus and is straight beyond it, smoothed along its length by
--smooth mm (standard deviation): no reader draws a corner. Figures, never assertions.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d

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


BEYOND = 30.0
"""mm by which a curve is run on before it is smoothed."""
STEP = 0.25


def drawn_curve(curve: OutflowCurve, smooth: float) -> tuple[np.ndarray, np.ndarray]:
    """Stations (n,), mm, and points (n, 3) of the curve that is clicked."""
    stations = np.arange(max(curve.first, FIRST) - BEYOND, LAST + BEYOND, STEP)
    inside = np.clip(stations, curve.first, None)
    points, tangents = curve.at(inside)
    points = points + (stations - inside)[:, None] * tangents
    return stations, gaussian_filter1d(points, smooth / STEP, axis=0) if smooth > 0.0 else points


def main() -> None:
    """Print a line per heart."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hearts", type=int, default=10)
    parser.add_argument("--sd", type=float, default=0.7)
    parser.add_argument("--smooth", type=float, default=0.0, help="mm by which the true path is smoothed")
    parser.add_argument("--spacing", type=float, help="mm of voxels, drawn quickly; default: the heart's own")
    parser.add_argument("--draws", type=int, default=200)
    options = parser.parse_args()
    chosen = Definitions(solids=("full_frame",), landmark_sd={"default": options.sd}, draws=options.draws)
    same_value = same_width = seen = 0
    print("| heart | status | " + " | ".join(f"{n} clicks" for n in CLICKS) + " |")
    print("|---|---|" + "---|" * len(CLICKS))
    for seed in range(options.hearts):
        spacing = {} if options.spacing is None else {"spacing": (options.spacing,) * 3}
        case = random_case(seed, **spacing)
        phase = HeartPhase(case.heart, case.phase_pct)
        volume = render_volume(
            case.heart, case.phase_pct, case.spacing, case.blur_fwhm, case.noise_sd, seed, margin=12.0, supersample=1
        )
        image, curve = PhaseImage(volume), OutflowCurve(phase)
        given = ReadingInput(true_landmarks(phase), volume, (plan_of(case),), definitions=chosen)
        stations, drawn = drawn_curve(curve, options.smooth)
        cells, status, rows = [], "", []
        for clicks in CLICKS:
            wanted = np.linspace(max(curve.first, FIRST), LAST, clicks)
            points = np.stack([np.interp(wanted, stations, drawn[:, axis]) for axis in range(3)], axis=1)
            marks = {**given.landmarks, "outflow_path": phase.to_patient(points)}
            values = measure_reading(replace(given, landmarks=marks), image).values
            row = next(v for v in values if (v.measure, v.method) == ("neo_lvot_area", "reader_path"))
            status = row.status
            rows.append(row)
            ends = "none" if row.ci_low is None else f"{row.ci_low:.0f}–{row.ci_high:.0f}"
            cells.append(f"{row.value:.0f} ({ends})" if row.value is not None else row.status)
        print(f"| {seed} | {status} | " + " | ".join(cells) + " |", flush=True)
        if all(row.value is not None and row.ci_low is not None for row in rows):
            values = np.array([row.value for row in rows])
            widths = np.array([row.ci_high - row.ci_low for row in rows])
            seen += 1
            same_value += values.max() <= 1.02 * values.min()
            same_width += bool(np.all(np.abs(widths / widths.mean() - 1.0) <= 0.2))
    print(f"Values within 2 %: {same_value} of {seen}; widths within 20 % of their mean: {same_width} of {seen}.")


if __name__ == "__main__":
    main()
