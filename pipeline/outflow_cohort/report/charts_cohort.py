"""Charts of the cohort: flow of series and cases, distributions by group, phase curves, image quality."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outflow_cohort.dicom.codes import reasons as known_reasons
from outflow_cohort.report import palette
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.frame_tables import frame_table, slug
from outflow_cohort.report.numbers import count, number, phase_text, unit_text, with_unit
from outflow_cohort.report.page import Figure, Table, table_of
from outflow_cohort.report.svg import Axes, Drawing, padded, shorten
from outflow_cohort.report.wording import field_title, measure_title, method_text, words

FEW_POINTS = 150
"""Up to this many points in a figure each carries its name and value; more become one path without names."""


MOST_LINES = 150
"""Cases up to which each has its own line over the cycle; more become a band of quartiles a group."""


@dataclass(frozen=True)
class Box:
    """A box of the flow diagram: a heading and lines under it."""

    title: str
    lines: tuple[str, ...] = ()


def group_style(groups: Sequence[str], group: str) -> tuple[str, str, str]:
    """Colour, mark and dash of a group; the same in every figure."""
    i = list(groups).index(group) if group in groups else len(groups)
    n = len(palette.CATEGORIES)
    return palette.CATEGORIES[i % n], palette.MARKS[i % n], palette.DASHES[i % n]


def flow_figure(cohort: Cohort) -> Figure:
    """Series in, accepted, measured; cases and readings in, measured, set aside, with reasons."""
    series, aside = cohort.series, cohort.set_aside
    rows: list[tuple[str, str, str, int]] = []
    stages: list[tuple[Box, Box | None]] = []
    if has(series, ["verdict"]):
        verdicts = series["verdict"].value_counts()
        lost = int(verdicts.get("set_aside", 0))
        rows += [("series", "in", "", len(series)), ("series", "set_aside", "", lost)]
        reasons = reason_counts(series)
        rows += [("series", "set_aside", code, n) for code, n in reasons.items()]
        stages.append((Box(count(len(series), "series", "series") + " in"), _aside_box(lost, "series", reasons)))
        kept = len(series) - lost
        warned = int(verdicts.get("warned", 0))
        rows += [("series", "accepted", "", kept), ("series", "accepted_with_warning", "", warned)]
        box = Box(f"{count(kept, 'series', 'series')} accepted", (f"{warned:,} with a warning",) if warned else ())
        stages.append((box, None))
    in_cases = set(cohort.cases["case_id"])
    done_cases = set(cohort.measured["case_id"])
    lost_cases = in_cases - done_cases
    reasons = case_reasons(aside, lost_cases)
    rows += [("cases", "in", "", len(in_cases)), ("cases", "measured", "", len(in_cases & done_cases))]
    rows += [("cases", "set_aside", code, n) for code, n in reasons.items()]
    stages.append((Box(f"{count(len(in_cases), 'case')} in"), _aside_box(len(lost_cases), "case", reasons)))
    names = ["case_id", "phase_pct", "reader_id", "read_no"]
    done = (
        cohort.measured.dropna(subset=["phase_pct"]) if cohort.measured["phase_pct"].notna().any() else cohort.measured
    )
    carried = done["landmark_origin"] == "carried" if "landmark_origin" in done else pd.Series(False, index=done.index)
    n_carried = len(done.loc[carried, names].drop_duplicates())
    n_done = len(done.loc[~carried, names].drop_duplicates())
    n_in = len(cohort.readings[names].drop_duplicates()) if has(cohort.readings, names) else None
    lines = [f"{count(n_done, 'reading')} measured"] + ([f"of {count(n_in, 'reading')} in"] if n_in is not None else [])
    rows.append(("readings", "measured", "", n_done))
    if n_carried:
        lines.append(f"{count(n_carried, 'carried reading')} measured")
        rows.append(("readings", "carried", "", n_carried))
    if n_in is not None:
        rows.append(("readings", "in", "", n_in))
    stages.append((Box(f"{count(len(in_cases & done_cases), 'case')} measured", tuple(lines)), None))
    frame = pd.DataFrame(rows, columns=["what", "state", "reason", "count"])
    return Figure(drawing=_flow_drawing(stages), caption="What went in, what was measured, and why the rest was not.",
                  table=frame_table(frame, {}), name="flow", files=True, data=frame)  # fmt: skip


def reason_counts(series: pd.DataFrame) -> dict[str, int]:
    """Series set aside by the codes that set them aside; a series with several such codes counts under each."""
    if "reason_codes" not in series:
        return {}
    lost = series.loc[series["verdict"] == "set_aside", "reason_codes"]
    codes = [c for cell in lost for c in _grave(split_codes(cell))]
    return dict(sorted(pd.Series(codes, dtype="object").value_counts().items(), key=lambda kv: (-kv[1], kv[0])))


def _grave(codes: list[str]) -> list[str]:
    """Those of a set-aside series' codes that set it aside: warnings on it are no reason. All, where none is grave."""
    known = known_reasons()
    grave = [c for c in codes if c not in known or known[c].severity == "set_aside"]
    return grave or codes


def split_codes(cell: object) -> list[str]:
    """Reason codes of a cell: a list, or text separated by commas, semicolons or spaces."""
    if isinstance(cell, str):
        return [c for c in cell.replace(",", " ").replace(";", " ").split() if c]
    return [str(c) for c in cell] if isinstance(cell, list | tuple | np.ndarray) else []


def case_reasons(aside: pd.DataFrame, lost: set[str]) -> dict[str, int]:
    """Cases set aside by the first reason on record."""
    if not has(aside, ["case_id", "code"]) or not lost:
        return {}
    first = aside[aside["case_id"].isin(lost)].drop_duplicates("case_id")
    return dict(sorted(first["code"].value_counts().items(), key=lambda kv: (-kv[1], kv[0])))


def _aside_box(lost: int, what: str, reasons: Mapping[str, int]) -> Box | None:
    if not lost:
        return None
    lines = tuple(f"{n}  {words(code)}" for code, n in reasons.items())
    return Box(f"{count(lost, what, 'series' if what == 'series' else None)} set aside", lines)


def _flow_drawing(stages: Sequence[tuple[Box, Box | None]]) -> Drawing:
    width, box_width, side_x, side_width = 660.0, 260.0, 336.0, 322.0
    heights = [max(38 + 15 * len(m.lines), 38 + 15 * len(s.lines) if s else 0) for m, s in stages]
    total = sum(heights) + 26 * (len(stages) - 1) + 4
    words_ = "; ".join(m.title + (f", {s.title}" if s else "") for m, s in stages)
    d = Drawing(width, total, "Flow of the study", words_)
    y = 2.0
    for i, ((main, side), height) in enumerate(zip(stages, heights, strict=True)):
        own = 38 + 15 * len(main.lines)
        _draw_box(d, 1, y, box_width, own, main, palette.ACCENT)
        if side:
            _draw_box(d, side_x, y, side_width, 38 + 15 * len(side.lines), side, palette.FAINT_INK)
            _arrow(d, box_width + 1, y + 19, side_x - 2, y + 19)
        if i + 1 < len(stages):
            _arrow(d, 1 + box_width / 2, y + own, 1 + box_width / 2, y + height + 24)
        y += height + 26
    return d


def _draw_box(d: Drawing, x: float, y: float, width: float, height: float, box: Box, colour: str) -> None:
    d.rect(x, y, width, height, fill="#fff", stroke=colour, stroke_width=1.2)
    d.text(x + 12, y + 24, box.title, class_="b")
    for i, line in enumerate(box.lines):
        d.text(x + 12, y + 41 + 15 * i, shorten(line, width - 20), class_="q")


def _arrow(d: Drawing, x1: float, y1: float, x2: float, y2: float) -> None:
    d.line(x1, y1, x2, y2, stroke=palette.INK, stroke_width=1.0)
    dx, dy = (5, 3) if y1 == y2 else (3, 5)
    tip = (
        [(x2 - dx, y2 - dy), (x2, y2), (x2 - dx, y2 + dy)]
        if y1 == y2
        else [(x2 - dx, y2 - dy), (x2, y2), (x2 + dx, y2 - dy)]
    )
    d.path(tip, stroke=palette.INK, stroke_width=1.0)


def swarm(values: np.ndarray, low: float, high: float, pixels: float, size: float, half_height: float) -> np.ndarray:
    """Offsets (n,) that set points of nearly equal value beside each other; the same values give the same offsets."""
    bins = np.floor((values - low) / max(high - low, 1e-12) * pixels / (1.6 * size)).astype(int)
    offsets = np.zeros(len(values))
    for b in np.unique(bins):
        members = np.flatnonzero(bins == b)
        members = members[np.argsort(values[members], kind="stable")]
        order = np.arange(len(members))
        place = np.where(order % 2 == 0, 1, -1) * ((order + 1) // 2)
        step = min(2.0 * size, half_height / max(np.abs(place).max(initial=1), 1))
        offsets[members] = place * step
    return offsets


def distribution_figure(cohort: Cohort, spec: str) -> Figure | None:
    """One measure by group: every case a point, median and quartiles as a bar."""
    frame = cohort.case_values(spec)
    if not len(frame):
        return None
    measure, variant, method = cohort.variant_of(spec)
    unit = str(frame["unit"].iloc[0])
    groups = [g for g in cohort.group_names if g in set(frame["group"])]
    row_height = 58.0
    title = measure_title(measure, variant)
    d = Drawing(
        400, 22 + row_height * len(groups) + 44, title, "Each case a point, by group, with median and quartiles."
    )
    axes = Axes(
        drawing=d,
        left=10,
        top=14,
        right=390,
        bottom=14 + row_height * len(groups),
        x_range=padded(frame["value"]),
        y_range=(0.0, 1.0),
    )
    many = len(frame) > FEW_POINTS
    for i, group in enumerate(groups):
        mine = frame[frame["group"] == group]
        values = mine["value"].to_numpy()
        colour, mark, _ = group_style(cohort.group_names, group)
        top = axes.top + i * row_height
        middle = top + 36
        d.text(10, top + 12, f"{shorten(words(group), 330)}  ({len(mine)})", class_="b s")
        size = 1.8 if many else 3.0
        offset = swarm(values, *axes.x_range, axes.right - axes.left, size, 13.0)
        q1, median, q3 = np.percentile(values, [25, 50, 75])
        if len(mine) > 3:
            d.rect(axes.x(q1), middle - 15, max(axes.x(q3) - axes.x(q1), 0.5), 30, fill=colour, fill_opacity=0.13)
        if len(mine) > 1:
            d.line(axes.x(median), middle - 15, axes.x(median), middle + 15, stroke=palette.INK, stroke_width=1.5)
        points = [(axes.x(v), middle + o) for v, o in zip(values, offset, strict=True)]
        if many:
            d.dots(points, colour, size)
        else:
            for (x, y), (case, value) in zip(points, mine[["case_id", "value"]].itertuples(index=False), strict=True):
                d.mark(x, y, mark, colour, size, f"{case}: {with_unit(value, unit)}", 0.9)
    axes.bottom_axis(f"{measure_title(measure)}{f', {unit_text(unit)}' if unit_text(unit) else ''}")
    how = method_text(method)
    caption = f"{how[:1].upper()}{how[1:]}. Line: median; box: quartiles (from four cases on)."
    labels = {"value": (measure_title(measure), unit), "phase_pct": ("Phase, %", "pct0")}
    return Figure(
        drawing=d,
        caption=caption,
        table=frame_table(frame.drop(columns="unit"), labels),
        name=slug(f"distribution-{spec}"),
        files=True,
        data=frame,
    )


def phase_figure(cohort: Cohort, spec: str) -> Figure | None:
    """One measure over the cycle: a thin line per case, the group's median thick."""
    means = cohort.phase_values(spec)
    if not len(means) or means["phase_pct"].nunique() < 2:
        return None
    unit = str(means["unit"].iloc[0])
    means = means.drop(columns="unit")
    measure, variant, method = cohort.variant_of(spec)
    title = measure_title(measure, variant)
    groups = [g for g in cohort.group_names if g in set(means["group"])]
    d = Drawing(
        400,
        268 + 16 * ((len(groups) + 1) // 2),
        f"{title} over the cycle",
        "A thin line per case, medians of the groups thick.",
    )
    axes = Axes(
        drawing=d,
        left=46,
        top=32,
        right=392,
        bottom=208,
        x_range=padded(means["phase_pct"], 0.04),
        y_range=padded(means["value"], include=[0.0] if unit == "mm2" else []),
    )
    axes.left_axis(f"{measure_title(measure)}{f', {unit_text(unit)}' if unit_text(unit) else ''}")
    crowded = means["case_id"].nunique() > MOST_LINES
    opacity = 0.45 if means["case_id"].nunique() <= 60 else 0.2
    for group in groups:
        colour, _, _ = group_style(cohort.group_names, group)
        if crowded:
            part = means[means["group"] == group].groupby("phase_pct", sort=True)["value"]
            low, high = (axes.points(line.index, line) for line in (part.quantile(0.25), part.quantile(0.75)))
            d.path(low + high[::-1], True, fill=colour, fill_opacity=0.16, stroke="none")
            continue
        lines = means[means["group"] == group].groupby("case_id", sort=True)
        data = [axes.points(part["phase_pct"], part["value"]) for _, part in lines]
        broken = [point for line in data for point in [*line, (np.nan, np.nan)]]
        d.path(broken, stroke=colour, stroke_width=0.8, opacity=opacity)
    for group in groups:
        colour, mark, dash = group_style(cohort.group_names, group)
        median = means[means["group"] == group].groupby("phase_pct", sort=True)["value"].median()
        placed = axes.points(median.index, median)
        d.path(placed, stroke="#fff", stroke_width=4.4, opacity=0.8)
        d.path(placed, stroke=colour, stroke_width=2.4, stroke_dasharray=dash)
        for (x, y), phase, value in zip(placed, median.index, median, strict=True):
            d.mark(x, y, mark, colour, 3.6, f"{words(group)}, {phase_text(phase)}: {with_unit(value, unit)}")
    axes.bottom_axis("phase, % of the R-R interval")
    for i, group in enumerate(groups):
        colour, mark, dash = group_style(cohort.group_names, group)
        x, y = 8 + (i % 2) * 196, 264 + (i // 2) * 16
        d.key(colour)
        d.line(x, y - 3.5, x + 24, y - 3.5, stroke=colour, stroke_width=2.2, stroke_dasharray=dash)
        d.mark(x + 12, y - 3.5, mark, colour, 3.2)
        d.text(x + 30, y, shorten(words(group), 160, 10), class_="s")
        d.end_key()
    how = method_text(method)
    labels = {"value": (measure_title(measure), unit), "phase_pct": ("Phase, %", "pct0")}
    thin = "Band: quartiles of the cases" if crowded else "Thin: a case"
    caption = f"{how[:1].upper()}{how[1:]}. {thin}; thick: median of the group."
    return Figure(
        drawing=d,
        caption=caption,
        table=frame_table(means, labels),
        name=slug(f"phases-{spec}"),
        files=True,
        data=means,
    )


QUALITY_FIELDS = (
    "contrast_to_noise", "lumen_hu", "noise_hu", "slice_thickness_mm", "slice_spacing_mm", "row_spacing_mm",
    "spacing_jitter_pct", "saturated_pct", "slab_step", "margin_mm",
)  # fmt: skip


def constant_quality(series: pd.DataFrame) -> Table:
    """Figures of image quality that are the same in every series."""
    rows = []
    for column in QUALITY_FIELDS:
        found = pd.to_numeric(series[column], errors="coerce").dropna() if column in series else pd.Series(dtype=float)
        if len(found) and found.nunique() == 1:
            rows.append((field_title(column), number(found.iloc[0]), f"{len(found):,}"))
    return table_of(("The same in every series", "Value", "Series"), rows)


def quality_figure(series: pd.DataFrame, column: str) -> Figure | None:
    """One figure of image quality: each series a point, by verdict."""
    if not has(series, [column, "verdict", "case_id"]):
        return None
    keep = [c for c in ("case_id", "phase_pct", "verdict", column) if c in series]
    frame = series[keep].copy()
    frame[column] = pd.to_numeric(frame[column], errors="coerce")
    frame = frame[frame[column].notna()].reset_index(drop=True)
    if frame[column].nunique() < 2:
        return None
    verdicts = [v for v in ("accepted", "warned", "set_aside") if v in set(frame["verdict"])]
    colours = {
        "accepted": (palette.BLUE, "circle"),
        "warned": (palette.ORANGE, "triangle"),
        "set_aside": (palette.VERMILION, "cross"),
    }
    d = Drawing(400, 58 + 44 * len(verdicts), field_title(column), "Each series a point, by verdict.")
    axes = Axes(
        drawing=d,
        left=10,
        top=10,
        right=390,
        bottom=14 + 44 * len(verdicts),
        x_range=padded(frame[column]),
        y_range=(0.0, 1.0),
    )
    many = len(frame) > FEW_POINTS
    for i, verdict in enumerate(verdicts):
        mine = frame[frame["verdict"] == verdict]
        colour, mark = colours[verdict]
        middle = axes.top + 27 + 44 * i
        d.text(10, middle - 17, f"{words(verdict)}  ({len(mine)})", class_="s b")
        offset = swarm(mine[column].to_numpy(), *axes.x_range, 380, 1.8 if many else 2.8, 10)
        points = [(axes.x(v), middle + o) for v, o in zip(mine[column], offset, strict=True)]
        if many:
            d.dots(points, colour, 1.8)
        else:
            for (x, y), case, value in zip(points, mine["case_id"], mine[column], strict=True):
                d.mark(x, y, mark, colour, 2.8, f"{case}: {number(value)}", 0.9)
    axes.bottom_axis(field_title(column))
    return Figure(
        drawing=d,
        caption="",
        table=frame_table(frame, {"phase_pct": ("Phase, %", "pct0")}),
        name=slug(f"quality-{column}"),
        files=True,
        data=frame,
    )
