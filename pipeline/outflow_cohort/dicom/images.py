"""Volumes given as one NIfTI or MetaImage file: their grid, their header text, their voxels. LPS, mm, HU.

Such files carry no evidence of de-identification; that is recorded (`no_header_evidence`), and the free text of
their headers is scanned like that of DICOM.
"""

from __future__ import annotations

import gzip
import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from outflow_cohort.dicom.pixels import PixelError
from outflow_cohort.dicom.settings import IntakeSettings
from outflow_cohort.dicom.volume import ReadRegion, Region
from outflow_cohort.handover.inventory import SeriesPlan

FORMATS = {
    ".nii": ("nifti", "NiftiImageIO"),
    ".nii.gz": ("nifti", "NiftiImageIO"),
    ".mha": ("metaimage", "MetaImageIO"),
    ".mhd": ("metaimage", "MetaImageIO"),
    ".nrrd": ("nrrd", "NrrdImageIO"),
}
NIFTI_HEADER_BYTES = 348
ORTHONORMAL_TOLERANCE = 1e-3
"""Direction cosines of NIfTI come from float32 quaternions or matrices."""


@dataclass(frozen=True)
class ImageHeader:
    """Grid of an image file: origin (3,), direction (3, 3), spacing (3,), size along i, j, k."""

    kind: str
    origin: np.ndarray
    direction: np.ndarray
    spacing: np.ndarray
    size: tuple[int, int, int]


def image_kind(path: Path) -> tuple[str, str] | None:
    """(format, SimpleITK reader) by the file name's ending, or None."""
    name = path.name.lower()
    return next((FORMATS[end] for end in sorted(FORMATS, key=len, reverse=True) if name.endswith(end)), None)


def _reader(path: Path) -> Any:
    import SimpleITK as sitk

    kind = image_kind(path)
    if kind is None:
        raise PixelError("image_unreadable", "the file's ending is none of .nii .nii.gz .mha .mhd .nrrd")
    sitk.ProcessObject.GlobalWarningDisplayOff()  # warnings of the readers quote file names
    reader = sitk.ImageFileReader()
    reader.SetImageIO(kind[1])
    reader.SetFileName(str(path))
    return reader


def read_image_header(path: Path, intake: IntakeSettings) -> ImageHeader:
    """Grid of the file without its voxels; raises PixelError."""
    reader = _reader(path)
    try:
        reader.ReadImageInformation()
    except RuntimeError as problem:
        raise PixelError("image_unreadable", "the header cannot be read") from problem
    size = tuple(int(n) for n in reader.GetSize())
    if len(size) != 3 or reader.GetNumberOfComponents() != 1:
        raise PixelError(
            "not_three_dimensional", f"{len(size)} dimensions, {reader.GetNumberOfComponents()} values per voxel"
        )
    if np.prod(np.array(size, dtype=float)) > intake.max_voxels:
        raise PixelError("too_many_voxels", f"more than {intake.max_voxels} voxels")
    if min(size) < 2:
        raise PixelError("too_few_slices", "fewer than two voxels along an axis")
    spacing = np.array(reader.GetSpacing(), dtype=np.float64)
    origin = np.array(reader.GetOrigin(), dtype=np.float64)
    direction = np.array(reader.GetDirection(), dtype=np.float64).reshape(3, 3)
    plausible = np.all(np.isfinite(spacing)) and np.all(spacing > 0.01) and np.all(spacing < 20)
    orthonormal = np.all(np.isfinite(direction)) and np.allclose(
        direction.T @ direction, np.eye(3), atol=ORTHONORMAL_TOLERANCE
    )
    if not plausible or not orthonormal or not np.all(np.isfinite(origin)):
        raise PixelError("bad_image_geometry", "spacing, direction or origin are not those of a regular grid in mm")
    voxel = reader.GetPixelIDValue()
    if not _is_whole(path, int(np.prod(size)) * VOXEL_BYTES.get(voxel, 1)):
        raise PixelError("truncated_pixels", "the file is shorter than its matrix needs")
    kind = image_kind(path)
    return ImageHeader(kind[0] if kind else "", origin, direction, spacing, (size[0], size[1], size[2]))


VOXEL_BYTES = {0: 1, 1: 1, 2: 2, 3: 2, 4: 4, 5: 4, 6: 8, 7: 8, 8: 4, 9: 8}
"""Bytes a voxel by SimpleITK's pixel id (int8, uint8 … int64, uint64, float32, float64); a test checks the order."""
CHUNK = 1 << 20


def _is_whole(path: Path, voxel_bytes: int) -> bool:
    """Whether the file holds `voxel_bytes`, which the NIfTI reader does not check; other formats check themselves."""
    name = path.name.lower()
    if name.endswith(".nii"):
        return path.stat().st_size >= voxel_bytes + NIFTI_HEADER_BYTES
    if not name.endswith(".nii.gz"):
        return True
    left = voxel_bytes + NIFTI_HEADER_BYTES
    try:
        with gzip.open(path, "rb") as handle:
            while left > 0:
                block = handle.read(min(CHUNK, left))
                if not block:
                    return False
                left -= len(block)
    except (OSError, EOFError, zlib.error):
        return False
    return True


def image_plan(row: int, name: str, header: ImageHeader, phase_pct: float | None, codes: dict[str, str]) -> SeriesPlan:
    """What the volume step needs to read the file."""
    return SeriesPlan(
        row=row,
        series=name,
        phase_pct=phase_pct,
        phase_source="none" if phase_pct is None else "table",
        origin=header.origin.tolist(),
        direction=header.direction.tolist(),
        spacing=header.spacing.tolist(),
        size=header.size,
        shear=[0.0, 0.0],
        patient_position=None,
        frame_of_reference=None,
        reason_codes=";".join(sorted(codes)),
    )


def read_image(path: Path, region: Region) -> ReadRegion:
    """HU of `region`; raises PixelError. Values that are not finite become air."""
    import SimpleITK as sitk

    reader = _reader(path)
    reader.SetExtractIndex(list(region.start))
    reader.SetExtractSize(list(region.size))
    try:
        values = sitk.GetArrayFromImage(reader.Execute())
    except RuntimeError as problem:
        raise PixelError("image_unreadable", "the voxels cannot be read") from problem
    if tuple(values.shape[::-1]) != tuple(region.size):
        raise PixelError("changed_since_inventory", "the matrix is not that of the inventory")
    if values.dtype == np.int16:
        return ReadRegion(values, region, 0)
    bad = ~np.isfinite(values) if values.dtype.kind == "f" else np.zeros(values.shape, dtype=bool)
    filled = np.where(bad, -1024, values)
    clipped = np.clip(filled, -32768, 32767)
    whole = values.dtype.kind in "iu"
    return ReadRegion(clipped.astype(np.int16 if whole else np.float32), region, int(bad.sum()))


LONGEST_HEADER = 1 << 20
"""Bytes of header text that are scanned: NIfTI's is 352 and its extensions, MetaImage's some lines."""


def header_texts(path: Path) -> Iterator[tuple[str, str]]:
    """(field, text) of the free text that the header of a NIfTI, MetaImage or NRRD file holds."""
    kind = image_kind(path)
    try:
        opener = gzip.open if path.name.lower().endswith(".gz") else open
        with opener(path, "rb") as handle:
            head = handle.read(LONGEST_HEADER)
    except (OSError, EOFError, zlib.error):
        return
    if kind is None:
        return
    if kind[0] == "nifti":
        yield from _nifti_texts(head)
    else:
        yield from _line_texts(head)


def _clean(raw: bytes) -> str:
    return raw.split(b"\0")[0].decode("latin-1").strip()


def _nifti_texts(head: bytes) -> Iterator[tuple[str, str]]:
    """Text fields by their place in the header (NIfTI-1 and NIfTI-2 standards), and text of extensions."""
    if len(head) < 352:
        return
    if head[:4] in (b"\x1c\x02\x00\x00", b"\x00\x00\x02\x1c"):  # 540: NIfTI-2
        fields = {"descrip": (240, 80), "aux_file": (320, 24), "intent_name": (508, 16)}
        start = 540
    else:
        fields = {"data_type": (4, 10), "db_name": (14, 18), "descrip": (148, 80), "aux_file": (228, 24),
                  "intent_name": (328, 16)}  # fmt: skip
        start = 348
    for name, (place, length) in fields.items():
        text = _clean(head[place : place + length])
        if text:
            yield name, text
    if head[start : start + 1] != b"\0":
        place = start + 4
        order = "<" if head[0] in (0x5C, 0x1C) else ">"
        while place + 8 <= len(head):
            size, _code = struct.unpack(f"{order}ii", head[place : place + 8])
            if size < 16 or place + size > len(head):
                return
            yield (
                "extension",
                " ".join(re.findall(r"[\x20-\x7e]{3,}", head[place + 8 : place + size].decode("latin-1"))),
            )
            place += size


_GRID_KEYS = re.compile(
    r"(?i)^(objecttype|ndims|binarydata.*|compresseddata.*|transformmatrix|offset|centerofrotation|position|rotation|"
    r"anatomicalorientation|elementspacing|elementsize|dimsize|elementtype|elementdatafile|headersize|"
    r"elementnumberofchannels|elementmin|elementmax|elementbyteordermsb|orientation|origin|"
    r"type|dimension|space|sizes|space directions|kinds|endian|encoding|space origin|spacings)$"
)


def _line_texts(head: bytes) -> Iterator[tuple[str, str]]:
    """`key = value` (MetaImage) and `key: value` (NRRD) lines whose keys are not those of the grid."""
    for line in head.split(b"\n"):
        if len(line) > 4096 or b"\0" in line:
            return
        text = line.decode("latin-1").strip()
        if text.startswith("NRRD"):
            continue
        if not text:
            return
        key, _, value = text.partition("=" if "=" in text and ":=" not in text else ":")
        if key.strip().startswith("#"):
            yield "comment", text
        elif value.strip("= ") and not _GRID_KEYS.match(key.strip()):
            yield "header field", value.strip("= ")
        if key.strip().lower() == "elementdatafile":
            return
