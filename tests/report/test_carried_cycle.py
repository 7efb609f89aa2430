"""The cycle on a case sheet tells marked from carried phases."""

from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import pandas as pd

from outflow_cohort.handover.request import CaseFacts, Request, StudySettings
from outflow_cohort.report.case_data import ReadValue
from outflow_cohort.report.charts_case import cycle_figures
from outflow_cohort.report.charts_cohort import flow_figure
from outflow_cohort.report.settings import ReportSettings


@dataclass
class Case:
    """What the figure asks of a case."""

    values: list[ReadValue]
    reference: tuple[str, int] = ("ash", 1)
    plan_ids: tuple[str, ...] = ("P1",)
    settings: ReportSettings = field(default_factory=ReportSettings)
    request: Request = field(
        default_factory=lambda: Request(study=StudySettings(study_id="S"), case=CaseFacts(case_id="C1", key="C1"))
    )

    def find(self, measure: str) -> list[ReadValue]:
        return [v for v in self.values if v.measure == measure]


def value(phase: float, area: float, carried_from: float | None) -> ReadValue:
    return ReadValue(
        phase_pct=phase, reader_id="ash", read_no=1, plan_id="P1", measure="neo_lvot_area", variant="full_frame",
        method="automatic_path", value=area, unit="mm2", ci_low=area - 20, ci_high=area + 20, status="ok",
        carried_from_pct=carried_from,
    )  # fmt: skip


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


def test_the_flow_counts_carried_readings_apart_and_in_full_words() -> None:
    phases = pd.DataFrame({"case_id": "C1", "phase_pct": [35.0, 45.0, 75.0], "reader_id": "ash", "read_no": 1})
    cohort = SimpleNamespace(
        series=pd.DataFrame(),
        set_aside=pd.DataFrame({"case_id": [], "code": [], "phase_pct": [], "reader_id": [], "read_no": []}),
        cases=pd.DataFrame({"case_id": ["C1"]}),
        measured=phases.assign(landmark_origin=["marked", "carried", "carried"]),
        readings=phases.iloc[:1],
    )
    figure = flow_figure(cohort)  # type: ignore[arg-type]
    words = figure.drawing.standalone()
    assert "2 carried readings measured" in words
    assert "of 1 reading in<" in words
    assert "…" not in words
