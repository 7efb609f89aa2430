"""The agreement table that is read (primary quantities, one phase per case), and all the rest."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from outflow_cohort.stats.agreement.agreement_table import ALL_GROUPS, ONE_PER_CASE

if TYPE_CHECKING:
    import pandas as pd

CORE_STATISTICS = (
    "icc_a_1", "icc_c_1", "icc_intra_single", "sd_reproducibility", "rdc", "wsd", "rc", "reader_bias", "bias",
    "loa_lower", "loa_upper",
)  # fmt: skip
"""Reliability, precision, bias and limits; components, means of k readers, percent limits and lines are detail."""


def is_primary(measure: pd.Series, variant: pd.Series, primary: Collection[str]) -> pd.Series:
    """Whether each quantity is one of `primary` (MEASURE, or MEASURE/VARIANT; a variant may hold slashes)."""
    return measure.isin(primary) | (measure + "/" + variant).isin(primary)


def split(table: pd.DataFrame, primary: Collection[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Core table and detail; every row of `table` is in one of the two, in its order."""
    core = is_primary(table["measure"].astype(str), table["variant"].astype(str), primary)
    core &= table["statistic"].isin(CORE_STATISTICS)
    core &= (table["phase_rule"] == ONE_PER_CASE) & (table["group"] == ALL_GROUPS)
    return table[core].reset_index(drop=True), table[~core].reset_index(drop=True)
