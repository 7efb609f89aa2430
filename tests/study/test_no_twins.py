"""One type for one thing: no two classes repeat each other's fields, and a view is a C-arm view."""

from __future__ import annotations

import ast
from itertools import combinations
from pathlib import Path

import outflow_cohort
import outflow_geometry

PACKAGES = [Path(package.__file__).parent for package in (outflow_geometry, outflow_cohort)]
MANY = 6
"""Fields; fewer in common are no sign of a copy."""


def classes() -> dict[str, tuple[str, frozenset[str], frozenset[str]]]:
    """`module:name` -> name, its own fields, its bases."""
    found = {}
    for file in (f for folder in PACKAGES for f in sorted(folder.rglob("*.py"))):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                fields = [
                    n.target.id for n in node.body if isinstance(n, ast.AnnAssign) and isinstance(n.target, ast.Name)
                ]
                bases = frozenset(b.id for b in node.bases if isinstance(b, ast.Name))
                found[f"{file.stem}:{node.name}"] = node.name, frozenset(fields), bases
    return found


KNOWN = {
    "inputs:Prosthesis and cohort:DemoProsthesis",
    "inputs:SharedMove and carried:Move",
    "findings:LandmarkFinding and drawing:DrawnFinding",
    "findings:LandmarkFinding and judged:FindingRow",
    "drawing:DrawnFinding and judged:FindingRow",
    "findings:SectionNumbers and true_sections:TrueSection",
    "results:MeasuredValue and final_values:_Row",
    "imputation:Pooled and mixed_model:Contrast",
    "kappa:KappaResult and kappa:FleissResult",
    "method_comparison:RegressionLine and regression_limits:RegressionLimits",
}
"""A hand-over beside what it carries, the truth beside what is measured, two results of one statistical kind."""


def test_no_further_class_repeats_the_fields_of_another() -> None:
    twins = {
        f"{one} and {other}"
        for (one, (_, a, _)), (other, (_, b, _)) in combinations(classes().items(), 2)
        if len(a & b) >= MANY and 2 * len(a & b) > len(a | b)
    }
    assert twins <= KNOWN, "one type for one thing"
    assert twins >= KNOWN, "no longer there: take it off the list"


def test_what_a_reading_gives_is_defined_once() -> None:
    names = [name for name, _, _ in classes().values()]
    for one in ("MeasuredValue", "AreaCurve", "View", "SectionNumbers", "SmallestSection", "PixelFormat"):
        assert names.count(one) == 1, one
