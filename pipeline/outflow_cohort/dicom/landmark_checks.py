"""Readings against the image: inside it, in LPS millimetres, and in the order that anatomy dictates.

Points LPS, mm. A reading that fails is set aside with the likely cause; nothing is corrected silently.
What rests on sizes, distances and the image sets a reading aside. What rests on the sides of the patient only
warns: a phantom or an unusual situs is measured just as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.dicom.codes import reason
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.request import CheckedReading
from outflow_geometry.image.pose import CLEAR_MM, hinge_order, opposite_axes

if TYPE_CHECKING:
    from outflow_cohort.handover.request import Reading
    from outflow_cohort.handover.volumes import VolumeEntry

INSIDE_TOLERANCE_VOXELS = 0.5
"""Half a voxel: landmarks on the outermost voxel centres count as inside."""
RING_DIAMETER_MM = (10.0, 75.0)
"""Mitral annuli and prostheses: 5-16 cm2 in Abdelghani 2017 EHJ-CVI 18:697 are 25-45 mm; widened on both sides."""
AORTIC_DIAMETER_MM = (8.0, 55.0)
"""Aortic annuli: 22.8-28.1 mm mean diameters in severe stenosis (Blanke 2014 JCCT 8:67); widened on both sides."""
RING_AORTA_MM = (5.0, 90.0)
"""Distance of the centres: the annuli are neighbours across the curtain (common practice, no source)."""
LIKELY_RING_MM = (18.0, 60.0)
"""A ring this wide after a change of units says which unit was meant."""
ESSENTIAL = ("mitral_ring", "aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non", "aortic_ring")
"""Without these inside the image nothing can be measured; a field of view that ends above the apex is only noted."""


@dataclass(frozen=True)
class ImageBox:
    """Index frame of the whole image: origin (3,), matrix (3, 3) mm per step along i, j, k, size (3,)."""

    origin: np.ndarray
    matrix: np.ndarray
    size: np.ndarray

    @classmethod
    def of_entry(cls, entry: VolumeEntry) -> ImageBox:
        """Box of an entry of volumes.json."""
        direction = np.asarray(entry.image_direction, dtype=np.float64)
        matrix = direction * np.asarray(entry.image_spacing, dtype=np.float64)
        matrix[:, 2] += direction[:, :2] @ np.asarray(entry.image_shear, dtype=np.float64)
        return cls(np.asarray(entry.image_origin, dtype=np.float64), matrix, np.asarray(entry.image_size))

    def inside(self, points: np.ndarray) -> np.ndarray:
        """Which of `points` (n, 3) are in the image."""
        index = (points - self.origin) @ np.linalg.inv(self.matrix).T
        low, high = -INSIDE_TOLERANCE_VOXELS, self.size - 1 + INSIDE_TOLERANCE_VOXELS
        result: np.ndarray = np.all((index >= low) & (index <= high), axis=1)
        return result

    def from_index(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 3) read as voxel indices i, j, k."""
        result: np.ndarray = self.origin + points @ self.matrix.T
        return result


@dataclass(frozen=True)
class Problem:
    """A code and the numbers behind it."""

    code: str
    message: str


def check_landmarks(
    case_id: str, by_volume: Sequence[tuple[VolumeEntry, Sequence[Reading]]]
) -> tuple[list[tuple[VolumeEntry, list[CheckedReading]]], list[AsideRow]]:
    """Readings that may be measured, by volume, and set_aside rows of those that may not.

    by_volume : (entry of volumes.json, readings of that phase) pairs.
    """
    passed: list[tuple[VolumeEntry, list[CheckedReading]]] = []
    refused: list[AsideRow] = []
    for entry, readings in by_volume:
        box = ImageBox.of_entry(entry)
        kept: list[CheckedReading] = []
        for reading in readings:
            problems = [*_seen_in_image(entry, reading), *reading_problems(reading.structures, box)]
            grave = [p for p in problems if reason(p.code).severity == "set_aside"]
            refused += [_aside(case_id, entry, reading, p) for p in grave[:1]]
            if not grave:
                warnings = ";".join(p.code for p in problems)
                kept.append(CheckedReading.model_construct(**dict(reading), landmark_warnings=warnings))
        passed.append((entry, kept))
    return passed, refused


def _seen_in_image(entry: VolumeEntry, reading: Reading) -> list[Problem]:
    """What the volume step saw: the points fit the image only when mirrored."""
    return [
        Problem(row.code, row.found) for row in entry.mirrored_readings if (row.reader_id, row.read_no) == reading.who
    ]


def _aside(case_id: str, entry: VolumeEntry, reading: Reading, problem: Problem) -> AsideRow:
    return AsideRow(
        case_id=case_id,
        phase_pct=entry.phase_pct if reading.phase_pct is None else reading.phase_pct,
        reader_id=reading.reader_id,
        read_no=reading.read_no,
        stage="landmarks",
        code=problem.code,
        message=f"{reading.source}: {problem.message}. {reason(problem.code).remedy}",
    )


def reading_problems(structures: dict[str, list[list[float]]], box: ImageBox) -> list[Problem]:
    """What is wrong with one reading, gravest first."""
    points = {n: np.atleast_2d(np.asarray(p, dtype=np.float64)) for n, p in structures.items() if len(p)}
    if not points:
        return []
    where = _place(points, box)
    if where is not None:
        return [where]
    problems = _anatomy(points)
    far = [n for n, p in points.items() if n not in ESSENTIAL and not np.all(box.inside(p))]
    if far:
        problems.append(Problem("partly_outside_image", f"outside the image: {', '.join(sorted(far))}"))
    return sorted(problems, key=lambda p: reason(p.code).severity != "set_aside")


def _place(points: dict[str, np.ndarray], box: ImageBox) -> Problem | None:
    """Outside the image, and which mistake of frame or unit would bring the points inside."""
    essential = np.concatenate([points[n] for n in ESSENTIAL if n in points] or list(points.values()))
    outside = int(np.sum(~box.inside(essential)))
    size = _ring_diameter(points)
    if not outside:
        if size is not None and size < RING_DIAMETER_MM[0]:
            return _unit_slip(essential, size, box)
        return None
    total = len(essential)
    slip = _unit_slip(essential, size, box)
    if slip is not None:
        return slip
    flipped = essential * np.array([-1.0, -1.0, 1.0])
    if np.all(box.inside(flipped)):
        return Problem(
            "coordinates_ras", f"{outside} of {total} points outside the image; with x and y negated all inside"
        )
    if np.all(essential >= 0) and np.all(box.inside(box.from_index(essential))) and outside > total // 2:
        return Problem(
            "coordinates_index", f"{outside} of {total} points outside the image; as voxel indices all inside"
        )
    return Problem("outside_image", f"{outside} of {total} points of ring and aorta outside the image")


def _unit_slip(essential: np.ndarray, size: float | None, box: ImageBox) -> Problem | None:
    for factor, unit in ((10.0, "centimetres"), (1000.0, "metres")):
        grown = essential * factor
        likely = size is None or LIKELY_RING_MM[0] <= size * factor <= LIKELY_RING_MM[1]
        for signs in (np.ones(3), np.array([-1.0, -1.0, 1.0])):
            if likely and np.all(box.inside(grown * signs)):
                also = "" if signs[0] > 0 else ", and as RAS rather than LPS"
                return Problem("coordinates_units", f"the points fit the image when read as {unit}{also}")
    return None


def _centre(points: dict[str, np.ndarray], name: str) -> np.ndarray | None:
    return points[name].mean(axis=0) if name in points else None


def _hinges(points: dict[str, np.ndarray]) -> np.ndarray | None:
    names = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
    if not all(name in points for name in names):
        return None
    return np.stack([points[name][0] for name in names])


def _aortic_centre(points: dict[str, np.ndarray]) -> np.ndarray | None:
    hinges = _hinges(points)
    if hinges is not None:
        centre: np.ndarray = hinges.mean(axis=0)
        return centre
    return _centre(points, "aortic_ring")


def _ring_normal(ring: np.ndarray) -> np.ndarray | None:
    if len(ring) < 3:
        return None
    normal: np.ndarray = np.linalg.svd(ring - ring.mean(axis=0))[2][2]
    return normal


def _ring_diameter(points: dict[str, np.ndarray]) -> float | None:
    """Twice the mean distance of the ring points from their centre, mm."""
    ring = points.get("mitral_ring")
    if ring is None or len(ring) < 3:
        return None
    return float(2 * np.linalg.norm(ring - ring.mean(axis=0), axis=1).mean())


def _anatomy(points: dict[str, np.ndarray]) -> list[Problem]:
    problems = _sizes(points)
    ring, apex, aorta = points.get("mitral_ring"), _centre(points, "lv_apex"), _aortic_centre(points)
    if ring is None or len(ring) < 3 or aorta is None:
        return problems
    centre = ring.mean(axis=0)
    distance = float(np.linalg.norm(aorta - centre))
    low, high = RING_AORTA_MM
    if not low <= distance <= high:
        problems.append(
            Problem("ring_aorta_distance", f"centres {distance:.1f} mm apart; {low:g} to {high:g} expected")
        )
    if apex is not None:
        problems += _apex(ring, centre, apex)
        problems += _sides(points, apex)
    return problems


def _sizes(points: dict[str, np.ndarray]) -> list[Problem]:
    problems = []
    size = _ring_diameter(points)
    low, high = RING_DIAMETER_MM
    if size is not None and not low <= size <= high:
        problems.append(Problem("ring_size_implausible", f"diameter about {size:.1f} mm; {low:g} to {high:g} expected"))
    aortic = _hinges(points)
    if aortic is None:
        aortic = points.get("aortic_ring")
    if aortic is not None and len(aortic) >= 3:
        low, high = AORTIC_DIAMETER_MM
        width = float(2 * np.linalg.norm(aortic - aortic.mean(axis=0), axis=1).mean())
        if not low <= width <= high:
            message = f"diameter about {width:.1f} mm; {low:g} to {high:g} expected"
            problems.append(Problem("aortic_size_implausible", message))
    return problems


SHORTEST_VENTRICLE_MM = 15.0
"""Height of the apex over the ring plane below which it is no apex (common practice, no source)."""


def _apex(ring: np.ndarray, centre: np.ndarray, apex: np.ndarray) -> list[Problem]:
    """The apex is far from the ring plane."""
    normal = _ring_normal(ring)
    if normal is None:
        return []
    height = float((apex - centre) @ normal)
    if abs(height) < SHORTEST_VENTRICLE_MM:
        return [Problem("apex_near_ring", f"apex {abs(height):.1f} mm from the ring plane")]
    return []


def _sides(points: dict[str, np.ndarray], apex: np.ndarray) -> list[Problem]:
    """Sides of the patient and order of the hinge names: warnings, since no measure rests on them."""
    hinges = _hinges(points)
    wrong_way = hinges is not None and hinge_order(hinges, apex) < 0
    found = list(opposite_axes(points))
    problems = []
    if found == ["x", "y"] and not wrong_way:
        problems.append(Problem("orientation_unusual", "apex right of and aorta behind the ring: looks like RAS"))
    elif found == ["x"] and wrong_way:
        problems.append(Problem("left_right_swapped", "apex right of the aorta and hinges in mirrored order"))
    elif wrong_way and "x" in found and "z" in found and "y" not in found:
        problems.append(Problem("apex_on_atrial_side", "apex right of and above the aorta, against the hinges' order"))
    elif found:
        problems.append(Problem("orientation_unusual", f"anatomy is the other way along {', '.join(found)}"))
    elif hinges is not None and (wrong_way or hinges[0][0] < hinges[2][0] - CLEAR_MM):
        order = "run the wrong way round" if wrong_way else "are shifted by one name"
        problems.append(Problem("hinges_misnamed", f"left, right and non-coronary hinge {order}"))
    return problems + _trigones(points, hinges)


def _trigones(points: dict[str, np.ndarray], hinges: np.ndarray | None) -> list[Problem]:
    """The left trigone is nearer the left hinge, the right one nearer the non-coronary hinge."""
    if hinges is None or "trigone_left" not in points or "trigone_right" not in points:
        return []
    across = hinges[0] - hinges[2]
    gap = float((points["trigone_left"][0] - points["trigone_right"][0]) @ across)
    if gap < 0:
        return [Problem("trigones_swapped", "the left trigone is on the side of the non-coronary hinge")]
    return []
