"""The command line: only this module and `cli_tools` parse arguments; each command calls one plain function."""

from __future__ import annotations

import argparse
import errno
import sys
from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext

from outflow_cohort.cli_tools import (
    CAUTION,
    EXIT_FAILED,
    EXIT_OK,
    EXIT_STUDY,
    EXIT_USAGE,
    add_command,
    add_paths,
    add_user_commands,
)

DISK_TROUBLE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO)
"""Full, over quota, over the file-size limit, read-only, failing: the machine's trouble, told without a traceback."""

__all__ = ["EXIT_FAILED", "EXIT_OK", "EXIT_STUDY", "EXIT_USAGE", "build_parser", "main"]


def _plan(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.plan import plan

    for problem in plan(study_file=args.study, generated=args.generated):
        print(problem, file=sys.stderr)
    return EXIT_OK


def _demo(args: argparse.Namespace) -> int:
    from outflow_cohort.demo.study import write_tables

    write_tables(folder=args.folder, settings=args.settings)
    if args.with_images:
        from outflow_cohort.demo.settings import load_settings
        from outflow_cohort.demo.study import write_case_series
        from outflow_cohort.demo.truth import write_truth

        for case in load_settings(args.settings).cases:
            write_case_series(folder=args.folder, case_id=case.case_id)
            write_truth(folder=args.folder, case_id=case.case_id)
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
    add_user_commands(commands)
    _add_steps(commands)
    return parser


def _add_steps(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Commands that the workflow's rules call."""
    p = add_command(commands, "plan", _plan, "Check a study and freeze one request a case.", "--study study.yaml")
    add_paths(p, "study")
    p.add_argument("--generated", action="store_true", help="the workflow itself makes the series")
    p = add_command(
        commands,
        "demo",
        _demo,
        "Write the tables of the demonstration study.",
        "--folder demo_study --settings config/demo.yaml",
    )
    add_paths(p, "folder", "settings")
    p.add_argument("--with-images", action="store_true", help="write the CT series and true values too")
    p = add_command(
        commands,
        "demo-series",
        _demo_series,
        "Write the CT series of one demonstration case.",
        "--folder demo_study --case D01",
    )
    add_paths(p, "folder")
    p.add_argument("--case", required=True)
    p = add_command(
        commands,
        "demo-truth",
        _demo_truth,
        "Write the true values of one demonstration case.",
        "--folder demo_study --case D01",
    )
    add_paths(p, "folder")
    p.add_argument("--case", required=True)
    p = add_command(
        commands,
        "inventory",
        _inventory,
        "Read the headers of a case's series and judge them.",
        "--request R.json --output I.json",
    )
    add_paths(p, "request", "output")
    p = add_command(
        commands,
        "volume",
        _volume,
        "Read and resample the volumes of a case.",
        "--request R.json --inventory I.json --output V",
    )
    add_paths(p, "request", "inventory", "output")
    p = add_command(
        commands,
        "measure",
        _measure,
        "Measure all phases, readers and plans of a case.",
        "--request R.json --inventory I.json --volumes V --output M",
    )
    add_paths(p, "request", "inventory", "volumes", "output")
    p = add_command(
        commands,
        "table",
        _table,
        "Gather the cases' measurements into the tables of a study.",
        "--results results",
    )
    add_paths(p, "results")
    p = add_command(
        commands, "statistics", _statistics, "Compute cohort statistics and agreement.", "--results results"
    )
    add_paths(p, "results")
    p.add_argument("--scheduler", help="address of a running dask.distributed scheduler")
    p = add_command(commands, "sheet", _sheet, "Write the sheet of one case.", "--results results --key C001")
    add_paths(p, "results")
    p.add_argument("--key", required=True)
    p = add_command(commands, "report", _report, "Write the cohort report.", "--results results")
    add_paths(p, "results")
    p = add_command(
        commands,
        "recovered",
        _recovered,
        "Compare measured with true values of an analytic study.",
        "--results results --truth truth",
    )
    add_paths(p, "results", "truth")
    p = add_command(commands, "finish", _finish, "Check that nothing was lost and write run.json.", "--results results")
    add_paths(p, "results")


def _claim(args: argparse.Namespace) -> AbstractContextManager[None]:
    """A job of a run says so as long as it works, that no later run begins while it still can write."""
    from outflow_cohort.study.claim import job_claim

    if args.function not in (_inventory, _volume, _measure, _table, _statistics, _sheet, _report, _recovered, _finish):
        return nullcontext()
    return job_claim(args.request.parents[1] if hasattr(args, "request") else args.results / "work")


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
    from outflow_cohort.files import DamagedFile
    from outflow_cohort.study.problems import StudyError

    try:
        with _claim(args):
            return int(args.function(args))
    except DamagedFile as error:
        print(error, file=sys.stderr)
        return EXIT_FAILED
    except MemoryError:
        print("out of memory: start again with more memory for this step (mem_mb of its rule)", file=sys.stderr)
        return EXIT_FAILED
    except OSError as error:
        if error.errno not in DISK_TROUBLE:
            raise
        print(f"the results could not be written: {error.strerror}. Free or repair the disk, then start again; "
              "nothing half-written is kept.", file=sys.stderr)  # fmt: skip
        return EXIT_FAILED
    except StudyError as error:
        print(error, file=sys.stderr)
        count = sum(p.severity == "error" for p in error.problems)
        print(f"The study has {count} error(s); nothing was computed.", file=sys.stderr)
        return EXIT_STUDY


if __name__ == "__main__":
    sys.exit(main())
