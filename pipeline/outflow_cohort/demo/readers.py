"""What invented readers mark: the truth, moved by a bias of the reader and by noise of the read. Points LPS, mm.

A read's error has parts shared by all points of a structure (offset along the structure's normal; for closed rings
a common change of radius) and a part of each point. All numbers are invented, and written to truth_readers.csv.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outflow_cohort.demo.shapes import Array

RINGS = ("mitral_ring", "aortic_contour", "outflow_trace")


@dataclass(frozen=True)
class Reader:
    """Bias of one reader, mm: outward on rings, along the normal of ring and annulus, and aside on single points."""

    reader_id: str
    outward: float
    normal: float
    aside: float


@dataclass(frozen=True)
class Noise:
    """Standard deviations between reads, mm."""

    outward: float = 0.30
    normal: float = 0.35
    shared: float = 0.30
    point: float = 0.45


BIASES = ((0.15, 0.10, 0.0), (-0.25, -0.15, 0.2), (0.45, 0.20, -0.2))
"""Outward, normal and aside bias of the first, second … reader, mm, in turn."""

QUIET = {"blood_sample": 0.2, "muscle_sample": 0.2, "lv_apex": 1.5, "post_tip": 0.6}
"""Factors on the noise of structures that are easier or harder than the rest."""


def readers(names: tuple[str, ...]) -> tuple[Reader, ...]:
    """The readers of a study."""
    return tuple(Reader(name, *BIASES[i % len(BIASES)]) for i, name in enumerate(names))


def plane_of(points: Array) -> tuple[Array, Array]:
    """Centre and unit normal (3,) of points (n, 3)."""
    center = points.mean(axis=0)
    return center, np.linalg.svd(points - center)[2][2]


def read(truth: dict[str, Array], reader: Reader, noise: Noise, rng: np.random.Generator) -> dict[str, Array]:
    """Landmarks of one read."""
    center, normal = plane_of(truth["mitral_ring"])
    normal = normal * np.sign(float((truth["lv_apex"][0] - center) @ normal))
    marked: dict[str, Array] = {}
    for name, points in truth.items():
        factor = QUIET.get(name, 1.0)
        shared = rng.normal(0.0, noise.shared, 3) + reader.aside * np.array([1.0, 0.0, 0.0])
        each: Array = rng.normal(0.0, noise.point, points.shape)
        outward = reader.outward + rng.normal(0.0, noise.outward)
        along = reader.normal + rng.normal(0.0, noise.normal)
        if name == "outflow_path":
            each = _smooth(each)
        moved = points + factor * each
        if name in RINGS:
            middle, axis = plane_of(points)
            axis = axis * np.sign(float((truth["lv_apex"][0] - middle) @ axis))
            radial = points - middle
            radial = radial - (radial @ axis)[:, None] * axis
            radial /= np.linalg.norm(radial, axis=1, keepdims=True)
            moved = moved + outward * radial + along * axis
        elif name.startswith("aortic_hinge"):
            moved = moved + factor * shared + reader.normal * normal
        else:
            moved = moved + factor * shared
        marked[name] = moved
    return marked


def _smooth(each: Array) -> Array:
    """Errors along a drawn path change slowly: running mean over three points."""
    padded = np.concatenate([each[:1], each, each[-1:]])
    result: Array = (padded[:-2] + padded[1:-1] + padded[2:]) / 3.0
    return result


def agreement_rows(who: tuple[Reader, ...], noise: Noise, ring_points: int) -> list[dict[str, object]]:
    """The known agreement: errors put in by structure, and what follows for the ring's diameter, to first order.

    A change of radius by d changes the diameter of equal area by 2 d; the mean of n point errors adds
    2 sd / sqrt(n).
    """
    rows: list[dict[str, object]] = []
    within = 2.0 * float(np.sqrt(noise.outward**2 + noise.point**2 / ring_points))
    for reader in who:
        for part, bias, sd in (
            ("ring_outward", reader.outward, noise.outward),
            ("ring_normal", reader.normal, noise.normal),
            ("point_aside", reader.aside, noise.shared),
            ("each_point", 0.0, noise.point),
        ):
            rows.append({"reader_id": reader.reader_id, "part": part, "bias": bias, "sd_within": sd, "unit": "mm"})
        rows.append(
            {
                "reader_id": reader.reader_id,
                "part": "mitral_diameter/area",
                "bias": 2.0 * reader.outward,
                "sd_within": round(within, 6),
                "unit": "mm",
            }
        )
    return rows
