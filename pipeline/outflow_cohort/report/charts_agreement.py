"""Charts of agreement: Bland-Altman of readers and of methods, reader bias, sizes.

Statistics come from the tables; nothing is estimated here but the points of the scatter plots.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from outflow_cohort.report import palette
from outflow_cohort.report.charts_cohort import FEW_POINTS
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.frame_tables import frame_table, slug
from outflow_cohort.report.headline import of_headline_plan
from outflow_cohort.report.numbers import (
    difference_digits,
    estimate,
    is_number,
    number,
    unit_after,
    unit_text,
    with_unit,
)
from outflow_cohort.report.page import Figure
from outflow_cohort.report.svg import Axes, Drawing, padded, shorten
from outflow_cohort.report.wording import measure_title, method_text, words
from outflow_cohort.stats.agreement.agreement_table import ALL_GROUPS, NO_PHASE, ONE_PER_CASE, one_phase_per_case

MOST_PAIRS = 6
"""Pairs of readers (of up to four readers) with a figure each."""


def pair_differences(frame: pd.DataFrame) -> pd.DataFrame:
    """Differences of each pair of readers on the same case, phase, plan and read: columns pair, mean, difference.

    A case counts with one phase, the one the agreement table takes; a pair is named as it is there.
    """
    if not len(frame):
        return pd.DataFrame(columns=["pair", "mean", "difference"])
    named = {"case_id": "_case", "reader_id": "_reader", "value": "_value"}
    held = one_phase_per_case(frame.rename(columns=named).assign(_phase=frame["phase_pct"].fillna(NO_PHASE)))
    wide = held.pivot_table(
        index=["_case", "_phase", "plan_id", "read_no"], columns="_reader", values="_value", aggfunc="mean"
    )
    parts = []
    for first, second in itertools.combinations(sorted(wide.columns), 2):
        both = wide[[first, second]].dropna().reset_index()
        parts.append(
            pd.DataFrame(
                {
                    "case_id": both["_case"],
                    "phase_pct": both["_phase"].where(both["_phase"] != NO_PHASE),
                    "plan_id": both["plan_id"],
                    "read_no": both["read_no"],
                    "pair": f"{second} - {first}",
                    "mean": (both[first] + both[second]) / 2,
                    "difference": both[second] - both[first],
                }
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["pair", "mean", "difference"])


def headline_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of the agreement table over all groups with one phase per case."""
    if not len(rows):
        return rows
    for column, wanted in (("phase_rule", ONE_PER_CASE), ("group", ALL_GROUPS)):
        if column in rows:
            rows = rows[rows[column] == wanted]
    return rows


def of_measure(rows: pd.DataFrame, measure: str, variant: str, method: str, plans: set[str]) -> pd.DataFrame:
    """Rows of one measure, of the headline plan where there are several."""
    if not has(rows, ["measure", "variant", "statistic", "estimate"]):
        return rows.head(0)
    mine = rows[(rows["measure"] == measure) & (rows["variant"] == variant) & (rows["method"] == method)]
    return of_headline_plan(mine[mine["plan_id"].fillna("").isin(plans)])


def bland_altman_figures(cohort: Cohort, spec: str, rows: pd.DataFrame) -> list[Figure]:
    """Difference against mean, a figure per pair of readers; above MOST_PAIRS pairs one figure for all."""
    picked = cohort.pick(spec)
    data = pair_differences(picked)
    if not len(data):
        return []
    unit = str(picked["unit"].iloc[0])
    measure, variant, method = cohort.variant_of(spec)
    mine = of_measure(headline_rows(rows), measure, variant, method, set(picked["plan_id"]))
    if len(mine):
        data = data[data["plan_id"] == (mine["plan_id"].iloc[0] or "")]
    pairs = list(dict.fromkeys(data["pair"]))
    shown = [(pair, data[data["pair"] == pair].reset_index(drop=True)) for pair in pairs]
    if len(pairs) > MOST_PAIRS:
        shown = [("between_readers", data)]
    frames = [(pair, part, limit_lines(mine, pair)) for pair, part in shown]
    spans = [v for _, _, lines in frames for line in lines for v in line[1:] if is_number(v)]
    ranges = padded(data["mean"]), padded(data["difference"], include=[0.0, *spans])
    title = measure_title(measure, variant)
    return [
        _bland_altman(
            title,
            slug(f"bland-altman-{spec}-{pair}"),
            "two readers drawn at random" if pair == "between_readers" else pair.replace(" - ", " − "),
            part,
            lines,
            unit,
            ranges,
        )
        for pair, part, lines in frames
    ]


METHOD_KEYS = ["_case", "_phase", "_reader", "_read", "plan_id"]
TRACED = "traced_area"


def method_figures(cohort: Cohort, specs: Sequence[str]) -> list[Figure]:
    """Difference against mean of two methods on the same readings, for measures that have two; with the traced area."""
    rows = headline_rows(cohort.table("method_agreement"))
    if not has(rows, ["measure", "variant", "method", "plan_id", "comparison", "statistic", "estimate"]):
        return []
    out = []
    for spec in [*specs, TRACED]:
        measure, variant, _ = cohort.variant_of(spec)
        mine = rows[(rows["measure"] == measure) & (rows["variant"] == variant)]
        if spec == TRACED:
            area, solid, method = cohort.variant_of("neo_lvot_area")
            mine = mine[mine["comparison"].str.endswith(f" - {area} {solid} {method}")]
        for comparison, part in of_headline_plan(mine).groupby("comparison", sort=True):
            out.append(_method_figure(cohort, spec, str(comparison), part))
    return [f for f in out if f is not None]


def _method_figure(cohort: Cohort, spec: str, comparison: str, part: pd.DataFrame) -> Figure | None:
    first_name, second_name = part["method"].iloc[0].split(" - ")
    measure, variant = part["measure"].iloc[0], part["variant"].iloc[0]
    first = _readings(cohort, measure, variant, first_name)
    other, other_variant = (measure, variant) if spec != TRACED else cohort.variant_of("neo_lvot_area")[:2]
    second = _readings(cohort, other, other_variant, second_name)
    plan = part["plan_id"].iloc[0] or ""
    if spec == TRACED:
        first = first.assign(plan_id=plan)
    both = first.merge(second, on=METHOD_KEYS, suffixes=("", "_other"))
    both = both[both["plan_id"] == plan]
    if not len(both):
        return None
    both = one_phase_per_case(both)
    data = pd.DataFrame(
        {
            "case_id": both["_case"], "phase_pct": both["_phase"].where(both["_phase"] != NO_PHASE),
            "plan_id": both["plan_id"], "reader_id": both["_reader"], "read_no": both["_read"],
            "mean": (both["_value"] + both["_value_other"]) / 2, "difference": both["_value"] - both["_value_other"],
        }
    ).reset_index(drop=True)  # fmt: skip
    lines = limit_lines(part, comparison)
    unit = str(both["unit"].iloc[0])
    spans = [v for line in lines for v in line[1:] if is_number(v)]
    ranges = padded(data["mean"]), padded(data["difference"], include=[0.0, *spans])
    title = measure_title(measure, variant)
    if spec == TRACED:
        title = f"{measure_title(measure)} and {measure_title(other, other_variant)}"
    name = f"{method_text(first_name)} − {method_text(second_name)}"
    file = slug(f"methods-{spec}-{first_name}-{second_name}")
    return _bland_altman(title, file, name, data, lines, unit, ranges)


def _readings(cohort: Cohort, measure: str, variant: str, method: str) -> pd.DataFrame:
    """Usable readings of one quantity, under the names that the agreement tables reduce by."""
    frame = cohort.values(measure)
    wanted = (frame["variant"] == variant) & (frame["method"] == method)
    frame = frame[wanted & frame["status"].isin(cohort.statistics.usable_statuses) & (frame["reader_id"] != "")]
    named = {"case_id": "_case", "reader_id": "_reader", "value": "_value", "read_no": "_read"}
    out = frame.rename(columns=named).assign(_phase=frame["phase_pct"].fillna(NO_PHASE))
    return out[[*METHOD_KEYS, "_value", "unit"]]


def _bland_altman(
    title: str,
    file: str,
    name: str,
    data: pd.DataFrame,
    lines: list[tuple[str, float, float, float]],
    unit: str,
    ranges: tuple[tuple[float, float], tuple[float, float]],
) -> Figure:
    shown_unit = f", {unit_text(unit)}" if unit_text(unit) else ""
    d = Drawing(300, 256, f"{title}: {name}", "Difference against mean, with bias and limits of agreement.")
    axes = Axes(drawing=d, left=44, top=32, right=256, bottom=212, x_range=ranges[0], y_range=ranges[1])
    axes.left_axis(shorten(f"{name}{shown_unit}", 250, 10.5))
    d.line(axes.left, axes.y(0), axes.right, axes.y(0), stroke=palette.INK, stroke_width=0.8)
    points = axes.points(data["mean"], data["difference"])
    if len(data) > FEW_POINTS:
        d.dots(points, palette.BLUE, 1.6, 0.55)
    else:
        for (x, y), case, value in zip(points, data["case_id"], data["difference"], strict=True):
            d.mark(x, y, "circle", palette.BLUE, 2.4, f"{case}: {with_unit(value, unit)}", 0.75)
    digits = difference_digits(unit)
    for what, value, low, high in lines:
        y = axes.y(value)
        if is_number(low) and is_number(high):
            d.rect(
                axes.left, axes.y(high), axes.right - axes.left, axes.y(low) - axes.y(high), fill=palette.ACCENT,
                fill_opacity=0.1,
            )  # fmt: skip
        dash = "" if what == "bias" else "6 3"
        d.line(axes.left, y, axes.right, y, stroke=palette.ACCENT, stroke_width=1.3, stroke_dasharray=dash)
        d.text(axes.right + 4, y + 3.5, number(value, digits=digits), class_="s")
    axes.bottom_axis(f"mean of the two{shown_unit}")
    said = [f"{words(what)} {estimate(value, low, high, digits=digits)}" for what, value, low, high in lines]
    caption = f"{'; '.join(said)}{unit_after(unit)}." if said else "No limits in the tables."
    labels = {"mean": ("Mean of both", unit), "difference": ("Difference", unit), "phase_pct": ("Phase, %", "pct0")}
    return Figure(
        drawing=d,
        caption=caption[:1].upper() + caption[1:],
        table=frame_table(data, labels),
        name=file,
        files=True,
        data=data,
    )


LIMITS = (("bias", "bias"), ("lower_limit", "loa_lower"), ("upper_limit", "loa_upper"))


def limit_lines(mine: pd.DataFrame, comparison: str) -> list[tuple[str, float, float, float]]:
    """(name, estimate, ci_low, ci_high) of bias and limits of one comparison, where the table has them."""
    out = []
    for name, statistic in LIMITS if len(mine) else ():
        found = mine[(mine["statistic"] == statistic) & (mine["comparison"] == comparison) & mine["estimate"].notna()]
        if len(found):
            row = found.iloc[0]
            out.append((name, float(row["estimate"]), row.get("ci_low", np.nan), row.get("ci_high", np.nan)))
    return out


def reader_bias_figure(cohort: Cohort, spec: str, rows: pd.DataFrame) -> Figure | None:
    """How far each reader is from the mean of all, with interval."""
    picked = cohort.pick(spec)
    if not len(picked):
        return None
    unit = str(picked["unit"].iloc[0])
    measure, variant, method = cohort.variant_of(spec)
    mine = of_measure(headline_rows(rows), measure, variant, method, set(picked["plan_id"]))
    if len(mine):
        mine = mine[(mine["statistic"] == "reader_bias") & mine["estimate"].notna()]
    if not len(mine):
        return None
    keep = [c for c in ("comparison", "estimate", "ci_low", "ci_high", "n_cases") if c in mine]
    mine = mine[keep].sort_values("comparison", kind="stable").reset_index(drop=True)
    spans = [v for c in ("estimate", "ci_low", "ci_high") if c in mine for v in mine[c] if is_number(v)]
    title = measure_title(measure, variant)
    d = Drawing(400, 40 + 24 * len(mine) + 40, title, "Bias of each reader against the mean of all.")
    axes = Axes(
        drawing=d,
        left=110,
        top=14,
        right=388,
        bottom=20 + 24 * len(mine),
        x_range=padded([*spans, *[-v for v in spans]], 0.05),
        y_range=(0.0, 1.0),
    )
    d.line(axes.x(0), axes.top, axes.x(0), axes.bottom, stroke=palette.INK, stroke_width=0.8)
    for i, row in enumerate(mine.itertuples(index=False)):
        y = axes.top + 14 + 24 * i
        d.text(0, y + 3.5, shorten(str(row.comparison).removesuffix(" - all readers"), 104))
        if is_number(getattr(row, "ci_low", None)):
            d.line(axes.x(row.ci_low), y, axes.x(row.ci_high), y, stroke=palette.BLUE, stroke_width=1.5)
        d.mark(
            axes.x(row.estimate), y, "circle", palette.ACCENT, 3.6, f"{row.comparison}: {with_unit(row.estimate, unit)}"
        )
    axes.bottom_axis(f"reader − mean of all{f', {unit_text(unit)}' if unit_text(unit) else ''}")
    labels = {c: (words(c).capitalize(), unit) for c in ("estimate", "ci_low", "ci_high")}
    caption = method_text(method)
    return Figure(
        drawing=d,
        caption=f"{caption[:1].upper()}{caption[1:]}.",
        table=frame_table(mine, labels),
        name=slug(f"reader-bias-{measure}-{variant}"),
        files=True,
        data=mine,
    )


def matrix_figure(
    frame: pd.DataFrame, row: str, column: str, value: str, title: str, name: str, caption: str
) -> Figure:
    """A table of counts as shaded squares with the counts written in."""
    wide = frame.pivot_table(index=row, columns=column, values=value, aggfunc="sum", fill_value=0)
    names_r, names_c = list(wide.index), list(wide.columns)
    cell, left, top = 50.0, 130.0, 60.0
    d = Drawing(left + cell * len(names_c) + 26, top + cell * len(names_r) + 10, title, caption)
    most = max(float(wide.to_numpy().max()), 1.0)
    d.text(left, 14, words(column), class_="q")
    d.text(0, top - 8, words(row), class_="q")
    for j, label in enumerate(names_c):
        name_above = shorten(words(str(label)), cell * 1.95, 10)
        d.text(left + cell * (j + 0.5), top - 24 + 16 * (j % 2), name_above, "middle", class_="s")
    for i, label in enumerate(names_r):
        d.text(left - 8, top + cell * (i + 0.5) + 4, shorten(words(str(label)), left - 10, 10), "end", class_="s")
        for j in range(len(names_c)):
            n = float(wide.iloc[i, j])
            colour = palette.cividis(1 - n / most) if n else "#FFFFFF"
            d.rect(left + cell * j, top + cell * i, cell - 2, cell - 2, fill=colour, stroke="#C7CDD3", stroke_width=0.6)
            d.text(
                left + cell * (j + 0.5) - 1,
                top + cell * (i + 0.5) + 4,
                number(n, digits=0),
                "middle",
                style=f"fill:{palette.ink_on(colour)}",
            )
    return Figure(
        drawing=d,
        caption=caption,
        table=frame_table(frame, {value: (words(value).capitalize(), "count")}),
        name=name,
        files=True,
        data=frame,
    )
