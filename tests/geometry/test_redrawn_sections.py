"""Redrawn sections against measuring each redrawn reading anew, in a closed-form channel."""

import dataclasses
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import pytest
from channels import Channel

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import Draws
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import Anatomy, build_anatomy
from outflow_geometry.measures.registry import measure
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.outflow_path import path_through
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.plane_doubt import path_error
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.scatter.redrawn_paths import redrawn_reader_paths
from outflow_geometry.scatter.redrawn_sections import CURVE_DRAWS, PlanRedraws
from outflow_geometry.scatter.settling import settled_landmarks
from outflow_geometry.scatter.uncertainty import interval, redrawn_landmarks

SD = 0.5
STATIONS = np.array([-30.0, -22.0, -14.0, -6.0, 3.0])


@cache
def image_and_lumen(channel: Channel) -> tuple[PhaseImage, Lumen]:
    """Of a channel, rendered once for all its readings."""
    image = channel.image()
    return PhaseImage(image), channel.lumen(image)


@dataclass(frozen=True)
class ChannelReading:
    """A channel, its image and lumen, and the landmarks of one reading with their definitions."""

    channel: Channel
    path: np.ndarray
    definitions: Definitions

    @property
    def image(self) -> PhaseImage:
        return image_and_lumen(self.channel)[0]

    @property
    def lumen(self) -> Lumen:
        return image_and_lumen(self.channel)[1]

    @cached_property
    def marks(self) -> dict[str, np.ndarray]:
        points = {name: np.asarray(points) for name, points in self.channel.anatomy().landmarks.items()}
        return points | {"outflow_path": self.path}

    @cached_property
    def middle(self) -> Anatomy:
        return build_anatomy(settled_landmarks(self.marks, self.definitions.landmark_sd), checked=False)

    def sections(self, marks: dict[str, np.ndarray] | None = None) -> PlanSections:
        anatomy = build_anatomy(self.marks if marks is None else marks)
        found = PhaseFindings(self.image, anatomy, _found={"lumen": self.lumen, "level": self.lumen.level})
        return PlanSections(
            self.channel.plan(),
            None,
            self.definitions,
            ReadingLumen(found, self.definitions.landmark_sd["outflow_path"]),
        )

    def scattered(self, draws: int) -> list[dict[str, np.ndarray]]:
        return redrawn_landmarks(self.marks, self.definitions.landmark_sd, draws, 1)

    def redraws(self, draws: int, middle: Anatomy | None = None) -> PlanRedraws:
        anatomies = [build_anatomy(marks, checked=False) for marks in self.scattered(draws)]
        return PlanRedraws(self.sections(), middle or self.middle, anatomies)


def read(channel: Channel, stations: np.ndarray = STATIONS, path_sd: float = SD, seed: int | None = None, **chosen):
    """A reading of a channel; with `seed` the points of its path are scattered by `path_sd`, mm."""
    path = np.asarray(channel.pose(channel.path_points(stations)))
    if seed is not None:
        path = path + path_sd * np.random.default_rng(seed).standard_normal(path.shape)
    sd = {"default": SD, "outflow_path": path_sd}
    return ChannelReading(channel, path, Definitions(solids=("full_frame",), landmark_sd=sd, **chosen))


def test_scatter_along_the_curve_is_that_of_curves_measured_anew() -> None:
    # clicks so close together that they leave nothing open between them
    reading = read(Channel(bulge=3.0), np.linspace(-30.0, 3.0, 12), station_step=3.0)
    stations, shift, sd = reading.redraws(CURVE_DRAWS).curve_scatter("full_frame", "reader_path")
    own = reading.sections().curves("reader_path")
    assert np.allclose(stations, own.stations)
    anew = [reading.sections(marks).curves("reader_path") for marks in reading.scattered(CURVE_DRAWS)]
    areas = np.array([np.interp(stations, c.stations, c.areas["full_frame"], left=np.nan) for c in anew])
    reached = np.isfinite(areas).all(axis=0)  # a redrawn path may begin later
    assert reached.sum() >= 9
    # the scan's areas are right to 1.5 percent each
    assert sd[reached] == pytest.approx(areas[:, reached].std(axis=0, ddof=1), rel=0.1, abs=1.0)
    # exact points are the path: the reading itself is the middle of the draws, scanned to 1.5 percent like them
    area = own.areas["full_frame"][reached]
    assert np.all(np.abs(shift[reached] - (areas[:, reached].mean(axis=0) - area)) <= 0.015 * area + 1.0)


def test_a_reading_without_section_has_no_bottleneck_in_its_draws() -> None:
    reading = read(dataclasses.replace(Channel(), device_diameter=52.0))
    with pytest.raises(GeometryError, match="no_section"):
        reading.sections().smallest("full_frame", "reader_path")
    with pytest.raises(GeometryError, match="no_section"):
        reading.redraws(4).each()[-1].bottleneck("full_frame", "reader_path")


def test_a_ragged_path_that_used_to_turn_back_on_itself_has_its_section() -> None:
    # the points' own spline turns back on itself, where planes miss the tract; their settled course does not
    reading = read(Channel(), np.linspace(-30.0, 3.0, 18), path_sd=1.5, seed=0)
    assert reading.sections().smallest("full_frame", "reader_path").status == "ok"
    assert np.isfinite(reading.redraws(4).areas_along_path("full_frame", "reader_path")[-1])


def test_value_and_draws_belong_to_one_curve() -> None:
    reading = read(Channel(bulge=3.0), np.linspace(-30.0, 3.0, 30), path_sd=0.7, seed=4)
    sections, redraws = reading.sections(), reading.redraws(3)
    own, middle = sections.path("reader_path"), redraws.path_stack("reader_path")
    stations = np.linspace(-25.0, 0.0, 26)
    points, tangents = middle.at(np.array([0]), stations[None])
    wanted = own.at(stations)
    assert np.allclose(points[0], wanted[0], atol=0.02)
    assert np.degrees(np.arccos(np.vecdot(tangents[0], wanted[1]).clip(-1.0, 1.0))).max() < 0.2
    # with nothing left open each draw at once is the path that its points give alone
    course = sections.reading.reader_course
    told = dataclasses.replace(course, between=np.zeros((len(course.knots), 0)), square=np.zeros(len(course.knots)))
    together = redrawn_reader_paths(own, told, [redraws.middle, *redraws.anatomies])
    for draw, anatomy in enumerate(redraws.anatomies, start=1):
        alone = path_through(anatomy.structure("outflow_path"), anatomy.aortic_plane, "reader_path").at(stations)
        points, tangents = together.at(np.array([draw]), stations[None])
        assert np.linalg.norm(points[0] - alone[0], axis=1).max() < 0.15
        assert np.degrees(np.arccos(np.vecdot(tangents[0], alone[1]).clip(-1.0, 1.0))).max() < 1.0


@pytest.mark.parametrize("solid", ["full_frame", "prosthesis_leaflet"])
def test_draws_whose_middle_has_no_path_or_no_solid_are_refused(solid: str) -> None:
    reading = read(Channel())
    backwards = build_anatomy(reading.marks | {"outflow_path": reading.path[::-1]}, checked=False)
    with pytest.raises(GeometryError):
        reading.redraws(4, backwards).numbers(solid, "reader_path")


def test_automatic_path_adds_its_own_error() -> None:
    """With landmarks that hardly scatter, the automatic path's interval is that of the path itself."""
    channel = Channel(ventricle=True, noise=0.0)
    reading = ChannelReading(
        channel,
        read(channel).path,
        Definitions(solids=("full_frame",), landmark_sd={"default": 0.01, "outflow_path": 0.01}),
    )
    areas = {m: reading.redraws(24).numbers("full_frame", m)[:, 0] for m in ("reader_path", "automatic_path")}
    own = {m: reading.sections().section("full_frame", m).area for m in areas}
    assert np.std(areas["reader_path"]) < 0.02 * own["reader_path"]
    expected = path_error(reading.sections().plane_doubt("full_frame"))
    assert np.std(areas["automatic_path"]) == pytest.approx(expected * own["automatic_path"], rel=0.15)


def test_four_clicks_and_thirty_on_one_curve_give_one_value_and_one_interval() -> None:
    values, widths = [], []
    for clicks in (4, 6, 10, 30):
        reading = read(Channel(bulge=3.0, bend=0.012), np.linspace(-30.0, 3.0, clicks), path_sd=0.7, station_step=2.0)
        value = reading.sections().section("full_frame", "reader_path").area
        areas = reading.redraws(120).numbers("full_frame", "reader_path")[:, 0]
        found = interval(Draws(value, areas), measure("neo_lvot_area"))
        assert found.low < value < found.high
        assert found.high - found.low < 0.45 * value
        values.append(value)
        widths.append(found.high - found.low)
    assert np.ptp(values) <= 0.02 * np.mean(values)
    # 120 draws tell a width to 6.5 %, the bound is 20 %
    assert np.abs(np.asarray(widths) / np.mean(widths) - 1.0).max() <= 0.20


def test_scattered_clicks_keep_the_value_and_its_interval_about_it() -> None:
    true = read(Channel(bulge=3.0)).sections().section("full_frame", "reader_path").area
    errors = []
    for seed in range(4):
        reading = read(Channel(bulge=3.0), np.linspace(-30.0, 3.0, 30), path_sd=0.7, seed=seed, station_step=2.0)
        value = reading.sections().section("full_frame", "reader_path").area
        areas = reading.redraws(40).numbers("full_frame", "reader_path")[:, 0]
        found = interval(Draws(value, areas), measure("neo_lvot_area"))
        assert found.low < value < found.high
        assert found.low > 0.5 * value
        errors.append(value - true)
    # a path through the clicks themselves turns its planes by tens of degrees: errors of 100 mm2 and more
    assert np.sqrt(np.mean(np.square(errors))) < 9.0
