"""The registry against the study contract, and the rule that every combination ends as a row."""

import subprocess
import sys

import numpy as np
import pytest
from analytic_heart import landmarks

from outflow_geometry.base.errors import GeometryError, tried_once
from outflow_geometry.base.findings import AreaNoise, Draws, SectionNumbers
from outflow_geometry.base.inputs import Cutoff, Definitions, Device, Plan
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.measures.evaluation import evaluate, evaluate_plan
from outflow_geometry.measures.measure_functions import ReadingContext
from outflow_geometry.measures.registry import REGISTRY, measure
from outflow_geometry.scatter.error_model import reading_error
from outflow_geometry.scatter.settling import settled_landmarks
from outflow_geometry.scatter.uncertainty import interval, redrawn_landmarks, scatter_known, usable

SECTION = ("SOLID",)
CONTRACT = {
    # id: (variants, unit, methods), from the table of measures in the study contract
    "mitral_area": (("spline", "d_shape"), "mm2"),
    "mitral_perimeter": (("projected", "spatial", "d_shape"), "mm"),
    "mitral_diameter": (
        ("area", "perimeter", "max", "min", "septal_lateral", "intercommissural", "intertrigonal", "circle_fit"),
        "mm",
    ),
    "mitral_eccentricity": (("one_minus_ratio",), "1"),
    "mitral_nonplanarity": (("rms", "range"), "mm"),
    "ring_inner_diameter": (("half_maximum", "ridge", "model_fit", "table"), "mm"),
    "aortic_area": (("",), "mm2"),
    "aortic_perimeter": (("",), "mm"),
    "aortic_diameter": (("area", "perimeter", "max", "min"), "mm"),
    "aortic_eccentricity": (("",), "1"),
    "aorto_mitral_angle": (("opening", "opening_three_chamber", "axis"), "deg"),
    "neo_lvot_area": (SECTION, "mm2"),
    "native_lvot_area": (SECTION, "mm2"),
    "lvot_residual_fraction": (SECTION, "1"),
    "neo_lvot_station": (SECTION, "mm"),
    "device_septum_distance": (SECTION, "mm"),
    "neo_lvot_diameter": (("SOLID/max", "SOLID/min"), "mm"),
    "bottleneck_area": (SECTION, "mm2"),
    "neo_lvot_chance_below": (("SOLID/CUTOFF_ID",), "1"),
    "traced_area": (("projected",), "mm2"),
    "oversizing": (("area", "perimeter", "diameter"), "pct"),
    "leaflet_length": (("",), "mm"),
    "septal_thickness": (("",), "mm"),
    "ring_septum_distance": (("",), "mm"),
    "lv_volume": (("",), "ml"),
}
METHODS = {"reader_points", "reader_path", "automatic_path", "reader_trace", "image_edge", "table"}
OVER_PHASES = {
    "neo_lvot_area",
    "native_lvot_area",
    "lvot_residual_fraction",
    "neo_lvot_station",
    "device_septum_distance",
}
DEVICE = Device("invented-29", 29.0, 20.0, 0.0, 12.0)


class Sections:
    """Smallest sections of a plan, as numbers."""

    def __init__(self, area: float) -> None:
        self.area = area

    def smallest(self, solid: str, method: str) -> SectionNumbers:
        if solid != "full_frame":
            raise GeometryError("missing_prosthesis", "none")
        return SectionNumbers(
            area=self.area, station=-8.0, native_area=400.0, residual_fraction=self.area / 400.0, septum_distance=9.0,
            diameter_max=24.0, diameter_min=np.nan,
        )  # fmt: skip

    def bottleneck(self, solid: str, method: str) -> float:
        return self.smallest(solid, method).area - 1.0

    def area_noise(self, solid: str, method: str) -> AreaNoise:
        return AreaNoise(0.0, 0.0)


class WithoutImage:
    """Image findings of a reading whose phase has no image."""

    def _refuse(self, *_: object) -> float:
        raise GeometryError("missing_image", "none")

    aortic_contour = ring_inner_diameter = septal_thickness = lv_volume = _refuse


def test_registry_is_the_contract() -> None:
    # more measures may be added; those of the contract stay as they are
    assert {m.id: (m.variants, m.unit) for m in REGISTRY if m.id in CONTRACT} == CONTRACT
    assert {method for m in REGISTRY for method in m.methods} == METHODS
    assert {m.id for m in REGISTRY if m.id in CONTRACT and m.case_variants} == OVER_PHASES
    for entry in REGISTRY:
        assert entry.definition.endswith(".")
        assert entry.source
        assert entry.level in ("reading", "plan", "draws")
        assert measure(entry.id) is entry


def test_solids_and_cutoffs_fill_the_variants() -> None:
    chosen = Definitions(solids=("full_frame", "skirt"), cutoffs=(Cutoff("A", 170.0), Cutoff("B", 189.4)))
    assert measure("neo_lvot_chance_below").combinations(chosen) == [
        (f"{solid}/{cutoff}", method)
        for method in ("reader_path", "automatic_path")
        for solid in ("full_frame", "skirt")
        for cutoff in ("A", "B")
    ]
    assert len(measure("ring_inner_diameter").combinations(chosen)) == 4


def test_every_combination_ends_as_a_row() -> None:
    chosen = Definitions(cutoffs=(Cutoff("A", 170.0),))
    frame = ReadingContext(build_anatomy({}), chosen, WithoutImage())
    rows, _ = evaluate(frame, "reading", [])
    plan = ReadingContext(build_anatomy({}), chosen, WithoutImage(), plan=Plan("P", DEVICE))
    rows += evaluate_plan(plan, [], "P")
    assert {r.measure for r in rows} == {m.id for m in REGISTRY} >= set(CONTRACT)
    assert all(r.value is None and r.status not in ("", "ok") for r in rows)
    assert len({(r.measure, r.variant, r.method) for r in rows}) == len(rows)


def plan_frame(marks: dict[str, np.ndarray], area: float, chosen: Definitions) -> ReadingContext:
    return ReadingContext(build_anatomy(marks), chosen, WithoutImage(), plan=Plan("P", DEVICE), sections=Sections(area))


def test_plan_rows_intervals_and_chances() -> None:
    chosen = Definitions(cutoffs=(Cutoff("low", 150.0), Cutoff("mid", 200.0), Cutoff("high", 260.0)))
    marks = landmarks()
    marks["outflow_path"] = np.zeros((2, 3))
    areas = 200.0 + 20.0 * np.random.default_rng(0).standard_normal(2000)
    redrawn = [plan_frame(marks, area, chosen) for area in areas]
    rows = {(r.measure, r.variant, r.method): r for r in evaluate_plan(plan_frame(marks, 200.0, chosen), redrawn, "P")}
    area = rows["neo_lvot_area", "full_frame", "reader_path"]
    assert (area.plan_id, area.value, area.unit, area.status) == ("P", 200.0, "mm2", "ok")
    assert area.std_error == pytest.approx(20.0, rel=0.05)
    np.testing.assert_allclose([area.ci_low, area.ci_high], [160.8, 239.2], atol=3.0)
    chance = {c: rows["neo_lvot_chance_below", f"full_frame/{c}", "reader_path"].value for c in ("low", "mid", "high")}
    # normal distribution: 50 mm2 are 2.5 SD (0.6 %), 60 mm2 are 3 SD
    assert chance["low"] == pytest.approx(0.006, abs=0.006)
    assert chance["mid"] == pytest.approx(0.5, abs=0.04)
    assert chance["high"] == pytest.approx(1.0, abs=0.005)
    assert rows["neo_lvot_area", "skirt", "automatic_path"].status == "missing_prosthesis"
    narrow = rows["neo_lvot_diameter", "full_frame/min", "reader_path"]
    assert (narrow.value, narrow.status) == (None, "not_finite")
    assert rows["oversizing", "diameter", "reader_points"].value == pytest.approx(
        100 * (29 / (2 * np.sqrt(320)) - 1), abs=0.01
    )


def test_reader_path_rows_only_where_a_path_was_drawn() -> None:
    chosen = Definitions()
    methods = {r.method for r in evaluate_plan(plan_frame(landmarks(), 200.0, chosen), [], "P") if "lvot" in r.measure}
    assert methods == {"automatic_path"}


def test_chance_without_known_scatter_says_so() -> None:
    chosen = Definitions(cutoffs=(Cutoff("A", 170.0),))
    rows = evaluate_plan(plan_frame(landmarks(), 200.0, chosen), [], "P")
    found = {r.variant: r.status for r in rows if r.measure == "neo_lvot_chance_below"}
    assert found["full_frame/A"] == "unknown_landmark_scatter"
    assert found["skirt/A"] == "missing_prosthesis"


def test_chance_without_draws_says_so() -> None:
    chosen = Definitions(draws=0, cutoffs=(Cutoff("A", 170.0),))
    rows = evaluate_plan(plan_frame(landmarks(), 200.0, chosen), [], "P")
    assert {r.status for r in rows if r.variant == "full_frame/A"} == {"no_draws"}
    (area,) = (r for r in rows if (r.measure, r.variant) == ("neo_lvot_area", "full_frame"))
    assert (area.value, area.std_error, area.ci_low, area.status) == (200.0, None, None, "ok")


def test_interval_takes_the_shift_off_and_stays_within_bounds() -> None:
    # draws shifted by +0.5 from the value 2: the truth is looked for around 1.5
    draws = Draws(2.0, 2.5 + np.linspace(-1.0, 1.0, 1001))
    found = interval(draws, measure("ring_septum_distance"))
    assert (found.low, found.high) == (pytest.approx(0.55, abs=0.01), pytest.approx(2.45, abs=0.01))
    # shifted by +1 the pivot ends at 1.95, and is widened to hold the value
    assert interval(Draws(2.0, 3.0 + np.linspace(-1.0, 1.0, 1001)), measure("ring_septum_distance")).high == 2.0
    assert interval(Draws(0.5, 3.0 + np.linspace(-1, 1, 1001)), measure("ring_septum_distance")).low == 0.0
    assert interval(Draws(0.99, np.linspace(0.5, 1.0, 1001)), measure("aortic_eccentricity")).high == 1.0


def test_interval_on_the_scale_of_squares() -> None:
    # root mean square 2 whose redrawn squares lie evenly in [3, 8]: truths 2 * 4 - [3, 8] = [0, 5] on that scale
    squares = interval(Draws(2.0, np.sqrt(np.linspace(3.0, 8.0, 4001))), measure("mitral_nonplanarity"), "rms")
    low, high = np.sqrt([0.125, 4.875])
    assert (squares.low, squares.high) == (pytest.approx(low, rel=0.01), pytest.approx(high, rel=0.01))


def test_interval_of_what_hangs_on_the_place_is_normal_less_the_shift() -> None:
    # draws evenly over 100 with mean 30 above the value: SD 100 / sqrt(12) (1 - 1 / 1001 left aside)
    draws = Draws(800.0, np.linspace(780.0, 880.0, 1001))
    deviation = 100.0 / np.sqrt(12.0)
    area, station = interval(draws, measure("neo_lvot_area")), interval(draws, measure("neo_lvot_station"), "skirt")
    assert 770.0 - area.low == pytest.approx(1.959964 * deviation, rel=0.002) == area.high - 770.0
    # an extreme over places adds half the size of the shift
    assert 770.0 - station.low == pytest.approx(1.959964 * np.hypot(deviation, 15.0), rel=0.002)
    # normal distribution function, tabulated: Phi(-1) = 0.158655
    assert draws.chance_below(770.0 - float(np.std(draws.redrawn, ddof=1))) == pytest.approx(0.158655, abs=1e-6)
    assert Draws(5.0, np.full(10, 5.0)).chance_below(4.0) == 0.0
    # the value itself is always held
    assert interval(Draws(800.0, np.linspace(999.0, 1001.0, 1001)), measure("neo_lvot_area")).high == 800.0


def test_interval_of_an_extreme_adds_half_its_shift_to_the_error() -> None:
    # draws of mean 1 above the value and SD 1: value - 1 -+ 1.96 sqrt(1 + 1 / 4)
    z = np.random.default_rng(0).standard_normal(4000)
    draws = Draws(30.0, 31.0 + (z - z.mean()) / z.std(ddof=1))
    found = interval(draws, measure("mitral_diameter"), "max")
    assert (found.low, found.high) == (pytest.approx(29 - 2.1913, abs=1e-3), pytest.approx(30.0 + 1.1913, abs=1e-3))
    assert interval(draws, measure("mitral_diameter"), "area").high < found.high
    assert measure("neo_lvot_station").is_extreme("skirt")
    assert not measure("neo_lvot_area").is_extreme("skirt")
    # a place is never told finer than half a step between stations
    assert interval(Draws(-5.0, np.full(20, -5.0)), measure("neo_lvot_station"), "skirt").std_error == 0.25


def test_draws_without_value_are_left_out_up_to_a_tenth() -> None:
    assert len(usable(1.0, np.asarray([1.0] * 19 + [np.nan])).redrawn) == 19
    assert usable(1.0, np.asarray([1.0] * 8 + [np.nan] * 2)) is None


def test_draws_are_the_reading_s_own() -> None:
    sd = {"default": 0.5}
    one = redrawn_landmarks(landmarks(), sd, 20, 7)
    again = redrawn_landmarks(dict(reversed(landmarks().items())), sd, 20, 7)
    other = redrawn_landmarks(landmarks(), sd, 20, 8)
    moved = {k: v + 1e-3 for k, v in landmarks().items()}
    for name in landmarks():
        np.testing.assert_array_equal(one[3][name], again[3][name])
        assert not np.array_equal(one[3][name], other[3][name])
        assert not np.allclose(one[3][name], redrawn_landmarks(moved, sd, 20, 7)[3][name] - 1e-3)
    spread = np.stack([draw["mitral_ring"] for draw in redrawn_landmarks(landmarks(), sd, 400, 1)])
    middle = settled_landmarks(landmarks(), sd)["mitral_ring"]
    # a step of the whole ring outwards comes on top, in one of three directions (error_model)
    outward = reading_error(landmarks(), sd).parts["mitral_ring"].outward
    assert outward > 0.1
    assert np.std(spread - middle) == pytest.approx(np.sqrt(0.5**2 + outward**2 / 3.0), rel=0.02)


def test_samples_stay_and_unknown_scatter_is_not_held_for_none() -> None:
    marks = {"blood_sample": np.ones((1, 3)), "lv_apex": np.ones((1, 3))}
    np.testing.assert_array_equal(redrawn_landmarks(marks, {"lv_apex": 1.0}, 2, 0)[1]["blood_sample"], [[1, 1, 1]])
    assert scatter_known(marks, {"lv_apex": 1.0})
    assert scatter_known(marks, {"default": 1.0})
    assert not scatter_known(marks, {"mitral_ring": 1.0})


def test_what_cannot_be_had_is_tried_once() -> None:
    calls = []

    def refuse() -> float:
        calls.append(1)
        raise GeometryError("leak", "open")

    store: dict = {}
    for _ in range(3):
        with pytest.raises(GeometryError, match="leak"):
            tried_once(store, "lumen", refuse)
    assert len(calls) == 1
    assert tried_once(store, "other", lambda: 5.0) == 5.0


def test_importing_the_core_brings_no_table_or_cluster_library() -> None:
    # every module of the core, in a fresh interpreter; nothing may be printed either
    code = (
        "import pkgutil, importlib, sys, outflow_geometry\n"
        "for m in pkgutil.walk_packages(outflow_geometry.__path__, 'outflow_geometry.'): importlib.import_module(m.name)\n"
        "sys.exit(','.join(n for n in ('pandas', 'dask', 'pydicom', 'pyarrow', 'snakemake', 'outflow_cohort')"
        " if n in sys.modules) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
