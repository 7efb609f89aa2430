"""How far noise moves an area, against areas of the same cylinder under many seeds of noise."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from scipy import ndimage
from scipy.special import erf

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import AreaNoise, Draws, SectionNumbers
from outflow_geometry.base.frames import Volume
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.blood_edges import blood_outlines, edge_field
from outflow_geometry.image.edge_noise import edge_length, edge_noise
from outflow_geometry.image.levels import BloodLevel
from outflow_geometry.image.lumen import OUTFLOW, Lumen
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.measures.evaluation import evaluate
from outflow_geometry.measures.measure_functions import ReadingContext
from outflow_geometry.measures.registry import measure
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.scatter.image_share import image_sd
from outflow_geometry.scatter.uncertainty import interval

RADIUS, BLUR, CONTRAST, STEP = 11.0, 0.4, 270.0, 0.6
SHAPE = (36, 54, 54)


def cylinder(noise: float, grain: float, seed: int) -> Lumen:
    """A vertical cylinder of blood; noise of a standard deviation, HU, with a grain of standard deviation, mm."""
    _, j, i = np.indices(SHAPE) * STEP
    radial = np.hypot(j - j.mean(), i - i.mean())
    clean = 0.5 * CONTRAST * erf((RADIUS - radial) / (np.sqrt(2.0) * BLUR))
    rough = np.random.default_rng(seed).standard_normal(SHAPE)
    rough = ndimage.gaussian_filter(rough, grain / STEP, mode="wrap") if grain else rough
    values = (clean + noise * rough / rough.std()).astype(np.float32)
    field = Volume(values, np.zeros(3), np.eye(3), np.full(3, STEP))
    territory = replace(field, values=np.full(SHAPE, OUTFLOW, dtype=np.int8))
    distance = replace(field, values=np.maximum(RADIUS - radial, 0.0).astype(np.float32))
    level = BloodLevel(400.0, 400.0 - CONTRAST, 400.0 - CONTRAST / 2.0, noise, CONTRAST / noise, "samples", "ok")
    return Lumen(field, level, "ok", territory, distance, 2.0)


def area(lumen: Lumen) -> tuple[float, float, float]:
    """Area and length of its edge in the middle plane, and the blur found."""
    middle = np.asarray([[s - 1.0 for s in SHAPE[::-1]]]) * STEP / 2.0
    region = np.asarray([shapely.box(-15.0, -15.0, 15.0, 15.0)])
    blood, blur = blood_outlines(
        edge_field(lumen), region, middle, np.asarray([[1.0, 0.0, 0.0]]), np.asarray([[0.0, 1.0, 0.0]])
    )
    return float(shapely.area(blood[0])), edge_length(blood[0], blood[0]), blur


@pytest.mark.parametrize(("noise", "grain"), [(20.0, 0.0), (40.0, 0.0), (20.0, 0.6)])
def test_areas_scatter_with_noise_as_foretold(noise: float, grain: float) -> None:
    areas, told = [], []
    for seed in range(40):
        lumen = cylinder(noise, grain, seed)
        found, length, blur = area(lumen)
        areas.append(found)
        if seed < 5:
            told.append(edge_noise(lumen, blur).area_sd(length))
    assert np.mean(areas) == pytest.approx(np.pi * RADIUS**2, rel=0.003)
    assert length == pytest.approx(2.0 * np.pi * RADIUS, rel=0.03)
    # 40 seeds tell a standard deviation to 11 %
    assert np.mean(told) == pytest.approx(np.std(areas, ddof=1), rel=0.3)


def test_cut_edges_do_not_count_and_narrow_blood_tells_no_noise() -> None:
    whole = shapely.Point(0.0, 0.0).buffer(10.0)
    half = shapely.intersection(whole, shapely.box(0.0, -20.0, 20.0, 20.0))
    assert edge_length(half, whole) == pytest.approx(np.pi * 10.0, rel=0.02)
    lumen = cylinder(20.0, 0.0, 1)
    narrow = replace(lumen, distance=replace(lumen.distance, values=lumen.distance.values * 0.2))
    with pytest.raises(GeometryError, match="no_deep_blood"):
        edge_noise(narrow, BLUR)


def test_no_plan_gives_its_blur_to_the_next() -> None:
    findings = SimpleNamespace(lumen=cylinder(20.0, 0.0, 1))

    def asked(*blurs: float) -> dict[float, float]:
        reading = ReadingLumen(findings)  # type: ignore[arg-type]
        return {blur: reading.edge_noise("automatic_path", blur).area_sd(60.0) for blur in blurs}

    first, last = asked(0.6, 0.9), asked(0.9, 0.6)
    assert first == last
    assert first[0.9] != pytest.approx(first[0.6], rel=0.05)


def test_the_images_share_widens_error_interval_and_chance() -> None:
    draws = Draws(200.0, 200.0 + 3.0 * np.random.default_rng(1).standard_normal(400))
    rule = measure("neo_lvot_area")
    alone, both = (interval(d, rule) for d in (draws, replace(draws, image_sd=4.0)))
    assert both.std_error == pytest.approx(np.hypot(alone.std_error, 4.0))
    assert both.high - both.low == pytest.approx(2.0 * 1.96 * both.std_error, rel=1e-3)
    assert replace(draws, image_sd=4.0).chance_below(195.0) > draws.chance_below(195.0)


class Sections:
    """Sections of a reading whose smallest one has a given area; None = no section."""

    def __init__(self, area: float | None) -> None:
        self.area = area

    def smallest(self, solid: str, method: str) -> SectionNumbers:
        if self.area is None:
            raise GeometryError("no_section", "none")
        return SectionNumbers(
            area=self.area, station=-5.0, native_area=400.0, residual_fraction=self.area / 400.0, septum_distance=5.0,
            diameter_max=20.0, diameter_min=10.0,
        )  # fmt: skip

    def bottleneck(self, solid: str, method: str) -> float:
        return self.smallest(solid, method).area

    def area_noise(self, solid: str, method: str) -> AreaNoise:
        return AreaNoise(3.0, 5.0)


def row(draws: list[float | None]):
    """The row of the neo-LVOT of 200 mm2 with these redrawn areas."""
    turn = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)
    anatomy = build_anatomy({"mitral_ring": np.stack([13.0 * np.cos(turn), 13.0 * np.sin(turn), 0.0 * turn], axis=1)})
    chosen = Definitions(solids=("full_frame",))
    own, *redrawn = (ReadingContext(anatomy, chosen, None, sections=Sections(a)) for a in (200.0, *draws))
    rows, _ = evaluate(own, "plan", redrawn)
    return next(r for r in rows if (r.measure, r.method) == ("neo_lvot_area", "automatic_path"))


def test_lengths_of_a_section_carry_the_noise_of_their_edges() -> None:
    """A distance from the device ends at one blood edge, a width at corners that noise moves more."""
    sections = Sections(200.0)
    sections.area_noise = lambda solid, method: AreaNoise(3.0, 5.0, 0.3)  # type: ignore[method-assign]
    context = ReadingContext(build_anatomy({"mitral_ring": np.zeros((3, 3))}), Definitions(), None, sections=sections)
    found = [
        image_sd(context, name, variant, "automatic_path")
        for name, variant in (
            ("device_septum_distance", "full_frame"), ("neo_lvot_diameter", "full_frame/max"),
            ("neo_lvot_station", "full_frame"),
        )
    ]  # fmt: skip
    assert found == pytest.approx([0.3, 0.3 * np.sqrt(6.0), 0.0])


def test_a_draw_without_section_is_no_area_of_0() -> None:
    near = (200.0 + 5.0 * np.random.default_rng(2).standard_normal(100)).tolist()
    found = row([*near[:95], *([None] * 5)])
    assert found.status == "ok"
    assert 180.0 < found.ci_low < 200.0 < found.ci_high < 220.0
    few = row([*near[:80], *([None] * 20)])
    assert (few.value, few.status) == (200.0, "too_few_draws")
    assert (few.std_error, few.ci_low, few.ci_high) == (None, None, None)


def test_draws_about_another_place_give_no_interval() -> None:
    far = (330.0 + 20.0 * np.random.default_rng(3).standard_normal(100)).tolist()
    found = row(far)
    assert (found.value, found.status, found.ci_low) == (200.0, "draws_elsewhere", None)
