"""What the direction of a plane does to the numbers in it: closed forms of a tube and of a cone."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_centreline import STRAIGHT_BOX, drawn_lumen, straight_anatomy

from outflow_geometry.base.findings import PathSpread, SectionNumbers
from outflow_geometry.base.frames import Plane
from outflow_geometry.base.inputs import Definitions, Device, Plan
from outflow_geometry.measures import measure_functions
from outflow_geometry.outflow.centreline import automatic_path
from outflow_geometry.outflow.placing import build_solid
from outflow_geometry.outflow.turned_plane import IN_DOUBT, LEAN, MOST_TURNED, TURN, leaning_spread
from outflow_geometry.scatter.drawn_places import drawn_elsewhere
from outflow_geometry.scatter.scanned_draws import NUMBERS

RADIUS = 8.0
GRID_ERROR = 0.015
"""Share to which a scan's area is right."""


def spread(opening: float) -> tuple[PathSpread, float]:
    """In the plane 8 mm upstream of the annulus of a tube whose radius grows by `opening` for each mm upstream."""
    anatomy = straight_anatomy()
    height = anatomy.aortic_plane.height

    def inside(p: np.ndarray) -> np.ndarray:
        return RADIUS - opening * (height(p) + 8.0) - np.hypot(p[..., 0] - 20.0, p[..., 1])

    lumen = drawn_lumen(lambda p: RADIUS - np.hypot(p[..., 0] - 20.0, p[..., 1]), *STRAIGHT_BOX)
    path = automatic_path(lumen, anatomy)
    wide = drawn_lumen(inside, *STRAIGHT_BOX)
    point, tangent = (found[0] for found in path.at(np.array([-8.0])))
    solid = build_solid("full_frame", Plan("p", Device("d", 20.0, 34.0), 28.0), None, anatomy)
    return leaning_spread(wide, Plane.from_normal(point, tangent), anatomy, solid, Definitions())


def test_a_tube_hardly_feels_the_direction() -> None:
    """An ellipse of area pi r^2 / cos(lean), its longer axis 2 r / cos(lean)."""
    numbers, turned = spread(0.0)
    area = math.pi * RADIUS**2
    assert numbers.native_area == pytest.approx(
        area * (1.0 / math.cos(math.radians(LEAN)) - 1.0), abs=GRID_ERROR * area
    )
    assert turned == pytest.approx(1.0 / math.cos(math.radians(TURN)) - 1.0, abs=GRID_ERROR)
    assert turned < MOST_TURNED
    assert numbers.diameter_max < 0.3


def test_where_the_tract_opens_the_direction_counts() -> None:
    """A cone x2 + y2 = (r - k z)2 cut by z = x tan b: an ellipse of half axes r / (1 - m2) over cos b and
    r / sqrt(1 - m2), with m = k tan b."""
    opening = 1.5
    numbers, turned = spread(opening)
    for degrees, found in ((TURN, turned), (LEAN, numbers.native_area / (math.pi * RADIUS**2))):
        angle = math.radians(degrees)
        expected = (1.0 - (opening * math.tan(angle)) ** 2) ** -1.5 / math.cos(angle) - 1.0
        assert found == pytest.approx(expected, abs=GRID_ERROR)
    assert turned > MOST_TURNED


def section(**numbers: float) -> SectionNumbers:
    every = dict(zip(NUMBERS, (200.0, -10.0, 460.0, 0.43, 6.5, 23.5, 14.0), strict=True))
    return SectionNumbers(**(every | numbers))


def test_a_number_that_the_direction_leaves_in_doubt_says_so_and_the_area_does_not() -> None:
    found = replace(section(), unsure=IN_DOUBT)
    context = SimpleNamespace(smallest=lambda variant, method: found)
    assert measure_functions.native_lvot_area(context, "full_frame", "automatic_path") == (460.0, "path_unsure")
    assert measure_functions.lvot_residual_fraction(context, "full_frame", "automatic_path")[1] == "path_unsure"
    assert measure_functions.neo_lvot_area(context, "full_frame", "automatic_path") == (200.0, "ok")
    both = SimpleNamespace(smallest=lambda variant, method: replace(found, jumping=frozenset({"native_area"})))
    assert measure_functions.native_lvot_area(both, "full_frame", "automatic_path")[1] == "two_places"


@pytest.mark.parametrize(("share", "gap", "says"), [(0.06, 9.0, True), (0.03, 9.0, False), (0.06, 0.0, False)])
def test_draws_at_another_place_make_two_places(share: float, gap: float, says: bool) -> None:
    """Draws scattered about one place, however far, are one place; 6 of 100 beyond a gap are two."""
    rng = np.random.default_rng(3)
    stations = -10.0 + 1.5 * rng.standard_normal(100)
    far = np.argsort(stations)[: round(100 * share)]
    stations[far] -= gap
    drawn = np.tile([getattr(section(), name) for name in NUMBERS], (100, 1))
    drawn[:, 1] = stations
    drawn[far, 2] = 800.0
    assert drawn_elsewhere(section(), drawn) == (frozenset({"native_area", "station"}) if says else frozenset())
