"""Values of raw DICOM elements without building pydicom's value objects (a fifth of the time), and without
ever quoting a value in an error.

pydicom finds the elements; here only numbers and short texts are taken from their bytes (PS3.5 6.2).
"""

from __future__ import annotations

import contextlib
import logging
import math
import struct
import warnings
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

Elements = dict[int, Any]
"""Raw (or already read) pydicom elements by tag."""

_BINARY = {"US": ("H", 2), "SS": ("h", 2), "UL": ("L", 4), "SL": ("l", 4), "FL": ("f", 4), "FD": ("d", 8)}


@contextlib.contextmanager
def quiet_readers() -> Iterator[None]:
    """Silence pydicom and its plugins: their warnings and log lines quote values of the header."""
    from pydicom import config

    loggers = [logging.getLogger(name) for name in ("pydicom", "pylibjpeg", "libjpeg", "openjpeg", "rle", "nibabel")]
    before = [logger.disabled for logger in loggers]
    mode = config.settings.reading_validation_mode
    config.settings.reading_validation_mode = config.IGNORE
    for logger in loggers:
        logger.disabled = True
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        config.settings.reading_validation_mode = mode
        for logger, disabled in zip(loggers, before, strict=True):
            logger.disabled = disabled


def elements_of(dataset: Dataset) -> Elements:
    """Elements of a dataset by plain int tag, unread ones left as bytes."""
    return {element.tag.real: element for element in dataset.values()}


def value_bytes(elements: Elements, tag: int) -> tuple[str, bytes, bool] | None:
    """(VR, value bytes, little endian) of an element, or None where absent, empty or a sequence."""
    element = elements.get(tag)
    if element is None:
        return None
    value = element.value
    if isinstance(value, bytes):
        return (element.VR or "", value, element.is_little_endian) if value else None
    if value is None or isinstance(value, list) or not str(value):
        return None
    parts = value if hasattr(value, "__iter__") and not isinstance(value, str) else [value]
    return "DS", "\\".join(str(part) for part in parts).encode("utf-8", "replace"), True


def text(elements: Elements, tag: int) -> str:
    """Text of an element, stripped of padding; empty where absent."""
    found = value_bytes(elements, tag)
    return "" if found is None else found[1].decode("latin-1").strip(" \0\r\n\t")


def texts(elements: Elements, tag: int) -> tuple[str, ...]:
    """Values of a multi-valued text element."""
    whole = text(elements, tag)
    return tuple(part.strip(" \0") for part in whole.split("\\")) if whole else ()


def _decimal(part: str) -> float | None:
    try:
        number = float(part.strip(" \0"))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def numbers(elements: Elements, tag: int) -> tuple[float, ...] | None:
    """Finite numbers of an element (text or binary VR), or None where absent or not all are numbers."""
    from pydicom.datadict import dictionary_VR

    found = value_bytes(elements, tag)
    if found is None:
        return None
    vr, raw, little = found
    if vr in ("", "UN"):
        try:
            vr = dictionary_VR(tag)
        except KeyError:
            vr = "UN"
        vr = vr.split(" or ")[0]
    if vr in _BINARY:
        code, width = _BINARY[vr]
        count = len(raw) // width
        if count == 0 or count * width != len(raw):
            return None
        values: tuple[float, ...] = struct.unpack(f"{'<' if little else '>'}{count}{code}", raw)
        return values if all(math.isfinite(v) for v in values) else None
    parsed = [_decimal(part) for part in raw.decode("latin-1").strip(" \0").split("\\")]
    if any(value is None for value in parsed):
        return None
    return tuple(value for value in parsed if value is not None)


def number(elements: Elements, tag: int) -> float | None:
    """First number of an element, or None."""
    found = numbers(elements, tag)
    return found[0] if found else None


def whole_number(elements: Elements, tag: int) -> int | None:
    """First number of an element as int, or None where it is not whole."""
    found = number(elements, tag)
    return int(found) if found is not None and found == int(found) else None


def nested(dataset: Dataset, tag: int, limit: int = 1_000_000) -> list[Dataset]:
    """Items of a sequence; empty where absent or unreadable."""
    try:
        value: Any = dataset[tag].value
    except Exception:
        # pydicom raises nearly any type on damaged items; the absence of the sequence is then reported instead
        return []
    if not hasattr(value, "__getitem__") or isinstance(value, str | bytes):
        return []
    return [item for item in value[:limit] if hasattr(item, "get_item")]
