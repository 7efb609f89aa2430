"""Survival and incidence curves with the numbers at risk beneath; time in the unit that the study states."""

from __future__ import annotations

import pandas as pd

from outflow_cohort.report import palette
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.frame_tables import frame_table, slug
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.numbers import estimate, number
from outflow_cohort.report.page import Figure, Table, table_of
from outflow_cohort.report.svg import Axes, Drawing, legend, shorten
from outflow_cohort.report.wording import field_title, words
from outflow_cohort.stats.data.one_value import ALL_GROUPS

COLUMNS = ["outcome", "group", "statistic", "time", "time_unit", "n_at_risk", "n_events", "estimate"]
FEWEST_CASES = 5
"""Cases from which a group has a curve of its own (common practice, no source)."""
LEFT, RIGHT, TOP, BOTTOM, LINE = 62.0, 372.0, 32.0, 230.0, 15.0


def survival_figures(cohort: Cohort) -> list[Figure]:
    """Of each follow-up: all cases with their interval, groups that are large enough, and rival events."""
    frame = cohort.table("survival_curves")
    if not has(frame, COLUMNS):
        return []
    out = []
    for outcome, part in frame.groupby("outcome", sort=True):
        title = column_label(cohort.statistics, str(outcome))
        at_risk = part[part["statistic"] == "at_risk"]
        curves = part[part["statistic"] == "survival"]
        large = large_groups(at_risk)
        small = at_risk["group"].nunique() - 1 - len(large)
        caption = "Kaplan-Meier, share without the event; numbers: cases at risk."
        left_out = f" {small} groups of fewer than {FEWEST_CASES} cases have no curve." if small > 0 else ""
        whole = f"{caption} Band: 95 % interval.{left_out if not large else ''}"
        name = slug(f"survival-{outcome}")
        out.append(_figure(f"{title}: all cases", whole, curves, at_risk, {ALL_GROUPS: "all"}, name))
        if large:
            named = {g: words(g) for g in large}
            out.append(_figure(f"{title}: by group", caption + left_out, curves, at_risk, named, f"{name}-by-group"))
        incidence = part[part["statistic"].str.startswith("incidence of ") & (part["group"] == ALL_GROUPS)]
        if len(incidence):
            causes = {s: str(s).removeprefix("incidence of ") for s in sorted(set(incidence["statistic"]))}
            text = "Aalen-Johansen, share with each event by then; numbers: cases at risk."
            out.append(
                _figure(
                    f"{title}: rival events", text, incidence.assign(group=incidence["statistic"]),
                    at_risk[at_risk["group"] == ALL_GROUPS], causes, f"{name}-incidence", rising=True,
                )
            )  # fmt: skip
    return out


def large_groups(at_risk: pd.DataFrame) -> list[str]:
    """Groups of one follow-up with enough cases for a curve of their own, from its rows `at_risk`."""
    starts = at_risk[at_risk["time"] == 0].set_index("group")["n_at_risk"]
    return [str(g) for g in starts.index if g != ALL_GROUPS and starts[g] >= FEWEST_CASES]


def at_risk_table(cohort: Cohort) -> Table | None:
    """Cases at risk, events by then and share without the event at round times, by group."""
    frame = cohort.table("survival_curves")
    if not has(frame, [*COLUMNS, "ci_low", "ci_high"]):
        return None
    lines = [
        (
            column_label(cohort.statistics, str(outcome)),
            "all" if r["group"] == ALL_GROUPS else words(r["group"]),
            number(r["time"], digits=0), number(r["n_at_risk"], digits=0), number(r["n_events"], digits=0),
            estimate(r["estimate"], r["ci_low"], r["ci_high"], digits=2),
        )
        for outcome, part in frame[frame["statistic"] == "at_risk"].groupby("outcome", sort=True)
        for r in part[part["group"].isin([ALL_GROUPS, *large_groups(part)])].to_dict("records")
    ]  # fmt: skip
    header = ("Outcome", "Group", f"Time, {frame['time_unit'].iloc[0]}", "At risk", "Events", "Share (95 % CI)")
    note = (
        "Kaplan-Meier; at risk: followed to this time or beyond; events: by this time. Groups of fewer than "
        f"{FEWEST_CASES} cases are not listed."
    )
    return table_of(header, lines, note, "Share without the event") if lines else None


def _figure(
    title: str, caption: str, curves: pd.DataFrame, at_risk: pd.DataFrame, named: dict[str, str], name: str,
    *, rising: bool = False,
) -> Figure:  # fmt: skip
    """Step curves of the groups named; `at_risk` holds the round times of the axis."""
    times = sorted(set(at_risk["time"].astype(float)))
    longest = max(float(curves["time"].max()) if len(curves) else 0.0, times[-1] if times else 0.0) or 1.0
    rows = [g for g in named if g in set(at_risk["group"])] or [ALL_GROUPS]
    height = BOTTOM + 62 + LINE * len(rows) + (26 if len(named) > 1 else 0)
    unit = str(curves["time_unit"].iloc[0]) if len(curves) else ""
    d = Drawing(RIGHT + 14, height, title, caption)
    axes = Axes(drawing=d, left=LEFT, top=TOP, right=RIGHT, bottom=BOTTOM, x_range=(0.0, longest), y_range=(0.0, 1.0))
    axes.left_axis("share with the event" if rising else "share without the event")
    styles = {}
    for i, group in enumerate(named):
        colour, dash = palette.CATEGORIES[i % 7], palette.DASHES[i % 7]
        styles[group] = (colour, dash)
        mine = curves[curves["group"] == group].sort_values("time")
        if len(named) == 1 and has(mine, ["ci_low", "ci_high"]):
            for t0, t1, low, high in interval_bands(mine, longest):
                top, bottom = axes.y(high), axes.y(low)
                d.rect(axes.x(t0), top, axes.x(t1) - axes.x(t0), bottom - top, fill=colour, opacity=0.14)
        corners = axes.points(*steps_of(mine, longest, 0.0 if rising else 1.0))
        d.path(corners, stroke=colour, stroke_width=2, stroke_dasharray=dash)
    axes.bottom_axis(f"time, {unit}", times)
    y = BOTTOM + 50
    d.text(4, y, "At risk", class_="s b")
    for group in rows:
        y += LINE
        d.text(
            4,
            y,
            shorten(named.get(group, "all cases"), LEFT - 12, 10),
            class_="s",
            fill=styles.get(group, (palette.INK, ""))[0],
        )
        mine = at_risk[at_risk["group"] == group]
        for t, n in zip(mine["time"], mine["n_at_risk"], strict=True):
            d.text(axes.x(float(t)), y, number(n, digits=0), "middle", class_="s")
    if len(named) > 1:
        legend(d, LEFT, y + 20, [(named[g], *styles[g]) for g in named], RIGHT - LEFT)
    keep = ["group", "time", "n_at_risk", "n_events", "estimate", "ci_low", "ci_high"]
    data = curves[curves["group"].isin(list(named))][[c for c in keep if c in curves]].reset_index(drop=True)
    labels = {c: (field_title(c), "1") for c in ("estimate", "ci_low", "ci_high")}
    return Figure(drawing=d, caption=caption, table=frame_table(data, labels), name=name, files=True, data=data)


def steps_of(curve: pd.DataFrame, longest: float, start: float) -> tuple[list[float], list[float]]:
    """Corners of a step curve that starts at `start` and ends at the longest time."""
    x, y = [0.0], [start]
    for t, value in zip(curve["time"].astype(float), curve["estimate"].astype(float), strict=True):
        x += [t, t]
        y += [y[-1], value]
    return [*x, longest], [*y, y[-1]]


def interval_bands(curve: pd.DataFrame, longest: float) -> list[tuple[float, float, float, float]]:
    """From, to, lower and upper end of the interval between two times; where there is one."""
    rows = curve[["time", "ci_low", "ci_high"]].astype(float).to_numpy()
    ends = [*rows[1:, 0], longest]
    return [(t, end, low, high) for (t, low, high), end in zip(rows, ends, strict=True) if low == low and high == high]
