"""Agreement of two methods on the same readings: reader's path against automatic path, traced against computed area.

A pair is one reading (case, phase, reader, read) measured both ways; a case's pairs are kept together. Bias and limits
are those of pairs nested in cases, whose true value may change from reading to reading; concordance, Deming,
Passing-Bablok and the slope of the bias use one pair per case, the means over its readings. Sources are in the rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.agreement.agreement_rows import NESTED, comparison_rows, limits_rows
from outflow_cohort.stats.agreement.agreement_statistics import STATISTICS, unit_of
from outflow_cohort.stats.agreement.agreement_table import ALL_GROUPS, ONE_PER_CASE, ROW_COLUMNS, one_phase_per_case
from outflow_cohort.stats.kernels.replicate_limits import bland_altman_paired_replicates

if TYPE_CHECKING:
    import pandas as pd

LABELS = ("measure", "variant", "method", "plan_id")
OF_CASE_MEANS = "; of the means of each case's readings"


@dataclass(frozen=True)
class MeasureChoice:
    """A measured quantity: measure, variant and method as in the measurements table."""

    measure: str
    variant: str
    method: str

    def __str__(self) -> str:
        return f"{self.measure} {self.variant} {self.method}"


def method_agreement(
    frame: pd.DataFrame,
    *,
    pairs: Sequence[tuple[MeasureChoice, MeasureChoice]] | None = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Bias, limits, concordance and regressions between two ways of measuring.

    frame : the study's measurements table (measure, variant, method, plan_id, case_id, reader_id, value; phase_pct,
        read_no and unit may be absent), one row per reading.
    pairs : what to compare, first minus second; default every two methods of the same measure and variant. Values
        without a plan are compared with those of every plan.

    Returns rows as `agreement_table` does: measure, variant, method ("A - B"), plan_id, phase_rule, phase_pct, group,
    statistic, comparison (methods, or all of measure, variant and method where those differ), n_readings (pairs) and
    the other columns of that table. Raises KeyError for an absent column.

    Two invented methods, the first 4 mm2 larger on average:

    >>> import pandas as pd
    >>> pairs = [(250.0, 247.0), (310.0, 305.0), (190.0, 187.0), (270.0, 265.0)]
    >>> rows = [("area", "", m, "", c, "A", v) for c, pair in enumerate(pairs) for m, v in zip(("auto", "drawn"), pair)]
    >>> names = ["measure", "variant", "method", "plan_id", "case_id", "reader_id", "value"]
    >>> found = method_agreement(pd.DataFrame(rows, columns=names)).set_index("statistic")
    >>> abs(round(float(found.loc["bias", "estimate"]), 3))
    4.0
    """
    import pandas as pd

    needed = ["measure", "variant", "method", "plan_id", "case_id", "reader_id", "value"]
    absent = [column for column in needed if column not in frame.columns]
    if absent:
        raise KeyError(f"columns {absent} not in the frame; it has {list(frame.columns)}")
    table = pd.DataFrame(
        {
            **{
                c: frame[c].astype(object).where(frame[c].notna(), "")
                for c in ("measure", "variant", "method", "plan_id")
            },
            "_case": pd.factorize(frame["case_id"], sort=True)[0],
            "_reader": pd.factorize(frame["reader_id"], sort=True)[0],
            "_phase": pd.to_numeric(frame["phase_pct"], errors="coerce").fillna(-1.0) if "phase_pct" in frame else -1.0,
            "_read": pd.to_numeric(frame["read_no"], errors="coerce").fillna(1.0) if "read_no" in frame else 1.0,
            "_value": pd.to_numeric(frame["value"], errors="coerce"),
            "unit": frame["unit"].fillna("") if "unit" in frame else "",
        }
    )
    if pairs is None:
        pairs = _same_measure_pairs(table)
    rows: list[dict[str, Any]] = []
    for first, second in pairs:
        a, b = (table[_is(table, choice)] for choice in (first, second))
        keys = ["_case", "_phase", "_reader", "_read"]
        if (a["plan_id"] != "").any() and (b["plan_id"] != "").any():
            keys.append("plan_id")
        joined = a.merge(b, on=keys, suffixes=("_a", "_b"), how="inner")
        if "plan_id" not in joined:
            joined["plan_id"] = np.where(joined["plan_id_a"] != "", joined["plan_id_a"], joined["plan_id_b"])
        for plan, part in joined.groupby("plan_id", sort=True):
            rows += _rows_of(first, second, str(plan), part, confidence)
    order = [*LABELS, *ROW_COLUMNS]
    return pd.DataFrame(rows, columns=order)


def _is(table: pd.DataFrame, choice: MeasureChoice) -> pd.Series:
    return (
        (table["measure"] == choice.measure) & (table["variant"] == choice.variant) & (table["method"] == choice.method)
    )


def _same_measure_pairs(table: pd.DataFrame) -> list[tuple[MeasureChoice, MeasureChoice]]:
    pairs = []
    for (measure, variant), group in table.groupby(["measure", "variant"], sort=True):
        for first, second in combinations(sorted(set(group["method"])), 2):
            pairs.append((MeasureChoice(measure, variant, first), MeasureChoice(measure, variant, second)))
    return pairs


def _rows_of(
    first: MeasureChoice, second: MeasureChoice, plan: str, part: pd.DataFrame, confidence: float
) -> list[dict[str, Any]]:
    part = part[np.isfinite(part["_value_a"].to_numpy()) & np.isfinite(part["_value_b"].to_numpy())]
    part = one_phase_per_case(part.assign(_value=part["_value_a"]))
    limits = bland_altman_paired_replicates(
        part["_case"].to_numpy(), part["_value_a"].to_numpy(), part["_value_b"].to_numpy(), confidence=confidence
    ).limits
    same = (first.measure, first.variant) == (second.measure, second.variant)
    comparison = f"{first.method} - {second.method}" if same else f"{first} - {second}"
    n_readers = int(part["_reader"].nunique())
    rows = limits_rows(limits, comparison, (limits.n, n_readers, len(part)), NESTED)
    means = part.groupby("_case", sort=True)[["_value_a", "_value_b"]].mean().to_numpy(np.float64)
    of_means = [
        replace(row, n_cases=len(means), n_readers=n_readers, n_readings=len(part))
        for row in comparison_rows(means[:, 0], means[:, 1], comparison, confidence, regressions=True)
    ]
    units = sorted(set(part["unit_a"]) | set(part["unit_b"]))
    unit = units[0] if len(units) == 1 else "mixed" if units else ""
    common = {
        "measure": first.measure, "variant": first.variant, "method": f"{first.method} - {second.method}",
        "plan_id": plan, "phase_rule": ONE_PER_CASE, "phase_pct": np.nan, "group": ALL_GROUPS,
    }  # fmt: skip
    described = []
    for row, suffix in [(r, "") for r in rows] + [(r, OF_CASE_MEANS) for r in of_means]:
        statistic = STATISTICS[row.statistic]
        described.append(
            common
            | vars(row)
            | {
                "unit": unit_of(row.statistic, unit),
                "definition": statistic.definition.removesuffix(", first reads") + suffix,
                "source": statistic.source,
            }
        )
    return described
