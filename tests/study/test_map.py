"""The map of the house (DEVELOPERS.md) names files that are there."""

from __future__ import annotations

import re
from pathlib import Path

PROJECT = Path(__file__).parents[2]
FOLDERS = ("shared", "pipeline", "tests", "config", "results_demo")


def named(text: str) -> set[str]:
    """Files of the project between backticks; those of a results folder are made by a run."""
    found = set(re.findall(r"`([\w/.]+\.(?:py|smk|yaml|csv|js|txt|md))`", text))
    return {name for name in found if not name.startswith(("RESULTS/", "work/", "tables/"))}


def test_every_file_of_the_map_is_there() -> None:
    names = named((PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert len(names) > 40
    there = [f"/{p.relative_to(PROJECT).as_posix()}" for folder in FOLDERS for p in (PROJECT / folder).rglob("*.*")]
    there += [f"/{p.name}" for p in PROJECT.iterdir()]
    assert sorted(name for name in names if not any(path.endswith(f"/{name}") for path in there)) == []
    assert named("`no/such_file.py` and `work/plan.json`") == {"no/such_file.py"}
