"""The methods paragraph of a run, its references, and where its numbers come from."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
from collections.abc import Mapping, Sequence
from typing import Any

from outflow_cohort.report.cohort_data import Cohort
from outflow_cohort.report.numbers import count
from outflow_cohort.report.page import Table, table_of
from outflow_cohort.report.wording import field_title, measure_title, registry, setting_text, words

REFERENCES = {
    "blanke": "Blanke P, et al. Predicting LVOT obstruction in transcatheter mitral valve implantation: concept of the "
    "neo-LVOT. JACC Cardiovasc Imaging 2017 (cited from memory).",
    "reid": "Reid A, et al. Step-by-step CT assessment of neo-LVOT obstruction risk. JACC Cardiovasc Imaging "
    "2021;14:854-866 (abstract read).",
    "meduri": "Meduri CU, et al. Multiphase assessment of the neo-LVOT. JACC Cardiovasc Interv 2019.",
    "mcgraw": "McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients. "
    "Psychol Methods 1996;1:30-46.",
    "bland": "Bland JM, Altman DG. Measuring agreement in method comparison studies. "
    "Stat Methods Med Res 1999;8:135-160.",
    "dicom": "DICOM PS3.3 C.8.7.5, X-Ray Positioner Module (signs of the positioner angles).",
    "deid": "DICOM PS3.15 Annex E, Attribute Confidentiality Profiles.",
}
LIBRARIES = ("numpy", "scipy", "shapely", "SimpleITK", "pydicom", "pandas", "pyarrow", "dask", "snakemake", "jinja2")


def methods_text(cohort: Cohort) -> tuple[list[str], list[str]]:
    """Paragraphs with numbered references, and the references in the order of their numbers."""
    used: list[str] = []

    def ref(*names: str) -> str:
        for name in names:
            if name not in used:
                used.append(name)
        return "[" + ", ".join(str(used.index(n) + 1) for n in names) + "]"

    chosen: Mapping[str, Any] = cohort.study.get("definitions") or {}
    uncertainty: Mapping[str, Any] = cohort.study.get("uncertainty") or {}
    done = cohort.measured
    readers = sorted(set(done["reader_id"])) if len(done) else []
    phases = done["phase_pct"].dropna().nunique() if len(done) else 0
    reads = done.groupby(["case_id", "phase_pct", "reader_id"], dropna=True)["read_no"].nunique() if len(done) else None
    repeated = reads is not None and len(reads) and int(reads.max()) > 1
    twice = f", up to {int(reads.max())} reads each" if repeated and reads is not None else ""
    done_cases = int(done["case_id"].nunique()) if len(done) else 0
    first = (
        f"CT series of {count(len(cohort.cases), 'case')} were checked for completeness, geometry, phase, image "
        f"quality and evidence of de-identification {ref('deid')}; {count(done_cases, 'case')} "
        f"{'was' if done_cases == 1 else 'were'} measured in {count(phases, 'phase') if phases else 'one phase'} by "
        f"{count(len(readers), 'reader')}{twice}. {grid_text(cohort)}"
    )
    second = (
        "The ring plane is the least-squares plane through the ring's points and the ring contour a closed cubic "
        "spline in it; the aortic plane runs through the three hinge points. The aorto-mitral angle “opening” is the "
        "angle between the downstream normals of both planes, 180° for coplanar valves. Blood is where the image "
        "exceeds the level half-way between local blood and muscle. The device is a surface of revolution of its "
        "profile about the ring's normal. Sections are at right angles to the outflow path; the neo-LVOT is the "
        f"smallest section less the device {ref('blanke', 'reid')}, by the rule "
        f"“{words(str(chosen.get('section_rule', 'aortic_side')))}”, from the aortic annulus to the last plane that "
        f"meets the solid, at most {chosen.get('search_upstream_mm', 30.0):g} mm upstream. Values over the phases are "
        f"end-systole, the mean over systole and the smallest {ref('meduri')}. View angles follow the DICOM "
        f"positioner angles {ref('dicom')}."
    )
    draws = uncertainty.get("draws")
    intervals = (
        "Single measurements are given without intervals."
        if draws == 0
        else "Intervals of single measurements are 95 % and come from redrawing the landmarks with the scatter found "
        f"in repeated reads or assumed{f' ({draws} draws per reading)' if draws else ''}, and for areas from the "
        "image's noise."
    )
    third = (
        f"{intervals} Agreement between and within readers is "
        f"given as intraclass correlation, absolute agreement, ICC(A,1) {ref('mcgraw')}, and as bias with limits of "
        f"agreement {ref('bland')}, each with a 95 % interval; definitions and sources of further statistics are "
        "beside them in the tables."
    )
    return [first, second, third], [REFERENCES[name] for name in used]


def grid_text(cohort: Cohort) -> str:
    """Whether the images were measured on their own voxels or resampled, as the run recorded it series by series."""
    settings: Mapping[str, Any] = cohort.study.get("resample") or {}
    region = "The whole image" if settings.get("whole_image") else "A region around the landmarks"
    spacing = f"{settings['spacing_mm']:g} mm" if "spacing_mm" in settings else "the configured spacing"
    by = {"bspline": "cubic B-spline", "linear": "linear interpolation"}.get(
        str(settings.get("interpolator")), "cubic B-spline"
    )
    resampled = f"resampled to cubic voxels of {spacing} ({by})"
    own = "measured on the image's own voxels"
    kept = cohort.series["resampled"].dropna() if "resampled" in cohort.series else ()
    n, changed = len(kept), int(sum(bool(v) for v in kept))
    if not n:
        return f"{region} was measured, on its own voxels where they are fine enough, else {resampled}."
    if not changed:
        return f"{region} was {own}, without resampling, in all {count(n, 'series', 'series')}."
    if changed == n:
        return f"{region} was {resampled} in all {count(n, 'series', 'series')}."
    return (
        f"{region} was {own} in {n - changed} of {count(n, 'series', 'series')} and "
        f"{resampled} in the other {changed}, whose voxels are coarser or less even."
    )


DEFINING = ("definitions", "uncertainty", "gantry")
FURTHER = ("phase", "quality", "resample", "privacy", "intake", "statistics")


def settings_table(cohort: Cohort, sections: Sequence[str]) -> Table:
    """The settings of the run in these sections of study.yaml."""
    rows = []
    for section in sections:
        content = cohort.study.get(section)
        if isinstance(content, Mapping):
            for name, value in content.items():
                if value not in (None, "", [], {}):
                    rows.append((words(section).capitalize(), field_title(name), setting_text(value)))
    return table_of(("Section", "Setting", "Value"), rows)


def measure_table() -> Table:
    """The registry: what is measured, in which variants, by which definition and source."""
    rows = [
        (measure_title(m.id), m.unit, words(", ".join(m.variants)), m.definition, m.source) for m in registry().values()
    ]
    return table_of(("Measure", "Unit", "Variants", "Definition", "Source"), rows)


def provenance(cohort: Cohort) -> list[tuple[str, str]]:
    """Versions and a fingerprint of what went in; no dates, no machine names."""
    digest = hashlib.sha256()
    requests = sorted((cohort.results / "work" / "requests").glob("*.json"))
    for path in requests:
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    facts = [("Study", str(cohort.study.get("study_id", "")) or "–")]
    if requests:
        facts.append(("Requests", f"{len(requests):,}, SHA-256 of all: {digest.hexdigest()}"))
    facts.append(("outflow-cohort", importlib.metadata.version("outflow-cohort")))
    facts.append(("Python", platform.python_version()))
    facts.append(("Libraries", ", ".join(f"{n} {importlib.metadata.version(n)}" for n in LIBRARIES)))
    facts.append(("Colours", "groups and solids: Okabe & Ito 2008; order of magnitude: cividis (Nuñez et al. 2018)"))
    facts.append(("Record of the run", "run.json beside the tables: hashes of all inputs and tables, settings, commit"))
    return facts
