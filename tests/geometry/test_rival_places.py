"""Two places of a path that are equally narrow: what noise decides says so, the area does not."""

import dataclasses
from types import SimpleNamespace

import pytest
from channels import Channel
from test_redrawn_sections import read

from outflow_geometry.base.findings import SectionNumbers
from outflow_geometry.measures import measure_functions
from outflow_geometry.outflow.rival_places import APART

EVEN, WIDE = 24.7, 27.0
"""mm of device diameter that make the tract beside the device as narrow as the annulus, and clearly narrower."""

SOLID, METHOD = "full_frame", "reader_path"


def smallest(channel: Channel) -> SectionNumbers:
    return read(channel).sections().smallest(SOLID, METHOD)


@pytest.mark.parametrize("diameter", [EVEN - 0.2, EVEN + 0.2])
def test_numbers_of_two_places_alike_say_so(diameter: float) -> None:
    """0.4 mm of diameter sends the smallest section from the annulus to the tract beside the device."""
    found = smallest(Channel(noise=0.0, device_diameter=diameter))
    assert (found.station < -8.0) is (diameter > EVEN)
    assert (found.residual_fraction == 1.0) is (diameter < EVEN)
    assert {"station", "native_area", "residual_fraction", "diameter_min"} <= found.jumping
    assert found.status == "ok"


def test_one_narrowest_place_says_nothing() -> None:
    assert smallest(Channel(noise=0.0, device_diameter=WIDE)).jumping == frozenset()


def test_noise_moves_the_place_and_both_readings_say_so() -> None:
    quiet = Channel(noise=0.0, device_diameter=EVEN)
    found = [smallest(dataclasses.replace(quiet, noise=60.0, seed=seed)) for seed in range(1, 5)]
    stations = [f.station for f in found]
    assert max(stations) - min(stations) > APART, stations  # else these seeds show nothing
    assert all("native_area" in f.jumping for f in found)
    areas = [f.area for f in found]
    assert max(areas) / min(areas) < 1.03, areas


def test_only_the_numbers_that_jump_carry_the_status() -> None:
    section = SectionNumbers(
        area=250.0, station=-9.0, native_area=450.0, residual_fraction=0.55, septum_distance=5.0, diameter_max=24.0,
        diameter_min=12.0, jumping=frozenset({"native_area", "station"}),
    )  # fmt: skip
    context = SimpleNamespace(smallest=lambda variant, method: section)
    status = {
        name: getattr(measure_functions, name)(context, f"{SOLID}/max" if "diameter" in name else SOLID, METHOD)[1]
        for name in (
            "neo_lvot_area", "native_lvot_area", "lvot_residual_fraction", "neo_lvot_station",
            "device_septum_distance", "neo_lvot_diameter",
        )
    }  # fmt: skip
    assert {name for name, code in status.items() if code == "two_places"} == {"native_lvot_area", "neo_lvot_station"}
    assert {code for code in status.values()} == {"two_places", "ok"}
    doubtful = dataclasses.replace(section, status="leak")
    context = SimpleNamespace(smallest=lambda variant, method: doubtful)
    assert measure_functions.native_lvot_area(context, SOLID, METHOD)[1] == "leak"
