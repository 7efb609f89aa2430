"""All tables of statistics of a study, from its measurements, its cases and its settings."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.stats.case_values import case_values, rules_of
from outflow_cohort.stats.dask_scheduler import compute_each
from outflow_cohort.stats.one_value import groups_of, one_value_a_case
from outflow_cohort.stats.settings import StatisticsSettings
from outflow_cohort.stats.summary import cohort_summary, phase_curves

if TYPE_CHECKING:
    import pandas as pd

NOT_BASELINE = ("case_id", "group", "device_id", "prosthesis_id", "key")


def study_tables(results: Path, study: Mapping[str, Any], scheduler: str | None = None) -> dict[str, pd.DataFrame]:
    """Name -> table. Raises FileNotFoundError where RESULTS/tables/measurements is not there."""
    import pandas as pd

    from outflow_cohort.stats.associations import association_table, numeric_columns
    from outflow_cohort.stats.cutoffs import cutoff_shares

    settings = StatisticsSettings.model_validate(study.get("statistics") or {})
    scheduler = scheduler or settings.scheduler
    folder = results / "tables" / "measurements"
    cases = pd.read_parquet(results / "work" / "cases.parquet")
    groups = groups_of(cases, settings.group_column)
    rules = rules_of(settings)
    values = case_values(folder, rules, scheduler)
    chosen = one_value_a_case(values, settings.phase_rule)
    named = {"phase_rule": settings.phase_rule, "rule": rules.text}
    tables: dict[str, pd.DataFrame] = {}
    tables["cohort_summary"] = cohort_summary(values, chosen, groups, settings, rules.text)
    tables["phase_curves"] = phase_curves(tables["cohort_summary"])
    tables["cutoffs"] = cutoff_shares(
        chosen, groups, study.get("cutoff_table") or [], confidence=settings.confidence, **named
    )
    left_out = {*NOT_BASELINE, settings.group_column, *(o.column for o in settings.outcomes)}
    numbers = numeric_columns(cases, sorted(left_out))
    if settings.association_columns is not None:
        numbers = numbers[[c for c in settings.association_columns if c in numbers]]
    headline = chosen[_matches(chosen, settings)]
    tables["associations"] = association_table(chosen, numbers, headline, confidence=settings.confidence, **named)
    tables["agreement"] = agreement(folder, settings, scheduler)
    return tables


def _matches(chosen: pd.DataFrame, settings: StatisticsSettings) -> pd.Series:
    """Whether a row is one of the predictors of the settings."""
    found = chosen["measure"] != chosen["measure"]
    for p in settings.predictors:
        same = chosen["measure"] == p.measure
        for column in ("variant", "method", "plan_id"):
            wanted = getattr(p, column)
            if wanted:
                same &= chosen[column] == wanted
        found |= same
    return found


def agreement(folder: Path, settings: StatisticsSettings, scheduler: str | None) -> pd.DataFrame:
    """Agreement of readers, one measure at a time: memory is bounded by the readings of one measure."""
    import pandas as pd

    measures = measured(folder)
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
