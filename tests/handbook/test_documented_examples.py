"""The examples in the docstrings of the geometry core and of the statistics give what they say."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
from types import ModuleType

import pytest

import outflow_cohort.stats
import outflow_geometry
from outflow_cohort.handbook.api import FLOORS, example_of

WITHOUT_EXAMPLE = {"case_values", "endpoint_tables", "study_tables"}
"""Statistics that work on the files of a finished run."""


def modules_of(package: ModuleType) -> list[str]:
    return [package.__name__, *(m.name for m in pkgutil.walk_packages(package.__path__, f"{package.__name__}."))]


@pytest.mark.parametrize("name", modules_of(outflow_geometry) + modules_of(outflow_cohort.stats))
def test_examples(name: str):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_the_core_opens_with_a_whole_reading():
    assert doctest.testmod(outflow_geometry).attempted >= 8


def test_the_statistics_have_an_example_each():
    named = {name: getattr(outflow_cohort.stats, name) for name in outflow_cohort.stats.__all__}
    functions = {name: f for name, f in named.items() if inspect.isfunction(f)}
    assert {name for name, f in functions.items() if not example_of(f)} == WITHOUT_EXAMPLE


@pytest.mark.parametrize(("floor", "least"), list(zip(FLOORS, (17, 37, 3, 11, 4, 3), strict=True)))
def test_the_core_has_examples_on_every_floor(floor: str, least: int):
    package = importlib.import_module(f"outflow_geometry.{floor}")
    examples = 0
    for name in modules_of(package):
        module = importlib.import_module(name)
        own = (f for _, f in inspect.getmembers(module, inspect.isfunction) if f.__module__ == name)
        examples += sum(bool(example_of(f)) for f in own)
    assert examples >= least
