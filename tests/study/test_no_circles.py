"""No module imports, by way of others, a module that imports it: neither at its head nor within a function."""

from __future__ import annotations

import ast
from pathlib import Path

import outflow_cohort
import outflow_geometry

PACKAGES = (outflow_geometry, outflow_cohort)


def modules() -> dict[str, Path]:
    """Dotted name -> file."""
    found = {}
    for package in PACKAGES:
        folder = Path(str(package.__file__)).parent
        for file in folder.rglob("*.py"):
            parts = file.relative_to(folder.parent).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = file
    return found


def imported(tree: ast.AST, known: frozenset[str]) -> set[str]:
    """The modules of ours that a module imports; what only type checkers read does not count."""
    found = set()
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            continue
        if isinstance(node, ast.ImportFrom) and node.module:
            for name in node.names:
                inner = f"{node.module}.{name.name}"
                found.add(inner if inner in known else node.module)
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        else:
            found |= imported(node, known)
    return found & known


def test_no_module_imports_itself_by_way_of_others() -> None:
    files = modules()
    graph = {
        name: imported(ast.parse(file.read_text(encoding="utf-8")), frozenset(files)) for name, file in files.items()
    }
    assert len(graph) > 300
    while leaves := [name for name, needs in graph.items() if not needs & graph.keys()]:
        for name in leaves:
            del graph[name]
    # what is left stands in a circle, or above one
    circles = {name for name in graph if any(name in graph[other] for other in graph)}
    assert circles == set()
