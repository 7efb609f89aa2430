"""Rows of the agreement table for one measure: one phase per case, readers crossed with cases, repeats or not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np

from outflow_cohort.stats.agreement.reader_effects import reader_bias_rows
from outflow_cohort.stats.data.cells import Cells, cells_of_arrays
from outflow_cohort.stats.kernels import icc_forms, intraclass, jackknife
from outflow_cohort.stats.kernels.generalised import interval as draws_interval
from outflow_cohort.stats.kernels.limits_of_agreement import LimitsOfAgreement, variance_interval
from outflow_cohort.stats.kernels.lin import concordance
from outflow_cohort.stats.kernels.method_comparison import RegressionLine, deming, passing_bablok
from outflow_cohort.stats.kernels.precision import draws_of, repeatability_rows, reproducibility_rows
from outflow_cohort.stats.kernels.regression_limits import bland_altman_regression
from outflow_cohort.stats.kernels.reml import COMPONENTS, VarianceComponents, additive_fit, fit_cells
from outflow_cohort.stats.kernels.replicate_limits import bland_altman_paired_replicates, enough_repeats
from outflow_cohort.stats.kernels.robust_limits import pair_limits, replicate_pair_limits

ALL_READERS = "all_readers"
BETWEEN_READERS = "between_readers"
WITHIN_READERS = "within_readers"
CROSSED = "case and reader random, crossed; REML"
FIXED_READERS = "case random, reader fixed"
PAIRED = "paired differences, one per case"
REPLICATES = "differences of replicates, cases independent"
NESTED = "paired differences nested in cases"
NAN = float("nan")


@dataclass(frozen=True)
class AgreementRow:
    """One figure of the agreement of readers; NaN where the model has none of it.

    excess_kurtosis : of the residuals that the interval rests on (0 = normal): far above 0 an interval named exact,
    chi_square, f_based, t or mover is too short, one named jackknife or generalised is not.
    """

    statistic: str
    comparison: str
    estimate: float
    ci_low: float
    ci_high: float
    interval: str
    status: str
    model: str
    n_cases: int = 0
    n_readers: int = 0
    n_readings: int = 0
    std_error: float = NAN
    df: float = NAN
    p_value: float = NAN
    excess_kurtosis: float = NAN


@dataclass(frozen=True)
class _Size:
    """How much an analysis rests on."""

    n_cases: int
    n_readers: int
    n_readings: int

    def on(self, row: AgreementRow) -> AgreementRow:
        return replace(row, n_cases=self.n_cases, n_readers=self.n_readers, n_readings=self.n_readings)


def agreement_rows(
    case: np.ndarray,
    reader: np.ndarray,
    read: np.ndarray,
    value: np.ndarray,
    *,
    confidence: float,
    n_draws: int,
    seed: int,
    regressions: bool,
) -> list[AgreementRow]:
    """All agreement of one measure from parallel arrays, one entry per reading.

    Repeatability and reproducibility come from one model, so that the reproducibility coefficient is never below the
    repeatability coefficient. A row whose interval would not hold its estimate has none, with the status
    interval_not_estimable.
    """
    cells = cells_of_arrays(case, reader, value)
    fit = fit_cells(cells)
    draws = draws_of(cells, fit)
    rows = [*_component_rows(cells, fit, draws, confidence), *_icc_rows(cells, fit, draws, confidence)]
    precision = reproducibility_rows(cells, fit, draws, confidence=confidence)
    of_model = {r["statistic"]: r for r in precision}
    rows += [_found(n, ALL_READERS, of_model[n], CROSSED) for n in ("icc_intra_single", "sd_reproducibility", "rdc")]
    rows += _repeatability(cells, case, reader, value, of_model, confidence, n_draws, seed)
    tails = jackknife.excess_kurtosis(_residuals(cells))
    rows = [replace(row, excess_kurtosis=tails) for row in rows]
    for found in reader_bias_rows(cells, fit, confidence=confidence):
        row = _found("reader_bias", f"{found['reader']} - all readers", found | {"interval": "t"}, FIXED_READERS)
        error, df = float(found["standard_error"]), float(found["df"])
        rows.append(replace(row, std_error=error, df=df, p_value=_t_test(row.estimate, error, df)))
    size = _Size(cells.n_cases, cells.n_readers, cells.n_readings)
    rows = [size.on(row) for row in rows]
    rows += [size.on(row) for row in _random_reader_limits(of_model["rdc"], tails)]
    reads = _reads(cells, case, reader, read, value)
    for first, second in combinations(range(cells.n_readers), 2):
        rows += _pair_rows(cells, reads, second, first, confidence, regressions)
    rows += _within_rows(cells, reads, confidence)
    return [_checked(row) for row in rows]


def _found(statistic: str, comparison: str, found: dict[str, Any], model: str) -> AgreementRow:
    keys = ("estimate", "ci_low", "ci_high", "interval", "status")
    return AgreementRow(statistic, comparison, **{key: found[key] for key in keys}, model=model)


def _checked(row: AgreementRow) -> AgreementRow:
    """The row without its interval where that does not hold the estimate."""
    slack = 1e-9 * (1 + abs(row.estimate)) if np.isfinite(row.estimate) else 0.0
    if row.status != "ok" or row.ci_low - slack <= row.estimate <= row.ci_high + slack:
        return row
    return replace(row, ci_low=NAN, ci_high=NAN, interval="none", status="interval_not_estimable")


def _t_test(estimate: float, error: float, df: float) -> float:
    """Two-sided p of estimate = 0 by Student's t; NaN without an error."""
    from scipy.special import stdtr

    if not (error > 0 and df > 0 and np.isfinite(estimate)):
        return NAN
    return float(2 * stdtr(df, -abs(estimate) / error))


def _residuals(cells: Cells) -> np.ndarray:
    """Cell means less case and reader effect, scaled to the spread of one reading; the spread of repeats by cell."""
    occupied = cells.counts > 0
    if not occupied.any():
        return np.zeros(0)
    fitted, _ = additive_fit(occupied.astype(np.float64), cells.means)
    own: np.ndarray = (cells.means - fitted)[occupied]
    return own


def _repeatability(
    cells: Cells,
    case: np.ndarray,
    reader: np.ndarray,
    value: np.ndarray,
    of_model: dict[str, dict[str, Any]],
    confidence: float,
    n_draws: int,
    seed: int,
) -> list[AgreementRow]:
    """Rows of repeated reads; wsd and rc are those of the crossed model where it could be fitted."""
    positive = cells.n_readings > 0 and np.nanmin(np.where(np.isfinite(value), value, np.nan)) > 0
    logs = cells_of_arrays(case, reader, _logarithms(value)) if positive else None
    rows = []
    for found in repeatability_rows(cells, logs, confidence=confidence, n_draws=n_draws, seed=seed):
        name = str(found["statistic"])
        model = {"wsd": "sd_repeatability", "rc": "rc"}.get(name, "")
        if model and cells.n_readers > 1 and of_model[model]["status"] == "ok":
            rows.append(_found(name, WITHIN_READERS, of_model[model], CROSSED))
        else:
            rows.append(_found(name, WITHIN_READERS, found, "repeats within cells"))
    return rows


def _logarithms(value: np.ndarray) -> np.ndarray:
    result: np.ndarray = np.log(value, where=np.isfinite(value), out=np.full(len(value), np.nan))
    return result


def _component_rows(
    cells: Cells, fit: VarianceComponents, draws: np.ndarray | None, confidence: float
) -> Iterator[AgreementRow]:
    values = (fit.case, fit.reader, fit.case_reader, fit.residual)
    errors = np.sqrt(np.diag(fit.covariance))
    for index, (component, variance) in enumerate(zip(COMPONENTS, values, strict=True)):
        low = high = df = NAN
        interval, status = "none", fit.status
        if np.isfinite(variance) and draws is not None:
            interval = "generalised"
            low, high = draws_interval(draws[:, index], confidence, variance)
            if component == "residual" and cells.repeated and cells.n_cases < jackknife.FEWEST_CASES:
                df = cells.n_readings - cells.n_cells
                low, high = variance_interval(float(cells.within_ss.sum()) / df * cells.scale**2, int(df), confidence)
                low, high, interval = min(low, variance), max(high, variance), "chi_square"
        elif np.isfinite(variance) and status == "ok":
            status = "interval_not_estimable"
        elif not np.isfinite(variance) and np.isfinite(fit.residual):
            status = "one_reader" if cells.n_readers == 1 else "one_read"
        yield AgreementRow(
            statistic=f"variance_{component}",
            comparison=ALL_READERS,
            estimate=variance,
            ci_low=low,
            ci_high=high,
            interval=interval,
            status=status,
            model=CROSSED,
            std_error=float(errors[index]),
            df=df,
        )


ERROR_PARTS = {"consistency": (2, 3), "one_way": (1, 2, 3)}
"""Components that count as error beside the case in the forms that are functions of two mean squares."""


def _icc_rows(
    cells: Cells, fit: VarianceComponents, draws: np.ndarray | None, confidence: float
) -> Iterator[AgreementRow]:
    """ICC forms; where there are cases enough those without a reader component have the interval of the jackknife."""
    found = intraclass.icc_rows(cells, k=max(cells.n_readers, 1), confidence=confidence, known=(fit, draws))
    without = jackknife.components_without(cells, fit)
    for form in icc_forms.FORMS:
        row = _found(form.key, ALL_READERS, found[form.key], CROSSED)
        if without is not None and form.model == "consistency" and row.status == "ok" and 0 < row.estimate < 1:
            row = _jackknifed(row, form.average, without, cells.n_readers, confidence)
        yield row


def _jackknifed(row: AgreementRow, average: bool, without: np.ndarray, k: int, confidence: float) -> AgreementRow:
    single = row.estimate / (k - (k - 1) * row.estimate) if average else row.estimate
    low, high = jackknife.icc_interval(single, without, ERROR_PARTS["consistency"], k, confidence)
    if not low <= single <= high:
        return row
    ends = [k * v / (1 + (k - 1) * v) if average else v for v in (low, high)]
    return replace(row, ci_low=ends[0], ci_high=ends[1], interval="jackknife", df=len(without) - 1.0)


def _random_reader_limits(rdc: dict[str, Any], tails: float) -> list[AgreementRow]:
    """Limits of the difference of two readers drawn at random: 0 -/+ RDC."""
    lower = rdc | {"estimate": -rdc["estimate"], "ci_low": -rdc["ci_high"], "ci_high": -rdc["ci_low"]}
    rows = (
        _found("loa_lower", BETWEEN_READERS, lower, CROSSED),
        _found("loa_upper", BETWEEN_READERS, rdc, CROSSED),
    )
    return [replace(row, excess_kurtosis=tails) for row in rows]


def _reads(
    cells: Cells, case: np.ndarray, reader: np.ndarray, read: np.ndarray, value: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """(n_cases, n_readers) first and second finite read of each cell, by read number; NaN where there is none."""
    shape = (2, cells.n_cases, cells.n_readers)
    found = np.full(shape, np.nan)
    kept = np.flatnonzero(np.isfinite(value))
    row_of = {name: index for index, name in enumerate(cells.cases)}
    column_of = {name: index for index, name in enumerate(cells.readers)}
    taken = np.zeros(shape[1:], dtype=int)
    for index in kept[np.argsort(read[kept], kind="stable")]:
        row, column = row_of.get(case[index]), column_of.get(reader[index])
        if row is None or column is None:
            continue
        if taken[row, column] < 2:
            found[taken[row, column], row, column] = value[index]
        taken[row, column] += 1
    return found[0], found[1]


def limits_rows(
    limits: LimitsOfAgreement, comparison: str, size: tuple[int, int, int], model: str, tails: float = NAN
) -> list[AgreementRow]:
    """Bias, SD and limits; size : cases, readers, readings; tails : excess kurtosis of the differences."""
    spread_interval = {"mover": "mover", "jackknife": "jackknife"}.get(limits.limits_interval, "chi_square")
    df = limits.n - 1.0
    figures = (
        ("bias", limits.bias, limits.bias_low, limits.bias_high, "t"),
        ("sd_difference", limits.sd, limits.sd_low, limits.sd_high, spread_interval),
        ("loa_lower", limits.lower, limits.lower_low, limits.lower_high, limits.limits_interval),
        ("loa_upper", limits.upper, limits.upper_low, limits.upper_high, limits.limits_interval),
    )
    rows = [
        _Size(*size).on(
            AgreementRow(
                statistic=name,
                comparison=comparison,
                estimate=e,
                ci_low=low,
                ci_high=high,
                interval=how,
                status=limits.status,
                model=model,
                df=df,
                excess_kurtosis=tails,
            )
        )
        for name, e, low, high, how in figures
    ]
    error = limits.bias_se
    rows[0] = replace(rows[0], std_error=error, p_value=_t_test(limits.bias, error, df))
    return rows


def _pair_rows(
    cells: Cells, reads: tuple[np.ndarray, np.ndarray], first: int, second: int, confidence: float, regressions: bool
) -> list[AgreementRow]:
    """Rows of reader `first` minus reader `second`."""
    a, b = reads[0][:, first], reads[0][:, second]
    comparison = f"{cells.readers[first]} - {cells.readers[second]}"
    both = (cells.counts[:, [first, second]] > 0).all(axis=1)
    n_readings = int(cells.counts[both][:, [first, second]].sum())
    if enough_repeats(cells.counts[:, [first, second]]):
        names = cells.readers[first], cells.readers[second]
        limits, model = replicate_pair_limits(cells, *names, confidence=confidence), REPLICATES
    else:
        limits, model = pair_limits(a, b, confidence=confidence), PAIRED
    size = (limits.n, 2, n_readings if model == REPLICATES else 2 * limits.n)
    rows = limits_rows(limits, comparison, size, model, jackknife.excess_kurtosis(a - b))
    rows += [_Size(*size).on(row) for row in comparison_rows(a, b, comparison, confidence, regressions)]
    return rows


def comparison_rows(
    a: np.ndarray, b: np.ndarray, comparison: str, confidence: float, regressions: bool
) -> Iterator[AgreementRow]:
    """Percent limits, slope of the bias, concordance, regressions if asked for, of pairs (one per case): a minus b."""
    percent = pair_limits(a, b, confidence=confidence, scale="percent")
    for row in limits_rows(percent, comparison, (percent.n, 2, 2 * percent.n), PAIRED):
        if row.statistic != "sd_difference":
            yield replace(row, statistic=f"{row.statistic}_percent")
    line = bland_altman_regression(a, b, confidence=confidence)
    yield AgreementRow(
        statistic="bias_slope",
        comparison=comparison,
        estimate=line.slope,
        ci_low=line.slope_low,
        ci_high=line.slope_high,
        interval="t",
        status=line.status,
        model=PAIRED,
    )
    lin = concordance(a, b, confidence=confidence)
    yield AgreementRow(
        statistic="concordance",
        comparison=comparison,
        estimate=lin.estimate,
        ci_low=lin.ci_low,
        ci_high=lin.ci_high,
        interval="fisher_z",
        status=lin.status,
        model=PAIRED,
    )
    if regressions:
        for regression in (deming(b, a, confidence=confidence), passing_bablok(b, a, confidence=confidence)):
            yield from _line_rows(regression, comparison)


def _line_rows(line: RegressionLine, comparison: str) -> Iterator[AgreementRow]:
    how = "jackknife" if line.method == "deming" else "rank"
    figures = (
        ("slope", line.slope, line.slope_low, line.slope_high),
        ("intercept", line.intercept, line.intercept_low, line.intercept_high),
    )
    for name, estimate, low, high in figures:
        yield AgreementRow(
            statistic=f"{line.method}_{name}",
            comparison=comparison,
            estimate=estimate,
            ci_low=low,
            ci_high=high,
            interval=how,
            status=line.status,
            model=PAIRED,
        )


def _within_rows(cells: Cells, reads: tuple[np.ndarray, np.ndarray], confidence: float) -> list[AgreementRow]:
    """Second read minus first, by reader and over all readers (a case's readers kept together)."""
    rows = []
    for column, name in enumerate(cells.readers):
        limits = pair_limits(reads[1][:, column], reads[0][:, column], confidence=confidence)
        limits = _explained(limits, bool((cells.counts[:, column] > 1).any()))
        tails = jackknife.excess_kurtosis(reads[1][:, column] - reads[0][:, column])
        rows += limits_rows(limits, f"{name} read 2 - read 1", (limits.n, 1, 2 * limits.n), PAIRED, tails)
    both = np.isfinite(reads[1])
    labels = np.repeat(np.arange(cells.n_cases), cells.n_readers).reshape(both.shape)
    pooled = bland_altman_paired_replicates(labels[both], reads[1][both], reads[0][both], confidence=confidence).limits
    pooled = _explained(pooled, bool(both.any()))
    size = (pooled.n, int(both.any(axis=0).sum()), 2 * int(both.sum()))
    tails = jackknife.excess_kurtosis((reads[1] - reads[0])[both])
    return rows + limits_rows(pooled, f"{WITHIN_READERS} read 2 - read 1", size, NESTED, tails)


def _explained(limits: LimitsOfAgreement, repeated: bool) -> LimitsOfAgreement:
    """too_few_pairs of a reader who read nothing twice is better called one_read."""
    return limits if repeated else replace(limits, status="one_read")
