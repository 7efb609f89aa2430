"""Chooses what of a finished demonstration run is committed: report, two case sheets, the small tables, run.json."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

LARGEST_BYTES = 6_000_000
SHEETS = 2
OWN = ("report", "tables")
"""Folders of the output that a published run fills; figures of other studies beside them stay."""
TABLES = (
    "cases.csv",
    "recovered.csv",
    "baseline.csv",
    "size_agreement.csv",
    "sizes.csv",
    "cutoffs.parquet",
    "cohort_summary.parquet",
    "agreement.parquet",
    "associations.parquet",
    "set_aside.parquet",
    "series.parquet",
    "README.md",
)
"""Long tables go as Parquet: as CSV the agreement of all measures alone is larger than everything else."""


def publish(*, results: Path, output: Path) -> int:
    """Copy the chosen files of `results` into `output` (folders OWN are emptied first); returns the bytes copied.

    Raises FileNotFoundError where the run is not finished, ValueError where the choice exceeds LARGEST_BYTES.
    """
    if not (results / "run.json").exists():
        raise FileNotFoundError(f"{results.name}/run.json: finish the run first")
    for name in OWN:
        shutil.rmtree(output / name, ignore_errors=True)
    chosen = [results / "run.json", results / "report" / "index.html"]
    for pattern in TABLES:
        chosen += sorted((results / "tables").glob(pattern))
    chosen += _sheets(results)
    for path in chosen:
        target = output / path.relative_to(results)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)
    _unlink_absent(output / "report" / "index.html")
    total = sum(p.stat().st_size for p in output.rglob("*") if p.is_file())
    if total > LARGEST_BYTES:
        raise ValueError(f"{total} bytes chosen; needed at most {LARGEST_BYTES}")
    return total


def _unlink_absent(page: Path) -> None:
    """Turn links to files that were not chosen into plain text."""

    def keep(link: re.Match[str]) -> str:
        target = link["href"]
        inside = target.startswith(("#", "http")) or (page.parent / target).exists()
        return link[0] if inside else f"<span>{link['text']}</span>"

    pattern = re.compile(r'<a [^>]*href="(?P<href>[^"]+)"[^>]*>(?P<text>.*?)</a>', re.DOTALL)
    page.write_text(pattern.sub(keep, page.read_text(encoding="utf-8")), encoding="utf-8")


def _sheets(results: Path) -> list[Path]:
    """Sheets of the first measured cases of different groups."""
    import pandas as pd
    import pyarrow.dataset as ds

    from outflow_cohort.study.keys import case_key

    measured = set(ds.dataset(results / "tables" / "measurements").to_table(columns=["case_id"]).to_pandas()["case_id"])
    cases = pd.read_parquet(results / "work" / "cases.parquet")
    cases = cases[cases["case_id"].isin(measured)].drop_duplicates("group")
    return [results / "report" / "cases" / f"{case_key(c)}.html" for c in sorted(cases["case_id"])[-SHEETS:]]
