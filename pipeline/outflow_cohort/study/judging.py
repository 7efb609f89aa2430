"""Settings of the judging of landmarks, as written under `judging:` in study.yaml."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class JudgingSettings(BaseModel):
    """How landmarks are judged before they are believed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    landmarks: bool = Field(
        True,
        description="Judge landmarks within a reading, against the image and against other readings and phases. Off:"
        " phantoms and other objects that are no hearts.",
        json_schema_extra={"unit": "switch"},
    )
