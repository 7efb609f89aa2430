"""Settings of the judging of landmarks, as written under `judging:` in study.yaml."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    import pandas as pd


class JudgingSettings(BaseModel):
    """How landmarks are judged before they are believed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    landmarks: bool = Field(
        True,
        description="Judge landmarks within a reading, against the image and against other readings and phases. Off:"
        " phantoms and other objects that are no hearts.",
        json_schema_extra={"unit": "switch"},
    )
    hinge_names: Literal["by_study", "anatomical", "any"] = Field(
        "by_study",
        description="When names of hinges and trigones are suspect: where they contradict the anatomy (anatomical); the"
        " same, but only noted where most readings of the study name them otherwise (by_study); or only noted (any).",
        json_schema_extra={"unit": "name"},
    )


FEWEST_READINGS, MOST_READINGS = 3, 60
"""Readings from which a study shows how it names hinges, and how many are asked, evenly spread."""
NAMED = ("mitral_ring", "lv_apex", "aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")


def settled_names(settings: JudgingSettings, landmarks: pd.DataFrame) -> JudgingSettings:
    """The settings with `any` where `by_study` is asked and more than half of the readings name their hinges otherwise
    than anatomy: then it is how this study names them, not a slip.

    landmarks : one row per point, columns of landmarks.csv.
    """
    from outflow_geometry.landmarks.judging_frame import USUAL_SCATTER, frame_of
    from outflow_geometry.landmarks.judging_names import hinge_naming

    if settings.hinge_names != "by_study" or landmarks.empty:
        return settings
    rows = landmarks[landmarks["structure"].isin(NAMED)]
    readings = list(rows.groupby(["case_id", "phase_pct", "reader_id", "read_no"], dropna=False, sort=True))
    asked = readings[:: max(1, len(readings) // MOST_READINGS)]
    doubts = []
    for _, own in asked:
        points = {
            str(name): part[["x_mm", "y_mm", "z_mm"]].to_numpy(dtype=float) for name, part in own.groupby("structure")
        }
        if len(points) == len(NAMED):
            doubts.append(hinge_naming(frame_of(points, set(), USUAL_SCATTER)) == "suspect")
    if len(doubts) >= FEWEST_READINGS and 2 * sum(doubts) > len(doubts):
        return settings.model_copy(update={"hinge_names": "any"})
    return settings
