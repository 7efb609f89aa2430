"""Geometry of the left ventricular outflow tract around a catheter-borne mitral valve.

Pure NumPy/SciPy/Shapely on arrays and small frozen dataclasses. All points are in the DICOM patient
frame LPS (x to patient left, y to posterior, z to head), in mm; angles in degrees; areas in mm2.
Nothing here knows of files, studies, tables or workflow engines.

A reading is measured from its landmarks, with an image also the outflow tract:

>>> import numpy as np
>>> from outflow_geometry import ReadingInput, measure_reading
>>> t = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
>>> ring = np.stack([16.0 * np.cos(t), 14.0 * np.sin(t), np.zeros(12)], axis=1)
>>> landmarks = {"mitral_ring": ring, "lv_apex": np.array([[0.0, 0.0, -80.0]])}
>>> result = measure_reading(ReadingInput(landmarks, volume=None))
>>> area = next(v for v in result.values if (v.measure, v.variant) == ("mitral_area", "spline"))
>>> round(area.value), area.unit, area.status
(704, 'mm2', 'ok')
>>> next(v.status for v in result.values if (v.measure, v.variant) == ("mitral_area", "d_shape"))
'missing_trigone_left'

(The ellipse with semi-axes 16 and 14 mm has 703.7 mm2.) For research only, not for treating a patient.

The library is what `__all__` names; what else the modules hold serves the pipeline and may change. Names are loaded on
first use, so that importing costs nothing.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# Module that defines them -> public names.
FUNCTIONS = {
    "base.contours": ("circle_fit", "closed_contour", "polygon_area", "polygon_perimeter"),
    "base.planes": ("angle_between", "least_squares_plane", "plane_through", "triangle_angles_and_sides"),
    "base.smoothing": ("smoothed_curve",),
    "landmarks.anatomy": ("build_anatomy",),
    "landmarks.aortic": ("axis_angle", "opening_angle", "opening_angle_three_chamber"),
    "landmarks.carrying": ("carried_landmarks", "stiff_fit"),
    "landmarks.judging": ("judge_reading",),
    "landmarks.leaflet": ("curve_length", "leaflet_length", "ring_septum_distance", "septum_plane"),
    "landmarks.mitral": (
        "area_diameter",
        "circle_fit_diameter",
        "d_shape",
        "eccentricity",
        "intercommissural_diameter",
        "intertrigonal_distance",
        "nonplanarity_range",
        "nonplanarity_rms",
        "perimeter_diameter",
        "septal_lateral_diameter",
    ),
    "landmarks.sizing": ("area_oversizing", "diameter_oversizing", "fits", "perimeter_oversizing"),
    "landmarks.views": (
        "both_edge_on",
        "edge_on_cra_cau",
        "edge_on_curve",
        "frontal",
        "least_steep_edge_on",
        "reachable",
        "reading_views",
        "tilt_from_edge_on",
        "tilt_from_en_face",
        "view_angles",
        "view_direction",
    ),
    "image.chambers": ("lv_volume",),
    "image.levels": ("blood_level",),
    "image.lumen": ("outflow_lumen",),
    "image.phantom": ("straight_tract",),
    "image.ring_edges": ("ring_inner_diameter",),
    "image.septum": ("septal_thickness",),
    "outflow.bottleneck": ("bottleneck_area",),
    "outflow.centreline": ("automatic_path",),
    "outflow.edges": ("aortic_lumen_contour",),
    "outflow.outflow_path": ("path_through", "reader_path"),
    "outflow.residual": ("feret_diameters", "smallest_section"),
    "outflow.area_curves": ("area_curves",),
    "outflow.placing": ("build_solid", "build_solids", "device_axis", "device_depth", "device_profile"),
    "scatter.redrawing": ("landmark_sd",),
    "scatter.settling": ("settled_landmarks",),
    "scatter.uncertainty": ("redrawn_landmarks",),
    "measures.phases": ("end_systole", "measure_case"),
    "measures.reading": ("measure_reading",),
    "measures.registry": ("measure",),
}
"""Public functions by the module that defines them, lowest floor first."""

CLASSES = {
    "base.contours": ("Contour",),
    "base.errors": ("GeometryError",),
    "base.frames": ("Plane", "Volume"),
    "base.inputs": (
        "Cutoff",
        "Definitions",
        "Device",
        "GantryBox",
        "ImplantGrid",
        "Plan",
        "Placement",
        "Prosthesis",
        "ReadingInput",
    ),
    "base.results": ("MeasuredValue",),
    "image.levels": ("BloodLevel",),
    "image.lumen": ("Lumen", "PhaseImage"),
    "landmarks.anatomy": ("Anatomy",),
    "measures.reading": ("ReadingResult",),
    "landmarks.sizing": ("SizingTarget",),
    "outflow.outflow_path": ("OutflowPath",),
    "outflow.solids": ("Solid",),
    "scatter.redrawing": ("Read",),
}
"""What they take and give."""

_MODULES = {name: module for kind in (FUNCTIONS, CLASSES) for module, names in kind.items() for name in names}
__all__ = sorted(_MODULES)


def __getattr__(name: str) -> Any:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(_MODULES))
