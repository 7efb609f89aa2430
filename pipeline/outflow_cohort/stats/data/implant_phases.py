"""Tried implants over the phases of a case: one rule for the tables and the pages. Areas mm2."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from outflow_cohort.stats.data.settings import USABLE_STATUSES
from outflow_cohort.study.outputs import CHANCE_BELOW

if TYPE_CHECKING:
    import pandas as pd


def first_reads(rows: pd.DataFrame) -> pd.DataFrame:
    """Each reader's first read of a case; areas that do not count, and their chances, null. rows : of implants/."""
    rows = rows[rows["read_no"] == rows.groupby(["case_id", "reader_id"])["read_no"].transform("min")]
    sound = rows["status"].isin(USABLE_STATUSES)
    numbers = ["area_mm2", *(c for c in rows if c.startswith(CHANCE_BELOW))]
    return rows.assign(**{name: rows[name].where(sound) for name in numbers})


def means_by_phase(rows: pd.DataFrame, implant: Sequence[str]) -> tuple[pd.DataFrame, pd.Series]:
    """Mean over readings of area and chances per implant and phase; and by implant the share of readings it fits in.

    rows : what `first_reads` gives. implant : the columns that name one implant of a case.
    """
    numbers = ["area_mm2", *(c for c in rows if c.startswith(CHANCE_BELOW))]
    keys = [*implant, "phase_pct"]
    known = rows.assign(fits=rows["fits_targets"].astype("Float64"))
    means = known.groupby(keys, dropna=False, sort=True, observed=True)[[*numbers, "fits"]].mean()
    fits = means.groupby(level=list(range(len(implant))), dropna=False)["fits"].mean()
    return means.drop(columns="fits").reset_index(), fits.astype("float64")


def worst_phase(by_phase: pd.DataFrame, implant: Sequence[str]) -> pd.DataFrame:
    """One row per implant: that of its smallest area; a phase whose area is not known counts as the worst."""
    ordered = by_phase.sort_values("area_mm2", na_position="first", kind="stable")
    return ordered.drop_duplicates(list(implant))


def meets_targets(share: pd.Series) -> pd.Series:
    """Whether each implant meets the sizing targets: in half of the readings or more; all do where none has targets."""
    if share.isna().all():
        return share.isna()
    return share.fillna(0.0) >= 0.5
