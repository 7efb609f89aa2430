"""A zip archive in place of a folder: unpacked within bounds into a temporary folder, the same way each time.

Nothing an archive says is trusted: sizes are counted while unpacking, a name that leads elsewhere refuses the whole.
"""

from __future__ import annotations

import contextlib
import lzma
import os
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from outflow_cohort.dicom.pixels import PixelError

if TYPE_CHECKING:
    from outflow_cohort.dicom.settings import IntakeSettings

CHUNK = 1 << 20
"""Bytes copied at once; a bomb is noticed within one chunk beyond the bound."""
UNPACKED_TIME = 315_532_800
"""Time of every unpacked file (1980-01-01, where zip's own time begins), so that the listing's fingerprint repeats."""


@contextlib.contextmanager
def opened_folder(place: Path, intake: IntakeSettings) -> Iterator[Path]:
    """`place` itself where it is a folder; where it is a zip archive, a folder of its files that goes on leaving.

    Raises PixelError: `folder_missing` for neither, `archive_unsafe`, `archive_unreadable`, `too_many_files`.
    """
    if place.is_dir():
        yield place
        return
    if not place.is_file():
        raise PixelError("folder_missing", "no folder or zip archive of this name")
    with tempfile.TemporaryDirectory(prefix="outflow_") as name:
        _unpack(place, Path(name), intake)
        yield Path(name)


def _unpack(archive: Path, target: Path, intake: IntakeSettings) -> None:
    try:
        with zipfile.ZipFile(archive) as opened:
            members = [m for m in opened.infolist() if not m.is_dir()]
            if len(members) > intake.max_files:
                raise PixelError("too_many_files", f"more than {intake.max_files} files in one archive")
            names = [_safe_name(member) for member in members]
            if len({str(n).casefold() for n in names}) < len(names):
                raise PixelError("archive_unsafe", "two files of one name in the archive")
            left = int(intake.max_archive_megabytes * 1e6)
            for member, name in zip(members, names, strict=True):
                left -= _copy(opened, member, target / name, min(left, int(intake.max_file_megabytes * 1e6)))
    except (zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, NotImplementedError, RuntimeError) as problem:
        # RuntimeError: encrypted; NotImplementedError: a compression that Python's zipfile does not know. An OSError
        # (a full disk) is not the archive's fault and goes on.
        raise PixelError("archive_unreadable", f"the archive cannot be read ({type(problem).__name__})") from None


def _safe_name(member: zipfile.ZipInfo) -> PurePosixPath:
    """The member's relative name; raises PixelError `archive_unsafe` for one that leads elsewhere or is a link."""
    name = PurePosixPath(member.filename)
    kind = stat.S_IFMT(member.external_attr >> 16)
    if kind not in (0, stat.S_IFREG):
        raise PixelError("archive_unsafe", "a link or special file in the archive")
    strange = any(c in member.filename for c in "\\:\0") or any(ord(c) < 32 for c in member.filename)
    if name.is_absolute() or ".." in name.parts or not name.parts or strange:
        raise PixelError("archive_unsafe", "a file name in the archive leads outside it")
    return name


def _copy(opened: zipfile.ZipFile, member: zipfile.ZipInfo, path: Path, limit: int) -> int:
    """Unpack one file; returns its bytes. Raises PixelError `archive_unsafe` beyond `limit` bytes."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise PixelError("archive_unsafe", "a file and a folder of one name in the archive") from None
    size = 0
    with opened.open(member) as source, path.open("xb") as target:
        while chunk := source.read(CHUNK):
            size += len(chunk)
            if size > limit:
                raise PixelError("archive_unsafe", "the archive unpacks to more than the bound allows")
            target.write(chunk)
    os.utime(path, (UNPACKED_TIME, UNPACKED_TIME))
    return size
