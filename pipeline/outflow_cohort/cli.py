"""The command line: only this module parses arguments; each command calls one plain function."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from outflow_cohort.study.problems import Problem

EXIT_OK = 0
EXIT_FAILED = 1
EXIT_USAGE = 2
EXIT_STUDY = 3
"""0 done; 1 the work failed; 2 wrong use of the command line; 3 the study has errors (each was printed)."""

CAUTION = (
    "For research only, not for treating a patient. Measurements need a qualified reader's review; clinical "
    "decisions rest with licensed physicians, the device's instructions and local protocol."
)


def _plan(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.plan import plan

    for problem in plan(study_file=args.study, generated=args.generated):
        print(problem, file=sys.stderr)
    return EXIT_OK


def _demo(args: argparse.Namespace) -> int:
    from outflow_cohort.demo.study import write_tables

    write_tables(folder=args.folder, settings=args.settings)
    return EXIT_OK


def _demo_series(args: argparse.Namespace) -> int:
    from outflow_cohort.demo.study import write_case_series

    write_case_series(folder=args.folder, case_id=args.case)
    return EXIT_OK


def _demo_truth(args: argparse.Namespace) -> int:
    from outflow_cohort.demo.truth import write_truth

    write_truth(folder=args.folder, case_id=args.case)
    return EXIT_OK


def _inventory(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.inventory import inventory

    inventory(request=args.request, output=args.output)
    return EXIT_OK


def _volume(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.volume import volume

    volume(request=args.request, inventory=args.inventory, output_dir=args.output)
    return EXIT_OK


def _measure(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.measure import measure

    measure(request=args.request, inventory=args.inventory, volumes=args.volumes, output_dir=args.output)
    return EXIT_OK


def _table(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.table import table

    table(results=args.results)
    return EXIT_OK


def _statistics(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.statistics import statistics

    statistics(results=args.results, study=args.results / "work" / "study.json", scheduler=args.scheduler)
    return EXIT_OK


def _sheet(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.sheet import sheet

    sheet(results=args.results, key=args.key)
    return EXIT_OK


def _report(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.report import report

    report(results=args.results)
    return EXIT_OK


def _recovered(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.recovered import recovered

    recovered(results=args.results, truth=args.truth)
    return EXIT_OK


def _finish(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.finish import finish

    print(finish(results=args.results))
    return EXIT_OK


def _check(args: argparse.Namespace) -> int:
    from outflow_cohort.study.preview import preview

    drawing, problems = preview(args.study)
    print(drawing)
    for problem in problems:
        print(problem, file=sys.stderr)
    if args.fix_plan:
        _write_fix_plan(args.fix_plan, problems)
    errors = sum(p.severity == "error" for p in problems)
    print(f"{errors} error(s), {len(problems) - errors} warning(s).")
    return EXIT_STUDY if errors else EXIT_OK


def _write_fix_plan(path: Path, problems: list[Problem]) -> None:
    """Write the suggested edits of the study's tables to a new file; the tables themselves are never touched."""
    import csv

    with path.open("x", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow(["file", "row", "column", "suggestion", "found", "needed", "remedy"])
        writer.writerows([p.file, p.row, p.column, p.suggestion, p.found, p.needed, p.remedy] for p in problems)


def _init(args: argparse.Namespace) -> int:
    from outflow_cohort.study.scaffold import scaffold

    print(scaffold(dicom_tree=args.dicom, folder=args.folder))
    return EXIT_OK


def _status(args: argparse.Namespace) -> int:
    from outflow_cohort.runs.status import progress_line, status_text

    try:
        print(progress_line(args.results) if args.line else status_text(args.results))
    except FileNotFoundError:
        print(f"no run has begun in {args.results.name}: run snakemake first", file=sys.stderr)
        return EXIT_FAILED
    return EXIT_OK


def _compare(args: argparse.Namespace) -> int:
    from outflow_cohort.runs.compare import compare

    try:
        difference = compare(args.run_a, args.run_b)
    except FileNotFoundError as error:
        print(f"no finished run: {Path(error.filename).name} is missing; finish both runs first", file=sys.stderr)
        return EXIT_USAGE
    print(difference.text())
    return EXIT_FAILED if len(difference.rows) else EXIT_OK


def _publish_demo(args: argparse.Namespace) -> int:
    from outflow_cohort.runs.publish import publish

    print(f"{publish(results=args.results, output=args.output) / 1e6:.1f} MB")
    return EXIT_OK


def _handbook(args: argparse.Namespace) -> int:
    from outflow_cohort.runs.handbook import write_handbook

    print(f"{write_handbook(output=args.output)} pages")
    return EXIT_OK


def _export_landmarks(args: argparse.Namespace) -> int:
    from outflow_cohort.interchange.export import export_landmarks

    print(f"{export_landmarks(study_file=args.study, kind=args.format, folder=args.output)} files")
    return EXIT_OK


def _reading_lists(args: argparse.Namespace) -> int:
    from outflow_cohort.interchange.export import make_reading_lists

    try:
        count = make_reading_lists(
            study_file=args.study,
            readers=args.readers.split(","),
            repeat_share=args.repeat_share,
            seed=args.seed,
            lists=args.lists,
            key=args.key,
        )
    except ValueError as error:
        print(error, file=sys.stderr)
        return EXIT_USAGE
    print(f"{count} readings")
    return EXIT_OK


def _path(parser: argparse.ArgumentParser, *names: str) -> None:
    for name in names:
        parser.add_argument(f"--{name}", type=Path, required=True)


def _add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    function: Callable[[argparse.Namespace], int],
    text: str,
    example: str,
) -> argparse.ArgumentParser:
    parser = commands.add_parser(
        name,
        help=text,
        description=text,
        epilog=f"example: outflow-cohort {name} {example}\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(function=function)
    return parser


def build_parser() -> argparse.ArgumentParser:
    """The parser of `outflow-cohort` with all its commands."""
    parser = argparse.ArgumentParser(
        prog="outflow-cohort",
        description="Measures whole CT cohorts before catheter-borne mitral valve implantation, each the same way.",
        epilog=f"exit status: 0 done, 1 failed, 2 wrong use, 3 the study has errors.\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    _add_user_commands(commands)
    _add_steps(commands)
    return parser


def _add_user_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Commands that people call."""
    p = _add(
        commands, "check", _check, "Check a study's tables and headers and draw it; computes nothing.", "study.yaml"
    )
    p.add_argument("study", type=Path)
    p.add_argument("--fix-plan", type=Path, metavar="CSV", help="write suggested edits to this new file")
    p = _add(commands, "init", _init, "Begin a study from a tree of DICOM files.", "new_study --dicom export")
    p.add_argument("folder", type=Path, help="the new study's folder")
    p.add_argument("--dicom", type=Path, required=True, help="the tree of DICOM files")
    p = _add(commands, "status", _status, "Tell how far a run has come.", "results")
    p.add_argument("results", type=Path)
    p.add_argument("--line", action="store_true", help="one line only")
    p = _add(commands, "compare", _compare, "Tell which numbers of two runs differ, and why.", "results_a results_b")
    p.add_argument("run_a", type=Path)
    p.add_argument("run_b", type=Path)
    p = _add(
        commands,
        "export-landmarks",
        _export_landmarks,
        "Write a study's landmarks as DICOM files.",
        "study.yaml --format sr --output out",
    )
    p.add_argument("study", type=Path)
    p.add_argument("--format", choices=("sr", "rtss"), required=True, help="SR TID 1500 or RT Structure Set")
    _path(p, "output")
    p = _add(
        commands,
        "reading-lists",
        _reading_lists,
        "Make blinded reading lists and their key.",
        "study.yaml --readers ash,birch --lists lists --key key",
    )
    p.add_argument("study", type=Path)
    p.add_argument("--readers", required=True, help="reader_ids, comma-separated")
    p.add_argument("--repeat-share", type=float, default=0.2, help="share of series read twice (default 0.2)")
    p.add_argument("--seed", type=int, default=1, help="seed of the random orders (default 1)")
    _path(p, "lists", "key")
    p = _add(commands, "handbook", _handbook, "Write the handbook from the program itself.", "--output handbook")
    _path(p, "output")
    p = _add(
        commands,
        "publish-demo",
        _publish_demo,
        "Copy what of a demonstration run is committed.",
        "--results demo_study/results --output results_demo",
    )
    _path(p, "results", "output")


def _add_steps(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Commands that the workflow's rules call."""
    p = _add(commands, "plan", _plan, "Check a study and freeze one request a case.", "--study study.yaml")
    _path(p, "study")
    p.add_argument("--generated", action="store_true", help="the workflow itself makes the series")
    p = _add(
        commands,
        "demo",
        _demo,
        "Write the tables of the demonstration study.",
        "--folder demo_study --settings config/demo.yaml",
    )
    _path(p, "folder", "settings")
    p = _add(
        commands,
        "demo-series",
        _demo_series,
        "Write the CT series of one demonstration case.",
        "--folder demo_study --case D01",
    )
    _path(p, "folder")
    p.add_argument("--case", required=True)
    p = _add(
        commands,
        "demo-truth",
        _demo_truth,
        "Write the true values of one demonstration case.",
        "--folder demo_study --case D01",
    )
    _path(p, "folder")
    p.add_argument("--case", required=True)
    p = _add(
        commands,
        "inventory",
        _inventory,
        "Read the headers of a case's series and judge them.",
        "--request R.json --output I.json",
    )
    _path(p, "request", "output")
    p = _add(
        commands,
        "volume",
        _volume,
        "Read and resample the volumes of a case.",
        "--request R.json --inventory I.json --output V",
    )
    _path(p, "request", "inventory", "output")
    p = _add(
        commands,
        "measure",
        _measure,
        "Measure all phases, readers and plans of a case.",
        "--request R.json --inventory I.json --volumes V --output M",
    )
    _path(p, "request", "inventory", "volumes", "output")
    p = _add(
        commands,
        "table",
        _table,
        "Gather the cases' measurements into the tables of a study.",
        "--results results",
    )
    _path(p, "results")
    p = _add(commands, "statistics", _statistics, "Compute cohort statistics and agreement.", "--results results")
    _path(p, "results")
    p.add_argument("--scheduler", help="address of a running dask.distributed scheduler")
    p = _add(commands, "sheet", _sheet, "Write the sheet of one case.", "--results results --key C001")
    _path(p, "results")
    p.add_argument("--key", required=True)
    p = _add(commands, "report", _report, "Write the cohort report.", "--results results")
    _path(p, "results")
    p = _add(
        commands,
        "recovered",
        _recovered,
        "Compare measured with true values of an analytic study.",
        "--results results --truth truth",
    )
    _path(p, "results", "truth")
    p = _add(commands, "finish", _finish, "Check that nothing was lost and write run.json.", "--results results")
    _path(p, "results")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit status."""
    parser = build_parser()
    args = parser.parse_args(argv)
    if args.version:
        import outflow_geometry

        print(outflow_geometry.__version__)
        return EXIT_OK
    if not hasattr(args, "function"):
        parser.print_help(sys.stderr)
        return EXIT_USAGE
    from outflow_cohort.study.problems import StudyError

    try:
        return int(args.function(args))
    except StudyError as error:
        print(error, file=sys.stderr)
        count = sum(p.severity == "error" for p in error.problems)
        print(f"The study has {count} error(s); nothing was computed.", file=sys.stderr)
        return EXIT_STUDY


if __name__ == "__main__":
    sys.exit(main())
