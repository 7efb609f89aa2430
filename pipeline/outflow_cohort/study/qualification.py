"""Settings of reader qualification, as written under `qualification:` in study.yaml."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field


def _unit(name: str) -> dict[str, Any]:
    return {"unit": name}


class _Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class MeasureLimit(_Closed):
    """How far a reader's values of one measure may be from those of the true landmarks."""

    measure: str = Field(min_length=1, description="Measure.", json_schema_extra=_unit("name"))
    variant: str = Field("", description="Variant; empty = the measure has none.", json_schema_extra=_unit("name"))
    method: str = Field("reader_points", description="Method.", json_schema_extra=_unit("name"))
    bias: float = Field(
        gt=0, description="Largest mean difference.", json_schema_extra=_unit("% or unit of the measure, see of")
    )
    spread: float = Field(
        gt=0,
        description="Largest standard deviation of the differences.",
        json_schema_extra=_unit("% or unit of the measure, see of"),
    )
    of: Literal["pct", "unit"] = Field(
        "pct",
        description="Limits in per cent of the true value, or in the unit of the measure.",
        json_schema_extra=_unit("name"),
    )


DEFAULT_LIMITS = (
    MeasureLimit(measure="mitral_area", variant="spline", bias=5.0, spread=6.0),
    MeasureLimit(measure="mitral_perimeter", variant="projected", bias=3.0, spread=3.0),
    MeasureLimit(measure="mitral_diameter", variant="septal_lateral", bias=4.0, spread=5.0),
    MeasureLimit(measure="mitral_diameter", variant="intertrigonal", bias=5.0, spread=8.0),
    MeasureLimit(measure="aortic_diameter", variant="area", bias=4.0, spread=5.0),
    MeasureLimit(measure="aorto_mitral_angle", variant="opening", bias=3.0, spread=4.0, of="unit"),
    MeasureLimit(measure="leaflet_length", bias=8.0, spread=10.0),
)
"""Common practice, no source: a study names its own."""


class QualificationSettings(_Closed):
    """What a reader must show on invented scans of known truth before reading patients. Common practice, no source."""

    bias_mm: float = Field(
        1.5, gt=0, le=20, description="Largest bias of a structure's points.", json_schema_extra=_unit("mm")
    )
    scatter_mm: float = Field(
        1.5,
        gt=0,
        le=20,
        description="Largest scatter of one coordinate of a point about the reader's own bias.",
        json_schema_extra=_unit("mm"),
    )
    slip_mm: float = Field(
        6.0,
        gt=0,
        le=50,
        description="A point farther than this from its place, the reader's own bias taken off, is a slip.",
        json_schema_extra=_unit("mm"),
    )
    slips_pct: float = Field(
        1.0,
        ge=0,
        le=100,
        description="Largest share of marked structures with a slip.",
        json_schema_extra=_unit("%"),
    )
    change_mm: float = Field(
        0.8,
        gt=0,
        le=20,
        description="Largest change of the mean distance from the truth between the first and the second half.",
        json_schema_extra=_unit("mm"),
    )
    measures: tuple[MeasureLimit, ...] = Field(
        DEFAULT_LIMITS, description="Limits of the effect on measures.", json_schema_extra=_unit("list")
    )
