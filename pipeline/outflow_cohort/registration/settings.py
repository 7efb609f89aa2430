"""Settings of carrying landmarks over the cycle, under `carry:` in study.yaml. Lengths mm, phases % of R-R."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from outflow_geometry.base.carry_limits import CarryBounds, ComparisonSettings

Phase = Annotated[float, Field(ge=0, le=100)]
BOUNDS, REGION = CarryBounds(), ComparisonSettings()


def _number(default: float, unit: str, description: str, low: float, high: float) -> Any:
    return Field(default, ge=low, le=high, description=description, json_schema_extra={"unit": unit})


class CarrySettings(BaseModel):
    """Carry the landmarks of marked phases to the phases that a reader did not mark. Absent = off."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    from_phases: tuple[Phase, ...] = Field(
        (),
        description="Marked phases that are carried; empty = every phase that the reader marked.",
        json_schema_extra={"unit": "% of R-R"},
    )
    to_phases: Literal["all"] | tuple[Phase, ...] = Field(
        "all",
        description="Phases to carry to, of those that have images and no marks of that reader; `all`, or a list.",
        json_schema_extra={"unit": "% of R-R"},
    )
    engine: Literal["automatic", "greedy", "demons"] = Field(
        "automatic",
        description="Registration: `greedy` (package picsl_greedy), `demons` (SimpleITK, less exact), or the better one"
        " that is installed.",
        json_schema_extra={"unit": "name"},
    )
    grid_mm: float = _number(REGION.spacing, "mm", "Voxel edge of the images that are registered.", 0.5, 3)
    margin_mm: float = _number(REGION.margin, "mm", "Region about the landmarks that is registered.", 10, 60)
    mask_reach_mm: float = _number(
        REGION.reach, "mm", "Distance from the landmarks within which the phases are compared.", 8, 60
    )
    mask_leaflets: bool = Field(
        REGION.without_leaflets,
        description="Leave the leaflets' cylinder inside the ring out of the comparison: they swing.",
        json_schema_extra={"unit": "switch"},
    )
    keep_fields: bool = Field(
        False,
        description="Keep what the registrations found: work/carried/fields/KEY/FROM_to_TO.nrrd, the displacement in mm"
        " (LPS) of each voxel of the marked phase.",
        json_schema_extra={"unit": "switch"},
    )
    doubt_disagreement_mm: float = _number(
        BOUNDS.doubt_disagreement,
        "mm",
        "Departure of the motion from the shape that ring or annulus keep, from which no value says `ok`.",
        0.1,
        5,
    )
    doubt_error_mm: float = _number(
        BOUNDS.doubt_error, "mm", "Expected error of a carried coordinate from which no value says `ok`.", 0.1, 5
    )
    largest_error_mm: float = _number(
        BOUNDS.largest_error, "mm", "Expected error of a coordinate beyond which a carried phase is set aside.", 0.2, 10
    )
    ring_change_pct: float = _number(
        100 * BOUNDS.ring_change, "%", "Change of the ring's area from which no value says `ok`.", 2, 50
    )
    least_likeness: float = _number(
        BOUNDS.least_likeness, "1", "Correlation of the registered images below which no value says `ok`.", 0, 1
    )
    prediction_mm: float = _number(
        BOUNDS.prediction, "mm", "Miss of the marks of another marked phase from which no value says `ok`.", 0.5, 20
    )
    slab_step: float = _number(
        BOUNDS.slab_step, "1", "Step between slices over the usual one from which no value says `ok`.", 1.5, 100
    )
    unsteady_mm: float = _number(
        BOUNDS.unsteady, "mm", "Departure of the ring's centre from its course from which no value says `ok`.", 1, 20
    )

    @property
    def bounds(self) -> CarryBounds:
        """The bounds for the core."""
        return CarryBounds(
            doubt_disagreement=self.doubt_disagreement_mm,
            doubt_error=self.doubt_error_mm,
            largest_error=self.largest_error_mm,
            ring_change=self.ring_change_pct / 100.0,
            least_likeness=self.least_likeness,
            prediction=self.prediction_mm,
            unsteady=self.unsteady_mm,
            slab_step=self.slab_step,
        )

    @property
    def region(self) -> ComparisonSettings:
        """What is compared, for the core."""
        return ComparisonSettings(self.grid_mm, self.margin_mm, self.mask_reach_mm, self.mask_leaflets)
