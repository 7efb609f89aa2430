"""Joins the results of several sites, or pools their summaries alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.files import write_csv, write_parquet
from outflow_cohort.runs.merge_sites import merge_tables, read_sites

if TYPE_CHECKING:
    import pandas as pd

QUANTITY = ["plan_id", "measure", "variant", "method", "unit"]
POOLED = ("icc_a_1", "icc_c_1", "bias", "loa_lower", "loa_upper", "wsd", "rdc")
LOGARITHMIC = ("wsd", "rdc")
FORWARD: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "fisher_z": np.arctanh, "log": np.log, "identity": lambda value: value,
}  # fmt: skip
BACK: dict[str, Callable[[float], float]] = {"fisher_z": np.tanh, "log": np.exp, "identity": lambda value: value}
"""Scales on which figures are pooled, there and back."""


def merge(
    *, sites: Sequence[Path], output: Path, accept: bool = False, without_columns: Sequence[str] = ()
) -> dict[str, int]:
    """Join results folders into OUTPUT and compute cohort statistics, agreement and report of all; rows by table.

    Raises FileNotFoundError, FileExistsError, DifferentSites, LostRows (`runs.merge_sites`).
    """
    from outflow_cohort.steps.report import report
    from outflow_cohort.steps.statistics import statistics

    counts = merge_tables(read_sites(sites), output, accept=accept, without_columns=without_columns)
    statistics(results=output, study=output / "work" / "study.json")
    report(results=output)
    return counts


def pool_summaries(*, sites: Sequence[Path], output: Path, confidence: float = 0.95) -> int:
    """Random-effects means of the sites' tables cohort_summary and agreement alone: OUTPUT/pooled_summary; rows.

    Means by group with their standard errors; ICC on Fisher's z, SDs and RDC on the log scale, limits as they are, each
    with the standard error that its interval implies. Raises FileNotFoundError where a table is missing.
    """
    import pandas as pd

    summaries: list[pd.DataFrame] = []
    agreements: list[pd.DataFrame] = []
    for folder in sites:
        for name, kept in (("cohort_summary", summaries), ("agreement", agreements)):
            path = folder / "tables" / f"{name}.csv"
            if not path.exists():
                raise FileNotFoundError(f"{folder.name}/tables/{name}.csv")
            kept.append(pd.read_csv(path, keep_default_na=True).assign(site=str(folder)))
    rows = _mean_rows(pd.concat(summaries, ignore_index=True), confidence)
    rows += _agreement_rows(pd.concat(agreements, ignore_index=True), confidence)
    frame = pd.DataFrame(rows)
    write_parquet(output / "pooled_summary.parquet", frame)
    write_csv(output / "pooled_summary.csv", frame)
    return len(frame)


def _mean_rows(table: pd.DataFrame, confidence: float) -> list[dict[str, Any]]:
    table = table[table["phase_pct"].isna() & (table["n"] > 1)]
    rows = []
    for key, part in table.groupby(["group", *QUANTITY], sort=True, dropna=False):
        errors = part["sd"].to_numpy(np.float64) / np.sqrt(part["n"].to_numpy(np.float64))
        names = dict(zip(["group", *QUANTITY], key, strict=True)) | {"statistic": "mean", "comparison": ""}
        means = part["mean"].to_numpy(np.float64)
        rows.append(names | _pooled(means, errors, "identity", int(part["n"].sum()), confidence))
    return rows


def _agreement_rows(table: pd.DataFrame, confidence: float) -> list[dict[str, Any]]:
    """Only comparisons that do not name readers, who are other persons at each site."""
    from scipy.special import ndtri

    shared = table["comparison"].isin(["all_readers", "between_readers", "within_readers"])
    shared |= table["comparison"].str.startswith("within_readers")
    table = table[shared & table["statistic"].isin(POOLED) & (table["status"] == "ok")]
    z = float(ndtri((1 + confidence) / 2))
    rows = []
    for key, part in table.groupby([*QUANTITY, "statistic", "comparison"], sort=True, dropna=False):
        names = dict(zip([*QUANTITY, "statistic", "comparison"], key, strict=True)) | {"group": "all"}
        name = str(names["statistic"])
        scale = "fisher_z" if name.startswith("icc") else "log" if name in LOGARITHMIC else "identity"
        forward = FORWARD[scale]
        with np.errstate(invalid="ignore", divide="ignore"):
            values, low, high = (forward(part[c].to_numpy(np.float64)) for c in ("estimate", "ci_low", "ci_high"))
        rows.append(names | _pooled(values, (high - low) / (2 * z), scale, int(part["n_cases"].sum()), confidence))
    return rows


def _pooled(values: np.ndarray, errors: np.ndarray, scale: str, n: int, confidence: float) -> dict[str, Any]:
    from outflow_cohort.stats.kernels.meta_analysis import SOURCE, pool_sites

    found = pool_sites(values, errors, confidence)
    back = BACK[scale]
    return {
        "estimate": float(back(found.estimate)), "ci_low": float(back(found.ci_low)),
        "ci_high": float(back(found.ci_high)), "std_error": found.std_error, "scale": scale,
        "between_variance": found.between_variance, "i_squared": found.i_squared, "q": found.q,
        "n_sites": found.n_sites, "n_cases": n, "status": found.status,
        "definition": "random-effects mean over sites; std_error and between_variance on the named scale",
        "source": SOURCE,
    }  # fmt: skip
