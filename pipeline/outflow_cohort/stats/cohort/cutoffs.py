"""How many cases are below each cut-off of the neo-LVOT area (mm2), counted and by chance.

A published cut-off goes with its endpoint, its n and its source, as the table of cut-offs gives them; none is a limit
of this software.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.cohort.summary import _with_groups
from outflow_cohort.stats.data.one_value import SERIES
from outflow_cohort.stats.kernels.proportions import SOURCE as SHARE_SOURCE
from outflow_cohort.stats.kernels.proportions import share

if TYPE_CHECKING:
    import pandas as pd

AREA = "neo_lvot_area"
CHANCE = "neo_lvot_chance_below"
CARRIED = ("endpoint", "n", "events", "sensitivity_pct", "specificity_pct", "source", "evidence")
COLUMNS = [
    "group", "cutoff_id", "cutoff", "rule", "plan_id", "measure", "variant", "method", "unit", "statistic", "n",
    "n_missing", "n_below", "estimate", "ci_low", "ci_high", "status", "phase_rule", "readings_rule", "cutoff_endpoint",
    "cutoff_n", "cutoff_events", "cutoff_sensitivity_pct", "cutoff_specificity_pct", "cutoff_source",
    "cutoff_evidence", "definition", "source",
]  # fmt: skip


def below(value: np.ndarray, cutoff: float, rule: str) -> np.ndarray:
    """Whether each value counts as below: `below` = under it, else at or under it."""
    return value < cutoff if rule == "below" else value <= cutoff


def cutoff_shares(
    chosen: pd.DataFrame,
    groups: pd.Series,
    cutoffs: Sequence[Mapping[str, Any]],
    *,
    phase_rule: str,
    rule: str,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Share of cases below each cut-off by group, plan, variant and method.

    chosen : frame of `one_value_a_case`. cutoffs : rows with cutoff_id, area_mm2, and rule, endpoint, n, events,
    sensitivity_pct, specificity_pct, source, evidence where known.

    statistic `share_below`: counted, with Wilson interval. `expected_share_below`: mean over cases of the chance that
    the true area is below, from landmarks and image noise (variant SOLID/CUTOFF_ID); no interval.

    One of four invented areas is at or below an invented cut-off:

    >>> import pandas as pd
    >>> chosen = pd.DataFrame({"case_id": list("abcd"), "measure": "neo_lvot_area", "variant": "full_frame",
    ...                        "unit": "mm2", "method": "reader_path", "plan_id": "P1",
    ...                        "value": [150.0, 230, 310, 270]})
    >>> found = cutoff_shares(chosen, pd.Series("all", index=list("abcd")), [{"cutoff_id": "K", "area_mm2": 200.0}],
    ...                       phase_rule="end_systole", rule="invented")
    >>> int(found.loc[0, "n_below"]), float(found.loc[0, "estimate"])
    (1, 0.25)
    """
    import pandas as pd

    rows: list[dict[str, Any]] = []
    areas = _with_groups(chosen[chosen["measure"] == AREA], groups)
    chances = chosen[chosen["measure"] == CHANCE]
    chance_cutoff = chances["variant"].str.rsplit("/", n=1).str[-1]
    chances = _with_groups(chances.assign(cutoff_id=chance_cutoff), groups)
    for entry in cutoffs:
        cutoff = float(entry["area_mm2"])
        how = str(entry.get("rule") or "at_or_below")
        carried = {f"cutoff_{k}": str(entry.get(k, "") or "") for k in CARRIED}
        common = {"cutoff_id": entry["cutoff_id"], "cutoff": cutoff, "rule": how, **carried}
        for name, part in areas.groupby(["group", *SERIES], sort=True):
            value = part["value"].to_numpy()
            usable = np.isfinite(value)
            found = share(int(below(value[usable], cutoff, how).sum()), int(usable.sum()), confidence=confidence)
            rows.append(
                dict(zip(["group", *SERIES], name, strict=True))
                | common
                | {
                    "statistic": "share_below",
                    "n": found.n,
                    "n_missing": int((~usable).sum()),
                    "n_below": found.x,
                    "estimate": found.estimate,
                    "ci_low": found.ci_low,
                    "ci_high": found.ci_high,
                    "status": found.status,
                    "definition": "cases whose area is below the cut-off / cases with an area",
                    "source": SHARE_SOURCE,
                }
            )
        for name, part in chances[chances["cutoff_id"] == entry["cutoff_id"]].groupby(["group", *SERIES], sort=True):
            value = np.sort(part["value"].to_numpy())
            usable = value[np.isfinite(value)]
            rows.append(
                dict(zip(["group", *SERIES], name, strict=True))
                | common
                | {
                    "statistic": "expected_share_below",
                    "n": len(usable),
                    "n_missing": len(value) - len(usable),
                    "n_below": None,
                    "estimate": float(usable.mean()) if len(usable) else np.nan,
                    "ci_low": np.nan,
                    "ci_high": np.nan,
                    "status": "ok" if len(usable) else "no_cases",
                    "definition": "mean chance of a true area below the cut-off, from landmarks and image noise",
                    "source": "expected value of a sum of indicators; chances from redrawn landmarks",
                }
            )
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["phase_rule"], frame["readings_rule"] = phase_rule, rule
    frame["n_below"] = frame["n_below"].astype("Int64")
    frame["unit"] = "1"
    order = ["cutoff_id", "statistic", "variant", "method", "plan_id", "group"]
    return frame.sort_values(order, kind="stable").reset_index(drop=True)
