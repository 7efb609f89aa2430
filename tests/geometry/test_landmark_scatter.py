"""Landmark scatter from repeat reads against simulated reads of known scatter."""

import math

import numpy as np
import pytest
from analytic_heart import LONG, SHORT, landmarks

from outflow_geometry.scatter.redrawing import PRIOR_SD, PRIOR_WEIGHT, Read, landmark_scatter, landmark_sd

SD = 0.6


def reads_of(count: int, seed: int, case: str = "", sd: float = SD) -> list[Read]:
    rng = np.random.default_rng(seed)
    exact = landmarks()
    return [
        Read(30.0, f"R{case}", n + 1, {k: v + sd * rng.standard_normal(v.shape) for k, v in exact.items()})
        for n in range(count)
    ]


def test_pooled_scatter_of_single_points_is_the_textbook_within_reader_sd() -> None:
    # Bland & Altman 1996, BMJ 313:744: within-subject SD = root of the mean within-subject variance
    reads = [r for case in range(4) for r in reads_of(3, case, str(case))]
    squares = 0.0
    for case in range(4):
        points = np.stack([r.landmarks["lv_apex"][0] for r in reads if r.reader_id == f"R{case}"])
        squares += float(np.sum((points - points.mean(axis=0)) ** 2))
    found = landmark_scatter(reads)["lv_apex"]
    assert found.freedom == 4 * 2 * 3
    assert found.pooled_sd == pytest.approx(math.sqrt(squares / found.freedom), rel=1e-12)


def test_shrinkage_follows_the_moderated_variance() -> None:
    # Smyth 2004, equation 4: s~^2 = (d0 s0^2 + d s^2) / (d0 + d)
    found = landmark_scatter(reads_of(2, 3), {"lv_apex": 2.0})["lv_apex"]
    wanted = (PRIOR_WEIGHT * 4.0 + found.freedom * found.pooled_sd**2) / (PRIOR_WEIGHT + found.freedom)
    assert found.sd == pytest.approx(math.sqrt(wanted), rel=1e-12)


def test_without_repeats_the_prior_stands() -> None:
    reads = [Read(30.0, "R1", 1, landmarks()), Read(30.0, "R2", 1, landmarks()), Read(40.0, "R1", 1, landmarks())]
    assert landmark_sd(reads, {"mitral_ring": 1.1, "default": 0.4}) == {
        name: 1.1 if name == "mitral_ring" else 0.4 for name in landmarks()
    }
    assert set(landmark_sd(reads).values()) == {PRIOR_SD}


@pytest.mark.parametrize("name", ["mitral_ring", "aortic_contour", "outflow_trace", "anterior_leaflet", "septum"])
def test_scatter_of_curves_and_surfaces_is_recovered(name: str) -> None:
    # 60 pairs of reads: with some 30 degrees of freedom a pair the SD is known to about 2 %
    exact = landmarks()[name]
    rng = np.random.default_rng(5)
    reads = [
        Read(30.0, f"R{pair}", n, {name: exact + SD * rng.standard_normal(exact.shape)})
        for pair in range(60 if name != "septum" else 400)
        for n in (1, 2)
    ]
    assert landmark_scatter(reads)[name].pooled_sd == pytest.approx(SD, rel=0.08)


@pytest.mark.parametrize(("first", "second"), [(16, 16), (12, 24), (24, 9)])
def test_ring_scatter_does_not_need_the_same_points(first: int, second: int) -> None:
    # reads of one ring with other start points, counts and windings: distance between contours, not by index
    rng = np.random.default_rng(9)
    reads = []
    for pair in range(50):
        for n, count in ((1, first), (2, second)):
            t = rng.uniform(0, 6) + np.arange(count) * 2 * np.pi / count * (-1) ** n
            ring = np.stack([LONG * np.sin(t), SHORT * np.cos(t), 2 * np.cos(2 * t)], axis=1)
            reads.append(Read(30.0, f"R{pair}", n, {"mitral_ring": ring + 0.4 * rng.standard_normal(ring.shape)}))
    assert landmark_scatter(reads)["mitral_ring"].pooled_sd == pytest.approx(0.4, rel=0.08)


def test_exact_repeats_with_other_points_have_no_scatter() -> None:
    t = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    rings = [np.stack([LONG * np.sin(t + s), SHORT * np.cos(t + s), 0 * t], axis=1) for s in (0.0, 0.05)]
    reads = [Read(None, "R", n, {"mitral_ring": ring}) for n, ring in enumerate(rings)]
    assert landmark_scatter(reads)["mitral_ring"].pooled_sd < 1e-3


def test_post_tips_are_matched_by_place() -> None:
    tips = np.asarray([[0.0, 0, 0], [20, 0, 0], [10, 17, 0]])
    reads = [Read(30.0, "R", 1, {"post_tip": tips}), Read(30.0, "R", 2, {"post_tip": tips[[2, 0, 1]] + 0.3})]
    # differences of 0.3 in every coordinate: SD = 0.3 / sqrt(2)
    assert landmark_scatter(reads)["post_tip"].pooled_sd == pytest.approx(0.3 / math.sqrt(2))


def test_samples_and_broken_rings_take_no_part() -> None:
    reads = [Read(30.0, "R", n, {"blood_sample": np.ones((2, 3)), "mitral_ring": np.zeros((5, 3))}) for n in (1, 2)]
    found = landmark_scatter(reads, {"default": 0.5})
    assert list(found) == ["mitral_ring"]
    assert found["mitral_ring"].freedom == 0
    assert found["mitral_ring"].sd == pytest.approx(0.5)
