"""Limits of agreement whose intervals do not rest on normal errors: the jackknife by case, from ten cases on.

Estimates are those of `bland_altman` and `bland_altman_replicates`, units those of the values; with fewer cases the
intervals are theirs too. In simulation (results_demo/statistics_coverage.md) the exact interval of a limit covers 89 %
under t5 errors, this one 94-96 %.

Source: `jackknife`; a limit's interval is put together from those of bias and SD by MOVER (Zou 2013, Stat Methods Med
Res 22:630).
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace

import numpy as np

from outflow_cohort.stats.data.cells import Cells
from outflow_cohort.stats.kernels import jackknife
from outflow_cohort.stats.kernels.limits_of_agreement import LimitsOfAgreement, Scale, bland_altman, scaled_differences
from outflow_cohort.stats.kernels.replicate_limits import replicate_limits_of_cells


def pair_limits(
    first: np.ndarray, second: np.ndarray, *, confidence: float, scale: Scale = "difference"
) -> LimitsOfAgreement:
    """`bland_altman` of paired readings, one pair per case."""
    limits = bland_altman(first, second, confidence=confidence, scale=scale)
    if limits.status != "ok" or limits.n < jackknife.FEWEST_CASES:
        return limits
    complete = np.isfinite(first) & np.isfinite(second)
    differences = scaled_differences(first[complete], second[complete], scale)
    counts = np.ones(len(differences))
    _, without = jackknife.nested_variances(differences, counts, 0.0 * counts)
    return with_jackknife(limits, without, differences, len(differences))


def replicate_pair_limits(cells: Cells, first: Hashable, second: Hashable, *, confidence: float) -> LimitsOfAgreement:
    """`bland_altman_replicates` of two readers of the cells."""
    limits = replicate_limits_of_cells(cells, first, second, confidence=confidence).limits
    if limits.status != "ok" or limits.n < jackknife.FEWEST_CASES:
        return limits
    columns = [cells.readers.index(first), cells.readers.index(second)]
    both = (cells.counts[:, columns] > 0).all(axis=1)
    means = (cells.means[both, columns[0]] - cells.means[both, columns[1]]) * cells.scale
    counts = np.ones(len(means))
    _, without = jackknife.nested_variances(means, counts, 0.0 * counts)
    for column in columns:
        reads, squares = cells.counts[both, column], cells.within_ss[both, column] * cells.scale**2
        df = (reads - 1.0).sum() - (reads - 1.0)
        if not (df > 0).all():
            continue
        share = 1.0 - ((1.0 / reads).sum() - 1.0 / reads) / (len(reads) - 1)
        without = without + share * np.maximum(squares.sum() - squares, 0.0) / df
    return with_jackknife(limits, without, means, int(cells.counts[both][:, columns].sum(axis=0).min()))


def with_jackknife(limits: LimitsOfAgreement, without: np.ndarray, means: np.ndarray, pairs: int) -> LimitsOfAgreement:
    """The limits with the jackknife's intervals of SD and limits, where it has any.

    without : variance of one difference without each case; means : the cases' mean differences, unit of the limits;
    pairs : differences of single readings.
    """
    arms = jackknife.limit_arms(limits.sd**2, without, means, limits.confidence, pairs)
    if arms is None:
        return limits
    sd_low, sd_high, inward, outward = arms
    return replace(
        limits, sd_low=sd_low, sd_high=sd_high, limits_interval="jackknife",
        lower_low=limits.lower - outward, lower_high=limits.lower + inward,
        upper_low=limits.upper - inward, upper_high=limits.upper + outward,
    )  # fmt: skip
