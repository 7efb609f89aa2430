"""Runs the registry on one context and its redrawn contexts: every combination ends as one row.

A measure that raises GeometryError is a row with null value and the error's code as status.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import Draws, Key
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.results import MeasuredValue
from outflow_geometry.landmarks.mitral import ring_plane_status
from outflow_geometry.measures.measure import Measure
from outflow_geometry.measures.measure_functions import ReadingContext
from outflow_geometry.measures.registry import REGISTRY
from outflow_geometry.scatter.image_share import image_sd
from outflow_geometry.scatter.uncertainty import Interval, draws_elsewhere, interval, usable

ON_RING_PLANE = ("mitral_nonplanarity", "aorto_mitral_angle", "ring_septum_distance", "lv_volume")
"""Measures of a reading that rest on where the ring plane lies, as everything about a planned device does."""

NOT_REDRAWN = "not_redrawn"
"""Code by which a draw says that its measure does not depend on where exactly the reader put the landmarks."""


def combinations(measure: Measure, context: ReadingContext) -> list[tuple[str, str]]:
    """Every (variant, method) that goes with the reading's inputs.

    A reader's path or traced annulus that the reading does not have is not asked for, as long as the image stands in.
    """
    absent = {
        "reader_path": not context.anatomy.has("outflow_path"),
        "reader_points": "image_edge" in measure.methods and not context.anatomy.has("aortic_contour"),
    }
    return [(v, m) for v, m in measure.combinations(context.definitions) if not absent.get(m, False)]


def _value(measure: Measure, context: ReadingContext, variant: str, method: str) -> tuple[float | None, str]:
    try:
        found = measure.function(context, variant, method)
    except GeometryError as error:
        return None, error.code
    value, status = found if isinstance(found, tuple) else (found, "ok")
    if status == "ok" and (measure.level != "reading" or measure.id in ON_RING_PLANE):
        status = ring_plane_status(context.anatomy)
    return (value, status) if math.isfinite(value) else (None, status if status != "ok" else "not_finite")


def _redrawn(
    measure: Measure,
    own: float,
    middle: ReadingContext | None,
    contexts: Sequence[ReadingContext],
    variant: str,
    method: str,
) -> FloatArray | None:
    """The value of each draw, as far from the reading's `own` as it is from that of the draws' `middle`.

    NaN where a draw gives none or is passed over (`draws_share`); None where the measure is not redrawn at all.
    """
    stride = round(1.0 / measure.draws_share)
    values: list[float] = []
    for draw, context in enumerate(contexts, start=1):
        value, code = _value(measure, context, variant, method) if draw % stride == 0 else (None, "")
        if code == NOT_REDRAWN:
            return None
        values.append(np.nan if value is None else value)
    centre = None if middle is None else _value(measure, middle, variant, method)[0]
    return np.asarray(values) + (0.0 if centre is None else own - centre)


def evaluate(
    context: ReadingContext,
    level: str,
    redrawn: Sequence[ReadingContext],
    plan_id: str = "",
    middle: ReadingContext | None = None,
) -> tuple[list[MeasuredValue], dict[Key, Draws]]:
    """Rows of all measures of one `level`, with intervals from the `redrawn` contexts, and the draws behind them.

    middle : the context about which they are redrawn; None = `context` itself.
    """
    rows: list[MeasuredValue] = []
    kept: dict[Key, Draws] = {}
    for measure in REGISTRY:
        if measure.level != level:
            continue
        for variant, method in combinations(measure, context):
            value, status = _value(measure, context, variant, method)
            found: Interval | None = None
            if value is not None and len(redrawn) and level != "draws":
                again = _redrawn(measure, value, middle, redrawn, variant, method)
                draws = None if again is None else usable(value, again, measure.draws_share)
                if draws is not None and not draws_elsewhere(draws, measure, variant):
                    draws = replace(draws, image_sd=image_sd(context, measure.id, variant, method))
                    kept[measure.id, variant, method] = draws
                    found = interval(draws, measure, variant)
                elif again is not None and status == "ok":
                    status = "too_few_draws" if draws is None else "draws_elsewhere"
            rows.append(
                MeasuredValue(
                    plan_id=plan_id,
                    measure=measure.id,
                    variant=variant,
                    method=method,
                    value=value,
                    unit=measure.unit,
                    std_error=None if found is None else found.std_error,
                    ci_low=None if found is None else found.low,
                    ci_high=None if found is None else found.high,
                    status=status,
                )
            )
    return rows, kept


def evaluate_plan(
    context: ReadingContext, redrawn: Sequence[ReadingContext], plan_id: str, middle: ReadingContext | None = None
) -> list[MeasuredValue]:
    """Rows of all measures of one plan, with those that are read off the draws themselves."""
    rows, kept = evaluate(context, "plan", redrawn, plan_id, middle)
    chances, _ = evaluate(replace(context, draws=kept), "draws", [], plan_id)
    order = {measure.id: place for place, measure in enumerate(REGISTRY)}
    return sorted(rows + chances, key=lambda row: order[row.measure])


def evaluate_without_plan(context: ReadingContext) -> list[MeasuredValue]:
    """Rows of all measures of a plan for a reading that has none: null values with status `missing_plan`."""
    return [
        MeasuredValue(
            plan_id="",
            measure=measure.id,
            variant=variant,
            method=method,
            value=None,
            unit=measure.unit,
            status="missing_plan",
        )
        for measure in REGISTRY
        if measure.level != "reading"
        for variant, method in combinations(measure, context)
    ]
