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
    "inputs:Prosthesis and cohort:DemoProsthesis": "the demonstration's are drawn, so their sizes are never missing",
    "findings:LandmarkFinding and judged:FindingRow": "a flat row of a table: the finding and where it was found",
    "results:MeasuredValue and final_values:_Row": "a row of the table as read, NaN and all, a hundred thousand at once",
    "imputation:Pooled and mixed_model:Contrast": "pooled values have missing information and no test statistic",
    "kappa:KappaResult and kappa:FleissResult": "Fleiss' has classes, three standard errors and counts of ratings",
    "method_comparison:RegressionLine and regression_limits:RegressionLimits": "one line by a method; a line and its spread",
}
"""Why two classes that look alike are two."""


def test_no_further_class_repeats_the_fields_of_another() -> None:
    twins = {
        f"{one} and {other}"
        for (one, (_, a, _)), (other, (_, b, _)) in combinations(classes().items(), 2)
        if len(a & b) >= MANY and 2 * len(a & b) > len(a | b)
    }
    assert twins <= set(KNOWN), "one type for one thing"
    assert twins >= set(KNOWN), "no longer there: take it off the list"


def test_what_a_reading_gives_is_defined_once() -> None:
    names = [name for name, _, _ in classes().values()]
    for one in ("MeasuredValue", "AreaCurve", "View", "SectionNumbers", "SmallestSection", "PixelFormat"):
        assert names.count(one) == 1, one
