"""Settings of adjudication, as written under `adjudication:` in study.yaml."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

FinalRule = Literal["mean_of_readers", "median_of_readers", "mean_of_two_closest", "adjudicator"]


def _unit(name: str) -> dict[str, Any]:
    return {"unit": name}


class _Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Difference(_Closed):
    """When the readers of one measure differ so much that a further reader is asked."""

    measure: str = Field(min_length=1, description="Measure.", json_schema_extra=_unit("name"))
    variant: str = Field("", description="Variant; empty = every variant.", json_schema_extra=_unit("name"))
    method: str = Field("", description="Method; empty = every method.", json_schema_extra=_unit("name"))
    more_than: float | None = Field(
        None,
        gt=0,
        description="Largest difference between two readers that is accepted; empty = no such limit.",
        json_schema_extra=_unit("unit of the measure"),
    )
    more_than_pct: float | None = Field(
        None, gt=0, description="The same in per cent of the readers' mean.", json_schema_extra=_unit("%")
    )
    classes: tuple[float, ...] = Field(
        (),
        description="Limits of classes (sizes, cut-offs): readers must fall into the same class.",
        json_schema_extra=_unit("unit of the measure"),
    )


class AdjudicationSettings(_Closed):
    """How the readers' values become one final value (tables/final.parquet), and who is asked where they differ."""

    adjudicators: tuple[str, ...] = Field(
        (),
        description="Readers whose readings count only where the others differ too much.",
        json_schema_extra=_unit("name"),
    )
    differences: tuple[Difference, ...] = Field(
        (), description="Limits of the readers' differences, by measure.", json_schema_extra=_unit("list")
    )
    rule: FinalRule = Field(
        "mean_of_readers",
        description="The final value where readers agree well enough.",
        json_schema_extra=_unit("name"),
    )
    rule_if_adjudicated: FinalRule = Field(
        "mean_of_two_closest",
        description="The final value where an adjudicator has read.",
        json_schema_extra=_unit("name"),
    )
