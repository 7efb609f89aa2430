"""Checklist for reports of reliability and agreement, filled as far as the facts of a study allow.

Source: Kottner et al. 2011, Guidelines for Reporting Reliability and Agreement Studies (GRRAS), J Clin Epidemiol 64:96.
The items are worded by this project.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

SOURCE = "Kottner et al. 2011 J Clin Epidemiol 64:96"
NOT_TOLD = "not stated by the study; to be written by its authors"


@dataclass(frozen=True)
class GrrasItem:
    """One item: number, section of the paper, what is to be reported, key of the fact that fills it."""

    number: int
    section: str
    text: str
    key: str


ITEMS = (
    GrrasItem(1, "title and abstract", "say that reliability or agreement was investigated", "title"),
    GrrasItem(2, "introduction", "name and describe the measuring instrument", "instrument"),
    GrrasItem(3, "introduction", "specify the population of subjects", "subjects"),
    GrrasItem(4, "introduction", "specify the population of readers", "readers"),
    GrrasItem(5, "introduction", "what is known already and why this study", "rationale"),
    GrrasItem(6, "methods", "how the numbers of cases, readers and repeated reads were chosen", "sample_size"),
    GrrasItem(7, "methods", "how cases and readers were sampled", "sampling"),
    GrrasItem(8, "methods", "how readings went: interval, information available, blinding", "process"),
    GrrasItem(9, "methods", "whether readings were independent of each other", "independence"),
    GrrasItem(10, "methods", "statistical analysis", "statistics"),
    GrrasItem(11, "results", "actual numbers of cases, readers and repeated reads", "numbers"),
    GrrasItem(12, "results", "characteristics of cases and readers", "characteristics"),
    GrrasItem(13, "results", "estimates of reliability and agreement with their uncertainty", "estimates"),
    GrrasItem(14, "discussion", "practical relevance of the results", "relevance"),
    GrrasItem(15, "auxiliary material", "detailed results, also on line", "detail"),
)
INSTRUMENT = (
    "batch measurement of computed tomography landmarks; every measure with its definition in the data dictionary"
)
DETAIL = "the tables of this run, as Parquet and CSV, with a data dictionary"


def grras_checklist(
    readings: pd.DataFrame,
    agreement: pd.DataFrame | None = None,
    *,
    facts: Mapping[str, str] | None = None,
    more: Mapping[str, str] | None = None,
    case: str = "case_id",
    reader: str = "reader_id",
    read: str = "read_no",
) -> pd.DataFrame:
    """The fifteen GRRAS items, each with what this study can say about it.

    readings : one row per reading (several measures may share it); counts come from it.
    agreement : result of `agreement_table`, for items 10 and 13.
    more : further facts of the run by item key (subjects, characteristics ...).
    facts : text by item key (title, instrument, subjects, readers, rationale, sample_size, sampling, process,
        independence, statistics, numbers, characteristics, estimates, relevance, detail); comes before what is found.

    Returns rows item, section, text, answer, filled (bool), answered_by (study, run or nobody), source. Raises
    ValueError for an unknown key of facts.

    Two invented cases, each read by two readers; item 11 counts them:

    >>> import pandas as pd
    >>> readings = pd.DataFrame({"case_id": ["a", "a", "b", "b"], "reader_id": ["A", "B"] * 2, "read_no": 1})
    >>> found = grras_checklist(readings, facts={"title": "Invented study"})
    >>> len(found), found.loc[10, "answer"].split(",")[0]
    (15, '2 cases')
    """
    import pandas as pd

    stated = {key: text.strip() for key, text in (facts or {}).items() if text.strip()}
    unknown = sorted(set(stated) - {item.key for item in ITEMS})
    if unknown:
        raise ValueError(f"facts has {unknown}; the keys are {[item.key for item in ITEMS]}")
    found = dict(more or {}) | {
        "instrument": INSTRUMENT,
        "detail": DETAIL,
        "numbers": _numbers(readings, case, reader, read),
    }
    if agreement is not None and len(agreement):
        found |= {"statistics": _statistics(agreement), "estimates": _estimates(agreement)}
    rows = []
    for item in ITEMS:
        by = "study" if item.key in stated else "run" if item.key in found else "nobody"
        parts = [text for text in (stated.get(item.key), found.get(item.key)) if text]
        rows.append(
            {
                "item": item.number,
                "section": item.section,
                "text": item.text,
                "answer": " ".join(parts) or NOT_TOLD,
                "filled": bool(parts),
                "answered_by": by,
                "source": SOURCE,
            }
        )
    return pd.DataFrame(rows)


def _numbers(readings: pd.DataFrame, case: str, reader: str, read: str) -> str:
    keys = [column for column in (case, reader, read) if column in readings.columns]
    distinct = readings[keys].dropna(subset=[case, reader]).drop_duplicates()
    by_reader = distinct.groupby(reader, sort=True)[case].nunique()
    text = f"{distinct[case].nunique()} cases, {len(by_reader)} readers"
    if len(by_reader):
        text += f", {by_reader.min()} to {by_reader.max()} cases per reader"
    if read in distinct.columns and len(distinct):
        repeated = distinct.groupby([case, reader], sort=True).size()
        text += f", {int((repeated > 1).sum())} of {len(repeated)} case-reader pairs read more than once"
    return text + "."


def _statistics(agreement: pd.DataFrame) -> str:
    sources = sorted({part for text in agreement["source"] for part in text.split("; ")})
    return (
        "Readers and cases random and crossed, components by restricted maximum likelihood from all readings; "
        "one phase per case in each analysis. Methods: " + "; ".join(sources) + "."
    )


def _estimates(agreement: pd.DataFrame) -> str:
    single = agreement[(agreement["statistic"] == "icc_a_1") & (agreement["phase_rule"] == "one_per_case")]
    values = single["estimate"].to_numpy(np.float64)
    usable = values[np.isfinite(values)]
    text = "Tables agreement and agreement_detail: estimates with 95 % intervals."
    if len(usable):
        text += (
            f" ICC(A,1) from {usable.min():.2f} to {usable.max():.2f} (median {np.median(usable):.2f}) over all "
            "measures, variants, methods and plans."
        )
    return text
