"""Agreement of readers for every measure of a study, as one tidy table.

Readers are crossed with cases. Phases of a case are never independent readings: each analysis holds one phase per case.
phase_rule "one_per_case" takes, for every case, the phase most readers read (then most readings, then the earliest);
"each_phase" repeats the analysis within every phase that at least two cases were read in. Values that belong to the
whole case (empty phase) are used as they are. Sources are in the rows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.agreement.agreement_rows import agreement_rows
from outflow_cohort.stats.agreement.agreement_statistics import STATISTICS, unit_of

if TYPE_CHECKING:
    import pandas as pd

ONE_PER_CASE = "one_per_case"
EACH_PHASE = "each_phase"
ALL_GROUPS = "all"
NO_PHASE = -1.0
"""Stands for an empty phase while grouping; a phase is a percentage, never negative."""


ROW_COLUMNS = [
    "phase_rule", "phase_pct", "group", "statistic", "comparison", "estimate", "std_error", "ci_low", "ci_high",
    "interval", "df", "p_value", "excess_kurtosis", "n_cases", "n_readers", "n_readings", "unit", "model", "definition",
    "source", "status",
]  # fmt: skip


@dataclass(frozen=True)
class AgreementSettings:
    """Choices of the agreement table.

    confidence : of the intervals. phase_rules : which of one_per_case, each_phase. by_group : also within each value of
    the frame's `group` column. regressions : Deming and Passing-Bablok rows for every pair of readers.
    """

    confidence: float = 0.95
    phase_rules: tuple[str, ...] = (ONE_PER_CASE,)
    by_group: bool = False
    regressions: bool = False


def agreement_table(
    frame: pd.DataFrame,
    *,
    measures_columns: Sequence[str] = ("measure", "variant", "method", "plan_id"),
    case: str = "case_id",
    phase: str = "phase_pct",
    reader: str = "reader_id",
    read: str = "read_no",
    value: str = "value",
    unit: str = "unit",
    group: str = "group",
    n_boot: int = 2000,
    seed: int = 20240229,
    settings: AgreementSettings | None = None,
) -> pd.DataFrame:
    """Variance components, ICC forms, bias and limits, repeatability, reproducibility, concordance and regressions.

    frame : one row per reading, the study's `measurements` table. Missing and infinite values are left out. Columns
        phase, read, unit and group may be absent (one phase, one read, no unit, one group).
    n_boot : draws of the case bootstrap of the coefficients of variation that have no closed interval; 0 = none.

    Returns tidy rows, sorted: the measures_columns and ROW_COLUMNS: phase_pct is null under one_per_case, interval says
    how ci_* were found, status is "ok" or why a figure is missing or a limit. Raises KeyError for an absent column and
    ValueError for an unknown phase rule.

    Judges of Shrout & Fleiss 1979 as readers of an invented measure (ICC(2,1) = 0.29):

    >>> import pandas as pd
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> rows = [("m", "", "", "", c, r, float(v)) for c, row in enumerate(table) for r, v in enumerate(row)]
    >>> names = ["measure", "variant", "method", "plan_id", "case_id", "reader_id", "value"]
    >>> found = agreement_table(pd.DataFrame(rows, columns=names), n_boot=0).set_index("statistic")
    >>> round(float(found.loc["icc_a_1", "estimate"]), 2)
    0.29
    """
    import pandas as pd

    settings = settings or AgreementSettings()
    measures_columns = list(measures_columns)
    unknown = set(settings.phase_rules) - {ONE_PER_CASE, EACH_PHASE}
    if unknown:
        raise ValueError(f"phase_rules holds {sorted(unknown)}; {ONE_PER_CASE} and {EACH_PHASE} are known")
    absent = [column for column in [*measures_columns, case, reader, value] if column not in frame.columns]
    if absent:
        raise KeyError(f"columns {absent} not in the frame; it has {list(frame.columns)}")
    reader_codes, names = pd.factorize(frame[reader], sort=True)
    reader_names = np.asarray(names, dtype=object)
    table = pd.DataFrame(
        {
            **{column: frame[column].astype(object).where(frame[column].notna(), "") for column in measures_columns},
            # Codes in the order of the names: quicker to select by than text.
            "_case": pd.factorize(frame[case], sort=True)[0],
            "_reader": reader_codes,
            "_phase": _numbers(frame, phase, NO_PHASE),
            "_read": _numbers(frame, read, 1.0),
            "_value": pd.to_numeric(frame[value], errors="coerce").to_numpy(np.float64),
            "_unit": frame[unit].fillna("").to_numpy() if unit in frame.columns else "",
            "_group": frame[group].fillna("").astype(str).to_numpy() if group in frame.columns else ALL_GROUPS,
        }
    )
    table = table[(table["_case"] >= 0) & (table["_reader"] >= 0)]
    rows: list[dict[str, Any]] = []
    for key, measured in table.groupby(measures_columns, sort=True):
        quantity = dict(zip(measures_columns, key, strict=True))
        units = sorted(set(measured["_unit"]))
        own_unit = units[0] if len(units) == 1 else "mixed"
        for rule, phase_pct, group_name, part in _slices(measured, settings):
            found = agreement_rows(
                part["_case"].to_numpy(),
                reader_names[part["_reader"].to_numpy()],
                part["_read"].to_numpy(),
                part["_value"].to_numpy(),
                confidence=settings.confidence,
                n_draws=n_boot,
                seed=seed,
                regressions=settings.regressions,
            )
            common = {**quantity, "phase_rule": rule, "phase_pct": phase_pct, "group": group_name, "_unit": own_unit}
            rows += [common | vars(row) for row in found]
    order = [*measures_columns, *ROW_COLUMNS]
    if not rows:
        return pd.DataFrame({column: pd.Series(dtype=object) for column in order})
    result = pd.DataFrame(rows)
    result["unit"] = [unit_of(s, u) for s, u in zip(result["statistic"], result["_unit"], strict=True)]
    result["definition"] = result["statistic"].map({name: s.definition for name, s in STATISTICS.items()})
    result["source"] = result["statistic"].map({name: s.source for name, s in STATISTICS.items()})
    return result[order]


def _numbers(frame: pd.DataFrame, column: str, otherwise: float) -> np.ndarray | float:
    import pandas as pd

    if column not in frame.columns:
        return otherwise
    result: np.ndarray | float = pd.to_numeric(frame[column], errors="coerce").fillna(otherwise).to_numpy(np.float64)
    return result


def _slices(measured: pd.DataFrame, settings: AgreementSettings) -> Iterator[tuple[str, float, str, pd.DataFrame]]:
    """Analyses of one measure: (phase rule, phase or NaN, group, readings with one phase per case)."""
    groups = [(ALL_GROUPS, measured)]
    names = sorted(set(measured["_group"]) - {ALL_GROUPS})
    if settings.by_group and len(names) > 1:
        groups += [(name, measured[measured["_group"] == name]) for name in names]
    for group_name, part in groups:
        phases = sorted(set(part["_phase"]) - {NO_PHASE})
        if ONE_PER_CASE in settings.phase_rules:
            yield ONE_PER_CASE, np.nan, group_name, one_phase_per_case(part)
        if EACH_PHASE in settings.phase_rules and len(phases) > 1:
            for phase in phases:
                within = part[part["_phase"] == phase]
                if within["_case"].nunique() > 1:
                    yield EACH_PHASE, float(phase), group_name, within


def one_phase_per_case(part: pd.DataFrame) -> pd.DataFrame:
    """Readings of the phase of each case that most readers read; ties: most readings, then the earliest phase."""
    if part["_phase"].nunique() <= 1:
        return part
    import pandas as pd

    case = pd.factorize(part["_case"], sort=True)[0]
    phases, phase = np.unique(part["_phase"].to_numpy(np.float64), return_inverse=True)
    reader = pd.factorize(part["_reader"])[0]
    named = case >= 0
    finite = np.isfinite(part["_value"].to_numpy(np.float64)) & named & (reader >= 0)
    place = case * len(phases) + phase
    size = (case.max(initial=-1) + 1) * len(phases)
    n_readings = np.bincount(place[finite], minlength=size)
    cells = np.unique(place[finite] * (reader.max(initial=-1) + 1) + reader[finite])
    n_readers = np.bincount(cells // (reader.max(initial=-1) + 1), minlength=size)
    # The first phase of those with most readers, then most readings: readings weigh less than one reader.
    rank = (n_readers * (n_readings.max(initial=0) + 1) + n_readings).reshape(-1, len(phases))
    chosen = np.where(rank.max(axis=1, initial=0) > 0, rank.argmax(axis=1), -1)
    return part[named & (chosen[case] == phase)]
