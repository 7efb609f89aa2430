"""The schema that editors complete study.yaml from, checked with a general JSON Schema validator (jsonschema)."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest
import yaml

from outflow_cohort.cli import main
from outflow_cohort.demo.settings import load_settings
from outflow_cohort.demo.study import _study_yaml
from outflow_cohort.study.config import load_study
from outflow_cohort.study.editor_schema import FILE, HEADER, schema_text, study_schema
from outflow_cohort.workflow_files import workflow_file

CHECK = jsonschema.Draft202012Validator(study_schema())


def test_the_shipped_schema_is_that_of_the_settings(capsys: pytest.CaptureFixture[str]) -> None:
    assert workflow_file(f"config/{FILE}").read_text(encoding="utf-8") == schema_text()
    assert main(["schema"]) == 0
    assert capsys.readouterr().out == schema_text()


def test_every_key_tells_its_meaning_and_unit() -> None:
    schema = study_schema()
    sections = [schema, *schema["$defs"].values()]
    keys = {n: k for s in sections for n, k in s.get("properties", {}).items() if "$ref" not in k and "anyOf" not in k}
    assert len(keys) > 150
    assert [n for n, k in keys.items() if not k.get("description")] == []
    assert [n for n, k in keys.items() if "unit" not in k] == []


@pytest.mark.parametrize("name", ["demo", "carry", "implants", "analytic"])
def test_settings_of_shipped_studies_are_valid(name: str) -> None:
    text = _study_yaml(load_settings(workflow_file(f"config/{name}.yaml")))
    assert text.startswith(HEADER)
    assert [e.message for e in CHECK.iter_errors(yaml.safe_load(text))] == []


@pytest.mark.parametrize(
    "text",
    [
        "study_id: a\nprivacy: strict\nsection_rule: at_path",
        "study_id: a\nimplants: {depths_mm: {from: 2, to: 8, step: 2}}",
        "study_id: a\ncarry: {to_phases: [20, 40]}",
        "study_id: a\nsection_rules: at_path",
        "study_id: a\nprivacy: lax",
        "study_id: a\nuncertainty: {draws: -1}",
        "study_id: a\nimplants: {depths_mm: {from: 2, to: 8}}",
        "title: no name",
    ],
)
def test_editor_and_program_agree_on_what_is_valid(text: str, tmp_path: Path) -> None:
    (tmp_path / "study.yaml").write_text(text, encoding="utf-8")
    study, problems = load_study(tmp_path / "study.yaml")
    accepted = study is not None and not any(p.severity == "error" for p in problems)
    assert CHECK.is_valid(yaml.safe_load(text)) == accepted


def test_the_old_name_of_the_primary_measures_is_still_read(tmp_path: Path) -> None:
    file = tmp_path / "study.yaml"
    file.write_text("study_id: a\nstatistics: {primary_measures: [lv_volume], n_boot: 200}", encoding="utf-8")
    study, problems = load_study(file)
    assert problems == []
    assert study is not None
    assert study.report.primary_measures == ("lv_volume",)
    assert study.statistics.n_boot == 200
