"""Repeatability (same reader reads again) and reproducibility (another reader reads) of a measure.

Within-subject SD (wSD) is the SD of repeated reads by the same reader. RC = 1.96 sqrt(2) wSD: 95 % of the absolute
differences of two reads by the same reader lie below it. RDC = 1.96 sqrt(2) sqrt(reader + case x reader + residual):
the same for reads by two readers. Both in the unit of the values; coefficients of variation are unitless, and each of
the four definitions in use bears its own name.

Sources: Bland & Altman 1996, BMJ 312:1654 and 313:744 (wSD, RC); Bland & Altman 1996, BMJ 313:106 and Bland 2006
(within-subject CV, root mean square and log methods); Raunig et al. 2015, Stat Methods Med Res 24:27 (RC, RDC).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.cells import Cells, cells_of_arrays, cells_of_frame
from outflow_cohort.stats.kernels import generalised, jackknife
from outflow_cohort.stats.kernels.bootstrap import weighted_bootstrap
from outflow_cohort.stats.kernels.limits_of_agreement import _normal_quantile, variance_interval
from outflow_cohort.stats.kernels.reml import VarianceComponents, fit_cells

if TYPE_CHECKING:
    import pandas as pd

SOURCE = "Bland & Altman 1996 BMJ 313:744; Raunig et al. 2015 Stat Methods Med Res 24:27"
DIFFERENCE_OF_TWO = float(np.sqrt(2.0))
"""SD of the difference of two independent readings over the SD of one."""

WSD = "square root of the pooled variance of repeated reads by the same reader of the same case"
RC = "1.96 sqrt(2) wSD (normal quantile): bound of 95 % of the differences of two reads by one reader"
WCV = {
    "wcv_rms": "root mean square over cells of SD/mean",
    "wcv_mean": "wSD / grand mean",
    "wcv_log": "exp(wSD of natural logarithms) - 1",
    "wcv_lognormal": "sqrt(exp(variance of natural logarithms) - 1)",
    "wcv_mean_of_cv": "arithmetic mean over cells of SD/mean",
}

LARGEST_LOG_VARIANCE = 50.0
"""Repeats that differ by a factor of a thousand (SD of the logarithms 7) have no coefficient of variation."""


def repeatability(
    frame: pd.DataFrame,
    *,
    case: str = "case_id",
    reader: str | None = "reader_id",
    value: str = "value",
    read: str | None = None,
    confidence: float = 0.95,
    n_draws: int = 2000,
    seed: int = 20240229,
) -> pd.DataFrame:
    """wSD, RC and within-subject CV from cells read more than once, any number of times.

    reader : None pools all reads of a case; else a cell is one reader's reads of one case, and reader bias stays out.

    Returns rows wsd, rc, wcv_rms, wcv_mean, wcv_log, wcv_lognormal, wcv_mean_of_cv with columns statistic, estimate,
    ci_low, ci_high, interval, df, n_cases, n_readings, definition, source, status, note. Intervals: chi-square for
    wsd, rc and the log forms, case bootstrap (BCa) for the others. status: one_read (no cell was read twice),
    no_spread (all repeats equal), not_positive (a CV of values that are not all positive). Raises KeyError for an
    absent column.

    Pairs that differ by 2, 0 and 2: the wSD is the root of the mean of d^2 / 2, RC 1.96 times the root of 2 of it:

    >>> import pandas as pd
    >>> frame = pd.DataFrame({"case_id": [1, 1, 2, 2, 3, 3], "value": [10.0, 12, 20, 20, 31, 29]})
    >>> found = repeatability(frame, reader=None, n_draws=200).set_index("statistic")["estimate"]
    >>> round(float(found["wsd"]) ** 2, 3), round(float(found["rc"]), 2)
    (1.333, 3.2)
    """
    if read is not None and read not in frame.columns:
        raise KeyError(f"column {read!r} not in the frame; it has {list(frame.columns)}")
    cells = cells_of_frame(frame, case=case, reader=reader, value=value)
    return repeatability_of_cells(
        cells,
        _log_cells(frame, case, reader, value),
        confidence=confidence,
        n_draws=n_draws,
        seed=seed,
    )


def _log_cells(frame: pd.DataFrame, case: str, reader: str | None, value: str) -> Cells | None:
    """Cells of the natural logarithms; None where a value is not positive."""
    import pandas as pd

    values = pd.to_numeric(frame[value], errors="coerce").to_numpy(np.float64)
    finite = values[np.isfinite(values)]
    if not len(finite) or finite.min() <= 0:
        return None
    readers = None if reader is None else frame[reader].to_numpy()
    logs = np.log(values, where=np.isfinite(values), out=np.full(len(values), np.nan))
    return cells_of_arrays(frame[case].to_numpy(), readers, logs)


def repeatability_of_cells(
    cells: Cells, log_cells: Cells | None, *, confidence: float = 0.95, n_draws: int = 2000, seed: int = 20240229
) -> pd.DataFrame:
    """`repeatability` of gathered cells; log_cells = cells of the logarithms, None where they do not exist."""
    import pandas as pd

    rows = repeatability_rows(cells, log_cells, confidence=confidence, n_draws=n_draws, seed=seed)
    table = pd.DataFrame(rows).assign(
        n_cases=cells.n_cases,
        n_readings=cells.n_readings,
        df=cells.n_readings - cells.n_cells,
        source=SOURCE,
        note=cells.note,
    )
    order = "statistic estimate ci_low ci_high interval df n_cases n_readings definition source status note"
    return table[order.split()]


def repeatability_rows(
    cells: Cells, log_cells: Cells | None, *, confidence: float, n_draws: int, seed: int
) -> list[dict[str, Any]]:
    """Rows of `repeatability` without the sample sizes."""
    df = cells.n_readings - cells.n_cells
    nan = float("nan")
    blank = {"estimate": nan, "ci_low": nan, "ci_high": nan, "interval": "none"}
    rows = []
    variance = float(cells.within_ss.sum()) / df * cells.scale**2 if df else nan
    reason = "no_readings" if not cells.n_readings else "one_read" if not df else "no_spread" if variance == 0 else "ok"
    rc_factor = _normal_quantile(0.975) * DIFFERENCE_OF_TWO
    for statistic, factor, definition in (("wsd", 1.0, WSD), ("rc", rc_factor, RC)):
        row = dict(blank)
        if reason == "no_spread":
            row |= {"estimate": 0.0}
        elif reason == "ok":
            low, high = variance_interval(variance, df, confidence)
            estimate, low, high = (float(factor * np.sqrt(v)) for v in (variance, low, high))
            row |= {"estimate": estimate, "ci_low": low, "ci_high": high, "interval": "chi_square"}
        rows.append({"statistic": statistic, **row, "definition": definition, "status": reason})
    cv_reason = "not_positive" if df and log_cells is None else reason
    log_variance = nan
    if log_cells is not None and df:
        log_variance = float(log_cells.within_ss.sum()) / df * log_cells.scale**2
    if cv_reason == "ok" and log_variance > LARGEST_LOG_VARIANCE:
        cv_reason = "spread_too_wide"
    for statistic, definition in WCV.items():
        row, status = dict(blank), cv_reason
        if cv_reason == "no_spread":
            row |= {"estimate": 0.0}
        elif cv_reason == "ok" and statistic in ("wcv_log", "wcv_lognormal"):
            transform = _exp_minus_1 if statistic == "wcv_log" else _lognormal
            limits = variance_interval(log_variance, df, confidence)
            estimate, low, high = (transform(v) for v in (log_variance, *limits))
            row |= {"estimate": estimate, "ci_low": low, "ci_high": high, "interval": "chi_square"}
        elif cv_reason == "ok":
            found = weighted_bootstrap(
                _cv_of_weights(cells, statistic), cells.n_cases, n_draws=n_draws, seed=seed, confidence=confidence
            )
            row |= {"estimate": found.estimate, "ci_low": found.ci_low, "ci_high": found.ci_high}
            row["interval"] = "case_bootstrap_bca" if found.status == "ok" else "none"
            status = found.status
        rows.append({"statistic": statistic, **row, "definition": definition, "status": status})
    return rows


def _exp_minus_1(variance: float) -> float:
    return float(np.expm1(np.sqrt(variance)))


def _lognormal(variance: float) -> float:
    return float(np.sqrt(np.expm1(variance)))


def _cv_of_weights(cells: Cells, statistic: str) -> Callable[[np.ndarray], np.ndarray]:
    """Function of case weights (n, n_cases) that gives the CV of that name; cells with one read do not count."""
    degrees = np.maximum(cells.counts - 1.0, 0.0)
    size = np.abs(cells.location + cells.scale * cells.means)
    repeated = degrees > 0
    within = np.where(repeated, cells.within_ss * cells.scale**2, 0.0)
    relative = np.divide(within, size**2, out=np.zeros_like(size), where=repeated)
    deviation = np.sqrt(np.divide(relative, degrees, out=np.zeros_like(size), where=repeated))
    value_sum = (cells.counts * (cells.location + cells.scale * cells.means)).sum(axis=1)
    columns = {
        "wcv_rms": (relative.sum(axis=1), degrees.sum(axis=1)),
        "wcv_mean_of_cv": (deviation.sum(axis=1), repeated.sum(axis=1).astype(np.float64)),
        "wcv_mean": (within.sum(axis=1), degrees.sum(axis=1)),
    }
    numerator, denominator = columns[statistic]
    count = cells.counts.sum(axis=1)

    def of_weights(weights: np.ndarray) -> np.ndarray:
        below = weights @ denominator
        ratio = np.divide(weights @ numerator, below, out=np.full(len(weights), np.nan), where=below > 0)
        if statistic == "wcv_rms":
            result: np.ndarray = np.sqrt(ratio)
            return result
        if statistic == "wcv_mean":
            result = np.sqrt(ratio) / ((weights @ value_sum) / (weights @ count))
            return result
        result = ratio
        return result

    return of_weights


def reproducibility(
    frame: pd.DataFrame,
    *,
    case: str = "case_id",
    reader: str = "reader_id",
    value: str = "value",
    read: str | None = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """SD and coefficient of reproducibility (RDC) over readers, and repeatability, from one crossed model by REML.

    Returns rows sd_reproducibility, rdc, sd_repeatability, rc, icc_inter_single, icc_intra_single; columns statistic,
    estimate, ci_low, ci_high, interval, n_cases, n_readers, n_readings, definition, source, status, note. Without a
    repeated read the residual holds case x reader too, and rows that need it apart have status one_read. Raises
    KeyError for an absent column.

    Readings of Shrout & Fleiss 1979: variance of readers (5.24) and rest (1.02) together, and 2.77 times their root:

    >>> import pandas as pd
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> frame = pd.DataFrame([(c, r, v) for c, row in enumerate(table) for r, v in enumerate(row)])
    >>> found = reproducibility(frame.set_axis(["case_id", "reader_id", "value"], axis=1)).set_index("statistic")
    >>> [round(float(found.loc[name, "estimate"]), 2) for name in ("sd_reproducibility", "rdc")]
    [2.5, 6.94]
    """
    if read is not None and read not in frame.columns:
        raise KeyError(f"column {read!r} not in the frame; it has {list(frame.columns)}")
    return reproducibility_of_cells(cells_of_frame(frame, case=case, reader=reader, value=value), confidence=confidence)


REPRODUCIBILITY = {
    "sd_reproducibility": "sqrt(reader + case x reader + residual)",
    "rdc": "1.96 sqrt(2) sqrt(reader + case x reader + residual) (normal quantile)",
    "sd_repeatability": "sqrt(residual)",
    "rc": "1.96 sqrt(2) sqrt(residual) (normal quantile)",
    "icc_inter_single": "case / (case + reader + case x reader + residual): ICC(A,1), two readers, one read each",
    "icc_intra_single": "(case + reader + case x reader) / total: two reads of one reader",
}


def reproducibility_of_cells(cells: Cells, *, confidence: float = 0.95) -> pd.DataFrame:
    """`reproducibility` of gathered cells."""
    import pandas as pd

    fit = fit_cells(cells)
    table = pd.DataFrame(reproducibility_rows(cells, fit, draws_of(cells, fit), confidence=confidence)).assign(
        n_cases=cells.n_cases,
        n_readers=cells.n_readers,
        n_readings=cells.n_readings,
        source=SOURCE + "; intervals: " + generalised.SOURCE,
        note=cells.note,
    )
    order = "statistic estimate ci_low ci_high interval n_cases n_readers n_readings definition source status note"
    return table[order.split()]


def draws_of(cells: Cells, fit: VarianceComponents) -> np.ndarray | None:
    """Generalised draws of the components of a fit, squared unit of the values; None where there are none."""
    if fit.status != "ok" or cells.n_readers < 2:
        return None
    pivots = generalised.pivots_of(cells, bool(np.isfinite(fit.case_reader)))
    return None if pivots is None else generalised.component_draws(pivots) * cells.scale**2


def reproducibility_rows(
    cells: Cells, fit: VarianceComponents, draws: np.ndarray | None, *, confidence: float
) -> list[dict[str, Any]]:
    """Rows of `reproducibility` without the sample sizes."""
    usable = bool(np.isfinite(fit.residual))
    nan = float("nan")
    rows = []
    for statistic, definition in REPRODUCIBILITY.items():
        status = fit.status
        if cells.n_readers == 1 and statistic in ("sd_reproducibility", "rdc", "icc_inter_single", "icc_intra_single"):
            status = "one_reader" if usable else status
        elif usable and not cells.repeated and statistic in ("sd_repeatability", "rc", "icc_intra_single"):
            status = "one_read"
        row: dict[str, Any] = {"estimate": nan, "ci_low": nan, "ci_high": nan, "interval": "none"}
        if usable and status not in ("one_reader", "one_read"):
            row["estimate"] = float(precision_of(fit.values[None, :], statistic)[0])
            if statistic in ("sd_repeatability", "rc") and status == "ok":
                low, high, how = within_variance_interval(cells, confidence)
                factor = row["estimate"] / np.sqrt(fit.residual)
                # The model's residual may be pooled with a case x reader component of 0: widened to hold it.
                low, high = min(factor * np.sqrt(low), row["estimate"]), max(factor * np.sqrt(high), row["estimate"])
                row |= {"ci_low": low, "ci_high": high, "interval": how}
            elif draws is not None:
                low, high = generalised.interval(precision_of(draws, statistic), confidence, row["estimate"])
                row |= {"ci_low": low, "ci_high": high, "interval": "generalised"}
            elif status == "ok":
                status = "interval_not_estimable"
        rows.append({"statistic": statistic, **row, "definition": definition, "status": status})
    return rows


def within_variance_interval(cells: Cells, confidence: float) -> tuple[float, float, str]:
    """Interval of the variance of repeated reads, squared unit of the values, and its kind: by jackknife where there
    are cases enough, else chi-square."""
    low, high = jackknife.within_interval(cells, confidence)
    if np.isfinite(low):
        return low, high, "jackknife"
    df = cells.n_readings - cells.n_cells
    low, high = variance_interval(float(cells.within_ss.sum()) / df * cells.scale**2, df, confidence)
    return low, high, "chi_square"


def precision_of(components: np.ndarray, statistic: str) -> np.ndarray:
    """A row of `reproducibility` from components (n, 4)."""
    case, reader, cell, residual = np.moveaxis(components, -1, 0)
    spread = reader + cell + residual
    factor = _normal_quantile(0.975) * DIFFERENCE_OF_TWO
    total = case + spread
    share = np.full(np.shape(total), np.nan)
    if statistic == "sd_reproducibility":
        result: np.ndarray = np.sqrt(spread)
        return result
    if statistic == "rdc":
        result = factor * np.sqrt(spread)
        return result
    if statistic == "sd_repeatability":
        result = np.sqrt(residual)
        return result
    if statistic == "rc":
        result = factor * np.sqrt(residual)
        return result
    if statistic == "icc_inter_single":
        result = np.divide(case, total, out=share, where=total > 0)
        return result
    if statistic == "icc_intra_single":
        result = np.divide(case + reader + cell, total, out=share, where=total > 0)
        return result
    raise ValueError(f"statistic is {statistic!r}; one of {list(REPRODUCIBILITY)} is known")
