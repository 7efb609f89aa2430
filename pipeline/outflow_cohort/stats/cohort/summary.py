"""Cohort summary and phase curves of one value per case. Units are those of the rows.

Medians and quartiles are exact: all case values of a quantity are sorted, and the quantile is between neighbouring
order statistics (Hyndman & Fan 1996 Am Stat 50:361, definition 7). Means and SD are summed in the sorted order, so that
neither partitioning nor the number of workers changes a digit. The interval of the mean is Student's t.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.stats.data.case_reduction import _segment_quantiles
from outflow_cohort.stats.data.one_value import ALL_GROUPS, NOT_STATED, PHASE_RULES, SERIES

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings

SOURCE = "Student 1908 Biometrika 6:1 (interval of the mean); Hyndman & Fan 1996 Am Stat 50:361, def. 7 (quantiles)"
EACH_PHASE = "each_phase"
FIGURES = (
    "n", "n_missing", "n_carried", "n_group", "mean", "sd", "ci_low", "ci_high", "median", "q1", "q3", "minimum",
    "maximum",
)  # fmt: skip


def summarise(values: pd.DataFrame, keys: list[str], confidence: float = 0.95, fewest: int = 2) -> pd.DataFrame:
    """n, n_missing, n_carried, mean, sd, ci_low, ci_high (of the mean), median, q1, q3, minimum, maximum and
    status by `keys`.

    values : one row per case and key with a column `value`; NaN counts as missing. n_carried is given where `values`
    has a column `carried`: how many of the n values rest on landmarks carried from another phase. sd needs two values,
    the interval `fewest` (else status few_cases).

    Invented areas, mm2:

    >>> import pandas as pd
    >>> values = pd.DataFrame({"group": ["a"] * 3 + ["b"], "value": [250.0, 310, 280, 190]})
    >>> found = summarise(values, ["group"]).set_index("group")
    >>> [round(float(x), 1) for x in found.loc["a", ["n", "mean", "sd", "median"]]]
    [3.0, 280.0, 30.0, 280.0]
    >>> found.loc["b", "status"]
    'one_case'
    """
    import pandas as pd
    from scipy.special import stdtrit  # the quantile of Student's t; scipy.stats takes seconds to import

    columns = [pd.Categorical(values[k]) if values[k].dtype.kind != "f" else values[k] for k in keys]
    codes = [c.codes if isinstance(c, pd.Categorical) else pd.factorize(c, sort=True)[0] for c in columns]
    code = np.zeros(len(values), np.int64)
    for part in codes:
        wide = part.astype(np.int64) + 1
        code = code * (int(wide.max(initial=0)) + 1) + wide
    names, code = np.unique(code, return_inverse=True)
    number = len(names)
    value = values["value"].to_numpy(np.float64)
    first = np.full(number, -1)
    first[code[::-1]] = np.arange(len(values))[::-1]
    out = values.iloc[first][keys].reset_index(drop=True)
    good = np.isfinite(value)
    n = np.bincount(code[good], minlength=number)
    figures = {name: np.full(number, np.nan) for name in FIGURES[4:]}
    if good.any():
        segment, kept = code[good], value[good]
        order = np.lexsort((kept, segment))
        segment, kept = segment[order], kept[order]
        start = np.flatnonzero(np.append(True, segment[1:] != segment[:-1]))
        there, size = segment[start], np.diff(np.append(start, len(kept)))
        # Deviations from the median keep the digits that large offsets would cost.
        quantiles = _segment_quantiles(kept, segment, (0.25, 0.5, 0.75))
        centre = quantiles[:, 1]
        deviation = kept - np.repeat(centre, size)
        shift = np.add.reduceat(deviation, start) / size
        squares = np.add.reduceat((deviation - np.repeat(shift, size)) ** 2, start)
        figures["mean"][there] = centre + shift
        several = size > 1
        sd = np.full(len(size), np.nan)
        sd[several] = np.sqrt(squares[several] / (size[several] - 1))
        half = np.full(len(size), np.nan)
        enough = size >= max(fewest, 2)
        half[enough] = stdtrit(size[enough] - 1, (1 + confidence) / 2) * sd[enough] / np.sqrt(size[enough])
        figures["sd"][there] = sd
        figures["ci_low"][there], figures["ci_high"][there] = centre + shift - half, centre + shift + half
        figures["q1"][there], figures["median"][there], figures["q3"][there] = quantiles.T
        figures["minimum"][there], figures["maximum"][there] = kept[start], kept[start + size - 1]
    out["n"], out["n_missing"] = n, np.bincount(code[~good], minlength=number)
    if "carried" in values:
        out["n_carried"] = np.bincount(code[good & values["carried"].to_numpy(bool)], minlength=number)
    for name, column in figures.items():
        out[name] = column
    out["status"] = np.select([n == 0, n == 1, n < fewest], ["no_usable_value", "one_case", "few_cases"], "ok")
    return out


def _with_groups(values: pd.DataFrame, groups: pd.Series) -> pd.DataFrame:
    """The rows by group, and once more under `all` where there are several groups."""
    import pandas as pd

    names = values["case_id"].astype(str) if values["case_id"].dtype.name != "category" else values["case_id"]
    group = names.map(groups).astype("object").fillna(NOT_STATED)
    every = values.assign(group=ALL_GROUPS)
    if group.nunique() < 2:
        return every
    return pd.concat([every, values.assign(group=group.to_numpy())], ignore_index=True)


def cohort_summary(
    values: pd.DataFrame, chosen: pd.DataFrame, groups: pd.Series, settings: StatisticsSettings, rule: str
) -> pd.DataFrame:
    """Summary by group, phase, plan, measure, variant and method; phase_rule says which value of a case counts.

    values : frame of `case_values` (each phase); chosen : frame of `one_value_a_case`; rule : reader rule in words.

    Two invented cases in two phases; end-systole is at 30 %:

    >>> import pandas as pd
    >>> from outflow_cohort.stats import StatisticsSettings, one_value_a_case
    >>> values = pd.DataFrame({"case_id": ["a", "a", "b", "b"], "phase_pct": [30.0, 70] * 2, "measure": "neo_lvot_area",
    ...                        "variant": "full_frame", "method": "reader_path", "plan_id": "P1", "unit": "mm2",
    ...                        "value": [210.0, 300, 250, 340]})
    >>> chosen, groups = one_value_a_case(values, "end_systole"), pd.Series("one", index=["a", "b"])
    >>> found = cohort_summary(values, chosen, groups, StatisticsSettings(), "invented").set_index("phase_rule")
    >>> float(found.loc["end_systole", "mean"])
    230.0
    """
    import pandas as pd

    keys = ["group", "phase_pct", *SERIES]
    by_phase = values[values["phase_pct"].notna()]
    by_phase = by_phase.assign(carried=by_phase["n_carried"] > 0 if "n_carried" in by_phase else False)
    pieces = []
    for name, frame in ((EACH_PHASE, by_phase), (settings.phase_rule, chosen.assign(phase_pct=np.nan))):
        rows = summarise(_with_groups(frame, groups), keys, settings.confidence, settings.fewest_values)
        pieces.append(rows.assign(phase_rule=name))
    out = pd.concat(pieces, ignore_index=True)
    sizes = groups.value_counts().to_dict() | {ALL_GROUPS: len(groups)}
    out["n_group"] = out["group"].astype(str).map(sizes).fillna(0).astype("int64")
    out["readings_rule"] = rule
    out["definition"] = np.where(
        out["phase_rule"] == EACH_PHASE,
        f"one value per case: {rule}; phases in bins of {settings.curve_step_pct:g} %",
        f"one value per case: {rule}; {PHASE_RULES[settings.phase_rule]}",
    )
    out["source"] = SOURCE
    order = ["measure", "variant", "method", "plan_id", "phase_rule", "group", "phase_pct"]
    out = _text(out, ["group", *SERIES]).sort_values(order, kind="stable", na_position="first")
    columns = [
        "group", "phase_rule", "phase_pct", "plan_id", "measure", "variant", "method", "unit", *FIGURES, "status",
        "readings_rule", "definition", "source",
    ]  # fmt: skip
    return out[columns].reset_index(drop=True)


def phase_curves(summary: pd.DataFrame) -> pd.DataFrame:
    """The rows of `cohort_summary` by phase, for every quantity seen in at least two phases.

    Only rows of a quantity seen in at least two phases stay:

    >>> import pandas as pd
    >>> summary = pd.DataFrame({"phase_rule": "each_phase", "phase_pct": [30.0, 70, 30], "group": "all",
    ...                         "plan_id": "P1", "measure": ["neo_lvot_area"] * 2 + ["mitral_area"], "variant": "",
    ...                         "method": "", "unit": "mm2", "n": 2, "mean": [230.0, 320, 800]})
    >>> phase_curves(summary)["mean"].tolist()
    [230.0, 320.0]
    """
    rows = summary[(summary["phase_rule"] == EACH_PHASE) & (summary["n"] > 0)]
    keys = ["group", *SERIES]
    several = rows.groupby(keys, sort=False)["phase_pct"].transform("nunique") > 1
    return rows[several].sort_values([*keys, "phase_pct"], kind="stable").reset_index(drop=True)


def _text(frame: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    for name in names:
        frame[name] = frame[name].astype(str)
    return frame
