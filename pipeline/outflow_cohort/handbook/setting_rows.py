"""Every key of study.yaml as a row: default, allowed values and an example, read off the pydantic models."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

EXAMPLES: dict[str, str] = {
    "study_id": "my_registry",
    "title": "Three-site registry",
    "landmark_files": '[{files: "points/*.csv", coordinates: LPS}]',
    "landmark_files[].files": '"points/*.csv"',
    "landmark_files[].columns": "{x_mm: X, y_mm: Y, z_mm: Z}",
    "landmark_files[].structures": "{annulus: mitral_ring}",
    "landmark_files[].name_pattern": r"'(?P<case_id>C\d+)_(?P<reader_id>\w+)'",
    "landmark_files[].structure": "mitral_ring",
    "landmark_files[].phase_pct": "40",
    "structure_names": "{annulus: mitral_ring}",
    "cutoffs": "cutoffs.csv",
    "exclude": "[{case_id: C012, reader_id: R2, reason: wrong image}]",
    "exclude[].case_id": "C012",
    "exclude[].phase_pct": "30",
    "exclude[].reader_id": "R2",
    "exclude[].read_no": "1",
    "uncertainty.prior_sd_mm": "{default: 0.8, lv_apex: 2.0}",
    "privacy.pseudonym_pattern": '"^C[0-9]{3}$"',
    "privacy.allowed_words": "[phantom]",
    "privacy.safe_private_creators": "[MAKER 1.0]",
    "statistics.reference_reader": "R1",
    "statistics.baseline_columns": "[age_years, sex]",
    "statistics.categorical_columns": "[nyha_class]",
    "statistics.column_labels": '{followup_end: Death, nyha_class: "NYHA class"}',
    "statistics.association_columns": "[gradient_mmhg]",
    "adjudication.adjudicators": "[R9]",
    "adjudication.differences": "[{measure: neo_lvot_area, more_than_pct: 20}]",
    "adjudication.differences[].measure": "neo_lvot_area",
    "adjudication.differences[].variant": "full_frame",
    "adjudication.differences[].more_than": "40",
    "adjudication.differences[].more_than_pct": "20",
    "carry.from_phases": "[35, 75]",
    "implants.depths_mm.start": "8",
    "implants.depths_mm.to": "20",
    "implants.depths_mm.step": "2",
    "statistics.outcome_columns": "[died, stroke]",
    "statistics.outcomes": '[{column: obstruction, event: "1", no_event: "0"}]',
    "statistics.outcomes[].column": "obstruction",
    "statistics.outcomes[].missing": "[unknown]",
    "statistics.outcomes[].endpoint": "mean gradient 10 mmHg higher at 30 days",
    "statistics.mixed_models": "[{measure: mitral_area, variant: spline, covariates: [site]}]",
    "statistics.mixed_models[].measure": "mitral_area",
    "statistics.mixed_models[].covariates": "[site]",
    "statistics.adjusted_models[].outcome": "obstruction",
    "statistics.adjusted_models[].covariates": "[age]",
    "statistics.time_to_event": "[{time_column: days, event_column: end, event: died, no_event: alive}]",
    "statistics.time_to_event[].time_column": "days",
    "statistics.time_to_event[].event_column": "end",
    "statistics.time_to_event[].competing": "[reoperated]",
    "statistics.time_to_event[].horizon": "365",
    "statistics.time_to_event[].covariates": "[age]",
    "statistics.predictors[].measure": "neo_lvot_area",
    "statistics.predictors[].variant": "skirt",
    "statistics.predictors": "[{measure: neo_lvot_area, variant: skirt, risk: low, cutoffs: [170]}]",
    "statistics.given_sensitivities": "[0.9]",
    "statistics.grras_facts": "{readers: two cardiologists with five years of practice}",
    "statistics.reporting_facts": "{setting: three centres}",
    "statistics.scheduler": "tcp://node1:8786",
    "landmark_files[].case_id": "C012",
    "landmark_files[].reader_id": "ash",
    "landmark_files[].read_no": "1",
    "landmark_files[].encoding": "latin-1",
    "landmark_files[].sheet": "Points",
    "exclude[].reason": "wrong image",
    "adjudication.differences[].method": "reader_path",
    "adjudication.differences[].classes": "[170, 189]",
    "qualification.measures[].measure": "mitral_area",
    "qualification.measures[].variant": "spline",
    "qualification.measures[].method": "automatic_path",
    "qualification.measures[].bias": "5",
    "qualification.measures[].spread": "6",
    "implants.devices": "[Quillane-26, Quillane-29]",
    "statistics.usable_statuses": "[ok, two_lobes, path_unsure]",
    "statistics.group_column": "prosthesis_type",
    "statistics.outcomes[].event": '"yes"',
    "statistics.outcomes[].no_event": '"no"',
    "statistics.predictors[].method": "automatic_path",
    "statistics.predictors[].plan_id": "P1",
    "statistics.predictors[].cutoffs": "[170, 189]",
    "statistics.mixed_models[].variant": "spline",
    "statistics.mixed_models[].method": "automatic_path",
    "statistics.mixed_models[].plan_id": "P1",
    "statistics.adjusted_models": "[{outcome: obstruction, covariates: [age]}]",
    "statistics.time_to_event[].time_unit": "months",
    "statistics.time_to_event[].event": "died",
    "statistics.time_to_event[].no_event": "alive",
    "statistics.time_to_event[].missing": "[lost]",
    "report.primary_measures": "[neo_lvot_area, mitral_area/spline, aorto_mitral_angle/opening]",
    "report.distributions": "[neo_lvot_area, mitral_area/d_shape]",
    "report.agreement_measures": "[neo_lvot_area, mitral_perimeter/projected]",
}
"""Examples of texts and where the default shows nothing; elsewhere the example is the default or an allowed value."""
BOUNDS = (("ge", "at least"), ("gt", "above"), ("le", "at most"), ("lt", "below"))
NO_UNIT = frozenset({"", "1", "name", "text", "list", "switch"})
"""What the schema gives as unit of a key that has none."""
UNIT_WORDS = {"a": "years", "deg": "degrees", "pct": "%"}
UNSAID = frozenset({"[]", "{}", "…", "words", "NAME"})
"""Examples that show nothing."""
PLAIN = {str: "text", int: "whole number", float: "number", bool: "true, false"}


@dataclass(frozen=True)
class SettingRow:
    """One key of study.yaml, in words."""

    key: str
    default: str
    allowed: str
    unit: str
    meaning: str
    example: str

    def values(self) -> str:
        """What may be written, with its unit; the default; an example where the default is none."""
        unit = "" if self.unit in NO_UNIT or self.unit in self.allowed else f" ({UNIT_WORDS.get(self.unit, self.unit)})"
        allowed = "path" if self.unit == "path" else f"{self.allowed}{unit}"
        parts = [allowed, self.default if self.default == "required" else f"default {self.default}"]
        if self.example not in UNSAID and f"`{self.example}`" != self.default:
            parts.append(f"example `{self.example}`")
        return "; ".join(parts)


def setting_rows(model: type[BaseModel], prefix: str) -> Iterator[SettingRow]:
    """Rows of all keys of `model` and of the models within it; entries of a list are KEY[].NAME."""
    for name, field in model.model_fields.items():
        key = f"{prefix}{name}"
        section = _section(field.annotation)
        entry = _entry(field.annotation)
        if section is not None:
            yield from setting_rows(section, f"{key}.")
            continue
        yield SettingRow(
            key=key, default=_default(field), allowed=_allowed(field, entry), unit=str(_extra(field).get("unit", "")),
            meaning=field.description or "", example=EXAMPLES.get(key) or _example(field),
        )  # fmt: skip
        if entry is not None:
            yield from setting_rows(entry, f"{key}[].")


def _extra(field: FieldInfo) -> dict[str, Any]:
    return field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}


def _section(annotation: Any) -> type[BaseModel] | None:
    """The model of a section, which may be absent."""
    options = get_args(annotation) if get_origin(annotation) in (typing.Union, types.UnionType) else (annotation,)
    models = [o for o in options if isinstance(o, type) and issubclass(o, BaseModel)]
    return models[0] if models else None


def _entry(annotation: Any) -> type[BaseModel] | None:
    """The model of the entries of a list."""
    for inner in get_args(annotation):
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            return inner
    return None


def as_yaml(value: Any) -> str:
    """A default as it is written in study.yaml."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, BaseModel):
        shown = {n: v for n, v in value.model_dump(exclude_defaults=True).items()}
        return "{" + ", ".join(f"{n}: {as_yaml(v)}" for n, v in shown.items()) + "}"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{n}: {as_yaml(v)}" for n, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(as_yaml(v) for v in value) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    text = as_yaml(value)
    return f"`{text}`" if text not in ("", "[]", "{}") else "none"


def _allowed(field: FieldInfo, entry: type[BaseModel] | None) -> str:
    if entry is not None:
        return "list of entries"
    text = _type_text(field.annotation)
    return _within(text, field.metadata)


def _within(text: str, metadata: Iterable[Any]) -> str:
    """The kind of value with its limits, as `number from 0 to 100`."""
    limits = {name: getattr(m, name) for m in metadata for name, _ in BOUNDS if hasattr(m, name)}
    if set(limits) == {"ge", "le"}:
        return f"{text} from {limits['ge']:.10g} to {limits['le']:.10g}"
    words = " and ".join(f"{word} {limits[name]:.10g}" for name, word in BOUNDS if name in limits)
    return f"{text} {words}" if words else text


def _type_text(annotation: Any) -> str:
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        return ", ".join(f"`{as_yaml(v)}`" for v in inner)
    if origin in (typing.Union, types.UnionType):
        return ", ".join(_type_text(a) for a in inner if a is not type(None))
    if origin is tuple:
        listed = [a for a in inner if a is not Ellipsis]
        many = "list of " if Ellipsis in inner else f"{len(listed)} values, each "
        return many + _type_text(listed[0])
    if origin is dict:
        return f"names, each with a {_type_text(inner[1])}"
    if origin is typing.Annotated:
        return _within(_type_text(inner[0]), [m for part in inner[1:] for m in getattr(part, "metadata", [part])])
    return PLAIN.get(annotation, "text")


def _example(field: FieldInfo) -> str:
    """The default, else the first allowed value, else a bound."""
    default = None if field.is_required() else field.get_default(call_default_factory=True)
    if as_yaml(default) not in ("", "[]", "{}"):
        return as_yaml(default)
    for annotation in (field.annotation, *get_args(field.annotation)):
        if get_origin(annotation) is Literal:
            return as_yaml(get_args(annotation)[0])
    if get_origin(field.annotation) in (dict, tuple):
        return "{}" if get_origin(field.annotation) is dict else "[]"
    bound = next((getattr(m, n) for m in field.metadata for n in ("ge", "le") if hasattr(m, n)), None)
    if bound is not None:
        return f"{bound:g}"
    return {"list": "[]", "name": "NAME", "text": "words", "path": "FILE.csv"}.get(str(_extra(field).get("unit")), "…")
