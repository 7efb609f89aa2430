"""The form of all hand-overs. A file of another version, or that does not fit its model, counts as damaged."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from outflow_cohort.files import DamagedFile, read_json, write_json


class Part(BaseModel):
    """A part of a hand-over: closed and frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class HandOver(Part):
    """A file that one step writes and others read. VERSION : raised whenever the form changes."""

    VERSION: ClassVar[int]

    version: int


class AsideRow(Part):
    """Something that went in and does not come out: a row of set_aside."""

    case_id: str
    phase_pct: float | None
    reader_id: str | None
    read_no: int | None
    stage: str
    code: str
    message: str


Form = TypeVar("Form", bound=HandOver)


def read_handover(path: Path, form: type[Form]) -> Form:
    """Read one file; raises DamagedFile where it is not of this form and version.

    form : the model of the file.
    """
    content = read_json(path)
    found = content.get("version") if isinstance(content, dict) else None
    if found != form.VERSION:
        raise DamagedFile(path, f"version {found} of its form, this program reads {form.VERSION}")
    try:
        return form.model_validate(content)
    except ValidationError as error:
        # The place and the kind of the mistake only: a value may hold text of a header.
        first = error.errors(include_input=False, include_url=False)[0]
        raise DamagedFile(path, f"{'.'.join(str(p) for p in first['loc'])}: {first['type']}") from None


def write_handover(path: Path, content: HandOver, *, indent: int | None = 1) -> None:
    """Write one file, whole or not at all. indent : None for large files of numbers."""
    write_json(path, content.model_dump(mode="json"), indent=indent)
