"""Who is missing, and why: gaps of measures and of columns of the case table by group, and how these cases differ.

Shares have unit 1. A gap is never filled silently: models say whether they rest on complete cases or filled copies.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.cohort.associations import numeric_columns
from outflow_cohort.stats.data.one_value import ALL_GROUPS, NOT_STATED, SERIES, is_plain
from outflow_cohort.stats.kernels.comparisons import mann_whitney, smd_means
from outflow_cohort.stats.kernels.proportions import SOURCE as SHARE_SOURCE
from outflow_cohort.stats.kernels.proportions import share

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings

COLUMNS = [
    "group", *SERIES, "column", "statistic", "reason", "estimate", "ci_low", "ci_high", "p_value", "count", "n",
    "status", "definition", "source",
]  # fmt: skip
DIFFERENCE_SOURCE = "standardised difference Austin 2009 Stat Med 28:3083; Mann & Whitney 1947 Ann Math Stat 18:50"
NO_ROW = "not_measured"
"""Reason of a case that has no row of a quantity: no reading of it, or set aside before measuring."""


def missing_table(
    cases: pd.DataFrame, chosen: pd.DataFrame, groups: pd.Series, settings: StatisticsSettings, left_out: Sequence[str]
) -> pd.DataFrame:
    """Rows share_missing by group, quantity (or column) and reason, and difference_of_missing: columns of the cases
    without a value against those with one (only where there are gaps).

    chosen : frame of `one_value_a_case`. Quantities that no case has, and columns without a gap, have no rows.
    """
    import pandas as pd

    names = cases["case_id"].astype(str)
    group = names.map(groups).fillna(NOT_STATED).to_numpy(dtype=object)
    numbers = numeric_columns(cases, left_out).reindex(names)
    rows: list[dict[str, Any]] = []
    plain = chosen[is_plain(chosen["variant"])]
    for key, part in plain.groupby(SERIES, sort=True, observed=True):
        if not part["value"].notna().any():
            continue
        own = part.set_index(part["case_id"].astype(str))
        reason = np.array(
            [NO_ROW if n not in own.index else str(own.at[n, "missing"]) for n in names], dtype=object
        )  # fmt: skip
        quantity = dict(zip(SERIES, map(str, key), strict=True)) | {"column": ""}
        rows += [quantity | row for row in _share_rows(reason, group, settings)]
        rows += [quantity | row for row in _difference_rows(reason != "", numbers, settings)]
    for column in cases.columns:
        text = cases[column].astype("object").where(cases[column].notna(), "").map(lambda v: str(v).strip())
        empty = (text == "").to_numpy()
        if column in ("case_id", "row", "file", "key") or not empty.any() or empty.all():
            continue
        named = dict.fromkeys(SERIES, "") | {"column": str(column)}
        rows += [named | row for row in _share_rows(np.where(empty, "empty_cell", ""), group, settings)]
    frame = pd.DataFrame(rows, columns=COLUMNS)
    for name in ("count", "n"):
        frame[name] = frame[name].astype("Int64")
    return frame


def _share_rows(reason: np.ndarray, group: np.ndarray, settings: StatisticsSettings) -> list[dict[str, Any]]:
    names = sorted(set(group.tolist()))
    rows = []
    for name in [ALL_GROUPS, *names] if len(names) > 1 else [ALL_GROUPS]:
        mine = np.ones(len(group), bool) if name == ALL_GROUPS else group == name
        for why in sorted(set(reason[mine].tolist()) - {""}):
            found = share(int((reason[mine] == why).sum()), int(mine.sum()), confidence=settings.confidence)
            rows.append(
                {"group": name, "statistic": "share_missing", "reason": why, "estimate": found.estimate}
                | {"ci_low": found.ci_low, "ci_high": found.ci_high, "count": found.x, "n": found.n, "status": "ok"}
                | {"definition": "cases without a value for this reason / cases of the group", "source": SHARE_SOURCE}
            )
    return rows


def _difference_rows(gone: np.ndarray, numbers: pd.DataFrame, settings: StatisticsSettings) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    if not gone.any():
        return rows
    for column in numbers.columns:
        value = numbers[column].to_numpy(np.float64)
        lost, kept = (v[np.isfinite(v)] for v in (value[gone], value[~gone]))
        few = min(len(lost), len(kept)) < settings.fewest_values
        difference = float("nan") if few else smd_means(lost, kept)
        test = mann_whitney(lost, kept)
        status = "few_cases" if few else "ok" if np.isfinite(difference) else "no_difference_defined"
        text = f"{column} of cases without a value less that of cases with one, standardised"
        rows.append(
            {"group": ALL_GROUPS, "column": str(column), "statistic": "difference_of_missing", "reason": ""}
            | {"estimate": difference, "p_value": test.p_value if not few else float("nan"), "count": len(lost)}
            | {"n": len(lost) + len(kept), "status": status, "definition": text, "source": DIFFERENCE_SOURCE}
        )
    return rows
