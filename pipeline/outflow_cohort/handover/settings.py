"""Sections of the settings that a run froze (RESULTS/work/study.json), for the steps and pages that come after."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from outflow_cohort.files import DamagedFile

Section = TypeVar("Section", bound=BaseModel)


class OtherVersion(DamagedFile):
    """The results were written by another version of this program; the message names what differs and the remedy."""

    def __init__(self, what: str) -> None:
        ValueError.__init__(
            self,
            f"work/study.json: found settings of another version of this program ({what}); needed those of this "
            "version. Remedy: run the study again, which keeps what still holds and makes the rest anew; or use the "
            "version that run.json names.",
        )


def frozen_section(study: Mapping[str, Any], name: str, form: type[Section]) -> Section:
    """One section of the frozen settings, defaults where it is absent; raises OtherVersion where it does not fit.

    study : content of study.json.
    """
    try:
        return form.model_validate(study.get(name) or {})
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        raise OtherVersion(f"{'.'.join((name, *map(str, first['loc'])))}: {first['type']}") from None
