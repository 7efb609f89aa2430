"""Whether a study names its hinges as anatomy does: one slip is suspect, a study's own convention is only noted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.random_cases import random_case
from outflow_cohort.study.judging import JudgingSettings, settled_names
from outflow_geometry.landmarks.judging import judge_reading

LEFT, NON = "aortic_hinge_left", "aortic_hinge_non"


def marks(seed: int, swapped: bool) -> dict[str, np.ndarray]:
    found = {n: np.asarray(p) for n, p in true_landmarks(HeartPhase(random_case(seed).heart, 40.0)).items()}
    if swapped:
        found[LEFT], found[NON] = found[NON], found[LEFT]
    return found


def table(swapped: list[bool]) -> pd.DataFrame:
    rows = [
        (f"C{seed}", None, "ash", 1, name, i, *point)
        for seed, swap in enumerate(swapped)
        for name, points in marks(seed, swap).items()
        for i, point in enumerate(points, start=1)
    ]
    names = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    return pd.DataFrame(rows, columns=names)


@pytest.mark.parametrize(
    ("swapped", "asked", "settled"),
    [
        ([False] * 5, "by_study", "by_study"),
        ([True, False, False, False, False], "by_study", "by_study"),
        ([True] * 5, "by_study", "any"),
        ([True] * 5, "anatomical", "anatomical"),
        ([True, True], "by_study", "by_study"),
    ],
)
def test_the_studys_own_way_of_naming_is_found(swapped: list[bool], asked: str, settled: str) -> None:
    settings = JudgingSettings.model_validate({"hinge_names": asked})
    assert settled_names(settings, table(swapped)).hinge_names == settled


@pytest.mark.parametrize(("known", "severity"), [(True, "suspect"), (False, "note")])
def test_names_are_suspect_or_noted(known: bool, severity: str) -> None:
    found = judge_reading(marks(3, True), names_known=known).findings
    assert {f.severity for f in found if f.code == "hinges_misnamed"} == {severity}
