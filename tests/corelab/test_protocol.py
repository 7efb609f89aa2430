"""The readers' manual follows the registry: every structure that a measure needs has its chapter."""

from __future__ import annotations

from outflow_cohort.corelab.protocol import needed_structures, protocol_page
from outflow_cohort.corelab.structures import MARKINGS
from outflow_cohort.study.config import Study
from outflow_geometry.landmarks.anatomy import LEAST_POINTS


def test_every_structure_of_the_contract_is_explained() -> None:
    assert set(MARKINGS) == set(LEAST_POINTS)


def test_chapters_are_the_structures_that_the_measures_need() -> None:
    study = Study.model_validate({"study_id": "s", "definitions": {"solids": ["full_frame"]}})
    needed = needed_structures(study)
    assert "neo_lvot_area" in needed["mitral_ring"]
    assert "leaflet_length" in needed["anterior_leaflet"]
    assert "neo_lvot_area" not in needed["anterior_leaflet"]
    assert "post_tip" not in needed
    limited = Study.model_validate({"study_id": "s", "definitions": {"solids": ["leaflet_limited", "prosthesis_post"]}})
    assert "neo_lvot_area" in needed_structures(limited)["anterior_leaflet"]
    assert "post_tip" in needed_structures(limited)


def test_the_page_has_a_figure_per_chapter_and_the_same_bytes_twice() -> None:
    study = Study.model_validate({"study_id": "leafy_study"})
    page = protocol_page(study)
    assert page == protocol_page(study)
    assert page.count("<svg") == len(needed_structures(study))
    assert "leafy_study" in page
    assert "16 points" in page
    assert "For research only" in page
