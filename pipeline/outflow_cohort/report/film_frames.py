"""Planes of the film strip, pictured while the volumes exist: ring and smallest section of every phase. LPS, mm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from outflow_cohort.handover.drawing import DrawnReading
from outflow_cohort.report.headline import headline_plan, headline_variant
from outflow_cohort.report.pictures import PictureFrame, frames_of_reading, reference_drawings, section_frame

FILM_RING, FILM_SECTION = "film_ring", "film_section"
FIELD_MM = {FILM_RING: 62.0, FILM_SECTION: 44.0}
PIXEL_MM = {FILM_RING: 0.6, FILM_SECTION: 0.45}


def film_frames(drawings: Sequence[DrawnReading]) -> list[PictureFrame]:
    """The planes of the reference reading of each phase, all phases with one field; none for a single phase.

    The section is that of the first plan, of the path that most phases have: a carried phase has no reader's path.
    """
    chosen = reference_drawings(drawings)
    if len(chosen) < 2:
        return []
    named = _section_of_most(chosen)
    frames = []
    for reading in chosen:
        drawn = reading.drawn
        ring = next((f for f in frames_of_reading(reading) if f.name == "ring"), None)
        if ring is not None and drawn.ring is not None:
            frames.append(_square(replace(ring, name=FILM_RING), drawn.ring.center))
        if named is not None:
            plan_id, name = named
            plan = drawn.plans.get(plan_id)
            if plan is not None and name in plan.sections:
                frame = section_frame(reading.phase_pct, plan_id, name, plan)
                frames.append(_square(replace(frame, name=FILM_SECTION), plan.sections[name].point))
    return frames


def _section_of_most(drawings: Sequence[DrawnReading]) -> tuple[str, str] | None:
    """Plan and `SOLID|method` of the strip: the solid that comes first, the path that most phases have."""
    found: dict[str, dict[str, int]] = {}
    for drawing in drawings:
        for plan_id, plan in drawing.drawn.plans.items():
            for name in plan.sections:
                counts = found.setdefault(plan_id, {})
                counts[name] = counts.get(name, 0) + 1
    plan_id = headline_plan(found)
    if not plan_id:
        return None
    solid = headline_variant((n.split("|")[0] for n in found[plan_id]), "full_frame")
    counts = {n: c for n, c in found[plan_id].items() if n.split("|")[0] == solid}
    # among paths that as many phases have, the reader's comes before the automatic one
    return plan_id, min(counts, key=lambda n: (-counts[n], n.split("|")[1] != "reader_path", n))


def _square(frame: PictureFrame, center: ArrayLike) -> PictureFrame:
    """The plane of `frame` with the field of its kind about `center` (3,), mm."""
    pixel = PIXEL_MM[frame.name]
    count = round(FIELD_MM[frame.name] / pixel) + 1
    half = (count - 1) / 2 * pixel
    corner = np.asarray(center, dtype=float) - half * (np.asarray(frame.right) + np.asarray(frame.down))
    x, y, z = (float(v) for v in corner)
    return replace(frame, corner=(x, y, z), spacing=pixel, shape=(count, count))
