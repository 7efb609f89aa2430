"""The registry of measures: one entry per measure drives computing, table schema, data dictionary and captions.

Lengths mm, areas mm2, volumes ml, angles degrees, percentages as in 10 for 10 %.

To add a measure, write one function of (frame, variant, method) in `measure_functions` and one entry in REGISTRY.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from outflow_geometry.base.findings import BOTTLENECK_EVERY, Value
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.measures import measure_functions as functions
from outflow_geometry.measures.measure_functions import ReadingContext

SOLID = "SOLID"
"""Stands in a variant for each solid of the study's definitions."""
CUTOFF_ID = "CUTOFF_ID"
"""Stands in a variant for each configured cut-off."""


@dataclass(frozen=True)
class Measure:
    """One entry of the registry.

    variants : as written in the table; SOLID and CUTOFF_ID mean each of theirs.
    case_variants : variants over the phases of a case, with phase null.
    methods : where the numbers come from; `pairs` lists (variant, method) where not every method goes with every
        variant.
    needs : landmarks, `image`, `prosthesis` or `plan` without which there is no value.
    level : `reading`, `plan` (a row for each plan), or `draws` (a plan's, from its redrawn landmarks).
    lowest : smallest possible value, at which intervals end.
    extremes : variants that are the largest or smallest of many directions or places.
    draws_share : share of the draws that are evaluated, below 1 where one draw is costly.
    scale : where scatter shifts the value by the same whatever the truth, so that intervals are formed there: `plain`,
        `square` (root mean squares), or `place`: the value depends on where the smallest section is, and its interval
        is normal (`uncertainty.interval`).
    least_error : smallest standard error: what the search itself leaves open.
    """

    id: str
    variants: tuple[str, ...]
    unit: str
    methods: tuple[str, ...]
    needs: tuple[str, ...]
    level: str
    function: Callable[[ReadingContext, str, str], Value]
    definition: str
    source: str
    case_variants: tuple[str, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()
    lowest: float | None = 0.0
    highest: float | None = None
    scale: str = "plain"
    extremes: tuple[str, ...] = ()
    draws_share: float = 1.0
    least_error: float = 0.0

    def is_extreme(self, variant: str) -> bool:
        """Whether `variant` (solids filled in) is the largest or smallest of many directions or places."""
        return any(variant == e or (SOLID in e and variant.endswith(e.replace(SOLID, ""))) for e in self.extremes)

    def combinations(self, definitions: Definitions) -> list[tuple[str, str]]:
        """Every (variant, method), with solids and cut-offs filled in."""
        listed = self.pairs or tuple((variant, method) for variant in self.variants for method in self.methods)
        filled: list[tuple[str, str]] = []
        for variant, method in listed:
            solids = definitions.solids if SOLID in variant else ("",)
            cutoffs = [c.cutoff_id for c in definitions.cutoffs] if CUTOFF_ID in variant else [""]
            filled += [
                (variant.replace(SOLID, solid).replace(CUTOFF_ID, cutoff), method)
                for solid in solids
                for cutoff in cutoffs
            ]
        return filled


RING = ("mitral_ring",)
AORTA = ("aortic_hinge_left, aortic_hinge_right, aortic_hinge_non | aortic_ring",)
POINTS = ("reader_points",)
PATHS = ("reader_path", "automatic_path")
PLAN = ("plan", "image", "mitral_ring", "lv_apex", *AORTA)
OVER_PHASES = ("SOLID/end_systole", "SOLID/mean_systole", "SOLID/min_over_phases")
SECTION_RULE = (
    "Section: the plane at right angles to the outflow path, the outflow lumen in it less the device, on the aortic "
    "side of the device axis, all parts of at least 5 mm2 (section_rule at_path: the part at the path). The smallest "
    "one from the aortic annulus to the last plane that meets the solid, at most search_upstream_mm upstream."
)
BLANKE_2014 = "Blanke 2014, J Cardiovasc Comput Tomogr 8:67"
CONVENTION = "study definition; standard geometry"

REGISTRY: tuple[Measure, ...] = (
    Measure(
        "mitral_area",
        ("spline", "d_shape"),
        "mm2",
        POINTS,
        (*RING, "trigone_left, trigone_right (d_shape)"),
        "reading",
        functions.mitral_area,
        "Projected area of the closed periodic cubic spline through the ring's points on their least-squares plane; "
        "d_shape: cut at the trigones and closed by the straight line between them.",
        "Abdelghani 2017, Eur Heart J Cardiovasc Imaging 18:697 (truncation at the trigones)",
    ),
    Measure(
        "mitral_perimeter",
        ("projected", "spatial", "d_shape"),
        "mm",
        POINTS,
        (*RING, "trigone_left, trigone_right (d_shape)"),
        "reading",
        functions.mitral_perimeter,
        "Length of the ring contour on the ring plane (projected), of the spline through the points in space "
        "(spatial), and of the D-shaped contour with its straight side (d_shape).",
        "Abdelghani 2017, Eur Heart J Cardiovasc Imaging 18:697",
    ),
    Measure(
        "mitral_diameter",
        ("area", "perimeter", "max", "min", "septal_lateral", "intercommissural", "intertrigonal", "circle_fit"),
        "mm",
        POINTS,
        (*RING, "lv_apex and aortic plane (septal_lateral, intercommissural)", "trigones (intertrigonal)"),
        "reading",
        functions.mitral_diameter,
        "area: 2 sqrt(A/pi); perimeter: projected P/pi; max: longest chord through the area centroid, min: the chord "
        "at right angles to it; septal_lateral: chord in the three-chamber plane through the ring centre, "
        "intercommissural: the chord at right angles to it; intertrigonal: distance between the trigones in space; "
        "circle_fit: circle of least squared distance to the points on the ring plane.",
        CONVENTION + "; Chernov & Lesort 2005, J Math Imaging Vis 23:239 (circle_fit)",
        extremes=("max", "min"),
    ),
    Measure(
        "mitral_eccentricity",
        ("one_minus_ratio",),
        "1",
        POINTS,
        RING,
        "reading",
        functions.mitral_eccentricity,
        "1 - min/max of the diameters of those names.",
        BLANKE_2014,
        highest=1.0,
        extremes=("one_minus_ratio",),
    ),
    Measure(
        "mitral_nonplanarity",
        ("rms", "range"),
        "mm",
        POINTS,
        RING,
        "reading",
        functions.mitral_nonplanarity,
        "Root mean square, and range, of the signed distances of the ring's points from the ring plane.",
        CONVENTION,
        scale="square",
    ),
    Measure(
        "ring_inner_diameter",
        ("half_maximum", "ridge", "model_fit", "table"),
        "mm",
        ("image_edge", "table"),
        ("prosthesis", "image", *RING),
        "reading",
        functions.ring_inner_diameter,
        "Inner diameter of the surgical ring: where the wall falls half-way to the lumen (half_maximum), ridge of the "
        "wall less half its thickness (ridge), wall convolved with the image's blur fitted to the profiles "
        "(model_fit), and the table's true inner diameter.",
        "Edges under blur: Med Phys 2002, doi 10.1118/1.1488603; Phys Med Biol 2004, doi 10.1088/0031-9155/49/10/003",
        pairs=(
            ("half_maximum", "image_edge"),
            ("ridge", "image_edge"),
            ("model_fit", "image_edge"),
            ("table", "table"),
        ),
    ),
    Measure(
        "aortic_area",
        ("",),
        "mm2",
        ("reader_points", "image_edge"),
        (*AORTA, "aortic_contour | image"),
        "reading",
        functions.aortic_area,
        "Area of the annulus outline on the aortic plane, traced by the reader or the blood edge in the image.",
        "SCCT 2019 expert consensus: virtual basal ring",
    ),
    Measure(
        "aortic_perimeter",
        ("",),
        "mm",
        ("reader_points", "image_edge"),
        (*AORTA, "aortic_contour | image"),
        "reading",
        functions.aortic_perimeter,
        "Length of the annulus outline on the aortic plane.",
        "SCCT 2019 expert consensus: virtual basal ring",
    ),
    Measure(
        "aortic_diameter",
        ("area", "perimeter", "max", "min"),
        "mm",
        ("reader_points", "image_edge"),
        (*AORTA, "aortic_contour | image"),
        "reading",
        functions.aortic_diameter,
        "area: 2 sqrt(A/pi); perimeter: P/pi; max: longest chord through the area centroid, min: the chord at right "
        "angles to it.",
        CONVENTION,
        extremes=("max", "min"),
    ),
    Measure(
        "aortic_eccentricity",
        ("",),
        "1",
        ("reader_points", "image_edge"),
        (*AORTA, "aortic_contour | image"),
        "reading",
        functions.aortic_eccentricity,
        "1 - min/max of the diameters of those names.",
        BLANKE_2014,
        highest=1.0,
        extremes=("",),
    ),
    Measure(
        "aorto_mitral_angle",
        ("opening", "opening_three_chamber", "axis"),
        "deg",
        POINTS,
        (*RING, *AORTA, "lv_apex"),
        "reading",
        functions.aorto_mitral_angle,
        "opening: arccos(n_a . n_m) between the downstream normals, 180 = coplanar valves; opening_three_chamber: the "
        "same after projection on the three-chamber plane; axis: 180 - opening.",
        "Range of opening: Theriault-Lauzier 2016, EuroIntervention (129.7 +- 10.5 in systole)",
        highest=180.0,
    ),
    Measure(
        "neo_lvot_area",
        ("SOLID",),
        "mm2",
        PATHS,
        PLAN,
        "plan",
        functions.neo_lvot_area,
        "Area of the smallest section of the outflow lumen left by the device. " + SECTION_RULE,
        "Reid 2021, JACC Cardiovasc Imaging 14:854",
        OVER_PHASES,
        scale="place",
    ),
    Measure(
        "native_lvot_area",
        ("SOLID",),
        "mm2",
        PATHS,
        PLAN,
        "plan",
        functions.native_lvot_area,
        "Area of the outflow lumen without the device, in the plane of the neo-LVOT and by the same rule.",
        CONVENTION,
        OVER_PHASES,
        scale="place",
    ),
    Measure(
        "lvot_residual_fraction",
        ("SOLID",),
        "1",
        PATHS,
        PLAN,
        "plan",
        functions.lvot_residual_fraction,
        "neo_lvot_area / native_lvot_area.",
        CONVENTION,
        OVER_PHASES,
        highest=1.0,
        scale="place",
    ),
    Measure(
        "neo_lvot_station",
        ("SOLID",),
        "mm",
        PATHS,
        PLAN,
        "plan",
        functions.neo_lvot_station,
        "Place of the neo-LVOT along the outflow path; 0 = aortic annulus, negative = upstream.",
        CONVENTION,
        OVER_PHASES,
        lowest=None,
        least_error=0.25,  # half the default step between stations
        scale="place",
        extremes=("SOLID",),
    ),
    Measure(
        "device_septum_distance",
        ("SOLID",),
        "mm",
        PATHS,
        PLAN,
        "plan",
        functions.device_septum_distance,
        "Smallest distance from device to lumen wall in the neo-LVOT section.",
        CONVENTION,
        OVER_PHASES,
        scale="place",
        extremes=("SOLID",),
    ),
    Measure(
        "neo_lvot_diameter",
        ("SOLID/max", "SOLID/min"),
        "mm",
        PATHS,
        PLAN,
        "plan",
        functions.neo_lvot_diameter,
        "Largest and smallest diameter of the neo-LVOT section.",
        CONVENTION,
        scale="place",
    ),
    Measure(
        "bottleneck_area",
        ("SOLID",),
        "mm2",
        PATHS,
        PLAN,
        "plan",
        functions.bottleneck_area,
        "Smallest section over plane orientations within 30 degrees of the path's direction at every station in "
        "range; never above neo_lvot_area.",
        CONVENTION,
        draws_share=1.0 / BOTTLENECK_EVERY,
        scale="place",
    ),
    Measure(
        "neo_lvot_chance_below",
        ("SOLID/CUTOFF_ID",),
        "1",
        PATHS,
        PLAN,
        "draws",
        functions.neo_lvot_chance_below,
        "Chance that the true neo_lvot_area is below the cut-off, given the scatter of the landmarks.",
        "Monte Carlo, normal: Davison & Hinkley 1997, Bootstrap Methods, section 5.2",
        highest=1.0,
    ),
    Measure(
        "traced_area",
        ("projected",),
        "mm2",
        ("reader_trace",),
        ("outflow_trace",),
        "reading",
        functions.traced_area,
        "Area of the closed periodic cubic spline through the reader's own neo-LVOT outline on its least-squares "
        "plane.",
        CONVENTION,
    ),
    Measure(
        "oversizing",
        ("area", "perimeter", "diameter"),
        "pct",
        POINTS,
        ("plan", *RING),
        "plan",
        functions.oversizing,
        "100 (device / ring - 1): nominal circle over mitral_area spline; its perimeter over mitral_perimeter "
        "projected; nominal diameter over mitral_diameter area.",
        "Denominator annulus; for circles (1 + area) = (1 + diameter)^2",
        lowest=-100.0,
    ),
    Measure(
        "leaflet_length",
        ("",),
        "mm",
        POINTS,
        ("anterior_leaflet",),
        "reading",
        functions.leaflet_length,
        "Length of the curve through the anterior leaflet's points from base to tip.",
        CONVENTION,
    ),
    Measure(
        "septal_thickness",
        ("",),
        "mm",
        ("image_edge",),
        ("septum", "image", *RING, *AORTA),
        "reading",
        functions.septal_thickness,
        "Largest thickness of the septum between the blood edges of both ventricles, over the septum's points within "
        "20 mm upstream of the aortic plane, each at right angles to the left ventricle's edge.",
        CONVENTION,
        extremes=("",),
        # mm; the largest of a dozen places is more than few draws show: 86 % of 28 intervals held without it, 93 % with
        least_error=0.4,
        draws_share=0.2,
    ),
    Measure(
        "ring_septum_distance",
        ("",),
        "mm",
        POINTS,
        (*RING, "septum"),
        "reading",
        functions.ring_septum_distance,
        "Smallest distance from the ring contour to the least-squares plane of the septum's points.",
        CONVENTION,
    ),
    Measure(
        "lv_volume",
        ("",),
        "ml",
        ("image_edge",),
        (*RING, "lv_apex", "image"),
        "reading",
        functions.lv_volume,
        "Blood of the left ventricle below the ring plane and upstream of the aortic plane.",
        CONVENTION,
    ),
)
"""Every measure, in the order of the tables."""


def measure(measure_id: str) -> Measure:
    """The registry's entry of that id; KeyError where there is none.

    >>> measure("mitral_area").unit, "spline" in measure("mitral_area").variants
    ('mm2', True)
    """
    return {entry.id: entry for entry in REGISTRY}[measure_id]
