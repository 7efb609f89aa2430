"""The automatic path: centred, smooth, arriving along the aortic normal, the same from perturbed starts."""

from __future__ import annotations

import numpy as np
import pytest
from thin_walls import Heart, thin_walled

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.image.lumen import Lumen, PhaseImage, outflow_lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.centreline import automatic_path
from outflow_geometry.outflow.solids import Solid

AGREEMENT = 0.5
"""mm; restarts must agree to this."""


def device(anatomy: Anatomy, depth: float = 18.0, radius: float = 13.0) -> Solid:
    normal = anatomy.ring_plane.normal
    return Solid(
        anatomy.ring_center - 4.0 * normal,
        normal,
        np.array([0.0, depth + 4.0]),
        np.full(2, 2.0 * radius),
        0.0,
        depth + 4.0,
    )


@pytest.fixture(scope="module")
def reading() -> tuple[Heart, Anatomy, Lumen]:
    heart, image = thin_walled("open", 1.5)
    anatomy = heart.anatomy(path=False)
    return heart, anatomy, outflow_lumen(PhaseImage(image), anatomy)


@pytest.mark.parametrize("with_device", [False, True])
def test_path_arrives_at_the_aortic_centre_along_its_normal(reading, with_device: bool) -> None:
    _, anatomy, lumen = reading
    path = automatic_path(lumen, anatomy, device(anatomy) if with_device else None)
    point, tangent = path.at(0.0)
    assert path.method == "automatic_path"
    assert np.linalg.norm(point - anatomy.aortic_center) < 1e-3
    assert np.degrees(np.arccos(min(1.0, float(tangent @ anatomy.aortic_plane.normal)))) < 0.2
    # smooth: no bend tighter than 5 mm
    stations = np.arange(path.first + 1.0, 0.0, 0.5)
    tangents = path.at(stations)[1]
    bend = np.linalg.norm(np.diff(tangents, axis=0), axis=1) / 0.5
    assert float(bend.max()) < 0.2


def test_path_keeps_to_the_middle_of_the_outflow_tract(reading) -> None:
    heart, anatomy, lumen = reading
    path = automatic_path(lumen, anatomy)
    points = heart.unpose(path.at(np.array([-12.0, -8.0, -4.0, 0.0]))[0])
    # the axis of the closed form's tract is its centreline
    axis = heart.aortic_center + np.outer((points - heart.aortic_center) @ heart.axis, heart.axis)
    assert float(np.linalg.norm(points - axis, axis=1).max()) < 1.2
    assert np.all(heart.lumen(heart.unpose(path.points[path.stations < 8.0])) < -3.0)


def test_path_beside_a_device_runs_between_device_and_septum(reading) -> None:
    heart, anatomy, lumen = reading
    solid = device(anatomy)
    path = automatic_path(lumen, anatomy, solid)
    # it starts upstream of the device and never enters it
    assert anatomy.ring_plane.height(path.points[0]) > anatomy.ring_plane.height(solid.outflow_end) + 2.0
    assert not solid.contains(path.points).any()
    narrow = path.at(np.array([-16.0, -14.0]))[0]
    to_wall = -heart.lumen(heart.unpose(narrow))
    relative = narrow - solid.axis_point
    along = relative @ solid.axis
    to_device = np.linalg.norm(relative - along[:, None] * solid.axis, axis=1) - 13.0
    # between the two, if not in the middle: the path is stiff
    share = to_device / (to_device + to_wall)
    assert np.all((share > 0.2) & (share < 0.8)), share


@pytest.mark.parametrize("with_device", [False, True])
def test_ten_restarts_agree(reading, with_device: bool) -> None:
    """Apex redrawn by 3 mm and hinges by 0.3 mm (standard deviations), lumen found anew from these seeds."""
    heart, anatomy, lumen = reading
    _, image = thin_walled("open", 1.5)
    rng = np.random.default_rng(0)
    stations = np.arange(-30.0, 0.1, 1.0)
    reference = automatic_path(lumen, anatomy, device(anatomy) if with_device else None).at(stations)[0]
    phase = PhaseImage(image)
    worst = []
    for _ in range(10):
        marks = heart.landmarks(path=False)
        for name in marks:
            if name != "mitral_ring":
                marks[name] = marks[name] + rng.normal(0.0, 3.0 if name == "lv_apex" else 0.3, marks[name].shape)
        redrawn = heart.anatomy(marks=marks)
        solid = device(redrawn) if with_device else None
        again = automatic_path(outflow_lumen(phase, redrawn), redrawn, solid).at(stations)[0]
        # stations count from each drawing's own annulus: the distance is that from the reference curve
        gaps = np.linalg.norm(again[:, None] - reference[None], axis=2)
        worst.append(float(gaps.min(axis=1).max()))
    assert max(worst) < AGREEMENT


def test_a_device_that_fills_the_lumen_is_refused(reading) -> None:
    _, anatomy, lumen = reading
    with pytest.raises(GeometryError) as refused:
        automatic_path(lumen, anatomy, device(anatomy, 120.0, 90.0))
    assert refused.value.code == "no_residual_lumen"
