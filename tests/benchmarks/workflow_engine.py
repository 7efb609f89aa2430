"""What the workflow engine itself costs, by scheduler and by the store of its records. Figures, never assertions.

    python tests/benchmarks/workflow_engine.py --cases 100
    python tests/benchmarks/workflow_engine.py --cases 10,100,1000 --chosen

Runs the real Snakefile on a study of many cases whose jobs end at once: in place of our command stands a shell script
that only makes the outputs named on its command line. What is left is the engine: reading the rules, building the
graph, choosing, starting and recording jobs. Invented data.
"""

from __future__ import annotations

import argparse
import os
import site
import sys
import tempfile
from itertools import product
from pathlib import Path

import scale_study
from scale_study import FULL_PHASES, PROJECT, make_base, make_study, snakemake

SCHEDULERS = ("greedy", "ilp")
STORES = ("file", "db")
JOBS_OF_A_CASE = ("inventory", "volume", "judge", "measure", "sheet")
INSTANT = """#!/bin/sh
step=$1
while [ $# -gt 1 ]; do
  case $1 in
    --output) output=$2;;
    --results) results=$2;;
    --key) key=$2;;
  esac
  shift
done
case $step in
  inventory) : > "$output";;
  judge) : > "$output"; : > "${output%.json}.npz";;
  volume) mkdir -p "$output";;
  measure) mkdir -p "$output"
    for name in measurements.parquet curves.parquet views.parquet set_aside.json drawing.json pictures.npz; do
      : > "$output/$name"
    done;;
  sheet) : > "$results/report/cases/$key.html";;
esac
"""


def instant_commands(folder: Path) -> Path:
    """A folder with this Python and, beside it, the script that stands for our command; returns its Python."""
    folder.mkdir()
    python = folder / "python"
    python.symlink_to(Path(sys.executable).resolve())
    script = folder / "outflow-cohort"
    script.write_text(INSTANT, encoding="ascii")
    script.chmod(0o755)
    return python


def main() -> None:
    """Time every combination and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=scale_study.numbers, default=[100], help="numbers of cases")
    parser.add_argument("--chosen", action="store_true", help="only the scheduler and the store that the profiles name")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary).resolve()
        make_base(folder / "base", FULL_PHASES, scans=True)
        python = instant_commands(folder / "bin")
        packages = [str(PROJECT / "shared"), str(PROJECT / "pipeline"), *site.getsitepackages()]
        os.environ["PYTHONPATH"] = os.pathsep.join(packages)
        sys.executable = str(python)
        print("Jobs that end at once, one core\n")
        print("| jobs | scheduler | records | engine's processor time, s | a job, ms | whole run, s |")
        print("|---|---|---|---|---|---|")
        pairs = [(SCHEDULERS[0], STORES[0])] if args.chosen else list(product(SCHEDULERS, STORES))
        for cases, (scheduler, store) in product(args.cases, pairs):
            study = make_study(folder / f"{scheduler}_{store}_{cases}", folder / "base", cases)
            scale_study.SCHEDULER = scheduler
            spent = snakemake(study, "--until", "sheet", "--persistence-backend", store, cores=1)
            jobs = len(JOBS_OF_A_CASE) * cases
            row = (jobs, scheduler, store, f"{spent.engine:.1f}", f"{1000 * spent.engine / jobs:.0f}")
            print("| " + " | ".join(map(str, row)) + f" | {spent.seconds:.1f} |", flush=True)


if __name__ == "__main__":
    main()
