"""The registry of measures: one entry per measure drives computing, table schema, data dictionary and captions.

Lengths mm, areas mm2, volumes ml, angles degrees, percentages as in 10 for 10 %.

To add a measure, write one function of (context, variant, method) in `measure_functions` and one entry in REGISTRY.
"""

from __future__ import annotations

from outflow_geometry.base.findings import BOTTLENECK_EVERY
from outflow_geometry.measures import measure_functions as functions
from outflow_geometry.measures.measure import Measure

RING = ("mitral_ring",)
AORTA = ("aortic_hinge_left, aortic_hinge_right, aortic_hinge_non | aortic_ring",)
POINTS = ("reader_points",)
PATHS = ("reader_path", "automatic_path")
PLAN = ("plan", "image", "mitral_ring", "lv_apex", *AORTA)
OVER_PHASES = ("SOLID/end_systole", "SOLID/mean_systole", "SOLID/min_over_phases")
SECTION_RULE = (
    "Section: where the plane at right angles to the outflow path cuts the outflow lumen outside the device; all parts "
    "of at least 5 mm2 on the aortic side of the device axis count (section_rule at_path: only the part at the path). "
    "Searched from the aortic annulus to the last plane that meets the solid, at most search_upstream_mm upstream."
)
BLANKE_2014 = "Blanke 2014, J Cardiovasc Comput Tomogr 8:67"
CONVENTION = "study definition; standard geometry"

REGISTRY: tuple[Measure, ...] = (
    Measure(
        id="mitral_area",
        variants=("spline", "d_shape"),
        unit="mm2",
        methods=POINTS,
        needs=(*RING, "trigone_left, trigone_right (d_shape)"),
        level="reading",
        function=functions.mitral_area,
        definition="Area on the least-squares plane of the ring's points, inside the closed periodic cubic spline "
        "through them; d_shape: cut at the trigones and closed by the straight line between them.",
        source="Abdelghani 2017, Eur Heart J Cardiovasc Imaging 18:697 (truncation at the trigones)",
    ),
    Measure(
        id="mitral_perimeter",
        variants=("projected", "spatial", "d_shape"),
        unit="mm",
        methods=POINTS,
        needs=(*RING, "trigone_left, trigone_right (d_shape)"),
        level="reading",
        function=functions.mitral_perimeter,
        definition="Length of the ring contour on the ring plane (projected), of the spline through the points in "
        "space (spatial), and of the D-shaped contour with its straight side (d_shape).",
        source="Abdelghani 2017, Eur Heart J Cardiovasc Imaging 18:697",
    ),
    Measure(
        id="mitral_diameter",
        variants=(
            "area",
            "perimeter",
            "max",
            "min",
            "septal_lateral",
            "intercommissural",
            "intertrigonal",
            "circle_fit",
        ),
        unit="mm",
        methods=POINTS,
        needs=(*RING, "lv_apex and aortic plane (septal_lateral, intercommissural)", "trigones (intertrigonal)"),
        level="reading",
        function=functions.mitral_diameter,
        definition="area: 2 sqrt(A/pi); perimeter: projected P/pi; max: longest chord through the area centroid, min: "
        "the chord at right angles to it; septal_lateral: chord in the three-chamber plane through the ring centre, "
        "intercommissural: the chord at right angles to it; intertrigonal: distance between the trigones in space; "
        "circle_fit: circle with the least squared distance to the points on the ring plane.",
        source=CONVENTION + "; Chernov & Lesort 2005, J Math Imaging Vis 23:239 (circle_fit)",
        extremes=("max", "min"),
    ),
    Measure(
        id="mitral_eccentricity",
        variants=("one_minus_ratio",),
        unit="1",
        methods=POINTS,
        needs=RING,
        level="reading",
        function=functions.mitral_eccentricity,
        definition="1 - min/max, of the smallest and largest diameter (variants min and max).",
        source=BLANKE_2014,
        highest=1.0,
        extremes=("one_minus_ratio",),
    ),
    Measure(
        id="mitral_nonplanarity",
        variants=("rms", "range"),
        unit="mm",
        methods=POINTS,
        needs=RING,
        level="reading",
        function=functions.mitral_nonplanarity,
        definition="Root mean square, and range, of the signed distances of the ring's points from the ring plane.",
        source=CONVENTION,
        scale="square",
    ),
    Measure(
        id="ring_inner_diameter",
        variants=("half_maximum", "ridge", "model_fit", "table"),
        unit="mm",
        methods=("image_edge", "table"),
        needs=("prosthesis", "image", *RING),
        level="reading",
        function=functions.ring_inner_diameter,
        definition="Inner diameter of the surgical ring: where the wall falls half-way to the lumen (half_maximum), "
        "ridge of the wall less half its thickness (ridge), wall convolved with the image's blur fitted to the "
        "profiles (model_fit), and the table's true inner diameter.",
        source="Edges under blur: Med Phys 2002, doi 10.1118/1.1488603; Phys Med Biol 2004, doi "
        "10.1088/0031-9155/49/10/003",
        pairs=(
            ("half_maximum", "image_edge"),
            ("ridge", "image_edge"),
            ("model_fit", "image_edge"),
            ("table", "table"),
        ),
    ),
    Measure(
        id="aortic_area",
        variants=("",),
        unit="mm2",
        methods=("reader_points", "image_edge"),
        needs=(*AORTA, "aortic_contour | image"),
        level="reading",
        function=functions.aortic_area,
        definition="Area inside the annulus outline on the aortic plane: traced by the reader, or the blood edge in "
        "the image.",
        source="SCCT 2019 expert consensus: virtual basal ring",
    ),
    Measure(
        id="aortic_perimeter",
        variants=("",),
        unit="mm",
        methods=("reader_points", "image_edge"),
        needs=(*AORTA, "aortic_contour | image"),
        level="reading",
        function=functions.aortic_perimeter,
        definition="Length of the annulus outline on the aortic plane.",
        source="SCCT 2019 expert consensus: virtual basal ring",
    ),
    Measure(
        id="aortic_diameter",
        variants=("area", "perimeter", "max", "min"),
        unit="mm",
        methods=("reader_points", "image_edge"),
        needs=(*AORTA, "aortic_contour | image"),
        level="reading",
        function=functions.aortic_diameter,
        definition="area: 2 sqrt(A/pi); perimeter: P/pi; max: longest chord through the area centroid, min: the chord "
        "at right angles to it.",
        source=CONVENTION,
        extremes=("max", "min"),
    ),
    Measure(
        id="aortic_eccentricity",
        variants=("",),
        unit="1",
        methods=("reader_points", "image_edge"),
        needs=(*AORTA, "aortic_contour | image"),
        level="reading",
        function=functions.aortic_eccentricity,
        definition="1 - min/max, of the smallest and largest diameter (variants min and max).",
        source=BLANKE_2014,
        highest=1.0,
        extremes=("",),
    ),
    Measure(
        id="aorto_mitral_angle",
        variants=("opening", "opening_three_chamber", "axis"),
        unit="deg",
        methods=POINTS,
        needs=(*RING, *AORTA, "lv_apex"),
        level="reading",
        function=functions.aorto_mitral_angle,
        definition="opening: arccos(n_a . n_m) between the downstream normals, 180 = coplanar valves; "
        "opening_three_chamber: the same after projection on the three-chamber plane; axis: 180 - opening.",
        source="Range of opening: Theriault-Lauzier 2016, EuroIntervention (129.7 +- 10.5 in systole)",
        highest=180.0,
    ),
    Measure(
        id="neo_lvot_area",
        variants=("SOLID",),
        unit="mm2",
        methods=PATHS,
        needs=PLAN,
        level="plan",
        function=functions.neo_lvot_area,
        definition="Area of the smallest section that the device leaves open in the outflow tract. " + SECTION_RULE,
        source="Reid 2021, JACC Cardiovasc Imaging 14:854",
        case_variants=OVER_PHASES,
        scale="place",
    ),
    Measure(
        id="native_lvot_area",
        variants=("SOLID",),
        unit="mm2",
        methods=PATHS,
        needs=PLAN,
        level="plan",
        function=functions.native_lvot_area,
        definition="Area of the outflow lumen in the plane of the neo-LVOT by the same rule, but without the device.",
        source=CONVENTION,
        case_variants=OVER_PHASES,
        scale="place",
        jumps=True,  # leaning planes take much from it one way and add little the other
    ),
    Measure(
        id="lvot_residual_fraction",
        variants=("SOLID",),
        unit="1",
        methods=PATHS,
        needs=PLAN,
        level="plan",
        function=functions.lvot_residual_fraction,
        definition="Share of the native area that stays open: neo_lvot_area / native_lvot_area.",
        source=CONVENTION,
        case_variants=OVER_PHASES,
        highest=1.0,
        scale="place",
        jumps=True,
    ),
    Measure(
        id="neo_lvot_station",
        variants=("SOLID",),
        unit="mm",
        methods=PATHS,
        needs=PLAN,
        level="plan",
        function=functions.neo_lvot_station,
        definition="Place of the neo-LVOT along the outflow path; 0 = aortic annulus, negative = upstream.",
        source=CONVENTION,
        case_variants=OVER_PHASES,
        lowest=None,
        least_error=0.25,  # half the default step between stations
        scale="place",
        extremes=("SOLID",),
    ),
    Measure(
        id="device_septum_distance",
        variants=("SOLID",),
        unit="mm",
        methods=PATHS,
        needs=PLAN,
        level="plan",
        function=functions.device_septum_distance,
        definition="Smallest distance in the neo-LVOT section from the device to the blood edge on the septal side, "
        "within 30 degrees of the direction to the aorta.",
        source=CONVENTION,
        case_variants=OVER_PHASES,
        scale="place",
        extremes=("SOLID",),
        jumps=True,
    ),
    Measure(
        id="neo_lvot_diameter",
        variants=("SOLID/max", "SOLID/min"),
        unit="mm",
        methods=PATHS,
        needs=PLAN,
        level="plan",
        function=functions.neo_lvot_diameter,
        definition="Largest and smallest width of the neo-LVOT section between two parallel lines, its parts together.",
        source=CONVENTION,
        scale="place",
        jumps=True,
    ),
    Measure(
        id="bottleneck_area",
        variants=("SOLID",),
        unit="mm2",
        methods=PATHS,
        needs=PLAN,
        level="plan",
        function=functions.bottleneck_area,
        definition="Area of the smallest section when the plane may also tilt by up to 30 degrees from the path's "
        "direction, at every station in range; never above neo_lvot_area.",
        source=CONVENTION,
        draws_share=1.0 / BOTTLENECK_EVERY,
        scale="place",
    ),
    Measure(
        id="neo_lvot_chance_below",
        variants=("SOLID/CUTOFF_ID",),
        unit="1",
        methods=PATHS,
        needs=PLAN,
        level="draws",
        function=functions.neo_lvot_chance_below,
        definition="Chance that the true neo_lvot_area is below the cut-off, given the scatter of the landmarks and "
        "the noise of the image.",
        source="Monte Carlo, normal: Davison & Hinkley 1997, Bootstrap Methods, section 5.2",
        highest=1.0,
    ),
    Measure(
        id="traced_area",
        variants=("projected",),
        unit="mm2",
        methods=("reader_trace",),
        needs=("outflow_trace",),
        level="reading",
        function=functions.traced_area,
        definition="Area inside the closed periodic cubic spline through the points of the reader's own neo-LVOT "
        "outline, on their least-squares plane.",
        source=CONVENTION,
    ),
    Measure(
        id="oversizing",
        variants=("area", "perimeter", "diameter"),
        unit="pct",
        methods=POINTS,
        needs=("plan", *RING),
        level="plan",
        function=functions.oversizing,
        definition="100 (device / ring - 1). The device counts as a circle of its nominal diameter; its area is "
        "compared with mitral_area spline, its perimeter with mitral_perimeter projected, its diameter with "
        "mitral_diameter area.",
        source="Denominator annulus; for circles (1 + area) = (1 + diameter)^2",
        lowest=-100.0,
    ),
    Measure(
        id="leaflet_length",
        variants=("",),
        unit="mm",
        methods=POINTS,
        needs=("anterior_leaflet",),
        level="reading",
        function=functions.leaflet_length,
        definition="Length of the curve through the anterior leaflet's points from base to tip.",
        source=CONVENTION,
    ),
    Measure(
        id="septal_thickness",
        variants=("",),
        unit="mm",
        methods=("image_edge",),
        needs=("septum", "image", *RING, *AORTA),
        level="reading",
        function=functions.septal_thickness,
        definition="Largest thickness of the septum between the blood edges of both ventricles, over the septum's "
        "points within 20 mm upstream of the aortic plane, each at right angles to the left ventricle's edge.",
        source=CONVENTION,
        extremes=("",),
        jumps=True,  # a point near the end of the basal part counts in one draw and not in the next
        # mm; the largest of a dozen places is more than few draws show: 86 % of 28 intervals held without it, 93 % with
        least_error=0.4,
        draws_share=0.2,
    ),
    Measure(
        id="ring_septum_distance",
        variants=("",),
        unit="mm",
        methods=POINTS,
        needs=(*RING, "septum"),
        level="reading",
        function=functions.ring_septum_distance,
        definition="Smallest distance from the ring contour to the least-squares plane of the septum's points.",
        source=CONVENTION,
    ),
    Measure(
        id="lv_volume",
        variants=("",),
        unit="ml",
        methods=("image_edge",),
        needs=(*RING, *AORTA, "lv_apex", "image"),
        level="reading",
        function=functions.lv_volume,
        definition="Blood of the left ventricle, from the ring and curtain planes to the aortic plane, without the "
        "papillary muscles.",
        source=CONVENTION,
    ),
)
"""Every measure, in the order of the tables."""


def measure(measure_id: str) -> Measure:
    """The registry's entry for that id; raises KeyError where there is none.

    >>> measure("mitral_area").unit, "spline" in measure("mitral_area").variants
    ('mm2', True)
    """
    return {entry.id: entry for entry in REGISTRY}[measure_id]
