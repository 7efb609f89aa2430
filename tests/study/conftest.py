"""A small study in tables only (no images): invented names, a flat ring of 32 x 28 mm."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

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


@pytest.fixture
def study(tmp_path: Path) -> Callable[..., Path]:
    """A function that writes the study, with tables replaced by keyword, and returns study.yaml."""

    def make(settings: str = "study_id: trial\n", **tables: tuple[list[str], list[list[object]]] | None) -> Path:
        content: dict[str, tuple[list[str], list[list[object]]] | None] = {
            "cases": (
                ["case_id", "group", "device_id", "prosthesis_id", "age"],
                [["C1", "native", "K27", "", 71], ["C2", "ring", "", "P1", 66]],
            ),
            "series": (
                ["case_id", "dicom_dir", "phase_pct"],
                [["C1", "d/a", 30], ["C1", "d/b", 40], ["C2", "d/c", ""]],
            ),
            "landmarks": (
                LANDMARK_HEADER,
                ring_rows("C1", 30, "R1") + ring_rows("C1", 40, "R1") + ring_rows("C2", "", "R1"),
            ),
            "plans": (["case_id", "plan_id", "device_id", "ventricular_depth_mm"], [["C1", "p1", "K27", 12]]),
            "devices": (["device_id", "nominal_diameter_mm", "height_mm"], [["K27", 27, 20]]),
            "prostheses": (["prosthesis_id", "wall_mm"], [["P1", 0.6]]),
        }
        content.update(tables)
        for name, table in content.items():
            if table is not None:
                write_csv(tmp_path / f"{name}.csv", *table)
        path = tmp_path / "study.yaml"
        path.write_text(settings, encoding="utf-8")
        return path

    return make
