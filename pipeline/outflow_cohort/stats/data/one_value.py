"""Which phase represents a case, and the frame of one value per case that cohort statistics work on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

ALL_GROUPS = "all"
NOT_STATED = "not stated"
SERIES = ["plan_id", "measure", "variant", "method", "unit"]
"""Columns that together name one measured quantity."""
SYSTOLE_RULES = {
    "smallest_lv_volume": "the phase of the smallest LV volume",
    "smallest_neo_lvot_area": "the phase of the smallest mean neo-LVOT area, as LV volumes are missing",
    "only_phase": "the only phase measured",
}
"""How end-systole of a case was found, best first."""
PHASE_RULES = {
    "end_systole": "phase of smallest LV volume, else of smallest mean neo-LVOT, else the only phase",
    "mean_over_phases": "mean over the phases of a case",
    "min_over_phases": "smallest over the phases of a case",
}


def is_plain(variant: pd.Series) -> pd.Series:
    """Whether a variant is measured in each phase, not one over the phases of a case or of a cut-off (SOLID/NAME)."""
    return ~variant.astype(str).str.contains("/", regex=False)


def groups_of(cases: pd.DataFrame, column: str) -> pd.Series:
    """Group by case_id; `not stated` where a case has none or there is no such column."""
    import pandas as pd

    if column not in cases:
        return pd.Series(NOT_STATED, index=cases["case_id"].to_numpy(), dtype="object")
    named = cases[column].fillna("").astype(str).replace("", NOT_STATED)
    return pd.Series(named.to_numpy(dtype=object), index=cases["case_id"].to_numpy())


def end_systolic_phase(values: pd.DataFrame) -> pd.Series:
    """Phase of each case at end-systole, by case_id; a case with several phases and no sign of it is left out.

    The phase of the smallest volume of the left ventricle, invented:

    >>> import pandas as pd
    >>> values = pd.DataFrame({"case_id": "C1", "phase_pct": [10.0, 30, 70], "measure": "lv_volume", "variant": "",
    ...                        "method": "", "plan_id": "", "unit": "ml", "value": [110.0, 62, 128]})
    >>> end_systolic_phase(values).to_dict()
    {'C1': 30.0}
    """
    found = end_systole(values)
    return found.set_index("case_id")["phase_pct"].astype("float64")


def end_systole(values: pd.DataFrame) -> pd.DataFrame:
    """Phase of each case at end-systole: case_id, phase_pct, found_by (one of SYSTOLE_RULES), sorted by case.

    values : one row per case, phase and quantity (`case_values`). A case with several phases of which none has an LV
    volume or a neo-LVOT area is left out.
    """
    import pandas as pd

    chosen: dict[str, tuple[float, str]] = {}
    known = values[values["phase_pct"].notna() & values["value"].notna()]
    for measure, rule in (("neo_lvot_area", "smallest_neo_lvot_area"), ("lv_volume", "smallest_lv_volume")):
        rows = known[known["measure"] == measure]
        means = _means(rows, ["case_id", "phase_pct"]).sort_values(["case_id", "value", "phase_pct"], kind="stable")
        several = means.groupby("case_id", observed=True)["phase_pct"].transform("size") > 1
        first = means[several].drop_duplicates("case_id")
        chosen |= {c: (p, rule) for c, p in zip(first["case_id"].astype(str), first["phase_pct"], strict=True)}
    # A case measured in one phase (known or not) has no other.
    phases = values[["case_id", "phase_pct"]].drop_duplicates()
    phases = phases[phases["phase_pct"].notna()]
    only = phases[phases.groupby("case_id", observed=True)["phase_pct"].transform("size") == 1]
    for case, phase in zip(only["case_id"].astype(str), only["phase_pct"], strict=True):
        chosen.setdefault(case, (phase, "only_phase"))
    rows = [(case, *chosen[case]) for case in sorted(chosen)]
    return pd.DataFrame(rows, columns=["case_id", "phase_pct", "found_by"]).astype({"phase_pct": "float64"})


def _means(rows: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Means by key; values are sorted first, so that the order of rows does not show in the last digit."""
    ordered = rows[[*keys, "value"]].sort_values([*keys, "value"], kind="stable")
    return ordered.groupby(keys, observed=True, sort=True)["value"].mean().reset_index()


def one_value_a_case(values: pd.DataFrame, phase_rule: str) -> pd.DataFrame:
    """One row per case and measured quantity: case_id, the columns SERIES, phase_pct, value, carried, missing.

    carried : whether the value rests on landmarks carried from another phase (a mean over phases: some of it does).
    missing : "" where there is a value, else `no_usable_value` or `no_end_systole`. phase_pct is NaN where no single
    phase was chosen. Raises ValueError for an unknown rule.

    The smallest of three phases, invented:

    >>> import pandas as pd
    >>> values = pd.DataFrame({"case_id": "C1", "phase_pct": [10.0, 30, 70], "measure": "neo_lvot_area", "unit": "mm2",
    ...                        "variant": "full_frame", "method": "reader_path", "plan_id": "P1",
    ...                        "value": [260.0, 210, 300]})
    >>> one_value_a_case(values, "min_over_phases")["value"].tolist()
    [210.0]
    """
    import pandas as pd

    if phase_rule not in PHASE_RULES:
        raise ValueError(f"phase rule {phase_rule!r}; needed one of {', '.join(PHASE_RULES)}")
    keys = ["case_id", *SERIES]
    values = values.assign(carried=values["n_carried"] > 0 if "n_carried" in values else False)
    single = values["phase_pct"].isna()
    plain = values[single]
    phased = values[~single]
    if phase_rule == "end_systole":
        phase = phased["case_id"].astype(str).map(end_systolic_phase(values))
        picked = phased[phased["phase_pct"].to_numpy() == phase.to_numpy()]
    else:
        usable = phased[phased["value"].notna()].sort_values([*keys, "value"], kind="stable")
        grouped = usable.groupby(keys, observed=True, sort=True)
        over_all = phase_rule == "mean_over_phases"
        # sorted by value: the first row of a quantity is its smallest
        reduced = grouped.agg(value=("value", "mean" if over_all else "first"),
                              carried=("carried", "any" if over_all else "first"))  # fmt: skip
        picked = reduced.reset_index().assign(phase_pct=np.nan)
    columns = [*keys, "phase_pct", "value", "carried"]
    there = pd.concat([plain[columns], picked[columns]], ignore_index=True)
    there["missing"] = np.where(there["value"].isna(), "no_usable_value", "")
    wanted = phased[keys].drop_duplicates()
    lost = wanted.merge(there[keys].assign(there=True), how="left", on=keys)
    lost = lost[lost["there"].isna()].drop(columns="there")
    reason = "no_end_systole" if phase_rule == "end_systole" else "no_usable_value"
    lost = lost.assign(phase_pct=np.nan, value=np.nan, carried=False, missing=reason)
    out = pd.concat([there, lost], ignore_index=True)
    for name in keys:
        out[name] = out[name].astype(str)
    # A quantity with and without a phase (a case that has both): the row with a value stays.
    out = out.sort_values([*keys, "missing", "phase_pct"], kind="stable").drop_duplicates(keys)
    return out.reset_index(drop=True)
