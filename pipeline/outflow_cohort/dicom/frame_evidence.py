"""Whether the image says that a reading's coordinates are mirrored: blood where the mirrored points lie, none here.

Points LPS, mm; HU. Sides of the patient alone cannot tell (a phantom may lie any way), the image can: the centres of
the ring and the aortic annulus and a point below the ring lie in enhanced blood in a sound reading.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from outflow_cohort.dicom.volume import Grid, ReadRegion, Region

Row = dict[str, Any]
BALL_MM = 2.5
"""Radius of the ball around a point whose median HU counts."""
TOWARD_APEX = 0.3
"""Share of the way from ring centre to apex: inside the ventricle in any phase."""
SURELY_BLOOD_HU = 150.0
NO_BLOOD_HU = 100.0
"""Enhanced blood is above 200 HU in any usable series (see QualitySettings), muscle and lung below 100."""
MIRRORS: dict[str, tuple[float, float, float]] = {
    "coordinates_ras": (-1.0, -1.0, 1.0),
    "left_right_swapped": (-1.0, 1.0, 1.0),
}
ReadBox = Callable[[Region], ReadRegion]


def probe_points(structures: dict[str, list[list[float]]]) -> np.ndarray | None:
    """(3, 3) points that lie in blood: ring centre, aortic centre, a point below the ring; None without them."""
    ring, apex = structures.get("mitral_ring"), structures.get("lv_apex")
    hinges = [structures.get(f"aortic_hinge_{name}") for name in ("left", "right", "non")]
    aortic = [h[0] for h in hinges if h] if all(hinges) else structures.get("aortic_ring")
    if not ring or not apex or not aortic:
        return None
    centre, tip = np.mean(ring, axis=0), np.asarray(apex[0], dtype=np.float64)
    return np.stack([centre, np.mean(aortic, axis=0), centre + TOWARD_APEX * (tip - centre)])


def mirrored_as(structures: dict[str, list[list[float]]], grid: Grid, read_box: ReadBox) -> str | None:
    """Code of the mirror image in which all probe points lie in blood, where as given at least two do not."""
    points = probe_points(structures)
    if points is None:
        return None
    given = _blood_hu(points, grid, read_box)
    if sum(hu is None or hu < NO_BLOOD_HU for hu in given) < 2:
        return None
    found = []
    for code, signs in MIRRORS.items():
        there = _blood_hu(points * np.array(signs), grid, read_box)
        if all(hu is not None and hu >= SURELY_BLOOD_HU for hu in there):
            found.append(code)
    return found[0] if len(found) == 1 else None


def _blood_hu(points: np.ndarray, grid: Grid, read_box: ReadBox) -> list[float | None]:
    """Median HU around each point; None outside the image."""
    result: list[float | None] = []
    for point in points:
        index = grid.to_index(point)[0]
        if np.any(index < 0) or np.any(index > np.array(grid.size) - 1):
            result.append(None)
            continue
        box = grid.around(point[None], BALL_MM, 0)
        result.append(None if box is None else float(np.median(read_box(box).values)))
    return result
