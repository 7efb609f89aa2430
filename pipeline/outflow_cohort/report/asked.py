"""What the study asked, first on the cohort report: primary measures, their agreement, cut-offs, cases to look at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.dataset as ds

from outflow_cohort.datasets import count_rows_by
from outflow_cohort.report.charts_agreement import headline_rows
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.headline import first_plans, of_headline_plan
from outflow_cohort.report.numbers import (
    MISSING,
    count,
    difference_digits,
    estimate,
    is_number,
    number,
    phase_text,
    unit_text,
    with_unit,
)  # fmt: skip
from outflow_cohort.report.page import Table, table_of
from outflow_cohort.report.primary import NOT_MEASURED, PrimaryValue, leading
from outflow_cohort.report.triage import Triage, codes_of, cohort_triage, named, title
from outflow_cohort.report.wording import measure_title, method_text, registry, words
from outflow_cohort.study.findings import ALL_CASES, OF_THE_STUDY
from outflow_cohort.study.status_codes import status_code

MOST_CASES = 3
"""Cases named as those that most deserve a look."""
MOST_NAMED = 12
"""Cases in doubt named in a sentence."""
WIDE_SHARE = 0.25
"""Readers whose values differ by more than this share of the mean make a case worth a look (common practice, no
source)."""


@dataclass(frozen=True)
class LookAt:
    """A case that deserves a look, and why, in words."""

    case_id: str
    href: str
    reasons: tuple[str, ...]


def primary_by_group(cohort: Cohort) -> Table | None:
    """A line per primary measure with a value: cases, then median and quartiles of all and of each group."""
    groups = cohort.group_names if len(cohort.group_names) > 1 else []
    lines = []
    for place, spec in enumerate(cohort.settings.primary_measures):
        own = [values[place] for values in cohort.primary.values() if values]
        found = [v for v in own if v.value is not None]
        if not found:
            continue
        method = _most(v.method for v in found)
        same = [v for v in found if v.method == method]
        by_group: dict[str, list[float]] = {}
        for v in same:
            by_group.setdefault(str(cohort.groups.get(v.case_id, "")), []).append(float(v.value or 0.0))
        unit = same[0].unit
        cells = [_quartiles([float(v.value or 0.0) for v in same], unit)]
        cells += [_quartiles(by_group.get(g, []), unit) for g in groups]
        entry = registry().get(same[0].measure)
        by = f" ({method_text(method)})" if entry is not None and len(entry.methods) > 1 else ""
        named = measure_title(spec.partition("/")[0], same[0].variant) + by
        doubted = sum(v.value is None and v.doubted is not None for v in own)
        lines.append((named, unit_text(unit), f"{len(same)}", f"{doubted or MISSING}", *cells))
    if not lines:
        return None
    header = ("Measure", "Unit", "Cases", "In doubt", "All", *(words(g).capitalize() for g in groups))
    note = "Median (quartiles) over cases; with fewer than four cases, their values."
    if all(line[3] == MISSING for line in lines):
        header, lines = (*header[:3], *header[4:]), [(*line[:3], *line[4:]) for line in lines]
    else:
        note += " In doubt: cases measured whose value may be wrong by its status, so that it does not count here."
    return table_of(header, lines, note)


def in_doubt(cohort: Cohort) -> str:
    """Sentences on the cases whose first primary measure is in doubt, with the value; empty where none is."""
    named = doubted_cases(cohort)
    advice = "Look at these before you read a median or a share: they may be those with least room."
    return f"{named} {advice}" if named else ""


def doubted_cases(cohort: Cohort) -> str:
    """A sentence that names the cases whose first primary measure is in doubt, with the value; empty where none is."""
    first = [own[0] for own in cohort.primary.values() if own]
    named = [
        f"{v.case_id} ({number(v.doubted, v.unit)}, {words(v.doubt)})"
        for v in first if v.value is None and v.doubted is not None
    ]  # fmt: skip
    if not named:
        return ""
    name, unit = measure_title(first[0].measure), unit_text(first[0].unit)
    more = f" and {len(named) - MOST_NAMED} more" if len(named) > MOST_NAMED else ""
    return f"Not counted, as the {name} may be wrong ({unit}): {', '.join(named[:MOST_NAMED])}{more}."


def left_out_by_status(cohort: Cohort) -> Table | None:
    """Cases with measured values that the statistics leave out, by status; None where none is left out."""
    folder = cohort.results / "tables" / "measurements"
    if not len(cohort.measured):
        return None
    unused = ~ds.field("status").isin(list(cohort.statistics.usable_statuses)) & ds.field("value").is_valid()
    found = count_rows_by(folder, ["status", "case_id"], unused)
    if not len(found):
        return None
    by_status = {str(code): sorted(map(str, part["case_id"])) for code, part in found.groupby("status")}
    lines = [(title(code), named(cases, "case"), status_code(code).meaning)
             for code, cases in sorted(by_status.items(), key=lambda item: -len(item[1]))]  # fmt: skip
    note = (
        "Of all measures, readings, plans and phases. `statistics.usable_statuses` in study.yaml says which statuses "
        "count."
    )
    return table_of(("Status", "Cases with such values", "Why"), lines, note)


def first_by_phase(cohort: Cohort) -> Table | None:
    """The first primary measure by group and phase, median and number of cases; None with fewer than two phases."""
    spec = cohort.settings.primary_measures[0]
    frame = cohort.phase_values(spec)
    if not len(frame) or frame["phase_pct"].nunique() < 2:
        return None
    unit = str(frame["unit"].iloc[0])
    phases = sorted(frame["phase_pct"].unique())
    lines = []
    for group, part in frame.groupby("group", sort=True):
        cells = []
        for phase in phases:
            values = part.loc[part["phase_pct"] == phase, "value"]
            cells.append(f"{number(values.median(), unit)} (n {len(values)})" if len(values) else MISSING)
        lines.append((words(str(group)).capitalize(), *cells))
    measure, variant, method = cohort.variant_of(spec)
    caption = f"{measure_title(measure, variant)} by phase, {unit_text(unit)}: median over cases, {method_text(method)}"
    note = "n: cases whose value counts; a phase whose value is in doubt, or missing, is left out."
    return table_of(("Group", *(phase_text(p) for p in phases)), lines, note, caption)


def agreement_of_primary(cohort: Cohort) -> Table | None:
    """A line per primary measure: ICC between readers, bias-free limits of agreement in its unit, repeatability."""
    rows = headline_rows(cohort.table("agreement"))
    if not has(rows, ["measure", "variant", "method", "plan_id", "statistic", "comparison", "estimate"]):
        return None
    lines = []
    for spec in cohort.settings.primary_measures:
        measure, variant, method = cohort.variant_of(spec)
        mine = rows[(rows["measure"] == measure) & (rows["variant"] == variant) & (rows["method"] == method)]
        mine = of_headline_plan(mine)
        own = mine.loc[mine["statistic"] == "rdc", "unit"]
        unit = str(own.iloc[0]) if len(own) else "1"
        icc = _statistic(mine, "icc_a_1", 2)
        if icc == MISSING:
            continue
        first = mine.iloc[0]
        lines.append(
            (measure_title(measure, variant), number(first["n_cases"], digits=0), number(first["n_readers"], digits=0),
             icc, _limits(mine, unit), _statistic(mine, "rdc", difference_digits(unit)), unit_text(unit))
        )  # fmt: skip
    if not lines:
        return None
    header = ("Measure", "Cases", "Readers", "ICC(A,1) (95 %)", "Limits of agreement", "Reproducibility", "Unit")
    note = "Limits of agreement of two single readings by different readers; every measure is in the table below."
    return table_of(header, lines, note)


def rows_of_primary(cohort: Cohort, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of a table of statistics that belong to the primary measures."""
    if not has(rows, ["measure", "variant"]):
        return rows
    wanted = {cohort.variant_of(spec)[:2] for spec in cohort.settings.primary_measures}
    kept = [pair in wanted for pair in zip(rows["measure"], rows["variant"].fillna(""), strict=True)]
    return rows[kept]


def below_cutoffs(cohort: Cohort) -> list[str]:
    """A sentence per cut-off: how many cases of all groups fall below it."""
    frame = cohort.table("cutoffs")
    if not has(frame, ["cutoff", "group", "n", "n_below", "estimate", "variant", "method"]):
        return []
    _, variant, method = cohort.variant_of("neo_lvot_area")
    mine = frame[(frame["group"] == "all") & (frame["variant"] == variant) & (frame["method"] == method)]
    mine = of_headline_plan(mine)
    texts = []
    for r in mine.to_dict("records"):
        if not is_number(r["n_below"]) or not r["n"]:
            continue
        low, high = (number(100 * float(r[name]), digits=0) for name in ("ci_low", "ci_high"))
        share = f": {number(100 * float(r['estimate']), digits=0)} % ({low} to {high} %)" if r["n"] else ""
        where = "at or below" if r.get("rule") == "at_or_below" else "below"
        known = f"; {r['cutoff_n']} patients" if str(r.get("cutoff_n") or "").strip() else ""
        endpoint = f". Endpoint: {r['cutoff_endpoint']}{known}" if r.get("cutoff_endpoint") else ""
        texts.append(
            f"{int(r['n_below'])} of {int(r['n'])} cases {where} {with_unit(r['cutoff'], 'mm2')}{share}{endpoint}."
        )
    return texts


def cases_to_look_at(cohort: Cohort, hrefs: Mapping[str, str]) -> list[LookAt]:
    """At most MOST_CASES cases: a number that may be wrong first, then an open cut-off, then readers far apart."""
    cutoffs = [float(c["area_mm2"]) for c in cohort.study.get("cutoff_table") or [] if is_number(c.get("area_mm2"))]
    scored = []
    for case, values in cohort.primary.items():
        reasons, score = _reasons(values, cutoffs)
        if reasons:
            scored.append((-score, case, reasons))
    return [LookAt(case, hrefs.get(case, ""), tuple(reasons)) for _, case, reasons in sorted(scored)[:MOST_CASES]]


def findings(cohort: Cohort) -> Triage:
    """What of the whole cohort must be acted on, should be known, or is a note."""
    first: list[tuple[str, str, str]] = []
    others: list[tuple[str, str, str]] = []
    if len(cohort.measured):
        leads = {case: leading(own, cohort.statistics.curve_step_pct) for case, own in cohort.primary.items()}
        names = ["status", "measure", "case_id", "variant", "method", "phase_pct", "plan_id"]
        found: list[tuple[str, str, str, str]] = []
        counted = count_rows_by(cohort.results / "tables" / "measurements", names, ds.field("status") != "ok")
        for status, measure, case, variant, method, phase, plan in counted[names].itertuples(index=False):
            own = leads.get(str(case))
            at = None if pd.isna(phase) else float(phase)
            held = own is not None and own.holds(str(measure), str(variant or ""), str(method or ""), at)
            if held:
                found.append((str(status), str(measure), str(case), str(plan or "")))
            else:
                others.append((str(status), str(measure), str(case)))
        first = with_plans_named(found, first_plans(counted))
    series = []
    if has(cohort.series, ["verdict", "reason_codes", "case_id"]):
        for case, cell in cohort.series[["case_id", "reason_codes"]].itertuples(index=False):
            series += [(code, str(case)) for code in codes_of(cell)]
    aside = []
    if has(cohort.set_aside, ["case_id", "code"]):
        aside = [(str(code), str(case)) for case, code in cohort.set_aside[["case_id", "code"]].itertuples(index=False)]
    return cohort_triage(first, others, series, aside, _of_the_study(cohort))


def with_plans_named(
    found: Sequence[tuple[str, str, str, str]], plans: Mapping[str, str]
) -> list[tuple[str, str, str]]:
    """(status, measure, case): a case where only further plans have the status is named with these, as `D07 (P2)`.

    plans : the plan that comes first, by case.
    """
    own: dict[tuple[str, str], set[str]] = {}
    for status, _, case, plan in found:
        own.setdefault((status, case), set()).add(plan)
    named_case = {}
    for (status, case), of in own.items():
        further = not of & {"", plans.get(case, "")}
        named_case[status, case] = f"{case} ({', '.join(sorted(of))})" if further else case
    return [(status, measure, named_case[status, case]) for status, measure, case, _ in found]


def _of_the_study(cohort: Cohort) -> list[tuple[str, str]]:
    """Code and case (of a drift the reader) of what only the whole study shows of its landmarks."""
    path = cohort.results / "tables" / "landmark_findings.parquet"
    if not path.exists():
        return []
    frame = pd.read_parquet(path, columns=["code", "case_id", "reader_id"])
    frame = frame[frame["code"].isin(OF_THE_STUDY)]
    return [
        (str(code), f"reader {reader}" if case == ALL_CASES else f"case {case}")
        for code, case, reader in frame[["code", "case_id", "reader_id"]].itertuples(index=False)
    ]


def _reasons(values: Sequence[PrimaryValue], cutoffs: Sequence[float]) -> tuple[list[str], float]:
    seen: dict[str, list[str]] = {}
    score = 0.0
    for place, v in enumerate(values):
        if v.value is None and v.doubted is not None:
            seen.setdefault(v.doubt, []).append(f"{measure_title(v.measure)} {with_unit(v.doubted, v.unit)}")
            score += 1000.0 / (1 + place)
        elif v.n_doubted and place == 0:
            seen.setdefault(v.doubt, []).append(
                f"{measure_title(v.measure)} of {v.n_doubted} of {v.n_doubted + v.n_readings} readers"
            )
            score += 50.0
        elif v.value is None and v.status not in ("ok", "", NOT_MEASURED) and status_code(v.status).level == "act":
            seen.setdefault(v.status, []).append(f"{measure_title(v.measure)} missing")
            score += 1000.0 / (1 + place)
    reasons: dict[str, None] = {f"{title(code)}: {', '.join(of[:MOST_CASES])}": None for code, of in seen.items()}
    first = values[0] if values else None
    if first is None:
        return list(reasons), score
    if first.value is None:
        if first.doubted is not None and first.measure == "neo_lvot_area":
            score += max(500.0 - first.doubted, 0.0)  # the tightest first
        return list(reasons), score
    unit = first.unit
    name = measure_title(first.measure)
    held = [c for c in cutoffs if first.measure == "neo_lvot_area" and first.low is not None and first.high is not None
            and first.low < c < first.high]  # fmt: skip
    if held:
        shown = f"{estimate(first.value, first.low, first.high, unit)} {unit_text(unit)}"
        reasons[f"{name} {shown}: the interval holds the cut-off of {with_unit(held[0], unit)}"] = None
        score += 100.0
    if first.smallest is not None and first.largest is not None and first.value:
        spread = (first.largest - first.smallest) / abs(first.value)
        if spread > WIDE_SHARE:
            reasons[
                f"{name} from {number(first.smallest, unit)} to {with_unit(first.largest, unit)} between readers"
            ] = None
            score += 10.0 * spread
    return list(reasons), score


def _most(names: Any) -> str:
    found = list(names)
    result: str = max(sorted(set(found)), key=found.count)
    return result


def _quartiles(values: Sequence[float], unit: str) -> str:
    if not values:
        return MISSING
    if len(values) < 4:
        return ", ".join(number(v, unit) for v in sorted(values))
    q1, median, q3 = np.percentile(values, [25, 50, 75])
    return estimate(median, q1, q3, unit)


def _statistic(rows: pd.DataFrame, statistic: str, digits: int) -> str:
    found = rows[(rows["statistic"] == statistic) & (rows["comparison"] == "all_readers")]
    if not len(found) or not is_number(found.iloc[0]["estimate"]):
        return MISSING
    row = found.iloc[0]
    return estimate(row["estimate"], row.get("ci_low"), row.get("ci_high"), digits=digits)


def _limits(rows: pd.DataFrame, unit: str) -> str:
    """`−52 to 52`: limits for any two readers, else of the pair that has them."""
    ends = []
    for statistic in ("loa_lower", "loa_upper"):
        found = rows[(rows["statistic"] == statistic) & rows["estimate"].notna()]
        both = found[found["comparison"] == "all_readers"]
        found = both if len(both) else found
        if not len(found):
            return MISSING
        ends.append(number(found.iloc[0]["estimate"], unit, difference_digits(unit)))
    return " to ".join(ends)


def needs_look(count_of: int) -> str:
    """`The case that most deserves a look`, or the number of them."""
    return (
        "The case that most deserves a look"
        if count_of == 1
        else f"The {count(count_of, 'case')} that most deserve a look"
    )
