"""Disagreement of landmarks in mm, by structure and direction (within the plane of its valve, along its normal).

Points LPS, mm, float64. A structure of one point, or of points with names of their own (their point_no), is compared
point by point; an outline or a path, whose points have no partner, by the distance from each point of one to the line
of the other, both ways; scattered points (septum, samples) by the nearest point, both ways.

Sources: distance both ways, mean symmetric distance: Gerig, Jomier & Chakos 2001, MICCAI, LNCS 2208:516; intervals by
case bootstrap, Efron & Tibshirani 1993 ch. 14.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from itertools import permutations
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.pairs import ReadingPair, reading_pairs
from outflow_cohort.stats.kernels.bootstrap import weighted_bootstrap

if TYPE_CHECKING:
    import pandas as pd

SOURCE = "mean symmetric distance: Gerig et al. 2001 LNCS 2208:516; case bootstrap: Efron & Tibshirani 1993 ch. 14"
CLOSED = ("mitral_ring", "aortic_ring", "aortic_contour", "outflow_trace")
OPEN = ("anterior_leaflet", "outflow_path")
UNORDERED = ("post_tip",)
SCATTERED = ("septum", "blood_sample", "muscle_sample")
AORTIC = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non", "aortic_ring", "aortic_contour")
HINGES = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
ALL = "all"
FIGURES = ("distance_mean", "distance_square", "in_plane_mean", "normal_mean_absolute", "normal_mean")
NO_NORMAL = np.full(3, np.nan)
MOST_AT_ONCE = 100_000
"""Distances between points of pairs that are computed at once: some MB."""
MOST_MATCHED_POINTS = 7
"""Points without names up to this many are matched by trying all orders."""
DEFINITIONS = {
    "distance_mean": "mean distance",
    "distance_rms": "root mean square distance",
    "in_plane_mean": "mean distance within the plane of the valve",
    "normal_mean_absolute": "mean absolute distance along the normal of the valve plane",
    "normal_mean": "mean signed distance along the normal of the valve plane, second - first (mitral: towards the apex,"
    " aortic: away from it)",
}


def landmark_agreement(
    frame: pd.DataFrame,
    *,
    case: str = "case_id",
    reader: str = "reader_id",
    read: str = "read_no",
    phase: str = "phase_pct",
    confidence: float = 0.95,
    n_draws: int = 2000,
    seed: int = 20240229,
) -> pd.DataFrame:
    """Distances between readers' landmarks, and between a reader's repeated reads, structure by structure.

    frame : the study's landmark table: columns case_id, reader_id, structure, point_no, x_mm, y_mm, z_mm and, if there,
        read_no and phase_pct. Pairs are formed within a phase; a case counts once, by its mean over phases.
    The valve plane of a case and phase is fitted to all its readers' points: mitral_ring for mitral structures, the
    ring, contour or hinges of the aorta for aortic ones; without it the directional rows have status no_plane.

    Returns rows structure, kind, comparison, statistic, estimate, ci_low, ci_high (case bootstrap), n_cases, n_pairs,
    unit, definition, source, status. Raises KeyError for an absent column.

    The apex marked 5 mm apart by two readers in each of two cases:

    >>> import pandas as pd
    >>> rows = [(c, r, "lv_apex", 1, 0.0, y, z) for c in "ab" for r, y, z in (("A", 0.0, -80.0), ("B", 3.0, -76.0))]
    >>> names = ["case_id", "reader_id", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    >>> found = landmark_agreement(pd.DataFrame(rows, columns=names), n_draws=200)
    >>> round(float(found.loc[found["statistic"] == "distance_mean", "estimate"].iloc[0]), 3)
    5.0
    """
    summary = landmark_distances(frame, case=case, reader=reader, read=read, phase=phase)
    return agreement_of_distances(summary, confidence=confidence, n_draws=n_draws, seed=seed)


def landmark_distances(
    frame: pd.DataFrame,
    *,
    case: str = "case_id",
    reader: str = "reader_id",
    read: str = "read_no",
    phase: str = "phase_pct",
) -> pd.DataFrame:
    """Of each structure, kind, comparison (and `all`) and case: n_pairs, and the mean of each of FIGURES over the
    case's pairs (mm, mm2 for the square; NaN without a plane). Whole cases may be done apart and put together.

    frame : as in `landmark_agreement`. Raises KeyError for an absent column.
    """
    import pandas as pd

    needed = [case, reader, "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    absent = [column for column in needed if column not in frame.columns]
    if absent:
        raise KeyError(f"columns {absent} not in the frame; it has {list(frame.columns)}")
    points = frame[["x_mm", "y_mm", "z_mm"]].to_numpy(np.float64)
    kept = frame[np.isfinite(points).all(axis=1)]
    kept = pd.DataFrame(
        {
            "case": kept[case].to_numpy(),
            "reader": kept[reader].to_numpy(),
            "read": kept[read].fillna(1).to_numpy() if read in kept.columns else 1,
            "phase": kept[phase].fillna(-1.0).to_numpy() if phase in kept.columns else -1.0,
            "structure": kept["structure"].to_numpy(),
            "point_no": kept["point_no"].to_numpy(),
            "x_mm": kept["x_mm"].to_numpy(),
            "y_mm": kept["y_mm"].to_numpy(),
            "z_mm": kept["z_mm"].to_numpy(),
        }
    )
    normals = _valve_normals(kept)
    parts = [_pairs_of_structure(str(name), points, normals) for name, points in kept.groupby("structure", sort=True)]
    filled = [part for part in parts if len(part)]
    table = pd.concat(filled, ignore_index=True) if filled else _pair_table("", [], np.zeros((0, len(FIGURES))))
    both = pd.concat([table.assign(comparison=ALL), table], ignore_index=True)
    grouped = both.groupby(["structure", "kind", "comparison", "case"], sort=True)
    summary = grouped.size().rename("n_pairs").reset_index()
    code = grouped.ngroup().to_numpy()
    for figure in FIGURES:
        total = np.bincount(code, both[figure].to_numpy(np.float64), len(summary))
        summary[figure] = total / summary["n_pairs"].to_numpy()
    return summary


def agreement_of_distances(summary: pd.DataFrame, *, confidence: float, n_draws: int, seed: int) -> pd.DataFrame:
    """The rows of `landmark_agreement` from all cases' `landmark_distances`."""
    import pandas as pd

    rows = []
    ordered = summary.sort_values(["structure", "kind", "comparison", "case"], kind="stable")
    for (structure, kind), group in ordered.groupby(["structure", "kind"], sort=True):
        is_all = group["comparison"] == ALL
        for comparison, part in [(ALL, group[is_all]), *group[~is_all].groupby("comparison", sort=True)]:
            for row in _rows(part, confidence, n_draws, seed):
                rows.append({"structure": structure, "kind": kind, "comparison": comparison, **row})
    order = "structure kind comparison statistic estimate ci_low ci_high n_cases n_pairs unit definition source status"
    return pd.DataFrame(rows, columns=order.split())


def _point_sets(of_structure: pd.DataFrame) -> tuple[list[tuple[Any, ...]], list[tuple[np.ndarray, np.ndarray]]]:
    """Readings (case, phase, reader, read) of one structure, sorted, and of each its point numbers and points.

    Sorted and cut once: tens of thousands of small groups would each cost a millisecond.
    """
    reading = ["case", "phase", "reader", "read"]
    ordered = of_structure.sort_values([*reading, "point_no"], kind="stable")
    number = ordered.groupby(reading, sort=False).ngroup().to_numpy()
    starts = np.flatnonzero(np.append(True, number[1:] != number[:-1]))
    numbers = np.split(ordered["point_no"].to_numpy(np.float64), starts[1:])
    points = np.split(ordered[["x_mm", "y_mm", "z_mm"]].to_numpy(np.float64), starts[1:])
    readings = list(ordered[reading].iloc[starts].itertuples(index=False, name=None))
    return readings, list(zip(numbers, points, strict=True))


def _pair_table(structure: str, pairs: list[ReadingPair], figures: np.ndarray) -> pd.DataFrame:
    """One row per pair: structure, kind, comparison, case and the FIGURES (n, 5)."""
    import pandas as pd

    named = {
        "structure": structure,
        "kind": [pair.kind for pair in pairs],
        "comparison": [pair.comparison for pair in pairs],
        "case": [pair.case for pair in pairs],
    }
    return pd.DataFrame(named | dict(zip(FIGURES, figures.T, strict=True)))


def _pairs_of_structure(
    structure: str, of_structure: pd.DataFrame, normals: dict[tuple[Any, ...], np.ndarray]
) -> pd.DataFrame:
    """`_pair_table` of a structure; pairs of which no points match are left out.

    Pairs whose readings hold the same numbers of points are computed at once: tens of thousands of small arrays would
    each cost a fraction of a millisecond, many times over.
    """
    readings, sets = _point_sets(of_structure)
    cases, phases, readers, reads = (list(c) for c in zip(*readings, strict=True))
    pairs = list(reading_pairs(cases, readers, reads, phases))
    valve = "aortic" if structure in AORTIC else "mitral"
    figures = np.full((len(pairs), len(FIGURES)), np.nan)
    alike: dict[tuple[bytes, bytes], list[int]] = defaultdict(list)
    for place, pair in enumerate(pairs):
        alike[(sets[pair.first][0].tobytes(), sets[pair.second][0].tobytes())].append(place)
    for places in alike.values():
        own = [pairs[place] for place in places]
        first_numbers, second_numbers = sets[own[0].first][0], sets[own[0].second][0]
        size = max(1, MOST_AT_ONCE // (len(first_numbers) * len(second_numbers)))
        for start in range(0, len(own), size):
            some = own[start : start + size]
            first = np.stack([sets[pair.first][1] for pair in some])
            second = np.stack([sets[pair.second][1] for pair in some])
            vectors = _vectors(structure, first_numbers, first, second_numbers, second)
            if not vectors.shape[1]:
                continue
            normal = np.stack([normals.get((p.case, phases[p.first], valve), NO_NORMAL) for p in some])
            figures[places[start : start + size]] = _figures(vectors, normal)
    matched = np.isfinite(figures[:, 0])
    return _pair_table(structure, [pair for pair, kept in zip(pairs, matched, strict=True) if kept], figures[matched])


def _vectors(
    structure: str, first_numbers: np.ndarray, a: np.ndarray, second_numbers: np.ndarray, b: np.ndarray
) -> np.ndarray:
    """(p, n, 3) displacements second - first of p pairs by the structure's way of comparing; n = 0 where none match.

    a, b : points (p, n, 3) of the pairs' readings, whose point numbers are those of all.
    """
    if structure in CLOSED or structure in OPEN:
        closed = structure in CLOSED
        if min(a.shape[1], b.shape[1]) < 2:
            return np.zeros((len(a), 0, 3))
        # Backward displacements are turned round, so that both ways read second - first.
        return np.concatenate([_nearest_on_line(b, closed, a) - a, b - _nearest_on_line(a, closed, b)], axis=1)
    if structure in SCATTERED:
        distances = np.linalg.norm(a[:, :, None] - b[:, None], axis=3)
        nearest_b = np.take_along_axis(b, distances.argmin(axis=2)[..., None], axis=1)
        nearest_a = np.take_along_axis(a, distances.argmin(axis=1)[..., None], axis=1)
        return np.concatenate([nearest_b - a, b - nearest_a], axis=1)
    if structure in UNORDERED and a.shape[1] == b.shape[1] <= MOST_MATCHED_POINTS:
        orders = np.array(list(permutations(range(b.shape[1]))))
        squares = np.stack([((b[:, order] - a) ** 2).sum(axis=(1, 2)) for order in orders])
        best = orders[squares.argmin(axis=0)]
        result: np.ndarray = np.take_along_axis(b, best[..., None], axis=1) - a
        return result
    _, index_a, index_b = np.intersect1d(first_numbers, second_numbers, return_indices=True)
    result = b[:, index_b] - a[:, index_a]
    return result


def _nearest_on_line(line: np.ndarray, closed: bool, points: np.ndarray) -> np.ndarray:
    """Nearest point of each polyline (p, m, 3), its first point repeated at the end if closed, to each of its points
    (p, n, 3)."""
    starts = line if closed else line[:, :-1]
    sides = (np.roll(line, -1, axis=1) if closed else line[:, 1:]) - starts
    square = (sides**2).sum(axis=2)[:, None]
    along = np.einsum("pnsk,psk->pns", points[:, :, None] - starts[:, None], sides)
    along = np.clip(np.divide(along, square, out=np.zeros_like(along), where=square > 0), 0.0, 1.0)
    feet = starts[:, None] + along[..., None] * sides[:, None]
    nearest = ((feet - points[:, :, None]) ** 2).sum(axis=3).argmin(axis=2)
    return np.take_along_axis(feet, nearest[..., None, None], axis=2)[:, :, 0]


def _figures(vectors: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """FIGURES (p, 5) of displacements (p, n, 3); those along and across a normal (p, 3) of NaN are NaN."""
    distance = np.linalg.norm(vectors, axis=2)
    along = np.einsum("pnk,pk->pn", vectors, normal)
    across = np.linalg.norm(vectors - along[..., None] * normal[:, None], axis=2)
    columns = distance, distance**2, across, np.abs(along), along
    return np.stack([column.mean(axis=1) for column in columns], axis=1)


def _valve_normals(kept: pd.DataFrame) -> dict[tuple[Any, ...], np.ndarray]:
    """Unit normal by (case, phase, valve): mitral towards the apex, aortic away from it where an apex is marked."""
    apices = {key: points for key, points, _ in _by_case_and_phase(kept, ("lv_apex",))}
    normals: dict[tuple[Any, ...], np.ndarray] = {}
    for valve, choices in (("mitral", [("mitral_ring",)]), ("aortic", [("aortic_ring",), ("aortic_contour",), HINGES])):
        for structures in choices:
            for key, points, means in _by_case_and_phase(kept, structures):
                if (*key, valve) in normals:
                    continue
                normal = _pooled_normal(points, means)
                if normal is None:
                    continue
                if key in apices:
                    ventricle = apices[key].mean(axis=0) - points.mean(axis=0)
                    facing = float(normal @ ventricle) >= 0
                    normal = normal if facing == (valve == "mitral") else -normal
                normals[(*key, valve)] = normal
    return normals


def _by_case_and_phase(
    kept: pd.DataFrame, structures: tuple[str, ...]
) -> Iterator[tuple[tuple[Any, ...], np.ndarray, np.ndarray]]:
    """Of each (case, phase) the points of some structures and, of each point, the mean of its reading's points.

    Grouped and cut once: tens of thousands of small groups would each cost milliseconds.
    """
    coordinates = ["x_mm", "y_mm", "z_mm"]
    chosen = kept[kept["structure"].isin(structures)].sort_values(["case", "phase"], kind="stable")
    if chosen.empty:
        return
    means = chosen.groupby(["case", "phase", "reader", "read"])[coordinates].transform("mean")
    number = chosen.groupby(["case", "phase"], sort=False).ngroup().to_numpy()
    starts = np.flatnonzero(np.append(True, number[1:] != number[:-1]))
    keys = chosen[["case", "phase"]].iloc[starts].itertuples(index=False, name=None)
    points = (np.split(frame.to_numpy(np.float64), starts[1:]) for frame in (chosen[coordinates], means))
    yield from zip(keys, *points, strict=True)


def _pooled_normal(points: np.ndarray, means: np.ndarray) -> np.ndarray | None:
    """Normal of the plane through the readings' points, each reading centred on its own mean; None below 3 points."""
    if len(points) < 3:
        return None
    _, spread, axes = np.linalg.svd(points - means, full_matrices=False)
    if spread[1] <= 1e-6 * max(spread[0], 1e-300):
        return None
    normal = axes[2]
    # A fixed hand for the sign where no apex turns it: the largest component is positive.
    result: np.ndarray | None = normal if normal[np.abs(normal).argmax()] > 0 else -normal
    return result


def _rows(part: pd.DataFrame, confidence: float, n_draws: int, seed: int) -> list[dict[str, Any]]:
    n = len(part)
    rows = []
    for statistic, definition in DEFINITIONS.items():
        values = part["distance_square" if statistic == "distance_rms" else statistic].to_numpy(np.float64)
        row = {
            "statistic": statistic, "estimate": np.nan, "ci_low": np.nan, "ci_high": np.nan, "n_cases": n,
            "n_pairs": int(part["n_pairs"].sum()), "unit": "mm", "definition": definition, "source": SOURCE,
            "status": "no_plane",
        }  # fmt: skip
        if np.isfinite(values).all():
            of_weights = _mean_of(values, statistic == "distance_rms")
            found = weighted_bootstrap(of_weights, n, n_draws=n_draws, seed=seed, confidence=confidence)
            row |= {"estimate": found.estimate, "ci_low": found.ci_low, "ci_high": found.ci_high}
            row["status"] = found.status
        rows.append(row)
    return rows


def _mean_of(per_case: np.ndarray, root: bool) -> Callable[[np.ndarray], np.ndarray]:
    def of_weights(weights: np.ndarray) -> np.ndarray:
        mean = weights @ per_case / weights.sum(axis=1)
        result: np.ndarray = np.sqrt(mean) if root else mean
        return result

    return of_weights
