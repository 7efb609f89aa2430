"""The list of public functions of both libraries, from their own docstrings."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from types import ModuleType

import outflow_cohort.stats

FLOORS = ("base", "landmarks", "image", "outflow", "scatter", "measures")
"""Packages of the geometry core, lowest first."""


def api_section() -> str:
    """Markdown: a table per package with each public function, its arguments and what it gives."""
    parts = [
        "# Every public function",
        "",
        "From the docstrings; `help(NAME)` has shapes, units, errors and sources.",
        "",
    ]
    for floor in FLOORS:
        package = importlib.import_module(f"outflow_geometry.{floor}")
        rows = []
        for info in sorted(pkgutil.iter_modules(package.__path__), key=lambda m: m.name):
            rows += _rows(importlib.import_module(f"outflow_geometry.{floor}.{info.name}"))
        parts += [f"## `outflow_geometry.{floor}`", "", *_table(rows)]
    named = [getattr(outflow_cohort.stats, name) for name in sorted(outflow_cohort.stats.__all__)]
    rows = [_row(f.__module__.removeprefix("outflow_cohort.stats."), f) for f in named if inspect.isfunction(f)]
    return "\n".join([*parts, "## `outflow_cohort.stats`", "", *_table(rows)])


def _rows(module: ModuleType) -> list[tuple[str, str, str]]:
    short = module.__name__.rpartition(".")[2]
    found = inspect.getmembers(module, inspect.isfunction)
    return [_row(short, f) for name, f in found if not name.startswith("_") and f.__module__ == module.__name__]


def _row(module: str, function: object) -> tuple[str, str, str]:
    assert inspect.isfunction(function)
    arguments = ", ".join(inspect.signature(function).parameters)
    said = " ".join((inspect.getdoc(function) or "").partition("\n\n")[0].split())
    return f"`{module}`", f"`{function.__name__}({arguments})`", said.replace("|", "\\|")


def _table(rows: list[tuple[str, str, str]]) -> list[str]:
    return ["| module | function | what it gives |", "|---|---|---|", *(f"| {' | '.join(r)} |" for r in rows), ""]
