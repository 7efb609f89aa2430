"""study.yaml `landmark_files:`: how point files of other programs are to be read. A closed group of keys per kind of
file; nothing is guessed that the file or this group does not state."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

CoordinateSystem = Literal["LPS", "RAS"]
ColumnName = Literal[
    "case_id", "phase_pct", "reader_id", "read_no", "reading_order", "structure", "point_no", "x_mm", "y_mm", "z_mm"
]
MILLIMETRES = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
LABELS = ("case_id", "phase_pct", "reader_id", "read_no", "structure")
"""What a file may state by its name, and study.yaml for all files of a kind."""


def _unit(name: str) -> dict[str, Any]:
    return {"unit": name}


class LandmarkFiles(BaseModel):
    """One kind of landmark files."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    files: str = Field(
        min_length=1,
        description="Which files, relative to the study folder: a path or a pattern with * and **.",
        json_schema_extra=_unit("path"),
    )
    coordinates: CoordinateSystem | None = Field(
        None,
        description="Coordinate system of the points; needed unless the file states it.",
        json_schema_extra=_unit("name"),
    )
    unit: Literal["mm", "cm", "m"] = Field(
        "mm", description="Unit of the coordinates.", json_schema_extra=_unit("name")
    )
    columns: dict[ColumnName, Annotated[str, Field(min_length=1, max_length=200)]] = Field(
        default_factory=dict,
        description="For tables: our column, and the file's column; columns of the same name need no entry.",
        json_schema_extra=_unit("name"),
    )
    structures: dict[str, str] = Field(
        default_factory=dict,
        description="Names of structures in these files and the names they have here (handbook, Study tables), used"
        " before structure_names.",
        json_schema_extra=_unit("name"),
    )
    name_pattern: str | None = Field(
        None,
        max_length=500,
        description="Regular expression for the file's name without ending; its named groups case_id, phase_pct,"
        " reader_id, read_no, structure say whose points it holds.",
        json_schema_extra=_unit("1"),
    )
    case_id: str | None = Field(None, description="Case of all these files.", json_schema_extra=_unit("name"))
    phase_pct: float | None = Field(
        None, ge=0, le=100, description="Phase of all these files.", json_schema_extra=_unit("% of R-R")
    )
    reader_id: str | None = Field(None, description="Reader of all these files.", json_schema_extra=_unit("name"))
    read_no: int | None = Field(None, ge=1, le=99, description="Read of all these files.", json_schema_extra=_unit("1"))
    structure: str | None = Field(
        None, description="Structure of all points of these files.", json_schema_extra=_unit("name")
    )
    separator: Literal[",", ";", "tab", "|"] | None = Field(
        None,
        description="Separator of CSV files; empty = the most frequent one in the header.",
        json_schema_extra=_unit("1"),
    )
    decimal: Literal[".", ","] = Field(
        ".", description="Decimal sign in CSV files and sheets.", json_schema_extra=_unit("1")
    )
    encoding: str = Field(
        "utf-8", max_length=40, description="Encoding of text files.", json_schema_extra=_unit("name")
    )
    blinded: bool = Field(
        False,
        description="The files name readings of a blinded list as their cases: `unblind` and `qualify` read them, a run"
        " does not.",
        json_schema_extra=_unit("1"),
    )
    sheet: str | None = Field(
        None, description="Sheet of a workbook; empty = the first.", json_schema_extra=_unit("name")
    )

    @field_validator("name_pattern")
    @classmethod
    def _names_known_groups(cls, pattern: str | None) -> str | None:
        try:
            groups = set(re.compile(pattern or "").groupindex)
        except re.error as error:
            raise ValueError(f"a regular expression ({error})") from error
        if pattern is not None and (not groups or groups - set(LABELS)):
            raise ValueError(f"a regular expression with named groups among {', '.join(LABELS)}")
        return pattern

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, name: str) -> str:
        try:
            "".encode(name)
        except LookupError as error:
            raise ValueError("the name of an encoding, such as utf-8, utf-16 or latin-1") from error
        return name

    def labels_of(self, stem: str) -> dict[str, str]:
        """What the file's name and this group say of its points; the name goes first."""
        fixed = {name: getattr(self, name) for name in LABELS}
        found = {name: format(v, "g") if isinstance(v, float) else str(v) for name, v in fixed.items() if v is not None}
        match = re.search(self.name_pattern, stem) if self.name_pattern else None
        return found | ({n: t for n, t in match.groupdict().items() if t} if match else {})
