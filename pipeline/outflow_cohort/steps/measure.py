"""Step 4: measure all phases, readers and plans of one case. Lengths mm, areas mm2, angles deg."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import read_json, write_atomically, write_json, write_parquet
from outflow_cohort.steps.guard import CRASH_CODE, crash_message, run_guarded

if TYPE_CHECKING:
    from outflow_geometry.inputs import Definitions
    from outflow_geometry.reading import ReadingResult

PHASE_TOLERANCE_PCT = 1.0
"""A reading belongs to the series whose phase is nearest, within this: headers write 29.9 where tables write 30."""
STAGE = "measure"

Row = dict[str, Any]


def measure(*, request: Path, inventory: Path, volumes: Path, output_dir: Path) -> None:
    """Write measurements, curves, views (Parquet), set_aside, drawing (JSON) and pictures (npz) of one case."""
    content = read_json(request)
    case = _CaseOutput(content)

    def give_up() -> None:
        crashed = _CaseOutput(content)
        for reading in content["readings"]:
            crashed.put_aside(reading, CRASH_CODE, crash_message(STAGE))
        crashed.write(output_dir)

    run_guarded(lambda: _measure(content, read_json(inventory), volumes, case), give_up)
    if case.complete:
        case.write(output_dir)


class _CaseOutput:
    """Rows of one case, as they come."""

    def __init__(self, request: Row) -> None:
        self.case_id: str = request["case"]["case_id"]
        self.measurements: list[Row] = []
        self.curves: list[Row] = []
        self.views: list[Row] = []
        self.set_aside: list[Row] = []
        self.drawings: list[Row] = []
        self.pictures: dict[str, Any] = {}
        self.series_quality: list[Row] = []
        self.complete = False

    def put_aside(self, reading: Row | None, code: str, message: str) -> None:
        """One reading, or the whole case where `reading` is None."""
        who = {k: None if reading is None else reading[k] for k in ("phase_pct", "reader_id", "read_no")}
        self.set_aside.append({"case_id": self.case_id, **who, "stage": STAGE, "code": code, "message": message})

    def add(self, who: Row, result: ReadingResult) -> None:
        """The rows of one reading, or of the case over its phases (phase null)."""
        place = {"case_id": self.case_id, **who}
        self.measurements += [place | vars(value) for value in result.values]
        self.curves += [place | row for curve in result.curves for row in curve.rows()]
        self.views += [place | vars(view) for view in result.views]

    def write(self, folder: Path) -> None:
        """Write all files of the case; a case without any measurement gets a row of its own in set_aside."""
        import numpy as np

        from outflow_cohort.study.outputs import CURVES, MEASUREMENTS, VIEWS, typed_frame

        case_aside = not self.measurements
        if case_aside and not any(row["reader_id"] is None for row in self.set_aside):
            codes = sorted({row["code"] for row in self.set_aside}) or ["no_readings"]
            self.put_aside(None, codes[0], f"no reading of this case was measured ({', '.join(codes)})")
        write_parquet(folder / "measurements.parquet", typed_frame(self.measurements, MEASUREMENTS))
        write_parquet(folder / "curves.parquet", typed_frame(self.curves, CURVES))
        write_parquet(folder / "views.parquet", typed_frame(self.views, VIEWS))
        write_json(folder / "drawing.json", self.drawings)
        write_atomically(folder / "pictures.npz", lambda p: _save_arrays(p, self.pictures))
        write_json(
            folder / "set_aside.json",
            {"rows": self.set_aside, "case_set_aside": case_aside, "series_quality": self.series_quality},
        )
