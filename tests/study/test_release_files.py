"""Version, citation and changelog name the same version."""

from __future__ import annotations

import tomllib
from pathlib import Path

import yaml

import outflow_geometry

PROJECT = Path(__file__).parents[2]


def test_one_version_everywhere():
    version = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    citation = yaml.safe_load((PROJECT / "pipeline/CITATION.cff").read_text(encoding="utf-8"))
    changes = (PROJECT / "pipeline/CHANGELOG.md").read_text(encoding="utf-8")
    assert outflow_geometry.__version__ == version == citation["version"]
    assert changes.split("\n## ")[1].splitlines()[0] == version


def test_the_citation_has_what_its_format_requires():
    """Citation File Format 1.2.0: cff-version, message, title and authors are required."""
    citation = yaml.safe_load((PROJECT / "pipeline/CITATION.cff").read_text(encoding="utf-8"))
    assert {"cff-version", "message", "title", "authors"} <= set(citation)
    assert citation["cff-version"] == "1.2.0"
