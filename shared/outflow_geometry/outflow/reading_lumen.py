"""Outflow lumen and reader's path of one reading, found once, on first use, and shared by its plans.

All points LPS, mm, float64.
"""

from __future__ import annotations

from collections.abc import Hashable, Set
from dataclasses import dataclass, field

from outflow_geometry.base.errors import tried_once
from outflow_geometry.image.edge_noise import EdgeNoise, edge_noise
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.outflow_path import OutflowPath, reader_path_and_course
from outflow_geometry.outflow.path_course import PathCourse
from outflow_geometry.outflow.potential_flow import FlowGround

BLUR_STEP = 0.1
"""mm; the image's blur is taken to this step for the noise at its edges, which then differs by a tenth at most."""


@dataclass(frozen=True)
class ReadingLumen:
    """Outflow lumen and reader's path of one reading, shared by its plans.

    path_scatter : scatter of the points of the reader's path, mm per coordinate; 0 = not known.
    """

    findings: PhaseFindings
    path_scatter: float = 0.0
    _found: dict[Hashable, object] = field(default_factory=dict)

    @property
    def anatomy(self) -> Anatomy:
        """The reading's anatomy."""
        return self.findings.anatomy

    @property
    def kept(self) -> dict[Hashable, object]:
        """What plans of the reading share, found on first use."""
        return self._found

    def forget_automatic_paths(self, kept: Set[Hashable]) -> None:
        """Let go of automatic paths and of sections along them that came after those `kept`: they are large."""
        for key in set(self._found) - kept:
            if isinstance(key, tuple) and (key[0] == "path" or (key[0] == "native" and key[1] != ())):
                del self._found[key]

    def lumen(self, method: str) -> Lumen:
        """The outflow lumen for the sections along the path of `method`.

        The automatic path's is found without the reader's path, and the reader's path has the same one unless it runs
        through blood that this lumen leaves out.
        """
        findings = self.findings
        if method != "reader_path":
            return findings.lumen
        holds = tried_once(self._found, "holds", lambda: findings.lumen_holds(self.reader_path))
        return findings.lumen if holds else findings.lumen_at_path

    def edge_noise(self, method: str, blur: float) -> EdgeNoise:
        """How far noise moves the edges of that lumen; blur : of the image, found at edges of that lumen, mm.

        Found once per step of blur, so that no plan or path gives its own blur to the next.
        """
        lumen, near = self.lumen(method), BLUR_STEP * round(blur / BLUR_STEP)
        return tried_once(self._found, ("edge_noise", id(lumen), near), lambda: edge_noise(lumen, near))

    @property
    def ground(self) -> FlowGround:
        """What the flows around all devices of the reading share."""
        return tried_once(self._found, "ground", lambda: FlowGround.of(self.findings.lumen, self.anatomy))

    @property
    def reader_course(self) -> PathCourse:
        """How the reader's path follows from its clicks, and what they leave open; raises as `reader_path`."""
        return self._drawn[1]

    @property
    def reader_path(self) -> OutflowPath:
        """The reader's own path; raises `missing_outflow_path`."""
        return self._drawn[0]

    @property
    def _drawn(self) -> tuple[OutflowPath, PathCourse]:
        return tried_once(
            self._found,
            "drawn",
            lambda: reader_path_and_course(self.anatomy.structure("outflow_path"), self.anatomy, self.path_scatter),
        )
