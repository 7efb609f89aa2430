"""Coded names of the structures: SNOMED CT where the code stands in pydicom's concept dictionary (which follows
DICOM PS3.16), a local code otherwise; the local scheme is declared in each file."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from outflow_cohort.study.columns import STRUCTURES

LOCAL_SCHEME = "99OUTFLOW"
"""Private coding scheme (PS3.16 section 8.2: designators of private schemes begin with 99)."""

SNOMED_SITES = {
    "mitral_ring": ("65197004", "Mitral Annulus"),
    "aortic_contour": ("77583004", "Aortic Valve Ring"),
    "lv_apex": ("128564006", "Apex of left ventricle"),
    "septum": ("589001", "Interventricular septum"),
    "anterior_leaflet": ("91134007", "Mitral Valve"),
    "outflow_path": ("13418002", "Left ventricle outflow tract"),
    "outflow_trace": ("13418002", "Left ventricle outflow tract"),
    "muscle_sample": ("49848007", "Left Ventricle Myocardium"),
    "blood_sample": ("87878005", "Left ventricle"),
    "aortic_hinge_left": ("77583004", "Aortic Valve Ring"),
    "aortic_hinge_right": ("77583004", "Aortic Valve Ring"),
    "aortic_hinge_non": ("77583004", "Aortic Valve Ring"),
    "aortic_ring": ("77583004", "Aortic Valve Ring"),
    "trigone_left": ("65197004", "Mitral Annulus"),
    "trigone_right": ("65197004", "Mitral Annulus"),
    "post_tip": ("65197004", "Mitral Annulus"),
}
"""Finding sites, checked against pydicom's concept dictionary by a test."""

LANDMARK_COLUMNS = (
    "case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm",
)  # fmt: skip


@dataclass(frozen=True)
class ReadingLabel:
    """Whose reading a file holds; phase None = the case's only phase."""

    case_id: str
    reader_id: str
    read_no: int
    phase_pct: float | None


def local_code(structure: str) -> str:
    """Local code value of a structure (16 characters at most, VR SH)."""
    letters = "".join(part[:5] for part in structure.upper().split("_"))
    return letters[:16]


def structure_of(names: Iterable[str]) -> str:
    """The contract's structure that one of `names` spells (case, spaces, - and . aside); else the first name."""
    given = [n for n in names if n]
    by_code = {local_code(s): s for s in STRUCTURES}
    for name in given:
        plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
        if plain in STRUCTURES:
            return plain
        if name in by_code:
            return by_code[name]
    return given[0] if given else ""
