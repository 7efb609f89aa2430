"""Begins a study from a tree of DICOM files: what was found, phases proposed with their evidence, templates to fill."""

from __future__ import annotations

import csv
import io
import os
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from outflow_cohort.dicom.settings import IntakeSettings, PhaseSettings, QualitySettings
from outflow_cohort.files import write_text
from outflow_cohort.study.columns import STRUCTURES, TABLES
from outflow_cohort.study.config import Study
from outflow_cohort.study.editor_schema import FILE as SCHEMA
from outflow_cohort.study.editor_schema import HEADER, schema_text
from outflow_cohort.study.folders import walk_once
from outflow_cohort.study.problems import Problem, StudyError

IMAGES = "images"
"""Link in the study folder to the tree, so that the paths of series.csv stay inside the study."""


def scaffold(*, dicom_tree: Path, folder: Path) -> str:
    """Write study.yaml, the tables and READ_FIRST.md into the new `folder`; returns what was found, a line per series.

    Raises StudyError where `folder` already holds a study or `dicom_tree` is no folder.
    """
    if (folder / "study.yaml").exists():
        raise StudyError(
            [
                Problem(
                    file="study.yaml",
                    row=None,
                    column=None,
                    found="a study in this folder",
                    needed="a new folder",
                    remedy="Choose another.",
                )
            ]
        )
    if not dicom_tree.is_dir():
        raise StudyError(
            [
                Problem(
                    file=dicom_tree.name,
                    row=None,
                    column=None,
                    found="no such folder",
                    needed="a tree of DICOM files",
                    remedy="Correct it.",
                )
            ]
        )
    if not _folders(dicom_tree):
        raise StudyError(
            [
                Problem(
                    file=dicom_tree.name,
                    row=None,
                    column=None,
                    found="no file in this tree",
                    needed="a tree of DICOM files",
                    remedy="Name the export.",
                )
            ]
        )
    folder.mkdir(parents=True, exist_ok=True)
    link = folder / IMAGES
    if not link.exists():
        link.symlink_to(os.path.relpath(dicom_tree.resolve(), folder.resolve()), target_is_directory=True)
    places = sorted([*_folders(link), *_archives(link)])
    speaking = [place for place in places if _names_a_person(place.relative_to(link))]
    from outflow_cohort.dicom.pixels import PixelError

    found: list[dict[str, Any]] = []
    unread = []
    for place in places:
        if place not in speaking:
            try:
                found += _series_in(place, folder)
            except PixelError as problem:
                unread.append(f"{place.relative_to(folder).as_posix()}  not read: {problem.message}")
    patients = sorted({row["patient"] for row in found})
    width = max(3, len(str(len(patients))))
    names = {patient: f"C{i:0{width}d}" for i, patient in enumerate(patients, start=1)}
    for row in found:
        row["case_id"] = names[row["patient"]]
    found.sort(key=lambda row: (row["case_id"], row["folder"], row["proposed"], -row["slices"]))
    _leave_out(found)
    _write_rows(folder / "cases.csv", "cases", [{"case_id": name} for name in names.values()])
    _write_rows(
        folder / "series.csv",
        "series",
        [
            {"case_id": row["case_id"], "dicom_dir": row["folder"], "phase_pct": row["stated"]}
            for row in found
            if not row["left_out"]
        ],
    )
    for name in ("landmarks", "plans", "devices", "device_profiles", "prostheses", "sizing_targets"):
        _write_rows(folder / f"{name}.csv", name, [])
    write_text(folder / "study.yaml", _settings_template(folder.resolve().name))
    write_text(folder / SCHEMA, schema_text())
    lines = [*(_line(row) for row in found), *unread]
    if speaking:
        lines.append(
            f"{len(speaking)} folder(s) or archive(s) not read: their names look like a person's. Rename them (numbers "
            "will do) and begin again in a new folder."
        )
    write_text(folder / "READ_FIRST.md", _read_first(lines, folder.as_posix()))
    counted = f"{len(found)} series of {len(patients)} patients"
    if not found:
        counted += " (no CT series could be read: is this the folder of the export?)"
    return "\n".join([*lines, f"{counted}; next: {(folder / 'READ_FIRST.md').as_posix()}"])


def _names_a_person(path: Path) -> bool:
    """Whether a folder's name, which series.csv would repeat, looks like a name."""
    from outflow_cohort.dicom.identity_text import path_holds_identity

    return any(path_holds_identity(part) for part in path.parts)


def _leave_out(found: list[dict[str, Any]]) -> None:
    """Mark series that series.csv must not name, with the reason: unusable ones, and all but the longest of a phase."""
    taken: dict[tuple[str, ...], dict[str, Any]] = {}
    for row in found:
        row["left_out"] = "left out: set aside by its headers" if row["verdict"] == "set_aside" else ""
        if row["left_out"]:
            continue
        place = (row["case_id"], row["stated"]) if row["stated"] else (row["case_id"], "", row["folder"])
        rival = taken.setdefault(place, row)
        if rival is row:
            continue
        shorter = row if row["slices"] <= rival["slices"] else rival
        taken[place] = rival if shorter is row else row
        shorter["left_out"] = (
            "left out: another series of this phase (or of this folder, phase unknown) is as long or longer; choose one"
        )


def _line(row: dict[str, Any]) -> str:
    """What was found of one series, with the evidence for its phase."""
    phase = f"phase {row['proposed']} ({row['evidence']})" if row["proposed"] else "phase unknown"
    parts = [row["case_id"], row["folder"], f"{row['slices']} slices", row["verdict"], phase]
    if row["codes"]:
        parts.append(row["codes"])
    if row["left_out"]:
        parts.append(row["left_out"])
    elif row["proposed"] and not row["stated"]:
        parts.append("only proposed: write it into series.csv where it is right")
    return "  ".join(parts)


def _folders(tree: Path) -> list[Path]:
    """Folders that hold files themselves."""
    return sorted(Path(root) for root, _, files in walk_once(tree) if any(f[0] != "." for f in files))


def _archives(tree: Path) -> list[Path]:
    """Zip archives of the tree; other files are looked at with their folder."""
    return [
        Path(root, name)
        for root, _, files in walk_once(tree)
        for name in files
        if name[0] != "." and name.lower().endswith(".zip") and zipfile.is_zipfile(Path(root, name))
    ]


def _series_in(place: Path, folder: Path) -> list[dict[str, Any]]:
    """What a folder, or a zip archive, holds; raises PixelError for an archive that cannot be unpacked."""
    from outflow_cohort.dicom.archives import opened_folder

    with opened_folder(place, IntakeSettings()) as opened, _own_files(opened, place.is_file()) as own:
        return _judged(own, place.relative_to(folder).as_posix())


@contextmanager
def _own_files(place: Path, whole: bool) -> Iterator[Path]:
    """A folder with the files of `place` itself: its sub-folders are looked at by themselves, those of an archive
    (`whole`) with it."""
    own = sorted(entry for entry in place.iterdir() if entry.is_file() and entry.name[0] != ".")
    if whole or not any(entry.is_dir() for entry in place.iterdir()):
        yield place
        return
    with tempfile.TemporaryDirectory(prefix="outflow_") as name:
        for entry in own:
            Path(name, entry.name).symlink_to(entry.resolve())
        yield Path(name)


def _judged(place: Path, shown: str) -> list[dict[str, Any]]:
    """Series below `place`, by its headers and geometry."""
    from outflow_cohort.dicom.phase import decide_phase
    from outflow_cohort.dicom.pixels import frame_decoder
    from outflow_cohort.dicom.scan import list_files, scan_folder
    from outflow_cohort.dicom.verify import judge_frames

    intake, phase = IntakeSettings(), PhaseSettings()
    scan = scan_folder(place, intake, PhaseSettings(text_opt_in=True))
    names, _ = list_files(place, intake.max_files)
    paths = {ordinal: place / name for ordinal, (name, _) in enumerate(names)}
    with frame_decoder(intake.decode_seconds, intake.decode_megabytes) as decoder:
        judged = judge_frames(scan.frames, paths, intake, phase, QualitySettings(), decoder)
    rows = []
    for series in judged:
        stated = decide_phase(series.stack.frames, None, phase)
        proposed = decide_phase(series.stack.frames, None, PhaseSettings(text_opt_in=True))
        rows.append(
            {
                "patient": series.first.patient,
                "folder": shown,
                "slices": len(series.stack.frames),
                "verdict": series.verdict,
                "stated": "" if stated.phase_pct is None else f"{stated.phase_pct:g}",
                "proposed": "" if proposed.phase_pct is None else f"{proposed.phase_pct:g}",
                "evidence": proposed.source,
                "codes": ", ".join(sorted(series.codes)),
            }
        )
    return rows


def _write_rows(path: Path, table: str, rows: list[dict[str, Any]]) -> None:
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, [c.name for c in TABLES[table].columns], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_text(path, buffer.getvalue())


def _settings_template(study_id: str) -> str:
    """study.yaml with every key as a comment: meaning, unit, default."""
    import yaml

    lines = [
        HEADER.rstrip(),
        "# Settings of the study; only study_id is required. For research only, not for treating a patient.",
        f"study_id: {yaml.safe_dump(study_id).splitlines()[0]}",
        "",
    ]
    lines += _key_comments(Study, "")
    return "\n".join(lines) + "\n"


def _key_comments(model: Any, indent: str) -> list[str]:
    lines: list[str] = []
    for name, field in model.model_fields.items():
        if name == "study_id":
            continue
        if hasattr(field.annotation, "model_fields"):
            lines += [f"# {indent}{name}:", *_key_comments(field.annotation, indent + "  ")]
            continue
        unit = (field.json_schema_extra or {}).get("unit", "")
        default = field.get_default(call_default_factory=True)
        lines.append(f"# {indent}{name}: {_yaml(default)}   # {field.description} [{unit}]")
    return lines


def _yaml(value: Any) -> str:
    """A default as it would be in study.yaml, on one line."""
    import yaml
    from pydantic_core import to_jsonable_python

    text = yaml.safe_dump(to_jsonable_python(value), default_flow_style=True, width=10_000, allow_unicode=True)
    result: str = text.removesuffix("...\n").strip()
    return result


EXAMPLES = {
    "cases": ("C001,native,S1,FRAME-40,,1.9", "C002,failed_bioprosthesis,S2,FRAME-40,VALVE-27,"),
    "series": ("C001,images/a/phase_30,,30", "C002,,images/c002.nii.gz,"),
    "landmarks": ("C001,30,R1,1,,mitral_ring,1,12.4,-30.1,88.0", "C001,30,R1,1,,mitral_ring,2,14.9,-27.6,86.2"),
    "plans": ("C001,p1,FRAME-40,18,,,,,", "C001,p2,FRAME-40,16,,-4,,,"),
    "devices": ("FRAME-40,40,22,0,12",),
    "device_profiles": ("FRAME-40,0,41.5", "FRAME-40,11,39", "FRAME-40,22,40.5"),
    "prostheses": ("VALVE-27,27,25.0,0.8,15,13",),
    "sizing_targets": ("FRAME-40,native,area,5,20",),
}
"""Rows as they may look, for READ_FIRST; everything in them is invented."""


STEPS = """\
# Begin here

For research only, not for treating a patient.

1. Rename the cases in cases.csv and series.csv to your pseudonyms; add group, device_id, prosthesis_id.
   Use codes, no names: these columns go into the report as they are.
2. Look at the phases below. Those that a header states are filled in; a phase read from text is only
   proposed: write it into series.csv where it is right.
3. Fill landmarks.csv (DICOM patient frame LPS, mm), plans.csv, devices.csv, and what else your study has.
   Landmarks may also be a folder of CSV, Parquet, DICOM SR or RT Structure Set files: name it in
   study.yaml (`landmarks: FOLDER`).
4. From the project's folder: `.venv/bin/outflow-cohort check {place}/study.yaml`. Correct what it
   names until no error is left.
5. `.venv/bin/snakemake --cores 2 --config study={place}/study.yaml`, then open
   `{place}/results/report/index.html`.

## Series found
"""


def _read_first(found: list[str], place: str) -> str:
    lines = [STEPS.format(place=place)]
    lines += [f"- {line}" for line in found]
    lines += ["", "## Columns", ""]
    for spec in TABLES.values():
        lines += [f"### {spec.name}.csv", ""]
        lines += [
            f"- `{c.name}`{' (required)' if c.required else ''}: {c.meaning}{f' [{c.unit}]' if c.unit else ''}"
            for c in spec.columns
        ]
        header = ",".join(c.name for c in spec.columns)
        lines += ["", "For example:", "", *(f"    {row}" for row in (header, *EXAMPLES[spec.name])), ""]
    lines += ["### structures in landmarks.csv", ""]
    lines += [
        f"- `{s.name}` ({s.least}{'' if s.most else ' or more'} points): {s.meaning}" for s in STRUCTURES.values()
    ]
    return "\n".join(lines) + "\n"
