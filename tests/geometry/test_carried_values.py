"""Statuses of values from carried landmarks."""

import pytest

from outflow_geometry.base.inputs import MARKED, LandmarkOrigin
from outflow_geometry.base.results import MeasuredValue
from outflow_geometry.measures.carried_values import with_carried_statuses

SURE, DOUBTED = LandmarkOrigin("carried", 40.0, 0.4), LandmarkOrigin("carried", 40.0, 1.4, "carry_disagreement")


def value(measure: str, method: str, number: float | None = 1.0, status: str = "ok") -> MeasuredValue:
    return MeasuredValue(
        plan_id="P", measure=measure, variant="v", method=method, value=number, unit="mm2", status=status
    )


@pytest.mark.parametrize(
    ("row", "origin", "implanted", "status"),
    [
        (value("mitral_area", "reader_points"), MARKED, False, "ok"),
        (value("mitral_area", "reader_points"), SURE, False, "carried_not_evidence_of_change"),
        (value("oversizing", "reader_points"), SURE, False, "carried_not_evidence_of_change"),
        (value("mitral_area", "reader_points"), SURE, True, "ok"),
        (value("aortic_area", "reader_points"), SURE, True, "carried_not_evidence_of_change"),
        (value("aortic_area", "image_edge"), SURE, False, "ok"),
        (value("neo_lvot_area", "automatic_path"), SURE, False, "ok"),
        (value("neo_lvot_area", "reader_path"), SURE, False, "carried_path"),
        (value("neo_lvot_area", "automatic_path"), DOUBTED, False, "carry_disagreement"),
        (value("mitral_area", "reader_points"), DOUBTED, False, "carry_disagreement"),
        (value("neo_lvot_area", "automatic_path", status="two_lobes"), DOUBTED, False, "carry_disagreement"),
        (value("mitral_area", "reader_points", status="few_ring_points"), SURE, False, "few_ring_points"),
        (value("neo_lvot_area", "automatic_path", None, "no_channel"), DOUBTED, False, "no_channel"),
    ],
)
def test_a_carried_value_says_what_it_may_not_be_taken_for(row, origin, implanted, status) -> None:
    assert with_carried_statuses([row], origin, implanted=implanted)[0].status == status
