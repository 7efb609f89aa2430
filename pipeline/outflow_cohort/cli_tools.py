"""Commands that people call. They only parse arguments and call."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from outflow_cohort import events
from outflow_cohort.cli_interchange import add_interchange_commands
from outflow_cohort.cli_parts import (
    EXIT_FAILED,
    EXIT_OK,
    EXIT_STUDY,
    EXIT_USAGE,
    RESULTS,
    Commands,
    add_command,
    add_paths,
    add_study,
    study_file,
)

if TYPE_CHECKING:
    from outflow_cohort.study.problems import Problem


def _check(args: argparse.Namespace) -> int:
    from outflow_cohort.study.preview import preview
    from outflow_cohort.study.problems import counted, tell_grouped

    if args.fix_plan and args.fix_plan.exists():
        events.error(f"{args.fix_plan.name} exists and is not overwritten; name a new file for the fix plan")
        return EXIT_USAGE
    drawing, problems = preview(args.study)
    if args.images and not any(p.severity == "error" for p in problems):
        from outflow_cohort.steps.image_check import check_images

        problems += check_images(args.study)
    print(drawing)
    tell_grouped(problems)
    if args.fix_plan:
        _write_fix_plan(args.fix_plan, problems)
    errors = sum(p.severity == "error" for p in problems)
    events.tell(f"{counted(errors, 'error')}, {counted(len(problems) - errors, 'warning')}.")
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

    events.tell(scaffold(dicom_tree=args.dicom, folder=args.folder))
    return EXIT_OK


def _schema(args: argparse.Namespace) -> int:
    from outflow_cohort.study.editor_schema import schema_text

    print(schema_text(), end="")
    return EXIT_OK


def _status(args: argparse.Namespace) -> int:
    from outflow_cohort.runs.status import changed_tables, progress_line, status_text

    try:
        if not (args.line and os.environ.get("OUTFLOW_PROGRESS") == "logger"):  # the logger prints it
            print(progress_line(args.results) if args.line else status_text(args.results))
        if not args.verify:
            return EXIT_OK
        changed = changed_tables(args.results)
    except FileNotFoundError as error:
        unfinished = error.filename and Path(error.filename).name == "run.json"
        text = "the run is not finished" if unfinished else "no run has begun in this results folder"
        events.error(f"{args.results.name}: {text}; run snakemake first, or name another folder")
        return EXIT_FAILED
    for name in changed:
        events.error(f"{name}: not as the run wrote it; delete it and start the run again")
    if not changed:
        events.tell("All tables are as the run wrote them.")
    return EXIT_FAILED if changed else EXIT_OK


def _compare(args: argparse.Namespace) -> int:
    from outflow_cohort.runs.compare import compare

    try:
        difference = compare(args.run_a, args.run_b)
    except FileNotFoundError as error:
        events.error(f"no finished run: {Path(error.filename).name} is missing; finish both runs first")
        return EXIT_USAGE
    print(difference.text())
    return EXIT_FAILED if len(difference.rows) else EXIT_OK


def _publish_demo(args: argparse.Namespace) -> int:
    from outflow_cohort.runs.publish import publish

    events.tell(f"{publish(results=args.results, output=args.output) / 1e6:.1f} MB")
    return EXIT_OK


def _handbook(args: argparse.Namespace) -> int:
    from outflow_cohort.handbook.build import MissingGenerator, build_site, write_handbook

    events.tell(f"{write_handbook(output=args.output, parser=args.parser)} pages")
    try:
        if args.site:
            events.tell(f"{build_site(output=args.output)}")
    except MissingGenerator as error:
        events.error(str(error))
        return EXIT_FAILED
    return EXIT_OK


def _fetch(args: argparse.Namespace) -> int:
    from outflow_cohort.interchange.dicomweb import FetchError, fetch_series

    try:
        count = fetch_series(url=args.url, output=args.output, most_megabytes=args.most_megabytes)
    except FetchError as error:
        events.error(str(error))
        return EXIT_FAILED
    events.tell(f"{count} files")
    return EXIT_OK


def _wide(args: argparse.Namespace) -> int:
    from outflow_cohort.interchange.wide import write_wide

    try:
        rows, columns = write_wide(results=args.results, output=args.output)
    except FileNotFoundError as error:
        events.error(f"no finished run: {error} is missing in {args.results.name}; finish the run first, or name its "
                     "results folder")  # fmt: skip
        return EXIT_USAGE
    events.tell(f"{rows} rows, {columns} columns")
    return EXIT_OK


def _merge(args: argparse.Namespace) -> int:
    from outflow_cohort.runs.merge_sites import DifferentSites
    from outflow_cohort.steps.merge import merge, pool_summaries

    try:
        if args.summaries:
            events.tell(f"{pool_summaries(sites=args.results, output=args.output)} pooled figures")
            return EXIT_OK
        without = [name.strip() for name in args.without.split(",") if name.strip()]
        counts = merge(
            sites=args.results, output=args.output, accept=args.accept_differences, without_columns=without
        )  # fmt: skip
    except FileNotFoundError as error:
        events.error(f"{error} is missing; finish the run of each site first, or correct the folder")
        return EXIT_USAGE
    except FileExistsError as error:
        events.error(f"{error}; name a new folder for --output")
        return EXIT_USAGE
    except DifferentSites as error:
        for difference in error.differences:
            events.error(str(difference))
        events.error(
            "the sites did not run the same definitions; run them again with the same program and settings, or join"
            " them with --accept-differences"
        )
        return EXIT_STUDY
    events.tell(", ".join(f"{name} {count}" for name, count in counts.items()) + " rows, in = out")
    return EXIT_OK


def _paper(args: argparse.Namespace) -> int:
    from outflow_cohort.paper.write import MissingLibrary, write_paper

    try:
        names = write_paper(results=args.results, output=args.output)
    except FileNotFoundError as error:
        events.error(f"no finished run: {error} is missing in {args.results.name}; finish the run first, or name its "
                     "results folder")  # fmt: skip
        return EXIT_USAGE
    except MissingLibrary as error:
        events.error(str(error))
        return EXIT_FAILED
    events.tell("\n".join(names))
    return EXIT_OK


def _completion(args: argparse.Namespace) -> int:
    import shtab

    print(shtab.complete(args.parser, args.shell))
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
        events.error(str(error))
        return EXIT_USAGE
    events.tell(f"{count} readings")
    return EXIT_OK


def _unblind(args: argparse.Namespace) -> int:
    from outflow_cohort.interchange.blinding import unblind_file

    try:
        count = unblind_file(landmarks=args.landmarks, key=args.key, output=args.output, study_file=args.study)
    except (FileNotFoundError, ValueError) as error:
        events.error(str(error))
        return EXIT_FAILED
    events.tell(f"{count} readings given back to their cases in {args.output}.")
    return EXIT_OK


def _cases_needed(args: argparse.Namespace) -> int:
    from outflow_cohort.stats.kernels.planning import plan_icc, plan_limits

    try:
        if args.half_width is not None:
            table = plan_limits(args.half_width, sd=args.sd)
        else:
            table = plan_icc(args.icc, args.width, smallest_icc=args.smallest_icc, readers=args.readers)
    except ValueError as error:
        events.error(str(error))
        return EXIT_USAGE
    print(table.to_csv(index=False), end="")
    return EXIT_OK


def add_user_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Commands that people call."""
    _add_study_commands(commands)
    _add_run_commands(commands)
    add_interchange_commands(commands)
    text = "Write the handbook from the program itself."
    p = add_command(commands, "handbook", _handbook, text, "--output handbook --site")
    add_paths(p, output="folder to write")
    p.add_argument("--site", action="store_true", help="build its pages too (needs mkdocs: pip install '.[docs]')")
    text, example = (
        "Copy the parts of a demonstration run that are committed.",
        "--results demo_study/results --output results_demo",
    )
    p = add_command(commands, "publish-demo", _publish_demo, text, example)
    add_paths(p, results=RESULTS, output="folder to write")
    text = "Print the script that completes commands in a shell."
    example = "bash > ~/.local/share/bash-completion/completions/outflow-cohort"
    p = add_command(commands, "completion", _completion, text, example)
    p.add_argument("shell", choices=("bash", "zsh"))


def _add_study_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Before a run."""
    text = "Check a study's tables and headers and draw it; computes nothing."
    p = add_command(commands, "check", _check, text, "study.yaml --fix-plan fixes.csv")
    add_study(p)
    text = "read the images and judge the landmarks too, without measuring; takes some seconds per series"
    p.add_argument("--images", action="store_true", help=text)
    p.add_argument("--fix-plan", type=Path, metavar="CSV", help="write suggested edits to this new file")
    p = add_command(commands, "init", _init, "Begin a study from a tree of DICOM files.", "new_study --dicom export")
    p.add_argument("folder", type=Path, help="the new study's folder")
    p.add_argument("--dicom", type=Path, required=True, metavar="PATH", help="the tree of DICOM files")
    text = "Print the JSON schema of study.yaml, from which editors complete it."
    add_command(commands, "schema", _schema, text, "> my_study/study.schema.json")
    text = "Fetch one series from a DICOMweb server into a folder; the only command that uses the network."
    example = "https://archive.example/dicom-web/studies/1.2.3/series/1.2.3.4 --output images/C001/phase_30"
    p = add_command(commands, "fetch", _fetch, text, example)
    p.add_argument("url", help="SERVICE/studies/STUDY_UID/series/SERIES_UID; a login comes from the variable "
        "OUTFLOW_DICOMWEB_TOKEN, or OUTFLOW_DICOMWEB_USER and OUTFLOW_DICOMWEB_PASSWORD, or netrc")  # fmt: skip
    p.add_argument(
        "--most-megabytes", type=float, default=16_384.0, metavar="MB", help="largest series (default 16384)"
    )
    add_paths(p, output="folder to write")
    text, example = "Say how many cases and readers an agreement study needs.", "--icc 0.9 --width 0.1 --readers 3"
    p = add_command(commands, "cases-needed", _cases_needed, text, example)
    p.add_argument("--icc", type=float, default=0.9, help="ICC expected (default 0.9)")
    p.add_argument("--width", type=float, default=0.1, help="full width of its 95 %% interval (default 0.1)")
    p.add_argument("--smallest-icc", type=float, metavar="ICC", help="ICC to show it exceeds, with 80 %% power")
    p.add_argument("--readers", type=int, help="readers (default: a row for 2 to 5)")
    p.add_argument(
        "--half-width", type=float, metavar="W", help="for limits of agreement: half-width of a limit's 95 %% interval"
    )
    p.add_argument("--sd", type=float, help="SD of differences; without it --half-width counts in SD")
    text, example = (
        "Make blinded reading lists and their key.",
        "study.yaml --readers ash,birch --lists lists --key key",
    )
    p = add_command(commands, "reading-lists", _reading_lists, text, example)
    add_study(p)
    p.add_argument("--readers", required=True, help="reader_ids, comma-separated")
    p.add_argument(
        "--repeat-share", type=float, default=0.2, metavar="SHARE", help="share of series read twice (default 0.2)"
    )
    p.add_argument("--seed", type=int, default=1, help="seed of the random orders (default 1)")
    add_paths(p, lists="folder of the lists", key="another folder for their key")
    text = "Give the readers' blinded files back their case, phase and read number."
    p = add_command(commands, "unblind", _unblind, text, "filed.csv --key key/key.csv --output landmarks.csv")
    p.add_argument("landmarks", type=Path, nargs="+", help="files of points, reading_id as case_id")
    text = "study whose landmark_files describe files of other programs"
    p.add_argument("--study", type=study_file, metavar="PATH", help=text)
    add_paths(p, key="key.csv that was written with the lists", output="landmark table to write")


def _add_run_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """While and after a run."""
    p = add_command(commands, "status", _status, "Show the progress of a run.", "results")
    p.add_argument("results", type=Path, help=RESULTS)
    p.add_argument("--line", action="store_true", help="one line only")
    p.add_argument("--verify", action="store_true", help="compare the tables with the hashes of the finished run")
    text, example = "Show which numbers of two runs differ, and why.", "results_a results_b"
    p = add_command(commands, "compare", _compare, text, example)
    p.add_argument("run_a", type=Path, help=RESULTS)
    p.add_argument("run_b", type=Path, help="another results folder")
    text, example = "Join the results of several sites without their images.", "a/results b/results --output all"
    p = add_command(commands, "merge", _merge, text, example)
    p.add_argument("results", type=Path, nargs="+", help="results folders of the sites, the first one leads")
    p.add_argument("--accept-differences", action="store_true", help="join in spite of differences, which are listed")
    p.add_argument("--without", default="", metavar="COLUMNS", help="case columns to leave out, such as dates")
    p.add_argument("--summaries", action="store_true", help="pool tables of summaries alone (random effects)")
    add_paths(p, output="new folder of the joint results")
    text = "Write the tables, figures and methods text of a paper."
    p = add_command(commands, "paper", _paper, text, "results --output paper")
    p.add_argument("results", type=Path, help=RESULTS)
    add_paths(p, output="folder to write: tables (DOCX, LaTeX, CSV), figures (SVG, PDF, PNG), methods")
    p = add_command(
        commands,
        "wide",
        _wide,
        "Write all measurements as one CSV, one row per reading and plan.",
        "results --output wide.csv",
    )
    p.add_argument("results", type=Path, help=RESULTS)
    add_paths(p, output="CSV to write; its Table Schema goes beside it")
