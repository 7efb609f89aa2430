"""The points of VTK polydata files: XML (.vtp) with inline arrays, and the legacy form (.vtk), text or binary.

Source: "VTK File Formats" of the VTK documentation. Neither form states a coordinate system or a unit.
"""

from __future__ import annotations

import base64
import binascii
import xml.etree.ElementTree as ElementTree
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LARGEST_FILE = 200_000_000
"""Bytes of a file that is still read: points of a structure are some kB."""
XML_TYPES = {"Float32": "f4", "Float64": "f8"}
LEGACY_TYPES = {"float": ">f4", "double": ">f8"}
"""Legacy binary numbers are big-endian."""
SAVE_AS = "Save it as XML polydata (.vtp) with ASCII or inline binary arrays."


@dataclass(frozen=True)
class PolydataError(Exception):
    """Why a file gives no points: found, needed, remedy."""

    found: str
    needed: str
    remedy: str


def polydata_points(path: Path) -> NDArray[np.float64]:
    """Points (n, 3) in the order of the file; raises PolydataError or OSError."""
    if path.stat().st_size > LARGEST_FILE:
        raise PolydataError("a file over 200 MB", "polydata of points or lines", "Export the points alone.")
    content = path.read_bytes()
    try:
        points = _xml_points(content) if path.suffix.lower() == ".vtp" else _legacy_points(content)
    except (ValueError, KeyError, IndexError, binascii.Error, zlib.error, ElementTree.ParseError):
        raise PolydataError("damaged polydata", "whole VTK polydata", SAVE_AS) from None
    if points.ndim != 2 or points.shape[1:] != (3,) or not np.isfinite(points).all():
        raise PolydataError("points that are not three numbers each", "points of x, y, z", SAVE_AS)
    return points


def _xml_points(content: bytes) -> NDArray[np.float64]:
    if b"<!ENTITY" in content or b"<!DOCTYPE" in content:
        raise PolydataError("a document with entities", "plain VTK polydata", SAVE_AS)
    if b"<AppendedData" in content:
        raise PolydataError("appended arrays", "arrays inside their elements", SAVE_AS)
    root = ElementTree.fromstring(content)
    if root.get("type") != "PolyData":
        raise PolydataError("a VTK file of another kind", "type PolyData", SAVE_AS)
    parts = []
    for points in root.iter("Points"):
        array = points.find("DataArray")
        if array is None:
            continue
        order = "<" if root.get("byte_order", "LittleEndian") == "LittleEndian" else ">"
        kind = order + XML_TYPES[array.get("type", "Float32")]
        text = (array.text or "").strip()
        if array.get("format", "ascii") == "ascii":
            parts.append(np.array(text.split(), dtype=np.float64))
        else:
            header = order + {"UInt32": "u4", "UInt64": "u8"}[root.get("header_type", "UInt32")]
            raw = _inline(text, np.dtype(header), bool(root.get("compressor")))
            parts.append(np.frombuffer(raw, dtype=kind).astype(np.float64))
    return np.concatenate(parts).reshape(-1, 3) if parts else np.zeros((0, 3))


def _inline(text: str, header: np.dtype[np.generic], compressed: bool) -> bytes:
    """Bytes of a base64 array: after its byte count, or after the table of its zlib blocks."""
    if not compressed:
        raw = base64.b64decode(text, validate=True)
        count = int(np.frombuffer(raw[: header.itemsize], header)[0])
        return raw[header.itemsize : header.itemsize + count]
    head = base64.b64decode(text[: _encoded(3 * header.itemsize)])
    blocks = int(np.frombuffer(head[: header.itemsize], header)[0])
    length = _encoded((3 + blocks) * header.itemsize)
    sizes = np.frombuffer(base64.b64decode(text[:length])[: (3 + blocks) * header.itemsize], header)[3:]
    raw = base64.b64decode(text[length:], validate=True)
    ends = np.cumsum(sizes.astype(np.int64))
    return b"".join(_inflated(raw[end - size : end]) for end, size in zip(ends, sizes.astype(np.int64), strict=True))


def _inflated(block: bytes) -> bytes:
    reader = zlib.decompressobj()
    content = reader.decompress(block, LARGEST_FILE)
    if reader.unconsumed_tail:
        raise ValueError("more than a file of points holds")
    return content


def _encoded(count: int) -> int:
    """Length of `count` bytes in base64."""
    return (count + 2) // 3 * 4


def _legacy_points(content: bytes) -> NDArray[np.float64]:
    lines = content.split(b"\n", 4)
    if not content.startswith(b"# vtk DataFile") or len(lines) < 5:
        raise PolydataError("no VTK file", "legacy VTK polydata", SAVE_AS)
    form, kind = lines[2].strip().upper(), lines[3].strip().upper().split()
    if kind != [b"DATASET", b"POLYDATA"]:
        raise PolydataError("a VTK file of another kind", "DATASET POLYDATA", SAVE_AS)
    start = content.upper().index(b"\nPOINTS ") + 1
    words, _, rest = content[start:].partition(b"\n")
    count, number = int(words.split()[1]), words.split()[2].decode("ascii").lower()
    if form == b"ASCII":
        return np.array(rest.split(None, 3 * count)[: 3 * count], dtype=np.float64).reshape(count, 3)
    data = np.frombuffer(rest, dtype=LEGACY_TYPES[number], count=3 * count)
    return data.astype(np.float64).reshape(count, 3)
