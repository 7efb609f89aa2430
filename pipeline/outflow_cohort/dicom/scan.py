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

from outflow_cohort.dicom.elements import (
    Elements,
    elements_of,
    number,
    numbers,
    quiet_readers,
    text,
    texts,
    whole_number,
)
from outflow_cohort.dicom.enhanced import enhanced_frames
from outflow_cohort.dicom.frames import (
    CT_CLASSES,
    CT_IMAGE,
    MULTIFRAME_CT_CLASSES,
    FileRecord,
    FolderScan,
    Frame,
    OtherObject,
    PhaseTags,
    PixelFormat,
)
from outflow_cohort.dicom.settings import IntakeSettings, PhaseSettings

if TYPE_CHECKING:
    from pydicom.dataset import FileDataset

Audit = Callable[["FileDataset", bytes, "FileDataset | None", str, str], None]
"""Called with each header: dataset, preamble, dataset after the pixels or None, series UID, name below the folder."""

IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
EXPLICIT_BIG = "1.2.840.10008.1.2.2"
DEFLATED = "1.2.840.10008.1.2.1.99"
NATIVE = frozenset({IMPLICIT_LITTLE, EXPLICIT_LITTLE, EXPLICIT_BIG, DEFLATED})
LOSSY_SYNTAXES = frozenset(
    {
        "1.2.840.10008.1.2.4.50",
        "1.2.840.10008.1.2.4.51",
        "1.2.840.10008.1.2.4.81",
        "1.2.840.10008.1.2.4.112",
    }
)
"""Syntaxes that are always lossy; .91, .93 and .203 may hold either and are judged by the lossy flag."""
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
    """Fingerprint of names, sizes and times, so that a later step can tell that the folder has changed."""
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
        result.others.append(OtherObject(ordinal, "file_too_large"))
        return
    try:
        with (folder / name).open("rb") as handle:
            read = read_header(handle, status, ordinal, intake)
    except Exception as problem:
        # Untrusted bytes: pydicom raises nearly any type, with values in the text; only the kind is kept.
        code = "file_unreadable" if isinstance(problem, OSError) else "header_damaged"
        result.others.append(OtherObject(ordinal, code))
        return
    if isinstance(read, str):
        result.others.append(OtherObject(ordinal, read))
        return
    dataset, record, preamble, trailer = read
    series = text(elements_of(dataset), 0x0020000E)
    try:
        if audit is not None:
            audit(dataset, preamble, trailer, series, name)
        result_frames = _frames(dataset, record, intake, phase)
    except Exception:
        # As above: a damaged element is a verdict on this file, not an end of the run.
        result.others.append(OtherObject(ordinal, "header_damaged", series))
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
        record = FileRecord(ordinal, status.st_size, status.st_mtime_ns, syntax, None, None, False)
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
        ordinal,
        status.st_size,
        status.st_mtime_ns,
        syntax,
        offset if offset is not None and not encapsulated else None,
        None if length is None or encapsulated else min(length, max(0, status.st_size - (offset or 0))),
        encapsulated,
        fragments,
        not little,
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


def _frames(
    dataset: FileDataset, record: FileRecord, intake: IntakeSettings, phase: PhaseSettings
) -> list[Frame] | OtherObject:
    elements = elements_of(dataset)
    sop_class = text(elements, 0x00080016)
    modality = text(elements, 0x00080060).upper()
    series = text(elements, 0x0020000E)
    rows, columns = whole_number(elements, 0x00280010), whole_number(elements, 0x00280011)

    def other(code: str) -> OtherObject:
        return OtherObject(record.ordinal, code, series, sop_class, modality)

    if sop_class not in CT_CLASSES and (sop_class or modality != "CT"):
        return other(_kind_of_other(sop_class, modality))
    if not series:
        return other("no_series_uid")
    if not rows or not columns or rows < 0 or columns < 0:
        return other("no_pixels")
    n_frames = whole_number(elements, 0x00280008) or 1
    if n_frames < 1 or rows * columns * n_frames > 16 * intake.max_voxels:
        return other("too_many_voxels")
    if not record.encapsulated and record.pixel_offset is None and record.transfer_syntax != DEFLATED:
        return other("no_pixels")
    multiframe = sop_class in MULTIFRAME_CT_CLASSES
    if n_frames > 1 and not multiframe:
        return other("multiframe_without_geometry")
    common = _single_frame(elements, record, rows, columns, sop_class or CT_IMAGE, phase)
    if multiframe:
        return enhanced_frames(dataset, common, n_frames)
    return [common]


def _kind_of_other(sop_class: str, modality: str) -> str:
    if sop_class.startswith("1.2.840.10008.5.1.4.1.1.7"):
        return "secondary_capture"
    if sop_class.startswith(("1.2.840.10008.5.1.4.1.1.88", "1.2.840.10008.5.1.4.1.1.104")):
        return "report_object"
    if sop_class.startswith("1.2.840.10008.5.1.4.1.1.30"):
        return "parametric_map"
    return "not_ct"


_MAKERS = (("siemens", "siemens"), ("ge ", "ge"), ("philips", "philips"), ("toshiba", "canon"), ("canon", "canon"))


def _maker(name: str) -> str:
    """One of a closed list of words, so that nothing else written in Manufacturer gets out."""
    lowered = name.lower()
    for key, word in _MAKERS:
        if lowered.startswith(key):
            return word
    return "other"


def _single_frame(
    elements: Elements, record: FileRecord, rows: int, columns: int, sop_class: str, phase: PhaseSettings
) -> Frame:
    position = numbers(elements, 0x00200032)
    orientation = numbers(elements, 0x00200037)
    spacing = numbers(elements, 0x00280030)
    bits = whole_number(elements, 0x00280100) or 16
    stored = whole_number(elements, 0x00280101) or bits
    high = whole_number(elements, 0x00280102)
    ratio = numbers(elements, 0x00282112)
    flag = text(elements, 0x00282110)
    product = 1.0
    for step in ratio or ():
        product *= max(step, 1.0)  # successive lossy steps multiply
    words: tuple[str, ...] = ()
    if phase.text_opt_in:
        words = tuple(filter(None, (text(elements, tag) for tag in (0x0008103E, 0x00180022, 0x00204000))))
    padding, limit = whole_number(elements, 0x00280120), whole_number(elements, 0x00280121)
    return Frame(
        file=record,
        frame_index=0,
        study=text(elements, 0x0020000D),
        series=text(elements, 0x0020000E),
        patient=(text(elements, 0x00100020) or text(elements, 0x00100010)).strip(" ^=").casefold(),
        instance=text(elements, 0x00080018),
        sop_class=sop_class,
        modality=text(elements, 0x00080060).upper(),
        image_type=tuple(part.upper() for part in texts(elements, 0x00080008)),
        frame_of_reference=text(elements, 0x00200052),
        position=(position[0], position[1], position[2]) if position and len(position) == 3 else None,
        orientation=orientation if orientation and len(orientation) == 6 else None,  # type: ignore[arg-type]
        pixel_spacing=(spacing[0], spacing[1]) if spacing and len(spacing) == 2 else None,
        pixels=PixelFormat(
            rows,
            columns,
            whole_number(elements, 0x00280002) or 1,
            bits,
            stored,
            max(stored - 1, high or 0),  # some writers leave HighBit behind when they change BitsStored
            whole_number(elements, 0x00280103) == 1,
            text(elements, 0x00280004).upper(),
            padding,
            limit,
        ),
        slope=number(elements, 0x00281053),
        intercept=number(elements, 0x00281052),
        rescale_type=text(elements, 0x00281054).upper(),
        lossy=flag == "01" or record.transfer_syntax in LOSSY_SYNTAXES,
        lossy_ratio=product if ratio else None,
        phase=PhaseTags(
            nominal_percentage=number(elements, 0x00209241),
            trigger_time=number(elements, 0x00181060),
            nominal_interval=number(elements, 0x00181062),
            text=words,
        ),
        thickness=number(elements, 0x00180050),
        kernel=text(elements, 0x00181210),
        patient_position=text(elements, 0x00185100).upper(),
        acquisition=text(elements, 0x00200012),
        temporal_position=text(elements, 0x00200100),
        acquisition_time=text(elements, 0x00080032),
        gantry_tilt=number(elements, 0x00181120),
        low_rr=number(elements, 0x00181081),
        high_rr=number(elements, 0x00181082),
        beats_acquired=number(elements, 0x00181083),
        beats_rejected=number(elements, 0x00181084),
        manufacturer=_maker(text(elements, 0x00080070)),
    )
