"""A measure is added by its function and its entry; tables, dictionary, handbook and report follow from them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd

SCRIPT = """
import math
from pathlib import Path

import numpy as np

from outflow_geometry.measures import registry


def ring_roundness(context, variant, method):
    contour = context.anatomy.ring_contour
    return contour.perimeter / (2.0 * math.sqrt(math.pi * contour.area))


DEFINITION = "Perimeter of the ring over that of the circle of its area."
ENTRY = registry.Measure(
    "ring_roundness", ("",), "1", ("reader_points",), ("mitral_ring",), "reading", ring_roundness, DEFINITION, "closed form"
)
registry.REGISTRY += (ENTRY,)

from outflow_cohort.cli import build_parser
from outflow_cohort.files import write_parquet
from outflow_cohort.handbook.build import write_handbook
from outflow_cohort.report.wording import definition
from outflow_cohort.study.dictionary import data_dictionary
from outflow_cohort.study.outputs import measurements_frame
from outflow_cohort.study.table_schema import _measures
from outflow_geometry.base.inputs import ReadingInput
from outflow_geometry.measures.reading import measure_reading

t = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
marks = {"mitral_ring": np.stack([15.0 * np.cos(t), 15.0 * np.sin(t), 0.0 * t], axis=1)}
result = measure_reading(ReadingInput(marks, volume=None))
who = {"case_id": "C1", "phase_pct": 40.0, "reader_id": "ash", "read_no": 1}
write_parquet(Path("measurements.parquet"), measurements_frame([who | vars(v) for v in result.values]))
write_handbook(output=Path("handbook"), parser=build_parser())
assert DEFINITION in data_dictionary()
assert DEFINITION == definition("ring_roundness")
assert "ring_roundness" in _measures()
"""


def test_a_measure_is_its_function_and_its_entry(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", SCRIPT], check=False, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    rows = pd.read_parquet(tmp_path / "measurements.parquet").query("measure == 'ring_roundness'")
    assert rows["status"].tolist() == ["ok"]
    # a circle of 24 points: the spline's perimeter and area are those of the circle to 1e-5
    assert abs(rows["value"].iloc[0] - 1.0) < 1e-5
    page = (tmp_path / "handbook/pages/measures/ring_roundness.md").read_text(encoding="utf-8")
    assert "Perimeter of the ring over that of the circle of its area." in page
    assert "## Formula" not in page  # a missing note is a gap on a page
    assert "ring_roundness.md" in (tmp_path / "handbook/mkdocs.yml").read_text(encoding="utf-8")
