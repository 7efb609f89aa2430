"""What share of planted slips is found, by kind and size, and how often honest readings are flagged.

    python tests/benchmarks/landmark_slips.py --hearts 40 --cache FOLDER --output results_demo/landmark_slips.md

What does not depend on the slip (hearts, images, exact landmarks) is kept in the cache. In portions: --hearts 10 --first 0
--tally counts.json, then --first 10 … with the same file.

Half of the hearts are smooth (`random_cases`; every fourth of all has a surgical valve with posts), half as rough as
real scans (`rough_hearts`); scans of 1 mm. A reading is the true landmarks with every coordinate scattered by the
reader's SD. A slip is planted in one reading; it is judged alone (one reading in the phase), then beside an honest one
(two). Found = the reading with the slip is suspect, set aside or refused. Invented data; figures, never assertions.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
import time
from collections import Counter
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

READERS = (0.5, 1.0)
"""Standard deviations, mm, of one coordinate of the readers who slip."""
SPACING = 1.0
SAMPLE_CLEAR = 3.0
"""mm from any edge that a sample's exact place must be."""
SIZES = (3.0, 6.0, 9.0, 12.0, 20.0, 40.0)
HONEST = ((0.0, 1), (0.5, 8), (1.0, 8), (1.3, 12))
"""Reader SD, mm, and honest pairs of readings per heart."""
HINGES = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
Points = dict[str, np.ndarray]


@dataclass(frozen=True)
class Heart:
    """One scan and its exact landmarks; `other` those of another phase of the same heart."""

    volume: Volume
    exact: Points
    other: Points


def kept_heart(number: int, folder: Path | None) -> Heart:
    """A heart from the cache, made where it is not there."""
    if folder is None:
        return heart_of(number)
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / f"{number}.pickle"
    if file.exists():
        volume, exact, other = pickle.loads(file.read_bytes())
        return Heart(volume, exact, other)
    heart = heart_of(number)
    file.write_bytes(pickle.dumps((heart.volume, heart.exact, heart.other)))
    return heart


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


def _structure_shifted(m: Points, size: float, rng: np.random.Generator) -> None:
    names = [name for name in m if len(m[name]) > 2 and name not in ("blood_sample", "muscle_sample", "post_tip")]
    name = str(rng.choice(names))
    m[name] = m[name] + _somewhere(size, rng)


def _structure_eight(m: Points, size: float, rng: np.random.Generator) -> None:
    _structure_shifted(m, 8.0, rng)


def _opposite_swapped(m: Points, size: float, rng: np.random.Generator) -> None:
    """Two ring points about a third of the ring apart, or farther."""
    ring = m["mitral_ring"]
    i, n = int(rng.integers(len(ring))), len(ring)
    j = (i + int(rng.integers(n // 3, n - n // 3 + 1))) % n
    ring[[i, j]] = ring[[j, i]]


def _downstream(m: Points) -> np.ndarray:
    hinges = np.stack([m[name][0] for name in HINGES])
    normal = np.cross(hinges[1] - hinges[0], hinges[2] - hinges[0])
    normal /= np.linalg.norm(normal)
    result: np.ndarray = normal if normal @ (m["lv_apex"][0] - hinges.mean(axis=0)) < 0.0 else -normal
    return result


def _hinge_in_sinus(m: Points, size: float, rng: np.random.Generator) -> None:
    """A hinge 8 mm up the sinus, and 2 mm outward with its wall."""
    middle = np.mean([m[name][0] for name in HINGES], axis=0)
    name, up = str(rng.choice(HINGES)), _downstream(m)
    outward = m[name][0] - middle
    m[name] = m[name] + 8.0 * up + 2.0 * outward / np.linalg.norm(outward)


def _ring_into_atrium(m: Points, size: float, rng: np.random.Generator) -> None:
    """One side of the ring drawn up to 6 mm into the atrium, tapering off to the middle."""
    ring = m["mitral_ring"]
    middle = ring.mean(axis=0)
    normal = np.linalg.svd(ring - middle)[2][2]
    normal = normal if normal @ (m["lv_apex"][0] - middle) > 0.0 else -normal
    way = ring[rng.integers(len(ring))] - middle
    share = np.clip((ring - middle) @ way / float(way @ way), 0.0, 1.0)
    m["mitral_ring"] = ring - 6.0 * share[:, None] * normal


def _apex_on_papillary(m: Points, size: float, rng: np.random.Generator) -> None:
    """The apex 3/10 of the way up to the ring, and 12 mm aside, where the heads of papillary muscles are."""
    up = m["mitral_ring"].mean(axis=0) - m["lv_apex"][0]
    aside = np.cross(up, rng.normal(size=3))
    m["lv_apex"] = m["lv_apex"] + 0.3 * up + 12.0 * aside / np.linalg.norm(aside)


def _path_in_muscle(m: Points, size: float, rng: np.random.Generator) -> None:
    """An inner point of the path in the septum."""
    path, septum = m["outflow_path"], m["septum"].mean(axis=0)
    i = 1 + int(np.argmin(np.linalg.norm(path[1:-1] - septum, axis=1)))
    way = septum - path[i]
    path[i] = septum + 4.0 * way / np.linalg.norm(way)


def _trigones_turned(m: Points, size: float, rng: np.random.Generator) -> None:
    """Trigones a quarter of the way around the ring from where they are."""
    ring = m["mitral_ring"]
    turn = len(ring) // 4 * int(rng.choice([-1, 1]))
    for name in ("trigone_left", "trigone_right"):
        nearest = int(np.argmin(np.linalg.norm(ring - m[name][0], axis=1)))
        m[name] = ring[[(nearest + turn) % len(ring)]].copy()


def _ten_times(m: Points, size: float, rng: np.random.Generator) -> None:
    for name in m:
        m[name] = m[name] * 10.0


def _mirrored(m: Points, size: float, rng: np.random.Generator) -> None:
    """Left and right interchanged about the middle of the points, as in a mirrored image."""
    middle = float(np.mean([p[:, 0].mean() for p in m.values()]))
    for name in m:
        m[name] = m[name] * [-1.0, 1.0, 1.0] + [2.0 * middle, 0.0, 0.0]


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
    "one structure shifted": _structure_shifted,
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
    "ring points far apart swapped": _opposite_swapped,
    "hinge 8 mm up its sinus": _hinge_in_sinus,
    "ring 6 mm into the atrium on one side": _ring_into_atrium,
    "apex on a papillary muscle": _apex_on_papillary,
    "one point of the path in muscle": _path_in_muscle,
    "trigones a quarter around the ring": _trigones_turned,
    "one structure shifted by 8 mm": _structure_eight,
    "ten times too large": _ten_times,
    "left and right mirrored": _mirrored,
}
SMALL = ("hinge 8 mm up its sinus", "ring 6 mm into the atrium on one side", "one structure shifted by 8 mm")
"""Kinds without a size of their own that are smaller than 12 mm."""
NEEDS = {
    "trigone off": "trigone_left", "trigones a quarter around the ring": "trigone_left", "annulus point off": "aortic_contour", "leaflet point off": "anterior_leaflet",
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


Counts = dict[str, list[int]]
"""Planted or read, found alone, found beside another; by what."""


@dataclass
class Tally:
    """What was counted so far."""

    slips: Counts
    honest: Counts
    why: Counter[str]
    hearts: int = 0
    seconds: float = 0.0

    @classmethod
    def of(cls, file: Path | None) -> Tally:
        if file is None or not file.exists():
            return cls({}, {}, Counter())
        known = json.loads(file.read_text(encoding="utf-8"))
        return cls(known["slips"], known["honest"], Counter(known["why"]), known["hearts"], known["seconds"])

    def count(self, counts: Counts, name: str, alone: bool, beside: bool) -> None:
        row = counts.setdefault(name, [0, 0, 0])
        for place, number in enumerate((1, int(alone), int(beside))):
            row[place] += number


def name_of(sd: float, kind: str, size: float) -> str:
    """Key of a count."""
    return f"{sd:g} | {kind} | {size:g}"


def main() -> None:
    """Plant, judge, count, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hearts", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="number of the first heart")
    parser.add_argument("--cache", type=Path, help="folder in which hearts are kept")
    parser.add_argument("--tally", type=Path, help="JSON file of counts, which grows from run to run")
    parser.add_argument("--output", type=Path)
    chosen = parser.parse_args()
    tally = Tally.of(chosen.tally)
    for number in range(chosen.first, chosen.first + chosen.hearts):
        heart = kept_heart(number, chosen.cache)
        start = time.process_time()
        judge = Judge.of(heart)
        count_honest(number, judge, tally)
        for sd in READERS:
            count_slips(number, sd, judge, tally)
        tally.hearts += 1
        tally.seconds += time.process_time() - start
        print(f"heart {number}: {tally.seconds / tally.hearts:.1f} s each", file=sys.stderr, flush=True)
        if chosen.tally:
            chosen.tally.write_text(json.dumps(vars(tally)), encoding="utf-8")
    text = report(tally)
    print(text)
    if chosen.output:
        chosen.output.write_text(text, encoding="utf-8")


def count_honest(number: int, judge: Judge, tally: Tally) -> None:
    """Judge honest readings of one heart, alone and in pairs."""
    for sd, pairs in HONEST:
        for k in range(pairs):
            rng = np.random.default_rng([number, k, int(10 * sd)])
            both = [judge.alone(read_of(judge.heart.exact, sd, rng), who) for who in ("A", "B")]
            more = judge_phase([judged for _, judged in both])
            for (flagged, judged), extra in zip(both, more, strict=True):
                tally.count(tally.honest, f"{sd:g}", flagged, flagged or bool(extra))
                tally.why.update(f"{f.code} {f.structure}" for f in (*judged.findings, *extra) if f.severity in BAD)


def count_slips(number: int, sd: float, judge: Judge, tally: Tally) -> None:
    """Plant each slip in a reading of one heart, and judge it alone and beside an honest one."""
    heart = judge.heart
    _, beside = judge.alone(read_of(heart.exact, sd, np.random.default_rng([number, 99])), "A")
    kinds = [(kind, slip, size) for kind, slip in SIZED.items() for size in SIZES]
    kinds += [(kind, slip, 0.0) for kind, slip in UNSIZED.items()]
    for order, (kind, slip, size) in enumerate([*kinds, ("wrong phase", _nothing, 0.0)]):
        if NEEDS.get(kind, "mitral_ring") not in heart.exact:
            continue
        rng = np.random.default_rng([number, order, int(10 * sd)])
        points = read_of(heart.other if kind == "wrong phase" else heart.exact, sd, rng)
        slip(points, size, rng)
        flagged, judged = judge.alone(points, "B")
        tally.count(tally.slips, name_of(sd, kind, size), flagged, flagged or bool(judge_phase([beside, judged])[1]))


def _nothing(m: Points, size: float, rng: np.random.Generator) -> None:
    """The reading is that of another phase as it is."""


def report(tally: Tally) -> str:
    """The tables, as Markdown."""
    lines = [
        "# Planted slips of landmarks: what share is found",
        "",
        f"`python tests/benchmarks/landmark_slips.py --hearts {tally.hearts} --cache FOLDER "
        "--output results_demo/landmark_slips.md`",
        "",
        f"{tally.hearts} invented hearts, half of them as rough as real scans, scans of {SPACING:g} mm. "
        f"{tally.seconds / 60.0:.0f} minutes of one core without the making of the hearts.",
    ]
    for sd in READERS:
        lines += of_reader(tally.slips, sd)
    lines += [
        "",
        "## Honest readings flagged",
        "",
        "| reader SD, mm | readings | alone, % | beside another, % |",
        "|---|---|---|---|",
    ]
    for name, row in sorted(tally.honest.items()):
        lines.append(f"| {name} | {row[0]} | {100.0 * row[1] / row[0]:.2f} | {100.0 * row[2] / row[0]:.2f} |")
    if tally.why:
        told = ", ".join(f"{name} {count}" for name, count in tally.why.most_common(16))
        lines += ["", f"What flagged them: {told}."]
    return "\n".join(lines) + "\n"


def of_reader(slips: Counts, sd: float) -> list[str]:
    """Lines on the slips of readers of one scatter."""

    def row_of(kind: str, size: float) -> list[int]:
        return slips.get(name_of(sd, kind, size), [0, 0, 0])

    def share(row: list[int], place: int) -> str:
        return f"{100.0 * row[place] / row[0]:.0f}" if row[0] else ""

    def together(rows: list[list[int]]) -> list[int]:
        return [sum(row[k] for row in rows) for k in range(3)]

    lines = [
        "",
        f"## Readers of {sd:g} mm in each coordinate",
        "",
        "Per cent of slips found: one reading in the phase / two readings in the phase.",
        "",
        "| slip, mm | " + " | ".join(f"{size:g}" for size in SIZES) + " |",
        "|---|" + "---|" * len(SIZES),
    ]
    for kind in SIZED:
        cells = [f"{share(row_of(kind, size), 1)} / {share(row_of(kind, size), 2)}" for size in SIZES]
        lines.append(f"| {kind} | " + " | ".join(cells) + " |")
    whole = {size: together([row_of(kind, size) for kind in SIZED]) for size in SIZES}
    lines.append("| **all** | " + " | ".join(f"{share(whole[s], 1)} / {share(whole[s], 2)}" for s in SIZES) + " |")
    lines += ["", "| slip without a size | one reading | two readings | planted |", "|---|---|---|---|"]
    unsized = (*UNSIZED, "wrong phase")
    for kind in unsized:
        row = row_of(kind, 0.0)
        lines.append(f"| {kind} | {share(row, 1)} | {share(row, 2)} | {row[0]} |")
    rest = together([row_of(kind, 0.0) for kind in unsized if kind not in SMALL])
    large = together([rest, *(whole[s] for s in SIZES if s >= 12.0)])
    middle = together([rest, *(row_of(kind, 0.0) for kind in SMALL), *(whole[s] for s in SIZES if s >= 6.0)])
    of_twelve = ", ".join(f"{kind} {share(row_of(kind, 12.0), 1)}" for kind in SIZED)
    lines += [
        "",
        f"One reading, 12 mm and more, with those without a size: {100.0 * large[1] / large[0]:.1f} % of {large[0]} found "
        f"(just 12 mm: {share(whole[12.0], 1)} %; {of_twelve}).",
        f"Two readings, 6 mm and more, with those without a size: {100.0 * middle[2] / middle[0]:.1f} % of {middle[0]} "
        "found.",
    ]
    return lines


if __name__ == "__main__":
    main()
