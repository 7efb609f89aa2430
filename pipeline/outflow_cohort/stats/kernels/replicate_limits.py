"""Limits of agreement where cases are read several times by each of two readers or methods.

The limits are those of one reading of each on the same case. Differences are first minus second.

Sources: Bland & Altman 1999, Stat Methods Med Res 8:135, sec. 5; Zou 2013, Stat Methods Med Res 22:630.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.stats.data.cells import Cells, cells_of_frame, usable_numbers
from outflow_cohort.stats.kernels import jackknife
from outflow_cohort.stats.kernels.limits_of_agreement import (
    LimitsOfAgreement,
    _normal_quantile,
    _t_quantile,
    _undefined,
    variance_interval,
)

if TYPE_CHECKING:
    import pandas as pd

SOURCE = "Bland & Altman 1999 Stat Methods Med Res 8:135 sec. 5; Zou 2013 Stat Methods Med Res 22:630"


@dataclass(frozen=True)
class ReplicateLimits:
    """Limits of single readings from replicates, with what they are made of.

    limits : bias, limits and their MOVER intervals. variance_of_means : of the case's differences of means.
    within_first, within_second : variance of repeated reads. between, within : components of the paired form.
    mean_inverse_first, mean_inverse_second : mean of 1/reads over the cases.
    """

    limits: LimitsOfAgreement
    variance_of_means: float
    within_first: float
    within_second: float
    mean_inverse_first: float
    mean_inverse_second: float
    total_variance: float


FEWEST_REPEATS = 0.5
"""Repeats per shared case from which their variance is known well enough to be added; with one re-read case in 20 its
single degree of freedom would make the limits' interval several times wider than that of the first reads alone."""


def enough_repeats(counts: np.ndarray) -> bool:
    """Whether the reads (n_cases, 2) of two readers hold enough repeats for limits of replicates: each reader who
    repeated at all did so in FEWEST_REPEATS of the shared cases or more."""
    both = (counts > 0).all(axis=1)
    repeats = (counts[both] - 1).sum(axis=0)
    return bool((repeats > 0).any() and ((repeats == 0) | (repeats >= FEWEST_REPEATS * both.sum())).all())


def bland_altman_replicates(
    frame: pd.DataFrame,
    first: Hashable,
    second: Hashable,
    *,
    case: str = "case_id",
    reader: str = "reader_id",
    value: str = "value",
    multiplier: float | None = None,
    confidence: float = 0.95,
) -> ReplicateLimits:
    """Limits for single readings of two readers who each read a case any number of times (1999, sec. 5.1).

    The true value is constant over a case's reads; reads are exchangeable. Cases read by only one of the two are left
    out and counted in `note`. A reader without any repeat gives the single-pair result for its share (no correction is
    then needed or possible). With few repeats (see `enough_repeats`) the interval is very wide: use first reads then.

    Raises KeyError for an absent column. Data never raise: see limits.status.

    Invented readings. The means of two reads differ by 3, 1 and 5 (variance 4); half of each reader's variance within
    a case (2 and 2) is added, so the SD is the root of 6:

    >>> import pandas as pd
    >>> reads = {"A": [(102, 104), (110, 112), (124, 126)], "B": [(99, 101), (109, 111), (119, 121)]}
    >>> rows = [(case, reader, v) for reader, own in reads.items() for case, pair in enumerate(own) for v in pair]
    >>> frame = pd.DataFrame(rows, columns=["case_id", "reader_id", "value"])
    >>> found = bland_altman_replicates(frame, "A", "B").limits
    >>> round(float(found.bias), 3), round(float(found.sd) ** 2, 3)
    (3.0, 6.0)
    """
    kept = frame[frame[reader].isin([first, second])]
    cells = cells_of_frame(kept, case=case, reader=reader, value=value)
    return replicate_limits_of_cells(cells, first, second, multiplier=multiplier, confidence=confidence)


def replicate_limits_of_cells(
    cells: Cells, first: Hashable, second: Hashable, *, multiplier: float | None = None, confidence: float = 0.95
) -> ReplicateLimits:
    """`bland_altman_replicates` of readings already gathered in cells (other readers in them are ignored)."""
    z = _normal_quantile(0.975) if multiplier is None else float(multiplier)
    nan = float("nan")
    if first not in cells.readers or second not in cells.readers:
        undefined = _undefined(0, z, "difference", "mover", confidence, "too_few_pairs", cells.note)
        return ReplicateLimits(
            limits=undefined,
            variance_of_means=nan,
            within_first=nan,
            within_second=nan,
            mean_inverse_first=nan,
            mean_inverse_second=nan,
            total_variance=nan,
        )
    a, b = cells.readers.index(first), cells.readers.index(second)
    both = (cells.counts[:, a] > 0) & (cells.counts[:, b] > 0)
    n = int(both.sum())
    n_single = int(((cells.counts[:, a] > 0) ^ (cells.counts[:, b] > 0)).sum())
    note = "; ".join(filter(None, [cells.note, f"{n_single} case(s) read by one of the two only" if n_single else ""]))
    if n < 2:
        undefined = _undefined(n, z, "difference", "mover", confidence, "too_few_pairs", note)
        return ReplicateLimits(
            limits=undefined,
            variance_of_means=nan,
            within_first=nan,
            within_second=nan,
            mean_inverse_first=nan,
            mean_inverse_second=nan,
            total_variance=nan,
        )
    differences = cells.means[both, a] - cells.means[both, b]
    parts = [(float(differences.var(ddof=1)), n - 1, 1.0)]
    within, inverse = [], []
    for column in (a, b):
        df = int((cells.counts[both, column] - 1).sum())
        # Bland & Altman 1999, sec. 5.1 for unequal repeats: 1 - mean(1/m), not 1 - 1/mean(m).
        mean_inverse = float(np.mean(1.0 / cells.counts[both, column]))
        variance = float(cells.within_ss[both, column].sum() / df) if df else nan
        within.append(variance)
        inverse.append(mean_inverse)
        if df and mean_inverse < 1.0:
            parts.append((variance, df, 1.0 - mean_inverse))
    unit = cells.scale
    limits = _mover(
        float(differences.mean()) * unit, n, [(v * unit**2, df, c) for v, df, c in parts], z, confidence, note
    )
    return ReplicateLimits(
        limits=limits,
        variance_of_means=parts[0][0] * unit**2,
        within_first=within[0] * unit**2,
        within_second=within[1] * unit**2,
        mean_inverse_first=inverse[0],
        mean_inverse_second=inverse[1],
        total_variance=limits.sd**2,
    )


def _mover(
    bias: float, n: int, parts: list[tuple[float, int, float]], z: float, confidence: float, note: str
) -> LimitsOfAgreement:
    """Limits and intervals of a total variance sum(c * variance); parts = (variance, df, c), that of means first."""
    total = sum(c * variance for variance, _, c in parts)
    bias_se = float(np.sqrt(parts[0][0] / n))
    half = _t_quantile(confidence, n - 1) * bias_se
    below, above = 0.0, 0.0
    for variance, df, c in parts:
        low, high = variance_interval(variance, df, confidence)
        below += (c * (variance - low)) ** 2  # Zou 2013, eq. 5
        above += (c * (high - variance)) ** 2
    sd = float(np.sqrt(total))
    sd_low = float(np.sqrt(max(total - np.sqrt(below), 0.0)))
    sd_high = float(np.sqrt(total + np.sqrt(above)))
    normal_half = _normal_quantile((1 + confidence) / 2) * bias_se
    inner = z * sd - float(np.hypot(normal_half, z * (sd - sd_low)))
    outer = z * sd + float(np.hypot(normal_half, z * (sd_high - sd)))
    status = "ok" if sd > 0 else "no_spread"
    return LimitsOfAgreement(
        n=n,
        bias=bias,
        bias_se=bias_se,
        bias_low=bias - half,
        bias_high=bias + half,
        sd=sd,
        sd_low=sd_low,
        sd_high=sd_high,
        multiplier=z,
        lower=bias - z * sd,
        lower_low=bias - outer,
        lower_high=bias - inner,
        upper=bias + z * sd,
        upper_low=bias + inner,
        upper_high=bias + outer,
        scale="difference",
        limits_interval="mover",
        confidence=confidence,
        status=status,
        note=note,
    )


@dataclass(frozen=True)
class PairedReplicateLimits:
    """Limits from pairs of readings taken together, several a case, whose true value may change between pairs.

    mean_square_between, mean_square_within : one-way analysis of variance of the differences by case.
    effective_repeats : m0 of unequal numbers of pairs. between, total : variance components.
    """

    limits: LimitsOfAgreement
    mean_square_between: float
    mean_square_within: float
    effective_repeats: float
    between: float
    total_variance: float


def bland_altman_paired_replicates(
    case: np.ndarray,
    first: np.ndarray,
    second: np.ndarray,
    *,
    multiplier: float | None = None,
    confidence: float = 0.95,
) -> PairedReplicateLimits:
    """Limits where each case has several pairs and the true value varies from pair to pair, as over the phases of a
    heart cycle (1999, sec. 5.2; bias = mean of all differences). Intervals of SD and limits: jackknife by case with ten
    cases or more and the default multiplier, else MOVER.

    case, first, second : equally long sequences, one entry per pair; incomplete pairs are left out.

    Invented readings; bias = mean of all differences (1, 3, 2, 4, 6, 8):

    >>> case = np.array([1, 1, 2, 2, 3, 3])
    >>> second = np.array([300.0, 280, 410, 390, 205, 190])
    >>> found = bland_altman_paired_replicates(case, second + [1, 3, 2, 4, 6, 8], second)
    >>> [round(float(x), 3) for x in (found.limits.bias, found.mean_square_between, found.mean_square_within)]
    [4.0, 14.0, 2.0]
    """
    import pandas as pd

    codes, labels = pd.factorize(np.asarray(case), sort=True)
    differences = usable_numbers(first) - usable_numbers(second)
    complete = np.isfinite(differences) & (codes >= 0)
    n_left_out = int((~complete).sum())
    note = f"{n_left_out} incomplete pair(s) left out" if n_left_out else ""
    z = _normal_quantile(0.975) if multiplier is None else float(multiplier)
    codes, differences = codes[complete], differences[complete]
    counted = np.bincount(codes, minlength=len(labels))
    seen = counted > 0
    counts, nan = counted[seen].astype(np.float64), float("nan")
    n, total_count = len(counts), counts.sum()
    if n < 2:
        limits = _undefined(n, z, "difference", "mover", confidence, "too_few_pairs", note)
        return PairedReplicateLimits(
            limits=limits,
            mean_square_between=nan,
            mean_square_within=nan,
            effective_repeats=nan,
            between=nan,
            total_variance=nan,
        )
    bias = float(differences.mean())
    # Sums of deviations from the mean: large values that differ little keep their digits.
    means = bias + np.bincount(codes, differences - bias, len(labels))[seen] / counts
    own_mean = np.zeros(len(labels))
    own_mean[seen] = means
    squares = np.bincount(codes, (differences - own_mean[codes]) ** 2, len(labels))[seen]
    between_square = float((counts * (means - bias) ** 2).sum() / (n - 1))
    df = int(total_count - n)
    within = float(squares.sum() / df) if df else 0.0
    repeats = float((total_count**2 - (counts**2).sum()) / ((n - 1) * total_count))
    between = max((between_square - within) / repeats, 0.0)
    mean_inverse = float(np.mean(1.0 / counts))
    parts = [(float(means.var(ddof=1)), n - 1, 1.0)] + ([(within, df, 1.0 - mean_inverse)] if df else [])
    spread = _mover(bias, n, parts, z, confidence, note)
    sd = float(np.sqrt(between + within))
    robust = jackknife.nested_limits(means, counts, squares, confidence) if multiplier is None else None
    if robust is not None:
        sd_low, sd_high, inward, outward = robust
        inner, outer, how = inward - z * sd, outward + z * sd, "jackknife"
    else:
        # The interval's arms are those of Zou's estimate of the total variance, laid at the published estimate.
        inner, outer, how = (
            (spread.upper - spread.upper_low) - z * sd,
            (spread.upper_high - spread.upper) + z * sd,
            "mover",
        )
        sd_low, sd_high = max(sd + spread.sd_low - spread.sd, 0.0), sd + spread.sd_high - spread.sd
    limits = LimitsOfAgreement(
        n=n,
        bias=bias,
        bias_se=spread.bias_se,
        bias_low=spread.bias_low,
        bias_high=spread.bias_high,
        sd=sd,
        sd_low=sd_low,
        sd_high=sd_high,
        multiplier=z,
        lower=bias - z * sd,
        lower_low=bias - outer,
        lower_high=bias + inner,
        upper=bias + z * sd,
        upper_low=bias - inner,
        upper_high=bias + outer,
        scale="difference",
        limits_interval=how,
        confidence=confidence,
        status=spread.status,
        note=note,
    )
    return PairedReplicateLimits(
        limits=limits,
        mean_square_between=between_square,
        mean_square_within=within,
        effective_repeats=repeats,
        between=between,
        total_variance=between + within,
    )
