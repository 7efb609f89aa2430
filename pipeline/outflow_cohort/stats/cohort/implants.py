"""How many cases have a device, at some depth, that leaves the outflow tract open: from the grid of implants.

Areas mm2, depths mm, shares as fractions of 1. An implant counts as fitting where it meets the study's sizing targets
in at least half of the case's readings; in a study without any target every device does. Areas are means over the
first reads of a case's readers. An implant whose area is missing or in doubt in a phase has no worst phase, and counts
as unknown; a case without a known fitting implant is in no share and is counted beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.cohort.cutoffs import below
from outflow_cohort.stats.data.implant_phases import first_reads, means_by_phase, meets_targets, worst_phase
from outflow_cohort.stats.data.one_value import ALL_GROUPS
from outflow_cohort.stats.kernels.proportions import SOURCE, share
from outflow_cohort.study.outputs import CHANCE_BELOW

if TYPE_CHECKING:
    import pandas as pd

IMPLANT = ["device_id", "ventricular_depth_mm", "tilt_ap_deg", "tilt_ic_deg"]
KIND = ["solid", "method"]
PHASE_RULES = ("worst_phase", "end_systole")
CONVENTION = "study definition"
CHOICE_DEFINITION = "Of the implants that fit, the one that leaves the largest area; of equals the shallowest."
SHARE_DEFINITION = (
    "Cases with at least one fitting implant whose area is not below area_mm2, of those with a known one."
)
SIDE_DEFINITION = "Cases whose best fitting implant is above the cut-off by each solid, of those known by both."
AREAS = tuple(float(area) for area in range(0, 601, 10))
"""Areas, mm2, at which the curve of shares is given."""

CHOICE_COLUMNS = [
    "case_id", "group", "phase_rule", *KIND, "n_tried", "n_fitting", "n_unknown", *IMPLANT, "area_mm2", "status",
    "definition", "source",
]  # fmt: skip
SHARE_COLUMNS = [
    "group", "phase_rule", *KIND, "ventricular_depth_mm", "cutoff_id", "area_mm2", "n_open", "n", "n_unknown", "share",
    "ci_low", "ci_high", "interval", "definition", "source",
]  # fmt: skip
SIDE_COLUMNS = [
    "group", "phase_rule", "method", "cutoff_id", "area_mm2", "solid_a", "solid_b", "both_open", "only_a_open",
    "only_b_open", "none_open", "n", "definition", "source",
]  # fmt: skip


def implant_tables(
    folder: Path,
    systole: pd.Series,
    groups: pd.Series,
    cutoffs: Sequence[Mapping[str, Any]],
    *,
    confidence: float = 0.95,
) -> dict[str, pd.DataFrame]:
    """Tables implant_choice, implant_shares and implant_sides; without rows where no implant was tried.

    folder : tables/implants. systole : end-systolic phase by case_id. groups : group by case_id. cutoffs : rows of the
    table of cut-offs.
    """
    import pandas as pd

    parts = [_case_implants(pd.read_parquet(part), systole) for part in sorted(folder.glob("*.parquet"))]
    known = [part for part in parts if len(part)]
    if not known:
        return {
            "implant_choice": pd.DataFrame(columns=CHOICE_COLUMNS),
            "implant_shares": pd.DataFrame(columns=SHARE_COLUMNS),
            "implant_sides": pd.DataFrame(columns=SIDE_COLUMNS),
        }
    implants = pd.concat(known, ignore_index=True)
    implants["fits"] = meets_targets(implants["fits"])
    implants.insert(1, "group", implants["case_id"].map(groups))
    named = [(str(c["cutoff_id"]), float(c["area_mm2"]), str(c.get("rule") or "at_or_below")) for c in cutoffs]
    best = _best(implants, ["case_id", "group", "phase_rule", *KIND])
    by_depth = _best(implants, ["case_id", "group", "phase_rule", *KIND, "ventricular_depth_mm"])
    return {
        "implant_choice": implant_choice(implants),
        "implant_shares": _shares(best, by_depth, named, confidence),
        "implant_sides": _sides(best, named),
    }


def _case_implants(rows: pd.DataFrame, systole: pd.Series) -> pd.DataFrame:
    """One row per case, phase rule, solid, path and implant: area (NaN = unknown), share of readings it fits in."""
    import pandas as pd

    implant = ["case_id", *KIND, *IMPLANT]
    by_phase, fits = means_by_phase(first_reads(rows), implant)
    worst = worst_phase(by_phase, implant)
    at_systole = by_phase[
        (by_phase["phase_pct"] == by_phase["case_id"].map(systole))
        | by_phase["phase_pct"].isna() & ~by_phase["case_id"].isin(systole.index)
    ]
    frames = [f.assign(phase_rule=rule) for rule, f in zip(PHASE_RULES, (worst, at_systole), strict=True)]
    return pd.concat(frames, ignore_index=True).merge(fits.reset_index(), on=implant, how="left")


def _best(implants: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Largest known area among fitting implants, by `keys`; NaN where none is known."""
    fitting = implants["area_mm2"].where(implants["fits"])
    return implants.assign(area_mm2=fitting).groupby(keys, sort=True)["area_mm2"].max().reset_index()


def implant_choice(implants: pd.DataFrame) -> pd.DataFrame:
    """The least obstructive fitting implant of each case: largest area, then the smallest device and depth.

    implants : one row per case, phase rule, solid, path and implant, with `group` and whether it `fits`.
    """
    import pandas as pd

    keys = ["case_id", "group", "phase_rule", *KIND]
    counted = implants.assign(
        n_tried=1, n_fitting=implants["fits"].astype(int), n_unknown=(implants["fits"] & implants["area_mm2"].isna())
    )
    counts = counted.groupby(keys, sort=True)[["n_tried", "n_fitting", "n_unknown"]].sum().reset_index()
    known = implants[implants["fits"] & implants["area_mm2"].notna()]
    ordered = known.sort_values(
        ["area_mm2", "device_id", "ventricular_depth_mm"], ascending=[False, True, True], kind="stable"
    )
    chances = [c for c in implants if c.startswith(CHANCE_BELOW)]
    first = ordered.drop_duplicates(keys)[[*keys, *IMPLANT, "area_mm2", *chances]]
    result = counts.merge(first, on=keys, how="left")
    missing = np.where(result["n_fitting"] == 0, "no_fitting_device", "no_value")
    result["status"] = np.where(result["area_mm2"].notna(), "ok", missing)
    result["definition"], result["source"] = CHOICE_DEFINITION, CONVENTION
    return pd.DataFrame(result, columns=[*CHOICE_COLUMNS, *chances])


def _in_groups(frame: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """All cases, then each group."""
    return [(ALL_GROUPS, frame), *((str(g), part) for g, part in frame.groupby("group", sort=True))]


def _shares(
    best: pd.DataFrame, by_depth: pd.DataFrame, cutoffs: list[tuple[str, float, str]], confidence: float
) -> pd.DataFrame:
    import pandas as pd

    curve = [("", area, "below") for area in AREAS]
    rows: list[dict[str, Any]] = []
    for frame, depths, limits in ((best, [np.nan], [*cutoffs, *curve]), (by_depth, None, cutoffs)):
        for key, kind in frame.groupby(["phase_rule", *KIND], sort=True):
            for depth in depths or sorted(kind["ventricular_depth_mm"].unique()):
                at = kind if depths else kind[kind["ventricular_depth_mm"] == depth]
                for group, part in _in_groups(at):
                    area = part["area_mm2"].to_numpy(dtype=float)
                    known = area[np.isfinite(area)]
                    for name, limit, rule in limits:
                        found = share(int((~below(known, limit, rule)).sum()), len(known), confidence=confidence)
                        rows.append(
                            dict(zip(["phase_rule", *KIND], key, strict=True))
                            | {"group": group, "ventricular_depth_mm": depth, "cutoff_id": name, "area_mm2": limit}
                            | {"n_open": found.x, "n": found.n, "n_unknown": len(area) - len(known)}
                            | {"share": found.estimate, "ci_low": found.ci_low, "ci_high": found.ci_high}
                            | {"interval": "wilson", "definition": SHARE_DEFINITION, "source": SOURCE}
                        )
    return pd.DataFrame(rows, columns=SHARE_COLUMNS)


def _sides(best: pd.DataFrame, cutoffs: list[tuple[str, float, str]]) -> pd.DataFrame:
    """Cases that are open by one solid and not by another, among those known by both."""
    import pandas as pd

    rows: list[dict[str, Any]] = []
    for (phase_rule, method), kind in best.groupby(["phase_rule", "method"], sort=True):
        wide = kind.pivot_table(index=["case_id", "group"], columns="solid", values="area_mm2").reset_index()
        for a, b in combinations(sorted(set(kind["solid"])), 2):
            for group, part in _in_groups(wide.dropna(subset=[a, b])):
                for name, limit, rule in cutoffs:
                    open_a, open_b = (~below(part[s].to_numpy(dtype=float), limit, rule) for s in (a, b))
                    rows.append(
                        {"group": group, "phase_rule": phase_rule, "method": method, "cutoff_id": name}
                        | {"area_mm2": limit, "solid_a": a, "solid_b": b, "n": len(part)}
                        | {"both_open": int((open_a & open_b).sum()), "only_a_open": int((open_a & ~open_b).sum())}
                        | {"only_b_open": int((~open_a & open_b).sum()), "none_open": int((~open_a & ~open_b).sum())}
                        | {"definition": SIDE_DEFINITION, "source": CONVENTION}
                    )
    return pd.DataFrame(rows, columns=SIDE_COLUMNS)
