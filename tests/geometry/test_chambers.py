"""Volume of the ventricle against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr
from thin_walls import ellipsoid

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume, unit
from outflow_geometry.image.chambers import lv_volume, ventricle_cut
from outflow_geometry.image.lumen import PhaseImage, outflow_lumen
from outflow_geometry.landmarks.anatomy import Anatomy, build_anatomy

AXES = np.array([24.0, 22.0, 38.0])
RING_POINT = np.array([0.0, 0.0, 30.0])
RING_NORMAL = unit([0.0, 0.0, -1.0])
AORTIC_CENTER = np.array([21.0, 0.0, 12.0])
AORTIC_NORMAL = unit([0.95, 0.0, 0.31])


def ellipsoid_anatomy() -> Anatomy:
    angles = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    ring = RING_POINT + 14.6 * np.stack([np.cos(angles), np.sin(angles), 0.0 * angles], axis=1)
    first = unit(np.cross(AORTIC_NORMAL, [0.0, 1.0, 0.0]))
    second = np.cross(AORTIC_NORMAL, first)
    hinges = [AORTIC_CENTER + 5.0 * (np.cos(t) * first + np.sin(t) * second) for t in np.radians([30.0, 150.0, 270.0])]
    return build_anatomy(
        {
            "mitral_ring": ring,
            "aortic_hinge_right": hinges[0],
            "aortic_hinge_left": hinges[1],
            "aortic_hinge_non": hinges[2],
            "lv_apex": np.array([0.0, 0.0, -37.0]),
        }
    )


def ellipsoid_image(spacing: float, noise: float = 20.0, shift: float = 0.0, crop: float = 52.0) -> Volume:
    half = np.array([36.0, 34.0, crop])
    shape = np.ceil(2.0 * half / spacing).astype(int)
    volume = Volume(np.zeros(1), np.array([-36.0, -34.0, -crop]) + shift, np.eye(3), np.full(3, spacing))
    grid = np.stack(np.meshgrid(*(np.arange(n) for n in shape[::-1]), indexing="ij"), axis=-1)
    hu = 100.0 + 260.0 * ndtr(-ellipsoid(volume.to_points(grid), np.zeros(3), AXES) / 0.38)
    hu += np.random.default_rng(8).normal(0.0, noise, hu.shape)
    return Volume(np.round(hu).astype(np.int16), volume.origin, volume.direction, volume.spacing)


def cap_share(point: np.ndarray, outward: np.ndarray) -> float:
    """Share of an ellipsoid beyond a plane: the cap of the unit sphere it maps to, (2 + d)(1 - d)^2 / 4."""
    distance = float(point @ outward) / float(np.linalg.norm(AXES * outward))
    return (2.0 + distance) * (1.0 - distance) ** 2 / 4.0


@pytest.mark.parametrize(("spacing", "bound"), [(0.7, 0.002), (1.0, 0.004)])
def test_ellipsoid_between_ring_and_aortic_plane(spacing: float, bound: float) -> None:
    """Ellipsoid with two caps cut off (closed form); the ring's cap is wholly behind the curtain plane."""
    anatomy = ellipsoid_anatomy()
    rng = np.random.default_rng(3)
    inside = AXES * unit(rng.normal(size=(50000, 3))) * rng.random((50000, 1)) ** (1.0 / 3.0)
    cap = anatomy.ring_plane.height(inside) < 0.0
    assert np.all(anatomy.atrial_side(inside[cap]))
    assert not np.any(cap & (anatomy.aortic_plane.height(inside) > 0.0))
    share = 1.0 - cap_share(RING_POINT, -RING_NORMAL) - cap_share(AORTIC_CENTER, AORTIC_NORMAL)
    truth = 4.0 / 3.0 * np.pi * float(np.prod(AXES)) * share / 1000.0
    for shift in (0.0, 0.3 * spacing):
        found = lv_volume(PhaseImage(ellipsoid_image(spacing, shift=shift)), anatomy)
        assert found == pytest.approx(truth, rel=bound)


@pytest.mark.parametrize(
    ("axis", "kept", "side"),
    [(0, slice(6, None), "feet"), (1, slice(18, None), "front"), (1, slice(None, -18), "back"),
     (2, slice(18, None), "right"), (2, slice(None, -16), "left")],
)  # fmt: skip
def test_cropped_ventricle_is_refused_and_the_side_named(axis: int, kept: slice, side: str) -> None:
    """The apex points to the feet here; the root, to the left, is beyond the aortic plane."""
    image = ellipsoid_image(1.0, crop=42.0)
    cut = [slice(None)] * 3
    cut[axis] = kept
    start = np.array([s.start or 0 for s in cut], dtype=np.float64)
    part = Volume(image.values[tuple(cut)], image.to_points(start), image.direction, image.spacing)
    with pytest.raises(GeometryError) as refused:
        lv_volume(PhaseImage(part), ellipsoid_anatomy())
    assert refused.value.code == f"ventricle_cropped_{side}"
    assert "mm across" in refused.value.message


def test_the_cut_has_the_area_of_the_ellipse_it_is() -> None:
    """The plane z = c cuts the ellipsoid in an ellipse of area pi a b (1 - (c / h)^2)."""
    low = 20
    image = ellipsoid_image(1.0, crop=42.0)
    part = Volume(image.values[low:], image.to_points(np.array([low, 0.0, 0.0])), image.direction, image.spacing)
    anatomy = ellipsoid_anatomy()
    cut = ventricle_cut(outflow_lumen(PhaseImage(part), anatomy), anatomy)
    assert cut is not None
    assert cut.side == "feet"
    # floods reach the last layer but one
    height = -42.0 + low + 1.0
    area = np.pi * AXES[0] * AXES[1] * (1.0 - (height / AXES[2]) ** 2)
    assert cut.area == pytest.approx(area, rel=0.1)
    assert cut.across == pytest.approx(2.0 * np.sqrt(area / np.pi), rel=0.05)
    whole = ellipsoid_image(1.0)
    assert ventricle_cut(outflow_lumen(PhaseImage(whole), anatomy), anatomy) is None
