"""A heart of real size, 512 x 512 x 256 voxels of 0.4 x 0.4 x 0.5 mm: processor time and bytes by step, and what that
makes of 1,000 cases. Figures, never assertions.

    python tests/benchmarks/real_size.py --phases 40 --readers ash --reads 2 --output results_demo/real_size.md

Every step of the case runs as the workflow runs it, one after the other, with the program's defaults (both paths,
the solids that the case has, 200 draws). Invented data; rendering the images is not counted.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

CASE = "R01"
SETTINGS = """\
study_id: real_size
title: A heart of real size
seed: 7
phases_pct: [{phases}]
readers: [{readers}]
reads: {reads}
sites: [Aldermoor]
cases:
  - {{case_id: R01, group: annular_calcification, seed: 105}}
scan: {{matrix: {matrix}, pixel_mm: {pixel}, slice_mm: {slice}, slices: {slices}, supersample: 1}}
"""
WHOLE = (10, 6)
"""Phases and readings a phase of a case to which the figures are carried on."""
CORES = (2, 64, 1000)


@dataclass(frozen=True)
class Step:
    """What one step of the case took."""

    name: str
    processor: float
    peak_mib: float
    by_reading: bool
    """Whether it grows with the readings (else with the phases)."""


def run(name: str, *arguments: str, by_reading: bool = False) -> Step:
    """Run one command; its log's last line tells processor seconds and peak memory."""
    environment = {**os.environ, "OUTFLOW_LOG": "verbose,json", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "outflow_cohort", name, *arguments]
    done = subprocess.run(command, env=environment, check=True, capture_output=True, text=True)
    told = json.loads((done.stdout + done.stderr).strip().splitlines()[-1])
    return Step(name, told["processor_seconds"], told["peak_mib"], by_reading)


def gigabytes(folder: Path) -> float:
    """Bytes of all files below a folder, GB."""
    return sum(f.stat().st_size for f in folder.rglob("*") if f.is_file()) / 1e9


def steps_of(study: Path) -> list[Step]:
    """Every step of the one case, in the workflow's order."""
    work = study.parent / "results/work"
    request, inventory, volumes = (
        work / f"requests/{CASE}.json",
        work / f"inventory/{CASE}.json",
        work / "volumes" / CASE,
    )
    judged, limits = work / f"judged/{CASE}.json", ("--attempts-left", "0", "--minutes", "240")
    run("plan", "--study", str(study))
    given = ("--request", str(request), "--inventory", str(inventory))
    return [
        run("inventory", "--request", str(request), "--minutes", "240", "--output", str(inventory)),
        run("volume", *given, *limits, "--output", str(volumes)),
        run("judge", *given, "--volumes", str(volumes), *limits, "--output", str(judged), by_reading=True),
        run("measure", *given, "--volumes", str(volumes), "--judged", str(judged), *limits,
            "--output", str(work / "measured" / CASE), by_reading=True),
        run("sheet", "--results", str(study.parent / "results"), "--key", CASE),
    ]  # fmt: skip


def markdown(steps: list[Step], phases: int, readings: int, read: float, kept: float, command: str) -> str:
    """The figures and the arithmetic of the extrapolation."""
    text = ["# A heart of real size", "", "For research only, not for treating a patient. Invented data.", "",
            f"    {command}", "",
            f"One case, 512 x 512 x 256 voxels of 0.4 x 0.4 x 0.5 mm, {phases} phase(s), {readings} reading(s), one plan, "
            "both paths, the solids that a case without a surgical prosthesis has, 200 draws.", "",
            "| step | processor seconds | share | peak memory, MiB | grows with |", "|---|---|---|---|---|"]  # fmt: skip
    total = sum(step.processor for step in steps)
    for step in steps:
        grows = "readings" if step.by_reading else "phases"
        text.append(
            f"| {step.name} | {step.processor:.1f} | {step.processor / total:.0%} | {step.peak_mib:.0f} | {grows} |"
        )
    whole_phases, per_phase = WHOLE
    by_reading = sum(s.processor for s in steps if s.by_reading) / readings
    by_phase = sum(s.processor for s in steps if not s.by_reading) / phases
    case = by_reading * whole_phases * per_phase + by_phase * whole_phases
    hours = case * 1000 / 3600
    text += ["", f"Images read: {read:.2f} GB, {read / phases:.3f} GB a phase; resampled volume {kept:.2f} GB, dropped after "
             "measuring.", "",
             f"Carried on to {whole_phases} phases and 3 readers x 2 reads a phase ({whole_phases * per_phase} readings): "
             f"{by_reading:.2f} s x {whole_phases * per_phase} + {by_phase:.2f} s x {whole_phases} = {case:.0f} s of one core "
             f"a case, {read / phases * whole_phases:.1f} GB read. 1,000 cases: {case * 1000:.3g} s = {hours:.0f} hours of one "
             f"core, {read / phases * whole_phases:.1f} TB read; without waiting for disks and with cases spread evenly "
             + ", ".join(f"{hours / cores:.3g} h on {cores} cores" for cores in CORES)
             + ". That is arithmetic, not a run: what a process needs to start counts with each reading here, statistics and "
             "report of the cohort (results_demo/scale.md) come on top.", ""]  # fmt: skip
    return "\n".join(text)


def main() -> None:
    """Render, measure, print, and write where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--phases", default="40", help="comma-separated phases, %% of R-R")
    parser.add_argument("--readers", default="ash", help="comma-separated readers")
    parser.add_argument("--reads", type=int, default=2)
    parser.add_argument("--small", action="store_true", help="a sixth of the matrix, to try the script")
    parser.add_argument("--output", type=Path)
    args = parser.parse_args()
    from outflow_cohort.demo.study import write_case_series, write_tables

    phases, readers = args.phases.split(","), args.readers.split(",")
    size = (
        dict(matrix=100, pixel=2.0, slice=2.5, slices=52)
        if args.small
        else dict(matrix=512, pixel=0.4, slice=0.5, slices=256)
    )
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "study"
        settings = Path(temporary) / "real.yaml"
        text = SETTINGS.format(phases=", ".join(phases), readers=", ".join(readers), reads=args.reads, **size)
        settings.write_text(text, encoding="utf-8")
        write_tables(folder=folder, settings=settings)
        write_case_series(folder=folder, case_id=CASE)
        study = folder / "study.yaml"
        study.write_text("study_id: real_size\n", encoding="utf-8")
        steps = steps_of(study)
        readings = len(phases) * len(readers) * args.reads
        read, kept = gigabytes(folder / "dicom"), gigabytes(folder / "results/work/volumes")
    command = (
        f"python tests/benchmarks/real_size.py --phases {args.phases} --readers {args.readers} --reads {args.reads}"
    )
    report = markdown(steps, len(phases), readings, read, kept, command)
    print(report)
    if args.output:
        args.output.write_text(report, encoding="utf-8")


if __name__ == "__main__":
    main()
