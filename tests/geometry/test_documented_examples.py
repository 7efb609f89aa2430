"""The examples in the geometry core's docstrings give what they say."""

from __future__ import annotations

import doctest
import importlib

import pytest

MODULES = {
    "": 8,
    ".base.planes": 3,
    ".base.contours": 5,
    ".landmarks.views": 3,
    ".landmarks.mitral": 1,
    ".landmarks.sizing": 2,
    ".measures.judging": 1,
}
"""Modules with examples and the least number of them."""


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str):
    module = importlib.import_module(f"outflow_geometry{name}")
    result = doctest.testmod(module)
    assert result.failed == 0
    assert result.attempted >= MODULES[name]
