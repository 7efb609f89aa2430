"""Engines on a pair of images moved by a known field: both find it, each says so where it cannot."""

from pathlib import Path

import numpy as np
import pytest

from outflow_cohort.registration.engines import ENGINES as ENGINES_BY_NAME
from outflow_cohort.registration.engines import chosen_engine, greedy_there, register, write_field
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.registration import Comparison, Displacement

N = 40
ENGINES = [
    pytest.param("greedy", marks=pytest.mark.skipif(not greedy_there(), reason="picsl_greedy is not installed")),
    "demons",
]


def field_at(points: np.ndarray) -> np.ndarray:
    """A smooth move of up to 4 mm that ends at the border."""
    inside = np.exp(-np.sum((points - N / 2) ** 2, axis=-1, keepdims=True) / (2 * 8.0**2))
    return inside * np.array([3.0, -2.0, 1.5])


def texture(points: np.ndarray) -> np.ndarray:
    x, y, z = np.moveaxis(points / 5.0, -1, 0)
    waves = np.sin(x + 0.6 * y) + np.sin(y - 0.4 * z + 1.0) + np.sin(0.9 * z + 0.5 * x + 2.0)
    return 0.5 + waves / 6.0


def pair(mirrored: bool = False) -> tuple[Comparison, np.ndarray]:
    k, j, i = np.meshgrid(*(np.arange(N, dtype=float) for _ in range(3)), indexing="ij")
    points = np.stack([i, j, k], axis=-1)
    # the source shows at p what the target shows at p + u(p)
    source, target = texture(points + field_at(points)), texture(points)
    axes = np.diag([-1.0, -1.0, 1.0]) if mirrored else np.eye(3)
    grid = Volume(np.zeros(source.shape, np.float32), np.array([7.0, -30.0, 11.0]), axes, np.ones(3))
    mask = np.ones(source.shape, np.float32)
    return Comparison(source.astype(np.float32), target.astype(np.float32), mask, grid), field_at(points) @ axes.T


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("mirrored", [False, True])
def test_an_engine_finds_a_known_field_in_lps(engine: str, mirrored: bool) -> None:
    compared, truth = pair(mirrored)
    found = register(compared, engine)
    middle = (slice(12, 28),) * 3
    error = np.linalg.norm(found.vectors[middle] - truth[middle], axis=-1)
    # before: 2.6 mm in the median
    assert np.median(error) < 0.4
    center = compared.grid.to_points(np.full((1, 3), N / 2))
    np.testing.assert_allclose(
        found.carry(center) - center, field_at(np.full((1, 3), N / 2)) @ compared.grid.direction.T, atol=0.8
    )


def test_the_automatic_engine_is_one_that_is_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("outflow_cohort.registration.engines.greedy_there", lambda: False)
    assert chosen_engine("automatic") == "demons"
    with pytest.raises(GeometryError, match="install"):
        chosen_engine("greedy")
    monkeypatch.setattr("outflow_cohort.registration.engines.greedy_there", lambda: True)
    assert chosen_engine("automatic") == "greedy"


def test_a_field_that_is_not_finite_is_a_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(compared: Comparison) -> np.ndarray:
        return np.full((*compared.source.shape, 3), np.nan)

    monkeypatch.setitem(ENGINES_BY_NAME, "demons", broken)
    with pytest.raises(GeometryError, match="not finite"):
        register(pair()[0], "demons")


def test_a_kept_field_is_read_back_where_it_was(tmp_path: Path) -> None:
    sitk = pytest.importorskip("SimpleITK")
    compared, truth = pair(mirrored=True)
    write_field(tmp_path / "deep" / "40_to_75.nrrd", Displacement(truth.astype(np.float32), compared.grid))
    (kept,) = (tmp_path / "deep").iterdir()
    image = sitk.ReadImage(str(kept))
    voxel = (25, 18, 21)
    place = image.TransformIndexToPhysicalPoint(voxel)
    np.testing.assert_allclose(place, compared.grid.to_points(np.array([[21.0, 18.0, 25.0]]))[0])
    np.testing.assert_allclose(image.GetPixel(voxel), truth[21, 18, 25], atol=1e-5)
    assert kept.name == "40_to_75.nrrd"
