"""The tables of a paper from the tables of a run: text cells, footnotes and abbreviations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from outflow_cohort.paper.rounding import decimals_for, rounded, shown_decimals
from outflow_cohort.report.asked import doubted_cases
from outflow_cohort.report.charts_agreement import headline_rows
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.headline import of_headline_plan
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.numbers import MISSING, estimate, is_number, number, unit_text
from outflow_cohort.report.outcome_tables import baseline_overview
from outflow_cohort.report.statistic_tables import p_text
from outflow_cohort.report.wording import measure_title, method_text, words

ABBREVIATIONS = {
    "AUC": "area under the receiver operating characteristic curve",
    "BSA": "body surface area",
    "CI": "confidence interval",
    "ICC": "intraclass correlation coefficient",
    "LV": "left ventricle",
    "LVOT": "left ventricular outflow tract",
    "SD": "standard deviation",
}
RESEARCH = "For research only, not for treating a patient."
FEWEST_FOR_INTERVAL = 5
"""Cases of which an interval of the mean is printed: of fewer it says little (common practice, no source)."""
MODEL_STATISTICS = {
    "auc": "AUC",
    "model_odds_ratio_per_sd": "Odds ratio per SD (penalised logistic model)",
    "model_auc_corrected": "AUC of the model, corrected for optimism",
}


@dataclass(frozen=True)
class PaperTable:
    """A table with its caption; notes come below it. `name` is the file name without ending."""

    name: str
    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()

    @property
    def footnotes(self) -> tuple[str, ...]:
        """Notes, then the abbreviations that the table uses, in alphabetical order."""
        text = " ".join((self.title, *self.header, *(c for row in self.rows for c in row), *self.notes))
        tokens = set(text.replace("-", " ").replace("(", " ").replace(")", " ").replace(",", " ").split())
        used = [f"{short}, {long}" for short, long in sorted(ABBREVIATIONS.items()) if short in tokens]
        return (*self.notes, *(["Abbreviations: " + "; ".join(used) + "."] if used else []))


def paper_tables(cohort: Cohort) -> list[PaperTable]:
    """Table 1, measures by group, agreement, cut-offs and outcomes: those that the run has."""
    found = [baseline(cohort), measures(cohort), agreement(cohort), cutoffs(cohort), outcomes(cohort)]
    return [t for t in found if t is not None]


def baseline(cohort: Cohort) -> PaperTable | None:
    """Table 1: case facts by group."""
    table = baseline_overview(cohort)
    if table is None:
        return None
    note = (
        "Median (quartiles) or number (share of the cases with a value). The standardised difference is the largest of "
        "any two groups."
    )
    return PaperTable("table_1_baseline", "Case facts by group", table.header, table.rows, (note,))


def measures(cohort: Cohort) -> PaperTable | None:
    """The primary measures by group: number of cases and mean with 95 % CI."""
    frame = cohort.table("cohort_summary")
    if not has(frame, ["group", "phase_pct", "measure", "variant", "method", "plan_id", "n", "mean", "sd"]):
        return None
    frame = frame[frame["phase_pct"].isna()]
    groups = ["all", *(g for g in cohort.group_names if len(cohort.group_names) > 1)]
    lines = []
    for measure, variant, method, rows in _primary_rows(cohort, frame):
        by_group = {str(r["group"]): r for r in rows.to_dict("records")}
        cells = [_mean_cell(by_group.get(g)) for g in groups]
        unit = str(rows["unit"].iloc[0])
        title = f"{measure_title(measure, variant)}, {unit_text(unit)}".rstrip(", ")
        lines.append((title, method_text(method), *cells))
    if not lines:
        return None
    header = ("Measure", "From", *(words(g).capitalize() for g in groups))
    notes = (
        f"Cells: mean (95 % CI) [n]. One value per case: {cohort.rules_text}.",
        f"With fewer than {FEWEST_FOR_INTERVAL} cases, the smallest and largest value [n]. Digits follow the width of "
        "the interval.",
        *doubt_notes(cohort),
    )
    return PaperTable("table_2_measures", "Measures by group", header, tuple(lines), notes)


def agreement(cohort: Cohort) -> PaperTable | None:
    """Agreement of readers in the primary measures."""
    frame = headline_rows(cohort.table("agreement"))
    if not has(frame, ["measure", "variant", "method", "plan_id", "statistic", "comparison", "estimate", "unit"]):
        return None
    lines = []
    for measure, variant, _, rows in _primary_rows(cohort, frame):
        own = {s: of_all_readers(rows, s) for s in ("icc_a_1", "icc_intra_single", "rdc", "loa_lower", "loa_upper")}
        if own["icc_a_1"] is None:
            continue
        rdc = own["rdc"]
        unit = str(rdc["unit"]) if rdc is not None else ""
        lines.append(
            (
                f"{measure_title(measure, variant)}, {unit_text(unit)}".rstrip(", "),
                f"{number(own['icc_a_1']['n_cases'], digits=0)} / {number(own['icc_a_1']['n_readers'], digits=0)}",
                _icc(own["icc_a_1"]), _icc(own["icc_intra_single"]), _limits(own), _estimate(rdc),
            )
        )  # fmt: skip
    if not lines:
        return None
    header = ("Measure", "Cases / readers", "ICC between readers", "ICC within a reader", "Limits of agreement",
              "Reproducibility coefficient")  # fmt: skip
    notes = (
        "Estimate (95 % CI). ICC between readers: absolute agreement of single readings, readers random, ICC(A,1).",
        "Limits of agreement and reproducibility coefficient: two single readings by different readers, in the unit of "
        "the measure.",
    )
    return PaperTable("table_3_agreement", "Agreement of readers", header, tuple(lines), notes)


def cutoffs(cohort: Cohort) -> PaperTable | None:
    """Cases below each cut-off, by group."""
    frame = cohort.table("cutoffs")
    if not has(frame, ["cutoff", "group", "n", "n_below", "estimate", "variant", "method", "plan_id"]):
        return None
    _, variant, method = cohort.variant_of("neo_lvot_area")
    mine = of_headline_plan(frame[(frame["variant"] == variant) & (frame["method"] == method)])
    lines, sources = [], []
    for _, rows in mine.groupby("cutoff", sort=True):
        for r in sorted(rows.to_dict("records"), key=lambda r: (r["group"] != "all", r["group"])):
            if not r["n"]:
                continue
            ends = [100 * float(r[c]) if is_number(r[c]) else None for c in ("estimate", "ci_low", "ci_high")]
            name = f"{number(r['cutoff'], 'mm2')} mm²"
            lines.append((name, words(r["group"]).capitalize(), f"{int(r['n_below'])} / {int(r['n'])}", rounded(*ends)))
        first = rows.iloc[0]
        known = f", n {first['cutoff_n']}" if str(first.get("cutoff_n") or "").strip() else ""
        source = f"{first.get('cutoff_endpoint') or 'no endpoint stated'}{known}; {first.get('cutoff_source') or ''}"
        sources.append(f"{number(first['cutoff'], 'mm2')} mm²: {source.rstrip('; ')}.")
    if not lines:
        return None
    title = f"Cases below cut-offs of the neo-LVOT area ({variant.replace('_', ' ')}, {method_text(method)})"
    header = ("Cut-off", "Group", "Below / cases", "Share, % (95 % CI)")
    return PaperTable("table_4_cutoffs", title, header, tuple(lines), (*sources, *doubt_notes(cohort)))


def doubt_notes(cohort: Cohort) -> tuple[str, ...]:
    """A footnote on the cases that do not count; none where all do."""
    named = doubted_cases(cohort)
    return (named,) if named else ()


def outcomes(cohort: Cohort) -> PaperTable | None:
    """How the primary measures go with the outcomes: AUC and model."""
    frame = cohort.table("endpoints")
    if not has(frame, ["outcome", "measure", "variant", "method", "plan_id", "statistic", "estimate", "n", "n_events"]):
        return None
    frame = frame[frame["statistic"].isin(MODEL_STATISTICS) & frame["estimate"].notna()]
    lines, few = [], False
    for measure, variant, _, rows in _primary_rows(cohort, frame):
        for r in rows.to_dict("records"):
            few |= bool(r.get("warning"))
            mark = " *" if r.get("warning") else ""
            lines.append(
                (
                    column_label(cohort.statistics, str(r["outcome"])), measure_title(measure, variant),
                    MODEL_STATISTICS[r["statistic"]], f"{number(r['n_events'], digits=0)} / {number(r['n'], digits=0)}",
                    rounded(r["estimate"], r.get("ci_low"), r.get("ci_high")) + mark, p_text(r.get("p_value")),
                )
            )  # fmt: skip
    if not lines:
        return None
    notes = ("* Few events or non-events: do not rely on the figure.",) if few else ()
    header = ("Outcome", "Measure", "Statistic", "Events / cases", "Estimate (95 % CI)", "p")
    return PaperTable("table_5_outcomes", "Measures and outcomes", header, tuple(lines), notes)


def _primary_rows(cohort: Cohort, frame: pd.DataFrame) -> list[tuple[str, str, str, pd.DataFrame]]:
    """Measure, variant, method and rows of each primary measure that the table has, in the order of the settings."""
    found = []
    for spec in cohort.settings.primary_measures:
        measure, variant, method = cohort.variant_of(spec)
        mine = frame[
            (frame["measure"] == measure) & (frame["variant"].fillna("") == variant) & (frame["method"] == method)
        ]
        mine = of_headline_plan(mine)
        if len(mine):
            found.append((measure, variant, method, mine))
    return found


def _mean_cell(row: dict[str, Any] | None) -> str:
    if row is None or not is_number(row["mean"]):
        return MISSING
    cases = number(row["n"], digits=0)
    if row["n"] >= FEWEST_FOR_INTERVAL:
        return f"{rounded(row['mean'], row['ci_low'], row['ci_high'])} [{cases}]"
    digits = decimals_for(float(row["minimum"]), float(row["maximum"])) if row["n"] > 1 else None
    ends = [number(row[c], str(row["unit"]), digits) for c in ("minimum", "maximum")]
    return f"{' to '.join(dict.fromkeys(ends))} [{cases}]"


def of_all_readers(rows: pd.DataFrame, statistic: str) -> pd.Series | None:
    """The row of one statistic for all readers, else of the comparison that has it; None where there is none."""
    mine = rows[(rows["statistic"] == statistic) & rows["estimate"].notna()]
    both = mine[mine["comparison"] == "all_readers"]
    mine = both if len(both) else mine
    return mine.iloc[0] if len(mine) else None


def _estimate(row: pd.Series | None) -> str:
    return MISSING if row is None else rounded(row["estimate"], row.get("ci_low"), row.get("ci_high"))


def _icc(row: pd.Series | None) -> str:
    """A coefficient with two decimals: fewer hide what an ICC is read for, more nobody reads."""
    if row is None:
        return MISSING
    return estimate(row["estimate"], row.get("ci_low"), row.get("ci_high"), digits=2)


def _limits(own: dict[str, pd.Series | None]) -> str:
    low, high = own["loa_lower"], own["loa_upper"]
    if low is None or high is None:
        return MISSING
    ends: Sequence[float] = (float(low["estimate"]), float(high["estimate"]))
    width = high.get("ci_high"), high.get("ci_low")
    known = all(is_number(w) for w in width)
    digits = decimals_for(float(width[1]), float(width[0])) if known else decimals_for(*ends)
    digits = shown_decimals(max(ends, key=abs), digits)
    return " to ".join(number(e, digits=digits) for e in ends)
