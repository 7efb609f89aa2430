"""What the image of a phase says about one reading, for the measures that read it.

All points LPS, mm, float64. Everything is looked up once, on first use; what failed is not tried again.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

import numpy as np

from outflow_geometry.base.contours import Contour, closed_contour
from outflow_geometry.base.errors import GeometryError, tried_once
from outflow_geometry.base.findings import Value
from outflow_geometry.base.frames import Volume
from outflow_geometry.base.inputs import Prosthesis
from outflow_geometry.image import septum
from outflow_geometry.image.blood_edges import SMOOTHING
from outflow_geometry.image.chambers import lv_volume
from outflow_geometry.image.edge_noise import edge_noise
from outflow_geometry.image.levels import BloodLevel, blood_level
from outflow_geometry.image.lumen import OUTFLOW, Lumen, PhaseImage, outflow_lumen
from outflow_geometry.image.ring_edges import RingEdges, ring_inner_diameter
from outflow_geometry.landmarks.anatomy import Anatomy, build_anatomy
from outflow_geometry.outflow.edges import aortic_lumen_contour
from outflow_geometry.outflow.outflow_path import OutflowPath

PATH = "outflow_path"


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
        """The outflow lumen, found without the reader's outflow path; raises `missing_image`, `missing_lv_apex` and
        what the search for it raises."""
        return tried_once(self._found, "lumen", self._lumen)

    def _lumen(self) -> Lumen:
        self.anatomy.require_orientation()
        marks = {name: points for name, points in self.anatomy.landmarks.items() if name != PATH}
        return outflow_lumen(self.phase, build_anatomy(marks, checked=self.anatomy.checked), None, self.level)

    @property
    def lumen_at_path(self) -> Lumen:
        """The outflow lumen that holds the reader's outflow path."""
        return tried_once(
            self._found,
            "lumen_at_path",
            lambda: outflow_lumen(self.phase, self.anatomy, self.anatomy.structure(PATH), self.level),
        )

    def lumen_holds(self, path: OutflowPath) -> bool:
        """Whether `lumen` holds all blood through which the path runs on the outflow side."""
        try:
            lumen = self.lumen
        except GeometryError:
            return False
        territory = lumen.territory
        points, _ = path.at(np.arange(path.first, min(float(path.stations[-1]), 8.0), 0.5))
        points = points[~self.anatomy.atrial_side(points) & territory.contains(points)]
        voxels = tuple(np.round(territory.to_index(points)).astype(np.int64).T)
        strange = (lumen.distance.values[voxels] > 0.0) & (territory.values[voxels] != OUTFLOW)
        return not bool(strange.any())

    def lumen_status(self) -> str:
        """Status of the outflow lumen, which all that is read off it carries."""
        return self.lumen.status

    def annulus_noise(self, length: float) -> float:
        """Standard deviation, mm2, that the image's noise gives to an area with `length` mm of blood edge."""
        noise = tried_once(self._found, "edge_noise", lambda: edge_noise(self.lumen, SMOOTHING))
        return noise.area_sd(length)

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

    def septal_thickness(self) -> Value:
        """See `septum.septal_finding`, mm."""
        return septum.septal_finding(self.anatomy, self.phase.volume, self.level)

    def septal_thickness_of(self, anatomy: Anatomy) -> float:
        """Septal thickness, mm, by the landmarks of `anatomy`."""
        return septum.septal_thickness(anatomy, self.phase.volume, self.level)

    def lv_volume(self) -> Value:
        """Volume of the left ventricle, ml."""
        return tried_once(self._found, "lv_volume", self._lv_volume)

    def _lv_volume(self) -> Value:
        return float(lv_volume(self.phase, self.anatomy, self.level, self.lumen)), self.lumen.status
