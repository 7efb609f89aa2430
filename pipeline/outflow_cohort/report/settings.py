"""Settings of the reports, as written under `report:` in study.yaml."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from outflow_cohort.handover.settings import frozen_section
from outflow_cohort.stats.data.settings import StatisticsSettings

Solid = Literal["full_frame", "skirt", "leaflet_limited", "prosthesis_leaflet", "prosthesis_post"]
PathMethod = Literal["reader_path", "automatic_path"]


PRIMARY_MEASURES = (
    "neo_lvot_area",
    "lvot_residual_fraction",
    "native_lvot_area",
    "device_septum_distance",
    "aorto_mitral_angle/opening",
    "mitral_area/spline",
    "mitral_perimeter/projected",
    "mitral_diameter/septal_lateral",
    "mitral_diameter/intercommissural",
    "aortic_area",
    "aortic_diameter/area",
    "lv_volume",
)


class ReportSettings(BaseModel):
    """What the reports show first; nothing here changes a measured number."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    pdf: bool | Literal["browser", "weasyprint"] = Field(
        False,
        description="Also print cohort report and case sheets as PDF beside their pages: with the browser or "
        "WeasyPrint; true takes the browser where there is one, else WeasyPrint.",
        json_schema_extra={"unit": "switch"},
    )
    main_solid: Solid = Field(
        "full_frame",
        description="Which part of the device is solid in the headline figures; all variants are listed.",
        json_schema_extra={"unit": "name"},
    )
    main_method: PathMethod = Field(
        "reader_path",
        description="Outflow path of the headline figures; the other one is used where this one is absent.",
        json_schema_extra={"unit": "name"},
    )
    primary_measures: tuple[str, ...] = Field(
        PRIMARY_MEASURES,
        min_length=1,
        max_length=40,
        description="What the study asks, most important first: measures (`measure` or `measure/variant`) that lead "
        "the cohort report, the case sheets and tables/cases.csv, and are in the table `agreement`. A measure of the "
        "device is taken with main_solid.",
        json_schema_extra={"unit": "list"},
    )
    distributions: tuple[str, ...] = Field(
        (
            "neo_lvot_area",
            "lvot_residual_fraction",
            "aorto_mitral_angle/opening",
            "mitral_area/spline",
            "mitral_perimeter/projected",
            "aortic_area",
        ),
        description="Measures (`measure` or `measure/variant`) drawn by group with each case as a point.",
        json_schema_extra={"unit": "list"},
    )
    agreement_measures: tuple[str, ...] = Field(
        ("neo_lvot_area", "mitral_area/spline", "aorto_mitral_angle/opening", "aortic_area"),
        description="Measures (`measure` or `measure/variant`) with a Bland-Altman figure.",
        json_schema_extra={"unit": "list"},
    )
    largest_table_rows: int = Field(
        60,
        ge=10,
        le=2000,
        description="A table behind a figure with more rows is cut here in the page; its CSV file is whole.",
        json_schema_extra={"unit": "rows"},
    )
    picture_quality: int = Field(
        80,
        ge=30,
        le=100,
        description="WebP quality of the pictures on a case sheet, 30 to 100.",
        json_schema_extra={"unit": "1"},
    )


def read_settings(results: Path) -> ReportSettings:
    """The report settings of a run, from RESULTS/work/study.json; defaults where it names none."""
    return frozen_section(_study(results), "report", ReportSettings)


def read_statistics(results: Path) -> StatisticsSettings:
    """The settings of the statistics of a run, whose rules make one value of the readings of a case."""
    return frozen_section(_study(results), "statistics", StatisticsSettings)


def _study(results: Path) -> dict[str, object]:
    path = results / "work" / "study.json"
    return dict(json.loads(path.read_text(encoding="utf-8"))) if path.exists() else {}
