"""Summary of many long rows against pandas reading and grouping the same files. Run: python tests/benchmarks/summary_speed.py

Each side runs in a process of its own; wall time and peak memory of that process are printed, never asserted. pandas
reads the needed columns and groups mean, SD, median and quartiles over all readings; this project's side also reduces
readings to one value per case first, and gives intervals, counts of missing and groups.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

MEASURES = 40
READERS, READS, PHASES, CASES_A_PART = 3, 2, 10, 25


def write_dataset(folder: Path, rows: int) -> int:
    """Write about `rows` long rows in parts of 25 cases; returns their number."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    a_case = MEASURES * READERS * READS * PHASES
    cases = max(1, round(rows / a_case))
    rng = np.random.default_rng(7)
    folder.mkdir(parents=True)
    levels = np.meshgrid(
        np.arange(CASES_A_PART),
        np.arange(PHASES),
        np.arange(READERS),
        np.arange(READS),
        np.arange(MEASURES),
        indexing="ij",
    )
    case, phase, reader, read, measure = (level.ravel() for level in levels)
    names = np.array([f"measure_{i % 20:02d}" for i in range(MEASURES)])
    variants = np.array([f"variant_{i // 20}" for i in range(MEASURES)])
    total = 0
    for part, start in enumerate(range(0, cases, CASES_A_PART)):
        keep = case < min(CASES_A_PART, cases - start)
        n = int(keep.sum())
        value = 200 + 10 * measure[keep] + phase[keep] + rng.normal(0, 30, n)
        value[rng.random(n) < 0.02] = np.nan
        table = pa.table(
            {
                "case_id": pa.array([f"C{start + c:05d}" for c in range(CASES_A_PART)]).take(pa.array(case[keep])),
                "phase_pct": 10.0 * phase[keep],
                "reader_id": pa.array(["R1", "R2", "R3"]).take(pa.array(reader[keep])),
                "read_no": pa.array(read[keep] + 1, pa.int64()),
                "plan_id": pa.array(["P1"]).take(pa.array(np.zeros(n, int))),
                "measure": pa.array(names).take(pa.array(measure[keep])),
                "variant": pa.array(variants).take(pa.array(measure[keep])),
                "method": pa.array(["reader_path"]).take(pa.array(np.zeros(n, int))),
                "value": pa.array(value, from_pandas=True),
                "unit": pa.array(["mm2"]).take(pa.array(np.zeros(n, int))),
                "std_error": np.full(n, 1.0),
                "ci_low": value - 2,
                "ci_high": value + 2,
                "status": pa.array(["ok", "leak"]).take(pa.array(np.isnan(value).astype(int))),
            }
        )
        pq.write_table(table, folder / f"part-{part:05d}.parquet", compression="zstd")
        total += n
    return total


def ours(folder: Path, scheduler: str | None) -> int:
    from outflow_cohort.stats.cohort.summary import cohort_summary
    from outflow_cohort.stats.data.case_reduction import case_values, rules_of
    from outflow_cohort.stats.data.one_value import NOT_STATED, one_value_a_case
    from outflow_cohort.stats.data.settings import StatisticsSettings

    settings = StatisticsSettings(phase_rule="mean_over_phases")
    rules = rules_of(settings)
    values = case_values(folder, rules, scheduler)
    groups = pd.Series({c: ("A", "B", NOT_STATED)[i % 3] for i, c in enumerate(values["case_id"].cat.categories)})
    chosen = one_value_a_case(values, settings.phase_rule)
    return len(cohort_summary(values, chosen, groups, settings, rules.text))


def theirs(folder: Path) -> int:
    frame = pd.read_parquet(folder)
    frame = frame[frame["status"] == "ok"]
    grouped = frame.groupby(["phase_pct", "plan_id", "measure", "variant", "method", "unit"])["value"]
    table = grouped.agg(["count", "mean", "std", "median", "min", "max"])
    table[["q1", "q3"]] = grouped.quantile([0.25, 0.75]).to_numpy().reshape(-1, 2)
    return len(table)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=16_000_000)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--side", choices=("ours", "pandas"))
    parser.add_argument("--scheduler")
    args = parser.parse_args()
    if args.side:
        start = time.perf_counter()
        rows = ours(args.folder, args.scheduler) if args.side == "ours" else theirs(args.folder)
        seconds = time.perf_counter() - start
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        print(f"{args.side:8s} {seconds:8.2f} s  {peak:6.2f} GiB peak  {rows} rows of summary", flush=True)
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.folder or Path(scratch) / "measurements"
        if not folder.exists():
            print(f"{write_dataset(folder, args.rows):,} rows written", flush=True)
        for side in ("ours", "pandas"):
            more = ["--scheduler", args.scheduler] if args.scheduler and side == "ours" else []
            subprocess.run([sys.executable, __file__, "--side", side, "--folder", str(folder), *more], check=True)


if __name__ == "__main__":
    main()
