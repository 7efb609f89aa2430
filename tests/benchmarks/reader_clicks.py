"""The same curve clicked with 3 to 30 points: value, status and interval along the reader's path.

    python tests/benchmarks/reader_clicks.py --first 100 --hearts 16

The hearts of `automatic_path.py` in quick images of 0.75 mm without noise, a cylinder at 17 mm, the lumen found once per
heart. The curve is the hearts' true path, which bends sharply up to the annulus and is straight beyond it, smoothed
along its length by --smooth mm (standard deviation): no reader draws a corner. Every second heart has a curve that
winds besides (`winding`). It is clicked from 45 mm before the annulus or from where it begins to 7 mm beyond, exactly,
and with a scatter of --sd mm a coordinate of each click and of every other landmark. Truth is the section along the
same curve clicked with DENSE exact points, and exact landmarks. Invented data; figures, never assertions.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d

sys.path.insert(0, str(Path(__file__).resolve().parent))

from automatic_path import DEPTHS, heart_at, with_depth

from outflow_cohort.demo.landmarks import OutflowCurve
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import UNTROUBLED, Draws
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import Definitions, Plan
from outflow_geometry.image.lumen import Lumen, PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.measures.registry import measure
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.scatter.redrawing import path_scatter
from outflow_geometry.scatter.redrawn_sections import PlanRedraws
from outflow_geometry.scatter.settling import settled_landmarks
from outflow_geometry.scatter.uncertainty import draws_elsewhere, interval, redrawn_landmarks

CLICKS = (3, 4, 5, 6, 8, 10, 30)
TOGETHER = (4, 6, 10, 30)
"""Clicks whose values and widths are compared with each other."""
DENSE = 60
FIRST, LAST, BEYOND, STEP = -45.0, 7.0, 30.0, 0.25
"""mm; stations between which the path is clicked, by which its curve is run on before it is smoothed, and its steps."""
SOLID = "full_frame"
WRONG = 0.08
WINDING, WINDING_LENGTH = 1.0 / 150.0, 12.0
"""1/mm and mm; curvature that is added to every second curve in each direction, and over how far it is alike."""


@dataclass(frozen=True)
class Clicked:
    """One path: number of clicks, true and measured area, mm2, status and interval (None: none)."""

    heart: int
    clicks: int
    exact: bool
    truth: float
    area: float
    status: str
    ends: tuple[float, float] | None

    @property
    def error(self) -> float:
        """Share of the truth."""
        return self.area / self.truth - 1.0


@dataclass(frozen=True)
class Scene:
    """A heart whose lumen is found, its plan and exact landmarks."""

    lumen: Lumen
    plan: Plan
    landmarks: dict[str, FloatArray]

    def read(
        self, marks: dict[str, FloatArray], sd: float, draws: int
    ) -> tuple[float, str, tuple[float, float] | None]:
        """Area, status and interval of one reading; raises what the sections raise."""
        chosen = Definitions(solids=(SOLID,), landmark_sd={"default": sd}, draws=draws)
        findings = PhaseFindings(None, build_anatomy(marks, checked=False))
        findings._found["lumen"] = self.lumen
        sections = PlanSections(self.plan, None, chosen, ReadingLumen(findings, path_scatter(chosen.landmark_sd)))
        own = sections.section(SOLID, "reader_path")
        if not draws:
            return own.area, own.status, None
        middle = build_anatomy(settled_landmarks(marks, chosen.landmark_sd), checked=False)
        drawn = redrawn_landmarks(marks, chosen.landmark_sd, draws, 0)
        redraws = PlanRedraws(sections, middle, [build_anatomy(points, checked=False) for points in drawn])
        try:
            areas = redraws.numbers(SOLID, "reader_path")[:, 0]
        except GeometryError:
            return own.area, own.status, None
        found, wanted = Draws(own.area, areas[np.isfinite(areas)]), measure("neo_lvot_area")
        if draws_elsewhere(found, wanted, SOLID):
            return own.area, "draws_elsewhere" if own.status in UNTROUBLED else own.status, None
        ends = interval(found, wanted, SOLID)
        return own.area, own.status, (ends.low, ends.high)


def drawn_curve(curve: OutflowCurve, smooth: float) -> tuple[FloatArray, FloatArray]:
    """Stations (n,), mm, and points (n, 3) of the curve that is clicked."""
    stations = np.arange(max(curve.first, FIRST) - BEYOND, LAST + BEYOND, STEP)
    inside = np.clip(stations, curve.first, None)
    points, tangents = curve.at(inside)
    points = points + (stations - inside)[:, None] * tangents
    return stations, gaussian_filter1d(points, smooth / STEP, axis=0) if smooth > 0.0 else points


def winding(stations: FloatArray, size: float, rng: np.random.Generator) -> FloatArray:
    """Moves (n, 3), mm, of a curve with a random curvature of `size`, 1/mm, straight on the whole."""
    apart = np.abs(stations[:, None] - stations)
    values, vectors = np.linalg.eigh(np.exp(-0.5 * (apart / WINDING_LENGTH) ** 2))
    bend = size * (vectors * np.sqrt(np.maximum(values, 0.0))) @ rng.standard_normal((len(stations), 3))
    moves = np.cumsum(np.cumsum(bend, axis=0), axis=0) * STEP**2
    inside = (stations > FIRST) & (stations < LAST)
    line = np.column_stack([np.ones(len(stations)), stations])
    straight: FloatArray = moves - line @ np.linalg.lstsq(line[inside], moves[inside], rcond=None)[0]
    return straight


def clicked(number: int, smooth: float, sd: float, draws: int, bend: float) -> list[Clicked]:
    """A heart's curve clicked in every way; ways without a section are left out."""
    heart = with_depth(heart_at(number, coarse=True), DEPTHS[1])
    lumen = PhaseFindings(PhaseImage(heart.image()), build_anatomy(heart.landmarks)).lumen
    scene, rng = Scene(lumen, heart.plan, heart.landmarks), np.random.default_rng([number, 14])
    curve = OutflowCurve(heart.heart)
    stations, drawn = drawn_curve(curve, smooth)
    if number % 2:
        drawn = drawn + winding(stations, bend, rng)

    def marks(clicks: int) -> dict[str, FloatArray]:
        wanted = np.linspace(max(curve.first, FIRST), LAST, clicks)
        points = np.stack([np.interp(wanted, stations, drawn[:, axis]) for axis in range(3)], axis=1)
        return {**scene.landmarks, "outflow_path": heart.heart.to_patient(points)}

    truth, _, _ = scene.read(marks(DENSE), sd, 0)
    rows = []
    for clicks in CLICKS:
        exact = marks(clicks)
        scattered = {name: points + sd * rng.standard_normal(points.shape) for name, points in exact.items()}
        for one in (exact, scattered):
            try:
                rows.append(Clicked(number, clicks, one is exact, truth, *scene.read(one, sd, draws)))
            except GeometryError as error:
                print(f"heart {number}, {clicks} clicks: {error.code}", file=sys.stderr)
    return rows


def by_clicks(rows: Sequence[Clicked]) -> list[str]:
    """A line per number of clicks, exact ones, then scattered ones."""
    lines = [
        f"| clicks | exact | n | within 2 % | within 8 % | worst | path_sparse | wrong by over {100 * WRONG:.0f} % and fine "
        "| right and path_sparse | interval holds the truth | width / value |"
    ]
    lines.append("|" + "---|" * 11)
    for exact in (True, False):
        for clicks in CLICKS:
            own = [r for r in rows if (r.clicks, r.exact) == (clicks, exact)]
            if not own:
                continue
            off = np.abs([r.error for r in own])
            sparse = np.array([r.status == "path_sparse" for r in own])
            fine = np.array([r.status in UNTROUBLED for r in own])
            known = [r for r in own if r.ends is not None]
            held = sum(r.ends[0] <= r.truth <= r.ends[1] for r in known)
            width = np.median([(r.ends[1] - r.ends[0]) / r.area for r in known])
            lines.append(
                f"| {clicks} | {'yes' if exact else 'no'} | {len(own)} | {np.mean(off <= 0.02):.2f} "
                f"| {np.mean(off <= WRONG):.2f} | {100.0 * off.max():.1f} % | {int(sparse.sum())} "
                f"| {int(np.sum((off > WRONG) & fine))} | {int(np.sum((off <= WRONG) & sparse))} "
                f"| {held} of {len(known)} | {100.0 * width:.0f} % |"
            )
    return lines


def by_heart(rows: Sequence[Clicked]) -> list[str]:
    """A line per heart: values and intervals of TOGETHER, exact clicks; then how many agree."""
    lines = [
        "| heart | truth | " + " | ".join(f"{n} clicks" for n in TOGETHER) + " |",
        "|---" * (len(TOGETHER) + 2) + "|",
    ]
    values, widths = [], []
    for heart in sorted({r.heart for r in rows}):
        own = {r.clicks: r for r in rows if r.heart == heart and r.exact and r.clicks in TOGETHER}
        cells = []
        for clicks in TOGETHER:
            row = own.get(clicks)
            ends = "" if row is None or row.ends is None else f" ({row.ends[0]:.0f}–{row.ends[1]:.0f})"
            said = "" if row is None or row.status in UNTROUBLED else f" {row.status}"
            cells.append("none" if row is None else f"{row.area:.0f}{ends}{said}")
        truth = next(r.truth for r in rows if r.heart == heart)
        lines.append(f"| {heart} | {truth:.0f} | " + " | ".join(cells) + " |")
        if len(own) == len(TOGETHER) and all(r.ends is not None for r in own.values()):
            values.append(np.array([own[n].area for n in TOGETHER]))
            widths.append(np.array([own[n].ends[1] - own[n].ends[0] for n in TOGETHER]))
    same = sum(v.max() <= 1.02 * v.min() for v in values)
    alike = sum(bool(np.all(np.abs(w / w.mean() - 1.0) <= 0.2)) for w in widths)
    lines.append("")
    lines.append(
        f"Values within 2 %: {same} of {len(values)}; widths within 20 % of their mean: {alike} of {len(widths)}."
    )
    return lines


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--hearts", type=int, default=16)
    parser.add_argument("--sd", type=float, default=0.7)
    parser.add_argument("--smooth", type=float, default=5.0, help="mm by which the true path is smoothed")
    parser.add_argument("--winding", type=float, default=WINDING, help="1/mm of curvature added to every second curve")
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--rows", type=Path, help="file that keeps the hearts measured so far, for a run in parts")
    options = parser.parse_args()
    rows: list[Clicked] = []
    if options.rows is not None and options.rows.exists():
        rows = [Clicked(**json.loads(line)) for line in options.rows.read_text(encoding="utf-8").splitlines()]
    for number in range(options.first, options.first + options.hearts):
        if any(row.heart == number for row in rows):
            continue
        found = clicked(number, options.smooth, options.sd, options.draws, options.winding)
        rows += found
        if options.rows is not None:
            with options.rows.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps(asdict(row)) + "\n" for row in found)
        print(f"heart {number}", file=sys.stderr, flush=True)
    print("\n".join([*by_clicks(rows), "", *by_heart(rows)]))


if __name__ == "__main__":
    main()
