"""Rows of estimates with intervals: agreement by measure, of planes, of two methods, drift of readers.

Statistics come from the tables; nothing is estimated here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outflow_cohort.report import palette
from outflow_cohort.report.charts_agreement import headline_rows
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.frame_tables import frame_table, slug
from outflow_cohort.report.headline import of_headline_plan
from outflow_cohort.report.numbers import difference_digits, estimate, is_number, number, unit_text
from outflow_cohort.report.page import Figure
from outflow_cohort.report.svg import Axes, Drawing, padded, shorten, text_width, ticks
from outflow_cohort.report.wording import measure_title, method_text, registry, variant_text, words

ROW = 19.0
MOST_FOREST_ROWS = 44
OTHER_SOLIDS = ("full_frame", "skirt", "leaflet_limited", "prosthesis_leaflet", "prosthesis_post")


@dataclass(frozen=True)
class IntervalRow:
    """A line of a figure: an estimate with its interval and, thinner, limits around both; without an estimate a
    heading."""

    label: str
    beside: str = ""
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    limits: tuple[float, float] | None = None
    most: float | None = None


@dataclass(frozen=True)
class Layout:
    """Widths in user units: whole, of the label, of the text beside it, of the numbers at the right."""

    width: float = 760.0
    label: float = 286.0
    beside: float = 118.0
    right: float = 116.0


def interval_drawing(
    title: str,
    description: str,
    rows: Sequence[IntervalRow],
    axis: str,
    digits: int,
    *,
    span: tuple[float, float] | None = None,
    zero: bool = False,
    layout: Layout | None = None,
) -> Drawing:
    """The rows from top to bottom over one axis; `span` fixes the axis, `zero` draws the line of no difference."""
    place = layout or Layout()
    d = Drawing(place.width, 22 + ROW * len(rows) + 42, title, description)
    known = [v for r in rows for v in (r.estimate, r.low, r.high, *(r.limits or ()), r.most) if is_number(v)]
    wanted = span or padded([float(v) for v in known if v is not None], 0.05, [0.0])
    axes = Axes(
        drawing=d,
        left=place.label + place.beside,
        top=14,
        right=place.width - place.right,
        bottom=18 + ROW * len(rows),
        x_range=wanted,
        y_range=(0.0, 1.0),
    )
    marks = ticks(*wanted)
    for v in marks:
        d.line(axes.x(v), axes.top, axes.x(v), axes.bottom, class_="grid")
    if zero:
        d.line(axes.x(0), axes.top, axes.x(0), axes.bottom, stroke=palette.INK, stroke_width=0.8)
    for i, row in enumerate(rows):
        y = axes.top + 12 + ROW * i
        heading = row.estimate is None
        room = place.width - 4 if heading else place.label - 6
        d.text(0, y + 3.5, shorten(row.label, room), class_="b halo" if heading else None)
        if row.beside:
            d.text(place.label, y + 3.5, shorten(row.beside, place.beside - 8, 10), class_="s q")
        if heading:
            continue
        _row(axes, row, y, digits)
        d.text(axes.right + 10, y + 3.5, estimate(row.estimate, row.low, row.high, digits=digits), class_="s")
    axes.bottom_axis(axis, values=marks)
    return d


def _row(axes: Axes, row: IntervalRow, y: float, digits: int) -> None:
    d = axes.drawing

    def inside(value: float) -> float:
        return axes.x(min(max(value, axes.x_range[0]), axes.x_range[1]))

    if row.limits is not None:
        d.line(inside(row.limits[0]), y, inside(row.limits[1]), y, stroke=palette.SKY, stroke_width=5, opacity=0.45)
    if is_number(row.low) and is_number(row.high):
        d.line(inside(row.low), y, inside(row.high), y, stroke=palette.BLUE, stroke_width=1.6)  # type: ignore[arg-type]
    if is_number(row.most):
        d.mark(inside(row.most), y, "ring", palette.VERMILION, 3.2, f"largest {number(row.most, digits=digits)}")  # type: ignore[arg-type]
    label = f"{row.label}: {estimate(row.estimate, row.low, row.high, digits=digits)}"
    d.mark(inside(row.estimate or 0.0), y, "square", palette.ACCENT, 3.4, label)


def number_or_none(value: object) -> float | None:
    """A float, None for what is no finite number."""
    return float(value) if is_number(value) else None  # type: ignore[arg-type]


def _interval_row(label: str, row: Mapping[str, Any], beside: str = "", **more: object) -> IntervalRow:
    found = (number_or_none(row[c]) for c in ("estimate", "ci_low", "ci_high"))
    return IntervalRow(label, beside, *found, **more)  # type: ignore[arg-type]


FOREST_COLUMNS = (
    "measure", "variant", "method", "plan_id", "comparison", "estimate", "ci_low", "ci_high", "n_cases", "n_readers",
)  # fmt: skip


def forest_figure(
    rows: pd.DataFrame, statistic: str, title: str, name: str, caption: str, main_solid: str
) -> Figure | None:
    """One statistic between 0 and 1 with its interval, a row per measure, of the headline plan; the data have all."""
    if not has(rows, ["measure", "variant", "method", "plan_id", "statistic", "estimate"]):
        return None
    rows = headline_rows(rows)
    mine = rows[(rows["statistic"] == statistic) & rows["estimate"].notna()]
    if not len(mine):
        return None
    mine = mine[[c for c in FOREST_COLUMNS if c in mine]].reset_index(drop=True)
    shown = of_headline_plan(mine, ["measure", "variant", "method"])
    shown = shown[~shown["variant"].fillna("").str.contains("/", regex=False)]
    if len(shown) > MOST_FOREST_ROWS:
        shown = shown[~shown["variant"].fillna("").isin([s for s in OTHER_SOLIDS if s != main_solid])]
    shown = shown.head(MOST_FOREST_ROWS)
    if not len(shown):
        return None
    lowest = shown[[c for c in ("estimate", "ci_low") if c in shown]].min().min()
    low = max(min(0.0, float(np.floor(lowest * 5) / 5)), -1.0)
    lines = [
        _interval_row(measure_title(r["measure"], r["variant"] or ""), r, method_text(r["method"] or ""))
        for r in shown.to_dict("records")
    ]
    d = interval_drawing(title, f"{len(lines)} measures with their 95 % intervals.", lines, title, 2, span=(low, 1.0))
    if len(shown) < len(mine):
        caption += f" {len(shown)} of {len(mine)} rows, of the alphabetically first plan; the CSV has all."
    labels = {c: (words(c).capitalize(), "1") for c in ("estimate", "ci_low", "ci_high")}
    return Figure(drawing=d, caption=caption, table=frame_table(mine, labels), name=name, files=True, data=mine)


PLANES = {"mitral_ring": "Plane of the mitral ring", "aortic_annulus": "Plane of the aortic annulus"}
KINDS = {"between_readers": "between two readers", "within_reader": "between two reads of one reader"}
PLANE_FIGURES = (
    ("angle_rms", "angle_max", "Angle between two readings' planes", "deg", "plane-angle",
     "Root mean square angle between the normals (95 %); ring: the largest of any case."),
    ("offset_normal_rms", "", "Height of two readings' planes", "mm", "plane-offset",
     "Root mean square distance of the centres along the mean normal (95 %)."),
)  # fmt: skip


def plane_figures(frame: pd.DataFrame) -> list[Figure]:
    """How far two readings' planes are apart: the angle between their normals, the distance along it."""
    needed = ["plane", "kind", "comparison", "statistic", "estimate", "ci_low", "ci_high"]
    if not has(frame, needed):
        return []
    out = []
    for statistic, largest, title, unit, name, caption in PLANE_FIGURES:
        mine = frame[frame["statistic"].isin([statistic, largest]) & frame["estimate"].notna()]
        means = mine[mine["statistic"] == statistic]
        if not len(means):
            continue
        most = mine[mine["statistic"] == largest].set_index(["plane", "kind", "comparison"])["estimate"].to_dict()
        lines = []
        for (plane, kind), part in means.groupby(["plane", "kind"], sort=False):
            lines.append(IntervalRow(f"{PLANES.get(plane, words(plane))}, {KINDS.get(kind, words(kind))}"))
            for r in part.to_dict("records"):
                pair = "all pairs" if r["comparison"] == "all" else pair_text(str(r["comparison"]))
                key = (plane, kind, r["comparison"])
                lines.append(_interval_row(pair, r, most=number_or_none(most.get(key))))
        axis = f"{title}, {unit_text(unit)}"
        layout = Layout(width=430, label=122, beside=0, right=112)
        low, high = 0.0, padded([v for r in lines for v in (r.high, r.most, r.estimate) if v is not None], 0.05)[1]
        d = interval_drawing(title, caption, lines, axis, difference_digits(unit), span=(low, high), layout=layout)
        data = mine[[c for c in (*needed, "n_cases", "n_pairs", "unit") if c in mine]].reset_index(drop=True)
        labels = {c: (words(c).capitalize(), unit) for c in ("estimate", "ci_low", "ci_high")}
        out.append(
            Figure(drawing=d, caption=caption, table=frame_table(data, labels), name=name, files=True, data=data)
        )
    return out


def pair_text(comparison: str) -> str:
    """`ash read 2 - read 1` as `ash, reads 2 − 1`, `birch - ash` as `birch − ash`."""
    within = re.fullmatch(r"(.*) read (\d+) - read (\d+)", comparison)
    return f"{within[1]}, reads {within[2]} − {within[3]}" if within else comparison.replace(" - ", " − ")


PERCENT = ("bias_percent", "loa_lower_percent", "loa_upper_percent")


FEWEST_COMPARED = 3
"""Cases from which the bias of two methods is drawn."""


def method_percent_figure(cohort: Cohort) -> Figure | None:
    """Bias of two methods in per cent of the measure, with limits of agreement, a row per measure."""
    frame = headline_rows(cohort.table("method_agreement"))
    if not has(frame, ["measure", "variant", "method", "plan_id", "comparison", "statistic", "estimate"]):
        return None
    mine = frame[frame["statistic"].isin(PERCENT) & frame["estimate"].notna()]
    mine = mine[~mine["variant"].str.contains("/", regex=False) & ~mine["measure"].str.endswith("station")]
    mine = mine[~mine["variant"].isin([s for s in OTHER_SOLIDS if s != cohort.settings.main_solid])]
    others = [f" {s} " for s in OTHER_SOLIDS if s != cohort.settings.main_solid]
    # an empty list would take all columns away
    kept = np.array([not any(other in f"{c} " for other in others) for c in mine["comparison"].astype(str)], dtype=bool)
    mine = mine[kept]
    # of two cases limits are thousands of per cent wide, and all other rows one line
    mine = mine[mine["n_cases"] >= FEWEST_COMPARED] if "n_cases" in mine else mine
    mine = of_headline_plan(mine, ["measure", "variant", "comparison"])
    lines: list[IntervalRow] = []
    for key, part in mine.groupby(["measure", "variant", "method", "comparison"], sort=True):
        found = {r["statistic"]: r for r in part.to_dict("records")}
        if PERCENT[0] not in found or len(lines) >= MOST_FOREST_ROWS:
            continue
        limits = [number_or_none(found[s]["estimate"]) for s in PERCENT[1:] if s in found]
        both = (limits[0], limits[1]) if len(limits) == 2 and None not in limits else None
        title = measure_title(key[0], "" if key[1] == cohort.settings.main_solid else key[1])
        other = str(key[3]).partition(" - ")[2].partition(" ")[0]
        title += f" against {measure_title(other)}" if other in registry() and other != key[0] else ""
        lines.append(_interval_row(title, found[PERCENT[0]], methods_text(key[2]), limits=both))
    if not lines:
        return None
    # wide enough for every label: rows cut short would look the same
    label = max(text_width(r.label) for r in lines) + 12
    d = interval_drawing(
        "Bias of two methods", "Bias in per cent of the mean, with limits of agreement.", lines,
        "first method − second, % of their mean", 1, zero=True,
        layout=Layout(width=586 + label, label=label, beside=206),
    )  # fmt: skip
    columns = ["measure", "variant", "method", "plan_id", "statistic", "estimate", "ci_low", "ci_high", "n_cases"]
    data = mine[[c for c in columns if c in mine]].reset_index(drop=True)
    labels = {c: (words(c).capitalize(), "pct") for c in ("estimate", "ci_low", "ci_high")}
    caption = (
        "Square and line: bias with its 95 % interval; pale bar: limits of agreement of single readings. "
        f"Solid: {variant_text(cohort.settings.main_solid)}, of the alphabetically first plan; from {FEWEST_COMPARED} "
        "cases on. tables/method_agreement.csv has all."
    )
    return Figure(
        drawing=d, caption=caption, table=frame_table(data, labels), name="method-bias", files=True, data=data
    )


def methods_text(pair: str) -> str:
    """`image_edge - reader_points` in words."""
    return " − ".join(method_text(m) for m in pair.split(" - "))


def drift_figures(cohort: Cohort, specs: Iterable[str]) -> list[Figure]:
    """Drift of each reader over the order of reading, a figure per measure; none where no order is given."""
    frame = cohort.table("reader_drift")
    if not has(frame, ["measure", "variant", "method", "plan_id", "reader", "estimate", "ci_low", "ci_high"]):
        return []
    out = []
    for spec in specs:
        measure, variant, method = cohort.variant_of(spec)
        mine = frame[(frame["measure"] == measure) & (frame["variant"] == variant) & (frame["method"] == method)]
        mine = of_headline_plan(mine[mine["estimate"].notna()])
        if not len(mine):
            continue
        unit = str(mine["unit"].iloc[0]) if "unit" in mine else ""
        lines = [_interval_row(str(r["reader"]), r) for r in mine.to_dict("records")]
        longest = max(text_width(r.label) for r in lines)
        layout = Layout(width=420, label=min(max(longest + 10, 60), 130), beside=0, right=104)
        shown = f", {unit_text(unit)}" if unit_text(unit) else ""
        d = interval_drawing(
            measure_title(measure, variant), "Drift of each reader against the others, per ten readings.", lines,
            f"drift per ten readings{shown}", difference_digits(unit), zero=True, layout=layout,
        )  # fmt: skip
        keep = ["reader", "estimate", "ci_low", "ci_high", "p_value", "n_cases", "n_readings"]
        data = mine[[c for c in keep if c in mine]].reset_index(drop=True)
        labels = {c: (words(c).capitalize(), unit) for c in ("estimate", "ci_low", "ci_high")}
        text = "Slope of a reader's reading less the other readers' on the same case, over the order of reading (95 %)."
        out.append(
            Figure(
                drawing=d,
                caption=text,
                table=frame_table(data, labels),
                name=slug(f"drift-{spec}"),
                files=True,
                data=data,
            )
        )
    return out
