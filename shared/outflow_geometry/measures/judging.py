"""Which values rest on which landmarks, by the registry's `needs`; values on suspect landmarks say so.

A value that rests on a point found bad keeps its number and carries the status LANDMARK_SUSPECT.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import replace
from functools import cache

from outflow_geometry.base.results import MeasuredValue
from outflow_geometry.landmarks.anatomy import LEAST_POINTS
from outflow_geometry.landmarks.findings import BAD, LANDMARK_SUSPECT, WHOLE_READING, LandmarkFinding
from outflow_geometry.measures.implants import Implant
from outflow_geometry.measures.measure import Measure
from outflow_geometry.measures.reading import ReadingResult
from outflow_geometry.measures.registry import measure

HINGES = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
GROUPS: Mapping[str, tuple[str, ...]] = {
    "aortic plane": (*HINGES, "aortic_ring"),
    "trigones": ("trigone_left", "trigone_right"),
    "image": ("blood_sample", "muscle_sample"),
}
"""Words of `needs` that stand for several structures; what the image gives rests on the samples of blood and muscle."""
OF_METHOD: Mapping[str, tuple[str, ...]] = {
    "reader_path": ("outflow_path",),
    "reader_trace": ("outflow_trace",),
}
OF_SOLID: Mapping[str, tuple[str, ...]] = {
    "leaflet_limited": ("anterior_leaflet",),
    "prosthesis_leaflet": ("post_tip",),
    "prosthesis_post": ("post_tip",),
}
"""Structures that a solid's shape may be taken from, beside those that its measure needs."""


@cache
def needed_structures(need: str) -> tuple[frozenset[str], frozenset[str]]:
    """Structures that one entry of `needs` names, and the variants it is limited to (none = all).

    >>> sorted(needed_structures("trigones (intertrigonal)")[0])
    ['trigone_left', 'trigone_right']
    """
    text, _, inside = need.partition("(")
    variants = frozenset(v.strip() for v in inside.rstrip(") ").split(",") if v.strip())
    found = {name for name in LEAST_POINTS if re.search(rf"\b{name}\b", text)}
    for word, names in GROUPS.items():
        if re.search(rf"\b{word}\b", text):
            found |= set(names)
    return frozenset(found), variants


def rests_on(entry: Measure, variant: str, method: str) -> frozenset[str]:
    """Structures that a value of this measure, variant and method may rest on, whether the reading has them or not."""
    found: set[str] = set()
    for need in entry.needs:
        names, variants = needed_structures(need)
        if not variants or variant in variants:
            found |= names
    for part in variant.split("/"):
        found |= set(OF_SOLID.get(part, ()))
    if method == "reader_points":
        found -= set(GROUPS["image"])
    elif method == "image_edge":
        found -= {"aortic_contour"}
    elif method == "table":
        found = set()
    return frozenset(found | set(OF_METHOD.get(method, ())))


def suspect_structures(findings: Collection[LandmarkFinding]) -> frozenset[str]:
    """Structures with a finding that makes values doubtful; WHOLE_READING stands for all."""
    return frozenset(f.structure for f in findings if f.severity in BAD)


def is_suspect(value: MeasuredValue, suspects: Collection[str]) -> bool:
    """Whether a value rests on one of the `suspects`."""
    if value.value is None or not suspects:
        return False
    structures = rests_on(measure(value.measure), value.variant, value.method)
    return bool(structures) and (WHOLE_READING in suspects or not structures.isdisjoint(suspects))


def marked(result: ReadingResult, findings: Collection[LandmarkFinding]) -> ReadingResult:
    """The reading's result, with LANDMARK_SUSPECT on every value that rests on a point found bad."""
    suspects = suspect_structures(findings)
    if not suspects:
        return result
    values = tuple(replace(v, status=LANDMARK_SUSPECT) if is_suspect(v, suspects) else v for v in result.values)
    implants = tuple(replace(i, status=LANDMARK_SUSPECT) if _rests_on(i, suspects) else i for i in result.implants)
    return replace(result, values=values, implants=implants)


def _rests_on(implant: Implant, suspects: Collection[str]) -> bool:
    """Whether an implant's area rests on one of the `suspects`."""
    structures = rests_on(measure("neo_lvot_area"), implant.solid, implant.method)
    return implant.area is not None and (WHOLE_READING in suspects or not structures.isdisjoint(suspects))
