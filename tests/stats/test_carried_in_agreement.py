"""Values with landmarks carried over from another phase take no part in the agreement between readers."""

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from outflow_cohort.stats.data.measure_files import measure_files
from outflow_cohort.stats.data.settings import StatisticsSettings
from outflow_cohort.study.outputs import MEASUREMENTS, typed_frame


def row(reader: str, phase: float | None, value: float, origin: str, carried: int | None = None) -> dict:
    return {
        "case_id": "C1", "phase_pct": phase, "reader_id": reader, "read_no": 1, "plan_id": "", "measure": "mitral_area",
        "variant": "spline", "method": "reader_points", "value": value, "unit": "mm2", "status": "ok",
        "landmark_origin": origin, "phases_used": None if carried is None else 3, "phases_carried": carried,
    }  # fmt: skip


ROWS = [
    row("ash", 40.0, 900.0, "marked"),
    row("birch", 40.0, 910.0, "marked"),
    row("ash", 50.0, 905.0, "carried"),
    row("birch", 50.0, 906.0, "carried"),
    row("cedar", 40.0, 920.0, "carried"),
    row("ash", None, 880.0, "marked", 0),
    row("birch", None, 870.0, "marked", 2),
]


@pytest.mark.parametrize("columns", [True, False], ids=["with_origin", "older_tables"])
def test_only_marked_values_are_compared(tmp_path, columns) -> None:
    frame = typed_frame(ROWS, MEASUREMENTS)
    if not columns:
        frame = frame.drop(columns=["landmark_origin", "phases_used", "phases_carried"])
    (tmp_path / "measurements").mkdir()
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), tmp_path / "measurements/part.parquet")
    with measure_files(tmp_path / "measurements", tmp_path, StatisticsSettings()) as files:
        values = sorted(files.readings("mitral_area")["value"])
    assert values == ([880.0, 900.0, 910.0] if columns else sorted(r["value"] for r in ROWS))
