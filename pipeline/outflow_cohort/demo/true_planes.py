"""True values that need no section: ring, annulus, angles, views, septum, volume. Local coordinates, mm.

Closed forms where there are any; else quadrature of the closed-form curves (20,000 nodes) or of the implicit
chambers (0.5 mm, cells cut by the edge counted in part),
far finer than the tolerances of any check.
"""

from __future__ import annotations

import numpy as np
import shapely
from scipy.optimize import least_squares
from scipy.special import ellipe

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.shapes import Array

NODES = 20_000
VOLUME_STEP = 0.5
"""Samples around a closed curve; mm between samples of the ventricle."""

VOLUME_BLOCK, VOLUME_MARGIN = 4, 1.8
"""Samples along the side of a block; sides of a block from the edge beyond which it counts whole: twice its half
diagonal, since distances are true to first order only."""

Value = tuple[str, str, float, str]
"""Measure, variant, value, unit."""


def _length(points: Array) -> float:
    return float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())


def _area(flat: Array) -> float:
    following = np.roll(flat, -1, axis=0)
    return 0.5 * abs(float(np.sum(flat[:, 0] * following[:, 1] - flat[:, 1] * following[:, 0])))


def ring_values(heart: HeartPhase) -> list[Value]:
    """Ring contour: area, perimeters, diameters, departure from its plane."""
    ring, case = heart.ring, heart.case
    curve = ring.points(np.arange(NODES) * (2 * np.pi / NODES))
    flat = curve[:, :2]
    trigone = np.radians(case.trigone_angle)
    posterior = ring.points(np.linspace(trigone, 2 * np.pi - trigone, NODES))
    perimeter, d_perimeter = _length(flat), _length(posterior[:, :2])
    outline = shapely.Polygon(flat)

    def chord(direction: Array) -> float:
        end = 100.0 * direction / np.linalg.norm(direction)
        return float(outline.intersection(shapely.LineString([-end, end])).length)

    angle = np.arctan2(flat[:, 1], flat[:, 0])
    order = np.argsort(angle)
    radius = np.hypot(flat[:, 0], flat[:, 1])[order]
    grid = np.linspace(-np.pi, np.pi, 7200, endpoint=False)
    radii = np.interp(grid, angle[order], radius, period=2 * np.pi)
    chords = radii[:3600] + radii[3600:]
    longest = grid[int(np.argmax(chords))]
    shortest = chord(np.array([-np.sin(longest), np.cos(longest)]))
    apex = heart.apex
    across = np.cross(heart.aortic_center, apex)
    septal = np.cross(across, [0.0, 0.0, 1.0])[:2]
    lateral = np.array([-septal[1], septal[0]])
    points = ring.even_points()
    between = float(np.linalg.norm(np.subtract(*ring.points([-trigone, trigone]))))
    fit = least_squares(
        lambda p: np.hypot(points[:, 0] - p[0], points[:, 1] - p[1]) - p[2], [0.0, 0.0, ring.radius], xtol=1e-14
    )
    area = ring.area
    values: list[Value] = [
        ("mitral_area", "spline", area, "mm2"),
        ("mitral_area", "d_shape", _area(posterior[:, :2]), "mm2"),
        ("mitral_perimeter", "projected", perimeter, "mm"),
        ("mitral_perimeter", "spatial", _length(curve), "mm"),
        ("mitral_perimeter", "d_shape", d_perimeter, "mm"),
        ("mitral_diameter", "area", 2.0 * float(np.sqrt(area / np.pi)), "mm"),
        ("mitral_diameter", "perimeter", perimeter / np.pi, "mm"),
        ("mitral_diameter", "max", float(chords.max()), "mm"),
        ("mitral_diameter", "min", shortest, "mm"),
        ("mitral_diameter", "septal_lateral", chord(septal), "mm"),
        ("mitral_diameter", "intercommissural", chord(lateral), "mm"),
        ("mitral_diameter", "intertrigonal", between, "mm"),
        ("mitral_diameter", "circle_fit", 2.0 * float(fit.x[2]), "mm"),
        ("mitral_eccentricity", "one_minus_ratio", 1.0 - shortest / float(chords.max()), "1"),
        ("mitral_nonplanarity", "rms", float(np.sqrt(np.mean(points[:, 2] ** 2))), "mm"),
        ("mitral_nonplanarity", "range", float(np.ptp(points[:, 2])), "mm"),
    ]
    if case.implant.kind != "none":
        inner = 2.0 * float(np.sqrt(area / np.pi))
        values += [("ring_inner_diameter", v, inner, "mm") for v in ("half_maximum", "ridge", "model_fit", "table")]
    return values


def aortic_values(heart: HeartPhase) -> list[Value]:
    """The annulus ellipse, and the angle between both valve planes."""
    ru, rv = sorted(heart.annulus_axes)
    # perimeter of an ellipse: 4 a E(1 - b²/a²), DLMF 19.30.5
    perimeter = 4.0 * rv * float(ellipe(1.0 - (ru / rv) ** 2))
    apex = heart.apex
    across = np.cross(heart.aortic_center, apex)
    across = across / np.linalg.norm(across)
    normals = [np.array([0.0, 0.0, 1.0]), heart.aortic_axes[2]]
    flat = [n - (n @ across) * across for n in normals]
    cosine = float(flat[0] @ flat[1] / np.linalg.norm(flat[0]) / np.linalg.norm(flat[1]))
    return [
        ("aortic_area", "", float(np.pi * ru * rv), "mm2"),
        ("aortic_perimeter", "", perimeter, "mm"),
        ("aortic_diameter", "area", 2.0 * float(np.sqrt(ru * rv)), "mm"),
        ("aortic_diameter", "perimeter", perimeter / float(np.pi), "mm"),
        ("aortic_diameter", "max", 2.0 * rv, "mm"),
        ("aortic_diameter", "min", 2.0 * ru, "mm"),
        ("aortic_eccentricity", "", 1.0 - ru / rv, "1"),
        ("aorto_mitral_angle", "opening", heart.opening, "deg"),
        ("aorto_mitral_angle", "opening_three_chamber", float(np.degrees(np.arccos(cosine))), "deg"),
        ("aorto_mitral_angle", "axis", 180.0 - heart.opening, "deg"),
    ]


def _front(direction: Array) -> Array:
    return direction if direction[1] < 0.0 else -direction


def view_values(heart: HeartPhase) -> list[Value]:
    """C-arm angles: a = atan2(d_x, -d_y), b = asin(d_z) of the direction d to the receptor (DICOM PS3.3 C.8.7.5)."""
    ring = heart.axes[2]
    aorta = heart.aortic_axes[2] @ heart.axes
    apex = heart.apex
    chamber = np.cross(heart.aortic_center, apex) @ heart.axes
    front = np.array([0.0, -1.0, 0.0])
    directions = {
        "mitral_edge_on": front - (front @ ring) * ring,
        "mitral_en_face": _front(ring),
        "aortic_edge_on": front - (front @ aorta) * aorta,
        "both_edge_on": _front(np.cross(ring, aorta)),
        "three_chamber": _front(chamber),
    }
    values: list[Value] = []
    for name, direction in directions.items():
        d = direction / np.linalg.norm(direction)
        values.append((f"view:{name}", "lao_rao_deg", float(np.degrees(np.arctan2(d[0], -d[1]))), "deg"))
        values.append((f"view:{name}", "cra_cau_deg", float(np.degrees(np.arcsin(d[2]))), "deg"))
    return values


def septal_values(heart: HeartPhase) -> list[Value]:
    """Distance from ring to the septum's plane, septal thickness where the right heart shows, leaflet length."""
    points = heart.to_local(true_landmarks(heart)["septum"])
    center = points.mean(axis=0)
    normal = np.linalg.svd(points - center)[2][2]
    if (0.0 - center) @ normal > 0.0:
        normal = -normal
    curve = heart.ring.points(np.arange(NODES) * (2 * np.pi / NODES)) * np.array([1.0, 1.0, 0.0])
    distance = float((-(curve - center) @ normal).min())
    values: list[Value] = []
    if distance >= 0.0:
        values.append(("ring_septum_distance", "", distance, "mm"))
    if heart.case.implant.kind != "bioprosthesis":
        values.append(("leaflet_length", "", heart.case.leaflet_length, "mm"))
    return values


def ventricle_volume(heart: HeartPhase) -> float:
    """Blood of the ventricle between ring plane, curtain and aortic plane, ml."""
    from outflow_cohort.demo.true_sections import TrueOutflow

    outflow = TrueOutflow(heart)
    rx, ry, _, shift = heart.lv_axes
    size = VOLUME_BLOCK * VOLUME_STEP
    x = np.arange(shift - rx - 8.0, shift + rx + 26.0 + size, size)
    y = np.arange(-ry - 8.0, ry + 12.0 + size, size)

    def inside(points: np.ndarray) -> np.ndarray:
        above = (points - heart.aortic_center) @ heart.aortic_axes[2]
        result: np.ndarray = np.maximum(outflow.lumen(points), above)
        return result

    # blocks far from any edge count whole; only the others are cut into cells
    cell = (np.arange(VOLUME_BLOCK) - 0.5 * (VOLUME_BLOCK - 1)) * VOLUME_STEP
    cells = np.stack(np.meshgrid(cell, cell, cell, indexing="ij"), axis=-1).reshape(-1, 3)
    total = 0.0
    for h in np.arange(-8.25, heart.lv_length + 2.0 + size, size):
        points = np.stack(np.meshgrid(x, y, [h], indexing="ij"), axis=-1).reshape(-1, 3)
        coarse = inside(points)
        near = np.abs(coarse) < VOLUME_MARGIN * size
        total += float(np.count_nonzero(coarse[~near] < 0.0)) * VOLUME_BLOCK**3
        # a cell counts by the share of its height that the nearest edge leaves: exact for flat edges
        fine = inside(points[near][:, None] + cells)
        total += float(np.clip(0.5 - fine / VOLUME_STEP, 0.0, 1.0).sum())
    return total * VOLUME_STEP**3 / 1000.0
