"""What is drawn of one reading: outlines, planes, paths and sections as nested lists of numbers, ready for a file.

Points LPS, mm; section outlines in the (u, v) of their own plane, mm; angles in degrees.
"""

from __future__ import annotations

from dataclasses import dataclass, field

Point = list[float]
"""(3,)"""
Line = list[list[float]]
"""(n, 3), or (n, 2) in a plane."""


@dataclass(frozen=True)
class DrawnRing:
    """points : as marked, projected on the ring plane. contour, d_contour : closed outlines; normal : a unit vector."""

    points: Line
    contour: Line
    d_contour: Line | None
    center: Point
    normal: Point


@dataclass(frozen=True)
class DrawnAorta:
    """hinges : (3, 3); contour : traced, or found in the image."""

    hinges: Line | None
    contour: Line | None
    center: Point
    normal: Point


@dataclass(frozen=True)
class DrawnPlane:
    """A point and a unit normal."""

    point: Point
    normal: Point


@dataclass(frozen=True)
class DrawnSection:
    """A smallest section: station mm, area mm2 with its 95 % interval, its plane, and outlines in (u, v)."""

    station_mm: float
    area_mm2: float
    ci_low: float | None
    ci_high: float | None
    point: Point
    normal: Point
    u: Point
    v: Point
    blood: list[Line]
    device: list[Line]
    residual: list[Line]


@dataclass(frozen=True)
class DrawnPlan:
    """A device in place. profile : (station, diameter) pairs, mm; solids : where each begins and ends along the axis.

    sections : by `SOLID|method`. curve_intervals : (station, below, above), mm and mm2, by the same names.
    """

    axis_point: Point | None = None
    axis: Point | None = None
    profile: Line = field(default_factory=list)
    solids: dict[str, tuple[float, float]] = field(default_factory=dict)
    sections: dict[str, DrawnSection] = field(default_factory=dict)
    curve_intervals: dict[str, Line] = field(default_factory=dict)


@dataclass(frozen=True)
class DrawnLevel:
    """HU of blood, muscle, the edge between them and noise; contrast to noise."""

    blood_hu: float
    muscle_hu: float
    threshold_hu: float
    noise_hu: float
    contrast_to_noise: float


@dataclass(frozen=True)
class DrawnCut:
    """Where the image cuts the ventricle off: side, mm2, mm across, and in words."""

    side: str
    area_mm2: float
    across_mm: float
    message: str


@dataclass(frozen=True)
class ReadingDrawing:
    """What is drawn of one reading; a part that cannot be had is None.

    paths : points by method. edge_on : (LAO/RAO, CRA/CAU) curves, degrees, of `mitral` and `aortic`.
    """

    ring: DrawnRing | None = None
    aorta: DrawnAorta | None = None
    apex: Point | None = None
    three_chamber: DrawnPlane | None = None
    paths: dict[str, Line | None] = field(default_factory=dict)
    plans: dict[str, DrawnPlan] = field(default_factory=dict)
    edge_on: dict[str, Line | None] = field(default_factory=dict)
    level: DrawnLevel | None = None
    ventricle_cut: DrawnCut | None = None
