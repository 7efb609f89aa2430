"""The phases of each case, and which of them is end-systole. Phases in % of R-R, volumes ml, areas mm2."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outflow_cohort.stats.data.one_value import end_systole

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("case_id", "phase_pct", "lv_volume_ml", "neo_lvot_area_mm2", "n_readings", "is_end_systole", "found_by")


def phase_table(values: pd.DataFrame) -> pd.DataFrame:
    """One row per case and phase, from `case_values`: COLUMNS.

    lv_volume_ml, neo_lvot_area_mm2 : means that the choice rests on; the area is the mean over plans, solids and paths,
    so it serves to compare phases of one case and nothing else. found_by is empty where the case has no end-systole.
    """
    import pandas as pd

    known = values[values["phase_pct"].notna()]
    keys = ["case_id", "phase_pct"]
    rows = known[keys].drop_duplicates()
    rows["case_id"] = rows["case_id"].astype(str)
    for measure, name in (("lv_volume", "lv_volume_ml"), ("neo_lvot_area", "neo_lvot_area_mm2")):
        part = known[(known["measure"] == measure).to_numpy() & known["value"].notna().to_numpy()]
        means = part.groupby(keys, observed=True)["value"].mean().rename(name).reset_index()
        rows = rows.merge(means.astype({"case_id": str}), on=keys, how="left")
    most = known.groupby(keys, observed=True)["n_readings"].max().reset_index().astype({"case_id": str})
    found = end_systole(values).rename(columns={"phase_pct": "systole"})
    rows = rows.merge(most, on=keys, how="left").merge(found, on="case_id", how="left")
    rows["is_end_systole"] = (rows["phase_pct"] == rows["systole"]).astype(bool)
    rows["found_by"] = rows["found_by"].fillna("").astype(str)
    return pd.DataFrame(rows[list(COLUMNS)]).sort_values(keys, kind="stable").reset_index(drop=True)
