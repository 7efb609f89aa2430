"""Bias, scatter, slips, repeats, change over time and effect on measures of readers of invented hearts.

Lengths mm. A reader's bias of a structure is the median over readings of the reading's mean error; scatter is the
standard deviation of one coordinate of a point about that reader's bias (robust: 1.4826 times the median absolute
deviation). What is farther off than `slip_mm` is a slip and enters neither.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outflow_cohort.corelab.qualify_errors import OPPOSITE, SAMPLES, StructureErrors, components, errors_of, true_points
from outflow_cohort.study.qualification import MeasureLimit, QualificationSettings

if TYPE_CHECKING:
    from outflow_cohort.demo.anatomy import HeartPhase
    from outflow_geometry.base.frames import Volume

Array = NDArray[np.float64]
Points = Mapping[str, Array]

MAD_TO_SD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
FEWEST_READINGS = 6
"""Readings from which a reader can pass."""
CHANGE_CHANCE = 0.05
NAMES = {
    "aortic_hinge_left": "hinges", "aortic_hinge_right": "hinges", "aortic_hinge_non": "hinges",
    "trigone_left": "trigones", "trigone_right": "trigones",
}  # fmt: skip
JUDGED_SLIPS = ("points_out_of_order", "points_repeated", "curve_crosses_itself", "path_reversed")
"""Findings within a reading that are slips though every point is on its curve."""
SCAN_MM = 1.0
DEVICE_HEIGHT_MM, DEPTH_MM = 24.0, 18.0
"""mm; height of the invented device of measures that need one, as wide as the true ring, and how far it reaches below
the ring."""
PASSED, PRACTISE, TOO_FEW, NOT_MARKED = "passed", "practise", "too_few_readings", "not_marked"


@dataclass(frozen=True)
class Reading:
    """One filed reading of an invented heart; order : place in the reader's list."""

    reader_id: str
    reading_id: str
    case_id: str
    read_no: int
    order: int
    points: Points
    heart: HeartPhase


@dataclass(frozen=True)
class Scored:
    """A reading with its errors by structure."""

    reading: Reading
    errors: Mapping[str, StructureErrors]
    possible: frozenset[str]
    """Structures of which the heart has a truth."""

    @property
    def distance(self) -> float:
        """Mean over structures of the mean distance from the truth, samples left out, slips capped at 10 mm."""
        each = [float(np.minimum(e.distance, 10.0).mean()) for n, e in self.errors.items() if n not in SAMPLES]
        return float(np.mean(each)) if each else float("nan")


def score(readings: Sequence[Reading]) -> list[Scored]:
    """Errors of all readings."""
    return [Scored(r, errors_of(r.points, r.heart), frozenset(true_points(r.heart))) for r in readings]


# ---------------------------------------------------------------------- structures
def structure_table(scored: Sequence[Scored], limits: QualificationSettings) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows by reader and structure (bias, scatter, slips, repeats, verdict), and one row per slip."""
    rows, slips = [], []
    names = sorted({name for s in scored for name in s.errors})
    for reader in sorted({s.reading.reader_id for s in scored}):
        own = [s for s in scored if s.reading.reader_id == reader]
        for name in names:
            row, off = _structure(name, own, limits)
            rows.append({"reader_id": reader, "structure": name} | row)
            slips += [{"reader_id": reader} | slip for slip in off]
        slips += [{"reader_id": reader} | slip for slip in _order_slips(own)]
    columns = ["reader_id", "case_id", "reading_id", "structure", "point_no", "distance_mm", "what"]
    return pd.DataFrame(rows), pd.DataFrame(slips, columns=columns)


def _structure(
    name: str, own: Sequence[Scored], limits: QualificationSettings
) -> tuple[dict[str, object], list[dict[str, object]]]:
    marked = [s for s in own if name in s.errors]
    missing = sum(name in s.possible and name not in s.errors for s in own)
    if not marked:
        return {"readings": 0, "missing": missing, "verdict": NOT_MARKED}, []
    usual = np.median([np.median(s.errors[name].vectors, axis=0) for s in marked], axis=0)
    sound, means, slips, off = [], [], [], 0
    for s in marked:
        vectors = s.errors[name].vectors
        away = np.linalg.norm(vectors - (0.0 if name in SAMPLES else usual), axis=1)
        limit = 0.0 if name in SAMPLES else limits.slip_mm
        far = np.flatnonzero(away > limit)
        slips += [_slip(s, name, int(i), float(s.errors[name].distance[i])) for i in far]
        off += bool(len(far))
        kept = vectors[away <= limit]
        if len(kept):
            sound.append(kept)
            means.append(kept.mean(axis=0))
    row: dict[str, object] = {
        "readings": len(marked),
        "missing": missing,
        "slips": len(slips),
        "readings_with_slip": off,
    }
    if means and name not in SAMPLES:
        bias = np.median(means, axis=0)
        rest = np.concatenate(sound) - bias
        largest = int(np.argmax(np.abs(bias)))
        word = components(name)[largest]
        spread = float(np.std(np.asarray(means)[:, largest], ddof=1)) if len(means) > 1 else float("nan")
        row |= {
            "bias_mm": float(np.linalg.norm(bias)),
            "direction": word if bias[largest] > 0.0 else OPPOSITE[word],
            "bias_error_mm": spread / np.sqrt(len(means)),
            "scatter_mm": float(np.sqrt(np.mean([_robust_sd(rest[:, k]) ** 2 for k in range(rest.shape[1])]))),
            "repeat_sd_mm": _repeat_sd(name, marked, limits.slip_mm),
        }
    return row | {"verdict": _verdict(row, limits)}, slips


def _robust_sd(values: Array) -> float:
    """Standard deviation about 0 that slips do not move; the plain one for few values."""
    if len(values) < 8:
        return float(np.sqrt(np.mean(values**2)))
    return MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))


def _verdict(row: Mapping[str, object], limits: QualificationSettings) -> str:
    """Slips count over all structures, except where one structure alone has several."""
    bias, scatter = float(str(row.get("bias_mm", 0.0))), float(str(row.get("scatter_mm", 0.0)))
    many = int(str(row["readings_with_slip"])) >= 2 or int(str(row["missing"])) > 0
    return PRACTISE if bias > limits.bias_mm or scatter > limits.scatter_mm or many else PASSED


def _repeat_sd(name: str, marked: Sequence[Scored], slip_mm: float) -> float:
    """Within-reader standard deviation of a structure's mean place in one coordinate, from repeated reads of a case:
    root of the mean squared difference over 2 (Bland & Altman 1996, BMJ 313:744); readings with a slip are left out."""
    by_case: dict[str, list[Array]] = {}
    for s in marked:
        middle = np.median(s.errors[name].vectors, axis=0)
        if np.linalg.norm(middle) <= slip_mm:
            by_case.setdefault(s.reading.case_id, []).append(middle)
    squares = [np.mean((pair[1] - pair[0]) ** 2) / 2.0 for pair in by_case.values() if len(pair) == 2]
    return float(np.sqrt(np.mean(squares))) if squares else float("nan")


def _slip(s: Scored, name: str, place: int, distance: float) -> dict[str, object]:
    what = "not in its tissue" if name in SAMPLES else "far from its place"
    group = [n for n, kind in NAMES.items() if kind == NAMES.get(name)]
    if name in NAMES and _exchanged(s, group):
        what = f"names of the {NAMES[name]} exchanged"
    return {
        "case_id": s.reading.case_id,
        "reading_id": s.reading.reading_id,
        "structure": name,
        "point_no": place + 1,
        "distance_mm": round(distance, 2),
        "what": what,
    }


def _exchanged(s: Scored, group: Sequence[str]) -> bool:
    """Whether the points of a group are right under each other's names."""
    if not all(n in s.reading.points for n in group):
        return False
    truth = true_points(s.reading.heart)
    marked = np.stack([np.asarray(s.reading.points[n], dtype=float).mean(axis=0) for n in group])
    exact = np.stack([truth[n][0] for n in group])
    nearest = np.argmin(np.linalg.norm(marked[:, None] - exact[None], axis=2), axis=1)
    return sorted(nearest.tolist()) == list(range(len(group))) and nearest.tolist() != list(range(len(group)))


def _order_slips(own: Sequence[Scored]) -> list[dict[str, object]]:
    from outflow_geometry.landmarks.findings import CODES
    from outflow_geometry.landmarks.judging import judge_reading

    found: list[dict[str, object]] = []
    for s in own:
        for f in judge_reading(dict(s.reading.points)).findings:
            if f.code in JUDGED_SLIPS:
                found.append(
                    {
                        "case_id": s.reading.case_id,
                        "reading_id": s.reading.reading_id,
                        "structure": f.structure,
                        "point_no": f.point_no,
                        "distance_mm": f.number,
                        "what": CODES[f.code].meaning,
                    }
                )
    return found


# ---------------------------------------------------------------------- measures
def measure_table(scored: Sequence[Scored], limits: QualificationSettings) -> pd.DataFrame:
    """Values from a reader's points less those from the true points of the same heart, by reader and measure.

    Measures of a device (a limit on neo_lvot_area) are taken in the heart's scan without noise, with the same invented
    device at the same depth under the reader's ring as under the true one; they take some seconds per reading.
    """
    from outflow_geometry.measures.registry import measure

    imaged = any("plan" in measure(limit.measure).needs for limit in limits.measures)
    truth = {s.reading.case_id: Scan.of(s.reading.heart, imaged) for s in scored}
    exact = {case: scan.values(true_points(scan.heart)) for case, scan in truth.items()}
    values = [(s, truth[s.reading.case_id].values(s.reading.points), exact[s.reading.case_id]) for s in scored]
    rows = []
    for reader in sorted({s.reading.reader_id for s in scored}):
        own = [v for v in values if v[0].reading.reader_id == reader]
        for limit in limits.measures:
            name = (limit.measure, limit.variant, limit.method)
            pairs = [(s.reading.case_id, a.get(name), b.get(name)) for s, a, b in own]
            rows.append({"reader_id": reader} | _measure(limit, pairs))
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class Scan:
    """What a heart's values are taken from: its landmarks and, where a device is asked for, its scan."""

    heart: HeartPhase
    volume: Volume | None

    @classmethod
    def of(cls, heart: HeartPhase, imaged: bool) -> Scan:
        """The scan without noise, voxels of SCAN_MM."""
        from outflow_cohort.demo.render import render_volume

        if not imaged:
            return cls(heart, None)
        side = (SCAN_MM, SCAN_MM, SCAN_MM)
        return cls(heart, render_volume(heart.case, heart.phase_pct, side, SCAN_MM, 0.0, 0, margin=24.0, supersample=1))

    def values(self, points: Points) -> dict[tuple[str, str, str], float]:
        """Values by measure, variant and method."""
        from outflow_geometry.base.inputs import Definitions, Device, Plan, ReadingInput
        from outflow_geometry.measures.reading import measure_reading

        ring = true_points(self.heart)["mitral_ring"]
        wide = 2.0 * float(np.linalg.norm(ring - ring.mean(axis=0), axis=1).mean())
        device = Device(device_id="invented", nominal_diameter=wide, height=DEVICE_HEIGHT_MM)
        plan = Plan(plan_id="q", device=device, ventricular_depth=DEPTH_MM)
        plans = () if self.volume is None else (plan,)
        result = measure_reading(ReadingInput(dict(points), self.volume, plans, definitions=Definitions(draws=0)))
        return {(v.measure, v.variant, v.method): v.value for v in result.values if v.value is not None}


def _measure(limit: MeasureLimit, pairs: Sequence[tuple[str, float | None, float | None]]) -> dict[str, object]:
    known = [(case, a, b) for case, a, b in pairs if a is not None and b is not None]
    scale = [(100.0 / b if limit.of == "pct" else 1.0) for _, _, b in known]
    away = np.array([(a - b) * k for (_, a, b), k in zip(known, scale, strict=True)])
    row: dict[str, object] = {
        "measure": limit.measure,
        "variant": limit.variant,
        "unit": "%" if limit.of == "pct" else _unit_of(limit.measure),
        "readings": len(known),
        "without_value": len([1 for _, a, b in pairs if b is not None and a is None]),
        "bias_limit": limit.bias,
        "spread_limit": limit.spread,
    }
    if len(away) < 2:
        return row | {"verdict": NOT_MARKED if not len(away) else TOO_FEW}
    by_case: dict[str, list[float]] = {}
    for (case, *_), value in zip(known, away, strict=True):
        by_case.setdefault(case, []).append(float(value))
    squares = [(v[1] - v[0]) ** 2 / 2.0 for v in by_case.values() if len(v) == 2]
    bias, spread = float(away.mean()), float(away.std(ddof=1))
    bad = abs(bias) > limit.bias or spread > limit.spread or bool(row["without_value"])
    return row | {
        "bias": bias,
        "bias_error": spread / np.sqrt(len(away)),
        "spread": spread,
        "repeat_sd": float(np.sqrt(np.mean(squares))) if squares else float("nan"),
        "largest": float(away[np.argmax(np.abs(away))]),
        "verdict": PRACTISE if bad else PASSED,
    }


def _unit_of(name: str) -> str:
    from outflow_geometry.measures.registry import measure

    return measure(name).unit


# ---------------------------------------------------------------------- readers
def reader_table(
    scored: Sequence[Scored],
    dealt: Mapping[str, int],
    structures: pd.DataFrame,
    slips: pd.DataFrame,
    measures: pd.DataFrame,
    limits: QualificationSettings,
) -> pd.DataFrame:
    """One row per reader: readings, slips, change over time, verdict and the reasons against it."""
    from scipy.stats import mannwhitneyu

    rows = []
    for reader, count in dealt.items():
        own = sorted((s for s in scored if s.reading.reader_id == reader), key=lambda s: s.reading.order)
        marked = sum(len(s.errors) for s in own)
        off = slips[slips["reader_id"] == reader].drop_duplicates(["reading_id", "structure"])
        share = 100.0 * len(off) / marked if marked else float("nan")
        distance = np.array([s.distance for s in own])
        half = len(own) // 2
        change = float(np.median(distance[half:]) - np.median(distance[:half])) if half >= 3 else float("nan")
        chance = float(mannwhitneyu(distance[:half], distance[half:]).pvalue) if half >= 3 else float("nan")
        against = []
        if len(own) < count:
            against.append(f"{count - len(own)} of {count} readings are not filed")
        if share > limits.slips_pct:
            against.append(f"slips in {share:.1f} % of the structures marked, limit {limits.slips_pct:g} %")
        if abs(change) > limits.change_mm and chance < CHANGE_CHANCE:
            against.append(f"mean distance from the truth changed by {change:+.1f} mm, limit {limits.change_mm:g} mm")
        for table, key in ((structures, "structure"), (measures, "measure")):
            bad = table[(table["reader_id"] == reader) & (table["verdict"] == PRACTISE)]
            against += list(dict.fromkeys(bad[key]))
        verdict = PRACTISE if against else PASSED
        if len(own) < FEWEST_READINGS:
            verdict = TOO_FEW
        rows.append(
            {
                "reader_id": reader,
                "verdict": verdict,
                "readings_dealt": count,
                "readings_filed": len(own),
                "structures_marked": marked,
                "structures_with_slip": len(off),
                "slips_pct": share,
                "distance_mm": float(distance.mean()) if len(own) else float("nan"),
                "change_mm": change,
                "change_p_value": chance,
                "against": ", ".join(against),
            }
        )
    return pd.DataFrame(rows)
