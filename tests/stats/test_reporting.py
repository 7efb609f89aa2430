"""Reporting checklists: every item filled from the run or named as the authors', and said by whom."""

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.stats.data.checklists import OPEN, checklist_items, checklist_table
from outflow_cohort.stats.data.settings import USABLE_STATUSES, StatisticsSettings
from outflow_cohort.stats.outcome import endpoints
from outflow_cohort.stats.outcome.run_facts import handling, run_facts


def test_the_checklists_have_their_published_numbers_of_items():
    """STROBE 22 (2007), STARD 30 (2015), TRIPOD+AI 27 (2024)."""
    counts = pd.Series([item.guideline for item in checklist_items()]).value_counts().to_dict()
    assert counts == {"STROBE": 22, "STARD 2015": 30, "TRIPOD+AI": 27}
    for guideline in counts:
        numbers = [item.item for item in checklist_items() if item.guideline == guideline]
        assert numbers == list(range(1, len(numbers) + 1))


def test_each_item_is_filled_or_left_to_the_authors():
    table = checklist_table({"flow": "12 cases."}, {"funding": "None."}).set_index(["guideline", "item"])
    assert table.loc[("STROBE", 13), "answered_by"] == "run"
    assert table.loc[("STARD 2015", 30), "answer"] == "None."
    assert table.loc[("STROBE", 2), "answer"] == OPEN
    assert set(table.loc[~table["filled"], "answered_by"]) == {"authors"}
    with pytest.raises(ValueError, match="unknown item"):
        StatisticsSettings(reporting_facts={"fundig": "x"})


def test_facts_are_those_of_the_run():
    rng = np.random.default_rng(1)
    area = rng.normal(250, 60, 120)
    event = (rng.random(120) < 1 / (1 + np.exp((area - 220) / 40))).astype(float)
    names = {
        "outcome": "death",
        "endpoint": "",
        "plan_id": "",
        "measure": "neo_lvot_area",
        "variant": "",
        "method": "",
        "unit": "mm2",
    }
    settings = StatisticsSettings(outcomes=({"column": "death"},), n_boot_model=60)
    found = endpoints.answer(endpoints.Question(names, "low", area, event, ((170.0, "", "low"),)), settings)
    tables = {
        "endpoints": pd.DataFrame(found.endpoints),
        "baseline": pd.DataFrame({"column": ["age"], "source": "s", "share": [0.5]}),
        "missing_data": pd.DataFrame(columns=["statistic", "group", "estimate", "source"]),
    }
    gone = pd.DataFrame({"case_id": ["C1", "C2"], "code": ["lost_slice", "lost_slice"]})
    cases = pd.DataFrame({"case_id": [f"C{i}" for i in range(122)]})
    facts = run_facts(cases, 120, gone, tables, settings, "mean over readers")
    assert "122 cases in the case table, 120 with" in facts["flow"]
    assert "lost slice 2" in facts["flow"]
    assert "smallest_at" not in facts["handling"]
    assert f"{int(event.sum())} events" in facts["events"]
    assert "DeLong" in facts["statistics"]
    assert "1 two-by-two table," in facts["two_by_two"]


def test_calibration_predicts_each_case_without_itself_and_the_model_is_told():
    rng = np.random.default_rng(2)
    area = rng.normal(250, 60, 100)
    event = (rng.random(100) < 1 / (1 + np.exp((area - 230) / 30))).astype(float)
    names = {"outcome": "o", "endpoint": "", "plan_id": "", "measure": "m", "variant": "", "method": "", "unit": "mm2"}
    question = endpoints.Question(names, "low", area, event, ())
    rows = pd.DataFrame(endpoints.calibration_rows(question, StatisticsSettings()))
    assert rows["n"].sum() == 100
    assert rows["n_events"].sum() == event.sum()
    assert (rows["predicted"].diff().dropna() > 0).all()
    assert ((rows["ci_low"] <= rows["predicted"]) & (rows["predicted"] <= rows["ci_high"])).sum() >= 3
    found = pd.DataFrame(endpoints.answer(question, StatisticsSettings(n_boot_model=50)).endpoints).set_index(
        "statistic"
    )
    logit = found.loc["model_intercept", "estimate"] + found.loc["model_coefficient", "estimate"] * area
    fitted = endpoints.model.fit_logistic(area[:, None], event, 1.0).probability(area[:, None])
    assert 1 / (1 + np.exp(-logit)) == pytest.approx(fitted, rel=1e-9)


def test_statuses_are_named_only_where_the_study_departs_from_the_defaults():
    kept = [code for code in USABLE_STATUSES if code != "path_unsure"]
    chosen = StatisticsSettings(usable_statuses=(*kept, "paths_differ"))
    text = handling(chosen)
    assert "Counted as well, by the study's own choice: paths differ." in text
    assert "Not counted either, by the study's own choice: path unsure." in text
    assert "own choice" not in handling(StatisticsSettings())
