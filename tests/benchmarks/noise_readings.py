"""Does a number that says `ok` survive the noise? Readings of rough hearts beside those of the same image without it.

    python tests/benchmarks/noise_readings.py --hearts 40 --noises 10

Each heart is rough (`outflow_cohort.demo.rough_hearts`: septum turned out of the plane, oval
annulus, trabeculae, chordae, thin leaflets, valve open in most, curtain one voxel thick, some with streaks or steps;
0.4 to 1.5 mm), measured with exact landmarks along the reader's path in its image without noise and in images with
noise of their own: grain 0.5 to 1.5 mm, contrast to noise 5 to 12. `right`: within 5 % or 5 mm2 (areas), 5 % or 0.5 mm (lengths), 5 % (volume) of the value without
noise. `far with ok`: more than 12 % (and 5 mm2, 1 mm) off and yet `ok`. Statuses that only say where the smallest
section lies count as `ok`. Figures, never assertions.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import astuple, dataclass, replace
from pathlib import Path

import numpy as np

try:
    from outflow_geometry.outflow.image_findings import PhaseFindings
except ModuleNotFoundError:  # code of older commits, measured for comparison
    from outflow_geometry.measures.image_findings import PhaseFindings

from outflow_cohort.demo.rough_hearts import RoughHeart, rough_heart
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import UNTROUBLED
from outflow_geometry.base.frames import Volume
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.lumen import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen

FIELDS = {
    "neo_lvot_area": "area",
    "native_lvot_area": "native_area",
    "device_septum_distance": "septum_distance",
    "neo_lvot_diameter max": "diameter_max",
    "neo_lvot_diameter min": "diameter_min",
}
"""Measure, and where a section keeps it."""
LENGTHS = tuple(list(FIELDS)[2:])
MEASURES = (*FIELDS, "lv_volume")
RIGHT, FAR = 0.05, 0.12
AREA_FLOOR, LENGTH_FLOOR, FAR_LENGTH_FLOOR = 5.0, 0.5, 1.0


@dataclass(frozen=True)
class Compared:
    """One value of one reading with and without noise."""

    seed: int
    number: int
    contrast_to_noise: float
    grain: float
    measure: str
    clean: float | None
    clean_status: str
    noisy: float | None
    status: str

    def off(self, share: float, floor: bool = True, far: bool = False) -> bool:
        """Whether the noisy value is further off than `share` of the clean one (or the floor of its unit)."""
        if self.clean is None or self.noisy is None:
            return False
        least = 0.0
        if floor and self.measure.endswith("_area"):
            least = AREA_FLOOR
        elif floor and self.measure in LENGTHS:
            least = FAR_LENGTH_FLOOR if far else LENGTH_FLOOR
        return abs(self.noisy - self.clean) > max(share * abs(self.clean), least)


def _tried(function: Callable[[], object]) -> object:
    try:
        return function()
    except GeometryError as error:
        return error.code


def values(case: RoughHeart, volume: Volume) -> tuple[dict[str, tuple[float | None, str]], float]:
    """Values and statuses of a reading with exact landmarks, and its processor seconds."""
    start = time.process_time()
    findings = PhaseFindings(PhaseImage(volume), build_anatomy(case.landmarks))
    sections = PlanSections(case.plan, None, Definitions(solids=("full_frame",), draws=0), ReadingLumen(findings))
    section, ml = _tried(lambda: sections.smallest("full_frame", "reader_path")), _tried(findings.lv_volume)
    spent = time.process_time() - start
    found: dict[str, tuple[float | None, str]] = {}
    for measure in MEASURES[:-1]:
        if isinstance(section, str):
            found[measure] = None, section
        else:
            value = getattr(section, FIELDS[measure])
            jumps = FIELDS[measure] in getattr(section, "jumping", ()) and section.status in UNTROUBLED
            found[measure] = value if np.isfinite(value) else None, "two_places" if jumps else section.status
    value, status = ml if isinstance(ml, tuple) else (None, ml) if isinstance(ml, str) else (ml, "ok")
    found["lv_volume"] = value, status
    return found, spent


def noisy_cases(seed: int, noises: int) -> list[RoughHeart]:
    """One heart with its own noise, and with others drawn."""
    case = rough_heart(seed)
    rng = np.random.default_rng([seed, 12])
    others = [
        replace(case, grain=rng.uniform(0.5, 1.5), contrast_to_noise=rng.uniform(5, 12)) for _ in range(1, noises)
    ]
    return [case, *others]


def compared(seed: int, noises: int) -> tuple[list[Compared], list[float]]:
    """One rough heart measured without noise and with each of its noises; processor seconds of the latter."""
    rows, seconds = [], []
    clean = None
    for number, case in enumerate(noisy_cases(seed, noises)):
        clean = values(case, case.image())[0] if clean is None else clean
        noisy, spent = values(case, case.image(1000 * seed + number))
        seconds.append(spent)
        rows += [
            Compared(seed, number, case.contrast_to_noise, case.grain, key, *clean[key], *noisy[key]) for key in clean
        ]
    return rows, seconds


def table(rows: Iterable[Compared]) -> list[str]:
    """Rows of a Markdown table."""
    groups: dict[str, list[Compared]] = defaultdict(list)
    for row in rows:
        groups[row.measure].append(row)
    lines = [
        "| measure | n | `ok` | right, of `ok` | right, of all | far with `ok` | mean error | SD | no value |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for measure, group in groups.items():
        known = [r for r in group if r.clean is not None and r.clean_status in UNTROUBLED]
        ok = [r for r in known if r.status in UNTROUBLED and r.noisy is not None]
        right = [r for r in ok if not r.off(RIGHT)]
        right_all = [r for r in known if r.noisy is not None and not r.off(RIGHT)]
        far = [r for r in ok if r.off(FAR, far=True)]
        error = np.array([r.noisy / r.clean - 1.0 for r in ok if r.clean])
        spread = f"{100 * error.mean():+.1f} % | {100 * error.std():.1f} %" if len(error) else "|"
        missing = sum(r.noisy is None for r in known)
        share, share_all = len(right) / max(len(ok), 1), len(right_all) / max(len(known), 1)
        lines.append(
            f"| {measure} | {len(known)} | {len(ok)} | {100 * share:.1f} % "
            f"| {100 * share_all:.1f} % | {len(far)} | {spread} | {missing} |"
        )
    return lines


def main() -> None:
    """Measure, print, and write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hearts", type=int, default=40)
    parser.add_argument("--noises", type=int, default=10, help="images with noise of each heart")
    parser.add_argument("--first", type=int, default=0, help="seed of the first heart")
    parser.add_argument("--rows", type=Path, help="keep every compared value in this JSON file")
    parser.add_argument("--tell", type=Path, nargs="+", help="print the table of rows kept before, and measure nothing")
    args = parser.parse_args()
    if args.tell:
        kept = [json.loads(path.read_text(encoding="utf-8")) for path in args.tell]
        print("\n".join(table(Compared(*row) for rows in kept for row in rows)))
        return
    rows: list[Compared] = []
    spent: list[float] = []
    for seed in range(args.first, args.first + args.hearts):
        found, seconds = compared(seed, args.noises)
        rows += found
        spent += seconds
        for row in found:
            if row.off(RIGHT) or (row.status != row.clean_status and row.status not in (*UNTROUBLED, "low_contrast")):
                print("far" if row.off(FAR, far=True) else "off", row, file=sys.stderr, flush=True)
        if args.rows:
            args.rows.write_text(json.dumps([astuple(r) for r in rows]), encoding="utf-8")
    print(
        "\n".join([*table(rows), "", f"Processor time per lumen, section and volume: median {np.median(spent):.2f} s."])
    )


if __name__ == "__main__":
    main()
