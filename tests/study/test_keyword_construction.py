"""Dataclasses are built by keyword: more than five arguments by position are easy to mix up."""

from __future__ import annotations

import ast
from pathlib import Path

import outflow_cohort
import outflow_geometry

FEW = 5
PACKAGES = [Path(package.__file__).parent for package in (outflow_geometry, outflow_cohort)]


def dataclasses_of(trees: list[ast.Module]) -> set[str]:
    """Names of all classes with the decorator."""
    found = set()
    for node in (n for tree in trees for n in ast.walk(tree) if isinstance(n, ast.ClassDef)):
        for decorator in node.decorator_list:
            name = decorator.func if isinstance(decorator, ast.Call) else decorator
            if isinstance(name, ast.Name) and name.id == "dataclass":
                found.add(node.name)
    return found


def long_calls(trees: list[ast.Module], names: set[str]) -> list[str]:
    """Constructor calls with more than FEW arguments by position."""
    found = []
    for node in (n for tree in trees for n in ast.walk(tree) if isinstance(n, ast.Call)):
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in names and len(node.args) > FEW:
            found.append(f"{name} with {len(node.args)} by position")
    return found


def test_what_counts() -> None:
    text = "@dataclass(frozen=True)\nclass A: ...\nA(1, 2, 3, 4, 5)\nA(1, 2, 3, 4, 5, 6)\nB(1, 2, 3, 4, 5, 6)\n"
    tree = ast.parse(text)
    assert dataclasses_of([tree]) == {"A"}
    assert long_calls([tree], {"A"}) == ["A with 6 by position"]


def test_no_dataclass_is_built_from_many_arguments_by_position() -> None:
    trees = [ast.parse(file.read_text(encoding="utf-8")) for folder in PACKAGES for file in folder.rglob("*.py")]
    names = dataclasses_of(trees)
    assert len(names) > 250
    assert long_calls(trees, names) == []
