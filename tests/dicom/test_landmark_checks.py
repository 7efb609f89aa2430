"""Landmarks against the image: frames, units, sides and sizes, on a heart laid out as in a supine patient.

The layout follows the anatomy in science texts: the apex left of, before and below the annuli; the aortic annulus
before and to the right of the mitral ring; right hinge foremost, left hinge left, non-coronary hinge right.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from outflow_cohort.dicom.codes import reason
from outflow_cohort.dicom.frame_evidence import mirrored_as, whole_view
from outflow_cohort.dicom.landmark_checks import ImageBox, check_landmarks, reading_problems
from outflow_cohort.dicom.pixels import PixelError
from outflow_cohort.dicom.volume import Grid, ReadRegion
from outflow_cohort.handover.request import Reading
from outflow_cohort.handover.volumes import MirroredReading, VolumeEntry
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.orientation import NOTHING_SEEN
from outflow_geometry.image.pose import blood_places, hinge_order

BOX = ImageBox(np.array([-120.0, -120.0, -100.0]), np.diag([0.5, 0.5, 0.5]), np.array([480, 480, 400]))


def heart(shift=(0.0, 0.0, 0.0)):
    """Ring of 36 mm, aortic annulus of 24 mm, apex 80 mm away."""
    normal = np.array([0.6, -0.5, -0.6]) / np.linalg.norm([0.6, -0.5, -0.6])
    across = np.cross(normal, [0, 0, 1])
    across /= np.linalg.norm(across)
    turn = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    ring = 18 * (np.outer(np.cos(turn), across) + np.outer(np.sin(turn), np.cross(normal, across)))
    aorta = np.array([-22.0, -20.0, 12.0])
    hinges = {"right": (0, -12, 0), "left": (10.4, 6, 0), "non": (-10.4, 6, 0)}
    points = {
        "mitral_ring": ring,
        "lv_apex": [80 * normal],
        "trigone_left": [[2, -16, 9]],
        "trigone_right": [[-17, -2, 9]],
    }
    points |= {f"aortic_hinge_{n}": [aorta + np.array(v)] for n, v in hinges.items()}
    return {name: (np.atleast_2d(p) + shift).tolist() for name, p in points.items()}


def codes(points, box=BOX):
    return [p.code for p in reading_problems(points, box)]


def mapped(points, change):
    return {name: [change(np.array(p)).tolist() for p in group] for name, group in points.items()}


def test_sound_reading_passes():
    assert codes(heart()) == []
    hinges = np.array([heart()[f"aortic_hinge_{n}"][0] for n in ("left", "right", "non")])
    assert hinge_order(hinges, np.array(heart()["lv_apex"][0])) > 0


OFF_CENTRE = ImageBox(np.array([20.0, 30.0, -100.0]), np.diag([0.5, 0.5, 0.5]), np.array([480, 480, 400]))
IN_OFF_CENTRE = (140.0, 150.0, 0.0)

FRAMES = [
    ("coordinates_ras", lambda p: p * [-1, -1, 1]),
    ("coordinates_units", lambda p: p / 10),
    ("coordinates_units", lambda p: p / 1000),
    ("coordinates_units", lambda p: p * [-1, -1, 1] / 10),
    ("coordinates_index", lambda p: (p - OFF_CENTRE.origin) / 0.5),
    ("outside_image", lambda p: np.add(p, [400, 0, 0])),
]


@pytest.mark.parametrize(("code", "change"), FRAMES, ids=[f"{n}_{c}" for n, (c, _) in enumerate(FRAMES)])
def test_mistakes_of_frame_and_unit_are_named(code, change):
    assert codes(mapped(heart(IN_OFF_CENTRE), change), OFF_CENTRE) == [code]
    assert reason(code).severity == "set_aside"


def test_units_are_named_even_where_the_small_heart_lies_inside():
    assert codes(mapped(heart(), lambda p: p / 10)) == ["coordinates_units"]


SIDES = [
    ("orientation_unusual", lambda h: mapped(h, lambda p: p * [-1, -1, 1])),
    ("left_right_swapped", lambda h: mapped(h, lambda p: p * [-1, 1, 1])),
    ("apex_on_atrial_side", lambda h: {**h, "lv_apex": [(-np.array(h["lv_apex"][0])).tolist()]}),
    ("hinges_misnamed", lambda h: {**h, "aortic_hinge_left": h["aortic_hinge_non"], "aortic_hinge_non": h["aortic_hinge_left"]}),
    ("hinges_misnamed", lambda h: {**h, "aortic_hinge_left": h["aortic_hinge_right"], "aortic_hinge_right": h["aortic_hinge_left"]}),
    ("hinges_misnamed", lambda h: {
        **h, "aortic_hinge_left": h["aortic_hinge_non"], "aortic_hinge_non": h["aortic_hinge_right"],
        "aortic_hinge_right": h["aortic_hinge_left"],
    }),
    ("trigones_swapped", lambda h: {**h, "trigone_left": h["trigone_right"], "trigone_right": h["trigone_left"]}),
]  # fmt: skip


@pytest.mark.parametrize(("code", "spoil"), SIDES, ids=[f"{n}_{c}" for n, (c, _) in enumerate(SIDES)])
def test_sides_and_names_warn(code, spoil):
    assert code in codes(spoil(heart()))
    assert reason(code).severity == "warning"


SIZES = [
    ("ring_size_implausible", lambda h: {**h, "mitral_ring": [[3 * v for v in p] for p in h["mitral_ring"]]}),
    ("aortic_size_implausible", lambda h: {**h, "aortic_hinge_right": [[-22, -100, 12]]}),
    ("apex_near_ring", lambda h: {**h, "lv_apex": [[1.0, 2.0, 1.0]]}),
    ("ring_aorta_distance", lambda h: {
        **h, **{f"aortic_hinge_{n}": [np.add(h[f"aortic_hinge_{n}"][0], [22, 20, -12]).tolist()] for n in ("left", "right", "non")}
    }),
]  # fmt: skip


@pytest.mark.parametrize(("code", "spoil"), SIZES, ids=[c for c, _ in SIZES])
def test_sizes_and_distances_set_aside(code, spoil):
    assert code in codes(spoil(heart()))
    assert reason(code).severity == "set_aside"


def test_phantom_turned_any_way_is_measured():
    """A rotated phantom keeps the order of its hinges; only warnings about sides may come."""
    from scipy.spatial.transform import Rotation

    for turn in Rotation.random(20, random_state=4):
        found = codes(mapped(heart(), lambda p, turn=turn: turn.apply(p)))
        assert all(reason(code).severity == "warning" for code in found)


def test_points_beside_the_essential_ones_only_warn():
    assert codes({**heart(), "septum": [[900.0, 0, 0]]}) == ["partly_outside_image"]
    short = ImageBox(np.array([-120.0, -120.0, -30.0]), np.diag([0.5, 0.5, 0.5]), np.array([480, 480, 400]))
    assert codes(heart(), short) == ["partly_outside_image"]  # the field of view ends above the apex


def blood_image():
    """An image of 2 mm voxels, 240 mm wide, with enhanced blood around the heart's own places only."""
    places = blood_places({n: np.asarray(p) for n, p in heart((20.0, -25.0, 5.0)).items()})
    axis = np.arange(-120.0, 120.0, 2.0)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    values = np.full(x.shape, 40, np.int16)
    for place in places:
        values[(x - place[0]) ** 2 + (y - place[1]) ** 2 + (z - place[2]) ** 2 < 9.0**2] = 380
    volume = Volume(values, np.full(3, -120.0), np.eye(3), np.full(3, 2.0))
    return volume, heart((20.0, -25.0, 5.0))


@pytest.mark.parametrize(
    ("signs", "code"), [((1, 1, 1), None), ((-1, -1, 1), "coordinates_ras"), ((-1, 1, 1), "coordinates_mirrored")]
)
def test_image_tells_mirrored_coordinates(signs, code):
    volume, points = blood_image()
    found = mirrored_as(mapped(points, lambda p: p * np.array(signs)), NOTHING_SEEN, volume)
    assert (found and found.code) == code


def test_unenhanced_image_proves_nothing():
    volume, points = blood_image()
    plain = replace(volume, values=np.full_like(volume.values, 40))
    assert mirrored_as(mapped(points, lambda p: p * [-1, -1, 1]), NOTHING_SEEN, plain) is None


def test_a_view_reads_single_slices_and_gives_up_on_a_damaged_one():
    grid = Grid(np.array([-20.0, -30.0, 5.0]), np.eye(3), np.array([0.5, 0.5, 1.5]), (40, 60, 21), np.zeros(2))
    values = np.arange(21 * 60 * 40).reshape(21, 60, 40).astype(np.int16)
    asked = []

    def read(region):
        (i0, j0, k0), (i1, j1, k1) = region.start, region.stop
        asked.append(k1 - k0)
        return ReadRegion(values[k0:k1, j0:j1, i0:i1], region, 0)

    for by_slice in (True, False):
        view = whole_view(grid, read, by_slice=by_slice)
        assert np.array_equal(view.values, values[::4, ::4, ::4])
        assert view.spacing.tolist() == [2.0, 2.0, 6.0]
        assert view.to_points([1, 1, 1]) == pytest.approx([-18.0, -28.0, 11.0])
    assert asked == [1] * 6 + [21]

    def broken(region):
        raise PixelError("truncated_pixels", "cut short")

    assert whole_view(grid, broken, by_slice=True) is None


def test_mirrored_reading_is_set_aside_with_the_explanation():
    mirrored = MirroredReading(reader_id="R2", read_no=1, code="coordinates_ras", found="fits when mirrored")
    readings = [reading_of(r, heart(), "landmarks") for r in ("R1", "R2")]
    passed, (row,) = check_landmarks("C001", [(entry_of(None, mirrored), readings)])
    assert [r.reader_id for r in passed[0][1]] == ["R1"]
    assert row.code == "coordinates_ras"
    assert "fits when mirrored" in row.message


def entry_of(phase, *mirrored):
    """The volume of a phase in an image of 240 mm."""
    return VolumeEntry(
        row=2, series="ab12", phase_pct=phase, phase_source="none", file="phase_00.nrrd", ring_file=None,
        mirrored_readings=mirrored, shows_lungs=False, pixel_hash=None, resampled=False, patient_position=None,
        supine=None, frame_of_reference=None, image_origin=[-120.0, -120.0, -100.0],
        image_direction=np.eye(3).tolist(), image_spacing=[0.5, 0.5, 0.5], image_size=(480, 480, 400),
        image_shear=[0.0, 0.0],
    )  # fmt: skip


def reading_of(reader, structures, source):
    return Reading(phase_pct=None, reader_id=reader, read_no=1, structures=structures, source=source)


def test_set_aside_rows_carry_reader_source_and_remedy():
    good = reading_of("R1", heart(), "landmarks.csv rows 2-20")
    bad = reading_of("R2", mapped(heart(), lambda p: p / 10), "landmarks.csv rows 21-40")
    passed, refused = check_landmarks("C001", [(entry_of(30.0), [good, bad])])
    assert [r.reader_id for r in passed[0][1]] == ["R1"]
    (row,) = refused
    assert (row.reader_id, row.phase_pct, row.stage, row.code) == (
        "R2",
        30.0,
        "landmarks",
        "coordinates_units",
    )
    assert "rows 21-40" in row.message
    assert "Give millimetres" in row.message
