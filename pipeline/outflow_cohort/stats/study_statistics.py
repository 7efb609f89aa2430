"""All tables of statistics of a study, from its measurements, its cases and its settings."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.datasets import count_rows_by
from outflow_cohort.handover.settings import frozen_section
from outflow_cohort.stats.cohort.cutoffs import AREA, cutoff_shares
from outflow_cohort.stats.cohort.implants import implant_tables
from outflow_cohort.stats.cohort.summary import cohort_summary, phase_curves
from outflow_cohort.stats.data.case_reduction import case_values, rules_of
from outflow_cohort.stats.data.dask_scheduler import compute_each
from outflow_cohort.stats.data.final_values import with_final
from outflow_cohort.stats.data.measure_files import NO_QUANTITY, MeasureFiles, measure_files
from outflow_cohort.stats.data.one_value import ALL_GROUPS, end_systolic_phase, groups_of, one_value_a_case
from outflow_cohort.stats.data.settings import StatisticsSettings

if TYPE_CHECKING:
    import pandas as pd

NOT_BASELINE = ("case_id", "group", "device_id", "prosthesis_id", "key")
CASES_A_BATCH = 25
"""Cases whose landmarks are compared at a time: some 100,000 points with ten phases and six readings each."""
SIZING_MEASURES = ("mitral_area", "mitral_perimeter", "mitral_diameter")


def study_tables(
    results: Path, study: Mapping[str, Any], scheduler: str | None = None, part: str | None = None
) -> dict[str, pd.DataFrame]:
    """Name -> table, of one part of `table_meanings.PARTS` or of all; `cohort` and `readers` can be computed apart.

    Raises FileNotFoundError where RESULTS/tables/measurements is not there.
    """
    import pandas as pd

    settings = frozen_section(study, "statistics", StatisticsSettings)
    scheduler = scheduler or settings.scheduler
    cases = pd.read_parquet(results / "work" / "cases.parquet").sort_values("case_id", kind="stable")
    cases = cases.reset_index(drop=True)
    rules = rules_of(settings)
    values = case_values(results / "tables" / "measurements", rules, scheduler)
    if settings.values == "final":
        final = pd.read_parquet(results / "tables" / "final.parquet")
        values = with_final(values, final, settings.curve_step_pct)
    tables: dict[str, pd.DataFrame] = {}
    if part != "readers":
        tables |= _cohort_tables(values, cases, study, settings, scheduler)
        tables |= implant_tables(
            results / "tables" / "implants",
            end_systolic_phase(values),
            groups_of(cases, settings.group_column),
            study.get("cutoff_table") or [],
            confidence=settings.confidence,
        )
        tables["reporting"] = _reporting(results, values, cases, tables, settings)
        tables |= landmark_tables(results / "work" / "readings.parquet", settings, scheduler)
    if part != "cohort":
        tables |= _reader_tables(results, values, cases, study, settings, scheduler)
    return tables


def _reporting(
    results: Path,
    values: pd.DataFrame,
    cases: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    settings: StatisticsSettings,
) -> pd.DataFrame:
    """The checklists of reporting, filled as far as this run can."""
    import pandas as pd

    from outflow_cohort.stats.data.checklists import checklist_table
    from outflow_cohort.stats.outcome.run_facts import run_facts

    path = results / "tables" / "set_aside.parquet"
    set_aside = pd.read_parquet(path) if path.exists() else pd.DataFrame({"case_id": [], "code": []})
    measured = int(values.loc[values["value"].notna(), "case_id"].nunique())
    facts = run_facts(cases, measured, set_aside, tables, settings, rules_of(settings).text)
    return checklist_table(facts, settings.reporting_facts)


def _cohort_tables(
    values: pd.DataFrame,
    cases: pd.DataFrame,
    study: Mapping[str, Any],
    settings: StatisticsSettings,
    scheduler: str | None,
) -> dict[str, pd.DataFrame]:
    from outflow_cohort.stats.cohort.associations import association_table, numeric_columns
    from outflow_cohort.stats.cohort.baseline import baseline_table
    from outflow_cohort.stats.cohort.missing_data import missing_table
    from outflow_cohort.stats.cohort.phase_table import phase_table
    from outflow_cohort.stats.outcome.endpoint_questions import endpoint_tables, matching, model_tables

    rules = rules_of(settings)
    groups = groups_of(cases, settings.group_column)
    cutoffs = study.get("cutoff_table") or []
    chosen = one_value_a_case(values, settings.phase_rule)
    named = {"phase_rule": settings.phase_rule, "rule": rules.text}
    confidence = settings.confidence
    tables: dict[str, pd.DataFrame] = {}
    tables["cohort_summary"] = cohort_summary(values, chosen, groups, settings, rules.text)
    tables["phases"] = phase_table(values)
    tables["phase_curves"] = phase_curves(tables["cohort_summary"])
    tables["cutoffs"] = cutoff_shares(chosen, groups, cutoffs, confidence=confidence, **named)
    outcomes = {o.column for o in settings.outcomes}
    left_out = sorted({*NOT_BASELINE, settings.group_column})
    follow_up = {name for o in settings.time_to_event for name in (o.time_column, o.event_column)}
    after_treatment = {*outcomes, *follow_up, *settings.outcome_columns}
    tables["baseline"] = baseline_table(cases, groups, settings, sorted({*left_out, *after_treatment}))
    numbers = numeric_columns(cases, sorted({*left_out, *after_treatment}))
    if settings.association_columns is not None:
        numbers = numbers[[c for c in settings.association_columns if c in numbers]]
    is_headline = chosen["measure"] != chosen["measure"]
    for predictor in settings.predictors:
        is_headline |= matching(chosen, predictor)
    tables["missing_data"] = missing_table(cases, chosen, groups, settings, [*left_out, *after_treatment])
    tables["associations"] = association_table(
        chosen,
        numbers,
        chosen[is_headline],
        families=settings.association_families,
        confidence=confidence,
        **named,
    )
    tables |= endpoint_tables(cases, chosen, cutoffs, settings, rules.text, scheduler)
    tables |= model_tables(cases, chosen, groups, settings, rules.text)
    return tables


def _reader_tables(
    results: Path,
    values: pd.DataFrame,
    cases: pd.DataFrame,
    study: Mapping[str, Any],
    settings: StatisticsSettings,
    scheduler: str | None,
) -> dict[str, pd.DataFrame]:
    import pandas as pd

    from outflow_cohort.report.settings import ReportSettings
    from outflow_cohort.stats.agreement.by_quantity import quantities_compared, several_methods
    from outflow_cohort.stats.agreement.core_table import split
    from outflow_cohort.stats.cohort.categorical import risk_agreement
    from outflow_cohort.stats.data.grras import grras_checklist

    chosen = one_value_a_case(values, settings.phase_rule)
    phase = end_systolic_phase(values) if settings.phase_rule == "end_systole" else None
    several = several_methods(values)
    points = results / "work" / "readings.parquet"
    tables: dict[str, pd.DataFrame] = {}
    with measure_files(results / "tables" / "measurements", results / "work", settings) as files:
        whole, tables["interval_check"], tables["method_agreement"] = quantities_compared(
            files, groups_of(cases, settings.group_column), several, settings, scheduler
        )
        shown = frozen_section(study, "report", ReportSettings)
        tables["agreement"], tables["agreement_detail"] = split(whole, shown.primary_measures, shown.main_solid)
        readings = pd.concat(
            [_in_phase(files, m, phase, settings) for m in (AREA, *SIZING_MEASURES)], ignore_index=True
        )
        rdc, cutoffs = _rdc(whole), study.get("cutoff_table") or []
        tables["categorical_agreement"] = risk_agreement(readings, chosen, rdc, cutoffs, settings)
        tables |= _sizes(readings, groups_of(cases, settings.group_column), study, settings)
        del readings
        tables["multi_reader_roc"] = multi_reader(files, cases, phase, settings)
        tables["mixed_models"] = mixed_models(files, cases, settings)
        tables["reader_drift"] = drift(files, points, settings, scheduler)
        tables["grras"] = grras_checklist(
            files.reads(), whole, facts=settings.grras_facts, more=_subjects(cases, settings)
        )
    return tables


def _subjects(cases: pd.DataFrame, settings: StatisticsSettings) -> dict[str, str]:
    """Facts of the cases for the checklist of reliability studies."""
    counts = groups_of(cases, settings.group_column).value_counts().sort_index()
    named = ", ".join(f"{str(name).replace('_', ' ')} {count}" for name, count in counts.items())
    return {
        "subjects": f"{len(cases)} cases by {settings.group_column.replace('_', ' ')}: {named}.",
        "characteristics": "Characteristics of the cases: table baseline.",
    }


def _sizes(
    readings: pd.DataFrame, groups: pd.Series, study: Mapping[str, Any], settings: StatisticsSettings
) -> dict[str, pd.DataFrame]:
    from outflow_cohort.stats.agreement import sizing

    targets = sizing.targets_of(study.get("sizing_target_table") or [], study.get("device_table") or {})
    choices = sizing.size_choices(readings, groups, targets)
    return {
        "sizes": choices,
        "size_shares": sizing.size_shares(choices, targets, settings),
        "size_agreement": sizing.size_agreement(choices, targets, settings),
    }


def _rdc(agreement: pd.DataFrame) -> dict[tuple[str, str, str, str], float]:
    """Reproducibility coefficient by plan, measure, variant, method."""
    rows = agreement[
        (agreement["statistic"] == "rdc")
        & (agreement["phase_rule"] == "one_per_case")
        & (agreement["group"] == ALL_GROUPS)
    ]
    keys = zip(rows["plan_id"], rows["measure"], rows["variant"], rows["method"], strict=True)
    return dict(zip(keys, rows["estimate"].astype(float), strict=True))


def _in_phase(files: MeasureFiles, measure: str, phase: pd.Series | None, settings: StatisticsSettings) -> pd.DataFrame:
    """Readings of a measure with one phase per case: that of `phase`, else mean or smallest over the phases."""
    frame = files.readings(measure)
    if phase is not None:
        step = settings.curve_step_pct
        bins = np.floor(frame["phase_pct"] / step + 0.5) * step
        return frame[frame["phase_pct"].isna() | (bins == frame["case_id"].map(phase))]
    keys = ["case_id", "reader_id", "read_no", "plan_id", "measure", "variant", "method", "unit"]
    grouped = frame.groupby(keys, sort=True, dropna=False)["value"]
    reduced = grouped.mean() if settings.phase_rule == "mean_over_phases" else grouped.min()
    return reduced.reset_index().assign(phase_pct=np.nan)


def landmark_tables(path: Path, settings: StatisticsSettings, scheduler: str | None = None) -> dict[str, pd.DataFrame]:
    """Disagreement of landmarks (mm by structure and direction) and of the planes through them (angle, offset).

    Some cases at a time, so that their points are never all in memory.
    """
    import pandas as pd
    import pyarrow.parquet as pq

    from outflow_cohort.stats.agreement.landmarks import agreement_of_distances
    from outflow_cohort.stats.agreement.reading_planes import agreement_of_planes

    names = sorted(pq.read_table(path, columns=["case_id"]).column(0).unique().to_pylist())
    batches = [tuple(names[i : i + CASES_A_BATCH]) for i in range(0, len(names), CASES_A_BATCH)] or [()]
    distances, planes = zip(*compute_each(partial(_landmarks_of, path=path), batches, scheduler), strict=True)
    draws: dict[str, Any] = {"confidence": settings.confidence, "n_draws": settings.n_boot, "seed": settings.seed}
    return {
        "landmark_agreement": agreement_of_distances(pd.concat(distances, ignore_index=True), **draws),
        "plane_agreement": agreement_of_planes(pd.concat(planes, ignore_index=True), **draws),
    }


def _landmarks_of(cases: tuple[str, ...], *, path: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Distances of landmarks, and planes, of some cases."""
    import pandas as pd

    from outflow_cohort.stats.agreement.landmarks import landmark_distances
    from outflow_cohort.stats.agreement.reading_planes import planes_of_readings

    # A filter by no case at all has no type; there the file is empty, or nothing of it is wanted.
    chosen = [("case_id", "in", list(cases))] if cases else None
    points = pd.read_parquet(path, filters=chosen, use_threads=False)
    return landmark_distances(points), planes_of_readings(points)


def drift(files: MeasureFiles, points: Path, settings: StatisticsSettings, scheduler: str | None) -> pd.DataFrame:
    """Drift of each reader over the reading order; no rows where the landmarks give no order."""
    import pyarrow.parquet as pq

    reading = ["case_id", "phase_pct", "reader_id", "read_no"]
    order = files.folder / "reading_order.parquet"
    known = False
    if "reading_order" in pq.read_schema(points).names:
        orders = count_rows_by(points, [*reading, "reading_order"])
        known = bool(orders["reading_order"].notna().any())
        orders.to_parquet(order, index=False)
    from outflow_cohort.stats.agreement.by_quantity import joined

    function = partial(_drift_of, files=files, order=order, settings=settings)
    return joined(compute_each(function, files.quantities() if known else [NO_QUANTITY], scheduler))


def _drift_of(
    quantity: tuple[str, str], *, files: MeasureFiles, order: Path, settings: StatisticsSettings
) -> pd.DataFrame:
    import pandas as pd

    from outflow_cohort.stats.agreement.reader_drift import drift_table

    frame = files.readings(*quantity)
    orders = pd.read_parquet(order) if len(frame) else frame
    return drift_table(frame, orders, confidence=settings.confidence)


def multi_reader(
    files: MeasureFiles, cases: pd.DataFrame, phase: pd.Series | None, settings: StatisticsSettings
) -> pd.DataFrame:
    """Areas of each reader against each outcome, and their mean over readers."""
    import pandas as pd

    from outflow_cohort.stats.data.outcome_columns import events_of
    from outflow_cohort.stats.outcome.endpoint_questions import matching
    from outflow_cohort.stats.outcome.multi_reader import COLUMNS, multi_reader_rows

    rows: list[dict[str, Any]] = []
    for outcome in settings.outcomes:
        event = dict(zip(cases["case_id"].astype(str), events_of(cases, outcome).tolist(), strict=True))
        for predictor in settings.predictors:
            readings = _in_phase(files, predictor.measure, phase, settings)
            readings = readings[matching(readings, predictor)]
            rows += multi_reader_rows(readings, outcome.column, event, predictor.risk, settings)
    frame = pd.DataFrame(rows, columns=COLUMNS)
    for name in ("n", "n_events", "n_non_events", "n_readers", "n_missing"):
        frame[name] = frame[name].astype("Int64")
    frame["reader"] = frame["reader"].astype(object).where(frame["reader"].notna(), "").astype(str)
    return frame


def mixed_models(files: MeasureFiles, cases: pd.DataFrame, settings: StatisticsSettings) -> pd.DataFrame:
    """The mixed models that the settings ask for; no rows where they ask for none."""
    import pandas as pd

    from outflow_cohort.stats.cohort.mixed_models import COLUMNS, mixed_model_table

    found = [
        mixed_model_table(files.readings(model.measure, model.variant or None), cases, model, settings)
        for model in settings.mixed_models
    ]
    filled = [frame for frame in found if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=COLUMNS)
