"""The size each reading leads to under the study's own targets, and how far readers agree on it.

Lengths mm, areas mm2, oversizing in percent over the ring, by the formulas of `outflow_geometry.landmarks.sizing`.
A reading's size is the device whose oversizing is inside its target, nearest to the middle; between two sizes the
nearest target is taken; a ring beyond all targets has a class of its own. No target is built in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.agreement.classes import ROW_COLUMNS, class_agreement, pair_counts
from outflow_cohort.stats.data.one_value import ALL_GROUPS, NOT_STATED
from outflow_cohort.stats.kernels.proportions import SOURCE as SHARE_SOURCE
from outflow_cohort.stats.kernels.proportions import share

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings

BASES = {
    "area": ("mitral_area", "spline"),
    "perimeter": ("mitral_perimeter", "projected"),
    "diameter": ("mitral_diameter", "area"),
}
"""Basis of a target -> measure and variant that it is compared with."""
SMALL, LARGE = "ring_too_small", "ring_too_large"
CHOICE_COLUMNS = [
    "case_id", "group", "phase_pct", "reader_id", "read_no", "size", "oversizing_pct", "basis", "min_pct", "max_pct",
    "status", "definition", "source",
]  # fmt: skip
AGREEMENT_COLUMNS = ["target_group", "size_a", "size_b", "count", *ROW_COLUMNS, "phase_rule"]
SOURCE = "the study's sizing_targets.csv; percent over the ring"
DEFINITION = (
    "device whose oversizing is in its target, nearest to the middle of it; between two sizes the nearest target"
)


@dataclass(frozen=True)
class Target:
    """A device with the oversizing that the study aims at, for one group or all (group '')."""

    device_id: str
    diameter: float
    group: str
    basis: str
    low: float
    high: float


def targets_of(rows: Sequence[Mapping[str, Any]], devices: Mapping[str, Mapping[str, Any]]) -> list[Target]:
    """Targets of the study in order of diameter; rows whose device has no diameter are left out."""
    found = [
        Target(
            device_id=str(row["device_id"]),
            diameter=float(devices[row["device_id"]]["nominal_diameter_mm"]),
            group=str(row.get("group") or ""),
            basis=str(row["basis"]),
            low=float(row["min_pct"]),
            high=float(row["max_pct"]),
        )
        for row in rows
        if row["device_id"] in devices and devices[row["device_id"]].get("nominal_diameter_mm") is not None
    ]
    return sorted(found, key=lambda t: (t.diameter, t.device_id, t.basis, t.group))


def oversizing(target: Target, ring: float) -> float:
    """Percent by which the target's device is larger than the ring; NaN where the ring's size is not above 0."""
    from outflow_geometry.landmarks import sizing

    if not (np.isfinite(ring) and ring > 0):
        return float("nan")
    formula = {
        "area": sizing.area_oversizing,
        "perimeter": sizing.perimeter_oversizing,
        "diameter": sizing.diameter_oversizing,
    }[target.basis]
    return float(formula(target.diameter, ring))


def choose_size(ring: Mapping[str, float], group: str, targets: Sequence[Target]) -> tuple[str, Target | None, float]:
    """Size for a ring (basis -> its area, perimeter, diameter): name, target it comes from, oversizing.

    A target of the case's own group comes before one for all. Name '' where there is no target or no ring size.

    Invented devices; 23 mm is 15 % over a ring of 20 mm and 26 mm is 30 %, where 10 to 20 % is wanted:

    >>> targets = [Target(f"invented-{size}", float(size), "", "diameter", 10.0, 20.0) for size in (23, 26)]
    >>> size, target, over = choose_size({"diameter": 20.0}, "", targets)
    >>> size, round(over, 3)
    ('invented-23', 15.0)
    """
    own = [t for t in targets if t.group == group and group] or [t for t in targets if not t.group]
    rated = [(t, oversizing(t, ring.get(t.basis, float("nan")))) for t in own]
    rated = [(t, over) for t, over in rated if np.isfinite(over)]
    if not rated:
        return "", None, float("nan")

    def distance(item: tuple[Target, float]) -> tuple[float, float, float, str]:
        t, over = item
        return max(t.low - over, over - t.high, 0.0), abs(over - (t.low + t.high) / 2), t.diameter, t.device_id

    best, over = min(rated, key=distance)
    if all(o > t.high for t, o in rated):
        return SMALL, best, over
    if all(o < t.low for t, o in rated):
        return LARGE, best, over
    return best.device_id, best, over


def size_levels(targets: Sequence[Target]) -> list[str]:
    """All sizes in order, with the rings beyond them at either end."""
    return [SMALL, *dict.fromkeys(t.device_id for t in targets), LARGE]


def size_choices(readings: pd.DataFrame, groups: pd.Series, targets: Sequence[Target]) -> pd.DataFrame:
    """One row per reading with the size it leads to. readings : measurements in the phase that counts.

    Two readers of one case, invented:

    >>> import pandas as pd
    >>> targets = [Target(f"invented-{size}", float(size), "", "diameter", 10.0, 20.0) for size in (23, 26)]
    >>> frame = pd.DataFrame({"case_id": "C1", "phase_pct": 30.0, "reader_id": ["A", "B"], "read_no": 1,
    ...                       "measure": "mitral_diameter", "variant": "area", "value": [20.0, 22.5]})
    >>> size_choices(frame, pd.Series({"C1": "all"}), targets)["size"].tolist()
    ['invented-23', 'invented-26']
    """
    import pandas as pd

    keys = ["case_id", "phase_pct", "reader_id", "read_no"]
    wanted = {pair: basis for basis, pair in BASES.items()}
    pairs = pd.Series(list(zip(readings["measure"], readings["variant"], strict=True)), index=readings.index)
    rows = readings[pairs.isin(list(wanted))].copy()
    rows["basis"] = pairs[rows.index].map(wanted)
    out: list[dict[str, Any]] = []
    for key, part in rows.groupby(keys, sort=True, dropna=False):
        ring = dict(zip(part["basis"], part["value"], strict=True))
        group = str(groups.get(key[0], NOT_STATED))
        size, target, over = choose_size(ring, group, targets)
        inside = target is not None and target.low <= over <= target.high
        status = "no_target" if target is None else "ok" if inside else "outside_all_targets"
        if status == "outside_all_targets" and size not in (SMALL, LARGE):
            status = "between_targets"
        out.append(
            dict(zip(keys, key, strict=True))
            | {"group": group, "size": size, "oversizing_pct": over, "status": status}
            | {"basis": target.basis if target else "", "min_pct": target.low if target else np.nan}
            | {"max_pct": target.high if target else np.nan, "definition": DEFINITION, "source": SOURCE}
        )
    return pd.DataFrame(out, columns=CHOICE_COLUMNS)


def size_agreement(choices: pd.DataFrame, targets: Sequence[Target], settings: StatisticsSettings) -> pd.DataFrame:
    """Counts of the sizes that two readers' readings of a case lead to (size_a, size_b, count) and the agreement rows.

    A row has either count or statistic. Cases with targets of their own group are counted separately (`strata`).

    Two readers who agree on two of three invented cases:

    >>> import pandas as pd
    >>> from outflow_cohort.stats import StatisticsSettings
    >>> targets = [Target(f"invented-{size}", float(size), "", "diameter", 10.0, 20.0) for size in (23, 26)]
    >>> rows = [("a", 23, 23), ("b", 26, 26), ("c", 23, 26)]
    >>> choices = pd.DataFrame([(c, "all", r, 1, f"invented-{s}") for c, *sizes in rows for r, s in zip("AB", sizes)])
    >>> choices = choices.set_axis(["case_id", "group", "reader_id", "read_no", "size"], axis=1)
    >>> found = size_agreement(choices, targets, StatisticsSettings(n_boot=200)).set_index("statistic")
    >>> round(float(found.loc["same_class", "estimate"]), 3)
    0.667
    """
    import pandas as pd

    classed = choices.rename(columns={"size": "class"})
    rows: list[dict[str, Any]] = []
    for name, part, own in strata(classed, targets):
        levels = size_levels(own)
        counted = [
            {"kind": "between_readers", "comparison": comparison, "size_a": a, "size_b": b, "count": count}
            | {"unit": "1", "status": "ok", "source": SOURCE}
            | {"definition": "cases by size of the second named reader (size_a) and of the first (size_b), first reads"}
            for comparison, a, b, count in pair_counts(part, levels)
        ]
        rows += [{"target_group": name} | row for row in [*counted, *class_agreement(part, levels, settings)]]
    frame = pd.DataFrame(rows, columns=AGREEMENT_COLUMNS)
    frame["phase_rule"] = settings.phase_rule
    for name in ("count", "n_readers", "n_readings", "n_missing", "n_cases"):
        frame[name] = frame[name].astype("Int64")
    return frame


def strata(choices: pd.DataFrame, targets: Sequence[Target]) -> list[tuple[str, pd.DataFrame, list[Target]]]:
    """Cases whose sizes come from the same targets: group of the targets ('' = those for all), choices, targets.

    Readers always agree on the targets of a case, so kappa over several sets of targets would count that as agreement
    on the size.
    """
    own_groups = sorted({t.group for t in targets if t.group} & set(choices["group"]))
    found = [(g, choices[choices["group"] == g], [t for t in targets if t.group == g]) for g in own_groups]
    rest = choices[~choices["group"].isin(own_groups)]
    if len(rest) or not found:
        found.append(("", rest, [t for t in targets if not t.group]))
    return found


def size_shares(choices: pd.DataFrame, targets: Sequence[Target], settings: StatisticsSettings) -> pd.DataFrame:
    """How many cases lead to each size by group: size of the first read of the reference reader, else of the
    alphabetically first reader; share with Wilson interval.

    Three of four invented cases lead to the smaller size:

    >>> import pandas as pd
    >>> from outflow_cohort.stats import StatisticsSettings
    >>> targets = [Target(f"invented-{size}", float(size), "", "diameter", 10.0, 20.0) for size in (23, 26)]
    >>> choices = pd.DataFrame({"case_id": list("abcd"), "reader_id": "A", "read_no": 1, "group": "all",
    ...                         "size": ["invented-23"] * 3 + ["invented-26"]})
    >>> found = size_shares(choices, targets, StatisticsSettings())
    >>> float(found.loc[found["size"] == "invented-23", "estimate"].iloc[0])
    0.75
    """
    import pandas as pd

    rows: list[dict[str, Any]] = []
    ordered = choices[choices["size"] != ""].sort_values(["case_id", "reader_id", "read_no"], kind="stable")
    if settings.reference_reader:
        ordered = ordered[ordered["reader_id"] == settings.reference_reader]
    first = ordered.drop_duplicates("case_id")
    for group in [ALL_GROUPS, *sorted(set(first["group"]))]:
        part = first if group == ALL_GROUPS else first[first["group"] == group]
        for size in size_levels(targets):
            found = share(int((part["size"] == size).sum()), len(part), confidence=settings.confidence)
            rows.append(
                {"group": group, "size": size, "count": found.x, "n": found.n, "estimate": found.estimate}
                | {"ci_low": found.ci_low, "ci_high": found.ci_high, "unit": "1", "status": found.status}
                | {"phase_rule": settings.phase_rule, "readings_rule": _reader_text(settings)}
                | {"definition": DEFINITION, "source": f"{SOURCE}; {SHARE_SOURCE}"}
            )
    columns = ["group", "size", "count", "n", "estimate", "ci_low", "ci_high", "unit", "status", "phase_rule"]
    return pd.DataFrame(rows, columns=[*columns, "readings_rule", "definition", "source"])


def _reader_text(settings: StatisticsSettings) -> str:
    if settings.reference_reader:
        return f"first read of reader {settings.reference_reader}"
    return "first read of the alphabetically first reader"
