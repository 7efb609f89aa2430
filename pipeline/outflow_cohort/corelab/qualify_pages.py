"""What a reader's qualification page is put together from: advice, tables and two figures. Lengths mm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outflow_cohort.corelab.qualify_errors import SAMPLES
from outflow_cohort.corelab.qualify_score import NOT_MARKED, PASSED, PRACTISE, TOO_FEW, Scored
from outflow_cohort.corelab.structures import MARKINGS
from outflow_cohort.report import palette
from outflow_cohort.report.numbers import UNITS, is_number, number
from outflow_cohort.report.page import Figure, Table, table_of
from outflow_cohort.report.svg import Axes, Drawing
from outflow_cohort.report.wording import measure_title
from outflow_cohort.study.qualification import QualificationSettings

WORDS = {PASSED: "passed", PRACTISE: "practise", TOO_FEW: "too few readings", NOT_MARKED: "not marked"}
WIDTH, ROW = 720.0, 24.0
FARTHEST = 12.0
"""mm drawn; what is farther is on the edge."""


@dataclass(frozen=True)
class Advice:
    """What to practise: a structure or matter, what was found, and what to look at."""

    title: str
    found: str
    remedy: str


@dataclass(frozen=True)
class ReaderTables:
    """Rows of one reader of structures.csv, measures.csv and slips.csv."""

    structures: pd.DataFrame
    measures: pd.DataFrame
    slips: pd.DataFrame


def title_of(structure: str) -> str:
    """A structure's name as readers know it."""
    return MARKINGS[structure].title if structure in MARKINGS else structure.replace("_", " ")


def advice(row: pd.Series, own: ReaderTables, limits: QualificationSettings) -> list[Advice]:
    """What to practise, structures first; slips below the limits are named too."""
    found = []
    structures, measures, slips = own.structures, own.measures, own.slips
    unfiled = int(row["readings_dealt"] - row["readings_filed"])
    if unfiled:
        found.append(
            Advice("Readings", f"{unfiled} of {row['readings_dealt']} readings were not filed.", "Read and file them.")
        )
    for one in structures[structures["verdict"] == PRACTISE].to_dict("records"):
        found.append(_structure_advice(one, slips, limits))
    named = {a.title for a in found}
    for name, off in slips.groupby("structure", sort=False):
        if title_of(str(name)) not in named:
            where = ", ".join(off["reading_id"].unique())
            what = "; ".join(off["what"].unique())
            found.append(Advice(title_of(str(name)), f"A slip in {where}: {what}.", _remedy(str(name))))
    if any(str(text).startswith("mean distance") for text in str(row["against"]).split(", ")):
        text = f"Mean distance from the truth in the second half of the list: {number(row['change_mm'], 'mm')} mm more."
        found.append(Advice("Change over time", text, "Read in shorter sessions, and read the list again."))
    for one in measures[measures["verdict"] == PRACTISE].to_dict("records"):
        differ = (
            f"{number(one['bias'], digits=1)} ± {number(one['spread'], digits=1)} {UNITS.get(one['unit'], one['unit'])}"
        )
        most = f"{one['bias_limit']:g} and {one['spread_limit']:g}"
        text = f"Values differ from those of the true landmarks by {differ} (limits {most})."
        if one["without_value"]:
            text += f" No value in {one['without_value']} readings."
        found.append(
            Advice(measure_title(one["measure"], one["variant"]), text, "Practise the structures it rests on.")
        )
    return found


def _structure_advice(one: dict[str, object], slips: pd.DataFrame, limits: QualificationSettings) -> Advice:
    name, parts = str(one["structure"]), []
    if is_number(one.get("bias_mm")) and float(str(one["bias_mm"])) > limits.bias_mm:
        parts.append(f"points are {number(one['bias_mm'], 'mm')} mm {one['direction']} (limit {limits.bias_mm:g} mm)")
    if is_number(one.get("scatter_mm")) and float(str(one["scatter_mm"])) > limits.scatter_mm:
        parts.append(f"they scatter by {number(one['scatter_mm'], 'mm')} mm (limit {limits.scatter_mm:g} mm)")
    off = slips[slips["structure"] == name]
    if len(off):
        where = ", ".join(off["reading_id"].unique())
        parts.append(f"slips in {where}: {'; '.join(off['what'].unique())}")
    if one["missing"]:
        parts.append(f"not marked in {one['missing']} readings")
    text = "; ".join(parts)
    return Advice(title_of(name), f"{text[:1].upper()}{text[1:]}.", _remedy(name))


def _remedy(name: str) -> str:
    marking = MARKINGS.get(name)
    if marking is None:
        return ""
    return f"Where it is marked: {marking.where} Common mistakes: {' '.join(marking.mistakes)}"


def tables(own: ReaderTables, limits: QualificationSettings) -> list[Table]:
    """Structures, measures and slips as printed."""
    rows: list[tuple[str, ...]] = []
    order = {name: place for place, name in enumerate(MARKINGS)}
    for one in own.structures.sort_values("structure", key=lambda names: names.map(order)).to_dict("records"):
        bias = f"{number(one.get('bias_mm'), 'mm')} {one['direction']}" if is_number(one.get("bias_mm")) else "–"
        rows.append(
            (
                title_of(one["structure"]), str(one["readings"]), bias,
                number(one.get("scatter_mm"), "mm"), number(one.get("repeat_sd_mm"), digits=2),
                number(one.get("slips"), digits=0), WORDS[one["verdict"]],
            )
        )  # fmt: skip
    first = table_of(
        ("structure", "readings", "bias, mm", "scatter, mm", "repeat SD, mm", "slips", "verdict"),
        rows,
        f"Limits: bias {limits.bias_mm:g} mm, scatter of one coordinate {limits.scatter_mm:g} mm; a slip is a point "
        f"more than {limits.slip_mm:g} mm from its place, the reader's own bias taken off. A structure with slips in "
        "two readings is to be practised. Repeat SD: mean place of the structure in one coordinate, scans read twice.",
        "Points against the true structures",
    )
    rows = [
        (
            measure_title(one["measure"], one["variant"]), str(one["readings"]), UNITS.get(one["unit"], one["unit"]),
            f"{number(one.get('bias'), digits=1)} ({one['bias_limit']:g})",
            f"{number(one.get('spread'), digits=1)} ({one['spread_limit']:g})",
            number(one.get("repeat_sd"), digits=1), number(one.get("largest"), digits=1), WORDS[one["verdict"]],
        )
        for one in own.measures.to_dict("records")
    ]  # fmt: skip
    second = table_of(
        ("measure", "readings", "unit", "bias (limit)", "spread (limit)", "repeat SD", "largest", "verdict"),
        rows,
        "Value from the reader's points less the value from the true points of the same heart; spread = standard "
        "deviation.",
    )
    rows = [
        (one["reading_id"], title_of(one["structure"]), number(one["point_no"], digits=0),
         number(one["distance_mm"], "mm"), one["what"])
        for one in own.slips.to_dict("records")
    ]  # fmt: skip
    third = table_of(("reading", "structure", "point", "distance, mm", "what"), rows, "", "Slips")
    return [t for t in (first, second, third) if t.rows]


def change_text(row: pd.Series) -> str:
    """The change over time in words."""
    if not is_number(row["change_mm"]):
        return "too few readings"
    chance = number(row["change_p_value"], digits=2)
    return f"{number(row['change_mm'], digits=2)} mm (p = {chance}, Mann-Whitney)"


def error_figure(own: Sequence[Scored], limits: QualificationSettings) -> Figure:
    """One dot per reading and structure: mean distance of its points from the true structure."""
    names = [n for n in MARKINGS if n not in SAMPLES and any(n in s.errors for s in own)]
    height = 40.0 + ROW * len(names) + 44.0
    d = Drawing(WIDTH, height, "Distance from the truth by structure", "One dot per reading; a line at the slip limit.")
    axes = Axes(
        drawing=d,
        left=210.0,
        top=20.0,
        right=WIDTH - 20.0,
        bottom=20.0 + ROW * len(names),
        x_range=(0.0, FARTHEST),
        y_range=(0.0, float(len(names))),
    )
    limit = axes.x(limits.slip_mm)
    d.line(limit, axes.top, limit, axes.bottom, stroke=palette.FAINT_INK, stroke_dasharray="4 3")
    d.text(limit, axes.top - 6.0, "slip", "middle", class_="q")
    for place, name in enumerate(names):
        y = axes.y(len(names) - place - 0.5)
        d.line(axes.left, y, axes.right, y, class_="grid")
        d.text(axes.left - 8.0, y + 3.5, title_of(name), "end")
        for s in own:
            if name in s.errors:
                away = float(s.errors[name].distance.max())
                colour = palette.VERMILION if away > limits.slip_mm else palette.BLUE
                shape = "square" if away > limits.slip_mm else "circle"
                d.mark(axes.x(min(away, FARTHEST)), y, shape, colour, 3.0, f"{s.reading.reading_id}: {away:.1f} mm")
    axes.bottom_axis("farthest point of the structure from its true place, mm")
    return Figure(d, f"One mark per reading; squares are slips; beyond {FARTHEST:g} mm on the edge.")


def distance_figure(own: Sequence[Scored]) -> Figure:
    """Mean distance of a reading from the truth in the order of reading."""
    order = sorted(own, key=lambda s: s.reading.order)
    xs, ys = [float(s.reading.order) for s in order], [s.distance for s in order]
    d = Drawing(WIDTH, 230.0, "In the order of reading", "Mean distance from the truth of each reading, in order.")
    top = max(2.0, float(np.nanmax(ys)) * 1.1)
    axes = Axes(
        drawing=d,
        left=60.0,
        top=30.0,
        right=WIDTH - 20.0,
        bottom=180.0,
        x_range=(0.0, max(xs) + 1.0),
        y_range=(0.0, top),
    )
    axes.left_axis("mean distance, mm")
    d.path(axes.points(xs, ys), stroke=palette.HAIRLINE, stroke_width=1.0)
    for x, y, s in zip(xs, ys, order, strict=True):
        shape = "ring" if s.reading.read_no > 1 else "circle"
        d.mark(axes.x(x), axes.y(y), shape, palette.BLUE, 3.2, f"{s.reading.reading_id}: {y:.2f} mm")
    axes.bottom_axis("place in the reading list", [x for x in xs if len(xs) <= 20 or int(x) % 5 == 0])
    return Figure(
        d, "Mean over structures of the distance of a reading's points from the truth; rings are repeat reads."
    )
