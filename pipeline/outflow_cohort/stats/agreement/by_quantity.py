"""Agreement of readers, check of intervals and agreement of methods of a study, one measured quantity at a time."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from outflow_cohort.stats.agreement.agreement_table import (
    EACH_PHASE,
    ONE_PER_CASE,
    ROW_COLUMNS,
    AgreementSettings,
    agreement_table,
)
from outflow_cohort.stats.agreement.method_agreement_table import LABELS, MeasureChoice, method_agreement
from outflow_cohort.stats.data.dask_scheduler import compute_each
from outflow_cohort.stats.data.measure_files import MeasureFiles
from outflow_cohort.stats.data.one_value import NOT_STATED
from outflow_cohort.stats.data.settings import StatisticsSettings

if TYPE_CHECKING:
    import pandas as pd

TRACED = "traced_area"


def joined(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """Pieces of a table one below the other; without any row the first piece, for its columns."""
    import pandas as pd

    filled = [f for f in frames if len(f)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


def several_methods(values: pd.DataFrame) -> list[str]:
    """Measures with two methods of one variant, sorted; last traced_area where there is an area to hold it against."""
    quantities = values[["measure", "variant", "method"]].drop_duplicates().astype(str)
    several = quantities.groupby(["measure", "variant"])["method"].transform("size") > 1
    wanted = sorted(set(quantities[several]["measure"]))
    if {TRACED, "neo_lvot_area"} <= set(quantities["measure"]):
        wanted.append(TRACED)
    return wanted


def quantities_compared(
    files: MeasureFiles, groups: pd.Series, several: list[str], settings: StatisticsSettings, scheduler: str | None
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Agreement of readers, check of single intervals and agreement of methods, one quantity at a time: memory is
    bounded by the readings of one quantity, and each is read once.

    several : measures of which methods are compared.
    """
    function = partial(_compared, files=files, groups=groups, several=frozenset(several), settings=settings)
    agreements, intervals, methods = zip(*compute_each(function, files.quantities(), scheduler), strict=True)
    traced = files.quantities(TRACED) if TRACED in several else []
    against_areas = compute_each(partial(_traced_of, files=files, settings=settings), traced, scheduler)
    of_methods = [m for m in (*methods, *against_areas) if m is not None] or [_methods_of_none()]
    return joined(list(agreements)), joined(list(intervals)), joined(of_methods)


def _compared(
    quantity: tuple[str, str],
    *,
    files: MeasureFiles,
    groups: pd.Series,
    several: frozenset[str],
    settings: StatisticsSettings,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame | None]:
    from outflow_cohort.stats.agreement.interval_check import interval_check

    frame = files.readings(*quantity, intervals=True)
    methods = quantity[0] in several and quantity[0] != TRACED
    return (
        agreement_of(frame, groups, settings),
        interval_check(frame, settings.confidence),
        method_agreement(frame, confidence=settings.confidence) if methods else None,
    )


def _traced_of(quantity: tuple[str, str], *, files: MeasureFiles, settings: StatisticsSettings) -> pd.DataFrame:
    """The traced area against each computed one."""
    import pandas as pd

    frame, areas = files.readings(*quantity), files.readings("neo_lvot_area")
    traced, computed = (
        sorted({MeasureChoice(*key) for key in zip(f["measure"], f["variant"], f["method"], strict=True)}, key=str)
        for f in (frame, areas)
    )
    pairs = [(a, b) for a in traced for b in computed]
    both = pd.concat([frame, areas], ignore_index=True)
    return method_agreement(both, pairs=pairs, confidence=settings.confidence)


def _methods_of_none() -> pd.DataFrame:
    """The table of methods without rows."""
    import pandas as pd

    return pd.DataFrame([], columns=[*LABELS, *ROW_COLUMNS])


def agreement_of(frame: pd.DataFrame, groups: pd.Series, settings: StatisticsSettings) -> pd.DataFrame:
    """Agreement of the readings of one quantity, as the settings ask for it."""

    chosen = AgreementSettings(
        confidence=settings.confidence,
        phase_rules=(ONE_PER_CASE, EACH_PHASE) if settings.each_phase else (ONE_PER_CASE,),
        by_group=settings.by_group,
        regressions=settings.regressions,
    )
    if settings.by_group:
        frame = frame.assign(group=frame["case_id"].astype(str).map(groups).fillna(NOT_STATED))
    return agreement_table(frame, n_boot=settings.n_boot, seed=settings.seed, settings=chosen)
