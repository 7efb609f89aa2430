"""Rank and linear correlation of measures with each other and with numbers of the case table.

Sources: Spearman 1904 Am J Psychol 15:72; interval of the rank correlation after Bonett & Wright 2000 Psychometrika
65:23; Pearson with Fisher's z (Fisher 1921 Metron 1:3); Holm 1979 Scand J Stat 6:65 within the
families that the settings name.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from functools import lru_cache
from math import lgamma
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.one_value import SERIES, is_plain
from outflow_cohort.stats.kernels.comparisons import holm

if TYPE_CHECKING:
    import pandas as pd

SOURCES = {
    "spearman": "Spearman 1904; exact p to 9 pairs: Kendall & Gibbons 1990 ch. 4;"
    " interval Bonett & Wright 2000 Psychometrika 65:23",
    "pearson": "Pearson; interval Fisher 1921 Metron 1:3",
}
LARGEST_EXACT = 9
"""Pairs up to which all n! orders are counted (9! = 362,880), as common statistical packages do."""
PERFECT = 1e-12
"""A coefficient this near to 1 differs from it by rounding only."""
FEWEST = 4
"""Fisher's z has variance 1 / (n - 3): below four pairs there is no interval."""
COLUMNS = [
    *SERIES, "with", "with_unit", "coefficient", "n", "n_missing", "estimate", "ci_low", "ci_high", "p_value", "p_holm",
    "family", "status", "phase_rule", "readings_rule", "definition", "source",
]  # fmt: skip


def correlation(
    first: np.ndarray, second: np.ndarray, coefficient: str, confidence: float = 0.95
) -> tuple[int, float, float, float, float, str]:
    """n of complete pairs, coefficient, interval, p and status; NaN where the status is not `ok`.

    p of Spearman up to nine pairs: exact, all orders counted (ties kept). Else the t or beta distribution. p is never
    below 2 / n!, the smallest that any test of n pairs by their order can give. coefficient : spearman or pearson.
    Raises ValueError for another.

    Two swaps among five ranks: 1 - 6 x 4 / (5 x 24):

    >>> n, r, *_, status = correlation(np.arange(5.0), np.array([1.0, 0, 3, 2, 4]), "spearman")
    >>> n, round(r, 3), status
    (5, 0.8, 'ok')
    """
    from scipy.special import ndtri
    from scipy.stats import pearsonr, spearmanr

    if coefficient not in SOURCES:
        raise ValueError(f"coefficient {coefficient!r}; needed spearman or pearson")
    first, second = np.asarray(first, np.float64), np.asarray(second, np.float64)
    good = np.isfinite(first) & np.isfinite(second)
    first, second = first[good], second[good]
    n, nan = len(first), float("nan")
    if n < FEWEST:
        return n, nan, nan, nan, nan, "too_few_pairs"
    if np.ptp(first) == 0 or np.ptp(second) == 0:
        return n, nan, nan, nan, nan, "constant_values"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # near-constant input: its coefficient is checked below
        found = (spearmanr if coefficient == "spearman" else pearsonr)(first, second)
    r, p = float(found.statistic), float(found.pvalue)
    if not np.isfinite(r):
        return n, nan, nan, nan, nan, "constant_values"
    r = min(max(r, -1.0), 1.0)
    if coefficient == "spearman" and n <= LARGEST_EXACT:
        p = exact_spearman_p(first, second)
    p = max(p, float(np.exp(np.log(2.0) - lgamma(n + 1))))
    if abs(r) >= 1.0 - PERFECT:
        return n, float(np.sign(r)), nan, nan, p, "perfect_correlation"
    spread = (1 + r**2 / 2) / (n - 3) if coefficient == "spearman" else 1 / (n - 3)  # Bonett & Wright 2000, eq. 4
    half = float(ndtri((1 + confidence) / 2)) * float(np.sqrt(spread))
    return n, r, float(np.tanh(np.arctanh(r) - half)), float(np.tanh(np.arctanh(r) + half)), p, "ok"


def exact_spearman_p(first: np.ndarray, second: np.ndarray) -> float:
    """Share of all n! orders whose rank correlation is at least as far from 0 (Kendall & Gibbons 1990, ch. 4)."""
    from scipy.stats import rankdata

    # Twice the ranks are whole numbers, so that equal sums compare as equal.
    doubled = [tuple((2 * rankdata(v)).astype(np.int64).tolist()) for v in (first, second)]
    return _exact_share(*doubled)


@lru_cache(maxsize=4096)
def _exact_share(first: tuple[int, ...], second: tuple[int, ...]) -> float:
    a, b = np.array(first), np.array(second)
    centre = a.sum() * b.sum()  # n times the expected sum of products
    sums = len(a) * (b[_orders(len(b))] @ a) - centre
    seen = abs(len(a) * int(a @ b) - centre)
    return float((np.abs(sums) >= seen).mean())


@lru_cache(maxsize=16)
def _orders(n: int) -> np.ndarray:
    """(n!, n) all orders of 0 ... n - 1."""
    orders = np.zeros((1, 0), dtype=np.int8)
    for size in range(n):
        grown = [np.insert(orders, place, size, axis=1) for place in range(size + 1)]
        orders = np.concatenate(grown)
    return orders


def association_table(
    chosen: pd.DataFrame,
    numbers: pd.DataFrame,
    headline: pd.DataFrame,
    *,
    phase_rule: str,
    rule: str,
    families: Sequence[str] = ("measure", "coefficient"),
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Every quantity of `chosen` against each column of `numbers` and each quantity of `headline`.

    Of quantities that depend on a planned device only those of the same plan, variant and method go together; variants
    over the phases of a case are left out, since `chosen` holds the phase that counts.

    families : rows that share these columns are one family of tests for Holm's adjustment; empty = all rows.

    chosen, headline : frames of `one_value_a_case`; numbers : numeric columns of the case table, indexed by case_id.

    Invented: the area falls as age rises, in every case:

    >>> import pandas as pd
    >>> chosen = pd.DataFrame({"case_id": list("abcde"), "measure": "mitral_area", "variant": "spline", "unit": "mm2",
    ...                        "method": "", "plan_id": "", "value": [900.0, 850, 790, 720, 700]})
    >>> ages = pd.DataFrame({"age": [60.0, 65, 70, 75, 80]}, index=list("abcde"))
    >>> found = association_table(chosen, ages, chosen, phase_rule="end_systole", rule="invented")
    >>> float(found.loc[found["coefficient"] == "spearman", "estimate"].iloc[0])
    -1.0
    """
    import pandas as pd

    chosen = chosen[is_plain(chosen["variant"])]
    headline = headline[is_plain(headline["variant"])]
    # `one_value_a_case` holds a case and quantity once, so nothing is averaged here.
    wide = chosen.set_index(["case_id", *SERIES])["value"].unstack(SERIES).sort_index()  # noqa: PD010
    wide = wide.reindex(columns=sorted(wide.columns))
    partners: list[tuple[str, str, tuple[str, ...] | None, np.ndarray]] = [
        (name, "", None, numbers[name].reindex(wide.index).to_numpy(np.float64)) for name in numbers.columns
    ]
    wanted = set(map(tuple, headline[SERIES].drop_duplicates().to_numpy()))
    for key in wide.columns:
        if key in wanted:
            plan, measure, variant, method, unit = key
            name = " / ".join(p for p in (measure, variant, method, plan) if p)
            partners.append((name, unit, key, wide[key].to_numpy(np.float64)))
    rows: list[dict[str, Any]] = []
    for key in wide.columns:
        own = " / ".join(p for p in (key[1], key[2], key[3], key[0]) if p)
        value = wide[key].to_numpy(np.float64)
        for name, unit, other, partner in partners:
            if name == own:
                continue
            if other is not None and key[0] and other[0] and (key[0], *key[2:4]) != (other[0], *other[2:4]):
                continue  # two quantities of different plans

            for coefficient in SOURCES:
                n, r, low, high, p, status = correlation(value, partner, coefficient, confidence)
                rows.append(
                    dict(zip(SERIES, key, strict=True))
                    | {"with": name, "with_unit": unit, "coefficient": coefficient, "n": n}
                    | {"n_missing": len(value) - n, "estimate": r, "ci_low": low, "ci_high": high, "p_value": p}
                    | {"status": status}
                    | {"definition": f"{coefficient} correlation over cases with both values"}
                    | {"source": SOURCES[coefficient]}
                )
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["phase_rule"], frame["readings_rule"] = phase_rule, rule
    frame["p_holm"], frame["family"] = np.nan, ""
    names = frame[list(families)].agg(" / ".join, axis=1) if families and len(frame) else "all"
    for name, members in frame.assign(family=names).groupby("family", sort=True):
        p = members["p_value"].to_numpy(np.float64)
        frame.loc[members.index, "p_holm"] = holm(p)
        frame.loc[members.index, "family"] = f"{name}: {int(np.isfinite(p).sum())} tests"
    order = ["measure", "variant", "method", "plan_id", "with", "coefficient"]
    return frame.sort_values(order, kind="stable").reset_index(drop=True)


def numeric_columns(cases: pd.DataFrame, left_out: Sequence[str]) -> pd.DataFrame:
    """Columns of the case table that hold numbers (every cell a number or empty, two different ones), by case_id."""
    import pandas as pd

    out = {}
    for name in cases.columns:
        if name in left_out:
            continue
        text = cases[name].astype("object").where(cases[name].notna(), "").map(lambda v: str(v).strip())
        number = pd.to_numeric(text.where(text != "", None), errors="coerce")
        if (number.notna() | (text == "")).all() and number.nunique() > 1:
            out[name] = number.astype("float64").where(np.isfinite(number.astype("float64"))).to_numpy()
    return pd.DataFrame(out, index=pd.Index(cases["case_id"].astype(str), name="case_id"))
