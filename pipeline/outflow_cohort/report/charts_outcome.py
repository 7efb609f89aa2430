"""Charts of sizes, cut-offs, endpoints, and of measured minus true in the invented study."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outflow_cohort.report import palette
from outflow_cohort.report.charts_agreement import matrix_figure
from outflow_cohort.report.charts_cohort import FEW_POINTS, group_style, swarm
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.frame_tables import frame_table, slug
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.numbers import difference_digits, estimate, number, unit_after, unit_text
from outflow_cohort.report.outcome_tables import headline_quantities
from outflow_cohort.report.page import Figure, Table, table_of
from outflow_cohort.report.statistic_tables import headline_cutoffs, p_text
from outflow_cohort.report.svg import Axes, Drawing, legend, padded, shorten
from outflow_cohort.report.wording import field_title, measure_title, method_text, variant_text, words
from outflow_cohort.stats.data.one_value import ALL_GROUPS

SIZE_COLUMNS = ["size_a", "size_b", "count"]


def size_figures(cohort: Cohort) -> list[Figure]:
    """How often one reader's reading led to one size and another's to another, over all pairs of readers."""
    frame = cohort.table("size_agreement")
    if not has(frame, SIZE_COLUMNS):
        return []
    data = frame[frame["count"].notna()]
    data = data.groupby(SIZE_COLUMNS[:2], sort=True)["count"].sum().reset_index()
    if not len(data):
        return []
    data = data.rename(columns={"size_a": "first_reader", "size_b": "second_reader"})
    caption = "Numbers: cases by the sizes that first reads of two readers lead to, summed over all pairs of readers."
    return [
        matrix_figure(data, "second_reader", "first_reader", "count", "Sizes by two readers", "size-agreement", caption)
    ]


def endpoint_figures(cohort: Cohort) -> list[Figure]:
    """Operating characteristic of each headline predictor and outcome, where the tables have one."""
    frame = headline_quantities(cohort, cohort.table("roc_curves"))
    if not has(frame, ["outcome", "measure", "sensitivity", "specificity"]):
        return []
    areas = cohort.table("endpoints")
    out = []
    for key, part in frame.groupby(["outcome", "measure", "variant", "method", "plan_id"], sort=True):
        title = f"{column_label(cohort.statistics, str(key[0]))} by {measure_title(key[1])}"
        found = areas[areas["statistic"] == "auc"] if has(areas, ["statistic", "estimate"]) else areas
        for column, wanted in zip(("outcome", "measure", "variant", "method", "plan_id"), key, strict=True):
            found = found[found[column] == wanted] if column in found else found
        caption = f"{variant_text(key[2]).capitalize()}, {method_text(key[3])}."
        if len(found):
            r = found.iloc[0]
            area = estimate(r["estimate"], r["ci_low"], r["ci_high"], digits=2)
            caption += f" Area under the curve {area}; {r['n_events']} events in {r['n']} cases."
        out.append(_roc_figure(title, caption, part.reset_index(drop=True), slug("-".join(["roc", *key[:3]]))))
    return out


def _roc_figure(title: str, caption: str, part: pd.DataFrame, name: str) -> Figure:
    d = Drawing(330, 340, title or "Operating characteristic", "Sensitivity against one minus specificity.")
    axes = Axes(drawing=d, left=46, top=32, right=316, bottom=290, x_range=(0.0, 1.0), y_range=(0.0, 1.0))
    axes.left_axis("sensitivity")
    d.line(axes.x(0), axes.y(0), axes.x(1), axes.y(1), stroke=palette.HAIRLINE, stroke_width=1)
    keep = [c for c in ("cutoff", "sensitivity", "specificity", "n_events", "n_non_events") if c in part]
    part = part[keep].sort_values(["specificity", "sensitivity"], ascending=[False, True], kind="stable")
    points = axes.points(1 - part["specificity"], part["sensitivity"])
    d.path(points, stroke=palette.BLUE, stroke_width=2)
    axes.bottom_axis("1 − specificity")
    labels = {c: (field_title(c), "1") for c in ("sensitivity", "specificity")}
    return Figure(drawing=d, caption=caption, table=frame_table(part, labels), name=name, files=True, data=part)


NO_DECISION = "No decision curve: no model could be fitted, since there are too few events."
NO_DRIFT = "Drift of readers: not assessed: the landmark table gives no reading order (column reading_order)."


def decision_figures(cohort: Cohort) -> list[Figure]:
    """Net benefit of the model of each headline predictor over threshold probabilities, beside all and none."""
    needed = ["outcome", "measure", "threshold", "net_benefit", "net_benefit_all", "net_benefit_none"]
    frame = headline_quantities(cohort, cohort.table("decision_curves"))
    if not has(frame, needed):
        return []
    out = []
    for key, part in frame.groupby(["outcome", "measure", "variant", "method"], sort=True):
        keep = ["threshold", "net_benefit", "net_benefit_all", "net_benefit_none", "n", "n_events"]
        part = part[[c for c in keep if c in part]].sort_values("threshold", kind="stable").reset_index(drop=True)
        title = f"{column_label(cohort.statistics, str(key[0]))} by {measure_title(key[1])}: decision curve"
        d = Drawing(400, 300, title, "Net benefit over the threshold probability: model, all treated as events, none.")
        lowest = max(float(part[["net_benefit", "net_benefit_all"]].min().min()), -0.1)
        highest = float(part[["net_benefit", "net_benefit_all"]].max().max())
        axes = Axes(
            drawing=d,
            left=50,
            top=32,
            right=390,
            bottom=224,
            x_range=padded(part["threshold"], 0.02),
            y_range=padded([lowest, highest], 0.08, [0.0]),
        )
        axes.left_axis("net benefit")
        d.clip(axes.left, axes.top, axes.right - axes.left, axes.bottom - axes.top)
        lines = [
            ("net_benefit_none", "none", palette.INK, "2 2.5", 1.2),
            ("net_benefit_all", "all", palette.VERMILION, "6 3", 1.6),
            ("net_benefit", "by the model", palette.BLUE, "", 2.2),
        ]
        for column, _, colour, dash, width in lines:
            points = axes.points(part["threshold"], part[column])
            d.path(points, stroke=colour, stroke_width=width, stroke_dasharray=dash)
        d.end_clip()
        axes.bottom_axis("threshold probability")
        legend(d, 50, 282, [(text, colour, dash) for _, text, colour, dash, _ in reversed(lines)], 340)
        caption = f"{variant_text(key[2]).capitalize()}, {method_text(key[3])}. The model was fitted in the same cases."
        if "n_events" in part and len(part):
            caption += f" {part['n_events'].iloc[0]} events in {part['n'].iloc[0]} cases."
        labels = {c: (field_title(c), "1") for c in keep[:4]}
        out.append(
            Figure(
                drawing=d,
                caption=caption,
                table=frame_table(part, labels),
                name=slug("-".join(["decision", *key[:3]])),
                files=True,
                data=part,
            )
        )
    return out


def dose_figures(cohort: Cohort) -> list[Figure]:
    """Share of events by quantile group of each headline predictor, with intervals, at the group's median."""
    needed = ["outcome", "measure", "quantile_group", "median", "estimate", "ci_low", "ci_high", "n", "n_events"]
    frame = headline_quantities(cohort, cohort.table("dose_response"))
    if not has(frame, needed):
        return []
    out = []
    for key, part in frame.groupby(["outcome", "measure", "variant", "method"], sort=True):
        unit = str(part["unit"].iloc[0]) if "unit" in part else ""
        keep = ["quantile_group", "from_value", "to_value", "median", "n", "n_events", "estimate", "ci_low", "ci_high",
                "trend_p"]  # fmt: skip
        part = part[[c for c in keep if c in part]].sort_values("quantile_group", kind="stable").reset_index(drop=True)
        title = f"{column_label(cohort.statistics, str(key[0]))} by {measure_title(key[1])}: share of events"
        d = Drawing(400, 268, title, "Share of events by quantile group of the measure, with 95 % intervals.")
        spans = [v for c in ("from_value", "to_value", "median") if c in part for v in part[c]]
        axes = Axes(drawing=d, left=46, top=32, right=392, bottom=218, x_range=padded(spans), y_range=(0.0, 100.0))
        axes.left_axis("events, %", values=[0, 25, 50, 75, 100])
        for i, r in enumerate(part.to_dict("records")):
            x, y = axes.x(r["median"]), axes.y(100 * r["estimate"])
            if "from_value" in r:
                d.line(
                    axes.x(r["from_value"]),
                    y,
                    axes.x(r["to_value"]),
                    y,
                    stroke=palette.SKY,
                    stroke_width=5,
                    opacity=0.5,
                )
            d.line(x, axes.y(100 * r["ci_low"]), x, axes.y(100 * r["ci_high"]), stroke=palette.BLUE, stroke_width=1.5)
            d.mark(x, y, "square", palette.ACCENT, 3.6, f"{r['n_events']} of {r['n']}")
            d.text(x + 6, min(y, axes.bottom) - 5 - 12 * (i % 2), f"{r['n_events']}/{r['n']}", class_="s halo")
        axes.bottom_axis(f"{measure_title(key[1])}{f', {unit_text(unit)}' if unit_text(unit) else ''}")
        trend = part["trend_p"].iloc[0] if "trend_p" in part else None
        caption = (
            f"{variant_text(key[2]).capitalize()}, {method_text(key[3])}. Square: events of cases, at the group's "
            f"median; line: Wilson interval; pale bar: the group's range. Trend over groups: p {p_text(trend)}."
        )
        labels = {c: (field_title(c), unit) for c in ("from_value", "to_value", "median")}
        labels |= {c: (field_title(c), "1") for c in ("estimate", "ci_low", "ci_high")}
        out.append(
            Figure(
                drawing=d,
                caption=caption,
                table=frame_table(part, labels),
                name=slug("-".join(["dose", *key[:3]])),
                files=True,
                data=part,
            )
        )
    return out


def cutoff_figures(cohort: Cohort) -> list[Figure]:
    """Share of cases below each cut-off by group, a figure per plan."""
    rows = headline_cutoffs(cohort)
    rows = rows[(rows["statistic"] == "share_below") & rows["estimate"].notna()] if len(rows) else rows
    out = []
    for plan, part in rows.groupby("plan_id", sort=True) if len(rows) else ():
        part = part.sort_values(["cutoff", "group"], kind="stable")
        cutoffs = list(dict.fromkeys(part["cutoff"]))
        groups = sorted(set(part["group"]), key=lambda g: (g != ALL_GROUPS, g))
        step, block = 17.0, 26.0 + 17.0 * len(groups)
        title = f"Cases below the cut-offs, plan {plan}"
        d = Drawing(
            400, 20 + block * len(cutoffs) + 40, title, "Share of cases below each cut-off, with 95 % intervals."
        )
        axes = Axes(
            drawing=d,
            left=150,
            top=10,
            right=388,
            bottom=14 + block * len(cutoffs),
            x_range=(0.0, 100.0),
            y_range=(0.0, 1.0),
        )
        for v in (0, 25, 50, 75, 100):
            d.line(axes.x(v), axes.top, axes.x(v), axes.bottom, class_="grid")
        for i, cutoff in enumerate(cutoffs):
            d.text(0, axes.top + 14 + block * i, f"{cutoff:g} mm²", class_="b")
            for k, group in enumerate(groups):
                found = part[(part["cutoff"] == cutoff) & (part["group"] == group)]
                if not len(found):
                    continue
                r = found.iloc[0]
                y = axes.top + 28 + block * i + step * k
                colour, mark, _ = (
                    group_style(cohort.group_names, group) if group != ALL_GROUPS else (palette.INK, "square", "")
                )
                d.text(10, y + 3.5, shorten(words(group), 130, 10), class_="s")
                d.line(axes.x(100 * r["ci_low"]), y, axes.x(100 * r["ci_high"]), y, stroke=colour, stroke_width=1.4)
                d.mark(
                    axes.x(100 * r["estimate"]), y, mark, colour, 3.4, f"{words(group)}: {r['n_below']:g} of {r['n']:g}"
                )
        axes.bottom_axis("share of cases below, %", values=[0, 25, 50, 75, 100])
        keep = [
            "cutoff_id",
            "cutoff",
            "group",
            "plan_id",
            "variant",
            "method",
            "n",
            "n_below",
            "estimate",
            "ci_low",
            "ci_high",
        ]
        data = part[keep].reset_index(drop=True)
        labels = {c: (field_title(c), "1") for c in ("estimate", "ci_low", "ci_high")} | {
            "cutoff": ("Cut-off, mm²", "mm")
        }
        out.append(
            Figure(
                drawing=d,
                caption="Wilson intervals.",
                table=frame_table(data, labels),
                name=slug(f"cutoffs-{plan}"),
                files=True,
                data=data,
            )
        )
    return out


RECOVERED_KEYS = ["measure", "variant", "method", "unit"]


def recovered(cohort: Cohort) -> tuple[list[Figure], list[Table]]:
    """Errors of the invented study: a figure per headline measure and a table of all."""
    frame = cohort.recovered
    if not has(frame, [*RECOVERED_KEYS, "difference", "true_value"]):
        return [], []
    figures = [f for spec in cohort.settings.distributions if (f := _recovered_figure(cohort, frame, spec)) is not None]
    rows = []
    for (measure, variant, method, unit), part in frame.groupby(RECOVERED_KEYS, sort=True):
        difference = part["difference"]
        covered = (
            pd.to_numeric(part["covered"], errors="coerce").dropna() if "covered" in part else pd.Series(dtype=float)
        )
        worst = float(difference.loc[difference.abs().idxmax()])
        rows.append(
            (
                measure_title(measure), variant_text(variant), method_text(method), f"{len(part):,}",
                number(part["true_value"].median(), unit), number(difference.median(), unit, difference_digits(unit)),
                number(difference.abs().median(), unit, difference_digits(unit)),
                number(worst, unit, difference_digits(unit)),
                unit_text(unit), f"{100 * covered.mean():.0f} %" if len(covered) else "–",
            )
        )  # fmt: skip
    header = (
        "Measure", "Variant", "Method", "n", "True, median", "Measured − true, median", "Absolute, median", "Worst",
        "Unit", "Truth inside the 95 % interval",
    )  # fmt: skip
    return figures, [table_of(header, rows, caption="All measures with a known truth")]


def _recovered_figure(cohort: Cohort, frame: pd.DataFrame, spec: str) -> Figure | None:
    measure, variant, _ = cohort.variant_of(spec)
    mine = frame[(frame["measure"] == measure) & (frame["variant"] == variant)]
    if not len(mine):
        return None
    unit = str(mine["unit"].iloc[0])
    methods = sorted(set(mine["method"]))
    title = measure_title(measure, variant)
    d = Drawing(400, 34 + 58 * len(methods) + 40, title, "Measured minus true, each value a point.")
    axes = Axes(
        drawing=d,
        left=10,
        top=14,
        right=390,
        bottom=18 + 58 * len(methods),
        x_range=padded(mine["difference"], include=[0.0]),
        y_range=(0.0, 1.0),
    )
    d.line(axes.x(0), axes.top, axes.x(0), axes.bottom, stroke=palette.INK, stroke_width=0.9)
    said = []
    for i, method in enumerate(methods):
        values = mine.loc[mine["method"] == method, "difference"].to_numpy()
        middle = axes.top + 36 + 58 * i
        d.text(10, middle - 24, shorten(f"{method_text(method)}  ({len(values)})", 370), class_="b s halo")
        offset = swarm(values, *axes.x_range, 380, 1.8, 15)
        size = 1.6 if len(values) > FEW_POINTS else 2.4
        d.dots([(axes.x(v), middle + o) for v, o in zip(values, offset, strict=True)], palette.CATEGORIES[i % 7], size)
        median = float(np.median(values))
        d.line(axes.x(median), middle - 16, axes.x(median), middle + 16, stroke=palette.INK, stroke_width=1.6)
        said.append(f"{method_text(method)}: median {number(median, unit, difference_digits(unit))}")
    axes.bottom_axis(f"measured − true{f', {unit_text(unit)}' if unit_text(unit) else ''}")
    keep = [
        c
        for c in (
            "case_id",
            "phase_pct",
            "reader_id",
            "read_no",
            "plan_id",
            "method",
            "value",
            "true_value",
            "difference",
        )
        if c in mine
    ]
    data = mine[keep].reset_index(drop=True)
    labels = {c: (field_title(c), unit) for c in ("value", "true_value")} | {"difference": ("Difference", "")}
    caption = f"{'; '.join(said)}{unit_after(unit)}. Line: median."
    caption = caption[:1].upper() + caption[1:]
    return Figure(
        drawing=d,
        caption=caption,
        table=frame_table(data, labels),
        name=slug(f"recovered-{spec}"),
        files=True,
        data=data,
    )
