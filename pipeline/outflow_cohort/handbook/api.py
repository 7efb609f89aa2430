"""The list of public functions of both libraries, from their own docstrings."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
from types import FunctionType, ModuleType

import outflow_cohort.stats

FLOORS = ("base", "landmarks", "image", "outflow", "scatter", "measures")
"""Packages of the geometry core, lowest first."""


def api_section() -> str:
    """Markdown: a table per package with each public function, its arguments and what it gives."""
    parts = [
        "# Every public function",
        "",
        "From the docstrings; `help(NAME)` has shapes, units, errors and sources. The tests run the examples, each in",
        "the module named with it: elsewhere, import the names it uses from there, and NumPy as `np`.",
        "",
    ]
    for floor in FLOORS:
        package = importlib.import_module(f"outflow_geometry.{floor}")
        functions = []
        for info in sorted(pkgutil.iter_modules(package.__path__), key=lambda m: m.name):
            functions += _functions(importlib.import_module(f"outflow_geometry.{floor}.{info.name}"))
        parts += [f"## `outflow_geometry.{floor}`", "", *_listed(functions, f"outflow_geometry.{floor}.")]
    named = [getattr(outflow_cohort.stats, name) for name in sorted(outflow_cohort.stats.__all__)]
    functions = [f for f in named if inspect.isfunction(f)]
    return "\n".join([*parts, "## `outflow_cohort.stats`", "", *_listed(functions, "outflow_cohort.stats.")])


def _functions(module: ModuleType) -> list[FunctionType]:
    found = inspect.getmembers(module, inspect.isfunction)
    return [f for name, f in found if not name.startswith("_") and f.__module__ == module.__name__]


def _listed(functions: list[FunctionType], package: str) -> list[str]:
    """A table of the functions, and below it the example of each that has one."""
    parts = _table([_row(f.__module__.removeprefix(package), f) for f in functions])
    for function in functions:
        example = example_of(function)
        if example:
            parts += [f"Example of `{function.__name__}` (`{function.__module__}`):", "", *example, ""]
    return parts


def example_of(function: FunctionType) -> list[str]:
    """The example of a docstring as Markdown: its last words before the code, and the code with what it gives."""
    said = inspect.getdoc(function) or ""
    if not doctest.DocTestParser().get_examples(said):
        return []
    before, _, after = said.partition(">>> ")
    code = f">>> {after}".partition("\n\n")[0]
    words = before.rstrip().rpartition("\n\n")[2] if before.rstrip().endswith(":") else ""
    return [*([words, ""] if words else []), "```python", code, "```"]


def _row(module: str, function: FunctionType) -> tuple[str, str, str]:
    arguments = ", ".join(inspect.signature(function).parameters)
    said = " ".join((inspect.getdoc(function) or "").partition("\n\n")[0].split())
    return f"`{module}`", f"`{function.__name__}({arguments})`", said.replace("|", "\\|")


def _table(rows: list[tuple[str, str, str]]) -> list[str]:
    return ["| module | function | what it gives |", "|---|---|---|", *(f"| {' | '.join(r)} |" for r in rows), ""]
