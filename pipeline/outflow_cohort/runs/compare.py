"""Which numbers of two runs differ, and what could be the reason: inputs, settings or versions."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import read_json

if TYPE_CHECKING:
    import pandas as pd

KEY = ["case_id", "phase_pct", "reader_id", "read_no", "plan_id", "measure", "variant", "method"]
VALUES = ["value", "std_error", "ci_low", "ci_high"]


@dataclass(frozen=True)
class Comparison:
    """Rows that differ (KEY, value of A and of B, `why`), and what differs in the records of the runs."""

    rows: pd.DataFrame
    compared: int
    settings: list[str]
    versions: list[str]
    inputs: list[str]
    commits: tuple[str | None, str | None]

    def text(self, shown: int = 20) -> str:
        """The comparison as text; the first `shown` rows."""
        lines = [f"{self.compared} numbers compared, {len(self.rows)} differ."]
        for title, names in (
            ("settings", self.settings),
            ("versions", self.versions),
            ("inputs of cases", self.inputs),
        ):
            lines.append(f"{title}: {'the same' if not names else 'different: ' + '; '.join(names[:shown])}")
        a, b = self.commits
        lines.append(f"commit: {'the same' if a == b else f'{a} and {b}'}")
        if len(self.rows):
            lines.append(self.rows.head(shown).to_string(index=False))
        return "\n".join(lines)


def compare(a: Path, b: Path) -> Comparison:
    """Compare two results folders that hold run.json and tables/measurements."""
    import numpy as np
    import pandas as pd
    import pyarrow.dataset as ds

    record_a, record_b = read_json(a / "run.json"), read_json(b / "run.json")
    settings = _differences(record_a["settings"], record_b["settings"])
    versions = _differences(record_a["versions"], record_b["versions"])
    inputs = _differences(record_a["inputs"], record_b["inputs"])
    changed = {Path(text.split(":")[0]).stem for text in inputs}
    frames = [
        ds.dataset(folder / "tables" / "measurements").to_table(columns=[*KEY, *VALUES, "status"]).to_pandas()
        for folder in (a, b)
    ]
    both = frames[0].merge(frames[1], on=KEY, how="outer", suffixes=("_a", "_b"), indicator="in")
    differ = both["in"] != "both"
    for name in VALUES:
        x, y = both[f"{name}_a"].to_numpy(float), both[f"{name}_b"].to_numpy(float)
        differ |= ~((x == y) | (np.isnan(x) & np.isnan(y)))
    differ |= both["status_a"].fillna("") != both["status_b"].fillna("")
    rows = both.loc[differ, [*KEY, "value_a", "value_b", "status_a", "status_b"]].copy()
    from outflow_cohort.study.keys import case_key

    general = [
        name
        for name, different in (
            ("settings", settings),
            ("versions", versions),
            ("commit", record_a["commit"] != record_b["commit"]),
        )
        if different
    ]
    rows["why"] = [
        ", ".join((["inputs"] if case_key(str(case)) in changed else []) + general) or "unexplained"
        for case in rows["case_id"]
    ]
    return Comparison(
        rows=pd.DataFrame(rows),
        compared=len(both),
        settings=settings,
        versions=versions,
        inputs=inputs,
        commits=(record_a["commit"], record_b["commit"]),
    )


def _differences(a: dict[str, Any], b: dict[str, Any], prefix: str = "") -> list[str]:
    """Keys whose values differ, as `key: A, B`."""
    found = []
    for key in sorted(set(a) | set(b)):
        x, y = a.get(key), b.get(key)
        if isinstance(x, dict) and isinstance(y, dict):
            found += _differences(x, y, f"{prefix}{key}.")
        elif x != y:
            short = [str(v) if len(str(v)) <= 40 else f"{str(v)[:37]}…" for v in (x, y)]
            found.append(f"{prefix}{key}: {short[0]}, {short[1]}")
    return found
