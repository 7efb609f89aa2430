"""An invented cohort in the form of a finished table step: measurements in parts, cases, landmarks, settings."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

GROUPS = ("ring", "valve", "calcium")
DEVICES = {f"D{i}": {"device_id": f"D{i}", "nominal_diameter_mm": d} for i, d in enumerate((31.0, 34.0, 37.0, 40.0))}
CUTOFFS = [
    {"cutoff_id": "low", "area_mm2": 170.0, "rule": "at_or_below", "endpoint": "invented", "n": "10", "source": "none"},
    {"cutoff_id": "high", "area_mm2": 240.0, "rule": "below", "endpoint": "invented", "n": "20", "source": "none"},
]
STATISTICS = {
    "n_boot": 100,
    "n_boot_model": 50,
    "outcomes": [{"column": "obstruction", "endpoint": "invented"}],
    "categorical_columns": ["stage"],
}


def measurements(n_cases=18, phases=(30.0, 70.0), readers=("R1", "R2", "R3"), reads=2, seed=3):
    """Long rows in the columns of the contract; some readings missing, some unusable."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(n_cases):
        case = f"C{number:03d}"
        area, ring = rng.normal(250, 60), rng.normal(900, 120)
        for phase in phases:
            late = 0.0 if phase != phase else phase - 30
            for reader in readers:
                for read in range(1, reads + 1):
                    if rng.random() < 0.08:
                        continue
                    who = (case, phase, reader, read)
                    rows.append(
                        (*who, "", "mitral_area", "spline", "reader_points", ring + rng.normal(0, 20), "mm2", "ok")
                    )
                    length = np.sqrt(4 * np.pi * ring) * 1.02 + rng.normal(0, 1)
                    rows.append((*who, "", "mitral_perimeter", "projected", "reader_points", length, "mm", "ok"))
                    angle = rng.normal(125, 6)
                    rows.append((*who, "", "aorto_mitral_angle", "opening", "reader_points", angle, "deg", "ok"))
                    volume = 60 + late + rng.normal(0, 2)
                    rows.append((*who, "", "lv_volume", "", "automatic_path", volume, "ml", "ok"))
                    for method in ("reader_path", "automatic_path"):
                        value = area + late + rng.normal(0, 12)
                        kind = rng.random()
                        status = "leak" if kind < 0.05 else "smallest_at_annulus" if kind < 0.15 else "ok"
                        shown = np.nan if status == "leak" else value
                        rows.append((*who, "P1", "neo_lvot_area", "full_frame", method, shown, "mm2", status))
                        chance = float(1 / (1 + np.exp((value - 170) / 10)))
                        variant = "full_frame/low"
                        rows.append((*who, "P1", "neo_lvot_chance_below", variant, method, chance, "1", "ok"))
    columns = [
        "case_id", "phase_pct", "reader_id", "read_no", "plan_id", "measure", "variant", "method", "value", "unit",
        "status",
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns)
    return frame.assign(read_no=frame["read_no"].astype("Int64"), std_error=1.0, ci_low=np.nan, ci_high=np.nan)


def cases(n_cases=18, seed=4):
    """The case table, text as the study holds it."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "case_id": [f"C{i:03d}" for i in range(n_cases)],
            "group": [GROUPS[i % 3] for i in range(n_cases)],
            "site": [("S1", "S2")[i % 2] for i in range(n_cases)],
            "bsa_m2": rng.normal(1.8, 0.2, n_cases).round(2),
            "age": [str(int(v)) if i % 9 else "" for i, v in enumerate(rng.normal(72, 8, n_cases))],
            "stage": [str(i % 4) for i in range(n_cases)],
            "obstruction": ["1" if v < 0.35 else "0" for v in rng.random(n_cases)],
        }
    )


def landmarks(n_cases=18, readers=("R1", "R2", "R3"), seed=5):
    """Long landmark points."""
    rng = np.random.default_rng(seed)
    rows = []
    turns = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    for number in range(n_cases):
        for reader in readers:
            ring = np.column_stack([18 * np.cos(turns), 15 * np.sin(turns), 0 * turns]) + rng.normal(0, 0.5, (8, 3))
            for point, xyz in enumerate(ring):
                rows.append((f"C{number:03d}", 30.0, reader, 1, "mitral_ring", point, *xyz))
            rows.append(
                (f"C{number:03d}", 30.0, reader, 1, "lv_apex", 0, *(rng.normal(0, 1, 3) - np.array([0, 0, 70])))
            )
    columns = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    return pd.DataFrame(rows, columns=columns)


def write_study(root: Path, frame=None, *, parts=3, case_table=None, points=None, row_group=None, statistics=None):
    """Write RESULTS under `root`; the rows go to `parts` files in their order, cut without regard to cases."""
    frame = measurements() if frame is None else frame
    folder, work = root / "tables" / "measurements", root / "work"
    folder.mkdir(parents=True)
    work.mkdir(parents=True)
    for number, rows in enumerate(np.array_split(np.arange(len(frame)), parts)):
        table = pa.Table.from_pandas(frame.iloc[rows], preserve_index=False)
        pq.write_table(table, folder / f"part-{number:05d}.parquet", row_group_size=row_group)
    (cases() if case_table is None else case_table).to_parquet(work / "cases.parquet", index=False)
    (landmarks() if points is None else points).to_parquet(work / "readings.parquet", index=False)
    targets = [{"device_id": d, "group": None, "basis": "area", "min_pct": 2.0, "max_pct": 22.0} for d in DEVICES]
    study = {"study_id": "invented", "statistics": STATISTICS | (statistics or {}), "cutoff_table": CUTOFFS}
    study |= {"sizing_target_table": targets, "device_table": DEVICES}
    (work / "study.json").write_text(json.dumps(study))
    return root


def table_bytes(root: Path):
    """Bytes of every table of statistics, by name."""
    return {p.name: p.read_bytes() for p in sorted((root / "tables").glob("*.*")) if p.is_file()}
