"""The image's own share in the error of sections, beside the reader's: noise, grain and blur at the blood edge.

Areas mm2, lengths mm. See `image.edge_noise` for the movement of the edge; here it becomes an error of each measure
that is an area, follows from one, or reaches from edge to edge, to first order.
"""

from __future__ import annotations

import math
from typing import Protocol

from outflow_geometry.base.contours import Contour
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import ImageFindings, SectionFindings, SectionNumbers


class MeasuredContext(Protocol):
    """What is asked of a reading's context."""

    @property
    def image(self) -> ImageFindings: ...
    @property
    def sections(self) -> SectionFindings | None: ...
    @property
    def image_annulus(self) -> Contour: ...
    def smallest(self, variant: str, method: str) -> SectionNumbers: ...


EDGE_VARIANCES = {"device_septum_distance": 1.0, "neo_lvot_diameter": 6.0}
"""Variance of a length of the section in variances of the edge's movement: a distance from the device ends at one
edge; a width ends at corners between edge and device, which move more than the edge (in eight noise seeds of a channel
widths by 0.24 and 0.34 mm, the distance by 0.08 mm, the edge by 0.11 mm)."""

SECTION_MEASURES = ("neo_lvot_area", "native_lvot_area", "lvot_residual_fraction", "bottleneck_area", *EDGE_VARIANCES)


def image_sd(context: MeasuredContext, measure: str, variant: str, method: str) -> float:
    """Standard deviation that the image's noise gives to a measure, in its unit; 0 where it has no blood edge.

    Also 0 where the noise cannot be measured, since there is no blood deep enough.
    """
    try:
        if measure in SECTION_MEASURES and context.sections is not None:
            return _of_section(context, measure, variant, method)
        if method == "image_edge" and (measure == "aortic_area" or (measure, variant) == ("aortic_diameter", "area")):
            contour = context.image_annulus
            sd = context.image.annulus_noise(contour.perimeter)
            # D = 2 sqrt(A / pi), so dD = dA / sqrt(pi A)
            return sd if measure == "aortic_area" else sd / math.sqrt(math.pi * contour.area)
    except GeometryError:
        return 0.0
    return 0.0


def _of_section(context: MeasuredContext, measure: str, variant: str, method: str) -> float:
    if context.sections is None:
        return 0.0
    noise = context.sections.area_noise(variant.split("/")[0], method)
    if measure in EDGE_VARIANCES:
        name = "septum_distance" if measure == "device_septum_distance" else f"diameter_{variant.split('/')[1]}"
        return math.hypot(noise.edge * math.sqrt(EDGE_VARIANCES[measure]), getattr(noise.path, name))
    if measure == "native_lvot_area":
        return math.hypot(noise.native_area, noise.path.native_area)
    if measure != "lvot_residual_fraction":
        return noise.area
    found = context.smallest(variant, method)
    # of a ratio whose parts share the edge of the smaller one (delta method)
    relative = (
        (noise.area / found.area) ** 2
        + (noise.native_area / found.native_area) ** 2
        - 2.0 * noise.area**2 / (found.area * found.native_area)
        + (noise.path.native_area / found.native_area) ** 2
    )
    return found.residual_fraction * math.sqrt(max(relative, 0.0))
