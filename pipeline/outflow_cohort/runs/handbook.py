"""The handbook, written from the registry of measures, the settings, the tables and the command line themselves.

Markdown pages with a mkdocs.yml, so that `mkdocs build` (or any other static generator) makes a site of them.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from outflow_cohort.files import write_text
from outflow_cohort.study.dictionary import CAUTION, data_dictionary

SITE = """\
site_name: Outflow cohort handbook
docs_dir: pages
nav:
  - Begin here: index.md
  - Measures: measures.md
  - Study tables: study.md
  - Settings: settings.md
  - Output tables: outputs.md
  - Reason codes: codes.md
  - Files in and out: files.md
  - Five questions: questions.md
  - Commands: commands.md
"""


def write_handbook(*, output: Path) -> int:
    """Write mkdocs.yml and pages/*.md into `output`; returns the number of pages."""
    from outflow_cohort.runs.questions import questions_page

    pages = {
        "index": _index(),
        "measures": _measures(),
        "study": _study_tables(),
        "settings": _settings(),
        "outputs": data_dictionary(),
        "codes": _codes(),
        "files": _files(),
        "questions": questions_page(),
        "commands": _commands(),
    }
    write_text(output / "mkdocs.yml", SITE)
    for name, text in pages.items():
        write_text(output / "pages" / f"{name}.md", text)
    return len(pages)


def _table(head: tuple[str, ...], rows: list[tuple[Any, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for row in rows:
        lines.append("| " + " | ".join(str(c).replace("|", "\\|").replace("\n", " ") for c in row) + " |")
    return "\n".join(lines)


def _index() -> str:
    return f"""# Handbook

{CAUTION}

Each page is generated from the program itself (`outflow-cohort handbook`), so it cannot tell of another version.

- **Measures**: definition, variants, unit, what each needs, source, and when to be careful.
- **Study tables** and **Settings**: what you write.
- **Output tables**: what you get.
- **Reason codes**: why a series, reading or case was warned of or set aside, and what to do.
- **Files in and out**: formats of images, landmarks and results.
- **Five questions**: the tables in pandas and in SQL.
- **Commands**: the command line and its exit status.
"""


def _measures() -> str:
    from outflow_geometry.measures import REGISTRY

    parts = ["# Measures", CAUTION]
    for m in REGISTRY:
        parts.append(f"## {m.id}")
        parts.append(m.definition)
        rows = [
            ("variants", ", ".join((*m.variants, *m.case_variants)) or "one, unnamed"),
            ("unit", m.unit),
            ("method", ", ".join(m.methods)),
            ("needs", "; ".join(m.needs)),
            ("source", m.source),
        ]
        parts.append(_table(("", ""), rows))
    return "\n\n".join(parts) + "\n"


def _study_tables() -> str:
    from outflow_cohort.study.columns import STRUCTURES, TABLES

    parts = ["# Study tables", "CSV in UTF-8, comma-separated, decimal point; all points LPS in mm, angles in degrees."]
    for spec in TABLES.values():
        parts.append(f"## {spec.name}.csv")
        if spec.open:
            parts.append("Further columns pass through to the statistics.")
        parts.append(
            _table(
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
    parts.append(_table(("structure", "fewest points", "most points", "meaning"), rows))
    return "\n\n".join(parts) + "\n"


def _settings() -> str:
    from outflow_cohort.study.config import Study

    parts = ["# Settings (study.yaml)", "Only `study_id` is required; an unknown key is an error."]
    parts.append(_table(("key", "default", "unit", "meaning"), _setting_rows(Study, "")))
    return "\n\n".join(parts) + "\n"


def _setting_rows(model: Any, prefix: str) -> list[tuple[Any, ...]]:
    rows: list[tuple[Any, ...]] = []
    for name, field in model.model_fields.items():
        if hasattr(field.annotation, "model_fields"):
            rows += _setting_rows(field.annotation, f"{prefix}{name}.")
            continue
        default = "(required)" if field.is_required() else field.get_default(call_default_factory=True)
        unit = (field.json_schema_extra or {}).get("unit", "")
        rows.append((f"`{prefix}{name}`", f"`{default}`", unit, field.description))
    return rows


def _codes() -> str:
    from outflow_cohort.dicom.codes import reasons

    rows = [(f"`{r.code}`", r.stage, r.severity, r.meaning, r.remedy) for r in reasons().values()]
    return "# Reason codes\n\n" + _table(("code", "stage", "severity", "meaning", "remedy"), rows) + "\n"


def _files() -> str:
    """What goes in and out in which format."""
    from outflow_cohort.interchange.concepts import LOCAL_SCHEME
    from outflow_cohort.interchange.measurement_report import UCUM

    rows = [
        ("CT, in", "`dicom_dir` of series.csv", "folder of DICOM files (with sub-folders; a DICOMDIR is passed over)"),
        ("", "", "zip archive of such a folder; unpacked within `intake.max_files` and `intake.max_archive_megabytes`"),
        ("", "`outflow-cohort fetch`", "one series from a DICOMweb server (WADO-RS); runs never use the network"),
        ("", "`volume` of series.csv", "one NIfTI, MetaImage or NRRD file"),
        ("landmarks, in", "`landmarks` of study.yaml", "CSV, Parquet, DICOM SR (TID 1500, SCOORD3D), RT Structure Set, "
         "or a folder of them; other names of structures are mapped under `structure_names`"),
        ("landmarks, out", "`outflow-cohort export-landmarks`", "DICOM SR or RT Structure Set, one file a reading"),
        ("lumen and device, out", "`outflow-cohort export`", "NIfTI label map, DICOM Segmentation, STL surfaces, lines "
         "and planes as CSV"),
        ("measurements, out", "`outflow-cohort export-measurements`", f"DICOM SR (TID 1500) a case; units in UCUM "
         f"({', '.join(UCUM.values())}); local codes under {LOCAL_SCHEME}"),
        ("tables, out", "`RESULTS/tables`", "Parquet, statistics also CSV; Frictionless Table Schema beside each"),
        ("", "`outflow-cohort wide`", "one row a reading and plan"),
        ("reading lists, out", "`outflow-cohort reading-lists`", "blinded, repeats hidden, key in a folder of its own"),
    ]  # fmt: skip
    text = (
        "All points are LPS in mm. A NIfTI file carries its own (RAS) frame and overlays as it is; STL has no frame: "
        "its coordinates are LPS. Exported DICOM files carry the pseudonym only, and the study and frame of reference "
        "of the CT, so that viewers join them."
    )
    return "\n\n".join(["# Files in and out", CAUTION, text, _table(("what", "where", "format"), rows)]) + "\n"


def _commands() -> str:
    from outflow_cohort.cli import build_parser
    from outflow_cohort.cli_parts import STATUS_MEANINGS

    parser = build_parser()
    status = list(STATUS_MEANINGS.items())
    parts = ["# Commands", f"```\n{parser.format_help()}```", "## Exit status", _table(("status", "meaning"), status)]
    parts += [
        "`outflow-cohort completion bash` (or zsh) prints a script that completes commands and options. No command "
        "prints colour, whatever `NO_COLOR` says. Snakemake itself ends with 0 where every case was measured or set "
        "aside, else with another status."
    ]
    subparsers = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    for name, sub in subparsers.choices.items():
        parts.append(f"## {name}\n\n```\n{sub.format_help()}```")
    return "\n\n".join(parts) + "\n"
