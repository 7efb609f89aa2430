"""Image-quality figures on images whose HU, noise, saturation and slab step are known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from series_files import request, set_stored, take_inventory, take_volumes, write_series

from outflow_cohort.dicom.codes import reasons
from outflow_cohort.dicom.quality import image_quality, slab_step
from outflow_cohort.dicom.settings import QualitySettings
from outflow_cohort.dicom.volume import Grid, ReadRegion
from outflow_cohort.handbook.pages import codes_page
from outflow_cohort.handover.request import Reading


def figures(values, blood, muscle, ring, **settings):
    """Figures of an image of 1 mm voxels whose origin is 0."""
    size = values.shape[::-1]
    grid = Grid(np.zeros(3), np.eye(3), np.ones(3), size, np.zeros(2))
    structures = {"blood_sample": blood, "muscle_sample": muscle, "mitral_ring": ring}
    readings = [Reading(phase_pct=None, reader_id="R1", read_no=1, structures=structures)]
    points = np.array([p for group in structures.values() for p in group], dtype=float)
    found = image_quality(ReadRegion(values, grid.whole, 0), grid, readings, points, QualitySettings(**settings))
    return found.model_dump()


def scene(noise=20.0, blood=400.0, muscle=100.0, seed=1):
    random = np.random.default_rng(seed)
    values = np.full((60, 60, 60), blood)
    values[:, :, 35:] = muscle
    return (values + random.normal(0, noise, values.shape)).astype(np.int16)


RING = [[25.0, 25.0, 30.0], [30.0, 30.0, 30.0], [20.0, 30.0, 30.0]]
BLOOD, MUSCLE = [[22.0, 30.0, 30.0], [20.0, 22.0, 25.0]], [[42.0, 30.0, 30.0], [42.0, 25.0, 35.0]]


@pytest.mark.parametrize("noise", [15.0, 30.0])
def test_lumen_noise_and_contrast_are_recovered(noise):
    found = figures(scene(noise), BLOOD, MUSCLE, RING)
    n = 2 * 123  # voxels of two balls of 3 mm
    # standard error of a median 1.25 s / sqrt(n); of the scaled MAD about 1.17 s / sqrt(n); four of each
    assert found["lumen_hu"] == pytest.approx(400, abs=4 * 1.25 * noise / np.sqrt(n) + 0.5)
    assert found["muscle_hu"] == pytest.approx(100, abs=4 * 1.25 * noise / np.sqrt(n) + 0.5)
    assert found["noise_hu"] == pytest.approx(noise, abs=4 * 1.17 * noise / np.sqrt(n) + 0.5)
    assert found["contrast_to_noise"] == pytest.approx(300 / noise, rel=0.35)
    assert found["lumen_source"] == "blood_sample"
    assert found["quality"] == "ok"


@pytest.mark.parametrize(
    ("blood", "noise", "codes"),
    [
        (230.0, 10.0, {"lumen_hu_warn"}),
        (180.0, 10.0, {"lumen_hu_poor", "contrast_to_noise_warn"}),
        (400.0, 50.0, {"noise_warn", "contrast_to_noise_warn"}),
        (400.0, 100.0, {"noise_poor", "contrast_to_noise_poor"}),
    ],
)
def test_gates(blood, noise, codes):
    found = figures(scene(noise, blood), BLOOD, MUSCLE, RING, slab_step_warn=100)
    assert set(found["quality_codes"].split(";")) == codes
    assert found["quality"] == ("poor" if any(c.endswith("poor") for c in codes) else "warn")


def test_saturation_and_margin():
    values = scene()
    values[28:32, 24:27, 24:27] = 3071
    found = figures(values, BLOOD, MUSCLE, RING)
    assert "saturated" in found["quality_codes"]
    assert found["saturated_pct"] > 0
    found = figures(scene(), BLOOD, MUSCLE, [*RING, [55.0, 30.0, 30.0]])
    assert found["margin_mm"] == pytest.approx(59.5 - 55.0)
    assert "margin_small" in found["quality_codes"]


def test_slab_step_stands_out():
    values = scene(10.0).astype(float)
    even = slab_step(values.astype(np.int16))
    values[30:] = np.roll(values[30:], 4, axis=2) + 60  # the second slab is shifted and brighter
    assert even < 2
    assert slab_step(values.astype(np.int16)) > 4
    found = figures(values.astype(np.int16), BLOOD, MUSCLE, RING)
    assert "slab_step" in found["quality_codes"]


def test_quality_reaches_the_series_row_of_the_volume_step(tmp_path):
    write_series(tmp_path / "s", lambda ds, k: set_stored(ds, np.full((36, 40), 1324, "<u2")))
    reading = {
        "phase_pct": None, "reader_id": "R", "read_no": 1,
        "structures": {"mitral_ring": [[-6, -8, 34], [6, -8, 34], [0, -16, 34]]},
    }  # fmt: skip
    content = request(tmp_path / "s", readings=[reading], resample={"margin_mm": 6.0})
    result = take_volumes(content, tmp_path / "work")
    (row,) = result["series_quality"]
    assert (row["lumen_hu"], row["noise_hu"], row["lumen_source"]) == (300.0, 0.0, "ring_centre")
    assert row["series"] == take_inventory(content, tmp_path / "again")["series"][0]["series"]


def test_failed_gate_can_set_aside(tmp_path):
    write_series(tmp_path / "s", lambda ds, k: setattr(ds, "SliceThickness", 3.0))
    assert take_inventory(request(tmp_path / "s"), tmp_path / "a")["plans"]
    found = take_inventory(request(tmp_path / "s", quality={"on_fail": "set_aside"}), tmp_path / "b")
    assert found["plans"] == []
    assert "quality_gate" in found["series"][0]["reason_codes"]


def test_a_failed_gate_of_the_pixels_can_set_aside(tmp_path):
    write_series(tmp_path / "s", lambda ds, k: set_stored(ds, np.full((36, 40), 1124, "<u2")))
    reading = {
        "phase_pct": None, "reader_id": "R", "read_no": 1,
        "structures": {"mitral_ring": [[-6, -8, 34], [6, -8, 34], [0, -16, 34]]},
    }  # fmt: skip
    study = {"readings": [reading], "resample": {"margin_mm": 6.0}}
    warned = take_volumes(request(tmp_path / "s", **study), tmp_path / "a")
    assert [row["quality_codes"].split(";")[0] for row in warned["series_quality"]] == ["lumen_hu_poor"]
    assert len(warned["volumes"]) == 1
    strict = take_volumes(request(tmp_path / "s", quality={"on_fail": "set_aside"}, **study), tmp_path / "b")
    assert strict["volumes"] == []
    assert [row["code"] for row in strict["set_aside"]] == ["quality_gate"]
    assert "lumen_hu_fail" in strict["set_aside"][0]["message"]


def test_every_code_has_meaning_and_remedy():
    text = codes_page()
    for reason in reasons().values():
        assert reason.severity in ("set_aside", "warning", "info")
        assert reason.meaning.endswith(".")
        assert reason.remedy.endswith(".")
        assert f"`{reason.code}`" in text


def test_codes_used_in_the_package_are_in_the_table():
    """Every code that the sources write into a verdict stands in the table."""
    import re
    from pathlib import Path

    import outflow_cohort.dicom as package

    folder = Path(package.__file__).parent
    used = set()
    for path in folder.glob("*.py"):
        source = path.read_text(encoding="utf-8")
        used |= set(re.findall(r'codes\["(\w+)"\]', source))
        used |= set(re.findall(r'(?:Problem|PixelError|other|OtherObject)\(\s*(?:ordinal, )?"(\w+)"', source))
        used |= set(re.findall(r'Finding\([^()]*"(\w+)"\)', source))
    assert len(used) > 60
    assert used <= set(reasons())
