"""One pass over a folder: every file is listed, its header read once, audited and turned into frames.

File names and order mean nothing; a file is known by its place in the sorted listing.
"""

from __future__ import annotations

import hashlib
import io
import os
import stat
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from outflow_cohort.dicom.elements import elements_of, quiet_readers, text
from outflow_cohort.dicom.frames import DEFLATED, FileRecord, FolderScan, OtherObject
from outflow_cohort.dicom.headers import frames_of
from outflow_cohort.dicom.settings import IntakeSettings, PhaseSettings

if TYPE_CHECKING:
    from pydicom.dataset import FileDataset

Audit = Callable[["FileDataset", bytes, "FileDataset | None", str, str], None]
"""Called with each header: dataset, preamble, dataset after the pixels or None, series UID, name below the folder."""

IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
EXPLICIT_BIG = "1.2.840.10008.1.2.2"
HEADER_CHUNK = 65_536
"""Bytes read at once: most headers of single slices fit, and reading from memory halves pydicom's time."""
LONGEST_ELEMENT_HEAD = 12
UNDEFINED_LENGTH = 0xFFFFFFFF


def list_files(folder: Path, limit: int) -> tuple[list[tuple[str, os.stat_result]], bool]:
    """Regular files below `folder` as (relative name, stat), sorted by name; True where there were more.

    Links to folders are not followed (no endless loops); links to files are.
    """
    found: list[tuple[str, os.stat_result]] = []
    for directory, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            path = os.path.join(directory, name)
            try:
                status = os.stat(path)
            except OSError:
                continue
            if not stat.S_ISREG(status.st_mode):
                continue
            if len(found) >= limit:
                return sorted(found), True
            found.append((os.path.relpath(path, folder), status))
    return sorted(found), False


def listing_digest(files: list[tuple[str, os.stat_result]]) -> str:
    """Fingerprint of names, sizes and times, so that a later step notices that the folder has changed."""
    digest = hashlib.sha256()
    for name, status in files:
        digest.update(f"{name}\0{status.st_size}\0{status.st_mtime_ns}\n".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()


def scan_folder(folder: Path, intake: IntakeSettings, phase: PhaseSettings, audit: Audit | None = None) -> FolderScan:
    """Read every header below `folder`; nothing a file contains makes this raise."""
    files, more = list_files(folder, intake.max_files)
    result = FolderScan(n_files=len(files), listing_digest=listing_digest(files))
    if more:
        result.problems.append(
            (
                "too_many_files",
                f"more than {intake.max_files} files in one folder; point dicom_dir at one examination "
                "or raise intake.max_files",
            )
        )
        return result
    with quiet_readers():
        for ordinal, (name, status) in enumerate(files):
            _scan_file(folder, name, ordinal, status, intake, phase, audit, result)
    return result


def _scan_file(
    folder: Path,
    name: str,
    ordinal: int,
    status: os.stat_result,
    intake: IntakeSettings,
    phase: PhaseSettings,
    audit: Audit | None,
    result: FolderScan,
) -> None:
    if status.st_size > intake.max_file_megabytes * 1e6:
        result.others.append(OtherObject("file_too_large"))
        return
    try:
        with (folder / name).open("rb") as handle:
            read = read_header(handle, status, ordinal, intake)
    except Exception as problem:
        # Untrusted bytes: pydicom raises nearly any type, with values in the text; only the kind is kept.
        code = "file_unreadable" if isinstance(problem, OSError) else "header_damaged"
        result.others.append(OtherObject(code))
        return
    if isinstance(read, str):
        result.others.append(OtherObject(read))
        return
    dataset, record, preamble, trailer = read
    series = text(elements_of(dataset), 0x0020000E)
    try:
        if audit is not None:
            audit(dataset, preamble, trailer, series, name)
        result_frames = frames_of(dataset, record, intake, phase)
    except Exception:
        # As above: a damaged element is a verdict on this file, not an end of the run.
        result.others.append(OtherObject("header_damaged", series))
        return
    if isinstance(result_frames, OtherObject):
        result.others.append(result_frames)
    else:
        result.frames.extend(result_frames)


def read_header(
    handle: BinaryIO, status: os.stat_result, ordinal: int, intake: IntakeSettings
) -> tuple[FileDataset, FileRecord, bytes, FileDataset | None] | str:
    """Header, where the pixels are, preamble and what follows the pixels; or a code for what is no DICOM file."""
    from pydicom import dcmread
    from pydicom.filereader import read_dataset

    start = handle.read(HEADER_CHUNK)
    has_prefix = start[128:132] == b"DICM"
    if not has_prefix and not _looks_like_elements(start):
        return "not_dicom"
    limit = int(intake.max_header_megabytes * 1e6)
    if DEFLATED.encode() in start[:2048] and _inflates_beyond(handle, limit):
        return "header_too_large"
    source: BinaryIO = io.BytesIO(start)
    dataset = dcmread(source, stop_before_pixels=True, force=True)
    if source.tell() + LONGEST_ELEMENT_HEAD > len(start) and len(start) == HEADER_CHUNK:
        source = handle  # the header is longer than the first chunk
        source.seek(0)
        dataset = dcmread(source, stop_before_pixels=True, force=True)
    syntax = str(dataset.file_meta.get("TransferSyntaxUID", "") or "") if hasattr(dataset, "file_meta") else ""
    implicit, little = dataset.original_encoding
    if not syntax:
        syntax = IMPLICIT_LITTLE if implicit else (EXPLICIT_LITTLE if little else EXPLICIT_BIG)
    if len(dataset) == 0:
        return "not_dicom"
    if syntax == DEFLATED:
        record = FileRecord(
            ordinal=ordinal,
            size=status.st_size,
            transfer_syntax=syntax,
            pixel_offset=None,
            pixel_bytes=None,
            encapsulated=False,
        )
        return dataset, record, start[:128] if has_prefix else b"", None
    if source.tell() > limit:
        return "header_too_large"
    offset, length = _pixel_element(source, bool(implicit), bool(little))
    trailer: FileDataset | None = None
    encapsulated = length == UNDEFINED_LENGTH
    fragments = 0
    end: int | None = None
    if offset is not None and encapsulated:
        handle.seek(offset)
        fragments, end = _skip_fragments(handle, status.st_size)
    elif offset is not None and length is not None:
        end = offset + length
    if end is not None and end < status.st_size:
        handle.seek(end)
        rest = handle.read(limit)
        trailer = read_dataset(io.BytesIO(rest), bool(implicit), bool(little))  # type: ignore[assignment]
    record = FileRecord(
        ordinal=ordinal,
        size=status.st_size,
        transfer_syntax=syntax,
        pixel_offset=offset if offset is not None and not encapsulated else None,
        pixel_bytes=None if length is None or encapsulated else min(length, max(0, status.st_size - (offset or 0))),
        encapsulated=encapsulated,
        fragments=fragments,
        big_endian=not little,
    )
    return dataset, record, start[:128] if has_prefix else b"", trailer


def _inflates_beyond(handle: BinaryIO, limit: int) -> bool:
    """Whether a deflated file (PS3.5 A.5) inflates to more than `limit` bytes; nothing is kept of it."""
    from pydicom.filereader import _read_file_meta_info as read_meta
    from pydicom.filereader import read_preamble

    handle.seek(0)
    read_preamble(handle, False)
    syntax = str(read_meta(handle).get("TransferSyntaxUID", "") or "")
    if syntax != DEFLATED:
        return False
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    inflater.decompress(handle.read(), limit)
    return bool(inflater.unconsumed_tail)


def _looks_like_elements(start: bytes) -> bool:
    """Whether a file without prefix opens with a plausible element of group 0002 or 0008 (either byte order)."""
    if len(start) < 16:
        return False
    group_little, element_little = struct.unpack("<HH", start[:4])
    group_big, element_big = struct.unpack(">HH", start[:4])
    if group_little in (2, 8) and element_little < 0x3000:
        return start[4:6].isalpha() or struct.unpack("<L", start[4:8])[0] < 0x10000
    return group_big in (2, 8) and element_big < 0x3000 and start[4:6].isalpha()


def _pixel_element(handle: BinaryIO, implicit: bool, little: bool) -> tuple[int | None, int | None]:
    """(offset, length) of the pixel bytes from the element header at the current position."""
    order = "<" if little else ">"
    head = handle.read(8)
    if len(head) < 8:
        return None, None
    group, element = struct.unpack(f"{order}HH", head[:4])
    if (group, element) != (0x7FE0, 0x0010):
        return None, None
    if implicit:
        length = struct.unpack(f"{order}L", head[4:8])[0]
    elif head[4:6] in (b"OB", b"OW", b"UN"):
        more = handle.read(4)
        if len(more) < 4:
            return None, None
        length = struct.unpack(f"{order}L", more)[0]
    else:
        length = struct.unpack(f"{order}H", head[6:8])[0]
    return handle.tell(), length


def _skip_fragments(handle: BinaryIO, size: int) -> tuple[int, int | None]:
    """Number of fragments after the offset table and the position behind the last; None where cut short."""
    count = -1
    while True:
        head = handle.read(8)
        if len(head) < 8:
            return max(count, 0), None
        group, element, length = struct.unpack("<HHL", head)
        if (group, element) == (0xFFFE, 0xE0DD):
            return max(count, 0), handle.tell()
        if (group, element) != (0xFFFE, 0xE000) or handle.tell() + length > size:
            return max(count, 0), None
        count += 1
        handle.seek(length, os.SEEK_CUR)
