"""Last step: check that nothing that went in was lost, and write run.json, the record of the run."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.datasets import count_rows_by
from outflow_cohort.dicom.settings import PhaseSettings
from outflow_cohort.files import read_json, write_json
from outflow_cohort.handover.settings import frozen_section

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.phases import PhaseMatch

LIBRARIES = (
    "dask", "numpy", "outflow-cohort", "pandas", "pyarrow", "pydicom", "scipy", "shapely", "SimpleITK", "snakemake",
)  # fmt: skip
READING = ["case_id", "phase_pct", "reader_id", "read_no"]


class LostRows(Exception):
    """Something that went in is neither measured nor set aside."""


def finish(*, results: Path) -> str:
    """Write RESULTS/run.json and return the closing lines; raises LostRows where the account does not balance."""
    import pandas as pd

    work, tables = results / "work", results / "tables"
    cases = pd.read_parquet(work / "cases.parquet", columns=["case_id"])
    readings = count_rows_by(work / "readings.parquet", READING)[READING]
    used = count_rows_by(tables / "measurements", [*READING, "landmark_origin"])
    # carried landmarks did not come in: they are counted on their own
    carried = (used["landmark_origin"] == "carried") & used["phase_pct"].notna()
    measured = used.loc[(used["reader_id"] != "") & ~carried, READING]
    aside = pd.read_parquet(tables / "set_aside.parquet")
    not_carried, aside = aside[aside["stage"] == "carry"], aside[aside["stage"] != "carry"]
    series = pd.read_parquet(tables / "series.parquet")
    plan = read_json(work / "plan.json")
    study = read_json(work / "study.json")
    account = balance(cases, readings, measured, aside, frozen_section(study, "phase", PhaseSettings).match)
    account["carried"] = {"measured": int(carried.sum()), "set_aside": int((not_carried["reader_id"] != "").sum())}
    account["series"] = {
        verdict: int((series["verdict"] == verdict).sum()) for verdict in ("accepted", "warned", "set_aside")
    } if len(series) else {}  # fmt: skip
    record = {
        "caution": "For research only, not for treating a patient.",
        "study_id": study["study_id"],
        "settings": study,
        "counts": account,
        "inputs": _hash_files(sorted((work / "requests").glob("*.json")), work),
        "tables": _hash_files(sorted(p for p in tables.rglob("*") if p.suffix in (".parquet", ".csv")), results),
        "versions": {"python": platform.python_version()} | {n: importlib.metadata.version(n) for n in LIBRARIES},
        "commit": _commit(),
        "warnings": plan["warnings"],
    }
    write_json(results / "run.json", record)
    reasons = aside[aside["reader_id"] == ""].drop_duplicates("case_id")["code"].value_counts().sort_index()
    lines = [
        f"cases: {account['cases']['in']} in, {account['cases']['measured']} measured, "
        f"{account['cases']['set_aside']} set aside"
        + (f" ({', '.join(f'{code} {n}' for code, n in reasons.items())})" if len(reasons) else ""),
        f"readings: {account['readings']['in']} in, {account['readings']['measured']} measured, "
        f"{account['readings']['set_aside']} set aside",
    ]
    return "\n".join(lines)


def balance(
    cases: pd.DataFrame, readings: pd.DataFrame, measured: pd.DataFrame, aside: pd.DataFrame, match: PhaseMatch
) -> dict[str, Any]:
    """Counts in, measured and set aside of cases and readings; raises LostRows naming what is in neither or both."""
    all_cases = set(cases["case_id"])
    measured_cases = set(measured["case_id"])
    aside_cases = set(aside["case_id"]) - measured_cases
    lost_cases = all_cases - measured_cases - aside_cases
    given = {_reading(r) for r in readings.itertuples(index=False)}
    phases: dict[tuple[Any, ...], list[float | None]] = {}
    for case, phase, *read in given:
        phases.setdefault((case, *read), []).append(phase)
    done = {_as_given(_reading(r), given, phases, match) for r in measured.itertuples(index=False)}
    rows = aside[aside["reader_id"] != ""][READING].itertuples(index=False)
    put = {_as_given(_reading(r), given, phases, match) for r in rows}
    lost, twice = given - done - put, done & put
    if lost_cases or lost or twice:
        raise LostRows(
            f"the account does not balance: {len(lost_cases)} case(s) and {len(lost)} reading(s) are neither measured "
            f"nor set aside, {len(twice)} are both. First: {sorted(map(str, lost_cases | lost | twice))[:3]}"
        )
    return {
        "cases": {"in": len(all_cases), "measured": len(measured_cases), "set_aside": len(aside_cases)},
        "readings": {"in": len(given), "measured": len(given & done), "set_aside": len(given & put)},
    }


def _reading(row: Any) -> tuple[Any, ...]:
    case, phase, reader, read_no = row
    return (case, None if phase != phase else round(float(phase), 6), reader, int(read_no))


def _as_given(
    reading: tuple[Any, ...],
    given: set[tuple[Any, ...]],
    phases: dict[tuple[Any, ...], list[float | None]],
    match: PhaseMatch,
) -> tuple[Any, ...]:
    """A reading comes back with the phase of its series, which need not be the number it was given with."""
    if reading in given:
        return reading
    case, phase, *read = reading
    own = phases.get((case, *read), [])
    if None in own:
        return (case, None, *read)
    found = match.nearest(phase, own)
    return reading if found is None else (case, own[found], *read)


def _hash_files(paths: list[Path], root: Path) -> dict[str, str]:
    return {p.relative_to(root).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in paths}


def _commit() -> str | None:
    """The project's commit, where the package runs from a checkout."""
    try:
        done = subprocess.run(
            ["git", "-C", str(Path(__file__).parent), "rev-parse", "HEAD"], capture_output=True, text=True, check=True
        )
    except (OSError, subprocess.CalledProcessError):
        return None
    return done.stdout.strip()
