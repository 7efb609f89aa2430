"""Each reader's own areas under the curve, and their mean over readers drawn at random, for outcomes and methods.

A case counts where every reader (and both methods) measured it in its phase; first reads. Areas have unit 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.kernels import multi_reader_roc as kernel
from outflow_cohort.stats.kernels.roc import DELONG_SOURCE, roc_area

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import Risk, StatisticsSettings

COLUMNS = [
    "outcome", "plan_id", "measure", "variant", "method", "risk", "statistic", "reader", "estimate", "std_error", "df",
    "ci_low", "ci_high", "p_value", "n", "n_events", "n_non_events", "n_readers", "n_missing", "status", "definition",
    "source",
]  # fmt: skip
SERIES = ["plan_id", "measure", "variant"]


def multi_reader_rows(
    readings: pd.DataFrame, outcome: str, event: Mapping[str, float], risk: Risk, settings: StatisticsSettings
) -> list[dict[str, Any]]:
    """Rows of every plan and variant: each reader, the mean of each method, differences of two methods.

    readings : in the phase that counts (case_id, reader_id, read_no, plan_id, measure, variant, method, value); event :
    1, 0 or NaN by case. Status one_reader or too_few_events where there is no analysis.
    """
    first = readings.sort_values("read_no", kind="stable")
    first = first[np.isfinite(first["value"].to_numpy(np.float64))]
    first = first.drop_duplicates([*SERIES, "method", "case_id", "reader_id"])
    rows: list[dict[str, Any]] = []
    for key, part in first.groupby(SERIES, sort=True, observed=True):
        names = dict(zip(SERIES, map(str, key), strict=True)) | {"outcome": outcome, "risk": risk}
        methods = sorted(set(part["method"].astype(str)))
        for chosen in [(m,) for m in methods] + list(combinations(methods, 2)):
            rows += [names | row for row in _analysis(part, chosen, event, risk, settings)]
    return rows


def _analysis(
    part: pd.DataFrame, methods: Sequence[str], event: Mapping[str, float], risk: Risk, settings: StatisticsSettings
) -> list[dict[str, Any]]:
    own = part[part["method"].isin(methods)]
    wide = own.pivot_table(index="case_id", columns=["method", "reader_id"], values="value", aggfunc="first")
    shared = sorted(set.intersection(*(set(wide[m].columns) for m in methods)))
    seen = np.array([event.get(str(c), np.nan) for c in wide.index], dtype=np.float64)
    name = methods[0] if len(methods) == 1 else f"{methods[0]} - {methods[1]}"
    common: dict[str, Any] = {"method": name, "n_readers": len(shared)}
    text = "mean area over readers; readers and cases random" if len(methods) == 1 else "difference of the mean areas"
    statistic = "auc_mean" if len(methods) == 1 else "auc_difference"
    blank = {"statistic": statistic, "estimate": np.nan, "definition": text, "source": kernel.SOURCE}
    if len(shared) < 2:
        return [common | blank | {"status": "one_reader"}]
    values = np.stack([[wide[m][r].to_numpy(np.float64) for r in shared] for m in methods])
    good = np.isfinite(values).all(axis=(0, 1)) & np.isfinite(seen)
    values, known = values[:, :, good], seen[good]
    n_events = int(known.sum())
    common |= {"n": len(known), "n_events": n_events, "n_non_events": len(known) - n_events}
    common |= {"n_missing": int((~good).sum())}
    if min(n_events, len(known) - n_events) < settings.fewest_events:
        return [common | blank | {"status": "too_few_events"}]
    rows: list[dict[str, Any]] = []
    if len(methods) == 1:
        for reader, own_values in zip(shared, values[0], strict=True):
            found = roc_area(own_values, known, risk, confidence=settings.confidence)
            rows.append(
                {"statistic": "auc_of_reader", "reader": str(reader), "estimate": found.area}
                | {"std_error": found.standard_error, "ci_low": found.logit_low, "ci_high": found.logit_high}
                | {"status": found.status, "source": DELONG_SOURCE}
                | {"definition": "area of one reader; interval on the logit scale"}
            )
    whole = kernel.multi_reader_roc(values if risk == "high" else -values, known, confidence=settings.confidence)
    average = whole.averages[0] if whole.difference is None else whole.difference
    row: dict[str, Any] = blank | {"estimate": average.area, "std_error": average.std_error, "df": average.df}
    row |= {"ci_low": max(average.ci_low, 0.0) if len(methods) == 1 else average.ci_low, "status": "ok"}
    row |= {"ci_high": min(average.ci_high, 1.0) if len(methods) == 1 else average.ci_high}
    if len(methods) == 2:
        row |= {"p_value": whole.p_value}
    return [common | r for r in [*rows, row]]
