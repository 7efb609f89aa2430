"""The area curve: areas of the sections along a path, without a device and beside each solid.

All points LPS, mm, float64; areas mm2; stations mm from the aortic annulus, negative upstream.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import CONTRACT, Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.residual_areas import residual_areas
from outflow_geometry.outflow.sections import NativeSections, SectionStack, counted_areas
from outflow_geometry.outflow.solids import Solid


@dataclass(frozen=True)
class AreaCurves:
    """Areas along the path; `native_area` and each of `areas` are (n,), mm2, NaN where a plane has no section."""

    stations: FloatArray
    native_area: FloatArray
    areas: Mapping[str, FloatArray]
    stack: SectionStack
    status: str


def area_curves(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    solids: Mapping[str, Solid],
    definitions: Definitions = CONTRACT,
    *,
    native: NativeSections | None = None,
) -> AreaCurves:
    """Native and residual areas at stations 0, -step, … down to -search_upstream (or the path's start), mm2.

    solids : the variants of one plan (they share the device axis).
    native : the sections without a device, where they are kept.
    Raises GeometryError as `section_stack`, and `solids_differ` where the axes differ.

    Without a device the section at the annulus has the tract's 100 pi = 314 mm2 within 1 %; a device leaves less:

    >>> from outflow_geometry import Device, PhaseImage, Plan, build_anatomy, build_solid, outflow_lumen, reader_path
    >>> from outflow_geometry import Definitions, straight_tract
    >>> landmarks, volume = straight_tract()
    >>> anatomy = build_anatomy(landmarks)
    >>> lumen = outflow_lumen(PhaseImage(volume), anatomy)
    >>> solid = build_solid("full_frame", Plan("P1", Device("D27", 27.0, 22.0), 15.0), None, anatomy)
    >>> path = reader_path(landmarks["outflow_path"], anatomy)
    >>> chosen = Definitions(search_upstream=12.0, station_step=6.0)
    >>> curves = area_curves(lumen, path, anatomy, {"full_frame": solid}, chosen)
    >>> curves.stations.round(3).tolist(), bool(abs(curves.native_area[-1] - 100 * np.pi) < 3.2)
    ([-12.0, -6.0, -0.0], True)
    >>> bool(np.all(curves.areas["full_frame"][:2] < curves.native_area[:2]))
    True
    """
    stations = curve_stations(path, definitions)
    first = next(iter(solids.values()), None)
    for solid in solids.values():
        if (
            first is None
            or not np.allclose(solid.axis, first.axis)
            or not np.allclose(np.cross(solid.axis_point - first.axis_point, first.axis), 0.0, atol=1e-6)
        ):
            raise GeometryError("solids_differ", "the solids of one curve must share the device axis; ask plan by plan")
    if native is None:
        native = NativeSections(lumen, path, anatomy, first, definitions)
    kept, rings, rows = native.kept_at(stations)
    stack = kept.rows(rows)
    planes, solid_of = np.tile(rows, len(solids)), np.repeat(np.arange(len(solids)), len(rows))
    cut = residual_areas(kept, rings, list(solids.values()), planes, solid_of)
    areas = dict(zip(solids, cut.reshape(len(solids), len(rows)), strict=True))
    return AreaCurves(stations, counted_areas(stack, stack.native), areas, stack, lumen.status)


def curve_stations(path: OutflowPath, definitions: Definitions) -> FloatArray:
    """Stations (n,), mm, rising to 0, within the path; raises `path_too_short`."""
    step, lowest = definitions.station_step, max(-definitions.search_upstream, path.first)
    if lowest > -step:
        raise GeometryError("path_too_short", "the outflow path has no length upstream of the annulus; draw it longer")
    return -step * np.arange(math.floor(-lowest / step + 1e-9), -1, -1.0)
