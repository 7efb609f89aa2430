"""What share of slips any test could find: a limit from the readers' scatter alone, beside what the program finds.

    python tests/benchmarks/slip_limits.py --tally counts.json --output results_demo/slip_limits.md

A reading of N points, each coordinate scattered by SD s, is honest, or one point of it is displaced by d mm in a
direction that nobody knows. Where a coordinate of that point is foretold with the variance v s^2, its departure is
normal with the variance (1 + v) s^2. The test that finds the most displaced points at a given share of false alarms
compares the squares of the departures, each divided by its variance, with a bound: it is the most powerful of all tests
that treat directions alike (Neyman and Pearson 1933, Phil Trans R Soc A 231:289; Lehmann and Romano 2005, Testing
Statistical Hypotheses, 3rd ed., section 8.3, the unknown mean of a multivariate normal). The sum of k such squares is
chi-square of k degrees of freedom, non-central by the sum of the squared displacements over their variances (Johnson,
Kotz and Balakrishnan 1995, Continuous Univariate Distributions 2, chapter 29; scipy.stats.ncx2). All N points together
pass the bound in 1 of 100 honest readings where one does with 1 - 0.99^(1/N). Sources from memory; the drawn readings
below hold the formulas to account.

What foretells a point:

- the other reading: v = 1 in each coordinate;
- both readings' neighbours, across a curve: the spline through them, v = SPLINE, as it has in rings of 16 points;
- the true place itself, v = 0: what nobody has. No evidence whatever finds more than that.

The scatter is taken to be known exactly; estimating it costs some. The closed form is checked by drawing readings, and
so is the test that knows d and weighs every point by its likelihood ratio, which no other test surpasses on average.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import logsumexp
from scipy.stats import chi2, ncx2, norm

from outflow_geometry.scatter.odd_points import FARTHEST

FALSE_ALARMS = 0.01
POINTS = 65
"""Points of a reading of the benchmark's hearts, samples left out."""
SPLINE = 1.3
"""Variance, in squares of one coordinate's scatter, of the spline through the other points of an even curve, across a
gap of two steps: 0.6^2 twice and smaller weights further off (1.52^2 - 1 in `foretelling.distance_at_gaps`)."""
SCATTERS = (0.5, 1.0)
SIZES = (3.0, 6.0, 9.0, 12.0)
DIRECTIONS, DRAWS = 401, 8000


@dataclass(frozen=True)
class Evidence:
    """Variance of what foretells a point in each of three coordinates, in squares of the scatter; infinite = nothing.

    only_first : a slip is in the first coordinate alone, and the test looks there alone.
    """

    name: str
    variance: tuple[float, float, float]
    only_first: bool = False

    @property
    def precision(self) -> np.ndarray:
        """Of a departure, in each coordinate."""
        return 1.0 / (1.0 + np.asarray(self.variance))

    @property
    def coordinates(self) -> int:
        return int(np.sum(np.isfinite(self.variance)))


def joined(*variances: float) -> float:
    """Variance of the mean of independent estimates, weighted by their precisions."""
    return 1.0 / sum(1.0 / v for v in variances)


NOTHING = float("inf")
BOTH = joined(1.0, SPLINE, SPLINE)
PAIR = Evidence("the other reading", (1.0, 1.0, 1.0))
PAIR_ACROSS = Evidence("the other reading, across a surface", (1.0, NOTHING, NOTHING), only_first=True)
CURVES = Evidence("the other reading and both curves", (BOTH, BOTH, 1.0))
ALONE = Evidence("its own curve", (SPLINE, SPLINE, NOTHING))
TRUTH = Evidence("the true place", (0.0, 0.0, 0.0))
TRUTH_ACROSS = Evidence("the true place, across a surface", (0.0, NOTHING, NOTHING), only_first=True)

KINDS: dict[str, tuple[Evidence, Evidence | None]] = {
    "ring point off": (CURVES, ALONE),
    "annulus point off": (CURVES, ALONE),
    "path point off": (CURVES, ALONE),
    "leaflet point off": (CURVES, ALONE),
    "septal point off the septum": (PAIR_ACROSS, None),
    "hinge off": (PAIR, None),
    "trigone off": (PAIR, None),
    "apex off": (PAIR, None),
    "post tip off": (PAIR, None),
}
"""Kinds of `landmark_slips.py` that displace one point, with what foretells it beside another reading, and alone."""


def bound(coordinates: int, points: int = POINTS) -> float:
    """Square of a departure that the largest of all points passes in FALSE_ALARMS of honest readings."""
    each = 1.0 - (1.0 - FALSE_ALARMS) ** (1.0 / points)
    return float(chi2.isf(each, coordinates))


def directions(evidence: Evidence) -> np.ndarray:
    """Squares (m, 3) of the coordinates of directions spread evenly over the sphere."""
    if evidence.only_first:
        return np.array([[1.0, 0.0, 0.0]])
    # Archimedes: the height of a point of the sphere is uniform; the other two only count by their sum here
    height = ((np.arange(DIRECTIONS) + 0.5) / DIRECTIONS) ** 2
    return np.stack([(1.0 - height) / 2.0, (1.0 - height) / 2.0, height], axis=1)


def found(evidence: Evidence, size: float, scatter: float, points: int = POINTS) -> float:
    """Share of slips of `size` mm in a random direction that the best test finds."""
    return found_by(float(np.sqrt(bound(evidence.coordinates, points))), evidence, size, scatter)


def found_by(limit: float, evidence: Evidence, size: float, scatter: float) -> float:
    """The same with a bound of `limit` scatters."""
    shift = (size / scatter) ** 2 * directions(evidence) @ evidence.precision
    return float(ncx2.sf(limit**2, evidence.coordinates, shift).mean())


def drawn(evidence: Evidence, size: float, scatter: float, rng: np.random.Generator) -> tuple[float, float]:
    """The same by drawing readings: of the largest departure, and of the mean likelihood ratio over all points."""
    seen = np.isfinite(evidence.variance)
    spread = scatter / np.sqrt(evidence.precision[seen])

    def statistics(slipped: bool) -> tuple[np.ndarray, np.ndarray]:
        off = rng.normal(size=(DRAWS, POINTS, int(seen.sum())))
        if slipped:
            way = rng.normal(size=(DRAWS, 3)) * ([1.0, 0.0, 0.0] if evidence.only_first else 1.0)
            off[:, 0] += size * (way / np.linalg.norm(way, axis=1, keepdims=True))[:, seen] / spread
        squares = np.sum(off**2, axis=2)
        # likelihood ratio of a displacement of known length and unknown direction, in units of the usual spread:
        # sinh(x) / x in three coordinates (von Mises and Fisher), near enough in two, cosh(x) in one
        length = size / float(np.sqrt(np.mean(spread**2))) * np.sqrt(squares)
        ratio = logsumexp(length - np.log(np.maximum(length, 1.0)) * (0.0 if evidence.only_first else 1.0), axis=1)
        return squares.max(axis=1), ratio

    honest, slips = statistics(False), statistics(True)
    shares = [float(np.mean(s > np.quantile(h, 1.0 - FALSE_ALARMS))) for h, s in zip(honest, slips, strict=True)]
    return shares[0], shares[1]


def smallest(evidence: Evidence, scatter: float, share: float = 0.99) -> float:
    """Smallest slip, mm, of which the best test finds `share`."""
    low, high = 0.0, 60.0 * scatter
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if found(evidence, middle, scatter) < share else (low, middle)
    return high


def tilted(scatter: float, beside: bool, size: float = 6.0, points: int = 16) -> float:
    """Share found of rings drawn up to `size` mm into the atrium on one side, less toward the middle, where the test
    knows that shape and tries every place around the ring. Alone, what a ring's plane and saddle explain is taken off:
    nobody knows these beforehand. Beside another reading, whose ring it is, nothing is."""
    turn = 2.0 * np.pi * np.arange(points) / points
    shape = size * np.clip(np.cos(turn), 0.0, None)
    if not beside:
        usual = np.column_stack([np.ones(points), *(f(k * turn) for k in (1, 2) for f in (np.cos, np.sin))])
        shape = shape - usual @ np.linalg.lstsq(usual, shape, rcond=None)[0]
    length = float(np.linalg.norm(shape)) / (scatter * (np.sqrt(2.0) if beside else 1.0))
    return float(norm.sf(norm.isf(FALSE_ALARMS / points) - length))


def program(counts: dict[str, list[int]], scatter: float, kind: str, size: float, beside: bool) -> str:
    """Per cent that the program found, from the counts of `landmark_slips.py`."""
    row = counts.get(f"{scatter:g} | {kind} | {size:g}")
    return "" if row is None or not row[0] else f"{100.0 * row[2 if beside else 1] / row[0]:.0f}"


def overall(counts: dict[str, list[int]], scatter: float, least: float) -> tuple[float, float, float]:
    """Per cent of all planted slips of at least `least` mm, and of those without a size, beside another reading: found;
    and found if slips of one point are as well as can be, or their true places are known, and all others are."""
    total = own = best = truth = 0.0
    for key, (planted, _, beside) in counts.items():
        sd, kind, size = key.split(" | ")
        if float(sd) != scatter or 0.0 < float(size) < least:
            continue
        total += planted
        own += beside
        evidence = KINDS[kind][0] if kind in KINDS else None
        known = TRUTH_ACROSS if evidence is not None and evidence.only_first else TRUTH
        best += planted * (1.0 if evidence is None else found(evidence, float(size), scatter))
        truth += planted * (1.0 if evidence is None else found(known, float(size), scatter))
    return (100.0 * own / total, 100.0 * best / total, 100.0 * truth / total) if total else (0.0, 0.0, 0.0)


def report(counts: dict[str, list[int]], hearts: int) -> str:
    """The tables, as Markdown."""
    rng = np.random.default_rng(1)
    lines = [
        "# Slips of landmarks: what any test could find",
        "",
        "`python tests/benchmarks/slip_limits.py --tally counts.json --output results_demo/slip_limits.md`",
        "",
        f"By closed form, at 1 % of honest readings flagged, {POINTS} points a reading, the scatter known exactly. The "
        "benchmark's head says why no test finds more by the same evidence, with sources. The program also looks at the "
        "image and at what hearts look like, which can add to it, up to the last figure of each cell and never beyond.",
        "",
        f"**At SD 1 mm no test whatever finds 99 % of points that are off by 6 mm: not even one that knows the true place "
        f"of each ({100.0 * found(TRUTH, 6.0, 1.0):.0f} %).** By two readings 99 % are found from "
        f"{smallest(CURVES, 1.0):.1f} scatters on for points of curves, from {smallest(PAIR, 1.0):.1f} for single "
        "points: the sizes go with the scatter.",
    ]
    for scatter in SCATTERS:
        sizes = [size for size in SIZES if size > 3.0]
        lines += [
            "",
            f"## Readers of {scatter:g} mm in each coordinate, two readings in the phase",
            "",
            f"Per cent: found by the program ({hearts} hearts, `landmark_slips.md`) / the most by the readings' points / "
            "if the true place of every point were known.",
            "",
            "| one point off, mm | " + " | ".join(f"{size:g}" for size in sizes) + " | 99 % found from, mm |",
            "|---|" + "---|" * (len(sizes) + 1),
        ]
        for kind, (evidence, _) in KINDS.items():
            truth = TRUTH_ACROSS if evidence.only_first else TRUTH
            cells = [
                f"{program(counts, scatter, kind, size, True)} / {100.0 * found(evidence, size, scatter):.0f} / "
                f"{100.0 * found(truth, size, scatter):.0f}"
                for size in sizes
            ]
            lines.append(f"| {kind} | " + " | ".join(cells) + f" | {smallest(evidence, scatter):.1f} |")
        own, best, truth = overall(counts, scatter, 6.0)
        ring = program(counts, scatter, "ring 6 mm into the atrium on one side", 0.0, True)
        lines += [
            "",
            f"Of all slips planted from 6 mm on, with those without a size, {own:.1f} % are found. If slips of one point "
            f"were found as well as the readings' points allow and every other slip always, {best:.1f} %; with all true "
            f"places known, {truth:.1f} %. A ring drawn 6 mm into the atrium on one side: {ring} % found, at most "
            f"{100.0 * tilted(scatter, True):.0f} %.",
            "",
            f"## Readers of {scatter:g} mm in each coordinate, one reading",
            "",
            "Per cent: found by the program (its image helps it) / the most by the curve's own points.",
            "",
            "| one point off, mm | " + " | ".join(f"{size:g}" for size in sizes) + " |",
            "|---|" + "---|" * len(sizes),
        ]
        for kind, (_, alone) in KINDS.items():
            limits = ["" if alone is None else f" / {100.0 * found(alone, size, scatter):.0f}" for size in sizes]
            shares = [program(counts, scatter, kind, size, False) for size in sizes]
            lines.append(f"| {kind} | " + " | ".join(a + b for a, b in zip(shares, limits, strict=True)) + " |")
        ring = program(counts, scatter, "ring 6 mm into the atrium on one side", 0.0, False)
        lines += [
            "",
            f"A ring drawn 6 mm into the atrium on one side: {ring} % found, at most {100.0 * tilted(scatter, False):.0f} % "
            "by its points, since the plane and the saddle that each ring has of its own explain nearly all of it.",
        ]
    lines += [
        "",
        "## What a better known scatter would bring",
        "",
        f"The program estimates the scatter from the two readings and takes {FARTHEST[3]:g} of it as its bound in three "
        f"coordinates; with a scatter known exactly {np.sqrt(bound(3)):.2f} would do. Of slips of 6 mm of a hinge at 1 mm "
        f"that is {100.0 * found_by(FARTHEST[3], PAIR, 6.0, 1.0):.0f} or {100.0 * found(PAIR, 6.0, 1.0):.0f} % by the "
        "other reading alone. To pool a reader's scatter over all cases of a study could gain no more than this; it "
        "would make each case's findings depend on all others, and is not done.",
        "",
        "## The closed form against drawn readings",
        "",
        "| evidence | slip / SD | closed form, % | drawn, largest departure, % | drawn, likelihood ratio, % |",
        "|---|---|---|---|---|",
    ]
    for evidence in (PAIR, PAIR_ACROSS, CURVES, ALONE, TRUTH, TRUTH_ACROSS):
        for size in (6.0, 9.0):
            largest, ratio = drawn(evidence, size, 1.0, rng)
            told = f"{100.0 * found(evidence, size, 1.0):.1f} | {100.0 * largest:.1f} | {100.0 * ratio:.1f}"
            lines.append(f"| {evidence.name} | {size:g} | {told} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Compute and write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tally", type=Path, help="counts of landmark_slips.py")
    parser.add_argument("--output", type=Path)
    chosen = parser.parse_args()
    known = json.loads(chosen.tally.read_text(encoding="utf-8")) if chosen.tally else {"slips": {}, "hearts": 0}
    text = report(known["slips"], known["hearts"])
    print(text)
    if chosen.output:
        chosen.output.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
