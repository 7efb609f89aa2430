"""Error laws of carried landmarks, fitted to moving hearts, and how often their intervals hold the truth. Part of
`carry.py`. mm.

Intervals are leave-case-out: the laws are fitted to the other hearts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from carry_hearts import HINGES, Pair, plane_measures
from scipy.optimize import minimize
from scipy.stats import chi2, norm, t

from outflow_cohort.registration.blending import _partner
from outflow_geometry.base.inputs import SharedMove
from outflow_geometry.base.planes import least_squares_plane
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.landmarks.carry_error import APEX_SHIFT, SEPTUM_SHIFT, ErrorLaw, ring_disagreement
from outflow_geometry.landmarks.carrying import ANNULUS_STRUCTURES, RING_STRUCTURES, STIFF_WITH_RING
from outflow_geometry.scatter.uncertainty import redrawn_landmarks

DRAWS = 200


def body_error(carried: np.ndarray, truth: np.ndarray, curve: bool) -> np.ndarray:
    """Shift in the plane (2) and along its normal (1), tilt (2), radius (1) and stretch (2), all at the rim, by which a
    carried body is off, mm, by least squares; of a curve only what is seen across it."""
    plane = least_squares_plane(truth)
    flat = plane.project(truth) - plane.project(truth).mean(axis=0)
    flat /= np.linalg.norm(flat, axis=1).mean()
    off = carried - (_partner("mitral_ring", carried, truth) if curve else truth)
    axes = np.stack([plane.u, plane.v])
    rows, rights = [], []
    for place, d in zip(flat, off, strict=True):
        outward = place @ axes
        design = np.zeros((3, 8))
        design[:, :3] = np.stack([plane.u, plane.v, plane.normal], axis=1)
        design[:, 3:5] = plane.normal[:, None] * place
        design[:, 5] = outward
        design[:, 6] = (place * (1.0, -1.0)) @ axes
        design[:, 7] = place[::-1] @ axes
        along = np.cross(plane.normal, outward / np.linalg.norm(outward))
        seen = np.eye(3) - np.outer(along, along) if curve else np.eye(3)
        rows.append(seen @ design)
        rights.append(seen @ d)
    return np.linalg.lstsq(np.concatenate(rows), np.concatenate(rights), rcond=None)[0]


def student(hearts: int) -> float:
    """By how much wider 95 % intervals are whose standard deviation is known from so many hearts only: Student's t over
    the normal quantile (Student 1908, Biometrika 6:1)."""
    return float(t.ppf(0.975, hearts - 1) / norm.ppf(0.975))


def fitted_law(errors: np.ndarray, disagreement: np.ndarray, hearts: int, stiff: bool = False) -> ErrorLaw:
    """The law of greatest likelihood of errors (n, 8) at disagreements (n,) of so many hearts.

    stiff : the body keeps its size and shape.
    """

    def one(columns: slice) -> tuple[float, float]:
        squares = errors[:, columns] ** 2

        def loss(p: np.ndarray) -> float:
            variance = (np.exp(2 * p[0]) + np.exp(2 * p[1]) * disagreement**2)[:, None]
            return float(np.sum(np.log(variance) + squares / variance))

        best = min(
            (minimize(loss, [np.log(0.1), np.log(k)], method="Nelder-Mead") for k in (0.2, 0.8)), key=lambda r: r.fun
        )
        return float(np.exp(best.x[0])), float(np.exp(best.x[1]))

    # ring and annulus tilt more towards each other than across: the larger tilt stands for both, or the angle between
    # them would be held too sure
    tilt = max(
        (one(slice(i, i + 1)) for i in (3, 4)), key=lambda law: np.hypot(law[0], law[1] * np.median(disagreement))
    )
    shape = [(0.0, 0.0)] * 2 if stiff else [one(slice(5, 6)), one(slice(6, 8))]
    wider = student(hearts)
    laws = [(wider * a, wider * k) for a, k in (one(slice(0, 2)), one(slice(2, 3)), tilt, *shape)]
    return ErrorLaw(*laws)


def laws_of(pairs: Sequence[Pair], implanted: bool) -> tuple[ErrorLaw, ErrorLaw]:
    """The laws of ring and annulus that these pairs give; of the ring by those of its kind."""
    alike = [p for p in pairs if p.implanted == implanted]
    ring = fitted_law(
        np.array([body_error(p.carried.landmarks["mitral_ring"], p.truth["mitral_ring"], True) for p in alike]),
        np.array([ring_disagreement(p.carried, implanted=p.implanted) for p in alike]),
        len({p.seed for p in alike}),
        stiff=implanted,
    )
    annulus = fitted_law(
        np.array([body_error(p.carried.landmarks["aortic_contour"], p.truth["aortic_contour"], False) for p in pairs]),
        np.array([p.carried.annulus.disagreement for p in pairs]),
        len({p.seed for p in pairs}),
    )
    return ring, annulus


LEFT_OUT: dict[tuple[int, int], tuple[ErrorLaw, ErrorLaw]] = {}
"""Laws by number of pairs and the heart left out, each fitted once."""


def rounded(law: ErrorLaw) -> str:
    """A law as it stands in the program."""
    parts = ((n, getattr(law, n)) for n in ("shift", "lift", "tilt", "radial", "oval"))
    return ", ".join(f"{n}=({a:.3f}, {k:.3f})" for n, (a, k) in parts)


def moves_without(pairs: Sequence[Pair], left_out: Pair) -> tuple[SharedMove, ...]:
    """Shared errors of `left_out` by laws that its heart had no part in."""
    key = (len(pairs), left_out.seed)
    if key not in LEFT_OUT:
        LEFT_OUT[key] = laws_of([p for p in pairs if p.seed != left_out.seed], left_out.implanted)
    ring, annulus = LEFT_OUT[key]
    own = ring_disagreement(left_out.carried, implanted=left_out.implanted)
    return (
        ring.move((*RING_STRUCTURES, *STIFF_WITH_RING), own),
        annulus.move(ANNULUS_STRUCTURES, left_out.carried.annulus.disagreement),
        SharedMove(("septum",), SEPTUM_SHIFT, 0.0, 0.0),
        SharedMove(("lv_apex",), APEX_SHIFT, 0.0, 0.0),
    )


Held = dict[str, list[tuple[float, float]]]
"""By measure: how far each value is off, and how far it may be off by its 95 % interval."""


def coverage(pairs: Sequence[Pair]) -> Held:
    """Errors and 95 % bounds of each measure. Points count in three coordinates at once, those of a curve in two."""
    held: Held = {}
    for pair in pairs:
        marks = dict(pair.carried.landmarks)
        copies = redrawn_landmarks(marks, {"default": 0.0}, DRAWS, 1, moves_without(pairs, pair))
        own, true = plane_measures(marks, pair.implanted), plane_measures(pair.truth, pair.implanted)
        again = [plane_measures(copy, pair.implanted) for copy in copies]
        for name, value in own.items():
            sd = float(np.std([a[name] for a in again]))
            held.setdefault(name, []).append((abs(value - true[name]), 1.96 * sd))
        for name in HINGES:
            spread = np.array([copy[name][0] for copy in copies])
            held.setdefault("hinges, mm", []).append(_out(marks[name][0] - pair.truth[name][0], spread, 3))
        centers = [_centers(m) for m in (marks, pair.truth, *copies)]
        for n, name in enumerate(("ring centre, mm", "annulus centre, mm")):
            held.setdefault(name, []).append(_out((centers[0] - centers[1])[n], np.array(centers[2:])[:, n], 3))
        ring, points = _partner("mitral_ring", marks["mitral_ring"], pair.truth["mitral_ring"]), marks["mitral_ring"]
        for n, point in enumerate(points):
            along = points[(n + 1) % len(points)] - points[n - 1]
            across = np.linalg.svd(along[None] / np.linalg.norm(along))[2][1:]
            spread = np.array([copy["mitral_ring"][n] for copy in copies]) @ across.T
            held.setdefault("points of the ring curve, mm", []).append(_out(across @ (point - ring[n]), spread, 2))
    return held


def _centers(marks: dict[str, np.ndarray]) -> np.ndarray:
    anatomy = build_anatomy(marks, checked=False)
    return np.stack([anatomy.ring_center, anatomy.aortic_center])


def _out(error: np.ndarray, spread: np.ndarray, freedom: int) -> tuple[float, float]:
    """Length of an error, mm, and how long it may be in its direction by the 95 % ellipsoid of `spread` (draws, n)."""
    far = float(np.linalg.norm(error))
    inside = float(np.sqrt(error @ np.linalg.solve(np.cov(spread.T), error) / chi2.ppf(0.95, freedom)))
    return far, far / max(inside, 1e-9)
