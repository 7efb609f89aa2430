"""The few settings that the workflow needs at every parse, read without the full check (which `plan` does)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import yaml


@dataclass(frozen=True)
class Peek:
    """Results folder, tables of cases and series (relative to study.yaml), id; whether volumes are kept and landmarks
    carried."""

    results: str = "results"
    cases: str = "cases.csv"
    series: str = "series.csv"
    study_id: str = ""
    keep_volumes: bool = False
    carries: bool = False


def peek(study_file: Path) -> Peek:
    """Read these settings; defaults where the file cannot be read."""
    try:
        content = yaml.safe_load(study_file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, yaml.YAMLError):
        return Peek()
    if not isinstance(content, dict):
        return Peek()
    results, cases, series = content.get("results"), content.get("cases"), content.get("series")
    return Peek(
        results=results if isinstance(results, str) and results else Peek.results,
        cases=cases if isinstance(cases, str) and cases else Peek.cases,
        series=series if isinstance(series, str) and series else Peek.series,
        study_id=str(content.get("study_id") or ""),
        keep_volumes=content.get("keep_volumes") is True,
        carries=content.get("carry") is not None,
    )
