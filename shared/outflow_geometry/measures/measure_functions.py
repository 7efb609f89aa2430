"""The functions behind the registry of measures, and the context that each is given.

Lengths mm, areas mm2, volumes ml, angles degrees, percentages as in 10 for 10 %. Each function takes (context,
variant, method) and returns a number, or a number and a status word, or raises GeometryError.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from outflow_geometry.base.contours import Contour, closed_contour
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import UNTROUBLED, Draws, ImageFindings, Key, SectionFindings, SectionNumbers, Value
from outflow_geometry.base.inputs import Definitions, Plan, Prosthesis
from outflow_geometry.base.planes import least_squares_plane
from outflow_geometry.landmarks import aortic, leaflet, mitral, sizing
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.scatter.uncertainty import scatter_known

RING_TABLE_DIFFERENCE = 1.0
"""mm between a ring's inner diameter from the image and from the table, above which both need a look."""

WHOLE_FRACTION = 0.995
"""A residual fraction that tables of two decimals write as 1.00: the device takes nothing of the smallest section."""

CHANCE_DECIMALS = 4
"""Of a chance: a few hundred draws say no more about the tails of a normal distribution."""


@dataclass(frozen=True)
class ReadingContext:
    """What a measure's function is given: one reading, and one of its plans where the measure is of a plan."""

    anatomy: Anatomy
    definitions: Definitions
    image: ImageFindings
    prosthesis: Prosthesis | None = None
    plan: Plan | None = None
    sections: SectionFindings | None = None
    draws: Mapping[Key, Draws] = field(default_factory=dict)

    @cached_property
    def d_shape(self) -> mitral.DShape:
        """The ring contour cut at the trigones."""
        return mitral.d_shape(self.anatomy)

    @cached_property
    def image_annulus(self) -> Contour:
        """The lumen edge on the aortic plane."""
        return self.image.aortic_contour()

    def annulus(self, method: str) -> Contour:
        """The aortic annulus as traced by the reader or as found in the image."""
        return self.anatomy.traced_aortic_contour if method == "reader_points" else self.image_annulus

    def smallest(self, variant: str, method: str) -> SectionNumbers:
        """The smallest section of the solid that `variant` begins with."""
        if self.sections is None:
            raise GeometryError("missing_image", "sections need an image of the phase")
        return self.sections.smallest(variant.split("/")[0], method)


def _ring(context: ReadingContext, value: float) -> Value:
    return value, mitral.ring_status(context.anatomy)


def mitral_area(context: ReadingContext, variant: str, method: str) -> Value:
    return _ring(context, context.d_shape.area if variant == "d_shape" else context.anatomy.ring_contour.area)


def mitral_perimeter(context: ReadingContext, variant: str, method: str) -> Value:
    if variant == "d_shape":
        return _ring(context, context.d_shape.perimeter)
    contour = context.anatomy.ring_contour
    return _ring(context, contour.perimeter if variant == "projected" else contour.spatial_perimeter)


def mitral_diameter(context: ReadingContext, variant: str, method: str) -> Value:
    anatomy = context.anatomy
    if variant == "intertrigonal":
        return mitral.intertrigonal_distance(anatomy)
    if variant == "circle_fit":
        return mitral.circle_fit_diameter(anatomy)
    if variant == "septal_lateral":
        return _ring(context, mitral.septal_lateral_diameter(anatomy))
    if variant == "intercommissural":
        return _ring(context, mitral.intercommissural_diameter(anatomy))
    return _ring(context, _contour_diameter(anatomy.ring_contour, variant))


def _contour_diameter(contour: Contour, variant: str) -> float:
    if variant == "area":
        return mitral.area_diameter(contour.area)
    if variant == "perimeter":
        return mitral.perimeter_diameter(contour.perimeter)
    return contour.axis_diameters[0 if variant == "max" else 1]


def mitral_eccentricity(context: ReadingContext, variant: str, method: str) -> Value:
    return _ring(context, mitral.eccentricity(*context.anatomy.ring_contour.axis_diameters))


def mitral_nonplanarity(context: ReadingContext, variant: str, method: str) -> Value:
    function = mitral.nonplanarity_rms if variant == "rms" else mitral.nonplanarity_range
    return function(context.anatomy)


def ring_inner_diameter(context: ReadingContext, variant: str, method: str) -> Value:
    if context.prosthesis is None:
        raise GeometryError("missing_prosthesis", "no prosthesis is listed for the case")
    table = context.prosthesis.true_inner_diameter
    if variant == "table":
        if table is None:
            raise GeometryError("missing_true_inner_diameter", "prostheses.csv gives no true_inner_diameter_mm")
        return table
    found = context.image.ring_inner_diameter(variant)
    value, status = found if isinstance(found, tuple) else (found, "ok")
    if status == "ok" and table is not None and abs(value - table) > RING_TABLE_DIFFERENCE:
        status = "differs_from_table"
    return value, status


def _aortic(context: ReadingContext, method: str, contour: Contour, value: float) -> Value:
    """An outline read off a lumen in doubt is in doubt itself."""
    doubt = "ok" if method == "reader_points" else context.image.lumen_status()
    return value, aortic.annulus_status(context.anatomy, contour) if doubt == "ok" else doubt


def aortic_area(context: ReadingContext, variant: str, method: str) -> Value:
    contour = context.annulus(method)
    return _aortic(context, method, contour, contour.area)


def aortic_perimeter(context: ReadingContext, variant: str, method: str) -> Value:
    contour = context.annulus(method)
    return _aortic(context, method, contour, contour.perimeter)


def aortic_diameter(context: ReadingContext, variant: str, method: str) -> Value:
    contour = context.annulus(method)
    return _aortic(context, method, contour, _contour_diameter(contour, variant))


def aortic_eccentricity(context: ReadingContext, variant: str, method: str) -> Value:
    contour = context.annulus(method)
    return _aortic(context, method, contour, mitral.eccentricity(*contour.axis_diameters))


def aorto_mitral_angle(context: ReadingContext, variant: str, method: str) -> Value:
    functions = {
        "opening": aortic.opening_angle,
        "opening_three_chamber": aortic.opening_angle_three_chamber,
        "axis": aortic.axis_angle,
    }
    return functions[variant](context.anatomy), aortic.angle_status(context.anatomy)


def neo_lvot_area(context: ReadingContext, variant: str, method: str) -> Value:
    section = context.smallest(variant, method)
    return section.area, section.status


def _at_place(section: SectionNumbers, name: str) -> tuple[float, str]:
    """A number that depends on the place of the smallest section: `two_places` where a second place gives another,
    `path_unsure` where another direction of its plane does."""
    value: float = getattr(section, name)
    if section.status in UNTROUBLED and name in section.jumping:
        return value, "two_places"
    if section.status in UNTROUBLED and name in section.unsure:
        return value, "path_unsure"
    return value, section.status


def native_lvot_area(context: ReadingContext, variant: str, method: str) -> Value:
    return _at_place(context.smallest(variant, method), "native_area")


def lvot_residual_fraction(context: ReadingContext, variant: str, method: str) -> Value:
    section = context.smallest(variant, method)
    value, status = _at_place(section, "residual_fraction")
    beside = section.residual_fraction >= WHOLE_FRACTION and status in UNTROUBLED
    return value, "device_beside_section" if beside else status


def neo_lvot_station(context: ReadingContext, variant: str, method: str) -> Value:
    return _at_place(context.smallest(variant, method), "station")


def device_septum_distance(context: ReadingContext, variant: str, method: str) -> Value:
    return _at_place(context.smallest(variant, method), "septum_distance")


def neo_lvot_diameter(context: ReadingContext, variant: str, method: str) -> Value:
    name = "diameter_max" if variant.endswith("/max") else "diameter_min"
    return _at_place(context.smallest(variant, method), name)


def bottleneck_area(context: ReadingContext, variant: str, method: str) -> Value:
    if context.sections is None:
        raise GeometryError("missing_image", "sections need an image of the phase")
    return context.sections.bottleneck(variant, method)


def neo_lvot_chance_below(context: ReadingContext, variant: str, method: str) -> Value:
    solid, cutoff_id = variant.split("/", 1)
    draws = context.draws.get(("neo_lvot_area", solid, method))
    if draws is None:
        context.smallest(solid, method)  # says why, where there is no area at all
        if context.definitions.draws == 0:
            raise GeometryError("no_draws", "the study asks for no draws; set uncertainty.draws")
        if scatter_known(context.anatomy.landmarks, context.definitions.landmark_sd):
            raise GeometryError("too_few_draws", "too few redrawn readings gave an area like the reading's own")
        raise GeometryError("unknown_landmark_scatter", "no landmark scatter is known; set uncertainty.prior_sd_mm")
    area = next(c.area for c in context.definitions.cutoffs if c.cutoff_id == cutoff_id)
    return round(draws.chance_below(area), CHANCE_DECIMALS)


def traced_area(context: ReadingContext, variant: str, method: str) -> Value:
    points = context.anatomy.structure("outflow_trace")
    plane = least_squares_plane(points, "outflow_trace")
    return closed_contour(points, plane, "outflow_trace", check=context.anatomy.checked, crescent=True).area


def oversizing(context: ReadingContext, variant: str, method: str) -> Value:
    if context.plan is None:
        raise GeometryError("missing_plan", "oversizing needs a planned device")
    device = context.plan.device.nominal_diameter
    ring = context.anatomy.ring_contour
    if variant == "area":
        return _ring(context, sizing.area_oversizing(device, ring.area))
    if variant == "perimeter":
        return _ring(context, sizing.perimeter_oversizing(device, ring.perimeter))
    return _ring(context, sizing.diameter_oversizing(device, mitral.area_diameter(ring.area)))


def leaflet_length(context: ReadingContext, variant: str, method: str) -> Value:
    return leaflet.leaflet_length(context.anatomy)


def septal_thickness(context: ReadingContext, variant: str, method: str) -> Value:
    return context.image.septal_thickness()


def ring_septum_distance(context: ReadingContext, variant: str, method: str) -> Value:
    return leaflet.ring_septum_distance(context.anatomy)


def lv_volume(context: ReadingContext, variant: str, method: str) -> Value:
    return context.image.lv_volume()
