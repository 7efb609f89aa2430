"""The cycle on a case sheet tells marked from carried phases."""

from dataclasses import dataclass, field, replace

from outflow_cohort.handover.request import CaseFacts, Request, StudySettings
from outflow_cohort.report.case_data import Value
from outflow_cohort.report.charts_case import cycle_figures
from outflow_cohort.report.settings import ReportSettings


@dataclass
class Case:
    """What the figure asks of a case."""

    values: list[Value]
    reference: tuple[str, int] = ("ash", 1)
    plan_ids: tuple[str, ...] = ("P1",)
    settings: ReportSettings = field(default_factory=ReportSettings)
    request: Request = field(
        default_factory=lambda: Request(study=StudySettings(study_id="S"), case=CaseFacts(case_id="C1", key="C1"))
    )

    def find(self, measure: str) -> list[Value]:
        return [v for v in self.values if v.measure == measure]


def value(phase: float, area: float, carried_from: float | None) -> Value:
    return Value(phase, "ash", 1, "P1", "neo_lvot_area", "full_frame", "automatic_path", area, "mm2",
                 area - 20, area + 20, "ok", carried_from)  # fmt: skip


def test_carried_phases_are_open_rings_and_say_where_they_come_from() -> None:
    case = Case([value(35.0, 210.0, None), value(45.0, 190.0, 35.0), value(75.0, 380.0, None)])
    # the reader's path was drawn in the marked phases only; the line through the cycle is the one that all phases have
    case.values += [replace(v, method="reader_path", value=999.0) for v in case.values if v.carried_from_pct is None]
    (figure,) = cycle_figures(case)  # type: ignore[arg-type]
    assert figure.table is not None
    rows = {row[2]: row[4] for row in figure.table.rows}
    assert not any("999" in cell for row in figure.table.rows for cell in row)
    assert rows == {"35 %": "marked", "45 %": "carried from 35 %", "75 %": "marked"}
    drawn = figure.drawing.standalone()
    assert drawn.count("45 %, carried from 35 %") >= 1
    assert drawn.count("35 %, carried from") == drawn.count("75 %, carried from") == 0
