"""Five questions that analysts ask of a results folder, answered in pandas and in DuckDB SQL.

The texts stand in the handbook and are executed by the tests. Each runs in the results folder; `answer` is a frame.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Question:
    """A question with its two answers, which give the same frame."""

    title: str
    pandas: str
    sql: str


QUESTIONS = (
    Question(
        "How many cases were measured, and why were the others set aside?",
        """\
import pandas as pd

measured = pd.read_parquet("tables/measurements", columns=["case_id"])["case_id"].unique()
aside = pd.read_parquet("tables/set_aside.parquet")
lost = aside[~aside["case_id"].isin(measured)]
answer = lost.groupby("code")["case_id"].nunique().rename("cases").reset_index()
answer.loc[len(answer)] = ["measured", len(measured)]
""",
        """\
WITH measured AS (SELECT DISTINCT case_id FROM 'tables/measurements/*.parquet')
SELECT code, count(DISTINCT case_id) AS cases
FROM 'tables/set_aside.parquet'
WHERE case_id NOT IN (SELECT case_id FROM measured)
GROUP BY code
UNION ALL
SELECT 'measured', count(*) FROM measured
""",
    ),
    Question(
        "How large is the neo-LVOT at end-systole in each group?",
        """\
import pandas as pd

long = pd.read_parquet("tables/measurements")
cases = pd.read_parquet("work/cases.parquet")
chosen = long[
    (long["measure"] == "neo_lvot_area")
    & (long["variant"] == "skirt/end_systole")
    & (long["method"] == "automatic_path")
    & long["value"].notna()
]
by_case = chosen.groupby("case_id")["value"].mean().reset_index().merge(cases[["case_id", "group"]], on="case_id")
answer = by_case.groupby("group")["value"].agg(n="count", mean="mean", smallest="min").reset_index()
""",
        """\
WITH by_case AS (
    SELECT case_id, avg(value) AS value
    FROM 'tables/measurements/*.parquet'
    WHERE measure = 'neo_lvot_area' AND variant = 'skirt/end_systole' AND method = 'automatic_path'
      AND value IS NOT NULL
    GROUP BY case_id
)
SELECT "group", count(*) AS n, avg(value) AS mean, min(value) AS smallest
FROM by_case JOIN 'work/cases.parquet' USING (case_id)
GROUP BY "group"
""",
    ),
    Question(
        "Which cases fall below a cut-off in any phase, and which is the worst phase? (170 mm2: put your own)",
        """\
import pandas as pd

long = pd.read_parquet("tables/measurements")
chosen = long[
    (long["measure"] == "neo_lvot_area")
    & (long["variant"] == "skirt")
    & (long["method"] == "automatic_path")
    & (long["value"] < 170)
]
worst = chosen.sort_values(["value", "phase_pct"]).drop_duplicates("case_id")
answer = worst[["case_id", "phase_pct", "value"]].sort_values("case_id")
""",
        """\
SELECT case_id, phase_pct, value
FROM 'tables/measurements/*.parquet'
WHERE measure = 'neo_lvot_area' AND variant = 'skirt' AND method = 'automatic_path' AND value < 170
QUALIFY row_number() OVER (PARTITION BY case_id ORDER BY value, phase_pct) = 1
ORDER BY case_id
""",
    ),
    Question(
        "How far apart are two readers of the same image? (first reads, mitral area)",
        """\
import pandas as pd

long = pd.read_parquet("tables/measurements")
first = long[
    (long["measure"] == "mitral_area") & (long["variant"] == "spline") & (long["read_no"] == 1) & long["value"].notna()
][["case_id", "phase_pct", "reader_id", "value"]]
pairs = first.merge(first, on=["case_id", "phase_pct"], suffixes=("_a", "_b"))
pairs = pairs[pairs["reader_id_a"] < pairs["reader_id_b"]]
pairs["difference"] = pairs["value_a"] - pairs["value_b"]
grouped = pairs.groupby(["reader_id_a", "reader_id_b"])["difference"]
answer = grouped.agg(n="count", mean="mean", sd="std").reset_index()
""",
        """\
WITH first AS (
    SELECT case_id, phase_pct, reader_id, value
    FROM 'tables/measurements/*.parquet'
    WHERE measure = 'mitral_area' AND variant = 'spline' AND read_no = 1 AND value IS NOT NULL
)
SELECT a.reader_id AS reader_id_a, b.reader_id AS reader_id_b, count(*) AS n,
       avg(a.value - b.value) AS mean, stddev_samp(a.value - b.value) AS sd
FROM first AS a JOIN first AS b USING (case_id, phase_pct)
WHERE a.reader_id < b.reader_id
GROUP BY ALL
""",
    ),
    Question(
        "Where along the outflow path does the device narrow it most? (share of the native section left)",
        """\
import pandas as pd

curves = pd.read_parquet("tables/curves")
chosen = curves[
    (curves["variant"] == "skirt") & (curves["method"] == "automatic_path") & (curves["native_area_mm2"] > 0)
]
reading = ["case_id", "phase_pct", "reader_id", "read_no", "plan_id"]
left = chosen.assign(left=chosen["area_mm2"] / chosen["native_area_mm2"])
answer = left.sort_values(["left", "station_mm"]).drop_duplicates(reading)[[*reading, "station_mm", "left"]]
""",
        """\
SELECT case_id, phase_pct, reader_id, read_no, plan_id, station_mm, area_mm2 / native_area_mm2 AS "left"
FROM 'tables/curves/*.parquet'
WHERE variant = 'skirt' AND method = 'automatic_path' AND native_area_mm2 > 0
QUALIFY row_number() OVER (
    PARTITION BY case_id, phase_pct, reader_id, read_no, plan_id ORDER BY "left", station_mm
) = 1
""",
    ),
)

R_READ = """\
parts <- list.files("tables/measurements", pattern = "parquet$", full.names = TRUE)
long <- do.call(rbind, lapply(parts, arrow::read_parquet))
cases <- arrow::read_parquet("work/cases.parquet")
"""
R_ANSWER = """\
chosen <- subset(long, measure == "neo_lvot_area" & variant == "skirt/end_systole" &
                       method == "automatic_path" & !is.na(value))
by_case <- aggregate(value ~ case_id, data = chosen, FUN = mean)
by_case <- merge(by_case, cases[, c("case_id", "group")], by = "case_id")
answer <- aggregate(value ~ group, data = by_case,
                    FUN = function(v) c(n = length(v), mean = mean(v), smallest = min(v)))
answer <- do.call(data.frame, answer)
"""
"""The second question in R: arrow reads the tables, base R does the rest."""


def questions_page() -> str:
    """Markdown page of the handbook."""
    parts = [
        "# Five questions",
        "The tables are plain Parquet: any tool opens them. The answers below run in the results folder (the one that "
        'holds `tables/`), in Python with pandas or in DuckDB (`duckdb.sql("…").df()`), and give the same table. Each '
        "table has a Frictionless Table Schema beside it; `outflow-cohort wide RESULTS --output wide.csv` gives one "
        "row a reading and plan. In a table of many cases, several plans, readers or phases are separate rows: choose "
        "before you average.",
    ]
    for place, question in enumerate(QUESTIONS):
        parts += [f"## {question.title}", f"```python\n{question.pandas}```", f"```sql\n{question.sql}```"]
        if place == 1:
            parts += ["The same in R, whose package arrow reads Parquet:", f"```r\n{R_READ}{R_ANSWER}```"]
    return "\n\n".join(parts) + "\n"
