"""Pages of the handbook in Markdown, from the registry, settings, tables and command line themselves."""

from __future__ import annotations

import argparse
from functools import partial

from outflow_cohort.handbook.markdown import markdown_table
from outflow_cohort.handbook.setting_rows import setting_rows
from outflow_cohort.study.dictionary import CAUTION

STAGES = {
    "plan": "Readings that cannot be used", "files": "Files", "kind": "Kind of image", "geometry": "Geometry",
    "phase": "Cardiac phase", "quality": "Image quality", "volume": "Region and orientation", "landmarks": "Landmarks",
    "judge": "Landmarks", "carry": "Landmarks carried to other phases", "privacy": "Privacy",
}  # fmt: skip
STEPS = "Steps of the run"
"""Heading of what several steps can say."""
EFFECTS = {"set_aside": "set aside", "warning": "warning", "info": "note"}
HELP_WIDTH = 88
"""Characters of a line of help in the handbook."""


def index_page() -> str:
    """What is where."""
    return f"""# Handbook

{CAUTION}

Each page is written by the program itself (`outflow-cohort handbook`), so it always matches the version that you run.

Start:

- [From zero to a table](story.md): an invented study from raw files to the tables of a paper.
- [Own study](own_study.md): from a folder of DICOM files to a finished study.
- [Landmarks of other programs](viewers.md): tables, JSON lists, polydata and DICOM files, read by a mapping.
- [Privacy](privacy.md): what is checked, what is not, and what goes into the results.

Understand:

- [Which definition should I choose](choose.md): path, solid, phase, section rule, ring.
- [How to read an interval](intervals.md): what it covers and what it does not.
- [What to do with each status](statuses.md): every code beside a value.
- [Any size and depth](implants.md): try every device at every depth.
- [Ten questions](questions.md): answered in pandas, polars, SQL and R.
- [Measures](measures/index.md): definition, formula, figure, source and pitfalls of each.

Look up:

- [Study tables](study.md) and [settings](settings.md): what you write.
- [Output tables](outputs.md): what you get.
- [Reason codes](codes.md): why a series, reading or case has a warning or was set aside, and what to do.
- [Files in and out](files.md): formats of images, landmarks and results.
- [Commands](commands.md): the command line, its messages and its exit status.
- [Library](library.md): geometry core and statistics from Python, with examples.
"""


def study_tables_page() -> str:
    """What the study's tables hold."""
    from outflow_cohort.study.columns import STRUCTURES, TABLES

    parts = ["# Study tables", "CSV in UTF-8, comma-separated, decimal point; all points LPS in mm, angles in degrees."]
    for spec in TABLES.values():
        parts.append(f"## {spec.name}.csv")
        if spec.open:
            parts.append("Further columns pass through to the statistics.")
        parts.append(
            markdown_table(
                ("column", "required", "unit", "bounds or choices", "meaning"),
                [
                    (
                        c.name,
                        "yes" if c.required else "",
                        c.unit,
                        ", ".join(c.choices) or ("" if c.low is None else f"{c.low:g} to {c.high:g}"),
                        c.meaning,
                    )
                    for c in spec.columns
                ],
            )
        )
    parts.append("## Structures")
    rows = [(s.name, s.least, "any" if s.most is None else s.most, s.meaning) for s in STRUCTURES.values()]
    parts.append(markdown_table(("structure", "fewest points", "most points", "meaning"), rows))
    return "\n\n".join(parts) + "\n"


def settings_page() -> str:
    """Every key of study.yaml with its default, allowed values and an example."""
    from outflow_cohort.study.config import Study

    parts = [
        "# Settings (study.yaml)",
        "Only `study_id` is required; an unknown key is an error that names the nearest known one. Write a key such as "
        "`report.pdf` as `pdf:` under `report:`. Keys under a list, such as "
        "`exclude[].case_id`, belong to each entry of the list.",
    ]
    found = list(setting_rows(Study, ""))
    sections = dict.fromkeys(row.key.split(".")[0] if "." in row.key.split("[")[0] else "" for row in found)
    for section in sections:
        rows = [r for r in found if (r.key.split(".")[0] if "." in r.key.split("[")[0] else "") == section]
        parts.append(f"## {section or 'The study'}")
        parts.append(
            markdown_table(("key", "meaning", "values"), [(f"`{r.key}`", r.meaning, r.values()) for r in rows])
        )
    return "\n\n".join(parts) + "\n"


def statuses_page() -> str:
    """What to do with each status of a value, from the one registry of codes."""
    from outflow_cohort.study.status_codes import LEVEL_WORDS, LEVELS, status_codes

    parts = [
        "# What to do with each status",
        CAUTION,
        "Each value has a status in `tables/measurements`. `ok` is a value without any remark. The others:",
    ]
    for level in LEVELS:
        rows = [(f"`{s.code}`", s.meaning, s.remedy) for s in status_codes().values() if s.level == level]
        if level == "note":
            rows.append(("`missing_STRUCTURE`", "The structure is not marked.", "Mark it in the landmark table."))
        text = LEVEL_WORDS[level]
        parts += [f"## {text[:1].upper()}{text[1:]}", markdown_table(("status", "meaning", "what to do"), rows)]
    parts.append(
        "Reason codes of series, readings and cases that were warned of or set aside are on "
        "[their own page](codes.md). `statistics.usable_statuses` in study.yaml says which statuses count in the "
        "statistics."
    )
    return "\n\n".join(parts) + "\n"


def codes_page() -> str:
    """Reason codes of plan, intake and the steps with meaning and remedy."""
    from outflow_cohort.dicom.codes import reasons

    parts = [
        "# Reason codes",
        "Why a series, reading or case was set aside (not measured), or has a warning (measured all the same). What a "
        "status beside a value means is on [its own page](statuses.md).",
    ]
    by_stage: dict[str, list[tuple[str, ...]]] = {}
    for r in (*reasons("outflow_cohort.steps").values(), *reasons().values()):
        row = (f"`{r.code}`", EFFECTS.get(r.severity, r.severity), r.meaning, r.remedy)
        by_stage.setdefault(STAGES.get(r.stage, STEPS), []).append(row)
    for title in dict.fromkeys((*STAGES.values(), STEPS)):
        if title in by_stage:
            parts += [f"## {title}", markdown_table(("code", "effect", "meaning", "what to do"), by_stage[title])]
    return "\n\n".join(parts) + "\n"


def files_page() -> str:
    """What goes in and out in which format."""
    from outflow_cohort.interchange.concepts import LOCAL_SCHEME
    from outflow_cohort.interchange.measurement_report import UCUM

    rows = [
        ("CT, in", "`dicom_dir` of series.csv", "folder of DICOM files (with sub-folders; a DICOMDIR is passed over)"),
        ("", "", "zip archive of such a folder; unpacked within `intake.max_files` and `intake.max_archive_megabytes`"),
        ("", "`outflow-cohort fetch`", "one series from a DICOMweb server (WADO-RS), with a login from "
         "`OUTFLOW_DICOMWEB_TOKEN`, `OUTFLOW_DICOMWEB_USER` and `OUTFLOW_DICOMWEB_PASSWORD`, or netrc; runs never use "
         "the network"),
        ("", "`volume` of series.csv", "one NIfTI, MetaImage or NRRD file"),
        ("landmarks, in", "`landmarks` of study.yaml", "CSV, Parquet, DICOM SR (TID 1500, SCOORD3D), RT Structure Set, "
         "or a folder of them; other names of structures are mapped under `structure_names`"),
        ("landmarks, out", "`outflow-cohort export-landmarks`", "DICOM SR or RT Structure Set, one file per reading; "
         "CSV or Parquet, one table"),
        ("lumen and device, out", "`outflow-cohort export`", "NIfTI label map, DICOM Segmentation, STL and VTP "
         "surfaces, lines and planes as CSV"),
        ("measurements, out", "`outflow-cohort export-measurements`", "DICOM SR (TID 1500) per case: values, standard "
         f"errors, 95 % intervals, status; units in UCUM ({', '.join(UCUM.values())}); local codes under "
         f"{LOCAL_SCHEME}"),
        ("tables, out", "`RESULTS/tables`", "Parquet, statistics also CSV; Frictionless Table Schema beside each"),
        ("", "`outflow-cohort wide`", "one row per reading and plan"),
        ("reading lists, out", "`outflow-cohort reading-lists`", "blinded, repeats hidden, key in a folder of its own"),
        ("", "`outflow-cohort unblind`", "what readers filed under a reading_id, given back to its case"),
    ]  # fmt: skip
    text = (
        "All points are LPS in mm. A NIfTI file carries its own (RAS) frame and overlays as it is; STL and VTP have no "
        "frame: their coordinates are LPS. Exported DICOM files carry the pseudonym only, and the study and frame of "
        "reference of the CT, so that viewers join them."
    )
    return "\n\n".join(["# Files in and out", CAUTION, text, markdown_table(("what", "where", "format"), rows)]) + "\n"


def _own_help(text: str) -> str:
    """The help of a command without what all commands share: options for messages, exit status, caution."""
    own, _, rest = text.partition("\nmessages:")
    examples = [line for line in rest.splitlines() if line.startswith("example: ")]
    return "\n".join([own.rstrip(), *(f"\n{line}" for line in examples)])


def commands_page(parser: argparse.ArgumentParser) -> str:
    """Help of every command of `parser`."""
    from outflow_cohort.cli_parts import STATUS_MEANINGS

    subparsers = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    for each in (parser, *subparsers.choices.values()):  # as wide wherever it is written
        each.formatter_class = partial(argparse.RawDescriptionHelpFormatter, width=HELP_WIDTH)
    status = list(STATUS_MEANINGS.items())
    parts = [
        "# Commands",
        f"```\n{parser.format_help()}```",
        "## Exit status",
        markdown_table(("status", "meaning"), status),
    ]
    parts += [
        "Snakemake itself ends with 0 where every case was measured or set aside, else with another status.",
        "## Messages",
        "What a command was asked for goes to standard output. Messages go to standard error, one event per line; a "
        "line begins with its case, phase, reader and read where it has them.",
        "- `--quiet` leaves errors only.\n- `--verbose` adds begin, end and duration.\n- `--json-log` makes each line "
        "a JSON object whose first keys are `case`, `phase_pct`, `reader`, `read` (null where there is none), then "
        "`level`, `event`, `message`, details and `time` (UTC).",
        "The variable `OUTFLOW_LOG` does the same for the jobs of a workflow, whose lines are in `RESULTS/logs`:",
        "```sh\nOUTFLOW_LOG=json snakemake --cores 2 --config study=my_study/study.yaml\n```",
        "No command prints colour. With `NO_COLOR` set, the lines of the workflow engine are plain too.",
        "`outflow-cohort completion bash` (or zsh) prints a script that completes commands and options.",
    ]
    parts.append(
        "The commands from `plan` to `finish` are steps of the workflow, which calls them itself. Options for "
        "messages, exit status and the caution are the same for all and are left out below."
    )
    for name, sub in subparsers.choices.items():
        parts.append(f"## {name}\n\n```\n{_own_help(sub.format_help())}\n```")
    return "\n\n".join(parts) + "\n"
