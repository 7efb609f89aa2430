"""What the choice between two flows gives to native area and widths of a tube: closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from test_centreline import STRAIGHT_BOX, drawn_lumen, straight_anatomy

from outflow_geometry.base.findings import PathSpread
from outflow_geometry.base.inputs import Definitions, Device, Plan
from outflow_geometry.outflow.centreline import automatic_path
from outflow_geometry.outflow.path_spread import path_spread
from outflow_geometry.outflow.placing import build_solid

RADIUS = 8.0


def spread(lean_of_other: float) -> PathSpread:
    """Of a tube beside a device that does not reach it; the other flow's planes lean by so many degrees."""
    anatomy = straight_anatomy()
    lumen = drawn_lumen(lambda p: RADIUS - np.hypot(p[..., 0] - 20.0, p[..., 1]), *STRAIGHT_BOX)
    solid = build_solid("full_frame", Plan("p", Device("d", 20.0, 34.0), 28.0), None, anatomy)
    path = automatic_path(lumen, anatomy)
    turn = Rotation.from_rotvec([lean_of_other, 0.0, 0.0], degrees=True)
    middle = path.at(-8.0)[0]
    other = replace(path, points=middle + turn.apply(path.points - middle), tangents=turn.apply(path.tangents))
    return path_spread(lumen, (path, other), anatomy, solid, Definitions(search_upstream=20.0))


def test_one_flow_gives_no_spread() -> None:
    assert spread(0.0) == PathSpread(0.0, 0.0, 0.0, 0.0)


def test_two_flows_give_their_difference_over_root_two() -> None:
    """A plane that leans by an angle cuts an ellipse: the longer axis and the area over the cosine, the shorter as is."""
    both = spread(20.0)
    stretch = 1.0 / math.cos(math.radians(20.0)) - 1.0
    expected = math.pi * RADIUS**2 * stretch / math.sqrt(2.0)
    # a scan's areas are right to a percent, of some 201 mm2
    assert both.native_area == pytest.approx(expected, abs=2.0 / math.sqrt(2.0))
    assert both.diameter_max == pytest.approx(2.0 * RADIUS * stretch / math.sqrt(2.0), rel=0.15)
    assert both.diameter_min < 0.2
