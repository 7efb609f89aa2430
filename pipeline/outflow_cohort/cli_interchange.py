"""Commands that write landmarks, shapes and measurements for other programs. They only parse arguments and call."""

from __future__ import annotations

import argparse
from pathlib import Path

from outflow_cohort import events
from outflow_cohort.cli_parts import (
    EXIT_FAILED,
    EXIT_OK,
    EXIT_USAGE,
    KEY,
    RESULTS,
    Commands,
    add_command,
    add_paths,
    add_study,
)


def _export_landmarks(args: argparse.Namespace) -> int:
    from outflow_cohort.interchange.export import export_landmarks

    events.tell(f"{export_landmarks(study_file=args.study, kind=args.format, folder=args.output)} files")
    return EXIT_OK


def _export(args: argparse.Namespace) -> int:
    from outflow_cohort.interchange.export_reading import ExportError, Wanted, export_reading

    wanted = Wanted(args.key, args.phase, args.reader, args.read, args.solid)
    try:
        names = export_reading(results=args.results, wanted=wanted, output=args.output)
    except ExportError as error:
        events.error(str(error))
        return EXIT_FAILED
    events.tell("\n".join(names))
    return EXIT_OK


def _export_measurements(args: argparse.Namespace) -> int:
    from outflow_cohort.handover.request import read_request
    from outflow_cohort.interchange.measurement_report import case_measurements, write_measurement_report

    try:
        case_id = read_request(args.results / "work" / "requests" / f"{args.key}.json").case.case_id
        rows = case_measurements(args.results, case_id)
    except FileNotFoundError as error:
        name = Path(error.filename or str(error)).name
        events.error(f"{name} is missing in {args.results.name}: finish the run first, or correct the key")
        return EXIT_USAGE
    except ValueError as error:
        events.error(str(error))
        return EXIT_FAILED
    count = write_measurement_report(args.output / f"{args.key}.dcm", case_id, rows)
    events.tell(f"{count} values, {len(rows) - count} with a status instead of a value")
    return EXIT_OK


def add_interchange_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Landmarks, shapes and measurements for other programs."""
    text, example = "Write a study's landmarks for other programs.", "study.yaml --format sr --output out"
    p = add_command(commands, "export-landmarks", _export_landmarks, text, example)
    add_study(p)
    p.add_argument("--format", choices=("sr", "rtss", "csv", "parquet"), required=True,
                   help="SR TID 1500 or RT Structure Set, one file per reading; or one table")  # fmt: skip
    add_paths(p, output="folder to write")
    text = "Write one reading's lumen and device for general viewers."
    p = add_command(
        commands, "export", _export, text, "results --key D01 --phase 40 --reader ash --read 1 --output out"
    )
    p.add_argument("results", type=Path, help=RESULTS)
    p.add_argument("--key", required=True, help=KEY)
    p.add_argument("--phase", type=float, help="cardiac phase in percent; needed where the case has several")
    p.add_argument("--reader", required=True, help="reader_id")
    p.add_argument("--read", type=int, default=1, help="which read of this reader (default 1)")
    p.add_argument("--solid", default="full_frame", help="which part of the device is solid (default full_frame)")
    add_paths(p, output="folder to write")
    text, example = "Write a case's measurements as a DICOM SR.", "results --key D01 --output out"
    p = add_command(commands, "export-measurements", _export_measurements, text, example)
    p.add_argument("results", type=Path, help=RESULTS)
    p.add_argument("--key", required=True, help=KEY)
    add_paths(p, output="folder to write")
