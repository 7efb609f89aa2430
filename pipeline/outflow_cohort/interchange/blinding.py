"""Reading lists for blinded readers: each reader has an own random order and own pseudonyms, repeat reads are hidden
among first reads, and the key that undoes it is in a folder of its own."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outflow_cohort.files import write_csv
from outflow_cohort.interchange.concepts import LANDMARK_COLUMNS

CLOSEST_REPEAT = 0.25
"""A repeat read comes at least this share of the list after the first, so that it is not remembered; an assumption,
no source."""
KEY_COLUMNS = ["reader_id", "order", "reading_id", "case_id", "phase_pct", "read_no"]


@dataclass(frozen=True)
class BlindedLists:
    """`lists` by reader (order, reading_id), and the key (reader_id, reading_id, case_id, phase_pct, read_no)."""

    lists: dict[str, pd.DataFrame]
    key: pd.DataFrame


def blinded_lists(series: pd.DataFrame, readers: Sequence[str], *, repeat_share: float, seed: int) -> BlindedLists:
    """Make the lists.

    series : rows with case_id, phase_pct, one per phase to read.
    repeat_share : share of the series that each reader reads twice, 0 to 1.

    Raises ValueError for a share outside 0 to 1, no reader, or no series.
    """
    if not 0.0 <= repeat_share <= 1.0:
        raise ValueError(f"repeat_share is {repeat_share:g}; needed 0 to 1")
    if not len(series) or not len(readers):
        raise ValueError("needed at least one series and one reader")
    rows = series[["case_id", "phase_pct"]].sort_values(["case_id", "phase_pct"], kind="stable").reset_index(drop=True)
    lists, keys = {}, []
    for reader in readers:
        words = hashlib.sha256(f"{seed}/{reader}".encode()).digest()
        random = np.random.default_rng(int.from_bytes(words[:8], "big"))
        order = _order(len(rows), round(repeat_share * len(rows)), random)
        names = random.permutation(len(order)) + 1
        width = max(3, len(str(len(order))))
        ids = [f"{reader}-{number:0{width}d}" for number in names]
        seen: set[int] = set()
        for position, (index, reading_id) in enumerate(zip(order, ids, strict=True), start=1):
            read_no = 2 if index in seen else 1
            seen.add(index)
            case_id, phase = rows.loc[index, "case_id"], rows.loc[index, "phase_pct"]
            keys.append((reader, position, reading_id, case_id, phase, read_no))
        lists[reader] = pd.DataFrame({"order": range(1, len(ids) + 1), "reading_id": ids})
    return BlindedLists(lists, pd.DataFrame(keys, columns=KEY_COLUMNS))


def _order(count: int, repeats: int, random: np.random.Generator) -> list[int]:
    """A random order of 0…count-1 with `repeats` of them a second time, well after the first.

    Series late in the order are repeated only where the early ones do not suffice.
    """
    order = [int(i) for i in random.permutation(count)]
    apart = int(CLOSEST_REPEAT * count)
    early, late = random.permutation(order[: count - apart]), random.permutation(order[count - apart :])
    for index in [int(i) for i in (*early, *late)][:repeats]:
        earliest = min(order.index(index) + 1 + apart, len(order))
        order.insert(int(random.integers(earliest, len(order) + 1)), index)
    return order


def write_lists(blinded: BlindedLists, *, lists: Path, key: Path) -> None:
    """Write one CSV a reader into the folder `lists`, and key.csv into the folder `key`.

    Raises ValueError where the key would be inside the folder that readers get.
    """
    if key.resolve().is_relative_to(lists.resolve()):
        raise ValueError("the key must not be in the folder of the reading lists; choose another folder for it")
    for reader, frame in blinded.lists.items():
        name = hashlib.sha256(reader.encode()).hexdigest()[:8] if not reader.isalnum() else reader
        write_csv(lists / f"reading_list_{name}.csv", frame)
    write_csv(key / "key.csv", blinded.key)


def read_key(key: Path) -> pd.DataFrame:
    """The key of blinded lists, as text. Raises FileNotFoundError, or ValueError where a column is missing."""
    if not key.is_file():
        raise FileNotFoundError(f"{key.name}: no such file; needed the key.csv that was written with the lists")
    known = pd.read_csv(key, dtype="str", keep_default_na=False, encoding="utf-8-sig")
    missing = [column for column in KEY_COLUMNS if column not in known.columns]
    if missing:
        raise ValueError(f"{key.name}: found no column {', '.join(missing)}; needed {', '.join(KEY_COLUMNS)}")
    return known


def unblind(landmarks: pd.DataFrame, key: pd.DataFrame) -> pd.DataFrame:
    """Landmarks that readers filed under reading_id (column case_id) back to case, phase and read number.

    Raises ValueError for a reading_id or reader that the key does not know.
    """
    named = landmarks.rename(columns={"case_id": "reading_id"}).drop(columns=["phase_pct", "read_no"], errors="ignore")
    joined = named.merge(key.drop(columns="order"), on=["reader_id", "reading_id"], how="left", validate="many_to_one")
    if joined["case_id"].isna().any():
        unknown = int(joined.loc[joined["case_id"].isna(), "reading_id"].nunique())
        raise ValueError(f"{unknown} reading(s) are not in the key; use the key that was written with these lists")
    return joined.drop(columns="reading_id")


def unblind_file(*, landmarks: Sequence[Path], key: Path, output: Path, study_file: Path | None = None) -> int:
    """Write the points of the files `landmarks` (reading_id as case_id) to `output` with what the key says of each
    reading; returns the number of readings.

    study_file : study.yaml whose `landmark_files` describe files of other programs; else see `filed_table`.

    Raises FileNotFoundError, or ValueError where a column is missing, a reading is not in the key, or `output` exists.
    """
    from outflow_cohort.interchange.filed_points import filed_table, landmark_files_of

    if output.exists():
        raise ValueError(f"{output.name} exists and is not overwritten; name a new file")
    known = read_key(key)
    groups = () if study_file is None else landmark_files_of(study_file)
    filed = pd.concat([filed_table(path, groups) for path in landmarks], ignore_index=True)
    restored = unblind(filed, known)
    restored["phase_pct"] = pd.to_numeric(restored["phase_pct"].where(restored["phase_pct"] != "", None))
    write_csv(output, restored[list(LANDMARK_COLUMNS)])
    return len(restored.drop_duplicates(["case_id", "phase_pct", "reader_id", "read_no"]))
