"""The agreement table that is read (primary quantities, one phase per case), and all the rest."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from outflow_cohort.stats.agreement.agreement_table import ALL_GROUPS, ONE_PER_CASE
from outflow_cohort.stats.data.settings import PAPER_MEASURES

if TYPE_CHECKING:
    import pandas as pd

CORE_STATISTICS = (
    "icc_a_1", "icc_c_1", "icc_intra_single", "sd_reproducibility", "rdc", "wsd", "rc", "reader_bias", "bias",
    "loa_lower", "loa_upper",
)  # fmt: skip
"""Reliability, precision, bias and limits; components, means of k readers, percent limits and lines are detail."""


def is_primary(measure: pd.Series, variant: pd.Series, primary: Collection[str], main_solid: str) -> pd.Series:
    """Whether each quantity is one of `primary` (MEASURE, or MEASURE/VARIANT; a variant may hold slashes).

    A measure of the device that is named without a variant means that of `main_solid`.
    """
    of_device = set(measure[variant == main_solid])
    plain = measure.isin(primary) & ((variant == main_solid) | ~measure.isin(of_device))
    return plain | (measure + "/" + variant).isin(primary)


def split(table: pd.DataFrame, asked: Collection[str], main_solid: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Core table (what papers report and the study asks) and detail; every row of `table` is in one of the two."""
    primary = {*PAPER_MEASURES, *asked}
    core = is_primary(table["measure"].astype(str), table["variant"].astype(str), primary, main_solid)
    core &= table["statistic"].isin(CORE_STATISTICS)
    core &= (table["phase_rule"] == ONE_PER_CASE) & (table["group"] == ALL_GROUPS)
    return table[core].reset_index(drop=True), table[~core].reset_index(drop=True)
