"""Whether landmarks lie in the image as a heart's landmarks do, or as their mirror images would.

All points LPS, mm; HU. Two witnesses: the order of the landmarks among themselves (the apex of a heart is left of
and below its aortic annulus, the annulus before the mitral ring) beside how the chest is turned in the image; and the
blood at the places that must be in it, for the landmarks as given and for their mirror images. Neither depends on
where the heart is in the scanner. Limits: common anatomy, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.image.orientation import AXES, Axis, ImageOrientation

CLEAR_MM = 5.0
"""Distance by which a point must be on the wrong side of another before it is called unusual."""
HINGES = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
INSIDE = (0.25, 0.4, 0.5, 0.6)
"""Shares of the way from ring centre to apex that are in the ventricle, below the leaflets of a closed valve."""
ATRIUM_MM = 10.0
"""How far behind the ring plane the atrium is asked: a closed valve, a ring or a stent is in the plane itself."""
ROOT_MM = (-6.0, 0.0, 8.0, 14.0)
"""Places along the aortic axis, downstream of the annulus positive, that are in outflow tract and root."""
MUSCLE_HU = 60.0
"""Level of muscle where blood is compared with it."""
LEAST_GAIN = 0.25
"""How much more of the places must be in blood for the mirror image, where the landmarks' own order says so too."""
WELL_SEATED = 0.9
BADLY_SEATED = 0.4
"""Shares of the places in blood of the mirror image and of the landmarks as given that need no other witness."""
REFUTES = 0.7
"""Share of the places in blood with which landmarks in a person's order refute an inverted image."""
MIRRORS: dict[str, tuple[Axis, ...]] = {"coordinates_ras": ("x", "y"), "coordinates_mirrored": ("x",)}


@dataclass(frozen=True)
class PoseFinding:
    """What is wrong with how a reading is placed in its image.

    code : image_orientation, coordinates_ras or coordinates_mirrored. number, bound : share of places in blood, or the
    count of votes, and what it may be; unit 1.
    """

    code: str
    axes: tuple[Axis, ...]
    number: float
    bound: float
    message: str


def pose_finding(
    points: Mapping[str, FloatArray], image: ImageOrientation, volume: Volume | None = None
) -> PoseFinding | None:
    """The finding of one reading, or None.

    points : structures of the study contract, (n, 3) each. image : votes of the whole image. volume : the image around
    the heart, at any spacing up to some 6 mm; without it the blood is not asked.
    """
    inverted, odd = image.inverted, opposite_axes(points)
    if inverted and not (odd == () and volume is not None and share_in_blood(points, volume) >= REFUTES):
        # Landmarks in the order of a person that are in blood refute it: then what looked like a spine is none.
        score = float(sum(image.score(axis) for axis in inverted))
        return PoseFinding(
            "image_orientation", inverted, score, -2.0,
            f"the chest in the image is the other way round along {', '.join(inverted)}: {image.reasons(inverted)}",
        )  # fmt: skip
    for code, axes in MIRRORS.items():
        consistent = _handed_as(points, axes)
        if (
            odd == axes
            and consistent
            and any(a in image.upright for a in axes)
            and all(image.score(a) >= 0 for a in axes)
        ):
            score = float(sum(image.score(axis) for axis in axes))
            return PoseFinding(
                code, axes, score, 1.0,
                f"the landmarks lie the other way round along {', '.join(axes)}, the chest in the image does not: "
                f"{image.reasons(axes)}",
            )  # fmt: skip
    return None if volume is None else _seated_mirrored(points, volume)


def may_be_mirrored(points: Mapping[str, FloatArray]) -> bool:
    """Whether the landmarks' own order is that of a person's in another frame (x and y, or x alone, negated)."""
    odd = opposite_axes(points)
    return any(odd == axes and _handed_as(points, axes) for axes in MIRRORS.values())


def _handed_as(points: Mapping[str, FloatArray], axes: tuple[Axis, ...]) -> bool:
    """Whether the hinges run as they would with these axes negated: negating one axis turns their order round."""
    return hinges_wrong_way(points) in (None, len(axes) % 2 == 1)


def opposite_axes(points: Mapping[str, FloatArray]) -> tuple[Axis, ...]:
    """Axes along which the landmarks lie clearly the other way round than in a person; () where they do not, or ring,
    apex or aortic points are missing."""
    ring, apex, aortic = points.get("mitral_ring"), points.get("lv_apex"), aortic_points(points)
    if ring is None or apex is None or aortic is None or not len(ring) or not len(apex):
        return ()
    centre, tip, aorta = np.mean(ring, axis=0), np.asarray(apex)[0], np.mean(aortic, axis=0)
    odd = {
        "x": tip[0] < aorta[0] - CLEAR_MM,  # the apex is left of the aortic annulus
        "y": aorta[1] > centre[1] + CLEAR_MM,  # the aortic annulus is before the mitral ring
        "z": tip[2] > aorta[2] + CLEAR_MM,  # the apex is below the aortic annulus
    }
    return tuple(axis for axis in AXES if odd[axis])


def aortic_points(points: Mapping[str, FloatArray]) -> FloatArray | None:
    """The three hinges (3, 3), else the points of an aortic prosthesis (n, 3), else None."""
    hinges = [np.asarray(points[name], dtype=np.float64)[0] for name in HINGES if len(points.get(name, ()))]
    if len(hinges) == len(HINGES):
        return np.stack(hinges)
    ring = points.get("aortic_ring")
    return None if ring is None or not len(ring) else np.asarray(ring, dtype=np.float64)


def hinge_order(hinges: FloatArray, apex: FloatArray) -> float:
    """Positive where left, right, non-coronary hinge (3, 3) run as in a heart: (L - R) x (N - R) points downstream."""
    return float(np.cross(hinges[0] - hinges[1], hinges[2] - hinges[1]) @ (hinges.mean(axis=0) - apex))


def hinges_wrong_way(points: Mapping[str, FloatArray]) -> bool | None:
    """Whether the hinges, (n, 3) by name, run the other way round than in a heart; None without hinges or apex."""
    if not all(len(points.get(name, ())) for name in (*HINGES, "lv_apex")):
        return None
    hinges = np.stack([np.asarray(points[name], dtype=np.float64)[0] for name in HINGES])
    return hinge_order(hinges, np.asarray(points["lv_apex"], dtype=np.float64)[0]) < 0


def blood_places(points: Mapping[str, FloatArray]) -> FloatArray | None:
    """Places (n, 3) that are in left-sided blood of a sound reading: ring, ventricle, outflow tract and root."""
    ring, apex, aortic = points.get("mitral_ring"), points.get("lv_apex"), aortic_points(points)
    if ring is None or apex is None or aortic is None or len(ring) < 3 or len(aortic) < 3:
        return None
    ring, tip = np.asarray(ring, dtype=np.float64), np.asarray(apex, dtype=np.float64)[0]
    centre, aorta = ring.mean(axis=0), aortic.mean(axis=0)
    axis = np.linalg.svd(aortic - aorta)[2][2]
    axis = axis if axis @ (aorta - tip) > 0 else -axis
    along = np.array(INSIDE)[:, None] * (tip - centre)
    behind = ATRIUM_MM * (centre - tip) / np.linalg.norm(centre - tip)
    atrium = behind + centre + np.array([[0.0], [0.35]]) * (ring[:1] - centre)
    return np.concatenate([atrium, centre + along, aorta + np.array(ROOT_MM)[:, None] * axis])


def _seated_mirrored(points: Mapping[str, FloatArray], volume: Volume) -> PoseFinding | None:
    """The mirror image of the landmarks that is in blood where the landmarks themselves do not."""
    places = blood_places(points)
    if places is None:
        return None
    poses = {"": np.ones(3)} | {
        code: np.array([-1.0 if axis in axes else 1.0 for axis in AXES]) for code, axes in MIRRORS.items()
    }
    seated = _shares({code: _hu(volume, places * signs) for code, signs in poses.items()})
    if seated is None:
        return None
    odd = opposite_axes(points)
    for code, axes in MIRRORS.items():
        bound = seated[code] - LEAST_GAIN if odd == axes else BADLY_SEATED
        best = seated[code] == max(seated.values())
        if best and seated[""] <= bound and (odd == axes or seated[code] >= WELL_SEATED):
            return PoseFinding(
                code, axes, seated[""], bound,
                f"{seated['']:.0%} of the places that must be in blood are, with {' and '.join(axes)} negated "
                f"{seated[code]:.0%}",
            )  # fmt: skip
    return None


def share_in_blood(points: Mapping[str, FloatArray], volume: Volume) -> float:
    """Share of the places of a reading that are in blood as given; 0 where they are not known."""
    places = blood_places(points)
    shares = None if places is None else _shares({"": _hu(volume, places)})
    return 0.0 if shares is None else shares[""]


def _shares(hu: Mapping[str, FloatArray]) -> dict[str, float] | None:
    """Share of places above the level half-way between blood and muscle; None where no pose is in enhanced blood."""
    known = [float(np.nanmedian(found)) for found in hu.values() if np.isfinite(found).any()]
    half = 0.5 * (max(known, default=0.0) + MUSCLE_HU)
    if not half > MUSCLE_HU + 40.0:
        return None
    return {code: float(np.mean(np.nan_to_num(found, nan=-1000.0) >= half)) for code, found in hu.items()}


def _hu(volume: Volume, places: FloatArray) -> FloatArray:
    """HU (n,) at `places` (n, 3) between the voxel centres; NaN outside the image."""
    index = np.clip(volume.to_index(places), -0.5, np.array(volume.values.shape) - 0.5)
    outside = ~volume.contains(places, -0.5 * float(volume.spacing.min()))
    values = map_coordinates(volume.values, index.T, order=1, mode="nearest", output=np.float64)
    return np.where(outside, np.nan, values)
