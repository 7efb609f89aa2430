"""study.yaml: every key with its meaning, unit and bounds; an unknown key is an error naming the nearest known."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import yaml
from pydantic import Field, ValidationError, model_validator

from outflow_cohort.dicom.settings import (
    IntakeSettings,
    PhaseSettings,
    PrivacySettings,
    QualitySettings,
    ResampleSettings,
)
from outflow_cohort.registration.settings import CarrySettings
from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.stats.data.adjudication_settings import AdjudicationSettings
from outflow_cohort.stats.data.settings import StatisticsSettings
from outflow_cohort.study.implant_settings import ImplantSettings
from outflow_cohort.study.judging import JudgingSettings
from outflow_cohort.study.landmark_sources import LandmarkFiles
from outflow_cohort.study.measuring_settings import Definitions, Gantry, Section, Uncertainty, unit
from outflow_cohort.study.problems import Problem, described, nearest
from outflow_cohort.study.qualification import QualificationSettings
from outflow_cohort.study.yaml_text import read_yaml

LARGEST_FILE = 1_000_000
"""Bytes of a study.yaml that is still read: a settings file is a few kB, a larger one is a mistake or an attack."""


class Exclusion(Section):
    """A reading, a phase or a case to leave out; it is listed in set_aside with the reason."""

    case_id: str = Field(description="Case.", json_schema_extra=unit("name"))
    phase_pct: float | None = Field(None, ge=0, le=100, description="Phase.", json_schema_extra=unit("% of R-R"))
    reader_id: str | None = Field(None, description="Reader.", json_schema_extra=unit("name"))
    read_no: int | None = Field(None, ge=1, description="Read.", json_schema_extra=unit("1"))
    reason: str = Field("excluded by the study", description="Why.", json_schema_extra=unit("text"))


class Study(Section):
    """The settings of a study. Only `study_id` is required."""

    study_id: str = Field(
        min_length=1,
        max_length=80,
        pattern=r"^[^\x00-\x1f/\\]+$",
        description="Name of the study in tables and reports.",
        json_schema_extra=unit("name"),
    )
    title: str = Field("", max_length=200, description="Title of the report.", json_schema_extra=unit("text"))
    results: str = Field(
        "results", description="Results folder, relative to study.yaml.", json_schema_extra=unit("path")
    )
    cases: str = Field("cases.csv", description="Table of cases.", json_schema_extra=unit("path"))
    series: str = Field("series.csv", description="Table of series.", json_schema_extra=unit("path"))
    landmarks: str = Field(
        "landmarks.csv",
        description="Table of landmarks: a CSV, Parquet or DICOM file, or a folder of such files.",
        json_schema_extra=unit("path"),
    )
    corrections: str = Field(
        "corrections.csv",
        description="Table of corrected landmarks, with who, when and why; landmarks themselves stay as filed.",
        json_schema_extra=unit("path"),
    )
    landmark_files: tuple[LandmarkFiles, ...] = Field(
        (),
        max_length=100,
        description="Point files of other programs, and how each kind is to be read.",
        json_schema_extra=unit("list"),
    )
    structure_names: dict[str, str] = Field(
        default_factory=dict,
        description="Names of structures in other tools and the names they have here (handbook, Study tables).",
        json_schema_extra=unit("name"),
    )
    plans: str = Field("plans.csv", description="Table of plans.", json_schema_extra=unit("path"))
    devices: str = Field("devices.csv", description="Table of devices.", json_schema_extra=unit("path"))
    device_profiles: str = Field(
        "device_profiles.csv", description="Table of device profiles.", json_schema_extra=unit("path")
    )
    prostheses: str = Field("prostheses.csv", description="Table of prostheses.", json_schema_extra=unit("path"))
    sizing_targets: str = Field(
        "sizing_targets.csv", description="Table of sizing targets.", json_schema_extra=unit("path")
    )
    cutoffs: str | None = Field(
        None,
        description="Table of cut-offs of the neo-LVOT area; empty = config/cutoffs.csv of the project.",
        json_schema_extra=unit("path"),
    )
    exclude: tuple[Exclusion, ...] = Field(
        (), description="Readings, phases or cases to leave out.", json_schema_extra=unit("list")
    )
    keep_volumes: bool = Field(
        False, description="Keep the resampled volumes after measuring.", json_schema_extra=unit("switch")
    )
    definitions: Definitions = Definitions()
    uncertainty: Uncertainty = Uncertainty()
    gantry: Gantry = Gantry()
    privacy: PrivacySettings = PrivacySettings()
    intake: IntakeSettings = IntakeSettings()
    phase: PhaseSettings = PhaseSettings()
    quality: QualitySettings = QualitySettings()
    resample: ResampleSettings = ResampleSettings()
    judging: JudgingSettings = JudgingSettings()
    adjudication: AdjudicationSettings = AdjudicationSettings()
    qualification: QualificationSettings = QualificationSettings()
    carry: CarrySettings | None = Field(
        None,
        description="Carry landmarks of marked phases to the others; absent = off.",
        json_schema_extra=unit("section"),
    )
    implants: ImplantSettings | None = Field(
        None,
        description="Devices, depths and tilts that are tried in every reading besides the plans; absent = none.",
        json_schema_extra=unit("section"),
    )
    statistics: StatisticsSettings = StatisticsSettings()
    report: ReportSettings = ReportSettings()

    @model_validator(mode="before")
    @classmethod
    def _accept_short_forms(cls, data: Any) -> Any:
        """The contract names definitions without their section, and a privacy policy by its level alone."""
        if not isinstance(data, dict):
            return data
        data = dict(data)
        section = data.get("definitions")
        chosen = dict(section) if isinstance(section, dict) else {}
        for name in Definitions.model_fields:
            if name in data:
                chosen.setdefault(name, data.pop(name))
        if chosen:
            data["definitions"] = chosen
        _move_old_name(data)
        if isinstance(data.get("privacy"), str):
            data["privacy"] = {"policy": data["privacy"]}
        return data


def _move_old_name(data: dict[str, Any]) -> None:
    """`statistics.primary_measures` was a second setting of what the study asks; now `report.primary_measures` is."""
    section, shown = data.get("statistics"), data.get("report") or {}
    if isinstance(section, dict) and isinstance(shown, dict) and "primary_measures" in section:
        data["statistics"] = {name: value for name, value in section.items() if name != "primary_measures"}
        data["report"] = {"primary_measures": section["primary_measures"], **shown}


def _known_keys(location: tuple[int | str, ...]) -> list[str]:
    """Keys allowed where a key at `location` was refused."""
    model: Any = Study
    for part in location[:-1]:
        if isinstance(part, int):  # the place in a list, whose items are of the kind found below
            continue
        fields = getattr(model, "model_fields", {})
        if part not in fields:
            return []
        # an optional section is `Model | None`, a list of sections `tuple[Model, ...]`
        kinds = [kind for kind in get_args(fields[part].annotation) if hasattr(kind, "model_fields")]
        model = kinds[0] if kinds else fields[part].annotation
    known = list(getattr(model, "model_fields", {}))
    return known + (list(Definitions.model_fields) if model is Study else [])


def load_study(path: Path) -> tuple[Study | None, list[Problem]]:
    """Read and check study.yaml; the study is None where there are errors."""
    name = path.name
    remedy_read = "Point study= at a readable study.yaml."
    try:
        if path.stat().st_size > LARGEST_FILE:
            return None, [
                Problem(
                    file=name,
                    row=None,
                    column=None,
                    found="a file over 1 MB",
                    needed="a settings file of a few kB",
                    remedy=remedy_read,
                )
            ]
        content = read_yaml(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        return None, [
            Problem(
                file=name,
                row=None,
                column=None,
                found="no such file",
                needed="the study's settings file",
                remedy=remedy_read,
            )
        ]
    except UnicodeDecodeError:
        return None, [
            Problem(
                file=name,
                row=None,
                column=None,
                found="text that is not UTF-8",
                needed="text in UTF-8",
                remedy="Save it again as UTF-8.",
            )
        ]
    except OSError as error:
        return None, [
            Problem(
                file=name,
                row=None,
                column=None,
                found=f"a file that cannot be read ({error.strerror or 'damaged'})",
                needed="a readable UTF-8 file",
                remedy=remedy_read,
            )
        ]
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        row = mark.line + 1 if mark else None
        found = f"broken YAML ({getattr(error, 'problem', None) or 'not parsable'})"
        return None, [
            Problem(
                file=name,
                row=row,
                column=None,
                found=found,
                needed="plain YAML without tags",
                remedy="Correct the line.",
            )
        ]
    if not isinstance(content, dict):
        return None, [
            Problem(
                file=name,
                row=None,
                column=None,
                found="no mapping",
                needed="keys and values, at least study_id",
                remedy="Write `study_id: NAME`.",
            )
        ]
    try:
        return Study.model_validate(content), []
    except ValidationError as error:
        return None, _as_problems(name, error.errors(include_url=False, include_input=True))


def _as_problems(name: str, items: list[Any]) -> list[Problem]:
    """One problem a key: of a key that takes several kinds of value, what each kind needs is said in one message."""
    found: dict[str | None, Problem] = {}
    for item in items:
        problem = _as_problem(name, item)
        known = found.get(problem.column)
        if known is None:
            found[problem.column] = problem
        elif problem.needed not in known.needed:
            found[problem.column] = replace(known, needed=f"{known.needed}, or {problem.needed}")
    return list(found.values())


PLAIN = {
    "a valid boolean": "true or false",
    "a valid integer": "a whole number",
    "a valid number": "a number",
    "a valid string": "text",
    "a valid dictionary": "keys and values",
    "a valid tuple": "a list",
    "a valid list": "a list",
}
"""What the checking library calls a kind of value, and what a user calls it."""
QUOTED = re.compile("'([^']+)'")
"""Names in what the checking library lists as allowed."""
BRANCHES = frozenset({"bool", "int", "float", "str", "none", "list", "tuple", "dict"})


def _own_location(location: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """The place of a key without the kinds of value that the reader of the file tried there."""
    kept = list(location)
    while len(kept) > 1 and isinstance(kept[-1], str) and ("[" in kept[-1] or kept[-1] in BRANCHES):
        kept.pop()
    return tuple(kept)


def _as_problem(name: str, item: Any) -> Problem:
    location = _own_location(item["loc"])
    key = ".".join(str(p) for p in location)
    if item["type"] == "extra_forbidden":
        known = _known_keys(location)
        hint = nearest(str(location[-1]), known)
        return Problem(
            file=name,
            row=None,
            column=key,
            found="an unknown key",
            needed=f"one of {', '.join(known)}",
            remedy=f"Remove or rename it{hint or '.'}",
        )
    if item["type"] == "missing":
        return Problem(
            file=name, row=None, column=key, found="nothing", needed="a value for this key", remedy=f"Add `{key}: …`."
        )
    given = item.get("input")
    found = repr(given) if isinstance(given, (int, float, bool)) else described(str(given))
    needed = item["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    needed = PLAIN.get(needed.partition(",")[0], needed)
    needed = needed.replace("less than or equal to", "at most").replace("greater than or equal to", "at least")
    # a name that is not allowed is likely a slip of the pen
    names = QUOTED.findall(needed) if item["type"] == "literal_error" else []
    hint = nearest(str(given), names)
    return Problem(
        file=name,
        row=None,
        column=key,
        found=found,
        needed=needed,
        remedy=f"Correct `{key}`{hint} Or remove it to keep the default."
        if hint
        else f"Correct `{key}`, or remove it to keep the default.",
    )
