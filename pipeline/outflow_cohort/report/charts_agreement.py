"""Charts of agreement: Bland-Altman, intraclass correlation by measure, reader bias, landmarks, sizes.

Statistics come from the tables; nothing is estimated here but the points of the scatter plots.
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from outflow_cohort.report import palette
from outflow_cohort.report.charts_cohort import FEW_POINTS, frame_table, slug
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.numbers import difference_digits, estimate, is_number, number, unit_text, with_unit
from outflow_cohort.report.page import Figure
from outflow_cohort.report.svg import Axes, Drawing, padded, shorten
from outflow_cohort.report.wording import measure_title, method_text, words
from outflow_cohort.stats.agreement import ALL_GROUPS, NO_PHASE, ONE_PER_CASE, one_phase_per_case

MOST_FOREST_ROWS = 44
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
    """Rows of the agreement table over all groups with one phase a case."""
    if not len(rows):
        return rows
    for column, wanted in (("phase_rule", ONE_PER_CASE), ("group", ALL_GROUPS)):
        if column in rows:
            rows = rows[rows[column] == wanted]
    return rows


def of_measure(rows: pd.DataFrame, measure: str, variant: str, method: str, plans: set[str]) -> pd.DataFrame:
    """Rows of one measure, of the first plan where there are several."""
    if not has(rows, ["measure", "variant", "statistic", "estimate"]):
        return rows.head(0)
    mine = rows[(rows["measure"] == measure) & (rows["variant"] == variant) & (rows["method"] == method)]
    mine = mine[mine["plan_id"].fillna("").isin(plans)]
    return mine[mine["plan_id"].fillna("") == mine["plan_id"].fillna("").min()] if len(mine) else mine


def bland_altman_figures(cohort: Cohort, spec: str, rows: pd.DataFrame) -> list[Figure]:
    """Difference against mean, a figure a pair of readers; above MOST_PAIRS pairs one figure for all."""
    picked = cohort.pick(spec)
    data = pair_differences(picked)
    if not len(data):
        return []
    unit = str(picked["unit"].iloc[0])
    measure, variant, method = cohort.variant_of(spec)
    mine = of_measure(headline_rows(rows), measure, variant, method, set(picked["plan_id"]))
    pairs = list(dict.fromkeys(data["pair"]))
    shown = [(pair, data[data["pair"] == pair].reset_index(drop=True)) for pair in pairs]
    if len(pairs) > MOST_PAIRS:
        shown = [("between_readers", data)]
    frames = [(pair, part, limit_lines(mine, pair)) for pair, part in shown]
    spans = [v for _, _, lines in frames for line in lines for v in line[1:] if is_number(v)]
    ranges = padded(data["mean"]), padded(data["difference"], include=[0.0, *spans])
    title = measure_title(measure, variant)
    return [_bland_altman(title, spec, pair, part, lines, unit, ranges) for pair, part, lines in frames]


def _bland_altman(
    title: str,
    spec: str,
    pair: str,
    data: pd.DataFrame,
    lines: list[tuple[str, float, float, float]],
    unit: str,
    ranges: tuple[tuple[float, float], tuple[float, float]],
) -> Figure:
    name = "two readers drawn at random" if pair == "between_readers" else pair.replace(" - ", " − ")
    shown_unit = f", {unit_text(unit)}" if unit_text(unit) else ""
    d = Drawing(300, 256, f"{title}: {name}", "Difference against mean, with bias and limits of agreement.")
    axes = Axes(d, 44, 32, 256, 212, *ranges)
    axes.left_axis(f"{shorten(name, 150)}{shown_unit}")
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
    caption = (
        f"{'; '.join(said)}{f' {unit_text(unit)}' if unit_text(unit) else ''}." if said else "No limits in the tables."
    )
    labels = {"mean": ("Mean of both", unit), "difference": ("Difference", unit), "phase_pct": ("Phase, %", "pct0")}
    file = slug(f"bland-altman-{spec}-{pair}")
    return Figure(d, caption[:1].upper() + caption[1:], frame_table(data, labels), file, True, data)


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


def forest_figure(
    rows: pd.DataFrame, statistic: str, title: str, name: str, caption: str, main_solid: str = ""
) -> Figure | None:
    """One statistic between 0 and 1 with its interval, a row a measure."""
    if not has(rows, ["measure", "statistic", "estimate"]):
        return None
    rows = headline_rows(rows)
    mine = rows[(rows["statistic"] == statistic) & rows["estimate"].notna()]
    if not len(mine):
        return None
    keep = [
        c
        for c in (
            "measure",
            "variant",
            "method",
            "plan_id",
            "comparison",
            "estimate",
            "ci_low",
            "ci_high",
            "n_cases",
            "n_readers",
        )
        if c in mine
    ]
    mine = mine[keep].reset_index(drop=True)
    shown = mine
    if len(shown) > MOST_FOREST_ROWS:
        plain = (
            ~shown["variant"].fillna("").str.contains("/") if "variant" in shown else pd.Series(True, index=shown.index)
        )
        shown = shown[plain]
    if len(shown) > MOST_FOREST_ROWS and "variant" in shown:
        solids = shown["variant"].fillna("").isin(("skirt", "leaflet_limited", "prosthesis_leaflet", "prosthesis_post"))
        shown = shown[~solids]
    shown = shown.head(MOST_FOREST_ROWS)
    low = min(0.0, float(np.floor(shown[[c for c in ("estimate", "ci_low") if c in shown]].min().min() * 5) / 5))
    low = max(low, -1.0)
    height = 30 + 19 * len(shown) + 40
    d = Drawing(760, height, title, f"{len(shown)} measures with their 95 % intervals.")
    axes = Axes(d, 372, 22, 640, 26 + 19 * len(shown), (low, 1.0), (0.0, 1.0))
    for v in np.arange(np.ceil(low * 5) / 5, 1.01, 0.2):
        d.line(axes.x(v), axes.top, axes.x(v), axes.bottom, class_="grid")
    for i, row in enumerate(shown.itertuples(index=False)):
        y = axes.top + 14 + 19 * i
        label = measure_title(row.measure, getattr(row, "variant", "") or "")
        method = getattr(row, "method", "") or ""
        d.text(0, y + 3.5, shorten(f"{label} · {method_text(method)}" if method else label, 362))
        ci = (getattr(row, "ci_low", None), getattr(row, "ci_high", None))
        if is_number(ci[0]) and is_number(ci[1]):
            d.line(axes.x(max(ci[0], low)), y, axes.x(min(ci[1], 1.0)), y, stroke=palette.BLUE, stroke_width=1.5)
        d.mark(axes.x(max(min(row.estimate, 1.0), low)), y, "square", palette.ACCENT, 3.4)
        d.text(652, y + 3.5, estimate(row.estimate, *ci, digits=2), class_="s")
    axes.bottom_axis(title, values=[round(float(v), 1) for v in np.arange(np.ceil(low * 5) / 5, 1.01, 0.2)])
    labels = {c: (words(c).capitalize(), "1") for c in ("estimate", "ci_low", "ci_high")}
    return Figure(d, caption, frame_table(mine, labels), name, True, mine)


def reader_bias_figure(cohort: Cohort, spec: str, rows: pd.DataFrame) -> Figure | None:
    """How far each reader lies from the mean of all, with interval."""
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
    axes = Axes(d, 110, 14, 388, 20 + 24 * len(mine), padded([*spans, *[-v for v in spans]], 0.05), (0.0, 1.0))
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
        d,
        f"{caption[:1].upper()}{caption[1:]}.",
        frame_table(mine, labels),
        slug(f"reader-bias-{measure}-{variant}"),
        True,
        mine,
    )


def matrix_figure(
    frame: pd.DataFrame, row: str, column: str, value: str, title: str, name: str, caption: str
) -> Figure:
    """A table of counts as shaded squares with the counts written in."""
    wide = frame.pivot_table(index=row, columns=column, values=value, aggfunc="sum", fill_value=0)
    names_r, names_c = list(wide.index), list(wide.columns)
    cell, left, top = 44.0, 130.0, 60.0
    d = Drawing(left + cell * len(names_c) + 10, top + cell * len(names_r) + 10, title, caption)
    most = max(float(wide.to_numpy().max()), 1.0)
    d.text(left, 14, words(column), class_="q")
    d.text(0, top - 8, words(row), class_="q")
    for j, label in enumerate(names_c):
        d.text(left + cell * (j + 0.5), top - 24 + 16 * (j % 2), shorten(str(label), cell * 1.9), "middle", class_="s")
    for i, label in enumerate(names_r):
        d.text(left - 8, top + cell * (i + 0.5) + 4, shorten(str(label), left - 10), "end", class_="s")
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
    return Figure(d, caption, frame_table(frame, {value: (words(value).capitalize(), "count")}), name, True, frame)
