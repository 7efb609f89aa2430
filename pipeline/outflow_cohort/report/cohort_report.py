"""The cohort report: what the tables of a run say, on one page, and the figures as files of their own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from markupsafe import Markup

from outflow_cohort.files import write_csv, write_text
from outflow_cohort.report import asked, outcome_tables
from outflow_cohort.report import charts_agreement as agreement
from outflow_cohort.report import charts_cohort as charts
from outflow_cohort.report import charts_intervals as intervals
from outflow_cohort.report import charts_outcome as outcome
from outflow_cohort.report import statistic_tables as printed
from outflow_cohort.report.case_sheet import Headline
from outflow_cohort.report.case_table import case_state
from outflow_cohort.report.charts_implants import choice_table, share_figures, sides_table
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.frame_tables import frame_table
from outflow_cohort.report.interval_table import interval_overview, interval_remark
from outflow_cohort.report.landmarks_figure import landmark_figures
from outflow_cohort.report.mean_anatomy import mean_anatomy
from outflow_cohort.report.methods import DEFINING, FURTHER, measure_table, methods_text, provenance, settings_table
from outflow_cohort.report.models_part import models_part
from outflow_cohort.report.numbers import MISSING, count, interval, number, with_unit
from outflow_cohort.report.page import EMPTY_TABLE, Figure, Table, cut, environment, render, table_of
from outflow_cohort.report.primary import PrimaryValue
from outflow_cohort.report.wording import CAUTIONS, measure_title, method_text, variant_text, words

CONTENTS = (
    ("summary", "What the study asked"), ("attention", "What needs a look"), ("flow", "Flow"), ("cases", "Cases"),
    ("baseline", "Baseline"), ("distributions", "Measures by group"),
    ("phases", "Over the cardiac cycle"), ("agreement", "Agreement of readers"), ("sizes", "Agreement on size"),
    ("cutoffs", "Cut-offs and endpoints"), ("models", "Models"), ("implants", "Any depth, any size"),
    ("quality", "Image quality"), ("privacy", "Privacy"),
    ("recovered", "Measured minus true"), ("aside", "Set aside, and why"), ("methods", "Methods"),
    ("checklist", "Reporting checklist"), ("provenance", "Provenance"), ("cautions", "Cautions"),
)  # fmt: skip
MORE_AGREEMENT = (
    ("method_agreement", "Agreement of two methods on the same readings"),
    ("method_comparison", "Agreement of two methods on the same readings"),
    ("plane_agreement", "Agreement of planes"),
    ("landmark_agreement", "Agreement of landmarks"),
)
INDEX_MEASURES = (
    ("neo_lvot_area", "Neo-LVOT, mm²"),
    ("lvot_residual_fraction", "Residual fraction"),
    ("aorto_mitral_angle/opening", "Angle,\u00a0°"),
)
"""Measures in the list of cases: three, so that 1,000 cases stay a small page."""
STATE_WORDS = {"measured": "measured", "measured_without_value": "no value", "set_aside": "set aside"}
PHASE_MEASURES = ("neo_lvot_area", "mitral_area/spline", "lv_volume")


@dataclass(frozen=True)
class CaseRow:
    """One row of the list of cases; `state` m = measured, a = set aside."""

    case_id: str
    href: str
    state: str
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Page:
    """The page and the figures that go with it."""

    html: str
    figures: tuple[Figure, ...]


def cohort_report(cohort: Cohort) -> Page:
    """Build the page; the same tables give the same bytes."""
    settings = cohort.settings
    most = settings.largest_table_rows
    flow = charts.flow_figure(cohort)
    distributions = _all(charts.distribution_figure(cohort, spec) for spec in settings.distributions)
    phases = _all(charts.phase_figure(cohort, spec) for spec in PHASE_MEASURES)
    rows = cohort.table("agreement")
    asked_rows = asked.rows_of_primary(cohort, rows)
    bland_altman = [
        f for spec in settings.agreement_measures for f in agreement.bland_altman_figures(cohort, spec, rows)
    ]
    forest = _all(
        intervals.forest_figure(asked_rows, statistic, title, name, caption, settings.main_solid)
        for statistic, title, name, caption in (
            (
                "icc_a_1",
                "ICC(A,1), one reading",
                "icc",
                "Absolute agreement of single readings, two-way random effects.",
            ),
            (
                "icc_intra_single",
                "ICC within a reader",
                "icc-within",
                "Two reads of one reader, two-way random effects.",
            ),
        )
    )
    bias = _all(agreement.reader_bias_figure(cohort, spec, rows) for spec in settings.agreement_measures)
    landmarks = landmark_figures(cohort.table("landmark_agreement"), mean_anatomy(cohort.points))
    planes = intervals.plane_figures(cohort.table("plane_agreement"))
    drift = intervals.drift_figures(cohort, settings.agreement_measures)
    methods = agreement.method_figures(cohort, settings.agreement_measures)
    method_bias = _all([intervals.method_percent_figure(cohort)])
    sizes = outcome.size_figures(cohort)
    cutoff_figures = outcome.cutoff_figures(cohort)
    decision = outcome.decision_figures(cohort)
    implants = share_figures(cohort)
    outcomes = [*outcome.endpoint_figures(cohort), *outcome.dose_figures(cohort), *decision]
    models = models_part(cohort, 6 * most)
    quality = _all(charts.quality_figure(cohort.series, c) for c in charts.QUALITY_FIELDS)
    recovered_figures, recovered_tables = outcome.recovered(cohort)
    drawn = [
        flow, *distributions, *phases, *forest, *bland_altman, *bias, *drift, *landmarks, *planes, *methods,
        *method_bias, *sizes, *cutoff_figures, *implants, *outcomes, *models.figures, *quality, *recovered_figures,
    ]  # fmt: skip
    figures = _named_apart(drawn)
    shown = {
        id(f): replace(g, table=cut(g.table, most) if g.table else None) for f, g in zip(drawn, figures, strict=True)
    }
    paragraphs, references = methods_text(cohort)
    study = cohort.study
    look = asked.cases_to_look_at(cohort, {c: _href(cohort, c) for c in cohort.primary})
    triage = asked.findings(cohort)
    present = {
        "attention": triage.act or triage.know or look, "phases": phases, "sizes": sizes, "quality": quality,
        "recovered": recovered_figures or recovered_tables, "aside": len(cohort.set_aside) or models.missing,
        "agreement": forest or len(rows), "baseline": len(cohort.table("baseline")),
        "models": models.figures or models.tables,
        "implants": implants, "cutoffs": cutoff_figures or outcomes or len(cohort.table("cutoffs")),
    }  # fmt: skip
    contents = [c for c in CONTENTS if present.get(c[0], True)]
    html = render(
        "index.html",
        study_id=study.get("study_id", "study"),
        heading=study.get("title") or f"Cohort report of {study.get('study_id', 'a study')}",
        standfirst=_standfirst(cohort),
        contents=contents,
        headline=_headline(cohort),
        flow=shown[id(flow)],
        asked=_shown([asked.primary_by_group(cohort), asked.first_by_phase(cohort)], most),
        asked_agreement=_shown([asked.agreement_of_primary(cohort)], most),
        in_doubt=asked.in_doubt(cohort),
        below=asked.below_cutoffs(cohort),
        left_out=_shown([asked.left_out_by_status(cohort)], most),
        look=look,
        look_title=asked.needs_look(len(look)),
        triage=triage,
        present={name for name, _ in contents},
        cases=_cases(cohort),
        value_text=cohort.value_text,
        case_columns=_case_columns(),
        groups=[words(g) for g in cohort.group_names],
        baseline=_shown([outcome_tables.baseline_overview(cohort)], most),
        distributions=[shown[id(f)] for f in distributions],
        summary=_first(_shown([printed.summary_overview(cohort)], 6 * most)),
        phases=[shown[id(f)] for f in phases],
        forest=[shown[id(f)] for f in forest],
        bland_altman=[shown[id(f)] for f in bland_altman],
        reader_bias=[shown[id(f)] for f in bias],
        drift=[shown[id(f)] for f in drift],
        no_drift="" if drift else outcome.NO_DRIFT,
        landmarks=[shown[id(f)] for f in landmarks],
        planes=[shown[id(f)] for f in planes],
        methods_compared=[shown[id(f)] for f in methods],
        method_bias=[shown[id(f)] for f in method_bias],
        agreement=_shown([printed.agreement_overview(cohort)], 6 * most),
        interval_remark=interval_remark(cohort),
        interval_check=_shown([interval_overview(cohort)], 6 * most),
        more_agreement=[
            (title, t)
            for name, title in MORE_AGREEMENT
            for t in _shown([printed.plain_table(cohort, name, most)], most)
        ],
        size_matrix=[shown[id(f)] for f in sizes],
        sizes=_shown([outcome_tables.size_share_table(cohort), outcome_tables.size_statistics(cohort)], most),
        cutoff_figures=[shown[id(f)] for f in cutoff_figures],
        implants=[shown[id(f)] for f in implants],
        implant_tables=_shown([choice_table(cohort), sides_table(cohort)], most),
        outcome_figures=[shown[id(f)] for f in outcomes],
        no_decision="" if decision else outcome.NO_DECISION,
        cutoffs=_shown([printed.cutoff_basis(cohort), printed.cutoff_overview(cohort)], 2 * most),
        classes=_shown([outcome_tables.class_overview(cohort)], 2 * most),
        endpoints=_shown([outcome_tables.endpoint_overview(cohort)], 2 * most),
        models=replace(models, figures=tuple(shown[id(f)] for f in models.figures)),
        associations=_shown([printed.association_overview(cohort)], 2 * most),
        quality=[shown[id(f)] for f in quality],
        quality_tables=[charts.constant_quality(cohort.series), *_quality_tables(cohort, most)],
        privacy=_privacy(cohort),
        recovered_figures=[shown[id(f)] for f in recovered_figures],
        recovered_tables=[cut(t, 2 * most) for t in recovered_tables],
        aside=_aside(cohort, 4 * most),
        checklist=printed.checklist(cohort),
        methods=paragraphs,
        references=references,
        chosen=settings_table(cohort, DEFINING),
        settings=settings_table(cohort, FURTHER),
        measures=measure_table(),
        provenance=provenance(cohort),
        cautions=CAUTIONS,
        script=Markup(_script()),
    )
    return Page(html, tuple(figures))


def write_figures(figures: Iterable[Figure], folder: Path) -> None:
    """Each figure as an SVG file, and its data as CSV with all digits; figures of an earlier run are removed."""
    figures = tuple(figures)
    wanted = {f"{f.name}{ending}" for f in figures for ending in (".svg", ".csv")}
    for path in sorted(folder.glob("*.svg")) + sorted(folder.glob("*.csv")):
        if path.name not in wanted:
            path.unlink()
    for figure in figures:
        write_text(folder / f"{figure.name}.svg", figure.drawing.standalone())
        if figure.data is not None:
            write_csv(folder / f"{figure.name}.csv", figure.data)


def _script() -> str:
    env = environment()
    return env.loader.get_source(env, "index.js")[0] if env.loader else ""


def _named_apart(figures: Iterable[Figure]) -> list[Figure]:
    """The figures, a number added to a name that was used before: readers called `R.1` and `R 1` share a slug."""
    seen: dict[str, int] = {}
    out = []
    for figure in figures:
        seen[figure.name] = seen.get(figure.name, 0) + 1
        out.append(figure if seen[figure.name] == 1 else replace(figure, name=f"{figure.name}-{seen[figure.name]}"))
    return out


def _all(figures: Iterable[Figure | None]) -> list[Figure]:
    return [f for f in figures if f is not None]


def _first(tables: list[Table]) -> Table:
    return tables[0] if tables else EMPTY_TABLE


def _standfirst(cohort: Cohort) -> str:
    done = cohort.measured
    sites = cohort.cases["site"].replace("", None).dropna().nunique() if "site" in cohort.cases else 0
    parts = [
        f"{count(len(cohort.cases), 'case')}"
        + (f" from {count(sites, 'site')}" if sites else "")
        + f", {count(done['case_id'].nunique(), 'case')} measured",
        f"{count(done['reader_id'].nunique(), 'reader')}, {count(int(done['phase_pct'].nunique()), 'phase')}",
        count(len(cohort.group_names), "group"),
    ]
    return "; ".join(parts) + "."


def _headline(cohort: Cohort) -> list[Headline]:
    done = cohort.measured["case_id"].nunique()
    out = [Headline("Cases measured", f"{done:,}", f"of {len(cohort.cases):,}")]
    for spec in cohort.settings.distributions[:4]:
        frame = cohort.case_values(spec)
        if not len(frame):
            continue
        measure, variant, _ = cohort.variant_of(spec)
        unit = str(frame["unit"].iloc[0])
        q1, median, q3 = np.percentile(frame["value"], [25, 50, 75])
        note = f"{number(q1, unit)} to {number(q3, unit)} · {variant_text(variant) or 'all'} · n {len(frame)}"
        own = [v for values in cohort.primary.values() for v in values if v.spec == spec]
        doubted = sum(v.value is None and v.doubted is not None for v in own)
        note += f", {doubted} in doubt" if doubted else ""
        out.append(Headline(measure_title(measure), with_unit(median, unit), note))
    rows = agreement.headline_rows(cohort.table("agreement"))
    picked = cohort.pick("neo_lvot_area")
    if len(rows) and len(picked):
        mine = agreement.of_measure(rows, *cohort.variant_of("neo_lvot_area"), set(picked["plan_id"]))
        mine = mine[(mine["statistic"] == "icc_a_1") & mine["estimate"].notna()] if len(mine) else mine
        if len(mine):
            row = mine.iloc[0]
            out.append(
                Headline("ICC(A,1) of the neo-LVOT", number(row["estimate"], digits=2),
                         interval(row.get("ci_low"), row.get("ci_high"), digits=2))
            )  # fmt: skip
    return out


def _case_columns() -> list[tuple[str, bool]]:
    return [
        ("Case", False), ("Group", False), ("Site", False), ("Device", False), ("Phases", True), ("Readings", True),
        *((title, True) for _, title in INDEX_MEASURES), ("State", False),
    ]  # fmt: skip


def _cases(cohort: Cohort) -> list[CaseRow]:
    done = cohort.measured
    phases = done.groupby("case_id")["phase_pct"].nunique() if len(done) else {}
    stated = done[done["phase_pct"].notna()]
    counted = stated if len(stated) else done
    readings = counted.groupby("case_id").size() if len(done) else {}
    reasons: dict[str, str] = {}
    if has(cohort.set_aside, ["case_id", "code"]):
        for case, code in cohort.set_aside[["case_id", "code"]].itertuples(index=False):
            reasons.setdefault(case, words(code))
    measured = set(done["case_id"])
    out = []
    for row in cohort.cases.to_dict("records"):
        case = row["case_id"]
        ok = case in measured
        own = {v.spec: v for v in cohort.primary.get(case, [])}
        state = STATE_WORDS[case_state(list(own.values()), ok)]
        if not ok:
            state += f": {reasons.get(case, 'no reading')}"
        elif case in reasons:
            state += " in part"
        cells = [words(cohort.groups.get(case, "")) or MISSING]
        cells += [str(row.get(n) or MISSING) if row.get(n) == row.get(n) else MISSING for n in ("site", "device_id")]
        cells += [number(phases[case] if ok else None, digits=0), number(readings.get(case) if ok else None, digits=0)]
        cells += [_value_cell(own.get(spec), cohort.settings.main_method) for spec, _ in INDEX_MEASURES]
        out.append(CaseRow(case, _href(cohort, case), "m" if ok else "a", (*cells, state)))
    return out


def _value_cell(v: PrimaryValue | None, main_method: str) -> str:
    """The value; one in doubt, or along the other path than the study's main one, says so."""
    if v is None or (v.value is None and v.doubted is None):
        return MISSING
    if v.value is None:
        return f"{number(v.doubted, v.unit)} in doubt"
    other = v.method in ("reader_path", "automatic_path") and v.method != main_method
    return number(v.value, v.unit) + (f" {method_text(v.method)}" if other else "")


def _href(cohort: Cohort, case: str) -> str:
    """Link of the case sheet; a case without a request has none."""
    key = cohort.keys[case]
    return f"cases/{key}.html" if (cohort.results / "work" / "requests" / f"{key}.json").exists() else ""


def _shown(tables: Iterable[Table | None], most: int) -> list[Table]:
    """The tables that there are, cut at `most` rows."""
    return [cut(t, most) for t in tables if t is not None and t.rows]


def _quality_tables(cohort: Cohort, most: int) -> list[Table]:
    if not has(cohort.series, ["verdict", "reason_codes"]):
        return []
    pairs = [
        (code, verdict)
        for verdict, cell in cohort.series[["verdict", "reason_codes"]].itertuples(index=False)
        for code in charts.split_codes(cell)
    ]
    if not pairs:
        return []
    counted = pd.DataFrame(pairs, columns=["code", "verdict"]).value_counts(sort=False).reset_index(name="series")
    rows = [
        (words(r.code), words(r.verdict), f"{r.series:,}")
        for r in counted.sort_values(["code", "verdict"]).itertuples()
    ]
    return [cut(table_of(("Reason", "Verdict of the series", "Series"), rows, caption="Reasons of the intake"), most)]


def _privacy(cohort: Cohort) -> list[Table]:
    """Counts by rule and severity, never a row of its own."""
    frame = cohort.privacy
    if not has(frame, ["rule", "severity", "case_id"]):
        return []
    grouped = frame.groupby(["severity", "rule"], sort=True)["case_id"].agg(["size", "nunique"]).reset_index()
    rows = [
        (words(r.severity), words(r.rule), f"{r.size:,}", f"{r.nunique:,}")
        for r in grouped.itertuples(index=False, name="Count")
    ]
    return [table_of(("Severity", "Rule", "Findings", "Cases"), rows)]


def _aside(cohort: Cohort, most: int) -> list[Table]:
    frame = cohort.set_aside
    if not has(frame, ["case_id", "code"]):
        return []
    summary = frame.groupby(["stage", "code"], sort=True)["case_id"].agg(["size", "nunique"]).reset_index()
    rows = [
        (words(r.stage), words(r.code), f"{r.size:,}", f"{r.nunique:,}")
        for r in summary.itertuples(index=False, name="Count")
    ]
    tables = [table_of(("Stage", "Reason", "Rows", "Cases"), rows, caption="By reason")]
    names = [c for c in ("case_id", "phase_pct", "reader_id", "read_no", "stage", "code", "message") if c in frame]
    listed = frame_table(frame[names].head(most), {"phase_pct": ("Phase, %", "pct0")})
    note = f"The first {most} of {len(frame):,} rows; tables/set_aside.parquet has all." if len(frame) > most else ""
    tables.append(Table(listed.header, listed.rows, note, "Row by row"))
    return tables
