"""Results of several sites joined without their images: checks that they can be, then one folder of tables.

Only tables are read and written: no image, no case sheet. Names of cases and readers get the site's name in front, so
that equal pseudonyms of two sites stay two cases and two readers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import read_json, write_csv, write_json, write_parquet

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

COMPARED = ("definitions", "phase", "uncertainty", "gantry", "statistics", "cutoff_table", "sizing_target_table")
"""Settings that must be the same for numbers of several sites to mean the same."""
DATASETS = ("measurements", "curves", "views")
TABLES = ("series", "set_aside", "final")
NAMED = ("case_id", "reader_id")
SEPARATOR = ":"


@dataclass(frozen=True)
class Site:
    """A site's name and results folder, with the record of its run and its settings."""

    name: str
    results: Path
    record: Mapping[str, Any]
    study: Mapping[str, Any]


@dataclass(frozen=True)
class Difference:
    """What two sites do not share: where, the value of the first site, the site that differs and its value."""

    what: str
    first: str
    site: str
    found: str

    def __str__(self) -> str:
        return f"{self.what}: {self.first} at the first site, {self.found} at {self.site}"


class DifferentSites(Exception):
    """Sites that ran different definitions; carries the differences."""

    def __init__(self, differences: Sequence[Difference]) -> None:
        super().__init__("\n".join(map(str, differences)))
        self.differences = list(differences)


class LostRows(Exception):
    """Rows that went in and did not come out."""


def read_sites(folders: Sequence[Path]) -> list[Site]:
    """Sites named by their folder (that above `results`), numbered where names repeat. Raises FileNotFoundError for a
    folder without a finished run."""
    sites: list[Site] = []
    for folder in folders:
        own = folder.resolve()
        name = own.parent.name if own.name == "results" else own.name
        if any(site.name == name for site in sites):
            name = f"{name}_{len(sites) + 1}"
        for needed in ("run.json", "work/study.json", "work/cases.parquet"):
            if not (folder / needed).exists():
                raise FileNotFoundError(f"{folder.name}/{needed}")
        sites.append(Site(name, folder, read_json(folder / "run.json"), read_json(folder / "work" / "study.json")))
    return sites


def differences(sites: Sequence[Site]) -> list[Difference]:
    """Every difference of versions, definitions and shared devices from the first site; readers may differ."""
    found: list[Difference] = []
    first = sites[0]
    for site in sites[1:]:
        mine, theirs = first.record.get("versions", {}), site.record.get("versions", {})
        for name in sorted({*mine, *theirs}):
            if mine.get(name) != theirs.get(name):
                found.append(Difference(f"version of {name}", str(mine.get(name)), site.name, str(theirs.get(name))))
        if first.record.get("commit") != site.record.get("commit"):
            a, b = str(first.record.get("commit")), str(site.record.get("commit"))
            found.append(Difference("commit of the program", a, site.name, b))
        for section in COMPARED:
            found += _unequal(section, first.study.get(section), site.study.get(section), site.name)
        devices, others = first.study.get("device_table") or {}, site.study.get("device_table") or {}
        for device in sorted({*devices} & {*others}):
            found += _unequal(f"device {device}", devices[device], others[device], site.name)
    return found


def _unequal(what: str, mine: Any, theirs: Any, site: str) -> Iterator[Difference]:
    if mine == theirs:
        return
    if isinstance(mine, Mapping) and isinstance(theirs, Mapping):
        for key in sorted({*mine, *theirs}):
            yield from _unequal(f"{what}.{key}", mine.get(key), theirs.get(key), site)
        return
    yield Difference(what, _short(mine), site, _short(theirs))


def _short(value: Any) -> str:
    text = str(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


def merge_tables(
    sites: Sequence[Site], output: Path, *, accept: bool = False, without_columns: Sequence[str] = ()
) -> dict[str, int]:
    """Write OUTPUT/tables and OUTPUT/work of all sites; rows by table.

    accept : join in spite of differences (they are written to OUTPUT/differences.csv either way). without_columns :
    columns of the case tables that are left out, as dates. Raises DifferentSites, LostRows, and FileExistsError where
    `output` holds something.
    """
    import pandas as pd

    if output.exists() and any(output.iterdir()):
        raise FileExistsError(f"{output.name} is not empty")
    found = differences(sites)
    if found and not accept:
        raise DifferentSites(found)
    output.mkdir(parents=True, exist_ok=True)
    listed = pd.DataFrame([vars(d) for d in found], columns=["what", "first", "site", "found"])
    write_csv(output / "differences.csv", listed)
    counts = {name: _merge_dataset(sites, output / "tables", name) for name in DATASETS}
    for name in TABLES:
        frames = [(s, s.results / "tables" / f"{name}.parquet") for s in sites]
        counts[name] = _merge_frames(frames, output / "tables" / f"{name}.parquet")
    cases = [(s, s.results / "work" / "cases.parquet") for s in sites]
    counts["cases"] = _merge_frames(cases, output / "work" / "cases.parquet", without_columns)
    readings = [(s, s.results / "work" / "readings.parquet") for s in sites]
    counts["readings"] = _merge_frames(readings, output / "work" / "readings.parquet")
    write_json(output / "work" / "study.json", _joint_study(sites))
    return counts


def _joint_study(sites: Sequence[Site]) -> dict[str, Any]:
    """Settings of the first site with the devices of all."""
    devices: dict[str, Any] = {}
    for site in sites:
        devices |= {k: v for k, v in (site.study.get("device_table") or {}).items() if k not in devices}
    title = "; ".join(str(site.study.get("title") or site.study.get("study_id")) for site in sites)
    return dict(sites[0].study) | {"study_id": "+".join(s.name for s in sites), "title": title, "device_table": devices}


def _merge_dataset(sites: Sequence[Site], tables: Path, name: str) -> int:
    """Parts of a dataset one by one, so that memory is bounded by one part; rows in = rows out."""
    import pyarrow.parquet as pq

    (tables / name).mkdir(parents=True, exist_ok=True)
    total = written = number = 0
    for site in sites:
        for path in sorted((site.results / "tables" / name).rglob("*.parquet")):
            table = pq.read_table(path)
            total += len(table)
            pq.write_table(_named(table, site.name), tables / name / f"part-{number:05d}.parquet")
            written += pq.ParquetFile(tables / name / f"part-{number:05d}.parquet").metadata.num_rows
            number += 1
    if total != written:
        raise LostRows(f"{name}: {total} rows in, {written} out")
    return written


def _named(table: pa.Table, site: str) -> pa.Table:
    """The table with the site before each name; an empty name stays empty."""
    import pyarrow as pa
    import pyarrow.compute as pc

    for column in NAMED:
        if column in table.column_names:
            text = table[column].cast(pa.string())
            own = pc.binary_join_element_wise(pa.scalar(site), text, SEPARATOR)
            named = pc.if_else(pc.equal(text, ""), text, own)
            table = table.set_column(table.column_names.index(column), column, named)
    return table


def _merge_frames(found: Sequence[tuple[Site, Path]], target: Path, without_columns: Sequence[str] = ()) -> int:
    import pandas as pd
    import pyarrow.parquet as pq

    frames = []
    for site, path in found:
        if not path.exists():  # a site may keep its landmarks, or have no final values
            continue
        frame = _named(pq.read_table(path), site.name).to_pandas().drop(columns=list(without_columns), errors="ignore")
        if target.name == "cases.parquet":
            frame = frame.assign(centre=site.name)
        frames.append(frame)
    if not frames:
        return 0
    whole = pd.concat(frames, ignore_index=True)
    if len(whole) != sum(map(len, frames)):
        raise LostRows(f"{target.stem}: rows were lost")
    for column in whole.columns:
        if whole[column].dtype == object:
            whole[column] = whole[column].where(whole[column].notna(), "" if column in _texts(frames, column) else None)
    write_parquet(target, whole)
    return len(whole)


def _texts(frames: Sequence[pd.DataFrame], column: str) -> set[str]:
    """The column where every site that has it holds text in it."""
    own = [f[column].dropna() for f in frames if column in f]
    return {column} if all(part.map(lambda v: isinstance(v, str)).all() for part in own) else set()
