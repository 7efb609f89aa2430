"""The examples in the docstrings of the geometry core and of the statistics give what they say."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from types import FunctionType, ModuleType
from typing import Any

import pytest

import outflow_cohort.stats
import outflow_geometry
from outflow_cohort.handbook.api import EXAMPLES_BEGIN, example_of, public_functions

LIBRARIES = (outflow_geometry, outflow_cohort.stats)
PUBLIC = [(library, function) for library in LIBRARIES for function in public_functions(library)]


def names_of(library: ModuleType) -> dict[str, Any]:
    """What a reader of the handbook has imported before an example."""
    names: dict[str, Any] = {}
    exec("\n".join([*EXAMPLES_BEGIN, f"from {library.__name__} import *"]), names)
    return names


def modules_of(library: ModuleType) -> list[str]:
    found = (m.name for m in pkgutil.walk_packages(library.__path__, f"{library.__name__}."))
    return [library.__name__, *found]


@pytest.mark.parametrize(
    ("library", "name"), [(library, name) for library in LIBRARIES for name in modules_of(library)]
)
def test_examples(library: ModuleType, name: str):
    module = importlib.import_module(name)
    assert doctest.testmod(module, globs=names_of(library) | vars(module)).failed == 0


@pytest.mark.parametrize(("library", "function"), PUBLIC, ids=[f.__name__ for _, f in PUBLIC])
def test_each_public_function_has_an_example_that_runs_as_the_handbook_shows_it(
    library: ModuleType, function: FunctionType
):
    block = "\n".join(example_of(function))
    code = block.partition("```python\n")[2].partition("```")[0]
    example = doctest.DocTestParser().get_doctest(code, names_of(library), function.__name__, None, 0)
    assert any(e.want for e in example.examples)
    assert doctest.DocTestRunner().run(example).failed == 0


def test_the_lists_are_as_long_as_the_libraries():
    """A name left out of a list would need no example."""
    assert len(public_functions(outflow_geometry)) >= 71
    assert len(public_functions(outflow_cohort.stats)) >= 85


def test_the_core_opens_with_a_whole_reading():
    assert doctest.testmod(outflow_geometry).attempted >= 7
