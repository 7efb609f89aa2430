"""The report's part on models: numbers at risk, reasons of what is withheld, nothing that was not asked for."""

from __future__ import annotations

import html
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.paper.mixed_models import mixed_models
from outflow_cohort.paper.model_tables import model_tables, not_shown
from outflow_cohort.report.charts_survival import at_risk_table, survival_figures
from outflow_cohort.report.cohort_data import Cohort, read_cohort
from outflow_cohort.report.cohort_report import cohort_report
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.models_part import models_part
from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.stats.data.settings import StatisticsSettings, TimeToEvent
from outflow_cohort.stats.outcome.time_to_event import COLUMNS as TIME_COLUMNS
from outflow_cohort.stats.outcome.time_to_event import CURVE_COLUMNS, FollowUp, survival_rows

OUTCOME = TimeToEvent(time_column="days", event_column="died", competing=("2",))
TIMES = np.array([5.0, 60, 60, 130, 200, 210, 250, 330, 400, 410, 420, 430])
CAUSES = np.array([1.0, 1, 0, 2, 1, 0, 1, 2, 0, 0, 1, 0])


def test_a_column_is_called_by_its_label_its_event_or_its_name():
    followed = TimeToEvent(time_column="followup_days", event_column="followup_end", event="died", no_event="alive")
    asked = StatisticsSettings(time_to_event=(followed,))
    assert column_label(asked, "followup_end") == "Died"
    assert column_label(asked, "followup_gradient_mmhg") == "Follow-up gradient, mmHg"
    named = asked.model_copy(update={"column_labels": {"followup_end": "Death of any cause"}})
    assert column_label(named, "followup_end") == "Death of any cause"
    # an event that only says yes names nothing
    unnamed = StatisticsSettings(time_to_event=(OUTCOME, followed.model_copy(update={"event": "yes"})))
    assert column_label(unnamed, "died") == "Died"
    assert column_label(unnamed, "followup_end") == "Follow-up end"


@pytest.fixture(scope="module")
def cohort(results: Path) -> Cohort:
    """A run with the follow-up of twelve cases: seven in group a, three in b, two in c."""
    groups = np.array(["a"] * 7 + ["b"] * 3 + ["c"] * 2, dtype=object)
    seen = FollowUp(TIMES, CAUSES, groups, np.ones(12, bool))
    rows, curves = survival_rows(seen, OUTCOME, StatisticsSettings())
    found = read_cohort(results, ReportSettings())
    tables = {
        "survival_curves": pd.DataFrame(curves, columns=CURVE_COLUMNS),
        "time_to_event": pd.DataFrame(rows, columns=TIME_COLUMNS),
    }
    study = json.loads(json.dumps(dict(found.study)))
    study["statistics"] = {**(study.get("statistics") or {}), "time_to_event": [OUTCOME.model_dump(mode="json")]}
    return replace(found, study=study, tables={**found.tables, **tables})


def test_numbers_at_risk_are_counts(cohort: Cohort) -> None:
    table = at_risk_table(cohort)
    assert table is not None
    lines = [row for row in table.rows if row[1] == "all"]
    assert {row[1] for row in table.rows} == {"all", "a"}  # b and c have fewer than five cases
    for row in lines:
        time = float(row[2])
        assert int(row[3]) == (time <= TIMES).sum()
        assert int(row[4]) == ((time >= TIMES) & (CAUSES == 1)).sum()
    assert [row[2] for row in lines] == ["0", "100", "200", "300", "400"]
    drawn = "".join(survival_figures(cohort)[0].drawing.parts)
    shown = re.findall(r">(\d+)</text>", drawn)
    assert shown[-5:] == [row[3] for row in lines]


def test_groups_of_few_cases_have_no_curve(cohort: Cohort) -> None:
    figures = {f.name: f for f in survival_figures(cohort)}
    assert set(figures) == {"survival-died", "survival-died-by-group", "survival-died-incidence"}
    data = figures["survival-died-by-group"].data
    assert data is not None
    assert set(data["group"]) == {"a"}
    assert "2 groups of fewer than 5 cases" in figures["survival-died-by-group"].caption
    whole = figures["survival-died"].data
    assert whole is not None
    # Kaplan & Meier 1958: the product of 1 - events / at risk over the event times.
    at, survival = np.unique(TIMES[CAUSES == 1]), 1.0
    for time, row in zip(at, whole.to_dict("records"), strict=True):
        survival *= 1 - ((time == TIMES) & (CAUSES == 1)).sum() / (time <= TIMES).sum()
        assert row["estimate"] == pytest.approx(survival)


def test_what_is_withheld_says_why(cohort: Cohort) -> None:
    part = models_part(cohort, 100)
    times = next(t for t in part.tables if t.caption == "Time to the event")
    assert {row[3] for row in times.rows} == {"withheld: too few events"}
    page = html.unescape(cohort_report(cohort).html)
    assert 'id="models"' in page
    assert "withheld: too few events" in page
    assert "figures/survival-died.svg" in page


def test_nothing_that_was_not_asked_for(cohort: Cohort, results: Path) -> None:
    plain = read_cohort(results, ReportSettings())
    asked = replace(cohort, study=plain.study)
    part = models_part(asked, 100)
    assert not part.figures
    assert not [t for t in part.tables if "Time" in t.caption]


def test_checklists_and_gaps_go_into_report_and_paper(cohort: Cohort) -> None:
    part = models_part(cohort, 100)
    assert [title.partition(":")[0] for title, _ in part.checklists] == ["STROBE", "STARD 2015", "TRIPOD+AI"]
    for title, table in part.checklists:
        told = int(re.search(r"(\d+) of (\d+)", title)[1])  # type: ignore[index]
        assert told == sum(row[4] != "\u2013" for row in table.rows)
    names = [t.name for t in model_tables(cohort)]
    assert names == sorted(names)
    assert {"table_m1_survival", "table_s1_strobe"} <= set(names)


def test_a_table_without_a_figure_is_left_out_of_the_paper_and_named(cohort: Cohort) -> None:
    assert not [t for t in model_tables(cohort) if "time_to_event" in t.name]
    remark = not_shown(cohort)
    assert remark.startswith(
        "Asked for but not shown, since every figure is withheld (too few events): time to the event"
    )
    without = replace(
        cohort, tables={n: t for n, t in cohort.tables.items() if n not in ("time_to_event", "multi_reader_roc")}
    )
    assert not_shown(without) == ""


def test_mixed_models_of_a_paper_are_a_column_each(cohort: Cohort) -> None:
    def row(measure: str, statistic: str, term: str, level: str | None, estimate: float, **more: float) -> dict:
        names = {"measure": measure, "variant": "", "method": "reader_points", "plan_id": "", "unit": "mm2"}
        numbers = {"df": np.nan, "df2": np.nan, "ci_low": np.nan, "ci_high": np.nan, "p_value": np.nan} | more
        return {**names, "model": "group x phase", "statistic": statistic, "term": term, "level": level,
                "estimate": estimate, "n_cases": 10, "n_readers": 3, **numbers}  # fmt: skip

    rows = [
        row("mitral_area", "variance", "case", None, 400.0),
        row("mitral_area", "f_test", "group", None, 5.54, df=3.0, df2=6.04, p_value=0.0381),
        row("mitral_area", "mean", "group", "failed_ring", 659.9, ci_low=558.3, ci_high=761.5),
        row("mitral_area", "mean", "group x phase", "failed_ring / 20 %", 660.5, ci_low=558.7, ci_high=762.4),
        row("mitral_area", "difference", "phase", "40 % - 20 %", -28.0, ci_low=-41.8, ci_high=-14.1),
        row("aortic_area", "f_test", "site", None, 0.9, df=2.0, df2=4.0, p_value=0.0002),
    ]
    table = mixed_models(replace(cohort, tables=cohort.tables | {"mixed_models": pd.DataFrame(rows)}))
    assert table is not None
    assert table.header[1:] == ("Mitral area, mm² (reader's points)", "Aortic area, mm² (reader's points)")
    assert table.rows == (
        ("Test of group", "F(3, 6.0) = 5.5; p = 0.038", "–"),
        ("Test of site", "–", "F(2, 4.0) = 0.9; p < 0.001"),
        ("Mean, failed ring", "660 (558 to 762)", "–"),
        ("SD between cases", "20.0", "–"),
    )


def test_the_paper_has_a_survival_figure_with_the_numbers_at_risk(cohort: Cohort, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib", reason="matplotlib is not installed (pip install '.[paper]')")
    from outflow_cohort.paper.figures import write_paper_figures

    captions = write_paper_figures(cohort, tmp_path)
    name = next(p for p in tmp_path.iterdir() if p.name.endswith("survival_died_one_column.svg"))
    assert [c for c in captions if "Kaplan-Meier" in c and "Died" in c]
    shown = re.findall(r">([^<>]+)</text>", name.read_text(encoding="utf-8"))
    start = shown.index("A") + 1
    times = [float(t) for t in shown[: shown.index("Time (days)")]]
    counted = [str((TIMES[:7] >= t).sum()) for t in times]
    assert shown[start : start + len(counted)] == counted


def test_a_study_of_small_groups_has_one_curve_with_its_interval(cohort: Cohort, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib", reason="matplotlib is not installed (pip install '.[paper]')")
    from outflow_cohort.paper.figures import write_paper_figures

    curves = cohort.tables["survival_curves"]
    alone = replace(cohort, tables={**cohort.tables, "survival_curves": curves[curves["group"] != "a"]})
    write_paper_figures(alone, tmp_path)
    text = next(tmp_path.glob("*survival_died_two_columns.svg")).read_text(encoding="utf-8")
    assert "All cases" in text
    # one step of the band per time with an interval, the last before survival falls to 0 too
    steps = (curves["group"] == "all") & (curves["statistic"] == "survival") & curves["ci_low"].notna()
    assert len(re.findall(r'<g id="[A-Za-z]*PolyCollection', text)) == steps.sum()
