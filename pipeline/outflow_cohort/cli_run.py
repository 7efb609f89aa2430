"""The command that runs a study from wherever the program is installed."""

from __future__ import annotations

import argparse
import subprocess
import sys

from outflow_cohort.cli_parts import Commands, add_command, study_file
from outflow_cohort.workflow_files import workflow_file


def _run(args: argparse.Namespace) -> int:
    """Start the workflow engine; its exit status is ours."""
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(workflow_file("Snakefile"))]
    if args.profile:
        command += ["--profile", str(workflow_file(f"config/profiles/{args.profile}"))]
    if args.cores or not args.profile:
        command += ["--cores", args.cores or "all"]
    if args.dry_run:
        command.append("--dry-run")
    elif "--logger" not in args.engine:
        command += ["--logger", "outflow"]
    if args.study is not None:
        command += ["--config", f"study={args.study}"]
    return subprocess.run([*command, *args.engine], check=False).returncode


def add_run_command(commands: Commands[argparse.ArgumentParser]) -> None:
    """`outflow-cohort run`."""
    text = "Run a study: check, measure, tables, statistics, report. Without a study: the demonstration."
    p = add_command(commands, "run", _run, text, "my_study/study.yaml --cores 2")
    p.add_argument("study", type=study_file, nargs="?", help="study.yaml, or the folder that holds it")
    p.add_argument("--cores", help="processor cores to use (default: all)")
    p.add_argument("--profile", choices=("local", "slurm"), help="which of the supplied profiles runs the jobs")
    p.add_argument("-n", "--dry-run", action="store_true", help="say what would be done")
    p.add_argument("--engine", nargs=argparse.REMAINDER, default=[], metavar="OPTION",
                   help="all that follows is passed to snakemake unchanged")  # fmt: skip
