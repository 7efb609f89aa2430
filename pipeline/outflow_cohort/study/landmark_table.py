"""A study's landmarks as one table: from the contract's table or folder, and from files of other programs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from glob import glob
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from outflow_cohort.study.columns import STRUCTURES, TABLES
from outflow_cohort.study.problems import LONGEST_SHOWN, Problem, counted, nearest_name, shown
from outflow_cohort.study.tables import check_table, empty_table, read_table

if TYPE_CHECKING:
    from outflow_cohort.interchange.landmark_references import SeriesIndex
    from outflow_cohort.study.landmark_sources import LandmarkFiles


@dataclass(frozen=True)
class LandmarkSources:
    """Where a study's landmarks are: the table or folder of the contract, and the files of other programs.

    folder : of study.yaml. structure_names : names of other tools to the contract's. index : series of the study, by
    which DICOM files are placed.
    """

    folder: Path
    landmarks: str
    groups: tuple[LandmarkFiles, ...] = ()
    structure_names: Mapping[str, str] = field(default_factory=dict)
    index: SeriesIndex | None = None

    def described(self, problems: list[Problem]) -> dict[Path, LandmarkFiles]:
        """The files that the groups name, each with the first group that names it."""
        found: dict[Path, LandmarkFiles] = {}
        for number, group in enumerate(self.groups):
            if group.blinded:
                continue
            if Path(group.files).is_absolute():
                files = [Path(name) for name in glob(group.files, recursive=True)]
            else:
                files = [self.folder / name for name in glob(group.files, root_dir=self.folder, recursive=True)]
            files = sorted(p for p in files if p.is_file() and not p.name.startswith("."))
            if not files:
                problems.append(
                    Problem(
                        file="study.yaml",
                        row=None,
                        column=f"landmark_files.{number}.files",
                        found="no file of this name or pattern",
                        needed="a path or pattern, relative to the study folder",
                        remedy="Correct `files`; say `blinded: true` of files that `unblind` takes back.",
                    )
                )
            for file in files:
                found.setdefault(file, group)
        return found


FOREIGN = frozenset({".json", ".tsv", ".txt", ".xlsx", ".xlsm", ".vtp", ".vtk"})
"""Endings of files that are read as a group of landmark_files describes them, and not without."""


def read_landmarks(sources: LandmarkSources, problems: list[Problem]) -> pd.DataFrame:
    """Read the landmark table, or all landmark files of a folder, and those of other programs, as one table."""
    spec, path = TABLES["landmarks"], sources.folder / sources.landmarks
    described_files = sources.described(problems)
    if path.is_dir():
        files = sorted(p for p in path.rglob("*") if p.is_file() and not p.name.startswith("."))
    else:
        files = [path] if path.exists() or not sources.groups else []
    files = [file for file in files if file not in described_files]
    parts = [_read_described(file, group, sources, problems) for file, group in described_files.items()]
    for file in files:
        if file.suffix.lower() in (".csv", ".parquet") or not file.exists():
            parts.append(read_table(file, spec, problems))
        elif file.suffix.lower() in FOREIGN:
            problems.append(
                Problem(
                    file=file.name,
                    row=None,
                    column=None,
                    found=f"a {file.suffix.lower()} file that no entry of landmark_files names",
                    needed="how it is to be read",
                    remedy="Add to study.yaml: landmark_files: [{files: PATTERN, coordinates: LPS"
                    " or RAS, …}]; the handbook's page on landmarks of other programs shows each kind.",
                )
            )
        else:
            from outflow_cohort.interchange.landmark_files import read_dicom_landmarks

            frame = read_dicom_landmarks(file, problems, sources.index)
            parts.append(check_table(frame, file.name, spec, problems))
    names = dict(sources.structure_names)
    parts = [p for p in parts if len(p)]
    frame = pd.concat(parts, ignore_index=True) if parts else empty_table(spec)
    frame["structure"] = frame["structure"].replace(names)
    unknown = frame[~frame["structure"].isin(STRUCTURES) & (frame["structure"] != "")]
    for structure, rows in unknown.groupby("structure", sort=True):
        first = rows.iloc[0]
        problems.append(
            Problem(
                file=str(first["file"]),
                row=int(first["row"]),
                column="structure",
                found=f"{shown(str(structure))} in {counted(len(rows), 'row')}",
                needed="a known structure (handbook, Study tables)",
                remedy=f"Rename it or map it{_mapping(str(structure))}",
                suggestion=nearest_name(str(structure), STRUCTURES),
            )
        )
    return frame


def _read_described(
    file: Path, group: LandmarkFiles, sources: LandmarkSources, problems: list[Problem]
) -> pd.DataFrame:
    """One file as its group in study.yaml describes it."""
    if file.suffix.lower() in FOREIGN | {".csv"}:
        from outflow_cohort.interchange.foreign_landmarks import read_foreign_landmarks

        frame = read_foreign_landmarks(file, group, problems)
    else:
        from outflow_cohort.interchange.landmark_files import read_dicom_landmarks

        frame = read_dicom_landmarks(file, problems, sources.index, group)
    return (
        check_table(frame, file.name, TABLES["landmarks"], problems) if len(frame) else empty_table(TABLES["landmarks"])
    )


def _mapping(name: str) -> str:
    """How an unknown structure is mapped in study.yaml, with the nearest known name filled in."""
    import json

    likely = nearest_name(name, STRUCTURES)
    target = likely or "STRUCTURE"
    cited = json.dumps(name, ensure_ascii=False) if len(name) <= LONGEST_SHOWN and name.isprintable() else "NAME"
    entry = f"in study.yaml: structure_names: {{{cited}: {target}}}"
    return f', did you mean "{likely}"? ({entry})' if likely else f" {entry}."
