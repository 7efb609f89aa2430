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
from outflow_cohort.report.svg import MOST_DOTS, Axes, Drawing, padded, shorten
from outflow_cohort.report.wording import measure_title, method_text, words

MOST_FOREST_ROWS = 44
READING_KEYS = ["case_id", "phase_pct", "plan_id", "read_no"]


def pair_differences(frame: pd.DataFrame) -> pd.DataFrame:
    """Differences of each pair of readers on the same case, phase, plan and read: columns pair, mean, difference."""
    frame = frame[frame["phase_pct"].notna()] if frame["phase_pct"].notna().any() else frame
    wide = frame.assign(phase_pct=frame["phase_pct"].fillna(-1.0)).pivot_table(
        index=READING_KEYS, columns="reader_id", values="value", aggfunc="mean"
    )
    parts = []
    for a, b in itertools.combinations(sorted(wide.columns), 2):
        both = wide[[a, b]].dropna()
        parts.append(
            pd.DataFrame(
                {"pair": f"{a} − {b}", "mean": (both[a] + both[b]) / 2, "difference": both[a] - both[b]}
            ).reset_index()
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["pair", "mean", "difference"])


def bland_altman_figure(cohort: Cohort, spec: str, rows: pd.DataFrame) -> Figure | None:
    """Differences between readers against their mean; bias and limits of agreement as the tables give them."""
    picked = cohort.pick(spec)
    picked = picked[~picked["variant"].str.contains("/", regex=False)] if len(picked) else picked
    data = pair_differences(picked) if len(picked) else picked
    if not len(data):
        return None
    unit = str(picked["unit"].iloc[0])
    measure, variant, method = cohort.variant_of(spec)
    lines = limit_lines(rows, measure, variant, method)
    spans = [v for row in lines for v in row[1:] if is_number(v)]
    title = measure_title(measure, variant)
    d = Drawing(400, 286, title, "Difference of two readers against their mean, with bias and limits of agreement.")
    axes = Axes(d, 46, 32, 332, 212, padded(data["mean"]), padded(data["difference"], include=[0.0, *spans]))
    axes.left_axis(f"difference{f', {unit_text(unit)}' if unit_text(unit) else ''}")
    d.line(axes.left, axes.y(0), axes.right, axes.y(0), stroke=palette.INK, stroke_width=0.8)
    pairs = sorted(set(data["pair"]))
    crowded = len(data) > MOST_DOTS
    if crowded:
        d.dots(axes.points(data["mean"], data["difference"]), palette.BLUE, 1.4)
    for i, pair in enumerate([] if crowded else pairs):
        mine = data[data["pair"] == pair]
        colour, mark = palette.CATEGORIES[i % 7], palette.MARKS[i % 7]
        points = axes.points(mine["mean"], mine["difference"])
        if len(data) > FEW_POINTS:
            d.dots(points, colour, 1.6, 0.55)
        else:
            for (x, y), case, value in zip(points, mine["case_id"], mine["difference"], strict=True):
                d.mark(x, y, mark, colour, 2.6, f"{case}, {pair}: {with_unit(value, unit)}", 0.8)
    for name, value, low, high in lines:
        y = axes.y(value)
        if is_number(low) and is_number(high):
            d.rect(
                axes.left,
                axes.y(high),
                axes.right - axes.left,
                axes.y(low) - axes.y(high),
                fill=palette.ACCENT,
                fill_opacity=0.09,
            )
        dash = "" if name == "bias" else "6 3"
        d.line(axes.left, y, axes.right, y, stroke=palette.ACCENT, stroke_width=1.3, stroke_dasharray=dash)
        d.text(axes.right + 5, y + 3.5, number(value, digits=difference_digits(unit)), class_="s")
    axes.bottom_axis(f"mean of the two readers{f', {unit_text(unit)}' if unit_text(unit) else ''}")
    x = 8.0
    if crowded:
        d.text(8, 271.5, f"{len(data):,} pairs of readings, darker where more", class_="s")
    for i, pair in enumerate([] if crowded else pairs[:4]):
        d.mark(x + 4, 268, palette.MARKS[i % 7], palette.CATEGORIES[i % 7], 3.2)
        d.text(x + 12, 271.5, shorten(pair, 84, 10), class_="s")
        x += 98
    said = [
        f"{words(name)} {estimate(value, low, high, digits=difference_digits(unit))}"
        for name, value, low, high in lines
    ]
    shown = (
        f"{'; '.join(said)}{f' {unit_text(unit)}' if unit_text(unit) else ''}." if said else "No limits in the tables."
    )
    how = method_text(method)
    caption = f"{how[:1].upper()}{how[1:]}. {shown[:1].upper()}{shown[1:]}"
    data = data.assign(phase_pct=data["phase_pct"].where(data["phase_pct"] >= 0))
    labels = {"mean": ("Mean of both", unit), "difference": ("Difference", unit), "phase_pct": ("Phase, %", "pct0")}
    return Figure(d, caption, frame_table(data, labels), slug(f"bland-altman-{spec}"), True, data)


LIMITS = (
    ("bias", ("bias", "between_bias", "mean_difference")),
    ("lower_limit", ("lower_limit", "loa_low", "limit_low", "loa_lower")),
    ("upper_limit", ("upper_limit", "loa_high", "limit_high", "loa_upper")),
)
"""Names of the limits of agreement in the agreement table."""


def limit_lines(rows: pd.DataFrame, measure: str, variant: str, method: str) -> list[tuple[str, float, float, float]]:
    """(name, estimate, ci_low, ci_high) of bias and limits between readers, where the table has them."""
    if not has(rows, ["measure", "variant", "statistic", "estimate"]):
        return []
    mine = rows[(rows["measure"] == measure) & (rows["variant"] == variant)]
    if "method" in mine and method:
        mine = mine[mine["method"] == method]
    out = []
    for name, known in LIMITS:
        found = mine[mine["statistic"].isin(known) & mine["estimate"].notna()]
        if "comparison" in found:
            pooled = found[
                found["comparison"].fillna("").isin(("between_readers", "between readers", "all", "between", ""))
            ]
            found = pooled if len(pooled) else found.head(0)
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


def reader_bias_figure(rows: pd.DataFrame, measure: str, variant: str, method: str, unit: str) -> Figure | None:
    """How far each reader lies from the mean of all, with interval."""
    if not has(rows, ["measure", "variant", "statistic", "comparison", "estimate"]):
        return None
    mine = rows[
        (rows["measure"] == measure)
        & (rows["variant"] == variant)
        & rows["statistic"].isin(("reader_bias", "reader_effect"))
    ]
    if "method" in mine and method:
        mine = mine[mine["method"] == method]
    mine = mine[mine["estimate"].notna()]
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
        d.text(0, y + 3.5, shorten(str(row.comparison), 104))
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
            colour = palette.cividis(n / most) if n else "#FFFFFF"
            d.rect(left + cell * j, top + cell * i, cell - 2, cell - 2, fill=colour, stroke="#C7CDD3", stroke_width=0.6)
            d.text(
                left + cell * (j + 0.5) - 1,
                top + cell * (i + 0.5) + 4,
                number(n, digits=0),
                "middle",
                fill=palette.ink_on(colour),
            )
    return Figure(d, caption, frame_table(frame, {value: (words(value).capitalize(), "count")}), name, True, frame)
