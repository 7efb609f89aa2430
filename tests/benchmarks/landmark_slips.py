"""What share of planted slips is found, by kind and size, and how often honest readings are flagged.

    python tests/benchmarks/landmark_slips.py --hearts 40 --output results_demo/landmark_slips.md

In portions: --hearts 10 --first 0 --tally counts.json, then --first 10 … with the same file; --sd 1.0 for slips of readers
who scatter more.

Half of the hearts are smooth (`random_cases`; every fourth of all has a surgical valve with posts), half as rough as
real scans (`rough_hearts`); scans of 1 mm. A reading is the true landmarks with every coordinate scattered by SD_MM.
A slip is planted in one reading; it is judged alone (one reading in the phase), then beside an honest one (two).
Found = the reading with the slip is suspect, set aside or refused. Invented data; figures, never assertions.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.heart_case import HeartCase, RingImplant
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.random_cases import random_case
from outflow_cohort.demo.render import render_volume
from outflow_cohort.demo.rough_hearts import rough_heart
from outflow_cohort.dicom.codes import reason
from outflow_cohort.dicom.landmark_checks import ImageBox, reading_problems
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.edge_map import EdgeMap
from outflow_geometry.image.landmark_evidence import judge_against_image, phase_edges
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.findings import BAD
from outflow_geometry.landmarks.judging import judge_reading
from outflow_geometry.scatter.consensus import JudgedRead, judge_phase
from outflow_geometry.scatter.redrawing import Read

SD_MM = 0.5
SPACING = 1.0
SAMPLE_CLEAR = 3.0
"""mm from any edge that a sample's exact place must be."""
SIZES = (3.0, 6.0, 9.0, 12.0, 20.0, 40.0)
HONEST = ((0.5, 8), (0.9, 8), (1.3, 12))
"""Reader SD, mm, and honest pairs of readings per heart."""
HINGES = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
Points = dict[str, np.ndarray]


@dataclass(frozen=True)
class Heart:
    """One scan and its exact landmarks; `other` those of another phase of the same heart."""

    volume: Volume
    exact: Points
    other: Points


def heart_of(number: int) -> Heart:
    """Even numbers are smooth hearts, odd ones rough."""
    if number % 2:
        rough = rough_heart(number, spacing=SPACING)
        case, phase, volume = rough.case.heart, rough.case.phase_pct, rough.image(number)
    else:
        drawn = random_case(number)
        case, phase = drawn.heart, drawn.phase_pct
        if number % 4 == 0:
            case = replace(case, implant=RingImplant("bioprosthesis"))
        side = (SPACING, SPACING, SPACING)
        volume = render_volume(case, phase, side, 1.0, drawn.noise_sd, number, margin=24.0, supersample=1)
    return Heart(volume, _exact(case, phase), _exact(case, 75.0 if phase <= 40.0 else 40.0))


def _exact(case: HeartCase, phase: float) -> Points:
    return {name: np.asarray(p) for name, p in true_landmarks(HeartPhase(case, phase)).items()}


# ---------------------------------------------------------------------- slips
def _somewhere(size: float, rng: np.random.Generator) -> np.ndarray:
    way = rng.normal(size=3)
    result: np.ndarray = size * way / np.linalg.norm(way)
    return result


def _one_point(*names: str) -> Callable[[Points, float, np.random.Generator], None]:
    def slip(m: Points, size: float, rng: np.random.Generator) -> None:
        name = str(rng.choice(names))
        m[name][rng.integers(len(m[name]))] += _somewhere(size, rng)

    return slip


def _off_the_septum(m: Points, size: float, rng: np.random.Generator) -> None:
    septum = m["septum"]
    across = np.linalg.svd(septum - septum.mean(axis=0))[2][2]
    septum[rng.integers(len(septum))] += size * across * rng.choice([-1.0, 1.0])


def _swapped_ring_points(m: Points, size: float, rng: np.random.Generator) -> None:
    """Two points about `size` apart, at least neighbours."""
    ring = m["mitral_ring"]
    i = int(rng.integers(len(ring)))
    gaps = np.linalg.norm(ring - ring[i], axis=1)
    gaps[i] = np.inf
    j = int(np.argmin(np.abs(gaps - size)))
    ring[[i, j]] = ring[[j, i]]


def _crossing_ring(m: Points, size: float, rng: np.random.Generator) -> None:
    """A run of points in reverse order, about `size` long, at least three."""
    ring = m["mitral_ring"]
    step = float(np.median(np.linalg.norm(np.diff(ring, axis=0), axis=1)))
    count = int(np.clip(round(size / step) + 1, 3, len(ring) // 2))
    i = int(rng.integers(len(ring) - count))
    ring[i : i + count] = ring[i : i + count][::-1]


def _repeated_ring_point(m: Points, size: float, rng: np.random.Generator) -> None:
    """The point that lies about `size` away is marked on another point instead."""
    ring = m["mitral_ring"]
    i = int(rng.integers(len(ring)))
    gaps = np.linalg.norm(ring - ring[i], axis=1)
    gaps[i] = np.inf
    ring[int(np.argmin(np.abs(gaps - size)))] = ring[i]


def _shifted(m: Points, size: float, rng: np.random.Generator) -> None:
    way = _somewhere(size, rng)
    for name in m:
        m[name] = m[name] + way


def _permuted_hinges(m: Points, size: float, rng: np.random.Generator) -> None:
    orders = [(0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)]
    points = [m[name].copy() for name in HINGES]
    for name, place in zip(HINGES, orders[int(rng.integers(5))], strict=True):
        m[name] = points[place]


def _swapped_trigones(m: Points, size: float, rng: np.random.Generator) -> None:
    m["trigone_left"], m["trigone_right"] = m["trigone_right"], m["trigone_left"]


def _apex_beyond(m: Points, size: float, rng: np.random.Generator) -> None:
    m["lv_apex"][0] = 2.0 * m["mitral_ring"].mean(axis=0) - m["lv_apex"][0]


def _reversed_path(m: Points, size: float, rng: np.random.Generator) -> None:
    m["outflow_path"] = m["outflow_path"][::-1].copy()


def _tricuspid(m: Points, size: float, rng: np.random.Generator) -> None:
    """Ring and trigones about where the tricuspid valve is: to the patient's right of the aorta, lower, in front."""
    centre = m["mitral_ring"].mean(axis=0)
    hinges = np.stack([m[name][0] for name in HINGES])
    place = hinges.mean(axis=0) + np.array([-30.0, 5.0, -25.0]) + rng.normal(0.0, 3.0, 3)
    for name in ("mitral_ring", "trigone_left", "trigone_right"):
        m[name] = m[name] + place - centre


def _ras(m: Points, size: float, rng: np.random.Generator) -> None:
    for name in m:
        m[name] = m[name] * np.array([-1.0, -1.0, 1.0])


def _centimetres(m: Points, size: float, rng: np.random.Generator) -> None:
    for name in m:
        m[name] = m[name] / 10.0


def _wrong_tissue(m: Points, size: float, rng: np.random.Generator) -> None:
    if rng.random() < 0.5 and "muscle_sample" in m:
        m["blood_sample"][0] = m["muscle_sample"][0]
    else:
        m["muscle_sample"] = m["blood_sample"][:1].copy()


SIZED: dict[str, Callable[[Points, float, np.random.Generator], None]] = {
    "ring point off": _one_point("mitral_ring"),
    "ring points swapped": _swapped_ring_points,
    "ring crosses itself": _crossing_ring,
    "ring point repeated": _repeated_ring_point,
    "hinge off": _one_point(*HINGES),
    "trigone off": _one_point("trigone_left", "trigone_right"),
    "annulus point off": _one_point("aortic_contour"),
    "apex off": _one_point("lv_apex"),
    "path point off": _one_point("outflow_path"),
    "septal point off the septum": _off_the_septum,
    "leaflet point off": _one_point("anterior_leaflet"),
    "post tip off": _one_point("post_tip"),
    "whole reading shifted": _shifted,
}
UNSIZED: dict[str, Callable[[Points, float, np.random.Generator], None]] = {
    "hinges permuted": _permuted_hinges,
    "trigones swapped": _swapped_trigones,
    "apex on the atrial side": _apex_beyond,
    "path reversed": _reversed_path,
    "ring on the tricuspid side": _tricuspid,
    "RAS for LPS": _ras,
    "centimetres": _centimetres,
    "sample in the wrong tissue": _wrong_tissue,
}
NEEDS = {
    "trigone off": "trigone_left", "annulus point off": "aortic_contour", "leaflet point off": "anterior_leaflet",
    "post tip off": "post_tip", "sample in the wrong tissue": "blood_sample",
}  # fmt: skip


# ---------------------------------------------------------------------- judging
@dataclass(frozen=True)
class Judge:
    """Judges readings of one heart."""

    heart: Heart
    edges: EdgeMap | None
    box: ImageBox

    @classmethod
    def of(cls, heart: Heart) -> Judge:
        """Samples whose exact place is at an edge (a narrow ventricle) would be wrong samples: they are left out."""
        volume = heart.volume
        matrix = volume.direction * volume.spacing
        box = ImageBox(volume.origin, matrix, np.asarray(volume.values.shape[::-1]))
        edges = phase_edges(PhaseImage(volume), [heart.exact])
        if edges is not None:
            for name in ("blood_sample", "muscle_sample"):
                if np.any(np.abs(edges.at(heart.exact[name])) < SAMPLE_CLEAR):
                    del heart.exact[name]
        return cls(heart, edges, box)

    def alone(self, points: Points, who: str) -> tuple[bool, JudgedRead]:
        """Whether a reading is flagged by itself, and the reading with its findings."""
        problems = reading_problems({n: p.tolist() for n, p in points.items()}, self.box)
        refused = any(reason(p.code).severity == "set_aside" for p in problems)
        own = judge_reading(points)
        seen = () if self.edges is None else judge_against_image(points, self.edges, own.scatter)
        findings = (*own.findings, *seen)
        judged = JudgedRead(Read(40.0, who, 1, points), findings, own.scatter)
        return refused or any(f.severity in BAD for f in findings), judged


def read_of(points: Points, sd: float, rng: np.random.Generator) -> Points:
    return {name: p + rng.normal(0.0, sd, p.shape) for name, p in points.items()}


def main() -> None:
    """Plant, judge, count, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hearts", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="number of the first heart")
    parser.add_argument("--sd", type=float, default=SD_MM, help="mm; scatter of the readers with slips")
    parser.add_argument("--slips-only", action="store_true", help="no honest readings")
    parser.add_argument("--tally", type=Path, help="JSON file of counts, which grows from run to run")
    parser.add_argument("--output", type=Path)
    chosen = parser.parse_args()
    found: dict[tuple[str, float], list[int]] = defaultdict(lambda: [0, 0, 0])
    honest: dict[float, list[int]] = defaultdict(lambda: [0, 0, 0])
    why: Counter[str] = Counter()
    hearts = 0
    if chosen.tally and chosen.tally.exists():
        known = json.loads(chosen.tally.read_text(encoding="utf-8"))
        found.update({(kind, size): row for kind, size, row in known["found"]})
        honest.update({sd: row for sd, row in known["honest"]})
        why.update(known["why"])
        hearts = known["hearts"]
    for number in range(chosen.first, chosen.first + chosen.hearts):
        heart = heart_of(number)
        judge = Judge.of(heart)
        for sd, pairs in () if chosen.slips_only else HONEST:
            for k in range(pairs):
                rng = np.random.default_rng([number, k, int(10 * sd)])
                both = [judge.alone(read_of(heart.exact, sd, rng), who) for who in ("A", "B")]
                more = judge_phase([judged for _, judged in both])
                row = honest[sd]
                row[0] += 2
                row[1] += sum(flagged for flagged, _ in both)
                row[2] += sum(flagged or bool(extra) for (flagged, _), extra in zip(both, more, strict=True))
                for (_, judged), extra in zip(both, more, strict=True):
                    why.update(f"{f.code} {f.structure}" for f in (*judged.findings, *extra))
        _, beside = judge.alone(read_of(heart.exact, chosen.sd, np.random.default_rng([number, 99])), "A")
        kinds = [(kind, slip, size) for kind, slip in SIZED.items() for size in SIZES]
        kinds += [(kind, slip, 0.0) for kind, slip in UNSIZED.items()]
        for order, (kind, slip, size) in enumerate([*kinds, ("wrong phase", _nothing, 0.0)]):
            if NEEDS.get(kind, "mitral_ring") not in heart.exact:
                continue
            rng = np.random.default_rng([number, order])
            points = read_of(heart.other if kind == "wrong phase" else heart.exact, chosen.sd, rng)
            slip(points, size, rng)
            flagged, judged = judge.alone(points, "B")
            row = found[kind, size]
            row[0] += 1
            row[1] += flagged
            row[2] += flagged or bool(judge_phase([beside, judged])[1])
        hearts += 1
        print(f"heart {number}", file=sys.stderr, flush=True)
        if chosen.tally:
            rows = [(kind, size, row) for (kind, size), row in found.items()]
            counts = {"found": rows, "honest": list(honest.items()), "why": dict(why), "hearts": hearts}
            chosen.tally.write_text(json.dumps(counts), encoding="utf-8")
    text = report(found, honest, why, hearts, chosen.sd)
    print(text)
    if chosen.output:
        chosen.output.write_text(text, encoding="utf-8")


def _nothing(m: Points, size: float, rng: np.random.Generator) -> None:
    """The reading is that of another phase as it is."""


def report(
    found: dict[tuple[str, float], list[int]],
    honest: dict[float, list[int]],
    why: Counter[str],
    hearts: int,
    sd_mm: float,
) -> str:
    """The tables, as Markdown."""

    def share(row: list[int], place: int) -> str:
        return f"{100.0 * row[place] / row[0]:.0f}" if row[0] else ""

    lines = [
        "# Planted slips of landmarks: what share is found",
        "",
        f"`python tests/benchmarks/landmark_slips.py --hearts {hearts} --output results_demo/landmark_slips.md`",
        "",
        f"{hearts} invented hearts, half of them as rough as real scans, scans of {SPACING:g} mm; readers of {sd_mm:g} "
        "mm in each coordinate.",
        "Per cent of slips found: one reading in the phase / two readings in the phase.",
        "",
        "| slip, mm | " + " | ".join(f"{size:g}" for size in SIZES) + " |",
        "|---|" + "---|" * len(SIZES),
    ]
    for kind in SIZED:
        cells = [f"{share(found[kind, size], 1)} / {share(found[kind, size], 2)}" for size in SIZES]
        lines.append(f"| {kind} | " + " | ".join(cells) + " |")
    whole = {size: [sum(found[kind, size][k] for kind in SIZED) for k in range(3)] for size in SIZES}
    lines.append("| **all** | " + " | ".join(f"{share(whole[s], 1)} / {share(whole[s], 2)}" for s in SIZES) + " |")
    lines += ["", "| slip without a size | one reading | two readings | planted |", "|---|---|---|---|"]
    for kind in (*UNSIZED, "wrong phase"):
        row = found[kind, 0.0]
        lines.append(f"| {kind} | {share(row, 1)} | {share(row, 2)} | {row[0]} |")
    rest = [sum(found[kind, 0.0][k] for kind in (*UNSIZED, "wrong phase")) for k in range(3)]
    large = [sum(whole[s][k] for s in SIZES if s >= 12.0) + rest[k] for k in range(3)]
    middle = [sum(whole[s][k] for s in SIZES if s >= 6.0) + rest[k] for k in range(3)]
    lines += [
        "",
        f"One reading, 12 mm and more, with those without a size: {100.0 * large[1] / large[0]:.1f} % of {large[0]} found.",
        f"Two readings, 6 mm and more, with those without a size: {100.0 * middle[2] / middle[0]:.1f} % of {middle[0]} "
        "found.",
        "",
        "Honest readings flagged:",
        "",
        "| reader SD, mm | readings | alone, % | beside another, % |",
        "|---|---|---|---|",
    ]
    for sd, row in sorted(honest.items()):
        lines.append(f"| {sd:g} | {row[0]} | {100.0 * row[1] / row[0]:.2f} | {100.0 * row[2] / row[0]:.2f} |")
    if why:
        lines += ["", "What flagged them: " + ", ".join(f"{name} {count}" for name, count in why.most_common(12)) + "."]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
