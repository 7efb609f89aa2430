"""Rows of the agreement table for one measure: one phase a case, readers crossed with cases, reads repeated or not."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from outflow_cohort.stats.agreement.reader_effects import reader_bias_rows
from outflow_cohort.stats.data.cells import Cells, cells_of_arrays
from outflow_cohort.stats.kernels import intraclass
from outflow_cohort.stats.kernels.component_bootstrap import component_intervals
from outflow_cohort.stats.kernels.generalised import interval as draws_interval
from outflow_cohort.stats.kernels.limits_of_agreement import LimitsOfAgreement, bland_altman, variance_interval
from outflow_cohort.stats.kernels.lin import concordance
from outflow_cohort.stats.kernels.method_comparison import RegressionLine, deming, passing_bablok
from outflow_cohort.stats.kernels.precision import draws_of, precision_of, repeatability_rows, reproducibility_rows
from outflow_cohort.stats.kernels.regression_limits import bland_altman_regression
from outflow_cohort.stats.kernels.reml import COMPONENTS, VarianceComponents, fit_cells
from outflow_cohort.stats.kernels.replicate_limits import bland_altman_paired_replicates, replicate_limits_of_cells

ALL_READERS = "all_readers"
BETWEEN_READERS = "between_readers"
WITHIN_READERS = "within_readers"


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
    bootstrap_components: bool = True,
) -> list[dict]:
    """All agreement of one measure from parallel arrays, one entry a reading.

    A row has statistic, comparison, estimate, ci_low, ci_high, interval, boot_low, boot_high, n_cases, n_readers,
    n_readings, status.
    """
    cells = cells_of_arrays(case, reader, value)
    fit = fit_cells(cells)
    draws = draws_of(cells, fit)
    rows = [*_component_rows(cells, fit, draws, confidence), *_icc_rows(cells, confidence)]
    precision = reproducibility_rows(cells, fit, draws, confidence=confidence)
    rows += [
        _row(r["statistic"], ALL_READERS, r)
        for r in precision
        if r["statistic"] in ("icc_intra_single", "sd_reproducibility", "rdc")
    ]
    positive = cells.n_readings > 0 and np.nanmin(np.where(np.isfinite(value), value, np.nan)) > 0
    logs = cells_of_arrays(case, reader, _logarithms(value)) if positive else None
    repeated = repeatability_rows(cells, logs, confidence=confidence, n_draws=n_draws, seed=seed)
    rows += [_row(r["statistic"], WITHIN_READERS, r) for r in repeated]
    for found in reader_bias_rows(cells, fit, confidence=confidence):
        rows.append(_row("reader_bias", f"{found['reader']} - all readers", found | {"interval": "t"}))
    boots = component_intervals(
        cells,
        fit,
        _BOOTSTRAPPED,
        n_draws=n_draws if bootstrap_components else 0,
        seed=seed,
        confidence=confidence,
    )
    for row in rows:
        boot = boots.get(row["statistic"]) if row["comparison"] != WITHIN_READERS or row["statistic"] == "wsd" else None
        row["boot_low"], row["boot_high"] = boot or (np.nan, np.nan)
        row |= {"n_cases": cells.n_cases, "n_readers": cells.n_readers, "n_readings": cells.n_readings}
    rows += _random_reader_limits(cells, precision)
    reads = _reads(cells, case, reader, read, value)
    for first, second in combinations(range(cells.n_readers), 2):
        rows += _pair_rows(cells, reads, second, first, confidence, regressions)
    rows += _within_rows(cells, reads, confidence)
    return rows


def _row(statistic: str, comparison: str, found: dict) -> dict:
    row = {"statistic": statistic, "comparison": comparison, "boot_low": np.nan, "boot_high": np.nan}
    return row | {key: found[key] for key in ("estimate", "ci_low", "ci_high", "interval", "status")}


def _logarithms(value: np.ndarray) -> np.ndarray:
    return np.log(value, where=np.isfinite(value), out=np.full(len(value), np.nan))


_FORMS = {form.key: form for form in intraclass.FORMS}
_BOOTSTRAPPED = {
    "icc_a_1": lambda components: intraclass.ratio_of(components, _FORMS["icc_a_1"], 1.0),
    "icc_c_1": lambda components: intraclass.ratio_of(components, _FORMS["icc_c_1"], 1.0),
    "icc_intra_single": lambda components: precision_of(components, "icc_intra_single"),
    "sd_reproducibility": lambda components: precision_of(components, "sd_reproducibility"),
    "rdc": lambda components: precision_of(components, "rdc"),
    "wsd": lambda components: precision_of(components, "sd_repeatability"),
}


def _component_rows(
    cells: Cells, fit: VarianceComponents, draws: np.ndarray | None, confidence: float
) -> Iterator[dict]:
    values = (fit.case, fit.reader, fit.case_reader, fit.residual)
    for index, (component, variance) in enumerate(zip(COMPONENTS, values, strict=True)):
        low = high = np.nan
        interval, status = "none", fit.status
        if np.isfinite(variance) and draws is not None:
            interval = "generalised"
            low, high = draws_interval(draws[:, index], confidence)
            if component == "residual" and cells.repeated:
                df = cells.n_readings - cells.n_cells
                low, high = variance_interval(float(cells.within_ss.sum()) / df * cells.scale**2, df, confidence)
                interval = "chi_square"
        elif np.isfinite(variance) and status == "ok":
            status = "interval_not_estimable"
        elif not np.isfinite(variance) and np.isfinite(fit.residual):
            status = "one_reader" if cells.n_readers == 1 else "one_read"
        yield _row(
            f"variance_{component}",
            ALL_READERS,
            {"estimate": variance, "ci_low": low, "ci_high": high, "interval": interval, "status": status},
        )


def _icc_rows(cells: Cells, confidence: float) -> Iterator[dict]:
    for form, found in intraclass.icc_rows(cells, k=max(cells.n_readers, 1), confidence=confidence).items():
        yield _row(form, ALL_READERS, found)


def _random_reader_limits(cells: Cells, precision: list[dict]) -> list[dict]:
    """Limits of the difference of two readers drawn at random: 0 -/+ RDC."""
    rdc = next(row for row in precision if row["statistic"] == "rdc")
    size = {"n_cases": cells.n_cases, "n_readers": cells.n_readers, "n_readings": cells.n_readings}
    lower = rdc | {"estimate": -rdc["estimate"], "ci_low": -rdc["ci_high"], "ci_high": -rdc["ci_low"]}
    return [
        _row("loa_lower", BETWEEN_READERS, lower) | size,
        _row("loa_upper", BETWEEN_READERS, rdc) | size,
    ]


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


def _limits_rows(limits: LimitsOfAgreement, comparison: str, n_readers: int, n_readings: int) -> list[dict]:
    size = {"n_cases": limits.n, "n_readers": n_readers, "n_readings": n_readings}
    spread_interval = "mover" if limits.limits_interval == "mover" else "chi_square"
    figures = (
        ("bias", limits.bias, limits.bias_low, limits.bias_high, "t"),
        ("sd_difference", limits.sd, limits.sd_low, limits.sd_high, spread_interval),
        ("loa_lower", limits.lower, limits.lower_low, limits.lower_high, limits.limits_interval),
        ("loa_upper", limits.upper, limits.upper_low, limits.upper_high, limits.limits_interval),
    )
    return [
        _row(
            name,
            comparison,
            {"estimate": e, "ci_low": low, "ci_high": high, "interval": how, "status": limits.status},
        )
        | size
        for name, e, low, high, how in figures
    ]


def _pair_rows(
    cells: Cells, reads: tuple[np.ndarray, np.ndarray], first: int, second: int, confidence: float, regressions: bool
) -> list[dict]:
    """Rows of reader `first` minus reader `second`."""
    a, b = reads[0][:, first], reads[0][:, second]
    comparison = f"{cells.readers[first]} - {cells.readers[second]}"
    counts = cells.counts[:, [first, second]]
    n_readings = int(counts.sum())
    if (counts > 1).any():
        limits = replicate_limits_of_cells(
            cells, cells.readers[first], cells.readers[second], confidence=confidence
        ).limits
    else:
        limits = bland_altman(a, b, confidence=confidence)
    rows = _limits_rows(limits, comparison, 2, n_readings)
    size = {"n_cases": limits.n, "n_readers": 2, "n_readings": n_readings}
    rows += [row | size for row in comparison_rows(a, b, comparison, confidence, regressions)]
    return rows


def comparison_rows(
    a: np.ndarray, b: np.ndarray, comparison: str, confidence: float, regressions: bool
) -> Iterator[dict]:
    """Percent limits, slope of the bias, concordance, regressions if asked for, of pairs (one a case): a minus b."""
    percent = bland_altman(a, b, confidence=confidence, scale="percent")
    for row in _limits_rows(percent, comparison, 2, 2 * percent.n):
        if row["statistic"] != "sd_difference":
            yield row | {"statistic": f"{row['statistic']}_percent"}
    line = bland_altman_regression(a, b, confidence=confidence)
    slope = {"estimate": line.slope, "ci_low": line.slope_low, "ci_high": line.slope_high}
    yield _row("bias_slope", comparison, slope | {"interval": "t", "status": line.status})
    lin = concordance(a, b, confidence=confidence)
    found = {"estimate": lin.estimate, "ci_low": lin.ci_low, "ci_high": lin.ci_high}
    yield _row("concordance", comparison, found | {"interval": "fisher_z", "status": lin.status})
    if regressions:
        for regression in (deming(b, a, confidence=confidence), passing_bablok(b, a, confidence=confidence)):
            yield from _line_rows(regression, comparison)


def _line_rows(line: RegressionLine, comparison: str) -> Iterator[dict]:
    how = "jackknife" if line.method == "deming" else "rank"
    figures = (
        ("slope", line.slope, line.slope_low, line.slope_high),
        ("intercept", line.intercept, line.intercept_low, line.intercept_high),
    )
    for name, estimate, low, high in figures:
        found = {"estimate": estimate, "ci_low": low, "ci_high": high, "interval": how, "status": line.status}
        yield _row(f"{line.method}_{name}", comparison, found)


def _within_rows(cells: Cells, reads: tuple[np.ndarray, np.ndarray], confidence: float) -> list[dict]:
    """Second read minus first, by reader and over all readers (a case's readers kept together)."""
    rows = []
    for column, name in enumerate(cells.readers):
        limits = bland_altman(reads[1][:, column], reads[0][:, column], confidence=confidence)
        limits = _explained(limits, (cells.counts[:, column] > 1).any())
        rows += _limits_rows(limits, f"{name} read 2 - read 1", 1, 2 * limits.n)
    both = np.isfinite(reads[1])
    labels = np.repeat(np.arange(cells.n_cases), cells.n_readers).reshape(both.shape)
    pooled = bland_altman_paired_replicates(labels[both], reads[1][both], reads[0][both], confidence=confidence).limits
    pooled = _explained(pooled, bool(both.any()))
    rows += _limits_rows(pooled, f"{WITHIN_READERS} read 2 - read 1", int(both.any(axis=0).sum()), 2 * int(both.sum()))
    return rows


def _explained(limits: LimitsOfAgreement, repeated: bool) -> LimitsOfAgreement:
    """too_few_pairs of a reader who read nothing twice is better called one_read."""
    from dataclasses import replace

    return limits if repeated else replace(limits, status="one_read")
