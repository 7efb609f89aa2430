"""Writes the small tables of the study tests. Invented names; a flat ring of 32 x 28 mm."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from pathlib import Path

LANDMARK_HEADER = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]


def ring_rows(
    case: str, phase: object, reader: str, read: int = 1, n: int = 12, scale: float = 1.0
) -> list[list[object]]:
    """Rows of a mitral_ring: an ellipse with semi-axes 16 and 14 mm times `scale`."""
    rows = []
    for i in range(n):
        angle = 2 * math.pi * i / n
        x, y = 16 * scale * math.cos(angle), 14 * scale * math.sin(angle)
        rows.append([case, phase, reader, read, "mitral_ring", i + 1, f"{x:.4f}", f"{y:.4f}", "0"])
    return rows


def write_csv(path: Path, header: list[str], rows: Iterable[list[object]]) -> None:
    """Write one table."""
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow(header)
        writer.writerows(rows)
