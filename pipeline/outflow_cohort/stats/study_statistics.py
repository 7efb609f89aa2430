"""All tables of statistics of a study, from its measurements, its cases and its settings."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.case_reduction import case_values, rules_of
from outflow_cohort.stats.dask_scheduler import compute_each
from outflow_cohort.stats.one_value import end_systolic_phase, groups_of, one_value_a_case
from outflow_cohort.stats.settings import StatisticsSettings
from outflow_cohort.stats.summary import cohort_summary, phase_curves

if TYPE_CHECKING:
    import pandas as pd

NOT_BASELINE = ("case_id", "group", "device_id", "prosthesis_id", "key")
SIZING_MEASURES = ("mitral_area", "mitral_perimeter", "mitral_diameter")


def study_tables(results: Path, study: Mapping[str, Any], scheduler: str | None = None) -> dict[str, pd.DataFrame]:
    """Name -> table. Raises FileNotFoundError where RESULTS/tables/measurements is not there."""
    import pandas as pd

    from outflow_cohort.stats.associations import association_table, numeric_columns
    from outflow_cohort.stats.baseline import baseline_table
    from outflow_cohort.stats.categorical import risk_agreement
    from outflow_cohort.stats.cutoffs import AREA, cutoff_shares
    from outflow_cohort.stats.endpoint_questions import endpoint_tables, matching

    settings = StatisticsSettings.model_validate(study.get("statistics") or {})
    scheduler = scheduler or settings.scheduler
    folder = results / "tables" / "measurements"
    cases = pd.read_parquet(results / "work" / "cases.parquet").sort_values("case_id", kind="stable")
    cases = cases.reset_index(drop=True)
    groups = groups_of(cases, settings.group_column)
    cutoffs = study.get("cutoff_table") or []
    rules = rules_of(settings)
    values = case_values(folder, rules, scheduler)
    chosen = one_value_a_case(values, settings.phase_rule)
    named = {"phase_rule": settings.phase_rule, "rule": rules.text}
    confidence = settings.confidence
    tables: dict[str, pd.DataFrame] = {}
    tables["cohort_summary"] = cohort_summary(values, chosen, groups, settings, rules.text)
    tables["phase_curves"] = phase_curves(tables["cohort_summary"])
    tables["cutoffs"] = cutoff_shares(chosen, groups, cutoffs, confidence=confidence, **named)
    outcomes = {o.column for o in settings.outcomes}
    left_out = sorted({*NOT_BASELINE, settings.group_column})
    tables["baseline"] = baseline_table(cases, groups, settings, left_out)
    numbers = numeric_columns(cases, sorted({*left_out, *outcomes}))
    if settings.association_columns is not None:
        numbers = numbers[[c for c in settings.association_columns if c in numbers]]
    is_headline = chosen["measure"] != chosen["measure"]
    for predictor in settings.predictors:
        is_headline |= matching(chosen, predictor)
    tables["associations"] = association_table(chosen, numbers, chosen[is_headline], confidence=confidence, **named)
    tables |= endpoint_tables(cases, chosen, cutoffs, settings, rules.text, scheduler)
    tables["agreement"] = agreement(folder, settings, scheduler)
    phase = end_systolic_phase(values) if settings.phase_rule == "end_systole" else None
    readings = pd.concat([_in_phase(folder, m, phase, settings) for m in (AREA, *SIZING_MEASURES)], ignore_index=True)
    rdc = _rdc(tables["agreement"])
    tables["categorical_agreement"] = risk_agreement(readings, chosen, rdc, cutoffs, settings)
    tables |= _sizes(readings, groups, study, settings)
    tables["method_agreement"] = methods_compared(folder, values, settings, scheduler)
    tables |= landmark_tables(results / "work" / "readings.parquet", settings)
    tables["reader_drift"] = drift(folder, results / "work" / "readings.parquet", settings, scheduler)
    tables["grras"] = _grras(folder, tables["agreement"], settings)
    return tables


def _sizes(
    readings: pd.DataFrame, groups: pd.Series, study: Mapping[str, Any], settings: StatisticsSettings
) -> dict[str, pd.DataFrame]:
    from outflow_cohort.stats import sizing

    targets = sizing.targets_of(study.get("sizing_target_table") or [], study.get("device_table") or {})
    choices = sizing.size_choices(readings, groups, targets)
    return {
        "sizes": choices,
        "size_shares": sizing.size_shares(choices, targets, settings),
        "size_agreement": sizing.size_agreement(choices, targets, settings),
    }


def _rdc(agreement: pd.DataFrame) -> dict[tuple[str, str, str, str], float]:
    """Reproducibility coefficient by plan, measure, variant, method."""
    rows = agreement[(agreement["statistic"] == "rdc") & (agreement["phase_rule"] == "one_per_case")]
    keys = zip(rows["plan_id"], rows["measure"], rows["variant"], rows["method"], strict=True)
    return dict(zip(keys, rows["estimate"].astype(float), strict=True))


def _in_phase(folder: Path, measure: str, phase: pd.Series | None, settings: StatisticsSettings) -> pd.DataFrame:
    """Readings of a measure with one phase a case: that of `phase`, else mean or smallest over the phases."""
    frame = readings_of(folder, measure, settings)
    if phase is not None:
        step = settings.curve_step_pct
        bins = np.floor(frame["phase_pct"] / step + 0.5) * step
        return frame[frame["phase_pct"].isna() | (bins == frame["case_id"].map(phase))]
    keys = ["case_id", "reader_id", "read_no", "plan_id", "measure", "variant", "method", "unit"]
    grouped = frame.groupby(keys, sort=True, dropna=False)["value"]
    reduced = grouped.mean() if settings.phase_rule == "mean_over_phases" else grouped.min()
    return reduced.reset_index().assign(phase_pct=np.nan)


def landmark_tables(path: Path, settings: StatisticsSettings) -> dict[str, pd.DataFrame]:
    """Disagreement of landmarks (mm by structure and direction) and of the planes through them (angle, offset)."""
    import pandas as pd

    from outflow_cohort.stats.landmarks import landmark_agreement
    from outflow_cohort.stats.reading_planes import plane_agreement_table

    points = pd.read_parquet(path)
    draws = {"confidence": settings.confidence, "n_draws": settings.n_boot, "seed": settings.seed}
    return {
        "landmark_agreement": landmark_agreement(points, **draws),
        "plane_agreement": plane_agreement_table(points, settings),
    }


def drift(folder: Path, readings: Path, settings: StatisticsSettings, scheduler: str | None) -> pd.DataFrame:
    """Drift of each reader over the reading order; no rows where the landmarks tell no order."""
    import pandas as pd

    told = pd.read_parquet(readings)
    known = "reading_order" in told.columns and bool(told["reading_order"].notna().any())
    function = partial(_drift_of, folder=str(folder), readings=str(readings), settings=settings)
    frames = compute_each(function, (measured(folder) if known else []) or [""], scheduler)
    filled = [f for f in frames if len(f)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


def _drift_of(measure: str, *, folder: str, readings: str, settings: StatisticsSettings) -> pd.DataFrame:
    import pandas as pd

    from outflow_cohort.stats.reader_effects import drift_table

    frame = readings_of(Path(folder), measure, settings)
    return drift_table(frame, pd.read_parquet(readings), confidence=settings.confidence)


def methods_compared(
    folder: Path, values: pd.DataFrame, settings: StatisticsSettings, scheduler: str | None
) -> pd.DataFrame:
    """Two methods of one measure on the same readings, and the traced area against each computed one."""
    import pandas as pd

    quantities = values[["measure", "variant", "method"]].drop_duplicates().astype(str)
    several = quantities.groupby(["measure", "variant"])["method"].transform("size") > 1
    wanted = sorted(set(quantities[several]["measure"]))
    if {"traced_area", "neo_lvot_area"} <= set(quantities["measure"]):
        wanted.append("traced_area")
    function = partial(_methods_of, folder=str(folder), settings=settings)
    frames = compute_each(function, wanted or [""], scheduler)
    filled = [f for f in frames if len(f)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


def _methods_of(measure: str, *, folder: str, settings: StatisticsSettings) -> pd.DataFrame:
    import pandas as pd

    from outflow_cohort.stats.method_agreement_table import MeasureChoice, method_agreement

    frame = readings_of(Path(folder), measure, settings)
    if measure != "traced_area":
        return method_agreement(frame, confidence=settings.confidence)
    areas = readings_of(Path(folder), "neo_lvot_area", settings)
    traced, computed = (
        sorted({MeasureChoice(*key) for key in zip(f["measure"], f["variant"], f["method"], strict=True)}, key=str)
        for f in (frame, areas)
    )
    pairs = [(a, b) for a in traced for b in computed]
    both = pd.concat([frame, areas], ignore_index=True)
    return method_agreement(both, pairs=pairs, confidence=settings.confidence)


def _grras(folder: Path, agreement: pd.DataFrame, settings: StatisticsSettings) -> pd.DataFrame:
    """The reporting checklist, filled as far as the run and the study's own facts allow."""
    import pyarrow.dataset as ds

    from outflow_cohort.stats.grras import grras_checklist

    found = ds.dataset(folder, format="parquet").to_table(columns=["case_id", "reader_id", "read_no"])
    readings = found.group_by(["case_id", "reader_id", "read_no"]).aggregate([]).to_pandas()
    readings = readings[readings["reader_id"] != ""].sort_values(["case_id", "reader_id", "read_no"])
    return grras_checklist(readings, agreement, facts=settings.grras_facts)


def agreement(folder: Path, settings: StatisticsSettings, scheduler: str | None) -> pd.DataFrame:
    """Agreement of readers, one measure at a time: memory is bounded by the readings of one measure."""
    import pandas as pd

    measures = measured(folder) or [""]  # the name of none: a table without rows, with its columns
    frames = compute_each(partial(_agreement_of, folder=str(folder), settings=settings), measures, scheduler)
    filled = [f for f in frames if len(f)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


def measured(folder: Path) -> list[str]:
    """Names of the measures of a dataset, sorted."""
    import pyarrow.dataset as ds

    names: set[str] = set()
    for batch in ds.dataset(folder, format="parquet").to_batches(columns=["measure"]):
        names |= set(batch.column(0).unique().to_pylist())
    return sorted(names)


def readings_of(folder: Path, measure: str, settings: StatisticsSettings) -> pd.DataFrame:
    """Usable readings of one measure by named readers, in a fixed order."""
    import pyarrow.dataset as ds

    wanted = (
        (ds.field("measure") == measure)
        & ds.field("value").is_valid()
        & ds.field("status").isin(list(settings.usable_statuses))
        & (ds.field("reader_id") != "")
    )
    columns = [
        "case_id", "phase_pct", "reader_id", "read_no", "plan_id", "measure", "variant", "method", "value", "unit",
    ]  # fmt: skip
    frame = ds.dataset(folder, format="parquet").to_table(columns=columns, filter=wanted).to_pandas()
    order = ["variant", "method", "plan_id", "case_id", "phase_pct", "reader_id", "read_no", "value"]
    return frame.sort_values(order, kind="stable").reset_index(drop=True)


def _agreement_of(measure: str, *, folder: str, settings: StatisticsSettings) -> pd.DataFrame:
    from outflow_cohort.stats.agreement import AgreementSettings, agreement_table

    frame = readings_of(Path(folder), measure, settings)
    chosen = AgreementSettings(confidence=settings.confidence)
    return agreement_table(frame, n_boot=settings.n_boot, seed=settings.seed, settings=chosen)
