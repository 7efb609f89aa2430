"""Baseline table: what the cases of each group are like. Units are those of the columns of the case table.

A number is given as n, missing, mean, SD, median, quartiles; a category as count and share of each level. The
standardised difference takes n - 1 variances (Austin 2009 Stat Med 28:3083; categories: Yang & Dalton 2012 SAS Global
Forum 335); with more than two groups it is the largest over pairs. Tests: Mann-Whitney or Kruskal-Wallis for numbers,
Fisher's exact for categories; Holm over the columns. A p value of a baseline table describes, it does not select.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.one_value import ALL_GROUPS, NOT_STATED
from outflow_cohort.stats.kernels import comparisons
from outflow_cohort.stats.kernels.proportions import share

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings

MOST_LEVELS = 20
"""A text column with more levels than this is a name, not a category, and is left out."""
COLUMNS = [
    "column", "kind", "level", "group", "n", "n_missing", "count", "share", "ci_low", "ci_high", "mean", "sd", "median",
    "q1", "q3", "standardised_difference", "difference_between", "test", "p_value", "p_holm", "status", "definition",
    "source",
]  # fmt: skip
NUMBER_TEXT = "mean and SD (n - 1); median and quartiles (Hyndman & Fan 1996, def. 7)"
CATEGORY_TEXT = "count / cases with a value; Wilson interval"
SOURCES = {
    "mann_whitney": "Mann & Whitney 1947 Ann Math Stat 18:50",
    "kruskal_wallis": "Kruskal & Wallis 1952 JASA 47:583",
    "fisher_exact": "Fisher 1934; r x c: Freeman & Halton 1951 Biometrika 38:141",
    "chi_square": "Pearson 1900 Phil Mag 50:157",
}
COMMON_SOURCE = "standardised difference Austin 2009, Yang & Dalton 2012; Holm 1979; Wilson 1927"


def baseline_columns(cases: pd.DataFrame, settings: StatisticsSettings, left_out: Sequence[str]) -> dict[str, str]:
    """Columns of the baseline table and their kind: number, category."""
    import pandas as pd

    wanted = settings.baseline_columns
    names = [c for c in cases.columns if c not in left_out] if wanted is None else [c for c in wanted if c in cases]
    kinds: dict[str, str] = {}
    for name in names:
        text = _text(cases[name])
        filled = text[text != ""]
        number = pd.to_numeric(filled, errors="coerce")
        levels = filled.nunique()
        if not len(filled) and wanted is None:
            continue
        if name not in settings.categorical_columns and number.notna().all() and levels > 2:
            kinds[name] = "number"
        elif levels <= MOST_LEVELS or wanted is not None:
            kinds[name] = "category"
    return kinds


def _text(column: pd.Series) -> pd.Series:
    filled = column.astype("object").where(column.notna(), "")
    return filled.map(lambda v: f"{v:g}" if isinstance(v, float) else str(v).strip())


def baseline_table(
    cases: pd.DataFrame, groups: pd.Series, settings: StatisticsSettings, left_out: Sequence[str]
) -> pd.DataFrame:
    """One row per column, level and group (and group `all`); differences, tests and p are in the rows of group `all`.

    cases : the case table, case_id and further columns; groups : group by case_id.

    Invented ages in two groups:

    >>> import pandas as pd
    >>> from outflow_cohort.stats import StatisticsSettings
    >>> cases = pd.DataFrame({"case_id": list("abcdef"), "age": ["61", "70", "76", "66", "75", "81"]})
    >>> groups = pd.Series(["one"] * 3 + ["two"] * 3, index=list("abcdef"))
    >>> found = baseline_table(cases, groups, StatisticsSettings(), left_out=["case_id"]).set_index("group")
    >>> round(float(found.loc["one", "mean"]), 1), round(float(found.loc["two", "mean"]), 1)
    (69.0, 74.0)
    """
    import pandas as pd

    group = cases["case_id"].map(groups).fillna(NOT_STATED).to_numpy(dtype=object)
    names = sorted(set(group))
    rows: list[dict[str, Any]] = []
    for column, kind in baseline_columns(cases, settings, left_out).items():
        text = _text(cases[column])
        if kind == "number":
            value = pd.to_numeric(text.where(text != "", None), errors="coerce").to_numpy(np.float64)
            value = np.where(np.isfinite(value), value, np.nan)
            rows += _number_rows(column, value, group, names, settings.fewest_values)
        else:
            rows += _category_rows(column, text.to_numpy(dtype=object), group, names, settings)
    frame = pd.DataFrame(rows, columns=COLUMNS)
    tested = frame["test"].notna()
    frame["p_holm"] = np.nan
    frame.loc[tested, "p_holm"] = comparisons.holm(frame.loc[tested, "p_value"].to_numpy(np.float64))
    for name in ("n", "n_missing", "count"):
        frame[name] = frame[name].astype("Int64")
    for name in ("level", "difference_between", "test"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), "").astype(str)
    return frame


def _number_rows(
    column: str, value: np.ndarray, group: np.ndarray, names: list[str], fewest: int
) -> list[dict[str, Any]]:
    parts = {name: value[(group == name) & np.isfinite(value)] for name in names}
    rows = []
    for name in [ALL_GROUPS, *names] if len(names) > 1 else [ALL_GROUPS]:
        own = value if name == ALL_GROUPS else value[group == name]
        good = np.sort(own[np.isfinite(own)])
        n = len(good)
        q1, median, q3 = np.quantile(good, (0.25, 0.5, 0.75)) if n else (np.nan,) * 3
        rows.append(
            {"column": column, "kind": "number", "level": "", "group": name, "n": n, "n_missing": len(own) - n}
            | {"mean": good.mean() if n else np.nan, "sd": good.std(ddof=1) if n > 1 else np.nan}
            | {"median": median, "q1": q1, "q3": q3, "status": "no_values" if not n else "ok"}
            | {"definition": NUMBER_TEXT, "source": COMMON_SOURCE}
        )
    if len(names) > 1:
        pairs = {(a, b): comparisons.smd_means(parts[a], parts[b]) for a, b in combinations(names, 2)}
        found = _largest(pairs, {name: len(part) for name, part in parts.items()}, fewest)
        filled = [p for p in parts.values() if len(p)]
        two = len(names) == 2
        test = comparisons.mann_whitney(*parts.values()) if two else comparisons.kruskal_wallis(filled)
        rows[0] |= _comparison(found, test)
    return rows


def _category_rows(
    column: str, text: np.ndarray, group: np.ndarray, names: list[str], settings: StatisticsSettings
) -> list[dict[str, Any]]:
    levels = sorted(set(text) - {""})
    table = np.array([[int(((text == v) & (group == g)).sum()) for g in names] for v in levels]).reshape(-1, len(names))
    rows = []
    for i, level in enumerate(levels):
        for name in [ALL_GROUPS, *names] if len(names) > 1 else [ALL_GROUPS]:
            mine = np.ones(len(group), bool) if name == ALL_GROUPS else group == name
            n = int((mine & (text != "")).sum())
            found = share(int((mine & (text == level)).sum()), n, confidence=settings.confidence)
            row = {"column": column, "kind": "category", "level": level, "group": name, "n": n}
            row |= {"n_missing": int(mine.sum()) - n, "count": found.x, "share": found.estimate}
            row |= {"ci_low": found.ci_low, "ci_high": found.ci_high, "status": found.status}
            row |= {"definition": CATEGORY_TEXT, "source": COMMON_SOURCE}
            if i == 0 and name == ALL_GROUPS and len(names) > 1:
                pairs = {
                    (names[a], names[b]): comparisons.smd_shares(table[:, a], table[:, b])
                    for a, b in combinations(range(len(names)), 2)
                }
                sizes = dict(zip(names, table.sum(axis=0).tolist(), strict=True))
                row |= _comparison(_largest(pairs, sizes, settings.fewest_values), comparisons.category_test(table))
            rows.append(row)
    return rows


def _largest(found: dict[tuple[str, str], float], sizes: dict[str, int], fewest: int) -> tuple[str, float, str]:
    """The pair of groups of `fewest` values or more with the largest standardised difference by size, and status."""
    known = {pair: value for pair, value in found.items() if np.isfinite(value)}
    if not known:
        return "", float("nan"), "no_difference_defined"
    large = {pair: value for pair, value in known.items() if min(sizes[name] for name in pair) >= fewest}
    if not large:
        return "", float("nan"), "few_cases"
    pair = max(large, key=lambda p: abs(large[p]))
    return f"{pair[0]} - {pair[1]}", large[pair], "ok"


def _comparison(found: tuple[str, float, str], test: comparisons.TestResult) -> dict[str, Any]:
    kind = next((k for k in SOURCES if test.test.startswith(k)), "")
    status = test.status if test.status != "ok" else found[2]
    return {
        "standardised_difference": found[1],
        "difference_between": found[0],
        "test": test.test,
        "p_value": test.p_value,
        "status": status,
        "source": f"{SOURCES.get(kind, '')}; {COMMON_SOURCE}",
    }
