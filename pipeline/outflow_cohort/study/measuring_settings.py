"""Sections of study.yaml that say how a measure is defined and how far it may be off. mm, deg, % of R-R."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, field_validator

from outflow_cohort.study.implant_settings import SolidName

SOLIDS: tuple[SolidName, ...] = get_args(SolidName)
FEWEST_DRAWS = 50
"""With fewer redrawn readings the ends of a 95 % interval would rest on one draw each."""


def unit(name: str) -> dict[str, Any]:
    """The unit of a setting, for its schema."""
    return {"unit": name}


class Section(BaseModel):
    """A closed group of keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Definitions(Section):
    """The named choices of how a measure is defined (contract)."""

    section_rule: Literal["aortic_side", "at_path"] = Field(
        "aortic_side", description="Which part of a section counts.", json_schema_extra=unit("name")
    )
    search_upstream_mm: float = Field(
        30.0,
        ge=5,
        le=80,
        description="How far upstream of the aortic annulus the smallest section is searched.",
        json_schema_extra=unit("mm"),
    )
    station_step_mm: float = Field(
        0.5, ge=0.1, le=2, description="Distance between neighbouring stations.", json_schema_extra=unit("mm")
    )
    beyond_aortic_plane_mm: float = Field(
        8.0,
        ge=2,
        le=20,
        description="Where the outflow lumen is cut off beyond the aortic plane.",
        json_schema_extra=unit("mm"),
    )
    solids: tuple[SolidName, ...] = Field(
        SOLIDS,
        min_length=1,
        description="Which parts of the device count as solid.",
        json_schema_extra=unit("name"),
    )
    systolic_window_pct: tuple[Annotated[float, Field(ge=0, le=100)], Annotated[float, Field(ge=0, le=100)]] = Field(
        (10.0, 40.0),
        description="Phases that count as systole in mean_systole; 10-40 % after Meduri 2019.",
        json_schema_extra=unit("% of R-R"),
    )


class Uncertainty(Section):
    """Standard errors and intervals, from the scatter of landmarks and the noise of the image."""

    draws: int = Field(
        200,
        ge=0,
        le=5000,
        description="Monte Carlo draws per reading: 50 or more, or 0 for values without standard errors and intervals.",
        json_schema_extra=unit("1"),
    )
    seed: int = Field(20240229, ge=0, description="Seed of the draws.", json_schema_extra=unit("1"))
    prior_sd_mm: dict[str, Annotated[float, Field(gt=0, le=10)]] = Field(
        default_factory=dict,
        description="Standard deviation of one coordinate of a landmark by structure, used where repeat reads are too"
        " few; `default` names all others. Built-in 0.7 mm: an assumption, no source. It is the whole scatter: how much"
        " of it moves a structure as one is estimated from the raggedness of its points, and from repeat reads.",
        json_schema_extra=unit("mm"),
    )

    @field_validator("draws")
    @classmethod
    def _enough_or_none(cls, draws: int) -> int:
        if 0 < draws < FEWEST_DRAWS:
            raise ValueError(f"{FEWEST_DRAWS} or more, or 0 for none")
        return draws


class Gantry(Section):
    """What the C-arm can reach; common practice, no source."""

    lao_rao_limit_deg: float = Field(
        60.0, gt=0, le=180, description="Largest |LAO/RAO|.", json_schema_extra=unit("deg")
    )
    cra_cau_limit_deg: float = Field(40.0, gt=0, le=90, description="Largest |CRA/CAU|.", json_schema_extra=unit("deg"))
