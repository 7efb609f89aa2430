"""Risk classes by cut-off: agreement of readers, and how many cases are too near a cut-off to be sure.

Areas mm2. A class is ordered by the cut-offs: class 0 is below the lowest one. The reproducibility coefficient (RDC)
is the difference that two readers stay within in 95 % of cases.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.agreement.classes import ROW_COLUMNS, class_agreement
from outflow_cohort.stats.cohort.cutoffs import AREA, below
from outflow_cohort.stats.data.one_value import is_plain
from outflow_cohort.stats.kernels.proportions import SOURCE as SHARE_SOURCE
from outflow_cohort.stats.kernels.proportions import share

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings

SERIES = ["plan_id", "measure", "variant", "method"]
COLUMNS = [*SERIES, "classes", "cutoff_id", *ROW_COLUMNS, "phase_rule"]
CROSSING = "share_crossing"
ALL_CUTOFFS = "all_cutoffs"


def risk_class(value: np.ndarray, cutoffs: Sequence[tuple[float, str]]) -> np.ndarray:
    """Number of cut-offs that each value is not below (0 = below all); cutoffs : (area, rule), ascending."""
    result: np.ndarray = (
        np.array([~below(value, cut, rule) for cut, rule in cutoffs], dtype=np.int64)
        .reshape(-1, len(value))
        .sum(axis=0)
    )
    return result


def crossing(value: np.ndarray, reach: float, cutoff: float) -> np.ndarray:
    """Whether value +- reach holds the cut-off: another reading may fall on its other side."""
    return np.abs(value - cutoff) <= reach


def risk_agreement(
    readings: pd.DataFrame,
    chosen: pd.DataFrame,
    rdc: Mapping[tuple[str, str, str, str], float],
    cutoffs: Sequence[Mapping[str, Any]],
    settings: StatisticsSettings,
) -> pd.DataFrame:
    """Rows per plan, variant and method of neo-LVOT area: agreement on each cut-off's two classes and on all classes
    together, and the share of cases whose value +- RDC crosses each cut-off.

    readings : one row per reading in the phase that counts; chosen : one value per case; rdc : by plan, measure,
    variant, method. Status `no_rdc` where the readings give no reproducibility coefficient.

    Two invented readers and four cases; with an RDC of 30 mm2 one case of four is within reach of the cut-off:

    >>> import pandas as pd
    >>> from outflow_cohort.stats import StatisticsSettings
    >>> common = {"measure": "neo_lvot_area", "variant": "full_frame", "method": "reader_path"}
    >>> common |= {"plan_id": "P1", "unit": "mm2"}
    >>> chosen = pd.DataFrame({"case_id": list("abcd"), "value": [150.0, 210, 310, 270], **common})
    >>> readings = pd.concat([chosen.assign(reader_id=reader, read_no=1, phase_pct=30.0) for reader in "AB"])
    >>> rdc = {("P1", "neo_lvot_area", "full_frame", "reader_path"): 30.0}
    >>> cutoffs, settings = [{"cutoff_id": "K", "area_mm2": 200.0}], StatisticsSettings(n_boot=200)
    >>> found = risk_agreement(readings, chosen, rdc, cutoffs, settings)
    >>> found.loc[found["statistic"].isin(["share_crossing", "same_class"]), "estimate"].tolist()
    [1.0, 0.25]
    """
    import pandas as pd

    listed = sorted((float(c["area_mm2"]), str(c.get("rule") or "at_or_below"), str(c["cutoff_id"])) for c in cutoffs)
    rows: list[dict[str, Any]] = []
    areas = readings[(readings["measure"] == AREA) & is_plain(readings["variant"])]
    chosen = chosen[is_plain(chosen["variant"])]
    sets = [(name, [(cut, rule)]) for cut, rule, name in listed]
    if len(listed) > 1:
        sets.append((ALL_CUTOFFS, [(cut, rule) for cut, rule, _ in listed]))
    for key, part in areas.groupby(SERIES, sort=True):
        for cutoff_id, cuts in sets:
            levels = list(range(len(cuts) + 1))
            classed = part.assign(**{"class": risk_class(part["value"].to_numpy(), cuts)})
            text = " | ".join(f"{'<' if rule == 'below' else '<='} {cut:g}" for cut, rule in cuts)
            names = dict(zip(SERIES, key, strict=True)) | {"cutoff_id": cutoff_id, "classes": text}
            rows += [names | row for row in class_agreement(classed, levels, settings)]
    of_cases = chosen[(chosen["measure"] == AREA) & chosen["value"].notna()]
    missing = chosen[(chosen["measure"] == AREA) & chosen["value"].isna()].groupby(SERIES).size().to_dict()
    for key, part in of_cases.groupby(SERIES, sort=True):
        reach = rdc.get(key, float("nan"))
        value = part["value"].to_numpy()
        for cut, rule, cutoff_id in listed:
            known = np.isfinite(reach)
            count = int(crossing(value, reach, cut).sum()) if known else 0
            found = share(count, len(value) if known else 0, confidence=settings.confidence)
            rows.append(
                dict(zip(SERIES, key, strict=True))
                | {"classes": f"{'<' if rule == 'below' else '<='} {cut:g}", "cutoff_id": cutoff_id}
                | {"kind": "between_readers", "comparison": "all_readers", "statistic": CROSSING}
                | {"estimate": found.estimate, "ci_low": found.ci_low, "ci_high": found.ci_high, "std_error": np.nan}
                | {"n_cases": len(value), "n_readers": None, "n_readings": None, "n_missing": missing.get(key, 0)}
                | {"unit": "1", "status": "ok" if known else "no_rdc"}
                | {"definition": f"share of cases whose value +- RDC ({reach:.4g}) holds the cut-off"}
                | {"source": f"Raunig 2015 Stat Methods Med Res 24:27 (RDC); {SHARE_SOURCE}"}
            )
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["phase_rule"] = settings.phase_rule
    for name in ("n_readers", "n_readings", "n_missing", "n_cases"):
        frame[name] = frame[name].astype("Int64")
    order = [*SERIES, "cutoff_id", "kind", "comparison", "statistic"]
    return frame.sort_values(order, kind="stable").reset_index(drop=True)
