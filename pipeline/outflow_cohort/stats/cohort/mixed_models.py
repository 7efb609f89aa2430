"""Measure ~ group x phase + covariates with random case and reader, as a table of means, differences and tests.

One row per reading: all readers and reads count, marked landmarks only. Means are marginal: the other factors' levels
weigh equally, numbers are taken at their mean. Units are those of the measure.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.cohort.mixed_design import differences, marginal_means, mixed_design, terms
from outflow_cohort.stats.data.one_value import NOT_STATED, groups_of
from outflow_cohort.stats.kernels import mixed_model
from outflow_cohort.stats.kernels.comparisons import holm

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.cohort.mixed_design import MixedDesign
    from outflow_cohort.stats.data.settings import MixedModel, StatisticsSettings

QUANTITY = ["plan_id", "measure", "variant", "method", "unit"]
COLUMNS = [
    *QUANTITY, "model", "statistic", "term", "level", "estimate", "std_error", "df", "df2", "ci_low", "ci_high",
    "p_value", "p_holm", "family", "n_cases", "n_readers", "n_readings", "n_missing", "status", "definition", "source",
]  # fmt: skip
RANDOM = ("case", "reader")


def mixed_model_table(
    readings: pd.DataFrame, cases: pd.DataFrame, model: MixedModel, settings: StatisticsSettings
) -> pd.DataFrame:
    """Rows of one model, for each plan and method that it leaves open.

    readings : usable readings of the measure (case_id, phase_pct, reader_id, plan_id, variant, method, unit, value);
    cases : the case table. statistic: variance (of case, reader, residual), f_test (estimate = F, df, df2), mean,
    difference. Cases without a covariate are left out and counted in n_missing.
    """
    import pandas as pd

    frame = readings[np.isfinite(readings["value"].to_numpy(np.float64))]
    if model.variant:
        frame = frame[frame["variant"] == model.variant]
    for column in ("method", "plan_id"):
        if getattr(model, column):
            frame = frame[frame[column] == getattr(model, column)]
    rows: list[dict[str, Any]] = []
    for key, part in frame.groupby(QUANTITY, sort=True, observed=True):
        names = dict(zip(QUANTITY, map(str, key), strict=True))
        rows += [names | row for row in _rows_of(part, cases, model, settings)]
    return pd.DataFrame(rows, columns=COLUMNS)


def _rows_of(
    part: pd.DataFrame, cases: pd.DataFrame, model: MixedModel, settings: StatisticsSettings
) -> list[dict[str, Any]]:
    import pandas as pd

    group = part["case_id"].astype(str).map(groups_of(cases, settings.group_column)).fillna(NOT_STATED)
    step = settings.curve_step_pct
    phase = np.floor(part["phase_pct"].astype(np.float64) / step + 0.5) * step
    phase_text = phase.map(lambda v: "" if np.isnan(v) else f"{v:g} %") if model.by_phase else phase.map(lambda _: "")
    covariates = cases.set_index(cases["case_id"].astype(str))
    numbers, factors, complete = {}, {}, np.ones(len(part), bool)
    for name in model.covariates:
        column = part["case_id"].astype(str).map(covariates[name].astype(str).str.strip()).fillna("")
        number = pd.to_numeric(column.where(column != "", None), errors="coerce")
        complete &= (column != "").to_numpy()
        if number.notna().sum() == (column != "").sum() and number.nunique() > 2:
            numbers[name] = number.to_numpy(np.float64)
        else:
            factors[name] = column.to_numpy(dtype=object)
    text = " + ".join(["group x phase" if phase_text.nunique() > 1 else "group", *model.covariates])
    common: dict[str, Any] = {"model": f"{text}; case and reader random", "source": mixed_model.SOURCE}
    kept = part[complete]
    common |= {"n_cases": kept["case_id"].nunique(), "n_readers": kept["reader_id"].nunique()}
    common |= {"n_readings": len(kept), "n_missing": int((~complete).sum())}
    design = mixed_design(
        group.to_numpy(dtype=object)[complete], phase_text.to_numpy(dtype=object)[complete],
        {k: v[complete] for k, v in factors.items()}, {k: v[complete] for k, v in numbers.items()},
    )  # fmt: skip
    effects = ("case_id", "reader_id") if common["n_readers"] > 1 else ("case_id",)
    codes = [pd.factorize(kept[c].astype(str), sort=True)[0] for c in effects]
    fit = mixed_model.fit_mixed(kept["value"].to_numpy(np.float64), design.columns, codes)
    if design.status != "ok" or not np.isfinite(fit.residual):
        status = design.status if design.status != "ok" else fit.status
        return [common | {"statistic": "f_test", "term": "group", "status": status, "definition": "not fitted"}]
    rows = [common | row for row in _figures(design, fit, common["n_readers"] > 1, settings.confidence)]
    families: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if row["statistic"] == "difference":
            families.setdefault(row["term"], []).append(row)
    for name, members in families.items():
        adjusted = holm(np.array([row["p_value"] for row in members]))
        for row, value in zip(members, adjusted.tolist(), strict=True):
            row |= {"p_holm": value, "family": f"{name}: {len(members)} tests"}
    return rows


def _figures(
    design: MixedDesign, fit: mixed_model.MixedFit, with_reader: bool, confidence: float
) -> Iterator[dict[str, Any]]:
    names = [*(RANDOM if with_reader else RANDOM[:1]), "residual"]
    variances = [*fit.variances.tolist(), fit.residual]
    nil = [name for name, value in zip(names, variances, strict=True) if value == 0.0]
    fitted = "ok" if fit.status in ("ok", "singular") else fit.status
    # Crossed readers cancel from a difference, so only means miss their share; without cases every error is in doubt.
    of_differences = "variance_nil" if nil and nil != ["reader"] else fitted
    of_means = "variance_nil" if nil else fitted
    without = f"; the variance of {' and '.join(nil)} came out as 0, so the model has none" if nil else ""
    for name, value in zip(names, variances, strict=True):
        text = "variance, squared unit of the measure; REML"
        status = "variance_nil" if name in nil else fitted
        yield {"statistic": "variance", "term": name, "estimate": value, "status": status, "definition": text}
    for term, rows in terms(design):
        test = mixed_model.joint_test(fit, rows)
        yield {
            "statistic": "f_test", "term": term, "estimate": test.f_value, "df": test.df1, "df2": test.df2,
            "p_value": test.p_value, "status": of_differences,
            "definition": f"F with Satterthwaite df over the term{without}",
        }  # fmt: skip
    figures = (
        ("mean", of_means, marginal_means(design), "marginal mean: levels of other factors weigh equally"),
        ("difference", of_differences, differences(design), "difference of marginal means"),
    )
    for statistic, status, listed, text in figures:
        for term, level, weights in listed:
            c = mixed_model.contrast_of(fit, weights, confidence)
            yield {
                "statistic": statistic, "term": term, "level": level, "estimate": c.estimate, "std_error": c.std_error,
                "df": c.df, "ci_low": c.ci_low, "ci_high": c.ci_high,
                "p_value": c.p_value if statistic == "difference" else np.nan, "status": status,
                "definition": text + without,
            }  # fmt: skip
