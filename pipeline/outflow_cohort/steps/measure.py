"""Step 4: measure all phases, readers and plans of one case. Lengths mm, areas mm2, angles deg."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import read_json, write_atomically, write_json, write_parquet
from outflow_cohort.steps.guard import CRASH_CODE, crash_message, run_guarded

if TYPE_CHECKING:
    from outflow_geometry.frames import Volume
    from outflow_geometry.inputs import Definitions, Plan, Prosthesis, ReadingInput

PHASE_TOLERANCE_PCT = 1.0
"""A reading belongs to the series whose phase is nearest, within this: headers write 29.9 where tables write 30."""
STAGE = "measure"

Row = dict[str, Any]


def measure(*, request: Path, inventory: Path, volumes: Path, output_dir: Path) -> None:
    """Write measurements, curves, views (Parquet), set_aside, drawing (JSON) and pictures (npz) of one case."""
    content = read_json(request)

    def give_up() -> None:
        rows = [_aside(content, r, CRASH_CODE, crash_message(STAGE)) for r in content["readings"]]
        _write(output_dir, [], [], [], rows or [_aside(content, None, CRASH_CODE, crash_message(STAGE))], [], {})

    run_guarded(lambda: _measure(content, read_json(inventory), volumes, output_dir), give_up)


def _measure(request: Row, inventory: Row, volumes: Path, output_dir: Path) -> None:
    from outflow_cohort.dicom.landmark_checks import check_landmarks
    from outflow_cohort.report.pictures import take_pictures
    from outflow_geometry.lumen import PhaseImage
    from outflow_geometry.reading import measure_case, measure_reading
    from outflow_geometry.uncertainty import landmark_sd

    index = read_json(volumes / "volumes.json")
    by_phase = _readings_by_volume(request, inventory, index)
    checked, refused = check_landmarks(request, by_phase, index)
    definitions = core_definitions(request, landmark_sd)
    measured: list[tuple[Row, Any]] = []
    drawings: list[Row] = []
    images: dict[float | None, Volume] = {}
    for entry, readings in checked:
        image = PhaseImage(_volume(volumes, entry))
        images[entry["phase_pct"]] = image.volume
        for reading in readings:
            result = measure_reading(reading_input(request, reading, image.volume, entry, definitions), image)
            measured.append(({**reading, "phase_pct": entry["phase_pct"]}, result))
            drawings.append({**_who(reading), "phase_pct": entry["phase_pct"], **result.drawing})
    for reading, values in measure_case(measured, definitions):
        measured.append((reading, values))
    pictures = take_pictures(images, drawings)
    _write(output_dir, *_rows(request, measured), refused, drawings, pictures)


def _who(reading: Row) -> Row:
    return {name: reading[name] for name in ("reader_id", "read_no")}
