"""Zip archives and DICOMDIR media in place of folders: same verdict, same voxels; hostile archives are refused."""

from __future__ import annotations

import stat
import zipfile
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk
from pydicom.dataset import FileDataset
from pydicom.fileset import FileSet
from series_files import codes_of, request, take_inventory, take_volumes, write_series

from outflow_cohort.dicom.archives import opened_folder
from outflow_cohort.dicom.pixels import PixelError
from outflow_cohort.dicom.settings import IntakeSettings

WHOLE = {"resample": {"whole_image": True}, "privacy": {"policy": "report_only"}}


def zipped(folder: Path, target: Path, method: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(target, "w", method) as archive:
        for path in sorted(folder.rglob("*")):
            archive.write(path, path.relative_to(folder))
    return target


def voxels(content: dict, work: Path) -> np.ndarray:
    index = take_volumes(content, work)
    assert index["set_aside"] == []
    return sitk.GetArrayFromImage(sitk.ReadImage(str(work / "volumes" / index["volumes"][0]["file"])))


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_zipped_series_gives_the_same_rows_and_voxels(tmp_path: Path, method: int):
    write_series(tmp_path / "ct" / "deep" / "er")
    archive = zipped(tmp_path / "ct", tmp_path / "ct.zip", method)
    plain, packed = request(tmp_path / "ct", **WHOLE), request(archive, **WHOLE)
    np.testing.assert_array_equal(voxels(packed, tmp_path / "w2"), voxels(plain, tmp_path / "w1"))
    rows = [take_inventory(c, tmp_path / w)["series"] for c, w in ((plain, "w1"), (packed, "w2"))]
    assert rows[0] == rows[1]


def test_rows_that_share_an_archive_unpack_it_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    write_series(tmp_path / "ct" / "one", series=1)
    write_series(tmp_path / "ct" / "two", series=2)
    archive = zipped(tmp_path / "ct", tmp_path / "ct.zip")
    unpacked: list[Path] = []
    from outflow_cohort.dicom import archives

    real = archives._unpack
    monkeypatch.setattr(archives, "_unpack", lambda *given: (unpacked.append(given[0]), real(*given))[1])
    take_inventory(request(archive, [{"dicom_dir": str(archive)}, {"dicom_dir": str(archive)}]), tmp_path / "w")
    assert unpacked == [archive]


def test_nothing_unpacked_is_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    write_series(tmp_path / "ct")
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    voxels(request(zipped(tmp_path / "ct", tmp_path / "ct.zip"), **WHOLE), tmp_path / "w")
    assert list(scratch.iterdir()) == []


def test_a_medium_with_a_dicomdir_is_read_as_its_files(tmp_path: Path):
    """The medium is written by pydicom's FileSet (PS3.10 section 8, PS3.11): DICOMDIR and folders of 8-letter names."""
    plain = tmp_path / "plain"
    medium = FileSet()

    def dated(ds: FileDataset, _: int) -> None:  # a directory record needs these
        ds.StudyDate, ds.StudyTime, ds.StudyID = "19000101", "000000", "1"

    for path in write_series(plain, dated):
        medium.add(path)
    medium.write(tmp_path / "medium")
    assert (tmp_path / "medium" / "DICOMDIR").is_file()
    found = take_inventory(request(tmp_path / "medium", **WHOLE), tmp_path / "w")
    usable = [r for r in found["series"] if r["verdict"] != "set_aside"]
    assert len(usable) == 1
    np.testing.assert_array_equal(
        voxels(request(tmp_path / "medium", **WHOLE), tmp_path / "w1"), voxels(request(plain, **WHOLE), tmp_path / "w2")
    )


def hostile(path: Path, *members: tuple[str | zipfile.ZipInfo, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return path


def link(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return info


@pytest.mark.parametrize(
    ("members", "code"),
    [
        ([("../out.dcm", b"x")], "archive_unsafe"),
        ([("a/../../out.dcm", b"x")], "archive_unsafe"),
        ([("/out.dcm", b"x")], "archive_unsafe"),
        ([("C:\\out.dcm", b"x")], "archive_unsafe"),
        ([("..\\out.dcm", b"x")], "archive_unsafe"),
        ([(link("l"), b"/etc/passwd")], "archive_unsafe"),
        ([("a", b"x"), ("A", b"y")], "archive_unsafe"),
        ([("a", b"x"), ("a/b", b"y")], "archive_unsafe"),
        ([(f"f{i}", b"") for i in range(40)], "too_many_files"),
        ([("bomb", b"\0" * 4_000_000)], "archive_unsafe"),
        ([(f"b{i}", b"\0" * 900_000) for i in range(3)], "archive_unsafe"),
    ],
)
def test_a_hostile_archive_is_refused_and_writes_nothing_outside(tmp_path: Path, members: list, code: str):
    place = tmp_path / "inner"
    place.mkdir()
    archive = hostile(place / "x.zip", *members)
    intake = IntakeSettings(max_files=30, max_archive_megabytes=2, max_file_megabytes=1)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(PixelError) as caught, opened_folder(archive, intake):
        pass
    assert caught.value.code == code
    assert sorted(tmp_path.rglob("*")) == before
    found = take_inventory(request(archive, intake=intake.model_dump()), tmp_path / "w")
    assert {c for row in found["series"] for c in codes_of(row)} == {code}
    assert [row["code"] for row in found["set_aside"]] == [code]


def test_a_size_that_the_archive_lies_about_is_counted_all_the_same(tmp_path: Path):
    """The directory claims 10 bytes for a file of 3 MB: reading must stop at a bound or end as damaged."""
    archive = hostile(tmp_path / "x.zip", ("a", b"\0" * 3_000_000))
    raw = bytearray(archive.read_bytes())
    true, lie = (3_000_000).to_bytes(4, "little"), (10).to_bytes(4, "little")
    archive.write_bytes(raw.replace(true, lie))
    with pytest.raises(PixelError) as caught, opened_folder(archive, IntakeSettings(max_archive_megabytes=1)):
        pass
    assert caught.value.code in ("archive_unsafe", "archive_unreadable")


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 and nothing else", b"not a zip archive"])
def test_a_file_that_is_no_archive_is_set_aside(tmp_path: Path, content: bytes):
    path = tmp_path / "x.zip"
    path.write_bytes(content)
    found = take_inventory(request(path), tmp_path / "w")
    assert [row["code"] for row in found["set_aside"]] == ["archive_unreadable"]


@pytest.mark.parametrize("cut", [0.3, 0.6, 0.95])
def test_a_damaged_archive_never_crashes(tmp_path: Path, cut: float):
    write_series(tmp_path / "ct", n=4)
    archive = zipped(tmp_path / "ct", tmp_path / "ct.zip")
    raw = bytearray(archive.read_bytes())
    middle = int(cut * len(raw))
    raw[middle : middle + 60] = bytes(60)
    archive.write_bytes(raw)
    found = take_inventory(request(archive), tmp_path / "w")
    assert not any(row["code"] == "step_crashed" for row in found["set_aside"])
    assert found["series"]


def test_a_missing_archive_is_told_as_missing(tmp_path: Path):
    found = take_inventory(request(tmp_path / "nowhere.zip"), tmp_path / "w")
    assert [row["code"] for row in found["set_aside"]] == ["folder_missing"]
