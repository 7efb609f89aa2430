"""What every command is made of: exit status, help with an example and the caution, options for messages."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from outflow_cohort.events import VARIABLE, WORDS

EXIT_OK = 0
EXIT_FAILED = 1
EXIT_USAGE = 2
EXIT_STUDY = 3
EXIT_MEMORY = 4
"""0 done; 1 the work failed; 2 wrong use of the command line; 3 the study has errors (each was reported); 4 out of
memory."""

STATUS_MEANINGS = {
    EXIT_OK: "done",
    EXIT_FAILED: "the work failed, or two compared runs differ",
    EXIT_USAGE: "wrong use of the command line",
    EXIT_STUDY: "the study has errors; each was reported with file, row, found, needed, remedy",
    EXIT_MEMORY: "out of memory",
}
EXIT_STATUS = "exit status:\n" + "\n".join(f"  {status}  {meaning}" for status, meaning in STATUS_MEANINGS.items())
ENVIRONMENT = f"""environment:
  {VARIABLE}  {", ".join(WORDS)}: as the options for messages, also for the jobs of a workflow
  NO_COLOR     no colour in the workflow's own lines; the commands here print none at all"""
CAUTION = """\
For research only, not for treating a patient. Measurements need a qualified
reader's review; clinical decisions rest with licensed physicians, the device's
instructions and local protocol."""

KEY = "the case, as its files in RESULTS/work are named"
RESULTS = "the results folder of a study"

Commands = argparse._SubParsersAction
"""What `add_subparsers` gives; argparse has no public name for it."""


def add_paths(parser: argparse.ArgumentParser, **paths: str) -> None:
    """Required options that are paths: name and help."""
    for name, text in paths.items():
        parser.add_argument(f"--{name}", type=Path, required=True, metavar="PATH", help=text)


def study_file(text: str) -> Path:
    """A study's settings file; where its folder is named, the study.yaml in it."""
    path = Path(text)
    return path / "study.yaml" if path.is_dir() else path


def add_study(parser: argparse.ArgumentParser) -> None:
    """The study that a command works on."""
    parser.add_argument("study", type=study_file, help="study.yaml, or the folder that holds it")


def add_command(
    commands: Commands[argparse.ArgumentParser],
    name: str,
    function: Callable[[argparse.Namespace], int],
    text: str,
    example: str,
) -> argparse.ArgumentParser:
    """A command with its help: what it does, an example, the exit status, the caution."""
    parser = commands.add_parser(
        name,
        help=text,
        description=text,
        epilog=f"example: outflow-cohort {name} {example}\n\n{EXIT_STATUS}\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_message_options(parser, default=argparse.SUPPRESS)
    parser.set_defaults(function=function)
    return parser


def add_message_options(parser: argparse.ArgumentParser, default: bool | str) -> None:
    """--quiet, --verbose and --json-log; they may come before or after the command."""
    group = parser.add_argument_group(
        "messages", "go to standard error, one event per line; each begins with case, phase and reader"
    )
    level = group.add_mutually_exclusive_group()
    level.add_argument(
        "-q", "--quiet", action="store_true", default=default, help="show errors only, and no closing line"
    )
    level.add_argument(
        "-v", "--verbose", action="store_true", default=default, help="also show begin, end and duration"
    )
    group.add_argument("--json-log", action="store_true", default=default, help="write one JSON object per line")
