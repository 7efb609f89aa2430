"""How near does the automatic path come to sections along the true centreline? On asymmetric invented hearts.

    python tests/benchmarks/automatic_path.py --hearts 60 --readings 0
    python tests/benchmarks/automatic_path.py --first 100 --hearts 60 --readings 0 --coarse --sections --rows rows.jsonl
    PYTHONPATH=OLD/shared:pipeline python tests/benchmarks/automatic_path.py --hearts 60 --readings 0   # another version

Each heart (`outflow_cohort.demo.rough_hearts`: septum turned 10 to 30 degrees, oval annulus, trabeculae, half of the
valves open) holds a cylinder at three depths; deeper ones hold the shallower whole, so that the true section never
grows. The image is without noise (noise of the scan: `--noise`). Truth: closed form, along the true centreline.
Readings: exact landmarks scattered by SD_MM, intervals from DRAWS draws, the middle depth. `--coarse` draws quick
images of 0.75 mm; `--rows` adds each heart to a file, from which the table is made, so that a run may go in parts.
Invented data; figures, never assertions.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import groupby, pairwise
from pathlib import Path

import numpy as np

from outflow_cohort.demo import true_device
from outflow_cohort.demo.rough_hearts import RoughHeart, rough_heart
from outflow_cohort.demo.true_sections import Steps, TrueOutflow
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import UNTROUBLED
from outflow_geometry.base.inputs import Definitions, ReadingInput
from outflow_geometry.image.lumen import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.measures.reading import measure_reading
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen

DEPTHS = (12.0, 17.0, 22.0)
HEIGHT = 30.0
KINDS = ("narrow", "plain", "two_lobes", "bulge", "narrow", "thin_walls")
SPACINGS = (0.5, 0.6, 0.7)
COARSE = 0.75
"""mm between the voxels of quick images."""
SD_MM, DRAWS = 0.5, 200
SMALLEST = 40.0
"""mm2 of true section; below it errors are told in mm2 alone."""
STEPS = Steps(2.0, 0.8, 0.3, 0.2)
"""Truth right to some 0.2 %."""


@dataclass(frozen=True)
class Measured:
    """One heart at one depth: true area, areas along both paths, mm2, statuses, bottleneck, seconds per reading."""

    heart: int
    depth: float
    truth: float
    automatic: float
    reader: float
    status: str
    bottleneck: float
    bottleneck_status: str
    without_path: float

    @property
    def error(self) -> float:
        """Of the automatic path, percent."""
        return 100.0 * (self.automatic / self.truth - 1.0)


def heart_at(number: int, coarse: bool = False) -> RoughHeart:
    """Heart `number` of the benchmark."""
    kind, spacing = KINDS[number % len(KINDS)], COARSE if coarse else SPACINGS[number % len(SPACINGS)]
    heart = rough_heart(number, spacing=spacing, streaks=0.0, steps=0.0, kind=kind)
    return replace(heart, supersample=1) if coarse else heart


def with_depth(heart: RoughHeart, depth: float) -> RoughHeart:
    """The heart with a cylinder of its device's diameter at another depth."""
    device = heart.case.device
    profile = ((0.0, device.nominal_diameter), (HEIGHT, device.nominal_diameter))
    case = replace(
        heart.case,
        device=replace(device, height=HEIGHT, profile=profile),
        plan=replace(heart.case.plan, depth=depth, plan_id=f"{depth:g}"),
    )
    return replace(heart, case=case)


def true_area(heart: RoughHeart) -> float:
    """Smallest section along the true centreline, mm2."""
    solid = true_device.true_solids(heart.heart, heart.case.device, heart.case.plan, None)["full_frame"]
    return float(TrueOutflow(heart.heart).smallest(solid, STEPS).area)


def measured(number: int, noise: bool, coarse: bool) -> tuple[list[Measured], float]:
    """A heart at all depths, and the processor seconds of its reading."""
    heart = heart_at(number, coarse)
    volume = heart.image(number if noise else None)
    each = [with_depth(heart, depth) for depth in DEPTHS]
    chosen = Definitions(solids=("full_frame",), draws=0)
    start = time.process_time()
    plans = tuple(one.plan for one in each)
    result = measure_reading(ReadingInput(heart.landmarks, volume, plans, definitions=chosen), PhaseImage(volume))
    spent = time.process_time() - start
    bare = {name: points for name, points in heart.landmarks.items() if name != "outflow_path"}
    again = measure_reading(ReadingInput(bare, volume, plans, definitions=chosen), PhaseImage(volume))
    found = {(v.plan_id, v.measure, v.method): v for v in result.values}
    wanted = (plans[1].plan_id, "neo_lvot_area", "automatic_path")
    alone = next(v for v in again.values if (v.plan_id, v.measure, v.method) == wanted)

    def number_of(row) -> float:
        return np.nan if row.value is None else float(row.value)

    rows = []
    for one, depth in zip(each, DEPTHS, strict=True):
        name = one.plan.plan_id
        area, reader = found[name, "neo_lvot_area", "automatic_path"], found[name, "neo_lvot_area", "reader_path"]
        neck = found[name, "bottleneck_area", "automatic_path"]
        without = number_of(alone) if depth == DEPTHS[1] else np.nan
        areas = true_area(one), number_of(area), number_of(reader)
        rows.append(Measured(number, depth, *areas, area.status, number_of(neck), neck.status, without))
    return rows, spent


def sections_alone(number: int, noise: bool, coarse: bool) -> tuple[list[Measured], float]:
    """As `measured`, but the sections along the automatic path alone, as a reading without a reader's path has them."""
    heart = heart_at(number, coarse)
    volume = heart.image(number if noise else None)
    bare = {name: points for name, points in heart.landmarks.items() if name != "outflow_path"}
    chosen = Definitions(solids=("full_frame",), draws=0)
    start = time.process_time()
    lumen = ReadingLumen(PhaseFindings(PhaseImage(volume), build_anatomy(bare)))
    rows = []
    for depth in DEPTHS:
        one = with_depth(heart, depth)
        try:
            found = PlanSections(one.plan, None, chosen, lumen).section("full_frame", "automatic_path")
            area, status = found.area, found.status
        except GeometryError as error:
            area, status = np.nan, error.code
        rows.append(Measured(number, depth, true_area(one), area, np.nan, status, np.nan, "", np.nan))
    return rows, time.process_time() - start


def coverage(number: int, coarse: bool) -> tuple[bool, float, str] | None:
    """Whether the interval of one scattered reading holds the truth, its half width in percent, and the status."""
    heart = with_depth(heart_at(number, coarse), DEPTHS[1])
    volume = heart.image(number)
    rng = np.random.default_rng([number, 6])
    read = {name: p + SD_MM * rng.standard_normal(p.shape) for name, p in heart.landmarks.items()}
    chosen = Definitions(solids=("full_frame",), landmark_sd={"default": SD_MM}, draws=DRAWS)
    result = measure_reading(ReadingInput(read, volume, (heart.plan,), definitions=chosen), PhaseImage(volume))
    row = next(v for v in result.values if (v.measure, v.method) == ("neo_lvot_area", "automatic_path"))
    if row.value is None or row.ci_low is None or row.ci_high is None:
        return None
    truth = true_area(heart)
    return row.ci_low <= truth <= row.ci_high, 50.0 * (row.ci_high - row.ci_low) / truth, row.status


def table(rows: Sequence[Measured]) -> list[str]:
    """Bounds and figures, Markdown."""
    known = [r for r in rows if np.isfinite(r.automatic) and r.truth >= SMALLEST]
    error = np.array([r.error for r in known])
    sure = np.array([r.status in UNTROUBLED for r in known])
    grown = [0.0]
    for _, group in groupby(rows, key=lambda r: r.heart):
        areas = [r.automatic for r in group]
        grown += [b / a - 1.0 for a, b in pairwise(areas) if np.isfinite(a) and np.isfinite(b)]
    necks = [(r.bottleneck / r.automatic, r.bottleneck_status) for r in rows if np.isfinite(r.bottleneck)]
    out_of = [share for share, status in necks if not 0.6 <= share <= 1.0 + 1e-9]
    loud = sum(status not in UNTROUBLED for share, status in necks if not 0.6 <= share <= 1.0 + 1e-9)
    pairs = [(r.automatic, r.without_path) for r in rows if np.isfinite(r.without_path)]
    lines = ["| bound | asked | found |", "|---|---|---|"]
    lines.append(f"| sections with a true area of {SMALLEST:g} mm2 or more | | {len(known)} of {len(rows)} |")
    lines.append(f"| median error | within 2 % | {np.median(error):+.1f} % |")
    lines.append(f"| mean, SD of errors | | {error.mean():+.1f} %, {error.std():.1f} % |")
    lines.append(f"| lowest, highest error | | {error.min():+.1f} %, {error.max():+.1f} % |")
    lines.append(f"| within 8 % | 95 % | {100.0 * np.mean(np.abs(error) <= 8.0):.0f} % |")
    if sure.any():
        lines.append(
            f"| the same where no status speaks ({int(sure.sum())}) | 95 % "
            f"| {100.0 * np.mean(np.abs(error[sure]) <= 8.0):.0f} % |"
        )
        lines.append(f"| above +10 % without a status | 0 | {int(np.sum(error[sure] > 10.0))} |")
        lines.append(f"| below -10 % without a status | | {int(np.sum(error[sure] < -10.0))} |")
    lines.append(f"| largest growth with depth | 1 % | {100.0 * max(grown):+.1f} % |")
    if (~sure).any():
        lines.append(
            f"| with a status: median error, within 8 %, highest | | {np.median(error[~sure]):+.1f} %, "
            f"{100.0 * np.mean(np.abs(error[~sure]) <= 8.0):.0f} %, {error[~sure].max():+.1f} % |"
        )
    lines.append(
        f"| values that change without the reader's path | 0 | {sum(a != b for a, b in pairs)} of {len(pairs)} |"
    )
    lines.append(f"| bottleneck outside 0.6 to 1.0 of the section | 0 without status | {len(out_of)}, {loud} with |")
    reader = np.array([100.0 * abs(r.reader / r.truth - 1.0) for r in known if np.isfinite(r.reader)])
    if len(reader):
        lines.append(
            f"| reader's exact path: median, worst absolute error | 0.2 % | {np.median(reader):.2f} %, {reader.max():.1f} % |"
        )
    small = [r for r in rows if r.truth < SMALLEST and np.isfinite(r.automatic)]
    if small:
        worst = max(abs(r.automatic - r.truth) for r in small)
        lines.append(f"| sections below {SMALLEST:g} mm2: worst error | | {worst:.0f} mm2 in {len(small)} |")
    return lines


def main() -> None:
    """Measure, print, and write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hearts", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--readings", type=int, default=40, help="hearts of which a scattered reading is measured")
    parser.add_argument("--noise", action="store_true", help="with the noise of the scan")
    parser.add_argument("--coarse", action="store_true", help="quick images of 0.75 mm")
    parser.add_argument("--sections", action="store_true", help="sections along the automatic path alone: quick")
    parser.add_argument("--rows", type=Path, help="file that keeps the hearts measured so far")
    parser.add_argument("--output", type=Path)
    args = parser.parse_args()
    rows: list[Measured] = []
    seconds = []
    if args.rows is not None and args.rows.exists():
        for line in args.rows.read_text(encoding="utf-8").splitlines():
            kept = json.loads(line)
            rows += [Measured(**row) for row in kept["rows"]]
            seconds.append(kept["seconds"])
    for number in range(args.first, args.first + args.hearts):
        if any(row.heart == number for row in rows):
            continue
        found, spent = (sections_alone if args.sections else measured)(number, args.noise, args.coarse)
        rows += found
        seconds.append(spent)
        if args.rows is not None:
            with args.rows.open("a", encoding="utf-8") as file:
                file.write(json.dumps({"rows": [asdict(row) for row in found], "seconds": spent}) + "\n")
        text = ", ".join(f"{r.depth:g}: {r.truth:.0f} {r.error:+.1f}% {r.status}" for r in found)
        print(f"heart {number} {text}", file=sys.stderr, flush=True)
    read = range(args.first, args.first + args.readings)
    held = [c for c in (coverage(n, args.coarse) for n in read) if c is not None]
    lines = table(rows)
    lines.append(f"| processor time of a reading of three plans, both paths, no draws | | {np.median(seconds):.1f} s |")
    if held:
        share = np.mean([h[0] for h in held])
        width = np.median([h[1] for h in held])
        lines.append(f"| 95 % interval holds the truth, {len(held)} readings | 92 to 98 % | {100.0 * share:.0f} % |")
        lines.append(f"| half width of the interval, median | | {width:.0f} % |")
    print("\n".join(lines))
    if args.output:
        args.output.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
