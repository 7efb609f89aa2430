"""`implants:` of study.yaml: devices, depths and tilts that are tried in every reading. Lengths mm, angles deg."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

MOST_IMPLANTS = 20_000
"""Implants per reading and solid: some minutes; more is a slip of a step."""

Depth = Annotated[float, Field(ge=-20, le=80)]
Tilt = Annotated[float, Field(ge=-45, le=45)]
SolidName = Literal["full_frame", "skirt", "leaflet_limited", "prosthesis_leaflet", "prosthesis_post"]


def _unit(name: str) -> dict[str, Any]:
    return {"unit": name}


class _Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class DepthRange(_Closed):
    """Depths from `from` to `to`, both included, `step` apart."""

    start: Depth = Field(alias="from", description="Shallowest depth.", json_schema_extra=_unit("mm"))
    to: Depth = Field(description="Deepest depth.", json_schema_extra=_unit("mm"))
    step: float = Field(gt=0.05, le=20, description="Distance of neighbouring depths.", json_schema_extra=_unit("mm"))

    @model_validator(mode="after")
    def _rising(self) -> DepthRange:
        if self.to < self.start:
            raise ValueError("`to` must not be smaller than `from`")
        return self

    def values(self) -> tuple[float, ...]:
        """The depths, mm."""
        count = int(np.floor((self.to - self.start) / self.step + 1e-9)) + 1
        return tuple(round(self.start + n * self.step, 6) for n in range(count))


class PlacementSettings(_Closed):
    """How far an implant may land from where it was planned: the study's own figures, no source is built in."""

    depth_sd_mm: float = Field(
        0.0, ge=0, le=10, description="Standard deviation of the depth.", json_schema_extra=_unit("mm")
    )
    tilt_sd_deg: float = Field(
        0.0, ge=0, le=30, description="Standard deviation of each tilt.", json_schema_extra=_unit("deg")
    )
    offset_sd_mm: float = Field(
        0.0, ge=0, le=10, description="Standard deviation of each offset.", json_schema_extra=_unit("mm")
    )


class ImplantSettings(_Closed):
    """The grid of implants: every device at every depth and tilt."""

    devices: Literal["fitting"] | Annotated[tuple[str, ...], Field(min_length=1)] = Field(
        "fitting",
        description="Devices to try: a list of device_id, or `fitting` = all whose size meets the study's sizing "
        "targets in at least one reading of the case.",
        json_schema_extra=_unit("name"),
    )
    depths_mm: DepthRange | Annotated[tuple[Depth, ...], Field(min_length=1)] = Field(
        description="How far the outflow end is below the ring plane: a list, or {from, to, step}.",
        json_schema_extra=_unit("mm"),
    )
    tilts_ap_deg: Annotated[tuple[Tilt, ...], Field(min_length=1)] = Field(
        (0.0,), description="Tilts of the device axis toward the aorta.", json_schema_extra=_unit("deg")
    )
    tilts_ic_deg: Annotated[tuple[Tilt, ...], Field(min_length=1)] = Field(
        (0.0,), description="Tilts of the device axis across.", json_schema_extra=_unit("deg")
    )
    solids: Annotated[tuple[SolidName, ...], Field(min_length=1)] = Field(
        ("full_frame",), description="Which parts of the device count as solid.", json_schema_extra=_unit("name")
    )
    cases: Literal["all"] | Annotated[tuple[str, ...], Field(min_length=1)] = Field(
        "all",
        description="Cases in which implants are tried: `all`, or a list of case_id.",
        json_schema_extra=_unit("name"),
    )
    phases: Literal["all"] | Annotated[tuple[Annotated[float, Field(ge=0, le=100)], ...], Field(min_length=1)] = Field(
        "all", description="Phases in which implants are tried: `all`, or a list.", json_schema_extra=_unit("% of R-R")
    )
    placement: PlacementSettings = PlacementSettings()

    def depths(self) -> tuple[float, ...]:
        """The depths, mm."""
        return self.depths_mm.values() if isinstance(self.depths_mm, DepthRange) else self.depths_mm

    @model_validator(mode="after")
    def _not_too_many(self) -> ImplantSettings:
        devices = 1 if self.devices == "fitting" else len(self.devices)
        count = devices * len(self.depths()) * len(self.tilts_ap_deg) * len(self.tilts_ic_deg)
        if count > MOST_IMPLANTS:
            raise ValueError(f"{count} implants per reading; at most {MOST_IMPLANTS}. Take larger steps")
        return self
