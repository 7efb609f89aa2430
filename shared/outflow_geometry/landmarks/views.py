"""Views of a C-arm: edge-on, en face, and what the gantry can reach.

Directions LPS; angles in degrees: LAO(+)/RAO(-) and CRA(+)/CAU(-), the DICOM positioner primary and secondary
angles (PS3.3 C.8.7.5), which name where the image receptor is: +90 primary at the patient's left, +90
secondary at the head, 0/0 in front of the patient. They hold for a patient lying supine.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.base.inputs import GantryBox
from outflow_geometry.base.results import View
from outflow_geometry.landmarks.anatomy import Anatomy

FRONT = np.asarray([0.0, -1.0, 0.0])
"""View direction at 0/0: the receptor in front of the patient."""

PARALLEL_SINE = 1e-6
"""Sine of the angle between two normals below which every view edge-on to one is edge-on to both."""

CURVE_STEP = 1.0
"""degrees along the great circle between the points of an edge-on curve."""


def view_direction(lao_rao: ArrayLike, cra_cau: ArrayLike) -> FloatArray:
    """Direction (..., 3) from isocentre to receptor: (sin a cos b, -cos a cos b, sin b).

    Source: DICOM PS3.3 C.8.7.5 (primary angle like a longitude, secondary like a latitude).

    A receptor in front of the patient looks along -y of LPS; LAO 90 is on the left.

    >>> (view_direction(0, 0) + 0.0).tolist()
    [0.0, -1.0, 0.0]
    >>> (view_direction(90, 0).round(6) + 0.0).tolist()
    [1.0, 0.0, 0.0]
    """
    a, b = np.radians(np.asarray(lao_rao, dtype=np.float64)), np.radians(np.asarray(cra_cau, dtype=np.float64))
    result: FloatArray = np.stack([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b) + 0.0 * a], axis=-1)
    return result


def view_angles(direction: ArrayLike) -> tuple[float, float]:
    """LAO/RAO and CRA/CAU, degrees, of a direction (3,): a = atan2(d_x, -d_y), b = asin(d_z).

    >>> [round(angle, 6) for angle in view_angles(view_direction(30, -20))]
    [30.0, -20.0]
    """
    d = unit(direction)
    # atan2 with the equatorial length keeps b exact near the poles, where asin loses half its digits
    return math.degrees(math.atan2(d[0], -d[1])), math.degrees(math.atan2(d[2], math.hypot(d[0], d[1])))


def frontal(direction: ArrayLike) -> FloatArray:
    """Of `direction` and its opposite the one with the receptor in front of the patient: LAO/RAO in [-90, 90].

    >>> frontal([2.0, 1.0, 1.0]).tolist()
    [-2.0, -1.0, -1.0]
    """
    d = np.asarray(direction, dtype=np.float64)
    return d if d[1] < 0.0 or (d[1] == 0.0 and d[0] > 0.0) else -d


def edge_on_cra_cau(normal: ArrayLike, lao_rao: ArrayLike) -> FloatArray:
    """CRA/CAU (...), degrees, at which a plane of `normal` (3,) is seen edge-on from `lao_rao` (...), degrees.

    b = atan((n_y cos a - n_x sin a) / n_z), from d . n = 0. Same set as Blake et al., RSNA 2012, SSG04-09.
    Raises `edge_on_vertical` where n_z = 0: every b is edge-on at one a, and none elsewhere.

    A plane tilted by 45 degrees, seen from the front and from LAO 90:

    >>> edge_on_cra_cau([0, 1, 1], [0, 90]).round(6).tolist()
    [45.0, 0.0]
    """
    n = unit(normal)
    if n[2] == 0.0:
        raise GeometryError("edge_on_vertical", "a plane parallel to the body's long axis has no CRA/CAU by LAO/RAO")
    a = np.radians(np.asarray(lao_rao, dtype=np.float64))
    result: FloatArray = np.degrees(np.arctan((n[1] * np.cos(a) - n[0] * np.sin(a)) / n[2]))
    return result


def edge_on_curve(normal: ArrayLike, step: float = CURVE_STEP) -> FloatArray:
    """All frontal views edge-on to a plane: (n, 2) LAO/RAO and CRA/CAU, degrees, by rising LAO/RAO.

    Walks half the great circle at even steps, so that nearly vertical curves are as well sampled as flat ones.

    A level plane is edge-on from every LAO/RAO at CRA/CAU 0:

    >>> (edge_on_curve([0, 0, 1], step=90).round(6) + 0.0).tolist()
    [[-90.0, 0.0], [0.0, 0.0], [90.0, 0.0]]
    """
    n = unit(normal)
    nearest = FRONT - (FRONT @ n) * n
    start = unit(nearest) if np.linalg.norm(nearest) > PARALLEL_SINE else np.asarray([1.0, 0.0, 0.0])
    side = np.cross(n, start)
    count = round(180.0 / step)
    phi = np.radians(np.linspace(-90.0, 90.0, count + 1))[:, None]
    d = np.cos(phi) * start + np.sin(phi) * side
    lao = np.degrees(np.arctan2(d[:, 0], -d[:, 1]))
    cra = np.degrees(np.arctan2(d[:, 2], np.hypot(d[:, 0], d[:, 1])))
    order = np.lexsort((cra, lao))
    return np.stack([lao[order], cra[order]], axis=1)


def least_steep_edge_on(normal: ArrayLike) -> FloatArray:
    """Of the views edge-on to a plane, the direction (3,) at the smallest angle to the frontal view (0/0).

    Raises `edge_on_undefined` for a plane facing the front: all its edge-on views are 90 degrees away.

    A normal forward and up: the plane is edge-on from 45 degrees caudal:

    >>> round(view_angles(least_steep_edge_on([0, -1, 1]))[1], 6)
    -45.0
    """
    n = unit(normal)
    nearest = FRONT - (FRONT @ n) * n
    if np.linalg.norm(nearest) < PARALLEL_SINE:
        raise GeometryError("edge_on_undefined", "the plane faces the front; all its edge-on views are equally steep")
    return unit(nearest)


def both_edge_on(first: ArrayLike, second: ArrayLike) -> FloatArray:
    """The frontal direction (3,) in which two planes are both edge-on: +-unit(n1 x n2).

    Raises `planes_parallel` where the two are parallel: then every edge-on view of one serves both.

    A level and a frontal plane are both edge-on from the patient's left:

    >>> (both_edge_on([0, 0, 1], [0, 1, 0]) + 0.0).tolist()
    [1.0, 0.0, 0.0]
    """
    across = np.cross(unit(first), unit(second))
    if np.linalg.norm(across) < PARALLEL_SINE:
        raise GeometryError("planes_parallel", "both planes are parallel; take the edge-on view of either")
    return frontal(unit(across))


def tilt_from_edge_on(direction: ArrayLike, normal: ArrayLike) -> float:
    """Degrees by which a plane of `normal` is open in view `direction`: asin |d . n|.

    >>> [round(tilt_from_edge_on(view_direction(0, angle), [0, 0, 1]), 6) for angle in (0, 30)]
    [0.0, 30.0]
    """
    return math.degrees(math.asin(min(1.0, abs(float(unit(direction) @ unit(normal))))))


def tilt_from_en_face(direction: ArrayLike, normal: ArrayLike) -> float:
    """Degrees between the view `direction` and the plane's normal line.

    >>> round(tilt_from_en_face(view_direction(0, 30), [0, 0, 1]), 6)
    60.0
    """
    d, n = unit(direction), unit(normal)
    return math.degrees(math.atan2(float(np.linalg.norm(np.cross(d, n))), abs(float(d @ n))))


def reachable(lao_rao: float, cra_cau: float, box: GantryBox) -> bool:
    """Whether the view is inside the gantry box.

    >>> reachable(30, -20, GantryBox()), reachable(75, 0, GantryBox())
    (True, False)
    """
    return abs(lao_rao) <= box.lao_rao_limit and abs(cra_cau) <= box.cra_cau_limit


def _mitral_edge_on(anatomy: Anatomy) -> tuple[FloatArray, list[FloatArray], bool]:
    return least_steep_edge_on(anatomy.ring_plane.normal), [anatomy.ring_plane.normal], True


def _mitral_en_face(anatomy: Anatomy) -> tuple[FloatArray, list[FloatArray], bool]:
    return frontal(anatomy.ring_plane.normal), [anatomy.ring_plane.normal], False


def _aortic_edge_on(anatomy: Anatomy) -> tuple[FloatArray, list[FloatArray], bool]:
    return least_steep_edge_on(anatomy.aortic_plane.normal), [anatomy.aortic_plane.normal], True


def _both_edge_on(anatomy: Anatomy) -> tuple[FloatArray, list[FloatArray], bool]:
    normals = [anatomy.ring_plane.normal, anatomy.aortic_plane.normal]
    return both_edge_on(normals[0], normals[1]), normals, True


def _three_chamber(anatomy: Anatomy) -> tuple[FloatArray, list[FloatArray], bool]:
    return frontal(anatomy.three_chamber.normal), [anatomy.three_chamber.normal], False


VIEWS: dict[str, Callable[[Anatomy], tuple[FloatArray, list[FloatArray], bool]]] = {
    "mitral_edge_on": _mitral_edge_on,
    "mitral_en_face": _mitral_en_face,
    "aortic_edge_on": _aortic_edge_on,
    "both_edge_on": _both_edge_on,
    "three_chamber": _three_chamber,
}
"""Views of the study contract: direction, normals of the planes concerned, and whether these are edge-on."""


def reading_views(anatomy: Anatomy, supine: bool | None, box: GantryBox, *, sides_doubtful: bool = False) -> list[View]:
    """All views of one reading; without angles (status `not_supine`) where the patient was not supine.

    Where the position is not known (supine None: a volume without DICOM header, an empty PatientPosition) the angles
    have the status `position_unknown`: they hold for a supine patient. Where the landmarks may be mirrored
    (sides_doubtful) there are no angles, status `orientation_unusual`: they could be those of the mirror image.

    Source: SCCT 2019 expert consensus: where the patient was not supine, angles are not to be given.

    The ring is level: it is seen edge-on from the front. Its en-face view is out of reach:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> views = {view.view: view for view in reading_views(heart, True, GantryBox())}
    >>> abs(round(views["mitral_edge_on"].cra_cau_deg, 3)), views["mitral_edge_on"].reachable
    (0.0, True)
    >>> abs(round(views["mitral_en_face"].cra_cau_deg, 3)), views["mitral_en_face"].reachable
    (90.0, False)
    """
    status = "position_unknown" if supine is None else "ok"
    views: list[View] = []
    for name, function in VIEWS.items():
        if supine is False or sides_doubtful:
            code = "orientation_unusual" if sides_doubtful else "not_supine"
            views.append(View(view=name, status=code))
            continue
        try:
            direction, normals, edge_on = function(anatomy)
        except GeometryError as error:
            views.append(View(view=name, status=error.code))
            continue
        lao_rao, cra_cau = view_angles(direction)
        given = view_direction(lao_rao, cra_cau)
        tilt = max((tilt_from_edge_on if edge_on else tilt_from_en_face)(given, normal) for normal in normals)
        views.append(
            View(
                view=name,
                lao_rao_deg=lao_rao,
                cra_cau_deg=cra_cau,
                residual_tilt_deg=tilt,
                reachable=reachable(lao_rao, cra_cau, box),
                status=status,
            )
        )
    return views
