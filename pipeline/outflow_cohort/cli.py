"""The command line: only this module and its neighbours `cli_*` parse arguments; each command calls one plain
function."""

from __future__ import annotations

import argparse
import errno
import logging
import sys
import time
from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

from outflow_cohort import events
from outflow_cohort.cli_corelab import add_corelab_commands
from outflow_cohort.cli_parts import (
    CAUTION,
    ENVIRONMENT,
    EXIT_FAILED,
    EXIT_MEMORY,
    EXIT_OK,
    EXIT_STATUS,
    EXIT_STUDY,
    EXIT_USAGE,
    Commands,
    add_command,
    add_message_options,
    add_paths,
)
from outflow_cohort.cli_run import add_run_command
from outflow_cohort.cli_tools import add_user_commands

DISK_TROUBLE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO)
"""Full, over quota, over the file-size limit, read-only, failing: the machine's trouble, said without a traceback."""
RESULTS = "the results folder of a study"
REQUEST = "the frozen request of the case (RESULTS/work/requests/KEY.json)"
INVENTORY = "what the inventory step wrote (RESULTS/work/inventory/KEY.json)"


def _plan(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.plan import plan

    for problem in plan(study_file=args.study, generated=args.generated, changes=args.changes):
        problem.tell()
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


def _judge(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.judge import judge

    judge(request=args.request, inventory=args.inventory, volumes=args.volumes, output=args.output)
    return EXIT_OK


def _carry(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.carry import carry

    files = {name: getattr(args, name) for name in ("request", "inventory", "volumes", "judged", "output")}
    carry(**files)
    return EXIT_OK


def _measure(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.measure import measure

    given = {"request": args.request, "inventory": args.inventory, "volumes": args.volumes}
    measure(**given, judged=args.judged, carried=args.carried, output_dir=args.output)
    return EXIT_OK


def _table(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.table import table

    table(results=args.results)
    return EXIT_OK


def _final(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.final import final

    final(results=args.results)
    return EXIT_OK


def _statistics(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.statistics import statistics

    study = args.results / "work" / "study.json"
    statistics(results=args.results, study=study, scheduler=args.scheduler, part=args.part)
    return EXIT_OK


def _sheet(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.sheet import sheet

    sheet(results=args.results, key=args.key)
    return EXIT_OK


def _study_findings(args: argparse.Namespace) -> int:
    from outflow_cohort.steps.study_findings import study_findings

    study_findings(results=args.results)
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

    events.tell(finish(results=args.results), name="finished")
    return EXIT_OK


def build_parser() -> argparse.ArgumentParser:
    """The parser of `outflow-cohort` with all its commands."""
    parser = argparse.ArgumentParser(
        prog="outflow-cohort",
        description="Measures whole CT cohorts before catheter-borne mitral valve implantation, each the same way.",
        epilog=f"example: outflow-cohort check my_study/study.yaml\n\n{EXIT_STATUS}\n\n{ENVIRONMENT}\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and exit")
    add_message_options(parser, default=False)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    add_run_command(commands)
    add_user_commands(commands)
    add_corelab_commands(commands)
    _add_demo(commands)
    _add_steps(commands)
    parser.set_defaults(parser=parser)  # for the commands that describe all commands
    return parser


def _add_demo(commands: Commands[argparse.ArgumentParser]) -> None:
    """Commands that make the demonstration study; the workflow's rules call them."""
    folder = "the demonstration study's folder"
    text, example = "Write the tables of the demonstration study.", "--folder demo_study --settings config/demo.yaml"
    p = add_command(commands, "demo", _demo, text, example)
    add_paths(p, folder=folder, settings="settings of the invented cohort")
    p.add_argument("--with-images", action="store_true", help="write the CT series and true values too")
    example = "--folder demo_study --case D01"
    p = add_command(commands, "demo-series", _demo_series, "Write the CT series of one demonstration case.", example)
    add_paths(p, folder=folder)
    p.add_argument("--case", required=True, help="case_id")
    p = add_command(commands, "demo-truth", _demo_truth, "Write the true values of one demonstration case.", example)
    add_paths(p, folder=folder)
    p.add_argument("--case", required=True, help="case_id")


def _add_steps(commands: Commands[argparse.ArgumentParser]) -> None:
    """Commands that the workflow's rules call."""
    p = add_command(commands, "plan", _plan, "Check a study and freeze one request per case.", "--study study.yaml")
    add_paths(p, study="study.yaml")
    p.add_argument("--generated", action="store_true", help="the workflow itself makes the series")
    p.add_argument(
        "--changes", type=Path, metavar="FOLDER", help="a dry run: write what changes there, not into RESULTS"
    )
    text, example = "Read the headers of a case's series and judge them.", "--request R.json --output I.json"
    p = add_command(commands, "inventory", _inventory, text, example)
    add_paths(p, request=REQUEST, output="file to write")
    _add_minutes(p)
    text, example = "Read and resample the volumes of a case.", "--request R.json --inventory I.json --output V"
    p = add_command(commands, "volume", _volume, text, example)
    add_paths(p, request=REQUEST, inventory=INVENTORY, output="folder to write")
    _add_attempts(p)
    _add_minutes(p)
    text, example = "Judge the landmarks of a case.", "--request R.json --inventory I.json --volumes V --output J.json"
    p = add_command(commands, "judge", _judge, text, example)
    add_paths(p, request=REQUEST, inventory=INVENTORY, volumes="the case's volumes", output="file to write")
    _add_attempts(p)
    _add_minutes(p)
    judged = "what the judge step wrote (RESULTS/work/judged/KEY.json)"
    text = "Carry the landmarks of marked phases of a case to its other phases."
    example = "--request R.json --inventory I.json --volumes V --judged J.json --output C.json"
    p = add_command(commands, "carry", _carry, text, example)
    add_paths(p, request=REQUEST, inventory=INVENTORY, volumes="the case's volumes", judged=judged)
    add_paths(p, output="file to write")
    _add_attempts(p)
    _add_minutes(p)
    text = "Measure all phases, readers and plans of a case."
    example = "--request R.json --inventory I.json --volumes V --judged J.json --output M"
    p = add_command(commands, "measure", _measure, text, example)
    text = "what the carry step wrote (RESULTS/work/carried/KEY.json); without it nothing is carried"
    p.add_argument("--carried", type=Path, metavar="PATH", help=text)
    add_paths(p, request=REQUEST, inventory=INVENTORY, volumes="the case's volumes", judged=judged)
    add_paths(p, output="folder to write")
    _add_attempts(p)
    _add_minutes(p)
    text, example = "Gather all cases' measurements into the tables of the study.", "--results results"
    p = add_command(commands, "table", _table, text, example)
    add_paths(p, results=RESULTS)
    text = "Settle one value per case, phase and measure; list what a further reader must settle."
    p = add_command(commands, "final", _final, text, example)
    add_paths(p, results=RESULTS)
    p = add_command(commands, "statistics", _statistics, "Compute cohort statistics and agreement.", example)
    add_paths(p, results=RESULTS)
    p.add_argument("--scheduler", help="address of a running dask.distributed scheduler")
    text = "tables of the cohort's values and landmarks, or of the agreement of measured values; both where not given"
    p.add_argument("--part", choices=["cohort", "readers"], help=text)
    text = "Add to each case what only the whole study shows."
    p = add_command(commands, "study-findings", _study_findings, text, "--results results")
    add_paths(p, results=RESULTS)
    p = add_command(commands, "sheet", _sheet, "Write the sheet of one case.", "--results results --key C001")
    add_paths(p, results=RESULTS)
    p.add_argument("--key", required=True, help="the case, as its files in RESULTS/work are named")
    p = add_command(commands, "report", _report, "Write the cohort report.", example)
    add_paths(p, results=RESULTS)
    text = "Compare measured with true values of an analytic study."
    p = add_command(commands, "recovered", _recovered, text, "--results results --truth truth")
    add_paths(p, results=RESULTS, truth="folder of true values")
    p = add_command(commands, "finish", _finish, "Check that nothing was lost and write run.json.", example)
    add_paths(p, results=RESULTS)


def _add_attempts(command: argparse.ArgumentParser) -> None:
    text = "how often the workflow will try again; at 0 a lack of memory sets the case aside"
    command.add_argument("--attempts-left", type=int, metavar="N", help=text)


def _add_minutes(command: argparse.ArgumentParser) -> None:
    text = "how long the command may take; a case that takes longer is set aside (default: no limit)"
    command.add_argument("--minutes", type=float, metavar="M", help=text)


def _claim(args: argparse.Namespace) -> AbstractContextManager[None]:
    """A job of a run says so as long as it works, that no later run begins while it still can write."""
    from outflow_cohort.study.claim import job_claim

    if args.function not in (
        _inventory,
        _volume,
        _judge,
        _carry,
        _measure,
        _table,
        _statistics,
        _sheet,
        _report,
        _recovered,
        _finish,
    ):
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
    events.listen(quiet=args.quiet, verbose=args.verbose, as_json=args.json_log)
    begun = time.monotonic()
    name = _name(args)
    events.event("begin", f"{name} begins", level=logging.DEBUG, details={"command": name})
    status = _call(args)
    seconds = round(time.monotonic() - begun, 3)
    details = {"command": name, "status": status, "seconds": seconds, **events.spent()}
    events.event("end", f"{name} ends after {seconds:g} s, status {status}", level=logging.DEBUG, details=details)
    return status


def _call(args: argparse.Namespace) -> int:
    """Run the command; a case that takes too long is set aside, so is one short of memory in the last attempt."""
    last, minutes = getattr(args, "attempts_left", None) == 0, getattr(args, "minutes", None)
    if not last and minutes is None:
        return _call_once(args)
    from outflow_cohort.steps.limits import supervised

    return supervised(
        lambda: _call_once(args),
        lambda code, message: _set_case_aside(args, code, message),
        step=_name(args),
        out_of_memory=EXIT_MEMORY if last else None,
        minutes=minutes,
    )


def _set_case_aside(args: argparse.Namespace, code: str, message: str) -> None:
    from outflow_cohort.steps import carry, inventory, judge, measure, volume

    steps = {_inventory: inventory, _volume: volume, _judge: judge, _carry: carry, _measure: measure}
    step = steps[args.function]
    with _claim(args):
        step.set_case_aside(request=args.request, output=args.output, code=code, message=message)


def _name(args: argparse.Namespace) -> str:
    """The command as it is typed."""
    return str(args.function.__name__).strip("_").replace("_", "-")


def _call_once(args: argparse.Namespace) -> int:
    """Run the command; what a user can mend is reported without a traceback."""
    from outflow_cohort.files import DamagedFile
    from outflow_cohort.study.problems import StudyError, counted

    try:
        with _claim(args):
            return int(args.function(args))
    except DamagedFile as trouble:
        events.error(str(trouble), name="damaged_file")
        return EXIT_FAILED
    except MemoryError:
        events.error("out of memory: start again with more memory for this step (mem_mb of its rule)", name="memory")
        return EXIT_MEMORY
    except OSError as trouble:
        if trouble.errno not in DISK_TROUBLE:
            raise
        events.error(f"the results could not be written: {trouble.strerror}. Free or repair the disk, then start "
                     "again; nothing half-written is kept.", name="disk")  # fmt: skip
        return EXIT_FAILED
    except StudyError as trouble:
        for problem in trouble.problems:
            problem.tell()
        count = sum(p.severity == "error" for p in trouble.problems)
        events.error(f"The study has {counted(count, 'error')}; nothing was computed.", name="study_refused")
        return EXIT_STUDY


if __name__ == "__main__":
    sys.exit(main())
