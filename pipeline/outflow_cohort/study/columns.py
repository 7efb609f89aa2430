"""The study's tables: their columns, kinds, units and bounds. Lengths in mm, angles in degrees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["name", "number", "integer", "choice", "text"]


@dataclass(frozen=True)
class Column:
    """A column of an input table. Bounds are wide: outside them the unit is wrong, not the patient."""

    name: str
    kind: Kind = "name"
    required: bool = False
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    meaning: str = ""


@dataclass(frozen=True)
class TableSpec:
    """An input table; `key` columns together are unique; `open` tables may have further columns."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    optional: bool = False
    open: bool = False

    def column(self, name: str) -> Column:
        """The column called `name`."""
        return next(c for c in self.columns if c.name == name)


def _mm(name: str, low: float, high: float, meaning: str, required: bool = False) -> Column:
    return Column(name=name, kind="number", required=required, unit="mm", low=low, high=high, meaning=meaning)


def _deg(name: str, meaning: str) -> Column:
    return Column(name=name, kind="number", required=False, unit="deg", low=-60, high=60, meaning=meaning)


PHASE = Column(
    name="phase_pct", kind="number", required=False, unit="% of R-R", low=0, high=100, meaning="cardiac phase"
)

TABLES: dict[str, TableSpec] = {
    "cases": TableSpec(
        "cases",
        (
            Column("case_id", required=True, meaning="pseudonym of the case"),
            Column("group", meaning="what the device is placed in"),
            Column("site", meaning="where the case comes from"),
            Column("device_id", meaning="device of the case, used where no plan names one"),
            Column("prosthesis_id", meaning="surgical valve or ring in place"),
            Column(
                name="bsa_m2", kind="number", required=False, unit="m2", low=0.2, high=4, meaning="body surface area"
            ),
        ),
        key=("case_id",),
        open=True,
    ),
    "series": TableSpec(
        "series",
        (
            Column("case_id", required=True, meaning="case"),
            Column(
                "dicom_dir",
                "text",
                meaning="folder (or zip archive) of one DICOM series; sub-folders are read, a DICOMDIR is not needed",
            ),
            Column("volume", "text", meaning="one NIfTI or MetaImage file instead"),
            PHASE,
        ),
    ),
    "landmarks": TableSpec(
        "landmarks",
        (
            Column("case_id", required=True, meaning="case"),
            PHASE,
            Column("reader_id", required=True, meaning="reader"),
            Column(
                name="read_no",
                kind="integer",
                required=True,
                unit="1",
                low=1,
                high=99,
                meaning="first, second … read by this reader",
            ),
            Column(
                name="reading_order",
                kind="integer",
                required=False,
                unit="1",
                low=1,
                high=1_000_000,
                meaning="place of the reading in the reader's own sequence; shows drift over the work",
            ),
            Column("structure", required=True, meaning="what the point marks"),
            Column(
                name="point_no",
                kind="integer",
                required=True,
                unit="1",
                low=0,
                high=100000,
                meaning="order of the points of a structure",
            ),
            _mm("x_mm", -3000, 3000, "to patient left", True),
            _mm("y_mm", -3000, 3000, "to posterior", True),
            _mm("z_mm", -3000, 3000, "to head", True),
        ),
    ),
    "plans": TableSpec(
        "plans",
        (
            Column("case_id", required=True, meaning="case"),
            Column("plan_id", required=True, meaning="plan"),
            Column("device_id", required=True, meaning="device"),
            _mm("ventricular_depth_mm", -20, 60, "outflow end below the ring plane"),
            Column("anchor", "choice", choices=("ring", "post_tips"), meaning="what the depth counts from"),
            _deg("tilt_ap_deg", "tilt in the three-chamber direction"),
            _deg("tilt_ic_deg", "tilt in the intercommissural direction"),
            _mm("offset_ap_mm", -30, 30, "offset toward the aorta"),
            _mm("offset_ic_mm", -30, 30, "offset in the intercommissural direction"),
        ),
        key=("case_id", "plan_id"),
        optional=True,
    ),
    "devices": TableSpec(
        "devices",
        (
            Column("device_id", required=True, meaning="device"),
            _mm("nominal_diameter_mm", 10, 80, "nominal outer diameter", True),
            _mm("height_mm", 4, 80, "from inflow end to outflow end", True),
            _mm("covered_from_mm", 0, 80, "start of the covered part"),
            _mm("covered_to_mm", 0, 80, "end of the covered part"),
        ),
        key=("device_id",),
        optional=True,
    ),
    "device_profiles": TableSpec(
        "device_profiles",
        (
            Column("device_id", required=True, meaning="device"),
            _mm("station_mm", 0, 80, "from the inflow end", True),
            _mm("diameter_mm", 4, 100, "outer diameter there", True),
        ),
        key=("device_id", "station_mm"),
        optional=True,
    ),
    "prostheses": TableSpec(
        "prostheses",
        (
            Column("prosthesis_id", required=True, meaning="surgical valve or ring"),
            _mm("labelled_size_mm", 10, 60, "size on its label"),
            _mm("true_inner_diameter_mm", 8, 60, "true inner diameter"),
            _mm("wall_mm", 0.05, 8, "thickness of the radio-opaque wall"),
            _mm("post_height_mm", 0, 40, "height of the posts"),
            _mm("leaflet_height_mm", 0, 40, "height of the leaflets"),
        ),
        key=("prosthesis_id",),
        optional=True,
    ),
    "sizing_targets": TableSpec(
        "sizing_targets",
        (
            Column("device_id", required=True, meaning="device"),
            Column("group", meaning="group of cases; empty = all"),
            Column("basis", "choice", True, choices=("area", "perimeter", "diameter"), meaning="what is compared"),
            Column(
                name="min_pct",
                kind="number",
                required=True,
                unit="%",
                low=-60,
                high=200,
                meaning="smallest oversizing aimed at",
            ),
            Column(
                name="max_pct",
                kind="number",
                required=True,
                unit="%",
                low=-60,
                high=200,
                meaning="largest oversizing aimed at",
            ),
        ),
        optional=True,
    ),
}


@dataclass(frozen=True)
class Structure:
    """A landmark structure of the contract: how many points it needs."""

    name: str
    least: int
    most: int | None
    meaning: str


STRUCTURES: dict[str, Structure] = {
    s.name: s
    for s in (
        Structure("mitral_ring", 3, None, "inner edge of the ring or annulus, in order around it"),
        Structure("trigone_left", 1, 1, "left fibrous trigone"),
        Structure("trigone_right", 1, 1, "right fibrous trigone"),
        Structure("aortic_hinge_left", 1, 1, "nadir of the left aortic cusp"),
        Structure("aortic_hinge_right", 1, 1, "nadir of the right aortic cusp"),
        Structure("aortic_hinge_non", 1, 1, "nadir of the non-coronary aortic cusp"),
        Structure("aortic_ring", 3, None, "base of an aortic prosthesis"),
        Structure("aortic_contour", 6, None, "traced aortic annulus"),
        Structure("lv_apex", 1, 1, "apex of the left ventricle"),
        Structure("post_tip", 3, 3, "tips of the posts of a surgical valve"),
        Structure("septum", 3, None, "endocardium of the basal septum"),
        Structure("anterior_leaflet", 2, None, "anterior mitral leaflet, base to tip"),
        Structure("outflow_path", 2, None, "centreline of the outflow tract, ventricle to aorta"),
        Structure("outflow_trace", 6, None, "the reader's own neo-LVOT outline"),
        Structure("blood_sample", 1, None, "points in contrast-filled blood"),
        Structure("muscle_sample", 1, None, "points in ventricular muscle"),
    )
}
