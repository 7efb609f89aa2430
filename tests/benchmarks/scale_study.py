"""Studies of many cases from a few volumes linked many times: how does the time grow? Figures, never assertions.

    python tests/benchmarks/scale_study.py --whole 10,100,1000 --output results_demo/scale.md
    python tests/benchmarks/scale_study.py --full 10,100 --synthetic 10,100,1000 --output results_demo/scale.md

`--whole` runs N cases x 10 phases x 3 readers x 2 reads through the real Snakefile, every image read, every reading
measured, from two small coarse volumes a phase linked many times; then with nothing to do, then with one case more. So
that a reading stays cheap, it has no intervals, one solid, neither path nor septum marked by a reader, and one case in
PLANNED_EVERY has a plan. With `--finished` such studies stand finished in `--folder`: only what is done for the study as
a whole is measured again, on a copy of the program that did not run them.
`--full` runs N cases x 1 phase x 1 reader x 2 reads through the real Snakefile, every step; then once more with
nothing to do, then with one case more. `--synthetic` plans and dry-runs N cases x PHASES phases x 3 readers x 2 reads
with the real Snakefile; then it copies the measured files of one case under the new case ids, with scattered values,
and runs table, statistics, report and finish on them: no image is measured. `--one-more` makes such a study look
finished to the workflow engine, adds one case, and runs the real Snakefile on what there is to do.
Invented data; landmarks differ between cases by a scatter of JITTER_MM.
"""

from __future__ import annotations

import argparse
import base64
import csv
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

PROJECT = Path(__file__).parents[2]
READERS, READS = ("ash", "birch", "cedar"), 2
FULL_READERS = ("ash",)
"""Readers of the studies that are measured in full, each with READS reads: few, so that 100 cases take minutes."""
FULL_PHASES = (40,)
JITTER_MM = 0.2
SCATTER = 0.03
"""Relative scatter of synthetic values between cases, readings and phases."""
SCHEDULER = "greedy"
WHOLE_PHASES = tuple(range(0, 100, 10))
PLANNED_EVERY = 20
"""In the `whole` studies one case in so many has a plan: sections beside a device cost several times all other measures."""
UNMARKED = ("outflow_path", "septum")
"""Structures that no reader of the `whole` studies marked."""
BASE_CASES = ("B01", "B02")
BASE = """\
study_id: scale_base
title: Volumes of the scale study
seed: 7
phases_pct: [{phases}]
readers: [ash, birch, cedar]
reads: 2
sites: [Aldermoor, Brinehaven]
cases:
  - {{case_id: B01, group: native, seed: 31}}
  - {{case_id: B02, group: annular_calcification, seed: 32}}
scan: {{{scan}, supersample: 1}}
"""
SCAN = "matrix: 128, pixel_mm: 1.25, slice_mm: 1.25, slices: 100"
COARSE_SCAN = "matrix: 64, pixel_mm: 2.5, slice_mm: 2.5, slices: 50"
WHOLE_SETTINGS = """\
study_id: scale_study
solids: [full_frame]
station_step_mm: 2
uncertainty: {draws: 0}
resample: {keep_grid_up_to_mm: 3, margin_mm: 10}
statistics: {n_boot: 200}
"""
SETTINGS = "study_id: scale_study\nuncertainty: {draws: 50}\nstatistics: {n_boot: 200}\n"
GATHERED = ("measurements", "curves", "views", "series", "privacy", "set_aside", "README")
"""What the table step writes; the other tables are statistics."""
OF_THE_STUDY = ("table", "statistics", "report", "finish")
"""Steps that are made anew with each case."""
SMALL_TABLES = ("devices", "device_profiles", "prostheses", "sizing_targets")


@dataclass
class Figures:
    """What was measured of one study; wall and processor seconds, MiB, MB."""

    cases: int
    phases: int
    readings: int
    kind: str
    seconds: dict[str, float] = field(default_factory=dict)
    processor: dict[str, float] = field(default_factory=dict)
    peak_mib: dict[str, float] = field(default_factory=dict)
    other: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Spent:
    """Of one command: wall and processor seconds, peak memory of its largest process (MiB), what it printed."""

    seconds: float
    processor: float
    peak_mib: float
    output: str
    engine: float = 0.0


def make_base(folder: Path, phases: tuple[int, ...], scans: bool, scan: str = SCAN) -> None:
    """The volumes and tables that all cases come from."""
    from outflow_cohort.demo.study import write_case_series, write_tables

    settings = folder.parent / f"{folder.name}.yaml"
    settings.write_text(BASE.format(phases=", ".join(map(str, phases)), scan=scan), encoding="utf-8")
    write_tables(folder=folder, settings=settings)
    for case in BASE_CASES if scans else ():
        write_case_series(folder=folder, case_id=case)


def make_study(
    folder: Path,
    base: Path,
    cases: int,
    readers: tuple[str, ...] = READERS,
    *,
    settings: str = SETTINGS,
    planned_every: int = 1,
    without: tuple[str, ...] = (),
) -> Path:
    """A study of `cases` cases whose series are links to those of `base`, each with its own landmarks; one plan.

    planned_every : one case in so many has its plan; without : structures that no reader marked.
    """
    rng = np.random.default_rng(cases)
    folder.mkdir(parents=True)
    (folder / "dicom").mkdir()
    (folder / "dicom/base").symlink_to(base / "dicom")
    keys = [f"C{i:05d}" for i in range(cases)]
    tables = {name: pd.read_csv(base / f"{name}.csv") for name in ("cases", "series", "landmarks", "plans")}
    plans = tables["plans"]
    tables["plans"] = plans[plans["plan_id"] == plans["plan_id"].min()]
    marks = tables["landmarks"]
    tables["landmarks"] = marks[marks["reader_id"].isin(readers) & ~marks["structure"].isin(without)]
    for name, rows in tables.items():
        by_case = {case: part for case, part in rows.groupby("case_id")}
        parts = [by_case[BASE_CASES[i % len(BASE_CASES)]] for i in range(cases)]
        counts = [len(part) for part in parts]
        many = pd.concat(parts, ignore_index=True)
        many["case_id"] = np.repeat(keys, counts)
        if name == "plans":
            many = many[many["case_id"].isin(keys[::planned_every])]
        if name == "series":
            many["dicom_dir"] = many["dicom_dir"].str.replace("dicom/", "dicom/base/", n=1)
        if name == "landmarks":
            columns = ["x_mm", "y_mm", "z_mm"]
            many[columns] = (many[columns] + rng.normal(0, JITTER_MM, (len(many), 3))).round(3)
        if name == "cases":
            many.loc[~many["case_id"].isin(keys[::planned_every]), "device_id"] = None
            for column in ("age", "bsa_m2"):
                many[column] = (many[column] * (1 + rng.normal(0, 0.1, len(many)))).round(2)
        many.to_csv(folder / f"{name}.csv", index=False)
    for name in SMALL_TABLES:
        shutil.copy(base / f"{name}.csv", folder / f"{name}.csv")
    (folder / "study.yaml").write_text(settings, encoding="utf-8")
    return folder / "study.yaml"


def run(*command: str) -> Spent:
    """Run a command of the project; raises RuntimeError with its last words where it fails."""
    script = (
        "import resource, subprocess, sys\n"
        "done = subprocess.run(sys.argv[1:], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)\n"
        "sys.stdout.write(done.stdout)\n"
        "used = resource.getrusage(resource.RUSAGE_CHILDREN)\n"
        "print('\\nUSED', used.ru_utime + used.ru_stime, used.ru_maxrss)\n"
        "sys.exit(done.returncode)\n"
    )
    start = time.perf_counter()
    # each job's log then ends with what the job has spent
    environment = os.environ | {"OUTFLOW_LOG": "verbose,json"}
    done = subprocess.run(
        [sys.executable, "-c", script, *command],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    seconds = time.perf_counter() - start
    if done.returncode:
        raise RuntimeError(f"{command}: exit status {done.returncode}\n{done.stdout[-3000:]}{done.stderr[-1000:]}")
    processor, peak = re.findall(r"^USED ([\d.]+) (\d+)", done.stdout, re.MULTILINE)[-1]
    return Spent(seconds, float(processor), int(peak) / 1024, done.stdout)


ENGINE = (
    "import atexit, resource\n"
    "def tell():\n"
    "    own = resource.getrusage(resource.RUSAGE_SELF)\n"
    "    print('\\nENGINE', own.ru_utime + own.ru_stime, own.ru_maxrss, flush=True)\n"
    "atexit.register(tell)\n"
    "from snakemake.cli import main\n"
    "main()\n"
)
"""The workflow engine as its command line starts it, telling its own processor time and memory at the end."""


def snakemake(study: Path, *arguments: str, cores: int = 2) -> Spent:
    """Run the real Snakefile; `engine` of the result is the processor time of the engine's own process."""
    config = ("--config", f"study={study}")
    choice = ("--cores", str(cores), "--scheduler", SCHEDULER)
    spent = run(sys.executable, "-c", ENGINE, *choice, *arguments, *config)
    processor, _ = re.findall(r"^ENGINE ([\d.]+) (\d+)", spent.output, re.MULTILINE)[-1]
    return replace(spent, engine=float(processor))


def working_seconds(results: Path, since: float) -> tuple[float, float]:
    """Seconds since a moment in which at least one job was at work, and the sum over jobs, by the engine's records."""
    spans = set()
    inside = f"{results}{os.sep}"
    for file in (PROJECT / ".snakemake/metadata").rglob("*"):
        if not file.is_file() or file.stat().st_mtime < since:
            continue
        text = "".join(part.removeprefix("@") for part in file.relative_to(PROJECT / ".snakemake/metadata").parts)
        if not base64.urlsafe_b64decode(text).decode().startswith(inside):
            continue
        record = json.loads(file.read_text(encoding="utf-8"))
        if record.get("starttime") and record["starttime"] >= since:
            spans.add((record["starttime"], record["endtime"]))
    covered, end = 0.0, 0.0
    for start, stop in sorted(spans):
        covered += max(0.0, stop - max(start, end))
        end = max(end, stop)
    return covered, sum(stop - start for start, stop in spans)


def note(figures: Figures, name: str, spent: Spent, *, peak: bool = True) -> None:
    """Note what a command took under a name; peak memory where it is that of one process."""
    figures.seconds[name], figures.processor[name] = spent.seconds, spent.processor
    print(f"{figures.kind} {figures.cases}: {name}, {spent.processor:.1f} s", file=sys.stderr, flush=True)
    if peak:
        figures.peak_mib[name] = spent.peak_mib


def step(figures: Figures, name: str, *arguments: str) -> None:
    """Run one of our commands and note its time and memory."""
    note(figures, name, run(sys.executable, "-m", "outflow_cohort", name, *arguments))


def size_mb(folder: Path) -> float:
    """Size of all files below a folder, MB."""
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) / 1e6


def full_run(folder: Path, base: Path, cases: int, cores: int) -> Figures:
    """Every step of every case through the real Snakefile; then nothing to do; then one case more."""
    study = make_study(folder, base, cases, FULL_READERS)
    readings = cases * len(FULL_PHASES) * len(FULL_READERS) * READS
    figures = Figures(cases, len(FULL_PHASES), readings, "full")
    note(figures, "plan and dry run", snakemake(study, "--dry-run", cores=cores))
    through_the_snakefile(figures, study, cores)
    note(figures, "run with nothing to do", snakemake(study, cores=cores))
    figures.other["tables MB"] = size_mb(study.parent / "results/tables")
    one_more(figures, study, cores)
    return figures


def through_the_snakefile(figures: Figures, study: Path, cores: int) -> None:
    """Run the real Snakefile on a study; note time, memory, and the engine's part."""
    begin = time.time()
    whole = snakemake(study, cores=cores)
    note(figures, "whole run", whole, peak=False)
    results = study.parent / "results"
    note_steps(figures, results)
    measuring = figures.processor["measure, all jobs"]
    covered, _ = working_seconds(results, begin)
    figures.other |= {
        "readings a minute of processor time, measuring only": figures.readings / (measuring / 60),
        "readings a minute of processor time, whole run": figures.readings / (whole.processor / 60),
        "engine's own share of processor time": whole.engine / whole.processor,
        "share of wall time in which no job was at work": 1 - covered / whole.seconds,
    }


def spent_by_step(results: Path) -> dict[str, dict[str, float]]:
    """Of each step: processor and wall seconds of all its jobs together and the peak memory of one, by their logs."""
    steps: dict[str, dict[str, float]] = {}
    for file in sorted((results / "logs").rglob("*.log")):
        for line in file.read_text(encoding="utf-8").splitlines():
            if not line.startswith("{") or (told := json.loads(line))["event"] != "end":
                continue
            name = told["command"] + (", all jobs" if file.parent.name != "logs" else "")
            step = steps.setdefault(name, {"processor": 0.0, "seconds": 0.0, "peak": 0.0})
            step["processor"] += told["processor_seconds"]
            step["seconds"] += told["seconds"]
            step["peak"] = max(step["peak"], told["peak_mib"] or 0.0)
    return steps


def note_steps(figures: Figures, results: Path, only: tuple[str, ...] | None = None) -> None:
    """Note what each step took, or only some, by the logs of its jobs."""
    for name, spent in spent_by_step(results).items():
        if only is None or name in only:
            figures.processor[name], figures.seconds[name] = spent["processor"], spent["seconds"]
            figures.peak_mib[name] = spent["peak"]


def whole_run(folder: Path, base: Path, cases: int, cores: int) -> Figures:
    """All phases, readers and reads of every case through the real Snakefile; nothing to do; one case more."""
    study = make_study(folder, base, cases, settings=WHOLE_SETTINGS, planned_every=PLANNED_EVERY, without=UNMARKED)
    readings = cases * len(WHOLE_PHASES) * len(READERS) * READS
    figures = Figures(cases, len(WHOLE_PHASES), readings, "whole")
    results = folder / "results"
    step(figures, "plan", "--study", str(study))
    note(figures, "plan again and dry run", snakemake(study, "--dry-run", cores=cores))
    through_the_snakefile(figures, study, cores)
    counts = json.loads((results / "run.json").read_text(encoding="utf-8"))["counts"]["readings"]
    if counts["measured"] + counts["set_aside"] != readings:
        raise RuntimeError(f"{counts}; needed {readings} readings")
    figures.other["readings measured"] = counts["measured"]
    figures.other["tables MB"] = size_mb(results / "tables")
    figures.other["everything in the results folder, MB"] = size_mb(results)
    figures.other["measurement rows"] = _rows(results / "tables/measurements")
    note(figures, "run with nothing to do", snakemake(study, cores=cores))
    one_more(figures, study, cores, like="C00001")
    return figures


def finished_run(folder: Path, figures: Figures, cores: int) -> Figures:
    """Of a `whole` study that stands finished: plan, dry run, nothing to do, one case more, with all tables anew."""
    study, results = folder / "study.yaml", folder / "results"
    step(figures, "plan", "--study", str(study))
    note(figures, "plan again and dry run", snakemake(study, "--dry-run", cores=cores))
    note(figures, "run with nothing to do", snakemake(study, cores=cores))
    one_more(figures, study, cores, like="C00001")
    note_steps(figures, results, OF_THE_STUDY)
    return figures


def add_case(folder: Path, like: str, name: str) -> None:
    """Add the case `name` to every table, with the rows of the case `like`."""
    for table in ("cases", "series", "landmarks", "plans"):
        path = folder / f"{table}.csv"
        with path.open(newline="", encoding="utf-8") as handle:
            rows = [row for row in csv.reader(handle) if row[0] == like]
        with path.open("a", newline="", encoding="utf-8") as handle:
            csv.writer(handle).writerows([name, *row[1:]] for row in rows)


def one_more(figures: Figures, study: Path, cores: int, like: str = "C00000") -> None:
    """Add one case as the case `like` to a finished study, run the real Snakefile on what that asks for, and note what it took."""
    name = f"C9{len(pd.read_csv(study.parent / 'cases.csv')):04d}"
    add_case(study.parent, like, name)
    spent = snakemake(study, cores=cores)
    note(figures, "one case more", spent, peak=False)
    jobs = dict(re.findall(r"^(\w+)\s+(\d+)\s*$", spent.output.split("Job stats:", 1)[1], re.MULTILINE))
    if jobs["measure"] != "1":
        raise RuntimeError(f"{jobs}; needed one measure job")
    of_case = [
        json.loads((study.parent / f"results/logs/{step}/{name}.log").read_text(encoding="utf-8").splitlines()[-1])
        for step in ("inventory", "volume", "measure", "sheet")
    ]
    alone = "inventory, volume, measure and sheet of that case"
    figures.processor[alone] = sum(told["processor_seconds"] for told in of_case)
    figures.seconds[alone] = sum(told["seconds"] for told in of_case)


def look_finished(study: Path) -> None:
    """Give a synthetic study the sheets it lacks, and every file a time that the workflow engine takes for finished."""
    results = study.parent / "results"
    keys = json.loads((results / "work/plan.json").read_text(encoding="utf-8"))["keys"]
    sheets = results / "report/cases"
    sheets.mkdir(parents=True, exist_ok=True)
    for key in keys:
        (sheets / f"{key}.html").write_text("a sheet\n", encoding="utf-8")
    tables = list((results / "tables").iterdir())
    gathered = [path for path in tables if path.name.split(".")[0] in GATHERED]
    stages = [
        [*(results / "work").glob("*.*"), *(results / "work/requests").iterdir()],
        (results / "work/inventory").iterdir(),
        (results / "work/measured").rglob("*"),
        sheets.iterdir(),
        gathered,
        [path for path in tables if path not in gathered],
        [results / "report/index.html"],
        [results / "run.json"],
    ]
    start = time.time() - 3600
    for number, paths in enumerate(stages):
        for path in paths:
            os.utime(path, (start + number, start + number))


def synthesize(results: Path, donor: Path, phases: tuple[int, ...]) -> None:
    """Inventory and measured files of every planned case from those of the donor case, with scattered values."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    from outflow_cohort.handover.judged import Judged, write_judged

    rng = np.random.default_rng(11)
    keys = json.loads((results / "work/plan.json").read_text(encoding="utf-8"))["keys"]
    inventory = json.loads((donor.parents[1] / f"inventory/{donor.name}.json").read_text(encoding="utf-8"))
    aside = json.loads((donor / "set_aside.json").read_text(encoding="utf-8"))
    tables = {}
    for name in ("measurements", "curves", "views", "implants"):
        one = pq.read_table(donor / f"{name}.parquet")
        frame = one.to_pandas()
        of_phase = frame[frame["phase_pct"].notna()]
        grid = [of_phase.assign(phase_pct=float(phase)) for phase in phases]
        tables[name] = pd.concat([*grid, frame[frame["phase_pct"].isna()]], ignore_index=True), one.schema
    for key in keys:
        scale = float(np.exp(rng.normal(0, 4 * SCATTER)))
        folder = results / "work/measured" / key
        folder.mkdir(parents=True)
        for name, (frame, schema) in tables.items():
            own = frame.assign(case_id=key)
            for column in ("value", "area_mm2"):
                if column in own:
                    own[column] = own[column] * scale * np.exp(rng.normal(0, SCATTER, len(own)))
            pq.write_table(
                pa.Table.from_pandas(own, schema, preserve_index=False), folder / f"{name}.parquet", compression="zstd"
            )
        series = [row | {"case_id": key, "phase_pct": float(p)} for p in phases for row in inventory["series"][:1]]
        content = inventory | {"series": series, "privacy": [], "set_aside": []}
        (results / "work/inventory").mkdir(exist_ok=True)
        (results / f"work/inventory/{key}.json").write_text(json.dumps(content), encoding="utf-8")
        (folder / "set_aside.json").write_text(json.dumps(aside | {"rows": []}, sort_keys=True), encoding="utf-8")
        write_judged(results / f"work/judged/{key}.json", Judged())
        os.link(donor / "drawing.json", folder / "drawing.json")
        os.link(donor / "pictures.npz", folder / "pictures.npz")


def synthetic_run(
    folder: Path, base: Path, donor: Path, cases: int, phases: tuple[int, ...], *, more: bool = False, cores: int = 2
) -> Figures:
    """Plan, dry run, then the steps of the whole cohort on synthetic measurements; then one case more, if wanted."""
    study = make_study(folder, base, cases)
    readings = cases * len(phases) * len(READERS) * READS
    figures = Figures(cases, len(phases), readings, "synthetic")
    results = folder / "results"
    step(figures, "plan", "--study", str(study))
    note(figures, "plan again and dry run", snakemake(study, "--dry-run"))
    synthesize(results, donor, phases)
    note(figures, "progress line", run(sys.executable, "-m", "outflow_cohort", "status", "--line", str(results)))
    for name in ("table", "statistics", "report", "finish"):
        step(figures, name, "--results", str(results))
    figures.other["tables MB"] = size_mb(results / "tables")
    figures.other["measurement rows"] = _rows(results / "tables/measurements")
    counts = json.loads((results / "run.json").read_text(encoding="utf-8"))["counts"]["readings"]
    if counts["measured"] != readings:
        raise RuntimeError(f"{counts}; needed {readings} measured readings")
    if more:
        look_finished(study)
        note(figures, "run with nothing to do", snakemake(study, cores=cores))
        one_more(figures, study, cores)
    return figures


def _rows(dataset: Path) -> int:
    import pyarrow.dataset as ds

    return ds.dataset(dataset).count_rows()


def growth(small: Figures, large: Figures, name: str) -> float:
    """Exponent of the growth of processor time with the number of cases: 1 = linear."""
    return float(np.log(large.processor[name] / small.processor[name]) / np.log(large.cases / small.cases))


NOTES = {
    "whole": """\
Two small hearts (64 x 64 x 50 voxels of 2.5 mm per phase) linked many times; one solid, sections every 2 mm, no intervals,
neither path nor septum marked by a reader, one case in 20 with a plan (a planned reading costs several times one
without). So a case of 60 readings takes some 8 s of one core; with intervals and finer images it takes minutes, and
what is not measuring weighs less than here. "All jobs" are sums over the cases, as each job's log tells them. The whole
run holds besides, by the case: some 1 s in which processes end and the progress line is told.

The steps of the cases and the whole run of 1,000 cases were measured on two cores in 76 minutes, the first 25 of them
beside other work: measuring a case took 5.5 s of processor time in the first fifth of the cases, 3.3 s in the last, 3.4 s
in the study of 100. Inventory, volume and sheet took some 10 % longer a case all through than in that study. Plan,
table, statistics, report and one case more were measured afterwards with `--finished`, when the plan put all readings in
order once and pairs of landmarks alike were compared at once; before that the plan took 46 s, the statistics 253 s and
862 MiB, a run with nothing to do 51 s, one case more 316 s. The whole run of 1,000 cases holds the earlier state, those
of 10 and 100 the later one.

One case more costs its own steps, the plan of the whole study, and all tables, statistics and the report anew: each of
their numbers depends on all cases.

Since then the plan notes what it read and wrote and ends at once where nothing has changed: for the tables of 1,000 cases
x 10 phases x 3 readers x 2 reads 0.3 s of processor time and 24 MiB (on a busy machine on which the plan itself took 56 s
and 1,349 MiB). A run with nothing to do is what the engine needs then.
""",
    "full": """\
Measured before the engine's limit of jobs a second was lifted: its share grew with the length of the run. Processor
seconds of measuring and peak memory are the engine's samples, which miss the end of a job.
""",
    "synthetic": """\
Statistics of 1,000 cases x 10 phases: the sum of its stages without the drift of readers and the writing of the tables
(about 3 % of an earlier complete run); the other figures are of complete commands. Before this state of the program the
same study took up to 2,441 MiB for plan and dry run and over 2,510 MiB for statistics. The steps of the large study
were run one by one, across several commits: the figure of `table` is of an earlier one than that of `statistics`.
""",
}
"""What is to be known about the figures of one kind of study."""


def markdown(rows: list[Figures]) -> str:
    """The figures as tables, one a kind of study."""
    text = ["# How the time grows with the number of cases", "",
            "For research only, not for treating a patient. Invented data. Processor seconds (wall seconds). In the studies of",
            "the second and third table the machine's two cores had other work at the same time, so that wall times are",
            "several times what they would be alone.", ""]  # fmt: skip
    kinds = {
        "whole": "Every image read, every reading measured: 3 readers x 2 reads through the real Snakefile",
        "full": "Every step through the real Snakefile, 1 reader x 2 reads, one plan, 50 draws per reading",
        "synthetic": "Plan and dry run through the real Snakefile; table, statistics, report and finish on copies of one "
        "case's measurements with scattered values (no image was measured, no case sheet written)",
    }
    groups = {(row.kind, row.phases) for row in rows}
    for kind, phases in sorted(groups, key=lambda group: (list(kinds).index(group[0]), group[1])):
        own = sorted((row for row in rows if (row.kind, row.phases) == (kind, phases)), key=lambda row: row.cases)
        cases = ",".join(str(row.cases) for row in own)
        command = f"    python tests/benchmarks/scale_study.py --{kind} {cases}"
        text += [f"## {kinds[kind]}", "", command + (f" --phases {phases}" if kind == "synthetic" else ""), ""]
        text.append("| | " + " | ".join(f"{r.cases} cases x {r.phases} phases" for r in own) + " | growth exponent |")
        text.append("|---|" + "---|" * (len(own) + 1))
        text.append("| readings | " + " | ".join(str(r.readings) for r in own) + " | |")
        for name in own[0].seconds:
            exponent = f"{growth(own[-2], own[-1], name):.2f}" if len(own) > 1 else ""
            cells = [f"{r.processor[name]:.1f} ({r.seconds[name]:.1f})" for r in own]
            text.append(f"| {name}, s | " + " | ".join(cells) + f" | {exponent} |")
        for name in own[0].peak_mib:
            text.append(
                f"| peak memory of {name}, MiB | " + " | ".join(f"{r.peak_mib[name]:.0f}" for r in own) + " | |"
            )
        for name in own[0].other:
            text.append(f"| {name} | " + " | ".join(f"{r.other[name]:.4g}" for r in own) + " | |")
        text += ["", NOTES[kind]]
    text += ["The growth exponent is that of processor time between the two largest studies: 1 = linear.", ""]
    return "\n".join(text)


def numbers(text: str) -> list[int]:
    """Comma-separated numbers."""
    return [int(part) for part in text.split(",") if part]


def main() -> None:
    """Run the studies asked for and write their figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--whole", type=numbers, default=[], help="numbers of cases with all phases and readings")
    parser.add_argument("--finished", action="store_true", help="the --whole studies stand finished in --folder")
    parser.add_argument("--full", type=numbers, default=[], help="numbers of cases to run in full")
    parser.add_argument("--synthetic", type=numbers, default=[], help="numbers of cases with synthetic measurements")
    parser.add_argument("--phases", type=int, default=10, help="phases of the synthetic studies")
    parser.add_argument("--one-more", action="store_true", help="add one case to each synthetic study (1 phase)")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--folder", type=Path, help="where to work (default: a temporary folder, removed at the end)")
    parser.add_argument(
        "--output", type=Path, help="Markdown file to write; JSON beside it, whose figures of other studies are kept"
    )
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = (args.folder or Path(temporary)).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        earlier = earlier_figures(args.output)
        if args.finished:
            known = {row.cases: row for row in earlier if row.kind == "whole"}
            rows = [finished_run(folder / f"whole{cases}", known[cases], args.cores) for cases in args.whole]
        else:
            rows = measure_all(folder, args.whole, args.full, args.synthetic, args.phases, args.cores, args.one_more)
    fresh = {(row.kind, row.phases, row.cases) for row in rows}
    rows += [row for row in earlier if (row.kind, row.phases, row.cases) not in fresh]
    text = markdown(rows)
    print(text)
    if args.output:
        args.output.parent.mkdir(parents=True, exist_ok=True)
        args.output.write_text(text, encoding="utf-8")
        ordered = sorted(rows, key=lambda row: (row.kind, row.phases, row.cases))
        content = json.dumps([vars(row) for row in ordered], indent=1, sort_keys=True)
        args.output.with_suffix(".json").write_text(content + "\n", encoding="utf-8")


def earlier_figures(output: Path | None) -> list[Figures]:
    """Figures of the JSON file beside the Markdown file, none where there is none."""
    if output is None or not output.with_suffix(".json").exists():
        return []
    return [Figures(**row) for row in json.loads(output.with_suffix(".json").read_text(encoding="utf-8"))]


def measure_all(
    folder: Path, whole: list[int], full: list[int], synthetic: list[int], phases: int, cores: int, more: bool
) -> list[Figures]:
    """Run every study; a study of one case in full lends its measurements to the synthetic ones."""
    rows = []
    coarse = folder / "coarse"
    if whole and not coarse.exists():
        make_base(coarse, WHOLE_PHASES, scans=True, scan=COARSE_SCAN)
    for cases in whole:
        rows.append(whole_run(folder / f"whole{cases}", coarse, cases, cores))
        print(rows[-1], file=sys.stderr, flush=True)
    base = folder / "base"
    if (full or synthetic) and not base.exists():
        make_base(base, FULL_PHASES, scans=True)
    for cases in full:
        rows.append(full_run(folder / f"full{cases}", base, cases, cores))
        print(rows[-1], file=sys.stderr, flush=True)
    if synthetic:
        lender = folder / "lender"
        if not lender.exists():
            snakemake(make_study(lender, base, 1), "--until", "measure", cores=cores)
        many_phases = tuple(100 * i // phases for i in range(phases)) if phases > 1 else FULL_PHASES
        tables_only = folder / f"base{phases}" if phases > 1 else base
        if not tables_only.exists():
            make_base(tables_only, many_phases, scans=False)
            for case in BASE_CASES:
                for phase in many_phases:
                    (tables_only / f"dicom/{case}/phase_{phase:03d}").mkdir(parents=True)
        donor = lender / "results/work/measured/C00000"
        for cases in synthetic:
            place = folder / f"synthetic{cases}x{phases}"
            rows.append(synthetic_run(place, tables_only, donor, cases, many_phases, more=more, cores=cores))
            print(rows[-1], file=sys.stderr, flush=True)
    return rows


if __name__ == "__main__":
    main()
