"""Intraclass correlation: the six forms of McGraw & Wong, named, with intervals, from any pattern of readings.

With var the components case (c), reader (r), case x reader (cr) and residual (e):

    ICC(1,1)  one-way: c / (c + e), readers ignored            ICC(1,k)  c / (c + e / k)
    ICC(C,1)  consistency: c / (c + cr + e)                    ICC(C,k)  c / (c + (cr + e) / k)
    ICC(A,1)  absolute agreement: c / (c + r + cr + e)         ICC(A,k)  c / (c + (r + cr + e) / k)

ICC(1,1), ICC(A,1), ICC(C,1) are Shrout & Fleiss' ICC(1,1), ICC(2,1), ICC(3,1); readers are random in all. Complete
readings with one read per cell: mean squares and F-based intervals, where an estimate may be negative; else components
by restricted maximum likelihood and generalised intervals.

The one-way form of readings with known readers but missing cells or repeats takes the mean squares that the two-way
components predict for a complete table: between k c + cr + e, within r + cr + e. So it goes over into the classical
value as the gaps close. With reader=None it is c / (c + e) of the one-way model itself.

Sources: McGraw & Wong 1996, Psychol Methods 1:30, tables 4 and 7; Shrout & Fleiss 1979, Psychol Bull 86:420.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from outflow_cohort.stats.data.cells import Cells, cells_of_frame
from outflow_cohort.stats.kernels import generalised
from outflow_cohort.stats.kernels.icc_forms import FORMS, IccForm
from outflow_cohort.stats.kernels.reml import EXACT, NEGLIGIBLE_RESIDUAL, VarianceComponents, fit_cells

if TYPE_CHECKING:
    import pandas as pd

SOURCE = "McGraw & Wong 1996 Psychol Methods 1:30; Shrout & Fleiss 1979 Psychol Bull 86:420"
USABLE = ("ok", "not_converged")
IntervalMethod = Literal["auto", "f_based", "generalised"]


@dataclass(frozen=True)
class MeanSquares:
    """Two-way analysis of variance of complete readings, one per cell (Shrout & Fleiss 1979, table 2).

    cases (MSR), readers (MSC), residual (MSE), within cases (MSW); n cases, k readers; reader_f with its p tests
    equal reader means.
    """

    cases: float
    readers: float
    residual: float
    within: float
    n: int
    k: int
    reader_f: float
    reader_p: float


def mean_squares(
    frame: pd.DataFrame, *, case: str = "case_id", reader: str = "reader_id", value: str = "value"
) -> MeanSquares:
    """Mean squares of a complete case x reader table. Raises ValueError where a cell is empty or read twice.

    Shrout & Fleiss 1979, table 3 (11.24, 32.49, 1.02, 6.26):

    >>> import pandas as pd
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> frame = pd.DataFrame([(c, r, v) for c, row in enumerate(table) for r, v in enumerate(row)])
    >>> found = mean_squares(frame.set_axis(["case_id", "reader_id", "value"], axis=1))
    >>> [round(float(x), 2) for x in (found.cases, found.readers, found.residual, found.within)]
    [11.24, 32.49, 1.02, 6.26]
    """
    cells = cells_of_frame(frame, case=case, reader=reader, value=value)
    if not cells.complete or cells.repeated or cells.n_cases < 2 or cells.n_readers < 2:
        raise ValueError(
            "mean squares need every reader to read every case exactly once, at least 2 x 2;"
            " use variance_components for other readings"
        )
    return _mean_squares(cells)


def _mean_squares(cells: Cells) -> MeanSquares:
    from scipy.stats import f as f_distribution

    table, unit = cells.means, cells.scale**2
    n, k = table.shape
    case_ss = k * float(((table.mean(axis=1) - table.mean()) ** 2).sum())
    reader_ss = n * float(((table.mean(axis=0) - table.mean()) ** 2).sum())
    additive = table.mean(axis=1)[:, None] + table.mean(axis=0)[None, :] - table.mean()
    residual_ss = float(((table - additive) ** 2).sum())
    residual = residual_ss / ((n - 1) * (k - 1))
    readers = reader_ss / (k - 1)
    reader_f = readers / residual if residual > 0 else float("nan")
    return MeanSquares(
        cases=case_ss / (n - 1) * unit,
        readers=readers * unit,
        residual=residual * unit,
        within=(reader_ss + residual_ss) / (n * (k - 1)) * unit,
        n=n,
        k=k,
        reader_f=reader_f,
        reader_p=float(f_distribution.sf(reader_f, k - 1, (n - 1) * (k - 1))) if residual > 0 else float("nan"),
    )


def icc(
    frame: pd.DataFrame,
    *,
    case: str = "case_id",
    reader: str | None = "reader_id",
    value: str = "value",
    read: str | None = None,
    k: float | None = None,
    confidence: float = 0.95,
    interval: IntervalMethod = "auto",
    null_value: float = 0.0,
) -> pd.DataFrame:
    """The six forms of the ICC from a tidy frame, one row per reading; missing cells and repeated reads are allowed.

    k : readings averaged in the k forms; default the number of readers (one-way without readers: the mean number of
        readings per case).
    interval : "f_based" (McGraw & Wong; complete readings, one per cell), "generalised" (of normal errors where the
        readings are complete), or "auto": f_based where that is exact (one-way and consistency forms of complete
        readings), else generalised. The F-based interval of the agreement forms rests on Satterthwaite's approximation
        and covers well below its nominal level where two to four readers differ in bias (87 % instead of 95 % in this
        project's simulation, tests/stats), so it is given only on demand.
    null_value : value of the ICC under the hypothesis of f_value and p_value (complete readings only).

    Returns one row per form: form, name, shrout_fleiss, definition, estimate, ci_low, ci_high, f_value, df1, df2,
    p_value, k, n_cases, n_readers, n_readings, estimator, interval, source, status, note. estimator "mean_squares"
    may be negative, "reml" not. Never raises on data; raises KeyError for an absent column, ValueError for a
    confidence outside (0, 1).

    Four judges, six targets (Shrout & Fleiss 1979, table 4: 0.17, 0.29, 0.71; means of four 0.44, 0.62, 0.91):

    >>> import pandas as pd
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> frame = pd.DataFrame([(c, r, v) for c, row in enumerate(table) for r, v in enumerate(row)])
    >>> found = icc(frame.set_axis(["case_id", "reader_id", "value"], axis=1))
    >>> [round(float(x), 2) for x in found["estimate"]]
    [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]
    """
    if read is not None and read not in frame.columns:
        raise KeyError(f"column {read!r} not in the frame; it has {list(frame.columns)}")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence is {confidence}; it is between 0 and 1")
    cells = cells_of_frame(frame, case=case, reader=reader, value=value)
    return icc_of_cells(cells, k=k, confidence=confidence, interval=interval, null_value=null_value)


def icc_of_cells(
    cells: Cells,
    *,
    k: float | None = None,
    confidence: float = 0.95,
    interval: IntervalMethod = "auto",
    null_value: float = 0.0,
) -> pd.DataFrame:
    """`icc` of readings already gathered in cells."""
    import pandas as pd

    if k is None:
        k = cells.n_readers if cells.n_readers > 1 else cells.n_readings / max(cells.n_cases, 1)
    found = icc_rows(cells, k=k, confidence=confidence, interval=interval, null_value=null_value)
    rows = [
        {
            "form": form.key,
            "name": form.name,
            "shrout_fleiss": form.shrout_fleiss,
            "definition": form.definition,
            **found[form.key],
            "k": float(k),
            "n_cases": cells.n_cases,
            "n_readers": cells.n_readers,
            "n_readings": cells.n_readings,
            "source": SOURCE,
            "note": cells.note,
        }
        for form in FORMS
    ]
    columns = (
        "form name shrout_fleiss definition estimate ci_low ci_high f_value df1 df2 p_value k n_cases n_readers"
        " n_readings estimator interval source status note"
    )
    return pd.DataFrame(rows)[columns.split()]


def icc_rows(
    cells: Cells,
    *,
    k: float,
    confidence: float,
    interval: IntervalMethod = "auto",
    null_value: float = 0.0,
    known: tuple[VarianceComponents, np.ndarray | None] | None = None,
) -> dict[str, dict[str, Any]]:
    """Estimate, interval, test and status of each form by its key.

    known : components of the cells and their draws (None = there are none), where they have been computed before.
    """
    classical = (
        cells.n_readers > 1 and cells.n_cases > 1 and cells.complete and not cells.repeated and not cells.constant
    )
    if interval == "f_based" and not classical:
        raise ValueError("f_based intervals need every reader to read every case exactly once")
    if not classical:
        return _from_components(cells, k, confidence, known)
    squares = _mean_squares(cells)
    if squares.residual <= NEGLIGIBLE_RESIDUAL * cells.scale**2:
        return _from_components(cells, k, confidence, known)
    found = _from_mean_squares(squares, k, confidence, null_value)
    if interval != "f_based" and not -1.0 / (cells.n_readers - 1) <= found["icc_a_1"]["estimate"] <= 1.0:
        # Mean squares of very few cases may give an agreement outside the range any correlation can have.
        return found | {key: row for key, row in _from_components(cells, k, confidence, known).items() if "_a_" in key}
    if interval != "f_based":
        models = ("agreement",) if interval == "auto" else ("one_way", "agreement", "consistency")
        found = _with_generalised(found, cells, k, confidence, models, tails=interval == "auto")
    return found


def _row(estimate: float, low: float, high: float, estimator: str, interval: str, status: str = "ok") -> dict[str, Any]:
    nan = float("nan")
    return {
        "estimate": estimate, "ci_low": low, "ci_high": high, "f_value": nan, "df1": nan, "df2": nan,
        "p_value": nan, "estimator": estimator, "interval": interval, "status": status,
    }  # fmt: skip


def _averaged_row(single: list[float], k: float) -> dict[str, Any]:
    """Row of the mean of k readings from estimate and limits of one."""
    estimate, low, high = (_averaged(v, k) for v in single)
    return _row(estimate, low, high, "mean_squares", "f_based")


def _averaged(single: float, k: float) -> float:
    """Spearman-Brown: reliability of the mean of k from that of one."""
    denominator = 1.0 + (k - 1.0) * single
    return float("nan") if denominator == 0.0 else k * single / denominator


def _from_mean_squares(
    squares: MeanSquares, k: float, confidence: float, null_value: float
) -> dict[str, dict[str, Any]]:
    from scipy.stats import f as f_distribution

    n, readers = squares.n, squares.k
    upper = 1.0 - (1.0 - confidence) / 2.0
    df1, df_within, df_residual = n - 1, n * (readers - 1), (n - 1) * (readers - 1)
    found = {}
    for model, error, df2 in (("1", squares.within, df_within), ("c", squares.residual, df_residual)):
        ratio = squares.cases / error
        low = ratio / f_distribution.ppf(upper, df1, df2)
        high = ratio * f_distribution.ppf(upper, df2, df1)
        # McGraw & Wong 1996, table 7: F-1 over F+k-1 at the limits of F.
        single = [(f - 1.0) / (f + readers - 1.0) for f in (ratio, low, high)]
        found[f"icc_{model}_1"] = _row(single[0], single[1], single[2], "mean_squares", "f_based")
        found[f"icc_{model}_k"] = _averaged_row(single, k)
        shift = 1.0 + readers * null_value / (1.0 - null_value)
        test = {
            "f_value": ratio / shift, "df1": df1, "df2": df2,
            "p_value": float(f_distribution.sf(ratio / shift, df1, df2)),
        }  # fmt: skip
        found[f"icc_{model}_1"] |= test
        found[f"icc_{model}_k"] |= test
        if model == "c":
            agreement_test = test
    single = list(_agreement_interval(squares, confidence))
    found["icc_a_1"] = _row(single[0], single[1], single[2], "mean_squares", "f_based") | agreement_test
    found["icc_a_k"] = _averaged_row(single, k) | agreement_test
    return found


def _agreement_interval(squares: MeanSquares, confidence: float) -> tuple[float, float, float]:
    """ICC(A,1) and its interval by Satterthwaite's degrees of freedom (McGraw & Wong 1996, table 7)."""
    from scipy.stats import f as f_distribution

    n, k = squares.n, squares.k
    msr, msc, mse = squares.cases, squares.readers, squares.residual
    rho = (msr - mse) / (msr + (k - 1) * mse + k / n * (msc - mse))
    a = k * rho / (n * (1 - rho))
    b = 1 + k * rho * (n - 1) / (n * (1 - rho))
    v = (a * msc + b * mse) ** 2 / ((a * msc) ** 2 / (k - 1) + (b * mse) ** 2 / ((n - 1) * (k - 1)))
    upper = 1.0 - (1.0 - confidence) / 2.0
    f_low = f_distribution.ppf(upper, n - 1, v)
    f_high = f_distribution.ppf(upper, v, n - 1)
    error = k * msc + (k * n - k - n) * mse
    low = n * (msr - f_low * mse) / (f_low * error + n * msr)
    high = n * (f_high * msr - mse) / (error + n * f_high * msr)
    return float(rho), float(low), float(high)


def ratio_of(components: np.ndarray, form: IccForm, k: float) -> np.ndarray:
    """ICC of a form from components (..., 4); for the one-way form those of the one-way model (reader 0)."""
    case, reader, cell, residual = np.moveaxis(np.asarray(components, dtype=np.float64), -1, 0)
    error = residual + cell + (reader if form.model == "agreement" else 0.0)
    total = case + error / (k if form.average else 1.0)
    result: np.ndarray = np.divide(case, total, out=np.full(np.shape(total), np.nan), where=total > 0)
    return result


def _from_components(
    cells: Cells, k: float, confidence: float, known: tuple[VarianceComponents, np.ndarray | None] | None
) -> dict[str, dict[str, Any]]:
    two_way, two_way_draws = known or (fit_cells(cells), None)
    one_way = fit_cells(cells.without_readers()) if cells.n_readings else two_way
    found = {}
    predicted = cells.n_readers > 1 and two_way.status == "ok"
    one_way_draws = None
    if two_way_draws is None and two_way.status in USABLE:
        two_way_draws = _draws(generalised.pivots_of(cells, bool(np.isfinite(two_way.case_reader))), False)
    if one_way.status in USABLE:
        one_way_draws = _draws(generalised.one_way_pivots(cells), predicted)
    for form in FORMS:
        fit, draws = (one_way, one_way_draws) if form.model == "one_way" else (two_way, two_way_draws)
        status = fit.status
        if form.model != "one_way" and cells.n_readers == 1 and status in ("ok", *EXACT):
            found[form.key] = _row(np.nan, np.nan, np.nan, "none", "none", "one_reader")
            continue
        values = _one_way_of(two_way.values, cells.n_readers) if form.model == "one_way" and predicted else fit.values
        estimate = float(ratio_of(values, form, k)) if np.isfinite(fit.residual) else np.nan
        low, high = np.nan, np.nan
        if draws is not None:
            low, high = generalised.interval(ratio_of(draws, form, k), confidence)
            if estimate >= 0.0:
                # Components are never negative here, so neither is the interval of an estimate on or above 0.
                low, high = max(low, 0.0), max(high, 0.0)
            # The one-way interval ignores which reader read what; with readers very unevenly spread it may miss.
            if not low <= estimate <= high:
                low, high = np.nan, np.nan
        if status == "ok" and not np.isfinite(low):
            status = "interval_not_estimable"
        estimator = "reml" if np.isfinite(estimate) else "none"
        found[form.key] = _row(estimate, low, high, estimator, "generalised" if draws is not None else "none", status)
    return found


def _one_way_of(components: np.ndarray, k: int) -> np.ndarray:
    """One-way components whose mean squares are those the two-way components predict for a complete table."""
    case, reader, cell, residual = components
    between = k * case + cell + residual
    within = reader + cell + residual
    return np.array([(between - within) / k, 0.0, 0.0, within])


def _draws(pivots: generalised.Pivots | None, allow_negative: bool) -> np.ndarray | None:
    return None if pivots is None else generalised.component_draws(pivots, allow_negative)


def _with_generalised(
    found: dict[str, dict[str, Any]], cells: Cells, k: float, confidence: float, models: tuple[str, ...], tails: bool
) -> dict[str, dict[str, Any]]:
    """Rows of complete readings with the intervals of the named models replaced by generalised ones."""
    for form in FORMS:
        if form.model not in models:
            continue
        one_way = form.model == "one_way"
        pivots = generalised.one_way_pivots(cells, tails) if one_way else generalised.pivots_of(cells, False, tails)
        draws = _draws(pivots, True)
        if draws is not None:
            low, high = generalised.interval(ratio_of(draws, form, k), confidence)
            found[form.key] |= {"ci_low": low, "ci_high": high, "interval": "generalised"}
    return found
