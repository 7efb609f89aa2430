"""Agreement of readers on classes (risk by cut-off, chosen size): one set of rows for any classes.

One phase per case; first reads between readers, first against second read within a reader; a missing class is left out.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.kernels import alpha, kappa
from outflow_cohort.stats.kernels.proportions import SOURCE as SHARE_SOURCE
from outflow_cohort.stats.kernels.proportions import share

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings

ALL_READERS = "all_readers"
BETWEEN, WITHIN = "between_readers", "within_reader"
ROW_COLUMNS = [
    "kind", "comparison", "statistic", "estimate", "ci_low", "ci_high", "std_error", "n_cases", "n_readers",
    "n_readings", "n_missing", "unit", "status", "definition", "source",
]  # fmt: skip


def class_agreement(
    frame: pd.DataFrame, levels: Sequence[Hashable], settings: StatisticsSettings
) -> list[dict[str, Any]]:
    """Rows of kappa, exact agreement, Fleiss' kappa and Krippendorff's alpha.

    frame : one row per reading with case_id, reader_id, read_no, class ('' = none); levels : all classes, in order.

    Two readers who agree on two of three invented cases:

    >>> import pandas as pd
    >>> from outflow_cohort.stats import StatisticsSettings
    >>> rows = [("a", "A", 1, "low"), ("a", "B", 1, "low"), ("b", "A", 1, "high"), ("b", "B", 1, "high")]
    >>> rows += [("c", "A", 1, "low"), ("c", "B", 1, "high")]
    >>> frame = pd.DataFrame(rows, columns=["case_id", "reader_id", "read_no", "class"])
    >>> found = class_agreement(frame, ["low", "high"], StatisticsSettings(n_boot=200))
    >>> [round(row["estimate"], 3) for row in found if row["statistic"] == "same_class"]
    [0.667]
    """
    first = frame.sort_values(["case_id", "reader_id", "read_no"], kind="stable")
    codes = kappa.level_codes(first["class"].tolist(), levels)
    first = first.assign(code=codes)
    cases = sorted(first["case_id"].unique())
    readers = sorted(first["reader_id"].unique())
    place = {c: i for i, c in enumerate(cases)}
    by_read = {}
    for (reader, number), part in first.groupby(["reader_id", first.groupby(["case_id", "reader_id"]).cumcount()]):
        column = np.full(len(cases), -1)
        column[[place[c] for c in part["case_id"]]] = part["code"].to_numpy()
        by_read[reader, int(number)] = column
    rows: list[dict[str, Any]] = []
    pairs = [(BETWEEN, f"{b} - {a}", by_read[a, 0], by_read[b, 0], 2) for a, b in combinations(readers, 2)]
    pairs += [(WITHIN, f"{r} read 2 - read 1", by_read[r, 0], by_read[r, 1], 1) for r in readers if (r, 1) in by_read]
    for kind, comparison, a, b, n_readers in pairs:
        rows += _pair_rows(a, b, len(levels), settings, {"kind": kind, "comparison": comparison}, n_readers)
    if len(readers) > 1:
        ratings = np.stack([by_read[r, 0] for r in readers], axis=1)
        rows += _all_rows(ratings, len(levels), settings)
    return rows


def _pair_rows(
    a: np.ndarray, b: np.ndarray, k: int, settings: StatisticsSettings, names: dict[str, str], n_readers: int
) -> list[dict[str, Any]]:
    both = (a >= 0) & (b >= 0)
    table = np.bincount(a[both] * k + b[both], minlength=k * k).reshape(k, k)
    common = names | {"n_readers": n_readers, "unit": "1", "n_missing": int((~both & ((a >= 0) | (b >= 0))).sum())}
    common |= {"n_cases": int(both.sum()), "n_readings": 2 * int(both.sum())}
    rows = []
    for weights in dict.fromkeys(("unweighted", settings.kappa_weights)):
        found = kappa.kappa_of_table(table, weights, confidence=settings.confidence, interval="fisher_z")
        rows.append(
            common
            | {"statistic": "kappa" if weights == "unweighted" else f"kappa_{weights}"}
            | {"estimate": found.estimate, "ci_low": found.ci_low, "ci_high": found.ci_high, "std_error": found.se}
            | {"status": found.status, "definition": f"kappa, {weights} weights over the given ordered classes"}
            | {"source": kappa.KAPPA_SOURCE}
        )
    same = share(int(np.trace(table)), int(table.sum()), confidence=settings.confidence)
    rows.append(
        common
        | {"statistic": "same_class", "estimate": same.estimate, "ci_low": same.ci_low, "ci_high": same.ci_high}
        | {"std_error": np.nan, "status": same.status, "definition": "share of cases put in the same class"}
        | {"source": SHARE_SOURCE}
    )
    return rows


def _all_rows(ratings: np.ndarray, k: int, settings: StatisticsSettings) -> list[dict[str, Any]]:
    draws: dict[str, Any] = {"confidence": settings.confidence, "n_draws": settings.n_boot, "seed": settings.seed}
    fleiss = kappa.fleiss_kappa(kappa.rating_counts(ratings, k), **draws)
    values = np.where(ratings >= 0, ratings, np.nan).astype(np.float64)
    ordinal = alpha.krippendorff_alpha(values, "ordinal", **draws)
    nominal = alpha.krippendorff_alpha(values, "nominal", **draws)
    common = {"kind": BETWEEN, "comparison": ALL_READERS, "n_readers": ratings.shape[1], "unit": "1"}
    rows = []
    for name, found, text, source in (
        ("fleiss_kappa", fleiss, "Fleiss' kappa of first reads, unweighted", kappa.FLEISS_SOURCE),
        ("alpha_ordinal", ordinal, "Krippendorff's alpha of first reads, ordinal distance", alpha.SOURCE),
        ("alpha_nominal", nominal, "Krippendorff's alpha of first reads, nominal distance", alpha.SOURCE),
    ):
        rows.append(
            common
            | {"statistic": name, "estimate": found.estimate, "ci_low": found.ci_low, "ci_high": found.ci_high}
            | {"std_error": found.se, "n_cases": found.n_cases, "n_readings": found.n_ratings}
            | {"n_missing": found.n_dropped, "status": found.status, "definition": text, "source": source}
        )
    return rows


def pair_counts(frame: pd.DataFrame, levels: Sequence[Hashable]) -> list[tuple[str, Hashable, Hashable, int]]:
    """Cases by class of either of two readers' first reads: comparison, class of the first, of the second, count."""
    first = frame.sort_values(["case_id", "reader_id", "read_no"], kind="stable")
    first = first.drop_duplicates(["case_id", "reader_id"])
    first = first[first["class"] != ""]
    readers = sorted(first["reader_id"].unique())
    own = {r: part.set_index("case_id")["class"] for r, part in first.groupby("reader_id")}
    rows = []
    for a, b in combinations(readers, 2):
        both = own[a].index.intersection(own[b].index)
        counted = list(zip(own[a][both], own[b][both], strict=True))
        rows += [(f"{b} - {a}", x, y, counted.count((x, y))) for x in levels for y in levels if counted.count((x, y))]
    return rows
