"""One invented RESULTS folder for all tests of the reports."""

from __future__ import annotations

from pathlib import Path

import pytest
from synthetic_results import GROUPS, SITES, Maker

from outflow_cohort.steps.report import report
from outflow_cohort.steps.sheet import sheet
from outflow_cohort.study.keys import case_key

EVIL = '<script>alert("x")</script>&\'"/../../Ä漢字'
LONG = "a-very-long-pseudonym-" + "without-any-blank-" * 6 + "end"


@pytest.fixture(scope="session")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eleven cases (two with pictures, one set aside, one with an awkward name), sheets and report written."""
    root = tmp_path_factory.mktemp("results")
    maker = Maker(root)
    maker.add_case("GR-001", "GR-001", "failed_ring", "Alder", pictures=True)
    maker.add_case("GR-002", "GR-002", "native", "Birch", pictures=True)
    maker.add_lost_case("GR-003", "GR-003", "missing_slices")
    maker.add_case(EVIL, case_key(EVIL), "native", EVIL)
    maker.add_case(LONG, case_key(LONG), "native", LONG)
    for i in range(6, 12):
        maker.add_case(f"GR-{i:03d}", f"GR-{i:03d}", GROUPS[i % 4], SITES[i % 3])
    maker.write_tables()
    for case in maker.cases:
        sheet(results=root, key=case["key"])
    report(results=root)
    return root
