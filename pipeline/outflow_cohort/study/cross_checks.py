"""Checks across the study's tables: what one names is in another; devices, implants and outcomes make sense."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from outflow_cohort.stats.data.outcome_columns import outcome_mistakes
from outflow_cohort.study.config import Study
from outflow_cohort.study.keys import case_key
from outflow_cohort.study.problems import Problem, counted, nearest, nearest_name, shown


def check_references(
    read: dict[str, pd.DataFrame], landmarks: pd.DataFrame, study: Study, problems: list[Problem]
) -> None:
    """Every name that one table uses must be in the table that defines it; one that could not be read defines
    nothing, and is a problem already."""
    unread = {p.file for p in problems if p.severity == "error" and (p.row in (None, 1) or not p.column)}
    uses = [
        (read["series"], "case_id", read["cases"], "cases.csv"),
        (landmarks, "case_id", read["cases"], "cases.csv"),
        (read["plans"], "case_id", read["cases"], "cases.csv"),
        (read["plans"], "device_id", read["devices"], "devices.csv"),
        (read["cases"], "device_id", read["devices"], "devices.csv"),
        (read["device_profiles"], "device_id", read["devices"], "devices.csv"),
        (read["sizing_targets"], "device_id", read["devices"], "devices.csv"),
        (read["cases"], "prosthesis_id", read["prostheses"], "prostheses.csv"),
    ]
    for table, column, target, target_name in uses:
        known = set(target[column]) - {""}
        if not known and Path(getattr(study, target_name.removesuffix(".csv"))).name in unread:
            continue
        unknown = table[(table[column] != "") & ~table[column].isin(known)]
        for name, rows in unknown.groupby(column, sort=True):
            first = rows.iloc[0]
            hint = nearest(str(name), known) or "."
            problems.append(
                Problem(
                    file=str(first["file"]),
                    row=int(first["row"]),
                    column=column,
                    found=f"{shown(str(name))} in {counted(len(rows), 'row')}",
                    needed=f"a {column} of {target_name}",
                    remedy=f"Correct it or add it to {target_name}{hint}",
                    suggestion=nearest_name(str(name), known),
                )
            )


def check_case_keys(cases: pd.DataFrame, problems: list[Problem]) -> None:
    """Files are named after cases: two names must differ by more than upper and lower case."""
    keys = cases["case_id"].map(lambda name: case_key(name).lower())
    for _, row in cases[keys.duplicated() & ~cases["case_id"].duplicated()].iterrows():
        problems.append(
            Problem(
                file=str(row["file"]),
                row=int(row["row"]),
                column="case_id",
                found="a name that differs from another only by case",
                needed="names that differ also where a file system ignores case",
                remedy="Rename one of them.",
            )
        )


def check_implants(read: dict[str, pd.DataFrame], study: Study, problems: list[Problem]) -> None:
    """The cases and devices that `implants:` asks for are there."""
    if study.implants is None:
        return
    if study.implants.cases != "all":
        _check_names(problems, "implants.cases", study.implants.cases, study.cases, read["cases"]["case_id"])
    if study.implants.devices != "fitting":
        _check_names(problems, "implants.devices", study.implants.devices, study.devices, read["devices"]["device_id"])
    elif not len(read["sizing_targets"]):
        problems.append(
            Problem(
                file="study.yaml",
                row=None,
                column="implants.devices",
                found=f"`fitting`, and no row in {study.sizing_targets}",
                needed="sizing targets that say which device fits",
                remedy="Fill that table, or list devices by name.",
            )
        )


def _check_names(problems: list[Problem], setting: str, asked: Sequence[str], table: str, listed: pd.Series) -> None:
    """Note each name asked for by a setting of study.yaml that is not `listed` in the table's column."""
    known = set(listed)
    for name in asked:
        if name not in known:
            hint = nearest(name, known) or "."
            problems.append(
                Problem(
                    file="study.yaml",
                    row=None,
                    column=setting,
                    found=shown(name),
                    needed=f"a {listed.name} of {table}",
                    remedy=f"Correct it or add it to {table}{hint}",
                )
            )


def check_outcomes(cases: pd.DataFrame, study: Study, problems: list[Problem]) -> None:
    """Outcome columns hold the texts that the settings state and no others."""
    if not len(cases):
        return
    for found in outcome_mistakes(cases, study.statistics):
        problems.append(
            Problem(
                file=study.cases,
                row=None,
                column=found.column,
                found=found.found,
                needed=found.needed,
                remedy=found.remedy,
            )
        )


def check_devices(read: dict[str, pd.DataFrame], problems: list[Problem]) -> None:
    """Covered parts and profiles, mm, that do not fit their device, and targets, percent, the wrong way round."""
    devices = read["devices"].drop_duplicates("device_id").set_index("device_id")
    for _, row in read["devices"].iterrows():
        start, end, height = row["covered_from_mm"], row["covered_to_mm"], row["height_mm"]
        if np.isfinite(end) and (end > height + 1e-6 or (np.isfinite(start) and start >= end)):
            problems.append(
                Problem(
                    file=str(row["file"]),
                    row=int(row["row"]),
                    column="covered_from_mm, covered_to_mm",
                    found=f"{start:g} to {end:g}",
                    needed=f"covered_from_mm below covered_to_mm, both from 0 to {height:g} mm",
                    remedy="Correct the row.",
                )
            )
    for _, row in read["device_profiles"].iterrows():
        if row["device_id"] in devices.index and row["station_mm"] > devices.loc[row["device_id"], "height_mm"] + 1e-6:
            height = devices.loc[row["device_id"], "height_mm"]
            problems.append(
                Problem(
                    file=str(row["file"]),
                    row=int(row["row"]),
                    column="station_mm",
                    found=f"{row['station_mm']:g}",
                    needed=f"0 to {height:g} mm, the height of the device",
                    remedy="Correct the station or the height.",
                )
            )
    for _, row in read["sizing_targets"].iterrows():
        if row["min_pct"] > row["max_pct"]:
            problems.append(
                Problem(
                    file=str(row["file"]),
                    row=int(row["row"]),
                    column="min_pct, max_pct",
                    found=f"{row['min_pct']:g} above {row['max_pct']:g}",
                    needed="min_pct not above max_pct",
                    remedy="Swap them.",
                )
            )
