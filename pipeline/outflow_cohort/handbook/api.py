"""The public functions of both libraries, each with its example, from their own docstrings."""

from __future__ import annotations

import doctest
import inspect
from itertools import groupby
from types import FunctionType, ModuleType

import outflow_cohort.stats
import outflow_geometry

FLOORS = ("base", "landmarks", "image", "outflow", "scatter", "measures")
"""Packages of the geometry core, lowest first."""

EXAMPLES_BEGIN = (
    "import math",
    "from pathlib import Path",
    "",
    "import numpy as np",
    "import pandas as pd",
    "import shapely",
)
"""What is imported before each example."""


def api_section() -> str:
    """Markdown: tables with each public function, its arguments and what it gives, and the examples."""
    geometry = public_functions(outflow_geometry)
    parts = [
        "# Every public function",
        "",
        "These two lists are the libraries: import each name from `outflow_geometry` or from `outflow_cohort.stats`.",
        "The rest of their modules serves the pipeline and may change. `help(NAME)` has shapes, units, errors and",
        "sources. The tests run each example as it is here, after these lines:",
        "",
        "```python",
        *EXAMPLES_BEGIN,
        "```",
        "",
        "and then `from outflow_geometry import *` or `from outflow_cohort.stats import *`. Examples with an image use",
        "an invented one, `straight_tract`; the first call of a compiled function takes seconds.",
        "",
    ]
    for floor, functions in groupby(geometry, key=lambda f: f.__module__.split(".")[1]):
        parts += [f"## Geometry: {floor}", "", *_listed(list(functions))]
    statistics = sorted(public_functions(outflow_cohort.stats), key=lambda f: f.__name__)
    return "\n".join([*parts, "## Statistics", "", *_listed(statistics)])


def public_functions(package: ModuleType) -> list[FunctionType]:
    """The functions that a package names in `__all__`; those of the geometry core from the lowest floor up."""
    named = [getattr(package, name) for name in package.__all__]
    functions = [f for f in named if inspect.isfunction(f)]
    if package is not outflow_geometry:
        return functions
    return sorted(functions, key=lambda f: (FLOORS.index(f.__module__.split(".")[1]), f.__module__, f.__name__))


def _listed(functions: list[FunctionType]) -> list[str]:
    """A table of the functions, and below it the example of each."""
    parts = _table([_row(f) for f in functions])
    for function in functions:
        parts += [f"Example of `{function.__name__}`:", "", *example_of(function), ""]
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


def _row(function: FunctionType) -> tuple[str, str]:
    arguments = ", ".join(inspect.signature(function).parameters)
    said = " ".join((inspect.getdoc(function) or "").partition("\n\n")[0].split())
    return f"`{function.__name__}({arguments})`", said.replace("|", "\\|")


def _table(rows: list[tuple[str, str]]) -> list[str]:
    return ["| function | what it gives |", "|---|---|", *(f"| {' | '.join(r)} |" for r in rows), ""]
