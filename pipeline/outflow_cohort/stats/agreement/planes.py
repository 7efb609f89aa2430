"""Agreement of planes: the angle between normals and the offset of their centres, never two scalar angles.

Points and normals LPS, mm, float64. A normal may point either way only if `signed` is False.

Sources: angle between unit vectors, Fisher, Lewis & Embleton 1987, Statistical Analysis of Spherical Data, sec. 2.2;
intervals by case bootstrap, Efron & Tibshirani 1993 ch. 14.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.pairs import BETWEEN, WITHIN, reading_pairs
from outflow_cohort.stats.kernels.bootstrap import weighted_bootstrap

if TYPE_CHECKING:
    import pandas as pd

SOURCE = "Fisher, Lewis & Embleton 1987 sec. 2.2; case bootstrap: Efron & Tibshirani 1993 ch. 14"
DEFINITIONS = {
    "angle_mean": ("deg", "mean angle between the two normals"),
    "angle_rms": ("deg", "root mean square angle between the two normals"),
    "angle_max": ("deg", "largest angle between the two normals of any case; no interval"),
    "tilt_angle": ("deg", "length of the mean tilt vector second - first: the part of the angle all cases share"),
    "offset_in_plane_mean": ("mm", "mean distance of the centres within their mean plane"),
    "offset_normal_mean": ("mm", "mean signed distance of the centres along their mean normal, second - first"),
    "offset_normal_rms": ("mm", "root mean square distance of the centres along their mean normal"),
}


def angle_between(first: np.ndarray, second: np.ndarray, signed: bool = True) -> np.ndarray:
    """Angles in degrees between vectors (n, 3) and (n, 3); accurate near 0 and 180, unlike the arc cosine.

    signed : a vector and its opposite are 180 apart; False = 0 apart.
    """
    cross = np.linalg.norm(np.cross(first, second), axis=1)
    dot = (first * second).sum(axis=1)
    result: np.ndarray = np.degrees(np.arctan2(cross, dot if signed else np.abs(dot)))
    return result


def plane_agreement(
    frame: pd.DataFrame,
    *,
    normal: Sequence[str] = ("normal_x", "normal_y", "normal_z"),
    center: Sequence[str] | None = ("center_x", "center_y", "center_z"),
    case: str = "case_id",
    reader: str = "reader_id",
    read: str = "read_no",
    phase: str | None = None,
    signed: bool = True,
    confidence: float = 0.95,
    n_draws: int = 2000,
    seed: int = 20240229,
) -> pd.DataFrame:
    """Angles and offsets between the planes of readers, and of a reader's repeated reads.

    frame : one row per reading with columns of the normal (any length > 0) and the centre (None = angles only).
    phase : column of the phase; pairs are formed within a phase and a case counts once, by the mean over its phases.

    Returns rows kind (between_readers, within_reader), comparison (a pair of readers, a reader, or "all"), statistic,
    estimate, ci_low, ci_high, n_cases, n_pairs, unit, definition, source, status. tilt_angle is given for single
    comparisons only and takes the normals in the patient's axes. Raises KeyError for absent columns. Rows with a
    missing, infinite or zero normal are left out; with no pair left the statistics are NaN, status no_pairs.

    Two readers whose planes are tilted by atan(3 / 4) in each of two cases:

    >>> import pandas as pd
    >>> columns = ["case_id", "reader_id", "read_no", "normal_x", "normal_y", "normal_z"]
    >>> rows = [(case, reader, 1, 0.0, slope, 4.0) for case in "ab" for reader, slope in (("A", 0.0), ("B", 3.0))]
    >>> found = plane_agreement(pd.DataFrame(rows, columns=columns), center=None, n_draws=200)
    >>> round(float(found.loc[found["statistic"] == "angle_mean", "estimate"].iloc[0]), 2)
    36.87
    """
    import pandas as pd

    columns = [*normal, *(center or ()), case, reader, *([read] if read in frame.columns else [])]
    absent = [c for c in [*columns, *([phase] if phase else [])] if c not in frame.columns]
    if absent:
        raise KeyError(f"columns {absent} not in the frame; it has {list(frame.columns)}")
    normals = frame[list(normal)].to_numpy(np.float64)
    centers = frame[list(center)].to_numpy(np.float64) if center else np.zeros((len(frame), 3))
    length = np.linalg.norm(normals, axis=1)
    good = np.isfinite(length) & (length > 0) & np.isfinite(centers).all(axis=1)
    kept = frame[good]
    normals, centers = normals[good] / length[good, None], centers[good]
    reads = kept[read].tolist() if read in kept.columns else [1] * len(kept)
    phases = kept[phase].tolist() if phase else [0] * len(kept)
    pairs = list(reading_pairs(kept[case].tolist(), kept[reader].tolist(), reads, phases))
    first, second = np.array([p.first for p in pairs], int), np.array([p.second for p in pairs], int)
    n_first, n_second = normals[first], normals[second]
    if not signed and len(pairs):
        n_second = np.where((n_first * n_second).sum(axis=1)[:, None] < 0, -n_second, n_second)
    mean_normal = n_first + n_second
    norm = np.linalg.norm(mean_normal, axis=1, keepdims=True)
    mean_normal = np.divide(mean_normal, norm, out=n_first.copy(), where=norm > 0)
    shift = centers[second] - centers[first]
    along = (shift * mean_normal).sum(axis=1)
    across = np.linalg.norm(shift - along[:, None] * mean_normal, axis=1)
    table = pd.DataFrame(
        {
            "case": [p.case for p in pairs],
            "kind": [p.kind for p in pairs],
            "comparison": [p.comparison for p in pairs],
            "angle": angle_between(n_first, n_second, signed) if len(pairs) else np.zeros(0),
            "along": along,
            "across": across,
            **{f"tilt_{axis}": (n_second - n_first)[:, axis] for axis in range(3)},
        }
    )
    rows = []
    for kind in (BETWEEN, WITHIN):
        of_kind = table[table["kind"] == kind]
        groups = [("all", of_kind), *of_kind.groupby("comparison", sort=True)]
        for comparison, group in groups:
            for row in _rows(group, comparison, center is not None, confidence, n_draws, seed):
                rows.append({"kind": kind, "comparison": comparison, **row, "source": SOURCE})
    order = "kind comparison statistic estimate ci_low ci_high n_cases n_pairs unit definition source status"
    return pd.DataFrame(rows)[order.split()]


def _rows(
    group: pd.DataFrame, comparison: str, with_centers: bool, confidence: float, n_draws: int, seed: int
) -> list[dict[str, Any]]:
    codes, cases = group["case"].factorize(sort=True)
    n = len(cases)
    count = np.bincount(codes, minlength=n).astype(np.float64)

    def per_case(values: np.ndarray) -> np.ndarray:
        return np.bincount(codes, values, n) / count

    wanted = [s for s in DEFINITIONS if with_centers or not s.startswith("offset")]
    rows = []
    for statistic in wanted:
        if statistic == "tilt_angle" and comparison == "all":
            continue
        unit, definition = DEFINITIONS[statistic]
        row = {
            "statistic": statistic, "estimate": np.nan, "ci_low": np.nan, "ci_high": np.nan, "n_cases": n,
            "n_pairs": len(group), "unit": unit, "definition": definition, "status": "no_pairs",
        }  # fmt: skip
        if n and statistic == "angle_max":
            row |= {"estimate": float(group["angle"].max()), "status": "ok"}
        elif n:
            columns = _sums(statistic, group, per_case)
            found = weighted_bootstrap(
                partial(_of_weights, statistic, columns),
                n,
                n_draws=n_draws,
                seed=seed,
                confidence=confidence,
            )
            row |= {"estimate": found.estimate, "ci_low": found.ci_low, "ci_high": found.ci_high}
            row["status"] = found.status
        rows.append(row)
    return rows


def _sums(statistic: str, group: pd.DataFrame, per_case: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """(n_cases, m) figures of each case whose weighted means make the statistic."""
    if statistic == "tilt_angle":
        return np.stack([per_case(group[f"tilt_{axis}"].to_numpy()) for axis in range(3)], axis=1)
    column = "angle" if statistic.startswith("angle") else "across" if "in_plane" in statistic else "along"
    values = group[column].to_numpy()
    return per_case(values**2 if statistic.endswith("rms") else values)[:, None]


def _of_weights(statistic: str, columns: np.ndarray, weights: np.ndarray) -> np.ndarray:
    means = weights @ columns / weights.sum(axis=1, keepdims=True)
    if statistic == "tilt_angle":
        result: np.ndarray = np.degrees(2 * np.arcsin(np.minimum(np.linalg.norm(means, axis=1) / 2, 1.0)))
        return result
    result = np.sqrt(means[:, 0]) if statistic.endswith("rms") else means[:, 0]
    return result
