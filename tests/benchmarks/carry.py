"""How exact carried landmarks are on moving hearts, how often their intervals hold the truth, what failures end in.

    python tests/benchmarks/carry.py --hearts 12 --engine greedy --cache FOLDER [--sections] [--failures]

Each heart (`demo.moving_hearts`) is carried along six pairs of phases with its true landmarks, so that what is left is
the error of the carrying. Intervals are leave-case-out: the error laws are fitted to the other hearts. `--sections`
measures the neo-LVOT along the automatic path with carried and with true landmarks in the same image, and beside the
section in closed form. Processor time is that of preparing and registering one pair. Images, registrations and sections
are kept in FOLDER: a second run takes minutes.
"""

from __future__ import annotations

import argparse
import resource
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from carry_hearts import FAILURES, PAIRS, Pair, carried_pair, hinge_errors, plane_measures, ring_errors
from carry_laws import coverage, laws_of, moves_without, rounded
from carry_sections import Section, neo_lvot, true_area

from outflow_cohort.demo.moving_hearts import TEN_PHASES
from outflow_cohort.registration.blending import _partner
from outflow_cohort.registration.course import off_smooth_course
from outflow_geometry.base.carry_limits import CarryBounds
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.landmarks.carry_error import (
    CarryFigures,
    carry_moves,
    carry_verdict,
    coordinate_error,
    largest_disagreement,
)

BOUNDS = {
    "ring curve, mm": (0.5, 1.2),
    "hinges, mm": (0.6, 1.1),
    "angle, deg": (1.2, 2.5),
    "area of an implanted ring, %": (1.5, 3.0),
    "neo-LVOT on the automatic path, %": (1.5, 5.0),
}

FEWEST_HEARTS = 8
"""Three of each kind of ring besides the one left out, or a law says nothing."""


def verdict_of(pair: Pair):
    """The verdict on one pair by its own figures."""
    before, after = build_anatomy(pair.marks), build_anatomy(pair.carried.landmarks)
    moves = {m.structures[0]: coordinate_error(m) for m in carry_moves(pair.carried, implanted=pair.implanted)}
    change = (
        2.0 * pair.carried.ring.size_change
        if pair.implanted
        else after.ring_contour.area / before.ring_contour.area - 1.0
    )
    apart = [float(np.linalg.norm(a.ring_center - a.aortic_center)) for a in (before, after)]
    figures = CarryFigures(
        ring_error=moves["mitral_ring"],
        annulus_error=moves["aortic_hinge_left"],
        ring_change=change,
        likeness=pair.likeness,
        centers_change=apart[1] - apart[0],
        disagreement=largest_disagreement(pair.carried, implanted=pair.implanted),
    )
    return carry_verdict(figures, CarryBounds())


@dataclass(frozen=True)
class Compared:
    """The neo-LVOT of one pair: with carried landmarks, by the same program with true ones, and in closed form, mm2."""

    pair: Pair
    carried: Section
    program: Section
    closed_form: float

    @property
    def error(self) -> float:
        """Error of the carrying, %."""
        return 100.0 * abs(self.carried.area / self.program.area - 1.0)

    @property
    def sure(self) -> bool:
        """Whether the value says `ok`."""
        return self.carried.status == "ok" and not verdict_of(self.pair).code


def sections_of(cache: Path, pairs: Sequence[Pair]) -> list[Compared]:
    """The neo-LVOT of all pairs that have one with both sets of landmarks; the others are printed."""
    found = []
    for pair in pairs:
        carried = neo_lvot(cache, pair, dict(pair.carried.landmarks), moves_without(pairs, pair))
        program = neo_lvot(cache, pair, pair.truth, ())
        if isinstance(carried, str) or isinstance(program, str):
            print(pair.seed, pair.from_pct, pair.to_pct, carried, program, flush=True)
        else:
            found.append(Compared(pair, carried, program, true_area(cache, pair.seed, pair.to_pct)))
    return found


# ---------------------------------------------------------------------- tables
def both(values: Sequence[float]) -> str:
    return f"{np.median(values):.2f} / {np.quantile(values, 0.9):.2f}"


def accuracy_table(pairs: Sequence[Pair], sections: Sequence[Compared]) -> list[str]:
    """Median and 90th percentile of each error beside its bound."""
    found: dict[str, Sequence[float]] = {
        "ring curve, mm": np.concatenate([ring_errors(p) for p in pairs]),
        "hinges, mm": np.concatenate([hinge_errors(p) for p in pairs]),
        "angle, deg": [
            abs(
                plane_measures(dict(p.carried.landmarks), True)["angle, deg"]
                - plane_measures(p.truth, True)["angle, deg"]
            )
            for p in pairs
        ],
        "area of an implanted ring, %": [
            100
            * abs(build_anatomy(p.carried.landmarks).ring_contour.area / build_anatomy(p.truth).ring_contour.area - 1.0)
            for p in pairs
            if p.implanted
        ],
    }
    if sections:
        found["neo-LVOT on the automatic path, %"] = [s.error for s in sections]
    lines = ["| error | median / 90th percentile | bound |", "|---|---|---|"]
    lines += [f"| {name} | {both(v)} | {BOUNDS[name][0]:g} / {BOUNDS[name][1]:g} |" for name, v in found.items()]
    copy = np.concatenate(
        [
            np.linalg.norm(
                p.marks["mitral_ring"] - _partner("mitral_ring", p.marks["mitral_ring"], p.truth["mitral_ring"]), axis=1
            )
            for p in pairs
        ]
    )
    lines.append(f"| (ring copied unchanged, mm) | {both(copy)} | |")
    lines.append(f"| processor time per pair, s | {both([p.seconds for p in pairs])} | 8 |")
    return lines


def section_tables(sections: Sequence[Compared]) -> list[str]:
    """What the neo-LVOT's error is made of, by pair of phases and by status."""
    lines = ["| neo-LVOT, % | pairs | median / 90th percentile | largest |", "|---|---|---|---|"]
    groups = [
        (f"{a:g} to {b:g} %", [s for s in sections if (s.pair.from_pct, s.pair.to_pct) == (a, b)]) for a, b in PAIRS
    ]
    groups += [("says ok", [s for s in sections if s.sure]), ("does not", [s for s in sections if not s.sure])]
    for name, own in groups:
        if own:
            errors = [s.error for s in own]
            lines.append(f"| {name} | {len(own)} | {both(errors)} | {max(errors):.1f} |")
    shares = [(s.carried.carried**2, s.carried.path**2, s.carried.image**2) for s in sections]
    medians = [100.0 * np.median([row[n] / sum(row) for row in shares]) for n in range(3)]
    return [
        *lines,
        "",
        f"Share of the interval's variance (median): carrying {medians[0]:.0f} %, the automatic path's own error "
        f"{medians[1]:.0f} %, noise of the image {medians[2]:.0f} %.",
    ]


def coverage_table(pairs: Sequence[Pair], sections: Sequence[Compared]) -> list[str]:
    """Share of the intervals that hold the truth."""
    rows = [(name, [far <= bound for far, bound in held]) for name, held in coverage(pairs).items()]
    known = [s for s in sections if not s.carried.elsewhere]
    if known:
        title = "neo-LVOT on the automatic path, mm2: "
        ends = [(s, *s.carried.ends) for s in known]
        rows.append((title + "section in closed form", [low <= s.closed_form <= high for s, low, high in ends]))
        rows.append((title + "same program, true landmarks", [low <= s.program.area <= high for s, low, high in ends]))
        alone = [(s, *s.carried.carried_ends) for s in known]
        rows.append(
            (title + "the same, by the error of carrying alone", [a <= s.program.area <= b for s, a, b in alone])
        )
    lines = ["| measure | intervals that hold the truth, % | n |", "|---|---|---|"]
    return lines + [f"| {name} | {100 * np.mean(hits):.0f} | {len(hits)} |" for name, hits in rows]


def failure_table(cache: Path, engine: str) -> list[str]:
    """What planted failures end in."""
    lines = ["| planted failure | heart | ring, largest error, mm | hinges, largest, mm | status | set aside |"]
    lines.append("|---|---|---|---|---|---|")
    for name, spoil in FAILURES.items():
        for seed in range(4):
            try:
                pair = carried_pair(cache, engine, seed, (75.0, 40.0), spoil, "_" + spoil.__name__)
            except GeometryError as error:
                lines.append(f"| {name} | {seed} | | | {error.code} | yes |")
                continue
            verdict = verdict_of(pair)
            lines.append(
                f"| {name} | {seed} | {ring_errors(pair).max():.1f} | {hinge_errors(pair).max():.1f} "
                f"| {verdict.code or 'ok'} | {'yes' if verdict.set_aside else 'no'} |"
            )
    return lines


def course_table(cache: Path, engine: str, hearts: int) -> list[str]:
    """One label that names a neighbouring phase, in every phase of ten: found by the ring's course or not.

    Landmarks of 80 % are carried to all phases. A phase whose image shows its neighbour is carried to that image.
    """
    lines = ["| heart | sound phases doubted | planted labels over 2 mm off | found | largest that says ok, mm |"]
    lines.append("|---|---|---|---|---|")
    for seed in range(hearts):
        pairs = {p: carried_pair(cache, engine, seed, (80.0, p)) for p in TEN_PHASES if p != 80.0}
        centers = {p: pair.carried.landmarks["mitral_ring"].mean(axis=0) for p, pair in pairs.items()}
        true = {p: pair.truth["mitral_ring"].mean(axis=0) for p, pair in pairs.items()}
        centers[80.0] = true[80.0] = pairs[0.0].marks["mitral_ring"].mean(axis=0)

        def doubted(given: dict[float, np.ndarray], phase: float) -> bool:
            found = off_smooth_course(given, phase)
            return found is not None and found[0] > found[1]

        sound = sum(doubted(centers, p) for p in centers)
        planted = [(p, TEN_PHASES[(n + side) % 10]) for n, p in enumerate(TEN_PHASES) for side in (-1, 1) if p != 80.0]
        off = [(float(np.linalg.norm(true[p] - true[q])), doubted(centers | {p: centers[q]}, p)) for p, q in planted]
        far = [found for error, found in off if error > 2.0]
        missed = max((error for error, found in off if not found), default=0.0)
        lines.append(f"| {seed} | {sound} of 10 | {len(far)} | {sum(far)} | {missed:.1f} |")
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hearts", type=int, default=12)
    parser.add_argument("--first", type=int, default=0, help="the first heart: to fill the cache in parts")
    parser.add_argument("--pairs", type=int, default=len(PAIRS), help="pairs of each heart, in the order of PAIRS")
    parser.add_argument("--engine", default="greedy", choices=["greedy", "demons"])
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--sections", action="store_true")
    parser.add_argument("--failures", action="store_true")
    parser.add_argument("--course", type=int, default=0, help="so many hearts in ten phases, each label wrong in turn")
    parser.add_argument("--register-only", action="store_true", help="fill the cache and print nothing")
    args = parser.parse_args()
    args.cache.mkdir(parents=True, exist_ok=True)
    hearts = range(args.first, args.first + args.hearts)
    pairs = [carried_pair(args.cache, args.engine, seed, pair) for seed in hearts for pair in PAIRS[: args.pairs]]
    if args.register_only:
        return
    if args.sections and args.hearts < FEWEST_HEARTS:
        parser.error(f"--sections needs {FEWEST_HEARTS} hearts or more: laws are fitted to the others of each kind")
    sections = sections_of(args.cache, pairs) if args.sections else []
    print(f"\nEngine {args.engine}, {args.hearts} hearts, {len(pairs)} pairs\n")
    print("\n".join(accuracy_table(pairs, sections)))
    if sections:
        print("\n" + "\n".join(section_tables(sections)))
    if args.hearts >= FEWEST_HEARTS:
        print("\n" + "\n".join(coverage_table(pairs, sections)))
        for kind in (False, True):
            ring, annulus = laws_of(pairs, kind)
            print(f"\nlaw of {'implanted' if kind else 'native'} rings, all hearts: {rounded(ring)}")
        print(f"law of the annulus: {rounded(annulus)}")
    doubted = [(p.seed, p.from_pct, p.to_pct, v.code) for p in pairs if (v := verdict_of(p)).code]
    print(f"\nOf {len(pairs)} sound pairs {len(doubted)} are doubted: {doubted}")
    if args.failures:
        print("\n" + "\n".join(failure_table(args.cache, args.engine)))
    if args.course:
        print("\n" + "\n".join(course_table(args.cache, args.engine, args.course)))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\nPeak memory of the whole benchmark {peak:.0f} MB")


if __name__ == "__main__":
    main()
