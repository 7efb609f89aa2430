"""JSON schema of study.yaml, from which editors complete keys, explain them and mark mistakes."""

from __future__ import annotations

import json
from typing import Any

from outflow_cohort.study.config import Study
from outflow_cohort.study.measuring_settings import Definitions

FILE = "study.schema.json"
HEADER = f"# yaml-language-server: $schema={FILE}\n"
"""First line of a study.yaml that has the schema beside it; the YAML extensions of common editors read it."""


def study_schema() -> dict[str, Any]:
    """JSON schema (draft 2020-12) of the settings model, with the two short forms that it also takes."""
    schema = Study.model_json_schema()
    keys, parts = schema["properties"], schema["$defs"]
    level = parts["PrivacySettings"]["properties"]["policy"]
    keys["privacy"] = {"anyOf": [keys["privacy"], level]}
    for name in Definitions.model_fields:
        keys[name] = parts["Definitions"]["properties"][name]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "study.yaml"} | {
        name: value for name, value in schema.items() if name != "title"
    }


def schema_text() -> str:
    """The schema as it is in a file."""
    return json.dumps(study_schema(), indent=1, ensure_ascii=False) + "\n"
