"""Ten questions that analysts ask of a results folder, answered in pandas, polars, DuckDB SQL and R.

The texts are pages of the handbook and the tests run them. Each runs in the results folder; `answer` is a frame, and
the same one in each language.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import yaml

LANGUAGES = {"pandas": "python", "polars": "python", "sql": "sql", "r": "r"}
"""Answers of a question, in order, and how their code is marked."""

R_READ = """\
read_table <- function(path) {
  files <- if (dir.exists(path)) list.files(path, pattern = "parquet$", full.names = TRUE) else path
  do.call(rbind, lapply(files, function(file) as.data.frame(arrow::read_parquet(file))))
}
"""
"""Begins every R script that opens a Parquet table; tables/cases.csv needs nothing but base R."""


@dataclass(frozen=True)
class Question:
    """A question with its answers, which give the same frame."""

    title: str
    pandas: str
    polars: str
    sql: str
    r: str


@cache
def questions() -> tuple[Question, ...]:
    """The questions of questions.yaml, in order."""
    text = resources.files("outflow_cohort.handbook").joinpath("questions.yaml").read_text(encoding="utf-8")
    return tuple(Question(**entry) for entry in yaml.safe_load(text))


def questions_page() -> str:
    """Markdown page of the handbook."""
    parts = [
        "# Ten questions",
        "The tables are plain Parquet and CSV: any tool opens them. The answers below run in the results folder (the "
        "one that holds `tables/`) and give the same table in Python with pandas or polars, in DuckDB "
        '(`duckdb.sql("…").df()`) and in R. Cut-offs and measures in them are examples: put your own.',
        "**Start with `tables/cases.csv`**: it has one row per case and needs no choice. In `tables/measurements`, a "
        "row is one measure, variant, method, phase, reading and plan. Choose one of each before you average; "
        "`phase_rule` is empty in the rows of a single phase.",
        "In R, `arrow` reads Parquet. Put this in front of the answers that call `read_table`:",
        f"```r\n{R_READ}```",
    ]
    for question in questions():
        parts.append(f"## {question.title}")
        parts += [f"```{mark}\n{getattr(question, name)}```" for name, mark in LANGUAGES.items()]
    return "\n\n".join(parts) + "\n"
