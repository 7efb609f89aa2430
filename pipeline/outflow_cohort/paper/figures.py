"""Figures of a paper: each as SVG, PDF and PNG with 600 dots per inch, in the width of one or two columns.

Widths: 89 mm for one column, 183 mm for two (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import write_atomically
from outflow_cohort.paper.tables import of_all_readers
from outflow_cohort.report.charts_agreement import headline_rows
from outflow_cohort.report.charts_survival import COLUMNS as SURVIVAL_COLUMNS
from outflow_cohort.report.charts_survival import FEWEST_CASES, interval_bands, large_groups, steps_of
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.headline import of_headline_plan
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.numbers import unit_text
from outflow_cohort.report.palette import CATEGORIES
from outflow_cohort.report.wording import measure_title, words
from outflow_cohort.stats.data.one_value import ALL_GROUPS

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

COLUMN_MM = {"one_column": 89.0, "two_columns": 183.0}
DOTS_PER_INCH = 600
INCH_MM = 25.4
LINES = ("-", "--", "-.", ":")
MARKS = ("o", "s", "^", "D", "P", "X", "v")
STYLE: Any = {
    "font.size": 7, "axes.linewidth": 0.6, "axes.spines.top": False, "axes.spines.right": False,
    "font.family": "DejaVu Sans", "svg.fonttype": "none", "pdf.fonttype": 42, "svg.hashsalt": "outflow",
}  # fmt: skip


def write_paper_figures(cohort: Cohort, folder: Path) -> list[str]:
    """Write the figures that the run has data for; returns their captions."""
    spec = cohort.settings.primary_measures[0]
    title = measure_title(*cohort.variant_of(spec)[:2])
    wanted: list[tuple[str, str, Callable[[Cohort, str, Axes], bool]]] = [
        ("by_group", f"{title} by group. Points: cases; line: median.", _by_group),
        ("over_phases", f"{title} over the cardiac cycle. Lines: cases; thick: median.", _over_phases),
        ("readers", f"{title}: differences between readers of the same image against their mean; first reads. Dashed: "
         "limits of agreement.", _readers),
        *_survival_figures(cohort),
    ]  # fmt: skip
    captions: list[str] = []
    for name, caption, draw in wanted:
        if _write(cohort, spec, folder, f"figure_{len(captions) + 1}_{name}", draw):
            captions.append(f"Figure {len(captions) + 1}. {caption}")
    return captions


def _write(cohort: Cohort, spec: str, folder: Path, name: str, draw: Callable[[Cohort, str, Axes], bool]) -> bool:
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    for column, width in COLUMN_MM.items():
        with matplotlib.rc_context(STYLE):
            figure = Figure(figsize=(width / INCH_MM, min(0.72 * width, 95.0) / INCH_MM), layout="constrained")
            FigureCanvasAgg(figure)
            if not draw(cohort, spec, figure.add_subplot()):
                return False
            for ending, more in (("svg", {"Date": None}), ("pdf", {"CreationDate": None}), ("png", {})):
                save = partial(figure.savefig, format=ending, dpi=DOTS_PER_INCH, metadata=more)
                write_atomically(folder / f"{name}_{column}.{ending}", save)
    return True


def _axis_label(cohort: Cohort, spec: str, unit: str) -> str:
    title = measure_title(*cohort.variant_of(spec)[:2])
    return f"{title} ({unit_text(unit)})" if unit_text(unit) else title


def _by_group(cohort: Cohort, spec: str, axes: Axes) -> bool:
    frame = cohort.case_values(spec)
    if not len(frame):
        return False
    groups = [g for g in cohort.group_names if (frame["group"] == g).any()]
    for place, group in enumerate(groups):
        values = sorted(frame.loc[frame["group"] == group, "value"])
        shift = [0.28 * ((i * 0.618) % 1 - 0.5) for i in range(len(values))]
        axes.plot([place + s for s in shift], values, MARKS[place % len(MARKS)], ms=3.2, mfc="none", mew=0.8,
                  color=CATEGORIES[place % len(CATEGORIES)])  # fmt: skip
        middle = float(frame.loc[frame["group"] == group, "value"].median())
        axes.plot([place - 0.25, place + 0.25], [middle, middle], color="black", lw=1)
    axes.set_xticks(range(len(groups)), [words(g).replace(" ", "\n", 1).capitalize() for g in groups])
    axes.set_xlim(-0.6, len(groups) - 0.4)
    axes.set_ylabel(_axis_label(cohort, spec, str(frame["unit"].iloc[0])))
    return True


def _over_phases(cohort: Cohort, spec: str, axes: Axes) -> bool:
    frame = cohort.phase_values(spec)
    if not len(frame) or frame["phase_pct"].nunique() < 2:
        return False
    for _, rows in frame.groupby("case_id", sort=True):
        axes.plot(rows["phase_pct"], rows["value"], color="#9AA3AC", lw=0.6, marker=".", ms=2.5)
    middle = frame.groupby("phase_pct")["value"].median()
    axes.plot(middle.index, middle.to_numpy(), color=CATEGORIES[0], lw=1.6)
    axes.set_xlabel("Cardiac phase (% of R-R)")
    axes.set_ylabel(_axis_label(cohort, spec, str(frame["unit"].iloc[0])))
    return True


def _readers(cohort: Cohort, spec: str, axes: Axes) -> bool:
    frame = cohort.pick(spec)
    if not len(frame):
        return False
    first = frame[frame["read_no"] == 1][["case_id", "phase_pct", "reader_id", "value", "unit"]]
    chosen = {v.case_id: v.phase_pct for own in cohort.primary.values() for v in own[:1]}
    first = first[[chosen.get(c) is None or abs(chosen[c] - p) <= cohort.statistics.curve_step_pct
                   for c, p in zip(first["case_id"], first["phase_pct"], strict=True)]]  # fmt: skip
    pairs = first.merge(first, on=["case_id", "phase_pct"], suffixes=("_a", "_b"))
    pairs = pairs[pairs["reader_id_a"] < pairs["reader_id_b"]]
    if not len(pairs):
        return False
    for place, ((a, b), rows) in enumerate(pairs.groupby(["reader_id_a", "reader_id_b"], sort=True)):
        mean = (rows["value_a"] + rows["value_b"]) / 2
        axes.plot(mean, rows["value_a"] - rows["value_b"], MARKS[place % len(MARKS)], ms=3.2, mfc="none", mew=0.8,
                  color=CATEGORIES[place % len(CATEGORIES)], label=f"{a} − {b}")  # fmt: skip
    rows = headline_rows(cohort.table("agreement"))
    if len(rows):
        measure, variant, method = cohort.variant_of(spec)
        mine = of_headline_plan(
            rows[(rows["measure"] == measure) & (rows["variant"] == variant) & (rows["method"] == method)]
        )
        for limit in (of_all_readers(mine, "loa_lower"), of_all_readers(mine, "loa_upper")):
            if limit is not None:
                axes.axhline(float(limit["estimate"]), color="black", lw=0.8, ls="--")
    axes.axhline(0.0, color="black", lw=0.5)
    label = _axis_label(cohort, spec, str(first["unit"].iloc[0]))
    axes.set_xlabel("Mean of two readers" + label[label.rfind(" (") :] if " (" in label else "Mean of two readers")
    axes.set_ylabel("Difference" + (label[label.rfind(" (") :] if " (" in label else ""))
    axes.legend(frameon=False, fontsize=6)
    return True


def _survival_figures(cohort: Cohort) -> list[tuple[str, str, Callable[[Cohort, str, Axes], bool]]]:
    """One Kaplan-Meier figure per follow-up of the study: name, caption, drawing."""
    frame = cohort.table("survival_curves")
    if not has(frame, [*SURVIVAL_COLUMNS, "ci_low", "ci_high"]):
        return []
    drawings: list[tuple[str, str, Callable[[Cohort, str, Axes], bool]]] = []
    for outcome, rows in frame.groupby("outcome", sort=True):
        whom = (
            f"groups of at least {FEWEST_CASES} cases"
            if large_groups(rows[rows["statistic"] == "at_risk"])
            else f"all cases (no group has {FEWEST_CASES}) with the 95 % interval as a band"
        )
        label = column_label(cohort.statistics, str(outcome))
        caption = f"{label}: share without the event (Kaplan-Meier), {whom}. Numbers: cases at risk."
        drawings.append((f"survival_{outcome}", caption, partial(_survival, rows=rows)))
    return drawings


def _survival(cohort: Cohort, spec: str, axes: Axes, *, rows: pd.DataFrame) -> bool:
    """Step curves with the numbers at risk beneath; `rows` are those of one follow-up in survival_curves."""
    at_risk, curves = rows[rows["statistic"] == "at_risk"], rows[rows["statistic"] == "survival"]
    longest = float(max(rows["time"].max(), 0.0))
    if not len(at_risk) or longest <= 0:
        return False
    groups = large_groups(at_risk) or [ALL_GROUPS]
    beneath: Any = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points", "va": "center"}
    for place, group in enumerate(groups):
        mine = curves[curves["group"] == group].sort_values("time")
        colour = CATEGORIES[place % len(CATEGORIES)]
        name = "All cases" if group == ALL_GROUPS else words(group).capitalize()
        axes.plot(*steps_of(mine, longest, 1.0), color=colour, lw=1.2, ls=LINES[place % len(LINES)], label=name)
        if groups == [ALL_GROUPS]:
            for start, end, low, high in interval_bands(mine, longest):
                axes.fill_between([start, end], low, high, color=colour, alpha=0.14, lw=0)
        drop = -40.0 - 9.0 * place
        axes.annotate(name, (0.0, 0.0), (-9.0, drop), ha="right", color=colour, **beneath)
        for time, n in at_risk.loc[at_risk["group"] == group, ["time", "n_at_risk"]].to_numpy(float):
            axes.annotate(f"{n:.0f}", (time, 0.0), (0.0, drop), ha="center", **beneath)
    axes.annotate("At risk", (0.0, 0.0), (-9.0, -30.0), ha="right", weight="bold", **beneath)
    axes.set_xlim(0.0, 1.02 * longest)
    axes.set_ylim(0.0, 1.02)
    axes.set_xticks(sorted(set(at_risk["time"].astype(float))))
    axes.set_xlabel(f"Time ({rows['time_unit'].iloc[0]})")
    axes.set_ylabel("Share without the event")
    if len(groups) > 1:
        axes.legend(frameon=False, fontsize=6)
    return True
