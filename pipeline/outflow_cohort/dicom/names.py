"""Frequent given names and surnames, to distinguish a name from a code or a word in free text (identity_words.csv).

Common practice, no source: frequent names of several languages, without those that are also everyday, technical or
anatomical words. A name that is not listed is still caught where it is in a person-name attribute, beside a
title, or with a caret between its parts; the list only widens the net.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources


@cache
def words(kind: str) -> frozenset[str]:
    """Lower-case words of one kind: given_name, surname, placeholder (in place of an identity),
    clinical, column (name of a table's column)."""
    text = resources.files("outflow_cohort.dicom").joinpath("identity_words.csv").read_text(encoding="utf-8")
    return frozenset(row["word"] for row in csv.DictReader(text.splitlines()) if row["kind"] == kind)
