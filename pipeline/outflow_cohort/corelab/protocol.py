"""The readers' manual of a study: every structure that its measures need, from the registry. Points LPS, mm."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.corelab.structures import MARKINGS, Marking
from outflow_cohort.files import write_text

if TYPE_CHECKING:
    from outflow_cohort.study.config import Study

SIDE = 260.0
"""Pixels of a figure's side."""
EITHER = frozenset({"aortic_ring"})
"""Structures that stand in for others: marked only where the others cannot be."""


def needed_structures(study: Study) -> dict[str, list[str]]:
    """Structures that the study's measures rest on, in the order of marking, each with those measures."""
    from outflow_geometry.measures.judging import rests_on
    from outflow_geometry.measures.measure import SOLID
    from outflow_geometry.measures.registry import REGISTRY

    found: dict[str, list[str]] = {name: [] for name in MARKINGS}
    for entry in REGISTRY:
        for variant in entry.variants:
            solids = study.definitions.solids if SOLID in variant else ("",)
            for solid in solids:
                for method in entry.methods:
                    for name in rests_on(entry, variant.replace(SOLID, solid), method):
                        if entry.id not in found[name]:
                            found[name].append(entry.id)
    return {name: measures for name, measures in found.items() if measures}


def write_protocol(*, study_file: Path, output: Path, pdf: bool = True) -> list[Path]:
    """Write protocol.html (and protocol.pdf where a printer is there) to the folder `output`; returns the files.

    Raises StudyError for a broken study.yaml.
    """
    from outflow_cohort.report.pdf import NoPrinter, print_pdf
    from outflow_cohort.study.config import load_study
    from outflow_cohort.study.problems import StudyError

    study, problems = load_study(study_file)
    if study is None:
        raise StudyError(problems)
    page = output / "protocol.html"
    write_text(page, protocol_page(study))
    if not pdf:
        return [page]
    try:
        print_pdf(page, output / "protocol.pdf")
    except NoPrinter:
        return [page]
    return [page, output / "protocol.pdf"]


def protocol_page(study: Study) -> str:
    """The page; the same settings give the same bytes."""
    from outflow_cohort.report.page import render
    from outflow_cohort.report.wording import measure_title
    from outflow_geometry.landmarks.anatomy import LEAST_POINTS
    from outflow_geometry.landmarks.findings import CODES

    truth = _specimen()
    chapters = []
    for number, (name, measures) in enumerate(needed_structures(study).items(), start=1):
        marking = MARKINGS[name]
        chapters.append(
            {
                "number": number,
                "name": name,
                "marking": marking,
                "least": LEAST_POINTS[name],
                "measures": ", ".join(dict.fromkeys(measure_title(m) for m in measures)),
                "figure": _figure(truth, name, marking),
                "stands_in": name in EITHER,
            }
        )
    carry = getattr(study, "carry", None)
    phases = list(getattr(carry, "from_phases", ()) or ()) if carry is not None else []
    return render(
        "protocol.html",
        study_id=study.study_id,
        title=study.title,
        chapters=chapters,
        phases=", ".join(f"{p:g} %" for p in phases),
        checks=[c.meaning for c in CODES.values() if c.severity != "note"],
        asks=[f"{d.measure} {d.variant}".strip() for d in study.adjudication.differences],
    )


def _specimen() -> dict[str, np.ndarray]:
    """Landmarks of the invented heart, with posts as in a surgical valve, for the figures."""
    from dataclasses import replace

    from outflow_cohort.demo.anatomy import HeartPhase
    from outflow_cohort.demo.heart_case import HeartCase, RingImplant
    from outflow_cohort.demo.landmarks import true_landmarks

    heart = HeartPhase(HeartCase(), 75.0)
    points = {name: np.asarray(p) for name, p in true_landmarks(heart).items()}
    with_posts = HeartPhase(replace(HeartCase(), implant=RingImplant("bioprosthesis")), 75.0)
    points["post_tip"] = np.asarray(true_landmarks(with_posts)["post_tip"])
    points["aortic_ring"] = points["aortic_contour"][::2]
    path = points["outflow_path"]
    middle = path[len(path) // 2]
    points["outflow_trace"] = middle + 0.6 * (points["aortic_contour"] - points["aortic_contour"].mean(axis=0))
    return points


def _figure(points: dict[str, np.ndarray], name: str, marking: Marking) -> str:
    """A drawn figure: the structure's points in vermilion, numbered where their order counts, over ring and annulus."""
    from outflow_geometry.landmarks.anatomy import build_anatomy

    anatomy = build_anatomy(points)
    if marking.view == "ring":
        across, up, origin = anatomy.across, anatomy.toward_aorta, anatomy.ring_center
    elif marking.view == "aorta":
        plane = anatomy.aortic_plane
        across, up, origin = plane.u, plane.v, anatomy.aortic_center
    else:
        across, up = anatomy.septal_lateral_direction, -anatomy.ring_plane.normal
        origin = 0.5 * (anatomy.ring_center + anatomy.apex)
    shown = [points[n] for n in ("mitral_ring", "aortic_contour", "lv_apex", name)]
    if marking.view != "three_chamber":
        shown = [points["mitral_ring" if marking.view == "ring" else "aortic_contour"], points[name]]
    flat = [np.stack([(p - origin) @ across, -((p - origin) @ up)], axis=1) for p in shown]
    low, high = np.concatenate(flat).min(axis=0), np.concatenate(flat).max(axis=0)
    scale = (SIDE - 50.0) / float(max(high - low))
    middle = 0.5 * (low + high)

    def place(p: Any) -> str:
        x, y = SIDE / 2.0 + scale * (np.asarray(p) - middle)
        return f"{x:.1f},{y:.1f}"

    parts = [f'<svg viewBox="0 0 {SIDE:g} {SIDE:g}" width="{SIDE:g}" role="img" aria-label="{marking.title}">']
    for outline in flat[:-1]:
        if len(outline) > 2:
            parts.append(f'<polygon points="{" ".join(map(place, outline))}" fill="none" stroke="#999"/>')
    own = flat[-1]
    if marking.order and name in ("outflow_path", "anterior_leaflet"):
        parts.append(f'<polyline points="{" ".join(map(place, own))}" fill="none" stroke="#bbb"/>')
    for number, point in enumerate(own, start=1):
        x, y = place(point).split(",")
        parts.append(f'<circle cx="{x}" cy="{y}" r="3.5" fill="#d55e00"/>')
        if marking.order and len(own) > 1:
            parts.append(f'<text x="{float(x) + 5:.1f}" y="{float(y) - 4:.1f}" font-size="9">{number}</text>')
    return "".join([*parts, "</svg>"])
