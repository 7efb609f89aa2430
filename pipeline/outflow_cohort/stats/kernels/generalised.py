"""Generalised confidence intervals of any function of variance components, balanced or not.

The pivots are sums of squares with known distributions: residual, case x reader, cases adjusted for readers and
readers adjusted for cases. Each is replaced by its observed value and a chi-square draw, and the components are
solved for. With one read per cell and any missing cells each pivot is exact; with unequal repeats the error of a cell
mean is taken at its average. The draws are a fixed quasi-random set, so the same data give the same interval.

With ten cases or more the chi-squares of residual, interaction and cases have the degrees of freedom that the spread of
the cases' own sums of squares supports (always fewer than those of normal theory), and the case variance is multiplied
by Bonett's factor of few values (see `jackknife`), so that heavy tails widen the interval and do not pull it down:
ICC(A,1) of 20 to 50 cases under t5 errors covers 93-94 % instead of 87-91 %, and up to 98 % of 20 cases under normal
errors.

Source: Weerahandi 1993, JASA 88:899 (generalised intervals); Burdick, Borror & Montgomery 2005, Design and Analysis
of Gauge R&R Studies, ch. 6-7 (crossed two-way model, also unbalanced); Seely & El-Bassiouni 1983, Ann Stat 11:197
(exact pivot of adjusted effects); Ionan et al. 2014, BMC Med Res Methodol 14:121 (coverage for ICC(A,1)).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from outflow_cohort.stats.data.cells import Cells
from outflow_cohort.stats.kernels import jackknife
from outflow_cohort.stats.kernels.jackknife import effective_df
from outflow_cohort.stats.kernels.reml import additive_fit, residual_sum_of_squares

SOURCE = "Weerahandi 1993 JASA 88:899; Burdick, Borror & Montgomery 2005 ch. 6-7"
DRAWS_EXPONENT = 12
"""2**12 quasi-random draws: the limits change by less than 1 % of the interval's width with more."""
SEED = 1993
NEWTON_STEPS = 50
NEWTON_RTOL = 1e-10
SMALLEST_EIGENVALUE = 1e-8
"""Below this an eigenvalue of normal equations of whole counts is a zero: the effect is not estimable."""


@dataclass(frozen=True)
class Contrasts:
    """Estimable contrasts of effects: sum of squares at each distinct information, and how many contrasts in all.

    A contrast is normal with variance component + error / information. effective_df : of the chi-square draws (0 = df);
    factor : the draws of the squares are multiplied by it.
    """

    squares: np.ndarray
    information: np.ndarray
    df: int
    effective_df: float = 0.0
    factor: float = 1.0


NO_CONTRASTS = Contrasts(np.zeros(0), np.zeros(0), 0)


@dataclass(frozen=True)
class Square:
    """A sum of squares with its degrees of freedom, and those that its chi-square draws take."""

    total: float
    df: int
    effective_df: float

    def draws(self, column: int) -> np.ndarray:
        """Draws of the variance by the quasi-random column."""
        return self.total / self.df * self.effective_df / _chi_square(self.effective_df, column)


@dataclass(frozen=True)
class Pivots:
    """Observed sums of squares in standardised units.

    residual, cells : of repeated reads (or of case x reader and reads), of case x reader; None where there is none.
    cell_noise : share of the residual variance in a cell mean's error (mean of 1/reads).
    """

    residual: Square
    cells: Square | None
    cell_noise: float
    cases: Contrasts
    readers: Contrasts

    @property
    def of_normal_theory(self) -> Pivots:
        """The same pivots with the degrees of freedom of normal errors."""
        residual = replace(self.residual, effective_df=float(self.residual.df))
        cells = None if self.cells is None else replace(self.cells, effective_df=float(self.cells.df))
        return replace(self, residual=residual, cells=cells, cases=replace(self.cases, effective_df=0.0, factor=1.0))


def pivots_of(cells: Cells, with_interaction: bool, tails: bool = True) -> Pivots | None:
    """Pivots of the cells; None where the residual has no degree of freedom or vanishes.

    tails : let heavy tails lower the degrees of freedom; False = those of normal theory.
    """
    residual_ss, residual_df = residual_sum_of_squares(cells, with_interaction)
    if residual_df <= 0 or residual_ss <= 0:
        return None
    occupied = (cells.counts > 0).astype(np.float64)
    cell_pivot, noise = None, 1.0
    weights = occupied if with_interaction else cells.counts
    fitted, rank = additive_fit(weights, cells.means)
    by_case = (weights * (cells.means - fitted) ** 2).sum(axis=1)
    within, reads = cells.within_ss.sum(axis=1), cells.counts.sum(axis=1)
    read_by = occupied.sum(axis=1)
    if with_interaction:
        df = cells.n_cells - rank
        if df <= 0:
            return None
        cell_pivot = Square(float(by_case.sum()), df, effective_df(by_case, read_by - 1.0, df))
        noise = float(np.mean(1.0 / cells.counts[cells.counts > 0]))
        residual = Square(residual_ss, residual_df, effective_df(within, reads - read_by, residual_df))
    else:
        residual = Square(residual_ss, residual_df, effective_df(by_case + within, reads - 1.0, residual_df))
    cases = _with_effective_df(_contrasts(weights.T, cells.means.T), fitted.mean(axis=1))
    readers = _contrasts(weights, cells.means) if cells.n_readers > 1 else NO_CONTRASTS
    pivots = Pivots(residual, cell_pivot, noise, cases, readers)
    return pivots if tails else pivots.of_normal_theory


def _with_effective_df(cases: Contrasts, effects: np.ndarray) -> Contrasts:
    """The contrasts of the cases with the degrees of freedom that the spread of their squared effects supports."""
    squares = (effects - effects.mean()) ** 2
    if not cases.df or len(squares) < jackknife.FEWEST_CASES:
        return cases
    df = effective_df(squares, np.ones(len(squares)), cases.df)
    return replace(cases, effective_df=df, factor=jackknife.few_values_factor(len(squares)))


def one_way_pivots(cells: Cells, tails: bool = True) -> Pivots | None:
    """Pivots with the readers forgotten: the cells' means vary within a case, reads within a cell; see `pivots_of`."""
    if not cells.repeated or cells.n_readers == 1:
        return pivots_of(cells.without_readers(), with_interaction=False, tails=tails)
    within_df = cells.n_readings - cells.n_cells
    occupied = (cells.counts > 0).astype(np.float64)
    read_by = occupied.sum(axis=1)
    case_means = (occupied * cells.means).sum(axis=1) / read_by
    by_case = (occupied * (cells.means - case_means[:, None]) ** 2).sum(axis=1)
    df = cells.n_cells - cells.n_cases
    within = cells.within_ss.sum(axis=1)
    if df <= 0 or by_case.sum() <= 0 or within.sum() <= 0:
        return None
    noise = float(np.mean(1.0 / cells.counts[cells.counts > 0]))
    cases = _with_effective_df(_contrasts(read_by[None, :], case_means[None, :]), case_means)
    residual = Square(
        float(within.sum()), within_df, effective_df(within, cells.counts.sum(axis=1) - read_by, within_df)
    )
    between_cells = Square(float(by_case.sum()), df, effective_df(by_case, read_by - 1.0, df))
    pivots = Pivots(residual, between_cells, noise, cases, NO_CONTRASTS)
    return pivots if tails else pivots.of_normal_theory


def _contrasts(weights: np.ndarray, means: np.ndarray) -> Contrasts:
    """Column effects adjusted for rows, in the eigenbasis of their normal equations (Searle 1987, sec. 4.9).

    Columns with the same weights share the eigenvalue `weight of the column` in all contrasts among themselves, so that
    only the means of such groups need an eigen-decomposition. Of a table with one row only the mean is eliminated.
    """
    row_weight = weights.sum(axis=1)
    right = (weights * means).sum(axis=0) - (weights / row_weight[:, None]).T @ (weights * means).sum(axis=1)
    patterns, group = np.unique(weights.T, axis=0, return_inverse=True)
    group = group.ravel()
    size = np.bincount(group).astype(np.float64)
    total = patterns.sum(axis=1)
    group_right = np.bincount(group, right) / np.sqrt(size)
    scaled = patterns * np.sqrt(size)[:, None]
    matrix = np.diag(total) - (scaled / row_weight) @ scaled.T
    information, basis = np.linalg.eigh(matrix)
    estimable = information > SMALLEST_EIGENVALUE
    between = ((basis.T @ group_right)[estimable] / information[estimable]) ** 2
    within = np.bincount(group, (right - (group_right / np.sqrt(size))[group]) ** 2) / total**2
    several = size > 1
    return Contrasts(
        np.concatenate([between, within[several]]),
        np.concatenate([information[estimable], total[several]]),
        int(estimable.sum() + (size - 1)[several].sum()),
    )


@lru_cache(maxsize=1024)
def _chi_square(df: float, column: int) -> np.ndarray:
    from scipy.special import gammaincinv  # the chi-square quantile; much quicker than scipy.stats

    draws = np.asarray(2.0 * gammaincinv(df / 2.0, _uniform()[:, column]))
    draws.setflags(write=False)
    return draws


@lru_cache(maxsize=1)
def _uniform() -> np.ndarray:
    from scipy.stats import qmc

    result: np.ndarray = qmc.Sobol(d=4, scramble=True, rng=np.random.default_rng(SEED)).random_base2(DRAWS_EXPONENT)
    return result


def component_draws(pivots: Pivots, allow_negative_case: bool = False) -> np.ndarray:
    """(n_draws, 4) generalised draws of case, reader, case x reader and residual variance, standardised units.

    allow_negative_case : solve the case component without the bound at 0, as F-based intervals do.
    """
    residual = pivots.residual.draws(0)
    if pivots.cells is None:
        cell = np.zeros_like(residual)
        error = residual
    else:
        error = pivots.cells.draws(1)
        cell = np.maximum(error - pivots.cell_noise * residual, 0.0)
    case = _solve(pivots.cases, error, 2, allow_negative_case)
    reader = _solve(pivots.readers, error, 3, False)
    return np.stack([case, reader, cell, residual], axis=1)


def _solve(effects: Contrasts, error: np.ndarray, column: int, allow_negative: bool) -> np.ndarray:
    """Variance x with sum(effect**2 / (x + error / information)) = chi-square draw, each draw; >= 0 unless allowed."""
    if effects.df == 0:
        return np.zeros_like(error)
    squared, information = effects.squares, effects.information
    df = effects.effective_df or float(effects.df)
    target = _chi_square(df, column) * (effects.df / df / effects.factor)
    if np.ptp(information) <= 1e-9 * information[0]:
        x = squared.sum() / target - error / information[0]
        result: np.ndarray = x if allow_negative else np.maximum(x, 0.0)
        return result
    # The sum falls and is convex in x: Newton from a point left of the root climbs to it without overshoot.
    sharpest = np.argmax(information)
    x = np.maximum(
        squared.sum() / target - error / information.min(), squared[sharpest] / target - error / information[sharpest]
    )
    if not allow_negative:
        x = np.maximum(x, 0.0)
    todo = np.arange(len(x))
    for _ in range(NEWTON_STEPS):
        terms = 1.0 / (x[todo, None] + error[todo, None] / information)
        excess = terms @ squared - target[todo]
        moved = x[todo] + excess / (terms**2 @ squared)
        if not allow_negative:
            moved = np.maximum(moved, 0.0)
        changed = np.abs(moved - x[todo]) > NEWTON_RTOL * (np.abs(moved) + NEWTON_RTOL * error[todo])
        x[todo] = moved
        todo = todo[changed]
        if not len(todo):
            break
    result = x
    return result


def interval(draws: np.ndarray, confidence: float, estimate: float = float("nan")) -> tuple[float, float]:
    """Equal-tailed interval of draws of a quantity; (NaN, NaN) where a draw is undefined.

    estimate : the restricted likelihood's estimate. A component held at its bound of 0 may leave it outside the draws'
    quantiles; the interval is then widened to hold it, which never lowers its coverage.
    """
    if not np.isfinite(draws).all():
        return float("nan"), float("nan")
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(draws, [tail, 1.0 - tail])
    return float(np.fmin(low, estimate)), float(np.fmax(high, estimate))
