"""Standard errors and 95 % intervals of measures from the scatter of the landmarks, by Monte Carlo.

All points LPS, mm, float64. The landmarks are redrawn about where the reader put them, by the reading's error model
(`error_model`: normal distributions of a shift, a wave and a rest); each measure is taken again from each redrawn
reading. The draws are seeded from the reading's own content, so that a reading gives the same intervals wherever and
whenever it is measured.

Intervals are pivotal ("basic"; Davison & Hinkley 1997, Bootstrap Methods and their Application, section 5.2): the
reader's own scatter has already shifted a measure such as a distance or a departure from a plane to one side once,
redrawing shifts it again by as much, and the interval takes that shift off. What depends on the place of the smallest
section jumps in some draws from one place to another, so that the tails of the draws are no guide; there the interval
is normal with the draws' standard deviation, and the same shift taken off (same book, section 5.2.1). That allows for
as much on either side. The native area does not err so: as its plane leans one way it rises by less and less, as it
leans the other way it falls by more and more, so that readings which come out too large have the narrowest draws. The
interval of such a measure (`jumps`: all that is taken in that plane and is not itself the smallest there) holds the
draws' own 95 % range as well, which reaches further where they do (percentile intervals respect such a bend; Efron &
Tibshirani 1993, An Introduction to the Bootstrap, section 13.6).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from outflow_geometry.base.findings import Draws
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import RepeatShift, SharedMove
from outflow_geometry.scatter.error_model import GROUPS, SMOOTHED, reading_error
from outflow_geometry.scatter.redrawing import SAMPLE_STRUCTURES
from outflow_geometry.scatter.shared_moves import shared_moves

NORMAL_95 = 1.959963984540054
"""Two-sided 95 % quantile of the normal distribution."""

TAIL = 0.025
"""Share left out on each side of a 95 % interval."""

UNSURE_SHIFT = 0.5
"""Share of an extreme's shift that is unsure: found on simulated readings of invented hearts, no source."""

FAILED_SHARE = 0.1
"""Share of draws that may give no value before a measure goes without interval: the rest would be a selection."""


FEWEST_DRAWS = 2
"""A standard deviation needs two values."""


@dataclass(frozen=True)
class Interval:
    """Standard error and 95 % interval, in the unit of the measure."""

    std_error: float
    low: float
    high: float


class IntervalRule(Protocol):
    """How a measure's interval is formed; an entry of the registry of measures is one."""

    @property
    def lowest(self) -> float | None: ...
    @property
    def highest(self) -> float | None: ...
    @property
    def scale(self) -> str: ...
    @property
    def least_error(self) -> float: ...
    @property
    def jumps(self) -> bool: ...
    def is_extreme(self, variant: str) -> bool: ...


def content_seed(landmarks: Mapping[str, FloatArray], seed: int) -> int:
    """A seed from the study's `seed` and the landmarks' names and coordinates (to 1e-6 mm).

    The same landmarks and seed give the same number:

    >>> apex = {"lv_apex": np.array([[0.0, 0.0, -80.0]])}
    >>> content_seed(apex, 1) == content_seed(dict(apex), 1), content_seed(apex, 1) == content_seed(apex, 2)
    (True, False)
    """
    digest = hashlib.sha256(str(seed).encode())
    for name in sorted(landmarks):
        rounded = np.round(np.asarray(landmarks[name], dtype=np.float64), 6) + 0.0  # no negative zero
        digest.update(name.encode() + rounded.astype("<f8").tobytes())
    return int.from_bytes(digest.digest()[:8], "little")


def scatter_known(landmarks: Mapping[str, FloatArray], sd: Mapping[str, float]) -> bool:
    """Whether every structure of the reading has a scatter; a structure held fixed would understate the intervals."""
    return all(name in sd or "default" in sd for name in landmarks if name not in SAMPLE_STRUCTURES)


def redrawn_landmarks(
    landmarks: Mapping[str, FloatArray],
    sd: Mapping[str, float],
    draws: int,
    seed: int,
    moves: Sequence[SharedMove] = (),
    repeats: Mapping[str, RepeatShift] | None = None,
) -> list[dict[str, FloatArray]]:
    """`draws` copies of the landmarks, scattered by the reading's error model (`error_model`); sample structures stay.

    Curves are scattered about their own settled course. The points of the reader's path are settled again, to first
    order: a draw is the course that a redrawn reading would have.
    moves : errors that the points of a structure share, on top (`shared_moves`).

    sd : mm by structure, `default` for all others (see `redrawing.landmark_sd`).
    repeats : common shifts, from repeat reads (see `redrawing.repeat_shifts`).

    >>> drawn = redrawn_landmarks({"lv_apex": np.array([[0.0, 0.0, -80.0]])}, {"lv_apex": 1.0}, draws=20, seed=1)
    >>> len(drawn), drawn[0]["lv_apex"].shape
    (20, (1, 3))
    """
    # what the reader's path is must not show in any other structure's draws: it is drawn last, and no part of the seed
    own_seed = content_seed({name: p for name, p in landmarks.items() if name != SMOOTHED}, seed)
    generator = np.random.default_rng(own_seed)
    copies: list[dict[str, FloatArray]] = [{} for _ in range(draws)]
    error = reading_error(landmarks, sd, repeats)
    settled = error.settled(landmarks)
    shifts: dict[str, FloatArray] = {}
    for name in sorted(landmarks, key=lambda name: (name == SMOOTHED, name)):
        points = np.asarray(settled[name], dtype=np.float64)
        if name in SAMPLE_STRUCTURES:
            scattered = np.broadcast_to(points, (draws, *points.shape))
        else:
            group = GROUPS.get(name, name)
            if group not in shifts:
                shifts[group] = generator.standard_normal((draws, 3))
            scattered = error.redrawn(name, points, draws, shifts[group], generator)
        for copy, redrawn in zip(copies, scattered, strict=True):
            copy[name] = redrawn
    if moves:
        shared = shared_moves(settled, moves, draws, own_seed)
        for copy, together in zip(copies, shared, strict=True):
            for name, moved in together.items():
                copy[name] = copy[name] + moved
    return copies


def usable(value: float, redrawn: FloatArray, share: float = 1.0) -> Draws | None:
    """The draws that gave a value, or None where too many of the `share` of them that was tried gave none.

    Too many failed draws leave none:

    >>> usable(300.0, np.array([np.nan] * 150 + [300.0] * 50)) is None
    True
    >>> len(usable(300.0, np.array([np.nan] + [300.0] * 199)).redrawn)
    199
    """
    kept = redrawn[np.isfinite(redrawn)]
    if len(kept) < max(FEWEST_DRAWS, (1.0 - FAILED_SHARE) * share * len(redrawn)):
        return None
    return Draws(value, kept)


def draws_elsewhere(draws: Draws, measure: IntervalRule, variant: str = "") -> bool:
    """Whether the draws lie about another place of the smallest section than the reading's own: their mean is further
    from the value than their own 95 % range reaches. Extremes over directions are shifted by nature, and are not asked.
    """
    if measure.scale != "place" or measure.is_extreme(variant):
        return False
    shift = abs(float(np.mean(draws.redrawn)) - draws.value)
    return shift > NORMAL_95 * max(float(np.std(draws.redrawn, ddof=1)), measure.least_error)


def interval(draws: Draws, measure: IntervalRule, variant: str = "") -> Interval:
    """Standard error and 95 % interval, kept within the measure's possible values.

    Pivotal, save for what depends on the smallest section's place and for extremes over directions and places: there
    normal about the value less the draws' shift. The shift of an extreme depends on the shape itself, so that half of
    it is added to the error (root mean square error; Efron & Tibshirani 1993, An Introduction to the Bootstrap,
    section 10.6). Where the places of a measure change from draw to draw (`jumps`), the draws are about several values;
    which is the truth's cannot be told, so that the interval holds the draws' own 95 % range too. The image's own share
    (`image_share`) is independent of the landmarks', so that squares add.
    """
    value, redrawn = draws.value, draws.redrawn
    error = max(math.hypot(float(np.std(redrawn, ddof=1)), draws.image_sd), measure.least_error)
    shift = float(np.mean(redrawn)) - value
    extreme = measure.is_extreme(variant)
    if extreme or measure.scale == "place":
        half = NORMAL_95 * (math.hypot(error, UNSURE_SHIFT * shift) if extreme else error)
        low, high = value - shift - half, value - shift + half
        if measure.jumps:
            own = np.quantile(redrawn, [TAIL, 1.0 - TAIL], method="weibull")
            low, high = min(low, float(own[0])), max(high, float(own[1]))
        return _within(measure, value, error, low, high)
    # quantiles of exchangeable draws: the order statistic p (n + 1) leaves exactly p outside (Weibull 1939)
    low_draw, high_draw = (float(q) for q in np.quantile(redrawn, [TAIL, 1.0 - TAIL], method="weibull"))
    if measure.scale == "square":
        low, high = (math.sqrt(max(2.0 * value**2 - q**2, 0.0)) for q in (high_draw, low_draw))
    else:
        low, high = 2.0 * value - high_draw, 2.0 * value - low_draw
    if draws.image_sd > 0.0:
        middle, half = 0.5 * (low + high), math.hypot(0.5 * (high - low), NORMAL_95 * draws.image_sd)
        low, high = middle - half, middle + half
    return _within(measure, value, error, low, high)


def _within(measure: IntervalRule, value: float, error: float, low: float, high: float) -> Interval:
    """The interval, kept within the measure's possible values and widened to hold the value itself: where redrawn
    landmarks send the smallest section to another place, the pivot alone would leave it out."""
    low, high = min(low, value), max(high, value)
    lowest = -math.inf if measure.lowest is None else measure.lowest
    highest = math.inf if measure.highest is None else measure.highest
    return Interval(error, min(max(low, lowest), highest), min(max(high, lowest), highest))
