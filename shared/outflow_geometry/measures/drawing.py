"""Draws one reading for its case sheet: outlines, planes, paths and sections (`base/drawn.py`).

All points LPS, mm; section outlines in the (u, v) of their own plane, mm; angles in degrees. Coordinates are
rounded to 0.001 mm, outlines thinned to within 0.02 mm: finer than any picture shows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, TypeVar

import numpy as np
import shapely
from numpy.typing import ArrayLike

from outflow_geometry.base.contours import Contour
from outflow_geometry.base.drawn import (
    DrawnAorta,
    DrawnCut,
    DrawnLevel,
    DrawnPlan,
    DrawnPlane,
    DrawnRing,
    DrawnSection,
    Line,
    ReadingDrawing,
)
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.results import AreaCurve, MeasuredValue
from outflow_geometry.image.chambers import ventricle_cut
from outflow_geometry.landmarks.views import edge_on_curve
from outflow_geometry.measures.measure_functions import ReadingContext
from outflow_geometry.outflow.plan_sections import PATH_METHODS, PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.outflow.residual import SmallestSection
from outflow_geometry.scatter.redrawn_sections import PlanRedraws
from outflow_geometry.scatter.uncertainty import NORMAL_95

THINNING = 0.02
"""mm by which a drawn outline may depart from the measured one."""

CONTOUR_POINTS = 144
"""Points of a drawn contour."""

PATH_STEP = 1.0
"""mm between drawn points of an outflow path."""

Part = TypeVar("Part")


def plan_curves(sections: PlanSections) -> list[AreaCurve]:
    """The area curves of one plan; where there is none, the rows of its measures say why."""
    curves: list[AreaCurve] = []
    for method in sections.methods:
        found = _or_none(partial(sections.curves, method))
        if found is None:
            continue
        curves += [
            AreaCurve(
                plan_id=sections.plan.plan_id,
                variant=solid,
                method=method,
                stations=found.stations,
                areas=areas,
                native_areas=found.native_area,
            )
            for solid, areas in found.areas.items()
        ]
    return curves


def draw_reading(
    frame: ReadingContext, lumen: ReadingLumen, plans: Mapping[str, PlanRedraws], values: Sequence[MeasuredValue]
) -> ReadingDrawing:
    """The drawing of one reading; a missing part is None."""
    anatomy = frame.anatomy
    return ReadingDrawing(
        ring=_or_none(lambda: _ring(frame)),
        aorta=_or_none(lambda: _aorta(frame)),
        apex=_or_none(lambda: _rounded(anatomy.apex)),
        three_chamber=_or_none(
            lambda: DrawnPlane(
                point=_rounded(anatomy.three_chamber.point), normal=_rounded(anatomy.three_chamber.normal, 6)
            )
        ),
        paths=_paths(lumen, [redraws.sections for redraws in plans.values()]),
        plans={plan_id: _plan(redraws, values) for plan_id, redraws in plans.items()},
        edge_on={
            "mitral": _or_none(lambda: _rounded(edge_on_curve(anatomy.ring_plane.normal))),
            "aortic": _or_none(lambda: _rounded(edge_on_curve(anatomy.aortic_plane.normal))),
        },
        level=_or_none(lambda: _level(lumen)),
        ventricle_cut=_or_none(lambda: _ventricle_cut(lumen)),
    )


def _or_none(function: Callable[[], Part]) -> Part | None:
    try:
        return function()
    except GeometryError:
        return None


def _rounded(values: ArrayLike, digits: int = 3) -> Any:
    """Nested lists of numbers; + 0.0 turns a negative zero into 0."""
    return (np.round(np.asarray(values, dtype=np.float64), digits) + 0.0).tolist()


def _thinned(contour: Contour) -> Any:
    return _rounded(contour.outline[:: max(1, len(contour.outline) // CONTOUR_POINTS)])


def _ring(frame: ReadingContext) -> DrawnRing:
    contour = frame.anatomy.ring_contour
    d_shape = _or_none(lambda: frame.d_shape)
    return DrawnRing(
        points=_rounded(contour.points),
        contour=_thinned(contour),
        d_contour=None if d_shape is None else _rounded(contour.plane.lift(_spread(d_shape.flat))),
        center=_rounded(frame.anatomy.ring_center),
        normal=_rounded(frame.anatomy.ring_plane.normal, 6),
    )


def _spread(flat: FloatArray) -> FloatArray:
    """Every tenth point of a fine outline, both ends kept."""
    return np.vstack([flat[:-1:10], flat[-1:]])


def _aorta(frame: ReadingContext) -> DrawnAorta:
    anatomy = frame.anatomy
    method = "reader_points" if anatomy.has("aortic_contour") else "image_edge"
    return DrawnAorta(
        hinges=_or_none(lambda: _rounded(anatomy.hinges)),
        contour=_or_none(lambda: _thinned(frame.annulus(method))),
        center=_rounded(anatomy.aortic_center),
        normal=_rounded(anatomy.aortic_plane.normal, 6),
    )


def _paths(lumen: ReadingLumen, plans: Sequence[PlanSections]) -> dict[str, Line | None]:
    """Reader's path, and the automatic path of the first plan that has one."""
    automatic = next((p for p in (_or_none(partial(s.path, "automatic_path")) for s in plans) if p), None)
    drawn = {"reader_path": _or_none(lambda: lumen.reader_path), "automatic_path": automatic}
    paths: dict[str, Line | None] = {}
    for method in PATH_METHODS:
        path = drawn[method]
        if path is None:
            paths[method] = None
            continue
        count = max(2, math.ceil((path.stations[-1] - path.stations[0]) / PATH_STEP) + 1)
        paths[method] = _rounded(path.at(np.linspace(path.stations[0], path.stations[-1], count))[0])
    return paths


def _plan(redraws: PlanRedraws, values: Sequence[MeasuredValue]) -> DrawnPlan:
    sections = redraws.sections
    plan_id = sections.plan.plan_id
    solids = sections.solids()
    first = next(iter(solids.values()), None)
    areas = {(v.variant, v.method): v for v in values if v.plan_id == plan_id and v.measure == "neo_lvot_area"}
    drawn: dict[str, DrawnSection] = {}
    intervals: dict[str, Line] = {}
    for name in solids:
        for method in sections.methods:
            found = _or_none(partial(sections.section, name, method))
            if found is not None:
                drawn[f"{name}|{method}"] = _section(found, areas.get((name, method)))
            scatter = _or_none(partial(redraws.curve_scatter, name, method)) if redraws.anatomies else None
            if scatter is not None:
                stations, shift, sd = scatter
                # normal less the shift, as the interval of the smallest section (`uncertainty.interval`)
                ends = np.maximum(NORMAL_95 * sd + [[1.0], [-1.0]] * shift, 0.0)
                intervals[f"{name}|{method}"] = _rounded(np.stack([stations, *ends], axis=1), 2)
    return DrawnPlan(
        axis_point=None if first is None else _rounded(first.axis_point),
        axis=None if first is None else _rounded(first.axis, 6),
        profile=[] if first is None else _rounded(np.stack([first.stations, first.diameters], axis=1)),
        solids={name: (round(s.solid_from, 3), round(s.solid_to, 3)) for name, s in solids.items()},
        sections=drawn,
        curve_intervals=intervals,
    )


def _section(found: SmallestSection, row: MeasuredValue | None) -> DrawnSection:
    return DrawnSection(
        station_mm=round(found.station, 3),
        area_mm2=round(found.area, 3),
        ci_low=None if row is None or row.ci_low is None else round(row.ci_low, 3),
        ci_high=None if row is None or row.ci_high is None else round(row.ci_high, 3),
        point=_rounded(found.plane.point),
        normal=_rounded(found.plane.normal, 6),
        u=_rounded(found.plane.u, 6),
        v=_rounded(found.plane.v, 6),
        blood=_rings(found.blood),
        device=_rings(found.device),
        residual=_rings(found.residual),
    )


def _rings(geometry: Any) -> list[Any]:
    """All rings of a geometry's polygons, outer and inner."""
    parts = shapely.get_parts(shapely.simplify(geometry, THINNING))
    polygons = parts[shapely.get_type_id(parts) == 3]
    return [_rounded(shapely.get_coordinates(ring)) for ring in shapely.get_rings(polygons)]


def _ventricle_cut(lumen: ReadingLumen) -> DrawnCut | None:
    cut = ventricle_cut(lumen.findings.lumen, lumen.anatomy)
    if cut is None:
        return None
    return DrawnCut(side=cut.side, area_mm2=round(cut.area, 1), across_mm=round(cut.across, 1), message=cut.message)


def _level(lumen: ReadingLumen) -> DrawnLevel:
    level = lumen.findings.level
    return DrawnLevel(
        blood_hu=round(level.blood_hu, 2),
        muscle_hu=round(level.muscle_hu, 2),
        threshold_hu=round(level.threshold_hu, 2),
        noise_hu=round(level.noise_hu, 2),
        contrast_to_noise=round(level.contrast_to_noise, 3),
    )
