"""Variance components of readings: case, reader, case x reader and residual, by restricted maximum likelihood.

Readers are crossed with cases (every reader may read every case), both random; any pattern of missing cells and
repeated reads is used as it is, nothing is dropped to balance the data. Components are never negative: one that is
negative by analysis of variance is 0 here and the others are fitted anew, which is not the same as cutting off an
analysis of variance at 0. Variances are in the squared unit of the values.

Source: Patterson & Thompson 1971, Biometrika 58:545; Searle, Casella & McCulloch 1992, Variance Components, ch. 6.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from outflow_cohort.stats.data.cells import Cells, cells_of_frame

if TYPE_CHECKING:
    import pandas as pd

SOURCE = "Patterson & Thompson 1971 Biometrika 58:545; Searle, Casella & McCulloch 1992 ch. 6"
COMPONENTS = ("case", "reader", "case_reader", "residual")
NEGLIGIBLE_RESIDUAL = 1e-12
"""Residual mean square below this share of the values' variance is rounding: the readings agree perfectly."""

SMALLEST_EIGENVALUE = 1e-10
"""Of the information scaled to a unit diagonal: below it two components are confounded, up to rounding."""

EXACT = ("perfect_agreement", "no_residual_variation")
"""Status of readings that the effects explain without remainder: components are known, their errors are not."""

Interaction = Literal["auto", "include", "exclude"]


@dataclass(frozen=True)
class VarianceComponents:
    """Components of variance (squared unit of the values; NaN where the data hold none), mean and sample sizes.

    case_reader is NaN when no reader read a case twice: it then is within `residual`. reader is NaN in the one-way
    model. restricted_criterion is -2 log restricted likelihood with all constants; NaN when the fit is exact.
    status is "ok" or the reason, in a code, why the components are NaN or a limit.
    """

    case: float
    reader: float
    case_reader: float
    residual: float
    mean: float
    mean_se: float
    restricted_criterion: float
    covariance: np.ndarray
    n_readings: int
    n_cases: int
    n_readers: int
    n_cells: int
    status: str
    note: str

    @property
    def total(self) -> float:
        """Variance of a single reading of a new case by a new reader."""
        return float(np.nansum([self.case, self.reader, self.case_reader, self.residual]))

    @property
    def values(self) -> np.ndarray:
        """(4,) case, reader, case x reader, residual; a component the model lacks is 0."""
        result: np.ndarray = np.nan_to_num(np.array([self.case, self.reader, self.case_reader, self.residual]))
        return result

    def to_frame(self) -> pd.DataFrame:
        """One row per component: component, variance, standard_error, standard_deviation, share, status."""
        import pandas as pd

        values = np.array([self.case, self.reader, self.case_reader, self.residual])
        errors = np.sqrt(np.diag(self.covariance))
        present = np.isfinite(values)
        return pd.DataFrame(
            {
                "component": COMPONENTS,
                "variance": values,
                "standard_error": errors,
                "standard_deviation": np.sqrt(values),
                "share": values / self.total if self.total > 0 else np.nan,
                "n_cases": self.n_cases,
                "n_readers": self.n_readers,
                "n_readings": self.n_readings,
                "status": np.where(present | (self.status not in ("ok", *EXACT)), self.status, "not_in_model"),
                "source": SOURCE,
            }
        )


def variance_components(
    frame: pd.DataFrame,
    *,
    case: str = "case_id",
    reader: str | None = "reader_id",
    value: str = "value",
    read: str | None = None,
    interaction: Interaction = "auto",
) -> VarianceComponents:
    """Fit the crossed random model to a tidy frame, one row per reading.

    frame : columns named by case, reader (None = one-way model: cases and residual only) and value; rows with a
        missing or infinite value are left out and counted in `note`.
    read : name of the read number; reads of a reader on a case are exchangeable, so it is only checked to be there.
    interaction : "auto" fits case x reader where a reader read some case twice, else it is part of the residual;
        "include" and "exclude" force it ("include" without repeats gives status "interaction_not_separable").

    Never raises on data: too little of it gives NaN and a status. Raises KeyError for a column that is not there.

    Complete readings give (MSR - MSE) / 4, (MSC - MSE) / 6 and MSE of Shrout & Fleiss 1979, table 3:

    >>> import pandas as pd
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> frame = pd.DataFrame([(c, r, v) for c, row in enumerate(table) for r, v in enumerate(row)])
    >>> found = variance_components(frame.set_axis(["case_id", "reader_id", "value"], axis=1))
    >>> [round(float(x), 2) for x in (found.case, found.reader, found.residual)]
    [2.56, 5.24, 1.02]
    """
    if read is not None and read not in frame.columns:
        raise KeyError(f"column {read!r} not in the frame; it has {list(frame.columns)}")
    return fit_cells(cells_of_frame(frame, case=case, reader=reader, value=value), interaction=interaction)


def fit_cells(cells: Cells, *, interaction: Interaction = "auto") -> VarianceComponents:
    """`variance_components` of readings already gathered in cells."""
    one_way = cells.n_readers == 1
    with_interaction = not one_way and (interaction == "include" or (interaction == "auto" and cells.repeated))
    status = _unfit(cells, one_way, with_interaction)
    if status:
        return _empty(cells, status)
    active = np.array([1.0, float(not one_way), float(with_interaction), 1.0])
    if cells.constant:
        return _exact(cells, active, np.zeros(4), 0.0, "constant_values")
    residual_ss, residual_df = residual_sum_of_squares(cells, with_interaction)
    if residual_df <= 0:
        return _empty(cells, "residual_not_estimable")
    if residual_ss / residual_df <= NEGLIGIBLE_RESIDUAL:
        components = _exact_components(cells, with_interaction)
        status = "no_residual_variation" if components[1:].any() else "perfect_agreement"
        return _exact(cells, active, components, 0.0, status)
    start = np.where(active > 0, [0.6, 0.1, 0.1, max(residual_ss / residual_df, 1e-6)], 0.0)
    from outflow_cohort.stats.kernels import reml_kernel

    components, criterion, mean, information, average, converged = reml_kernel.fit(
        cells.counts, cells.means, cells.within_ss, np.ones(cells.n_cases), active, start, reml_kernel.STEP_TOLERANCE
    )
    variance = components * cells.scale**2
    covariance = np.full((4, 4), np.nan)
    index = np.flatnonzero((active > 0) & (components > 0))
    covariance[np.ix_(index, index)] = _inverse_information(average[np.ix_(index, index)]) * cells.scale**4
    shown = np.where(active > 0, variance, np.nan)
    case, reader, case_reader, residual = shown.tolist()
    return VarianceComponents(
        case=case,
        reader=reader,
        case_reader=case_reader,
        residual=residual,
        mean=cells.location + cells.scale * mean,
        mean_se=float(cells.scale / np.sqrt(information)),
        restricted_criterion=float(criterion + 2.0 * (cells.n_readings - 1) * np.log(cells.scale)),
        covariance=covariance,
        n_readings=cells.n_readings,
        n_cases=cells.n_cases,
        n_readers=0 if one_way else cells.n_readers,
        n_cells=cells.n_cells,
        status="ok" if converged else "not_converged",
        note=cells.note,
    )


def _inverse_information(average: np.ndarray) -> np.ndarray:
    """Covariance of the components from their average information; NaN for those that the data cannot separate.

    Scaled to a unit diagonal first: information goes with the inverse square of a component, so that one a million
    times smaller than the next would take all digits of the inverse.
    """
    size = np.sqrt(np.diag(average))
    if not (size > 0).all():
        return np.full_like(average, np.nan)
    values, vectors = np.linalg.eigh(average / np.outer(size, size))
    separable = values > SMALLEST_EIGENVALUE
    inverse: np.ndarray = (vectors[:, separable] / values[separable]) @ vectors[:, separable].T
    mixed = (vectors[:, ~separable] ** 2).sum(axis=1) > SMALLEST_EIGENVALUE
    inverse[mixed, :] = inverse[:, mixed] = np.nan
    return np.asarray(inverse / np.outer(size, size))


def residual_sum_of_squares(cells: Cells, with_interaction: bool) -> tuple[float, int]:
    """Residual sum of squares and degrees of freedom of the model with fixed effects, in standardised units."""
    if with_interaction or cells.n_readers == 1:
        return float(cells.within_ss.sum()), cells.n_readings - cells.n_cells
    fitted, rank = additive_fit(cells.counts, cells.means)
    between = float((cells.counts * (cells.means - fitted) ** 2).sum())
    return between + float(cells.within_ss.sum()), cells.n_readings - rank


def additive_fit(weights: np.ndarray, means: np.ndarray) -> tuple[np.ndarray, int]:
    """Weighted least-squares fit of case + reader to a table (0 weight = empty cell), and its rank."""
    reduced, adjusted, case_weight = reader_equations(weights, means)
    effects = np.linalg.pinv(reduced, rcond=1e-10, hermitian=True) @ adjusted
    case_effects = (weights * (means - effects)).sum(axis=1) / case_weight
    return case_effects[:, None] + effects[None, :], len(means) + np.linalg.matrix_rank(reduced, tol=1e-8)


def reader_equations(weights: np.ndarray, means: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Normal equations of the readers after the cases are eliminated: matrix, right-hand side, weight of each case.

    Searle 1987, Linear Models for Unbalanced Data, sec. 4.9.
    """
    case_weight = weights.sum(axis=1)
    share = weights / case_weight[:, None]
    matrix = np.diag(weights.sum(axis=0)) - weights.T @ share
    right = (weights * means).sum(axis=0) - share.T @ (weights * means).sum(axis=1)
    return matrix, right, case_weight


def _unfit(cells: Cells, one_way: bool, with_interaction: bool) -> str:
    if cells.n_readings == 0:
        return "no_readings"
    if cells.n_cases < 2:
        return "one_case"
    if with_interaction and not cells.repeated:
        return "interaction_not_separable"
    if cells.n_readings == cells.n_cases:
        return "one_read_a_case"
    if not one_way and not linked(cells.counts):
        return "readers_share_no_case"
    return ""


def linked(counts: np.ndarray) -> bool:
    """Whether readers are compared at all: at least one case was read by two of them."""
    return bool(((counts > 0).sum(axis=1) > 1).any())


def _empty(cells: Cells, status: str) -> VarianceComponents:
    nan = float("nan")
    mean = cells.location if cells.n_readings else nan
    return VarianceComponents(
        case=nan,
        reader=nan,
        case_reader=nan,
        residual=nan,
        mean=mean,
        mean_se=nan,
        restricted_criterion=nan,
        covariance=np.full((4, 4), nan),
        n_readings=cells.n_readings,
        n_cases=cells.n_cases,
        n_readers=0 if cells.readers[:1] == ("all readings",) else cells.n_readers,
        n_cells=cells.n_cells,
        status=status,
        note=cells.note,
    )


def _exact_components(cells: Cells, with_interaction: bool) -> np.ndarray:
    """Components where the residual is nil: variances of the case, reader and interaction effects themselves."""
    occupied = (cells.counts > 0).astype(np.float64)
    fitted, rank = additive_fit(occupied, cells.means)
    interaction_ss = float((occupied * (cells.means - fitted) ** 2).sum())
    df = cells.n_cells - rank
    case_reader = interaction_ss / df if with_interaction and df > 0 else 0.0
    # The fit is case effect + reader effect, so row and column means hold the effects up to a constant.
    reader = float(np.var(fitted.mean(axis=0), ddof=1)) if cells.n_readers > 1 else 0.0
    clean = [float(np.var(fitted.mean(axis=1), ddof=1)), reader, case_reader, 0.0]
    return np.array([v if v > NEGLIGIBLE_RESIDUAL else 0.0 for v in clean])


def _exact(
    cells: Cells, active: np.ndarray, components: np.ndarray, residual: float, status: str
) -> VarianceComponents:
    variance = np.where(active > 0, components * cells.scale**2, np.nan)
    variance[3] = residual
    grand = cells.means[cells.counts > 0].mean() if cells.n_cells else 0.0
    case, reader, case_reader, residual = variance.tolist()
    return VarianceComponents(
        case=case,
        reader=reader,
        case_reader=case_reader,
        residual=residual,
        mean=cells.location + cells.scale * float(grand),
        mean_se=float("nan"),
        restricted_criterion=float("nan"),
        covariance=np.full((4, 4), np.nan),
        n_readings=cells.n_readings,
        n_cases=cells.n_cases,
        n_readers=0 if len(active) and active[1] == 0 else cells.n_readers,
        n_cells=cells.n_cells,
        status=status,
        note=cells.note,
    )
