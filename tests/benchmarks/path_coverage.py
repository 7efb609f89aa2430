"""Do the intervals of the neo-LVOT hold the section along the true centreline? Many quick simulated readings.

    python tests/benchmarks/path_coverage.py --first 100 --hearts 54

The hearts of `automatic_path.py` in quick images of 0.75 mm without noise, a cylinder at 17 mm. Two readings per heart:
every point errs by itself, or a third of the variance each is a shift of the structure, a slow wave along it and a rest
(SD_MM a coordinate either way). The lumen is found once per heart, with exact landmarks; paths, sections and the
intervals from DRAWS draws are those of each reading. Truth: closed form, along the true centreline. Invented data;
figures, never assertions.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from automatic_path import DEPTHS, SMALLEST, heart_at, true_area, with_depth

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import UNTROUBLED, Draws
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.lumen import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.measures.registry import measure
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PATH_METHODS, PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.scatter.error_model import GROUPS, WAVE_LENGTH
from outflow_geometry.scatter.redrawing import path_scatter
from outflow_geometry.scatter.redrawn_sections import PlanRedraws
from outflow_geometry.scatter.settling import settled_landmarks
from outflow_geometry.scatter.uncertainty import draws_elsewhere, interval, redrawn_landmarks

SD_MM, DRAWS = 0.5, 60
MODES = ("alone", "together")
SOLID = "full_frame"


@dataclass(frozen=True)
class Held:
    """One reading along one path: true and measured area, ends of the interval, mm2, and status."""

    mode: str
    method: str
    truth: float
    area: float
    low: float
    high: float
    status: str


def scattered(exact: dict[str, FloatArray], mode: str, rng: np.random.Generator) -> dict[str, FloatArray]:
    """A simulated reading of the landmarks `exact`."""
    shifts: dict[str, FloatArray] = {}
    found = {}
    for name, points in exact.items():
        if mode == "alone":
            found[name] = points + SD_MM * rng.standard_normal(points.shape)
            continue
        shift = shifts.setdefault(GROUPS.get(name, name), rng.standard_normal(3))
        apart = np.linalg.norm(points[:, None] - points, axis=2)
        values, vectors = np.linalg.eigh(np.exp(-0.5 * (apart / WAVE_LENGTH) ** 2))
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        wave = root @ rng.standard_normal(points.shape)
        found[name] = points + SD_MM / np.sqrt(3.0) * (shift + wave + rng.standard_normal(points.shape))
    return found


def readings(number: int) -> list[Held]:
    """Both readings of a heart, along both paths; those without a section or an interval are left out."""
    heart = with_depth(heart_at(number, coarse=True), DEPTHS[1])
    truth = true_area(heart)
    if truth < SMALLEST:
        return []
    lumen = PhaseFindings(PhaseImage(heart.image()), build_anatomy(heart.landmarks)).lumen
    chosen = Definitions(solids=(SOLID,), landmark_sd={"default": SD_MM}, draws=DRAWS)
    rng = np.random.default_rng([number, 8])
    found = []
    for mode in MODES:
        marks = scattered(heart.landmarks, mode, rng)
        findings = PhaseFindings(None, build_anatomy(marks, checked=False))
        findings._found["lumen"] = lumen
        reading = ReadingLumen(findings, path_scatter(chosen.landmark_sd))
        sections = PlanSections(heart.plan, None, chosen, reading)
        middle = build_anatomy(settled_landmarks(marks, chosen.landmark_sd), checked=False)
        drawn = redrawn_landmarks(marks, chosen.landmark_sd, DRAWS, 0)
        redraws = PlanRedraws(sections, middle, [build_anatomy(points, checked=False) for points in drawn])
        for method in PATH_METHODS:
            try:
                own = sections.section(SOLID, method)
                areas = redraws.numbers(SOLID, method)[:, 0]
            except GeometryError as error:
                print(f"heart {number} {mode} {method}: {error.code}", file=sys.stderr)
                continue
            draws = Draws(own.area, areas[np.isfinite(areas)])
            if draws_elsewhere(draws, measure("neo_lvot_area"), SOLID):
                continue
            ends = interval(draws, measure("neo_lvot_area"), SOLID)
            found.append(Held(mode, method, truth, own.area, ends.low, ends.high, own.status))
    return found


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hearts", type=int, default=54)
    parser.add_argument("--first", type=int, default=100)
    options = parser.parse_args()
    rows = []
    for number in range(options.first, options.first + options.hearts):
        rows += readings(number)
        print(f"heart {number}", file=sys.stderr, flush=True)
    print("| path | points err | status | n | coverage | truth above | mean error, mm2 | SD | half width |")
    print("|---|---|---|---|---|---|---|---|---|")
    for method in PATH_METHODS:
        for mode in MODES:
            for sure in (True, False):
                own = [r for r in rows if (r.method, r.mode, r.status in UNTROUBLED) == (method, mode, sure)]
                if not own:
                    continue
                error = np.array([r.area - r.truth for r in own])
                inside = np.mean([r.low <= r.truth <= r.high for r in own])
                above = np.mean([r.truth > r.high for r in own])
                half = np.median([0.5 * (r.high - r.low) / r.truth for r in own])
                named = "none" if sure else "speaks"
                print(
                    f"| {method} | {mode} | {named} | {len(own)} | {inside:.3f} | {above:.3f} | {error.mean():+.1f} "
                    f"| {error.std():.1f} | {100.0 * half:.0f} % |"
                )


if __name__ == "__main__":
    main()
