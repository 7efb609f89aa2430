"""A small study in tables only (no images)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from table_files import LANDMARK_HEADER, ring_rows, write_csv


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
