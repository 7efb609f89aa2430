"""Measured minus true, for a study whose anatomy is known in closed form. Lengths mm, areas mm2, angles deg."""

from __future__ import annotations

from pathlib import Path

from outflow_cohort.files import write_csv, write_parquet
from outflow_geometry.base.findings import UNTROUBLED

KEY = ["case_id", "phase_pct", "plan_id", "measure", "variant"]


def recovered(*, results: Path, truth: Path) -> None:
    """Write RESULTS/work/recovered.parquet (one row per measured value with its truth) and
    RESULTS/tables/recovered.csv (median and worst difference by measure, variant, method)."""
    import pandas as pd
    import pyarrow.dataset as ds

    true = pd.concat([pd.read_csv(p, dtype={"case_id": "str", "plan_id": "str"}) for p in sorted(truth.glob("*.csv"))])
    true[["plan_id", "variant"]] = true[["plan_id", "variant"]].fillna("")
    values = ds.dataset(results / "tables" / "measurements").to_table().to_pandas()
    pairs = values.merge(true.rename(columns={"value": "true_value"}).drop(columns="unit"), on=KEY, how="inner")
    usable = pairs["status"].isin(UNTROUBLED) & pairs["value"].notna() & pairs["true_value"].notna()
    pairs = pairs[usable].copy()
    pairs["difference"] = pairs["value"] - pairs["true_value"]
    covered = (pairs["ci_low"] <= pairs["true_value"]) & (pairs["true_value"] <= pairs["ci_high"])
    pairs["covered"] = covered.astype("boolean").where(pairs["ci_low"].notna())
    write_parquet(results / "work" / "recovered.parquet", pairs.reset_index(drop=True))
    grouped = pairs.groupby(["measure", "variant", "method", "unit"], sort=True)
    summary = pd.DataFrame(
        {
            "n": grouped.size(),
            "true_median": grouped["true_value"].median(),
            "median_difference": grouped["difference"].median(),
            "median_absolute_difference": grouped["difference"].apply(lambda d: d.abs().median()),
            "worst_difference": grouped["difference"].apply(lambda d: d.loc[d.abs().idxmax()]),
            "covered_by_interval": grouped["covered"].apply(lambda c: c.dropna().astype("float64").mean()),
        }
    ).reset_index()
    write_csv(results / "tables" / "recovered.csv", summary.round(6))
