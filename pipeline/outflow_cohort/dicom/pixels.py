"""Stored values to HU: native pixels straight from their place in the file, compressed ones in a guarded process.

Arrays are indexed [row, column] for a frame and [slice, row, column] for a stack.
"""

from __future__ import annotations

import contextlib
import hashlib
import multiprocessing
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from outflow_cohort.dicom.elements import quiet_readers
from outflow_cohort.handover.inventory import PixelFormat

PADDING_HU = -1024
"""What padded voxels become: air at the bottom of the usual HU scale, so that interpolation cannot ring."""
PADDING_MUST_BE_BELOW = -900
"""HU; a padding value above this is among real tissue and is not trusted."""
LOWEST, HIGHEST = -32768, 32767


class PixelError(ValueError):
    """Pixels that cannot be read; `code` is one of the reason codes. The text never quotes the file."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message


def stored_dtype(pixels: PixelFormat) -> np.dtype[Any]:
    """NumPy type of the stored values; raises PixelError `bad_pixel_format`."""
    if pixels.bits_allocated not in (8, 16, 32) or not 0 < pixels.bits_stored <= pixels.bits_allocated:
        raise PixelError(
            "bad_pixel_format", f"{pixels.bits_stored} of {pixels.bits_allocated} bits; 8, 16 or 32 are needed"
        )
    if not pixels.bits_stored - 1 <= pixels.high_bit < pixels.bits_allocated:
        raise PixelError("bad_pixel_format", f"high bit {pixels.high_bit} for {pixels.bits_stored} stored bits")
    kind = "i" if pixels.signed else "u"
    return np.dtype(f"{'>' if pixels.big_endian else '<'}{kind}{pixels.bits_allocated // 8}")


def to_hu(stored: np.ndarray, pixels: PixelFormat, slope: float, intercept: float) -> tuple[np.ndarray, int]:
    """HU of `stored` (any shape) as int16 (whole numbers) or float32, and how many voxels were padding.

    Bits outside bits_stored are cleared first (PS3.5 8.1.1); values beyond int16 are clipped.
    """
    padded = _padding_mask(stored, pixels, slope, intercept)
    values = _clear_unused_bits(stored, pixels)
    if slope == int(slope) and intercept == int(intercept):
        low, high = int(values.min()), int(values.max())
        if all(LOWEST <= int(v * slope + intercept) <= HIGHEST for v in (low, high)) and high <= HIGHEST:
            hu = values.astype(np.int16, copy=True)
            if slope != 1:
                hu *= np.int16(slope) if LOWEST <= slope <= HIGHEST else np.int16(0)
            hu += np.int16(intercept) if LOWEST <= intercept <= HIGHEST else np.int16(0)
            if not LOWEST <= intercept <= HIGHEST or not LOWEST <= slope <= HIGHEST:
                hu = _wide(values, slope, intercept)
        else:
            hu = _wide(values, slope, intercept)
    else:
        hu = np.clip(values * np.float32(slope) + np.float32(intercept), LOWEST, HIGHEST).astype(np.float32)
    if padded is None:
        return hu, 0
    hu[padded] = PADDING_HU
    return hu, int(np.count_nonzero(padded))


def _wide(values: np.ndarray, slope: float, intercept: float) -> np.ndarray:
    return np.clip(values.astype(np.float64) * slope + intercept, LOWEST, HIGHEST).astype(np.int16)


def _padding_mask(stored: np.ndarray, pixels: PixelFormat, slope: float, intercept: float) -> np.ndarray | None:
    value = padding_stored(pixels)
    if value is None or value * slope + intercept > PADDING_MUST_BE_BELOW:
        return None
    limit = padding_stored(pixels, limit=True)
    if limit is not None and limit * slope + intercept <= PADDING_MUST_BE_BELOW:
        mask = (stored >= min(value, limit)) & (stored <= max(value, limit))
    else:
        mask = stored == value
    return mask if mask.any() else None


def padding_stored(pixels: PixelFormat, limit: bool = False) -> int | None:
    """Padding value (or range limit) in the sign of the pixels: writers mix up US and SS."""
    value = pixels.padding_limit if limit else pixels.padding_value
    if value is None:
        return None
    span = 1 << pixels.bits_allocated
    if pixels.signed and value >= span // 2:
        return value - span
    if not pixels.signed and value < 0:
        return value + span
    return value


def padding_is_plausible(pixels: PixelFormat, slope: float, intercept: float) -> bool:
    """Whether the padding value is below all tissue."""
    value = padding_stored(pixels)
    return value is None or value * slope + intercept <= PADDING_MUST_BE_BELOW


def _clear_unused_bits(stored: np.ndarray, pixels: PixelFormat) -> np.ndarray:
    if pixels.bits_stored == pixels.bits_allocated:
        return stored
    shift_down = pixels.high_bit + 1 - pixels.bits_stored
    native = stored.astype(stored.dtype.newbyteorder("="), copy=False)
    if not pixels.signed:
        mask = np.array((1 << pixels.bits_stored) - 1, dtype=native.dtype)
        result: np.ndarray = (native >> shift_down) & mask if shift_down else native & mask
        return result
    up = pixels.bits_allocated - pixels.high_bit - 1
    unsigned = native.view(native.dtype.str.replace("i", "u"))
    return (unsigned << up).view(native.dtype) >> (up + shift_down)  # sign extension


def read_native(
    path: Path, offset: int, frame_index: int, pixels: PixelFormat, rows: slice, columns: slice
) -> np.ndarray:
    """Stored values [rows, columns] of a native frame, reading only those rows; PixelError `truncated_pixels`."""
    dtype = stored_dtype(pixels)
    start = offset + (frame_index * pixels.rows + rows.start) * pixels.columns * dtype.itemsize
    shape = (rows.stop - rows.start, pixels.columns)
    block = np.empty(shape, dtype)
    with path.open("rb", buffering=0) as handle:
        handle.seek(start)
        view = memoryview(block.data).cast("B")
        done = 0
        while done < len(view):
            count = handle.readinto(view[done:])
            if not count:
                raise PixelError("truncated_pixels", f"{done} of {len(view)} bytes of a slice are there")
            done += count
    return block[:, columns]


def _decode_worker(connection: Any, memory_bytes: int) -> None:
    """Decode frames on demand; its output is dropped because decoders print what they please."""
    import resource

    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    with contextlib.suppress(OSError, ValueError):
        in_use = int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
        resource.setrlimit(resource.RLIMIT_AS, (in_use + memory_bytes, in_use + memory_bytes))
    from pydicom import dcmread
    from pydicom.pixels import pixel_array

    with quiet_readers():
        while True:
            request = connection.recv()
            if request is None:
                return
            path, frame_index, inflate = request
            try:
                source = dcmread(path) if inflate else path  # pixels of a deflated file have no place in it
                array = pixel_array(source, index=frame_index, raw=True)
                connection.send(("ok", np.ascontiguousarray(array)))
            except Exception as problem:
                # Untrusted pixels: any type may come; only whether a decoder exists is told apart.
                kind = type(problem).__name__
                missing = kind == "RuntimeError" and "missing dependencies" in str(problem)
                connection.send(("unsupported_syntax" if missing else "undecodable_pixels", kind))


class FrameDecoder:
    """A separate process that decodes compressed frames, so that a decoder's crash, hang or hunger for memory
    costs one frame and not the run."""

    def __init__(self, seconds: float, megabytes: float) -> None:
        self._seconds = seconds
        self._memory = int(megabytes * 1e6)
        self._process: Any = None
        self._connection: Any = None

    def _start(self) -> None:
        context = multiprocessing.get_context("fork")
        self._connection, theirs = context.Pipe()
        self._process = context.Process(target=_decode_worker, args=(theirs, self._memory), daemon=True)
        self._process.start()
        theirs.close()

    def decode(self, path: Path, frame_index: int, inflate: bool = False) -> np.ndarray:
        """Stored values (rows, columns) of one frame; raises PixelError."""
        if self._process is None or not self._process.is_alive():
            self._start()
        try:
            self._connection.send((str(path), frame_index, inflate))
            if not self._connection.poll(self._seconds):
                self.close(kill=True)
                raise PixelError("undecodable_pixels", f"a frame took more than {self._seconds:g} s to decode")
            answer, content = self._connection.recv()
        except (EOFError, OSError) as problem:
            self.close(kill=True)
            raise PixelError("undecodable_pixels", "the decoder crashed on a frame") from problem
        if answer != "ok":
            raise PixelError(answer, f"the decoder refused a frame ({content})")
        result: np.ndarray = content
        return result

    def close(self, kill: bool = False) -> None:
        """End the process."""
        if self._process is None:
            return
        if not kill and self._process.is_alive():
            with contextlib.suppress(OSError):
                self._connection.send(None)
            self._process.join(2)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(2)
        self._connection.close()
        self._process = None


@contextlib.contextmanager
def frame_decoder(seconds: float, megabytes: float) -> Iterator[FrameDecoder]:
    """A FrameDecoder that is ended on leaving."""
    decoder = FrameDecoder(seconds, megabytes)
    try:
        yield decoder
    finally:
        decoder.close()


def read_frame(
    path: Path,
    offset: int | None,
    frame_index: int,
    pixels: PixelFormat,
    decoder: FrameDecoder,
    rows: slice | None = None,
    columns: slice | None = None,
    inflate: bool = False,
) -> np.ndarray:
    """Stored values of one frame, or of the part `rows` x `columns` of it; raises PixelError."""
    rows = rows or slice(0, pixels.rows)
    columns = columns or slice(0, pixels.columns)
    if offset is not None:
        return read_native(path, offset, frame_index, pixels, rows, columns)
    array = decoder.decode(path, frame_index, inflate)
    if array.shape != (pixels.rows, pixels.columns) or array.dtype.kind not in "iu":
        raise PixelError("undecodable_pixels", "the decoded frame does not have the matrix of the header")
    return array[rows, columns]


def pixel_digest(array: np.ndarray) -> bytes:
    """Fingerprint of stored values."""
    return hashlib.sha256(np.ascontiguousarray(array).tobytes()).digest()
