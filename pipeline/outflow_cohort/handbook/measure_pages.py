"""Pages of the measures: each one's title in the trade's words, what it is for, definition, figure and an example."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outflow_cohort.handbook.figures import figure
from outflow_cohort.handbook.markdown import markdown_table
from outflow_cohort.handbook.notes import Note, notes
from outflow_cohort.report.numbers import unit_text
from outflow_cohort.report.wording import method_text, words
from outflow_cohort.study.dictionary import CAUTION

if TYPE_CHECKING:
    from outflow_geometry.measures.measure import Measure

LEVELS = {
    "reading": "one value per reading",
    "plan": "one value per reading and plan",
    "draws": "one value per reading, plan and cut-off, from redrawn landmarks",
}
HINGES = "aortic_hinge_left, aortic_hinge_right, aortic_hinge_non"
VARIANT_PARTS = (
    ("SOLID", "SOLID: `full_frame`, `skirt`, `leaflet_limited`, `prosthesis_leaflet` or `prosthesis_post`"),
    ("CUTOFF_ID", "CUTOFF_ID: a cut-off of the study's list"),
)


def title(measure: Measure) -> str:
    """The measure in the trade's words; a new measure without a note has its own name in words."""
    note = notes().get(measure.id)
    return note.title if note is not None else words(measure.id).replace("lvot", "LVOT").capitalize()


def measure_index_page() -> str:
    """All measures with name, unit and page."""
    from outflow_geometry.measures.registry import REGISTRY

    rows = [
        (f"[{title(m)}]({m.id}.md)", f"`{m.id}`", _unit(m), _variants(m), LEVELS.get(m.level, m.level))
        for m in REGISTRY
    ]
    text = (
        "One page per measure. The second column is the name in tables and settings. A variant says which definition "
        "is meant: SOLID is the part of the device that counts as solid, CUTOFF_ID one of the study's cut-offs. "
        "A missing value is a row with an empty value and a status. Figures show an invented heart."
    )
    head = ("measure", "name", "unit", "variants", "how many values")
    return "\n\n".join(["# Measures", CAUTION, text, markdown_table(head, rows)]) + "\n"


def measure_page(measure: Measure) -> str:
    """Purpose, definition, formula, figure, an example, source and pitfalls of one measure."""
    note = notes().get(measure.id)
    needs = "; ".join(measure.needs).replace(HINGES, "the three aortic hinges").replace(" | ", " or ")
    rows = [
        ("name in tables", f"`{measure.id}`"),
        ("unit", _unit(measure)),
        ("variants", _variants(measure)),
        ("method", ", ".join(f"`{m}` ({method_text(m)})" for m in measure.methods)),
        ("needs", needs),
        ("values", LEVELS.get(measure.level, measure.level)),
    ]
    rows += [("", text) for part, text in VARIANT_PARTS if any(part in v for v in measure.variants)]
    drawing = figure(measure.id)
    parts = [f"# {title(measure)} (`{measure.id}`)"]
    # a new measure has a page before somebody has written its note and drawn its figure
    if note is not None:
        parts += [note.in_short]
    parts += ["## Definition", measure.definition, markdown_table(("", ""), rows)]
    if note is not None:
        parts += ["## Formula", "```text\n" + "\n".join(note.formula) + "\n```"]
    if drawing is not None:
        picture = f"![{drawing.title}: {drawing.description}](../figures/{measure.id}.svg)"
        parts += ["## Figure", picture, f"{drawing.description}. An invented heart."]
    if note is not None:
        parts += ["## Example", _example(measure, note)]
    parts += ["## Source", measure.source]
    if note is not None:
        parts += ["## Pitfalls", "\n".join(f"- {pitfall}" for pitfall in note.pitfalls)]
    parts.append(f"*{CAUTION}*")
    return "\n\n".join(parts) + "\n"


def _unit(measure: Measure) -> str:
    return {"1": "none (a ratio)", "pct": "%", "deg": "degrees"}.get(measure.unit) or unit_text(measure.unit)


def _variants(measure: Measure) -> str:
    named = [f"`{v}`" for v in (*measure.variants, *measure.case_variants) if v]
    return ", ".join(named) or "one, without a name"


def _example(measure: Measure, note: Note) -> str:
    """How to read the measure from the tables, by the column that its note names."""
    keys = ["case_id", "phase_pct", "reader_id", *([] if measure.level == "reading" else ["plan_id"])]
    listed = ", ".join(f'"{key}"' for key in keys)
    code = (
        "import pandas as pd\n\n"
        f'values = pd.read_parquet("my_study/results/tables/readings/{measure.id}.parquet")\n'
        f'column = "{note.column}"  # variant and method\n'
        'columns = [column, f"{column}.low", f"{column}.high", f"{column}.status"]\n'
        f"print(values[[{listed}, *columns]])"
    )
    text = "Every reading's value with its 95 % interval and status:"
    return f"{text}\n\n```python\n{code}\n```{_in_cases(measure)}"


def _in_cases(measure: Measure) -> str:
    """Where one value per case is, for measures that cases.csv holds unless the study chooses others."""
    from outflow_cohort.report.settings import ReportSettings

    specs = [s for s in ReportSettings().primary_measures if s.partition("/")[0] == measure.id]
    ending = f"_{measure.unit}" if measure.unit != "1" else ""
    columns = " and ".join(f"`{s.replace('/', '_')}{ending}`" for s in specs)
    return f"\n\nOne value per case is in `tables/cases.csv`, column {columns}." if columns else ""
