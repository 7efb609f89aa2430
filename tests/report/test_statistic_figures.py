"""Figures of planes, methods, drift and outcomes, and the checklist, against the tables they are drawn from."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.report import charts_intervals as intervals
from outflow_cohort.report.charts_agreement import method_figures
from outflow_cohort.report.charts_outcome import NO_DECISION, NO_DRIFT, decision_figures, dose_figures
from outflow_cohort.report.cohort_data import Cohort, read_cohort
from outflow_cohort.report.cohort_report import cohort_report
from outflow_cohort.report.methods import grid_text
from outflow_cohort.report.numbers import estimate
from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.stats.data.grras import ITEMS


@pytest.fixture(scope="module")
def cohort(results: Path) -> Cohort:
    return read_cohort(results, ReportSettings())


def with_table(cohort: Cohort, name: str, frame: pd.DataFrame) -> Cohort:
    return replace(cohort, tables={**cohort.tables, name: frame})


def text_of(results: Path) -> str:
    return html.unescape((results / "report" / "index.html").read_text(encoding="utf-8"))


def test_plane_figures_equal_the_table(cohort: Cohort) -> None:
    table = cohort.table("plane_agreement")
    angle, offset = intervals.plane_figures(table)
    for figure, statistics in ((angle, ["angle_rms", "angle_max"]), (offset, ["offset_normal_rms"])):
        wanted = table[table["statistic"].isin(statistics) & table["estimate"].notna()]
        assert figure.data is not None
        assert sorted(figure.data["estimate"]) == sorted(wanted["estimate"])
        drawn = html.unescape("".join(figure.drawing.parts))
        for row in wanted[wanted["statistic"] == statistics[0]].to_dict("records"):
            digits = 2
            assert f">{estimate(row['estimate'], row['ci_low'], row['ci_high'], digits=digits)}<" in drawn
    assert "Plane of the mitral ring, between two readers" in "".join(angle.drawing.parts)


def test_two_methods_have_the_bias_of_the_table(cohort: Cohort) -> None:
    """The figure's bias is the mean over cases of the mean difference of a case's readings (Bland & Altman 1999)."""
    figures = method_figures(cohort, ["neo_lvot_area"])
    assert [f.name for f in figures] == ["methods-neo-lvot-area-automatic-path-reader-path"]
    data = figures[0].data
    assert data is not None
    table = cohort.table("method_agreement")
    mine = table[
        (table["measure"] == "neo_lvot_area") & (table["variant"] == "full_frame") & (table["statistic"] == "bias")
    ]
    bias = data.groupby("case_id")["difference"].mean().mean()
    assert len(mine) == 1
    assert bias == pytest.approx(mine["estimate"].iloc[0], rel=1e-9)
    assert set(data.groupby("case_id")["phase_pct"].nunique()) == {1}
    percent = intervals.method_percent_figure(cohort)
    assert percent is not None
    assert percent.data is not None
    assert set(percent.data["statistic"]) == set(intervals.PERCENT)


def test_forest_shows_one_plan_and_keeps_all_in_the_data(cohort: Cohort) -> None:
    rows = cohort.table("agreement")
    second = rows[rows["plan_id"] == "P1"].assign(plan_id="P2")
    both = pd.concat([rows, second], ignore_index=True)
    one, two = (intervals.forest_figure(t, "icc_a_1", "ICC", "icc", "", "full_frame") for t in (rows, both))
    assert one is not None
    assert two is not None
    assert one.drawing.height == two.drawing.height
    assert one.data is not None
    assert two.data is not None
    assert len(two.data) > len(one.data)


DRIFT = pd.DataFrame(
    [
        {"measure": "neo_lvot_area", "variant": "full_frame", "method": "reader_path", "plan_id": "P1", "reader": r,
         "estimate": e, "ci_low": e - 2, "ci_high": e + 3, "standard_error": 1.0, "p_value": 0.3, "n_cases": 9,
         "n_readings": 9, "definition": "", "source": "", "status": "ok", "unit": "mm2"}
        for r, e in (("R1", -1.25), ("R2", 0.5), ("R3", np.nan))
    ]
)  # fmt: skip


def test_drift_is_drawn_where_an_order_is_told(cohort: Cohort, results: Path) -> None:
    assert intervals.drift_figures(cohort, ["neo_lvot_area"]) == []
    assert NO_DRIFT in text_of(results)
    told = with_table(cohort, "reader_drift", DRIFT)
    (figure,) = intervals.drift_figures(told, ["neo_lvot_area", "mitral_area/spline"])
    assert figure.data is not None
    assert list(figure.data["estimate"]) == [-1.25, 0.5]
    assert ">−1.2 (−3.2 to 1.8)<" in "".join(figure.drawing.parts)
    assert NO_DRIFT not in html.unescape(cohort_report(told).html)


def test_dose_figure_equals_the_table(cohort: Cohort) -> None:
    table = cohort.table("dose_response")
    figures = {f.name: f for f in dose_figures(cohort)}
    figure = figures["dose-obstruction-neo-lvot-area-full-frame"]
    mine = table[
        (table["measure"] == "neo_lvot_area") & (table["variant"] == "full_frame") & (table["method"] == "reader_path")
    ]
    assert figure.data is not None
    assert len(mine) > 1
    assert list(figure.data["estimate"]) == list(mine["estimate"])
    labels = [f"{r.n_events}/{r.n}" for r in mine.itertuples()]
    drawn = "".join(figure.drawing.parts)
    assert all(f">{label}</text>" in drawn for label in labels)


def test_decision_curve_is_drawn_or_its_absence_told(cohort: Cohort, results: Path) -> None:
    threshold = np.round(np.arange(0.05, 0.61, 0.05), 2)
    curve = pd.DataFrame(
        {"outcome": "obstruction", "endpoint": "", "plan_id": "P1", "measure": "neo_lvot_area", "variant": "full_frame",
         "method": "reader_path", "threshold": threshold, "net_benefit": 0.3 - threshold / 3,
         "net_benefit_all": 0.3 - threshold, "net_benefit_none": 0.0, "n": 10, "n_events": 3}
    )  # fmt: skip
    (figure,) = decision_figures(with_table(cohort, "decision_curves", curve))
    assert figure.data is not None
    np.testing.assert_allclose(figure.data["net_benefit"], 0.3 - threshold / 3)
    assert "3 events in 10 cases" in figure.caption
    without = with_table(cohort, "decision_curves", curve.iloc[:0])
    assert decision_figures(without) == []
    assert NO_DECISION in html.unescape(cohort_report(without).html)
    assert (NO_DECISION in text_of(results)) == (not decision_figures(cohort))


def test_checklist_has_every_item_and_tells_open_ones(cohort: Cohort, results: Path) -> None:
    section = text_of(results).split('id="checklist"', 1)[1].split("</section>", 1)[0]
    own = section.split("<summary>STROBE", 1)[0]
    rows = re.findall(r"<tr><td[^>]*>(\d+)</td>(.*?)</tr>", own)
    assert [int(n) for n, _ in rows] == [item.number for item in ITEMS] == list(range(1, 16))
    table = cohort.table("grras").set_index("item")
    for number, rest in rows:
        assert ("to be written" in rest) == (table.loc[int(number), "answered_by"] == "nobody")
    assert f"{int(table['filled'].sum())} of 15 items" in section


@pytest.mark.parametrize(
    ("told", "wanted"),
    [
        ([False, False, None], "measured on the image's own voxels, without resampling, in all 2 series"),
        ([True, True], "resampled to cubic voxels of 0.5 mm (cubic B-spline) in all 2 series"),
        ([True, False, False], "own voxels in 2 of 3 series and resampled to cubic voxels of 0.5 mm (cubic B-spline)"),
        ([], "on its own voxels where they are fine enough, else resampled"),
    ],
)
def test_methods_say_what_the_run_recorded_of_resampling(cohort: Cohort, told: list, wanted: str) -> None:
    study = {**cohort.study, "resample": {"spacing_mm": 0.5, "interpolator": "bspline", "whole_image": False}}
    series = pd.DataFrame({"resampled": pd.Series(told, dtype=object)})
    assert wanted in grid_text(replace(cohort, study=study, series=series))


def test_landmarks_are_drawn_on_the_studys_own_anatomy(cohort: Cohort, results: Path) -> None:
    text = text_of(results)
    assert 'id="figure-landmarks"' in text
    assert 'id="figure-landmarks-en-face"' in text
    assert "Mean of 10 cases on the ring plane" in text
    shown = pd.read_csv(results / "report" / "figures" / "landmarks.csv")
    table = cohort.table("landmark_agreement")
    wanted = table[(table["comparison"] == "all") & (table["statistic"] == "distance_mean")]
    both = shown.merge(wanted, on=["structure", "kind"])
    assert len(both) == len(wanted) == len(shown)
    np.testing.assert_allclose(both["distance_mean"], both["estimate"])


def test_mean_anatomy_takes_cases_evenly(cohort: Cohort, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("outflow_cohort.report.cohort_data.MOST_ANATOMIES", 4)
    few = replace(cohort)
    names = sorted(set(cohort.readings["case_id"]))
    assert len(names) == 10
    assert sorted(set(few.points["case_id"])) == names[::3]
