"""Commands of the core lab's loop: protocol, worklist, queries, freeze. They only parse arguments and call."""

from __future__ import annotations

import argparse
from pathlib import Path

from outflow_cohort import events
from outflow_cohort.cli_parts import (
    EXIT_FAILED,
    EXIT_OK,
    EXIT_USAGE,
    Commands,
    add_command,
    add_paths,
    add_study,
    study_file,
)


def results_of(study_file: Path) -> Path:
    """The results folder of a study; raises StudyError."""
    from outflow_cohort.study.config import load_study
    from outflow_cohort.study.problems import StudyError

    study, problems = load_study(study_file)
    if study is None:
        raise StudyError(problems)
    return study_file.parent / study.results


def _queries(args: argparse.Namespace) -> int:
    from outflow_cohort.corelab.queries import write_queries

    try:
        if args.key is not None and not args.key.is_file():
            raise ValueError(f"{args.key.name}: no such file; needed the key.csv of a worklist")
        folder, count = write_queries(results=results_of(args.study), folder=args.output, key=args.key)
    except ValueError as error:
        events.error(str(error))
        return EXIT_USAGE
    except FileNotFoundError:
        events.error(
            "no tables/landmark_findings.parquet in the results folder; needed a run of the study. Run it first."
        )
        return EXIT_FAILED
    events.tell(f"{count} quer{'y' if count == 1 else 'ies'} in {folder}.")
    return EXIT_OK


def _freeze(args: argparse.Namespace) -> int:
    from outflow_cohort.corelab.freeze import freeze

    events.tell(freeze(study_file=args.study, amend=args.amend))
    return EXIT_OK


def _protocol(args: argparse.Namespace) -> int:
    from outflow_cohort.corelab.protocol import write_protocol

    folder = args.output or args.study.parent / "protocol"
    files = write_protocol(study_file=args.study, output=folder, pdf=not args.no_pdf)
    missing = "" if args.no_pdf or len(files) > 1 else " No PDF: install chromium or WeasyPrint for it."
    events.tell(f"Wrote {', '.join(str(path) for path in files)}.{missing}")
    return EXIT_OK


def _share(text: str) -> float:
    """0.2 or 20%."""
    number = float(text.rstrip("%"))
    return number / 100.0 if text.endswith("%") else number


def _worklist(args: argparse.Namespace) -> int:
    from outflow_cohort.corelab.worklist import write_worklist

    try:
        count = write_worklist(
            study_file=args.study,
            readers=args.readers.split(","),
            repeat_share=args.repeat,
            seed=args.seed,
            output=args.output,
            key=args.key,
            only=args.only,
        )
    except ValueError as error:
        events.error(str(error))
        return EXIT_USAGE
    events.tell(f"{count} readings dealt. Give each reader the own folder in {args.output}; keep {args.key} apart.")
    return EXIT_OK


def _qualify(args: argparse.Namespace) -> int:
    from outflow_cohort.corelab.qualify import report
    from outflow_cohort.corelab.qualify_deal import KEEP_BACK, READERS, deal

    try:
        if args.readings:
            if args.folder is None:
                raise ValueError("--readings needs --folder, the folder that qualify wrote")
            target, readers = report(
                folder=args.folder, readings=args.readings, output=args.output, study_file=args.study
            )
            for row in readers.to_dict("records"):
                words = str(row["verdict"]).replace("_", " ")
                events.tell(f"{row['reader_id']}: {words}{': ' if row['against'] else ''}{row['against']}")
            events.tell(f"Tables and one page per reader in {target}.")
            return EXIT_OK
        if args.output is None or not args.readers:
            raise ValueError("to deal scans name --readers and --output; to judge readings --folder and --readings")
        count = deal(
            readers=args.readers.split(","),
            cases=args.cases,
            repeat_share=args.repeat,
            output=args.output,
            study_file=args.study,
            seed=args.seed,
        )
    except (ValueError, FileNotFoundError) as error:
        events.error(str(error))
        return EXIT_USAGE
    events.tell(
        f"{count} readings dealt. Give each reader the own folder in {args.output / READERS}; "
        f"keep {args.output / KEEP_BACK} apart."
    )
    return EXIT_OK


def add_corelab_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add the commands."""
    text = "Write the readers' manual of a study from its measures: HTML and PDF."
    p = add_command(commands, "protocol", _protocol, text, "my_study")
    add_study(p)
    p.add_argument("--output", type=Path, metavar="PATH", help="folder to write (default protocol/ beside study.yaml)")
    p.add_argument("--no-pdf", action="store_true", help="write the HTML page only")
    text = "Deal blinded readings with copies of the images; `unblind` takes the readers' files back."
    example = "my_study --readers ash,birch --repeat 20% --output worklist --key key"
    p = add_command(commands, "worklist", _worklist, text, example)
    add_study(p)
    p.add_argument("--readers", required=True, help="reader_ids, comma-separated")
    p.add_argument("--repeat", type=_share, default=0.2, metavar="SHARE", help="share of series read twice (20%%)")
    p.add_argument("--seed", type=int, default=1, help="seed of the random orders (default 1)")
    text = "deal only series of this table, such as RESULTS/tables/adjudication.csv for an adjudicator"
    p.add_argument("--only", type=Path, metavar="TABLE", help=text)
    add_paths(p, output="folder to write, one folder per reader in it", key="another folder for the key")
    text = "Deal blinded invented scans of known truth, and say for each reader: passed, or what to practise."
    example = "--cases 12 --readers ash,birch --study my_study --output qualification"
    p = add_command(commands, "qualify", _qualify, text, example)
    p.add_argument("--cases", type=int, default=12, metavar="N", help="invented hearts (default 12)")
    p.add_argument("--readers", help="reader_ids, comma-separated")
    p.add_argument(
        "--study", type=study_file, metavar="PATH", help="study whose scans, limits and landmark_files are taken"
    )
    p.add_argument("--repeat", type=_share, default=0.25, metavar="SHARE", help="share of scans read twice (25%%)")
    p.add_argument("--seed", type=int, help="seed of hearts and orders (default a secret one)")
    p.add_argument("--output", type=Path, metavar="PATH", help="folder to write")
    p.add_argument("--folder", type=Path, metavar="PATH", help="folder that an earlier call wrote")
    p.add_argument(
        "--readings", type=Path, nargs="+", metavar="FILE", help="files of points that readers filed, to be judged"
    )
    text = "Write what readers must look at again: CSV, XLSX and a page of pictures."
    p = add_command(commands, "queries", _queries, text, "my_study")
    add_study(p)
    p.add_argument("--output", type=Path, metavar="PATH", help="folder to write (default RESULTS/queries)")
    text = "key.csv of a worklist: name its readings by reading_id instead of case, phase and read"
    p.add_argument("--key", type=Path, metavar="KEY", help=text)
    text = "Close a study: record hashes, versions and definitions; later changes are refused."
    p = add_command(commands, "freeze", _freeze, text, 'my_study --amend "two hinges corrected"')
    add_study(p)
    p.add_argument("--amend", metavar="REASON", help="record changed inputs of a frozen study as a numbered amendment")
