"""What the image of a phase tells about one reading, for the measures that read it.

All points LPS, mm, float64. Everything is looked up once, on first use; what could not be had is not tried again.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

from outflow_geometry.base.contours import Contour, closed_contour
from outflow_geometry.base.errors import GeometryError, tried_once
from outflow_geometry.base.findings import Value
from outflow_geometry.base.frames import Volume
from outflow_geometry.base.inputs import Prosthesis
from outflow_geometry.image import septum
from outflow_geometry.image.chambers import lv_volume
from outflow_geometry.image.levels import BloodLevel, blood_level
from outflow_geometry.image.lumen import Lumen, PhaseImage, outflow_lumen
from outflow_geometry.image.ring_edges import RingEdges, ring_inner_diameter
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.edges import aortic_lumen_contour


@dataclass(frozen=True)
class PhaseFindings:
    """Findings of one reading in its own image (`image` None: every finding is refused with `missing_image`).

    ring_volume : the image around the ring at the scanner's own resolution; None = that of `image`.
    """

    image: PhaseImage | None
    anatomy: Anatomy
    prosthesis: Prosthesis | None = None
    ring_volume: Volume | None = None
    _found: dict[Hashable, object] = field(default_factory=dict)

    @property
    def phase(self) -> PhaseImage:
        """The image; raises `missing_image`."""
        if self.image is None:
            raise GeometryError("missing_image", "the phase has no image; list its series")
        return self.image

    @property
    def level(self) -> BloodLevel:
        """Blood and muscle level of the reading."""
        return tried_once(self._found, "level", lambda: blood_level(self.phase, self.anatomy))

    @property
    def lumen(self) -> Lumen:
        """The outflow lumen; raises `missing_image`, `missing_lv_apex` and what the search for it raises."""
        return tried_once(self._found, "lumen", self._lumen)

    def _lumen(self) -> Lumen:
        self.anatomy.require_orientation()
        seeds = self.anatomy.structure("outflow_path") if self.anatomy.has("outflow_path") else None
        return outflow_lumen(self.phase, self.anatomy, seeds, self.level)

    def aortic_contour(self) -> Contour:
        """The blood edge on the aortic plane."""
        return tried_once(self._found, "aortic_contour", self._aortic_contour)

    def _aortic_contour(self) -> Contour:
        points = aortic_lumen_contour(self.phase, self.anatomy, self.level, self.lumen)
        return closed_contour(points, self.anatomy.aortic_plane, "aortic lumen edge", check=False)

    @property
    def ring_edges(self) -> RingEdges:
        """Inner diameter of the surgical ring by each method."""
        return tried_once(self._found, "ring_edges", self._ring_edges)

    def _ring_edges(self) -> RingEdges:
        wall = self.prosthesis.wall if self.prosthesis is not None else None
        volume = self.phase.volume if self.ring_volume is None else self.ring_volume
        return ring_inner_diameter(volume, self.anatomy, wall, self.level)

    def ring_inner_diameter(self, variant: str) -> Value:
        """Inner diameter, mm, and status, by `half_maximum`, `ridge` or `model_fit`."""
        edges = self.ring_edges
        value, status = getattr(edges, variant), edges.status_of(variant)
        if value is None:
            raise GeometryError(edges.status, f"no {variant} diameter of the ring: {edges.status}")
        return float(value), status

    def septal_thickness(self) -> float:
        """See `septum.septal_thickness`, mm."""
        return self.septal_thickness_of(self.anatomy)

    def septal_thickness_of(self, anatomy: Anatomy) -> float:
        """Septal thickness, mm, by the landmarks of `anatomy`."""
        return septum.septal_thickness(anatomy, self.phase.volume, self.level)

    def lv_volume(self) -> Value:
        """Volume of the left ventricle, ml."""
        return tried_once(
            self._found, "lv_volume", lambda: float(lv_volume(self.phase, self.anatomy, self.level, self.lumen))
        )
