"""File-safe keys of cases; light, since the workflow imports it at every parse."""

from __future__ import annotations

import csv
import hashlib
import re
from pathlib import Path

SAFE_KEY = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9_-]{0,62}[A-Za-z0-9])?")
"""A case_id of this form is its own key; any other gets a slug and a hash, so that no path, quote or brace
of a table reaches a file name or a shell."""


def case_key(case_id: str) -> str:
    """Return the key of `case_id` used in file names and workflow wildcards (letters, digits, - and _)."""
    if SAFE_KEY.fullmatch(case_id):
        return case_id
    slug = re.sub(r"[^A-Za-z0-9]+", "-", case_id).strip("-")[:32] or "case"
    return f"{slug}-{hashlib.sha256(case_id.encode('utf-8')).hexdigest()[:10]}"


def read_case_keys(cases: Path) -> list[str]:
    """Keys of all rows of `cases` (a CSV with a case_id column), sorted; empty where it cannot be read.

    Reading errors are the business of the study check, which reports them.
    """
    try:
        with cases.open(newline="", encoding="utf-8-sig") as handle:
            rows = csv.DictReader(handle)
            return sorted({case_key(row["case_id"].strip()) for row in rows if (row.get("case_id") or "").strip()})
    except (OSError, KeyError, UnicodeDecodeError, csv.Error):
        return []
