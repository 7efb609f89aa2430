"""Files of other libraries and damaged files: each ends in a verdict, never in a crash, a hang or unbounded memory.

The short run is part of the default suite; OUTFLOW_FUZZ_FILES sets the number for a long one.
"""

from __future__ import annotations

import os
import resource
import time
from pathlib import Path

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.data import get_testdata_file
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless, RLELossless
from series_files import SLICES, codes_of, request, slice_dataset, take_inventory, take_volumes, write_series

from outflow_cohort.dicom.codes import reasons
from outflow_cohort.handover.inventory import SeriesPlan

SHORT_RUN = 300
FILES_A_FOLDER = SLICES
LONGEST_FOLDER_SECONDS = 120
"""A hang guard, not a timing: the decoder's own limit is a second a frame in these tests."""
MOST_MEMORY_MB = 3000
SETTINGS = {"intake": {"decode_seconds": 20.0}, "privacy": {"policy": "report_only"}}


def test_every_file_that_comes_with_pydicom_ends_in_a_verdict(tmp_path):
    folder = Path(get_testdata_file("CT_small.dcm")).parent
    found = take_inventory(request(folder, **SETTINGS), tmp_path / "work")
    n_files = sum(1 for p in folder.rglob("*") if p.is_file())
    assert sum(row.get("n_files", 0) for row in found["series"]) == n_files
    assert all(set(codes_of(row)) <= set(reasons()) for row in found["series"])


REAL_FILES = {
    "CT_small.dcm": {"rows": 128, "columns": 128, "row_spacing_mm": 0.661468, "rescale_intercept": -1024.0},
    "693_J2KI.dcm": {"rows": 512, "columns": 512, "rescale_intercept": -1024.0},
    "MR_small.dcm": "not_ct",
    "JPEG2000.dcm": "secondary_capture",
    "rtdose.dcm": "not_ct",
    "test-SR.dcm": "report_object",
    "liver_1frame.dcm": "not_ct",
}


@pytest.mark.parametrize("name", REAL_FILES)
def test_real_files_are_told_for_what_they_are(tmp_path, name):
    folder = tmp_path / "s"
    folder.mkdir()
    (folder / "x").write_bytes(Path(get_testdata_file(name)).read_bytes())
    found = take_inventory(request(folder, **SETTINGS), tmp_path / "work")
    (row,) = found["series"]
    assert row["verdict"] == "set_aside"  # one slice is no volume
    expected = REAL_FILES[name]
    if isinstance(expected, str):
        assert codes_of(row) == {expected}
    else:
        assert {key: row[key] for key in expected} == pytest.approx(expected)
        assert "too_few_slices" in codes_of(row)


@pytest.mark.parametrize("name", ["CT_small.dcm", "693_J2KI.dcm"])
def test_stack_made_of_a_real_slice_reads_as_pydicom_reads_it(tmp_path, name):
    """The real header and pixels repeated along its normal; HU as pydicom's own rescale gives them."""
    from pydicom.pixels import apply_rescale

    from outflow_cohort.dicom.pixels import frame_decoder
    from outflow_cohort.dicom.scan import list_files
    from outflow_cohort.dicom.volume import Grid, read_stack

    folder = tmp_path / "s"
    folder.mkdir()
    ds = dcmread(get_testdata_file(name))
    truth = apply_rescale(ds.pixel_array, ds)
    truth = np.where(ds.pixel_array == ds.get("PixelPaddingValue", -99999), -1024, truth)
    normal = np.cross(ds.ImageOrientationPatient[:3], ds.ImageOrientationPatient[3:])
    first = np.array(ds.ImagePositionPatient, dtype=float)
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    for k in range(4):
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = f"1.2.826.0.1.3680043.8.498.{k + 1}"
        ds.ImagePositionPatient = [round(float(v), 4) for v in first + 0.5 * k * normal]
        ds.save_as(folder / f"{k}", enforce_file_format=True)
    found = take_inventory(request(folder, **SETTINGS), tmp_path / "work")
    plan = SeriesPlan.model_validate(*found["plans"])
    with frame_decoder(30, 2048) as decoder:
        paths = [folder / n for n, _ in list_files(folder, 100)[0]]
        read = read_stack(plan, paths, decoder, Grid.of_plan(plan).whole)
    np.testing.assert_array_equal(read.values[2], truth)


def mutated(raw: bytes, random: np.random.Generator) -> bytes:
    """One damage: flipped bytes, a cut, a doubled or dropped stretch, a wrong length or VR, or noise."""
    data = bytearray(raw)
    kind = int(random.integers(0, 8))
    place = int(random.integers(0, len(data)))
    header = min(len(data), 1600)
    if kind == 0:
        for at in random.integers(0, len(data), size=int(random.integers(1, 40))):
            data[at] = int(random.integers(0, 256))
    elif kind == 1:
        for at in random.integers(132, header, size=int(random.integers(1, 12))):
            data[at] = int(random.integers(0, 256))
    elif kind == 2:
        del data[place:]
    elif kind == 3:
        stretch = int(random.integers(1, 300))
        data[place:place] = data[place : place + stretch]
    elif kind == 4:
        del data[place : place + int(random.integers(1, 300))]
    elif kind == 5:
        at = int(random.integers(132, header - 4))
        data[at : at + 4] = random.choice([b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\0\0\0\0", b"SQ\0\0"])
    elif kind == 6:
        at = int(random.integers(132, header - 8))
        data[at : at + 8] = b"\xfe\xff\x00\xe0\xff\xff\xff\xff"  # an item of undefined length
    else:
        data = bytearray(random.bytes(int(random.integers(0, 2000))))
    return bytes(data)


def seeds() -> list[bytes]:
    """Whole files to damage: single slices native and compressed, a multi-frame object, files of pydicom."""
    import io

    from test_enhanced import enhanced

    files = []
    for syntax in (None, RLELossless, JPEG2000Lossless, JPEGLSLossless):
        ds = slice_dataset(3)
        if syntax is not None:
            ds.compress(syntax, generate_instance_uid=False)
        buffer = io.BytesIO()
        ds.save_as(buffer, enforce_file_format=True)
        files.append(buffer.getvalue())
    buffer = io.BytesIO()
    enhanced([(k, 0) for k in range(SLICES)]).save_as(buffer, enforce_file_format=True)
    files.append(buffer.getvalue())
    files += [Path(get_testdata_file(n)).read_bytes() for n in ("CT_small.dcm", "nested_priv_SQ.dcm", "image_dfl.dcm")]
    return files


def run_fuzz(tmp_path, n_files: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    whole = seeds()
    done = 0
    while done < n_files:
        folder = tmp_path / "fuzz"
        for path in write_series(folder):
            if random.random() < 0.7:
                path.write_bytes(mutated(path.read_bytes(), random))
        for number in range(FILES_A_FOLDER):
            raw = whole[int(random.integers(0, len(whole)))]
            (folder / f"m{number}").write_bytes(mutated(raw, random))
        start = time.monotonic()
        content = request(folder, resample={"whole_image": True, "margin_mm": 5.0}, **SETTINGS)
        result = take_volumes(content, tmp_path / "work")
        found = take_inventory(content, tmp_path / "again")
        assert time.monotonic() - start < LONGEST_FOLDER_SECONDS
        codes = {row["code"] for row in result["set_aside"] + found["set_aside"]}
        assert "step_crashed" not in codes
        files = [p for p in folder.iterdir() if p.is_file()]
        counted = sum(row.get("n_files", 0) for row in found["series"])
        assert counted >= len(files)  # a multi-frame file that was split counts for each part
        assert all(row["verdict"] in ("accepted", "warned", "set_aside") for row in found["series"])
        done += len(files)
        for path in files:
            path.unlink()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    assert peak < MOST_MEMORY_MB


def test_damaged_files_end_in_verdicts(tmp_path):
    run_fuzz(tmp_path, SHORT_RUN, seed=20240229)


@pytest.mark.fuzz
def test_many_damaged_files_end_in_verdicts(tmp_path):
    run_fuzz(tmp_path, int(os.environ.get("OUTFLOW_FUZZ_FILES", "10000")), seed=7)


def bomb_rows(ds):
    ds.Rows = ds.Columns = 65535


def bomb_frames(ds):
    ds.SOPClassUID = "1.2.840.10008.5.1.4.1.1.2.1"
    ds.NumberOfFrames = 2_000_000_000


@pytest.mark.parametrize("spoil", [bomb_rows, bomb_frames])
def test_claimed_sizes_allocate_nothing(tmp_path, spoil):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    write_series(tmp_path / "s", lambda ds, k: spoil(ds))
    found = take_inventory(request(tmp_path / "s", **SETTINGS), tmp_path / "work")
    assert found["plans"] == []
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000


def test_deep_nesting_and_inflating_bombs(tmp_path):
    import zlib

    folder = tmp_path / "s"
    write_series(folder)
    deep = b"\x40\x00\x75\x02SQ\0\0\xff\xff\xff\xff\xfe\xff\x00\xe0\xff\xff\xff\xff" * 5000
    raw = (folder / "f000_1").read_bytes()
    (folder / "deep").write_bytes(raw[:400] + deep)
    meta = raw[: raw.index(b"\x08\x00\x08\x00CS")]
    meta = meta.replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.1.99")
    compressor = zlib.compressobj(9, zlib.DEFLATED, -15)
    body = b"".join(compressor.compress(b"\0" * 1_000_000) for _ in range(400)) + compressor.flush()
    (folder / "inflating").write_bytes(meta + body)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    found = take_inventory(request(folder, **SETTINGS), tmp_path / "work")
    assert [row["verdict"] for row in found["series"] if row.get("n_slices") == SLICES] == ["accepted"]
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000
