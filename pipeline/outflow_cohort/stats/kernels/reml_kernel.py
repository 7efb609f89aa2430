"""Restricted likelihood of the crossed model, compiled.

y = mean + case + reader + case x reader + residual, all random and normal. The data enter as cells (case, reader);
a case may carry a whole-number weight (how often a bootstrap draw holds it). Cases are absorbed one by one
(Sherman-Morrison), readers as a small dense system, so that one evaluation costs n_cases * n_readers**2. Sums and
products of these small matrices are written as loops: they compile in a third of the time.
Components are ordered case, reader, case x reader, residual.
"""

from __future__ import annotations

import numpy as np
from numba import njit

LARGEST_ITERATIONS = 200
STEP_TOLERANCE = 1e-11
"""A relative change of the components below this ends the iteration: rounding of the criterion is just above it."""
DRAW_TOLERANCE = 1e-6
"""The same for draws of the bootstrap, whose own scatter is far larger."""
RIDGE = 1e-10
"""Of the scaled information matrix: slows the last steps by this share, far below what the criterion can resolve."""
SMALLEST_RESIDUAL = 1e-12
"""Floor of the residual variance in units of the values' variance; reached only when readings agree perfectly."""


@njit(cache=True, error_model="numpy")
def evaluate(
    counts: np.ndarray, means: np.ndarray, within: np.ndarray, weights: np.ndarray, components: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray, float, float]:
    """-2 log restricted likelihood, its gradient, the average information, the mean and its information.

    Gilmour, Thompson & Cullis 1995, Biometrics 51:1440 (average information); Harville 1977 eq. 5.1 (likelihood).
    """
    n_cases, n_readers = counts.shape
    s_case, s_reader, s_cell, s_residual = components
    a_matrix = np.zeros((n_readers, n_readers))
    z = np.zeros(n_readers)
    row_sums = np.zeros(n_readers)
    w = np.zeros((n_cases, n_readers))
    w_sum = np.zeros(n_cases)
    wy_sum = np.zeros(n_cases)
    absorbed = np.zeros(n_cases)
    quadratic = 0.0
    log_determinant = 0.0
    n_readings = 0.0
    n_cells = 0.0
    within_total = 0.0
    for i in range(n_cases):
        v = weights[i]
        if v == 0.0:
            continue
        wyy = 0.0
        for j in range(n_readers):
            m = counts[i, j]
            if m > 0.0:
                variance = s_cell + s_residual / m
                w[i, j] = 1.0 / variance
                w_sum[i] += w[i, j]
                wy_sum[i] += w[i, j] * means[i, j]
                wyy += w[i, j] * means[i, j] ** 2
                log_determinant += v * (np.log(variance) + np.log(m))
                n_readings += v * m
                n_cells += v
                within_total += v * within[i, j]
        inflation = 1.0 + s_case * w_sum[i]
        absorbed[i] = s_case / inflation
        log_determinant += v * np.log(inflation)
        quadratic += v * (wyy - absorbed[i] * wy_sum[i] ** 2)
        for j in range(n_readers):
            a_matrix[j, j] += v * w[i, j]
            # Sum of a row of A, without the cancellation that adding the row up would bring.
            row_sums[j] += v * w[i, j] / inflation
            z[j] += v * w[i, j] * (means[i, j] - absorbed[i] * wy_sum[i])
            for k in range(n_readers):
                a_matrix[j, k] -= v * absorbed[i] * w[i, j] * w[i, k]
    log_determinant += (n_readings - n_cells) * np.log(s_residual)
    quadratic += within_total / s_residual
    total = 0.0
    for j in range(n_readers):
        for k in range(n_readers):
            total += a_matrix[j, k]
    if not np.isfinite(total):
        return np.inf, np.zeros(4), np.zeros((4, 4)), 0.0, 0.0
    # (I + s A)^-1 and its determinant by eigenvalues: A is nearly singular where cases vary much more than readings.
    eigenvalues, basis = np.linalg.eigh(a_matrix)
    shrink = np.zeros(n_readers)
    for j in range(n_readers):
        grown = 1.0 + s_reader * max(eigenvalues[j], 0.0)
        shrink[j] = s_reader / grown
        log_determinant += np.log(grown)
    q = np.zeros((n_readers, n_readers))
    g = np.ones(n_readers)
    for j in range(n_readers):
        for k in range(n_readers):
            for i in range(n_readers):
                q[j, k] += basis[j, i] * basis[k, i] * shrink[i]
            g[j] -= q[j, k] * row_sums[k]
    information = 0.0
    mean = 0.0
    for j in range(n_readers):
        information += row_sums[j] * g[j]
        mean += g[j] * z[j]
    mean /= information
    qz = np.zeros(n_readers)
    for j in range(n_readers):
        for k in range(n_readers):
            q[j, k] += g[j] * g[k] / information
            qz[j] += q[j, k] * z[k]
        quadratic -= z[j] * qz[j]
    criterion = (n_readings - 1.0) * np.log(2.0 * np.pi) + log_determinant + np.log(information) + quadratic

    # P y at cell level, traces of P V_k, quadratic forms y' P V_k P y.
    projected = np.zeros((n_cases, n_readers))
    trace = np.zeros(4)
    form = np.zeros(4)
    reader_projected = z.copy()
    for j in range(n_readers):
        trace[1] += a_matrix[j, j]
        for k in range(n_readers):
            reader_projected[j] -= a_matrix[j, k] * qz[k]
            for i in range(n_readers):
                trace[1] -= a_matrix[j, i] * q[i, k] * a_matrix[k, j]
        form[1] += reader_projected[j] ** 2
    for i in range(n_cases):
        v = weights[i]
        if v == 0.0:
            continue
        inflation = 1.0 + s_case * w_sum[i]
        wq = 0.0
        wqz = 0.0
        for j in range(n_readers):
            wqz += w[i, j] * qz[j]
            for k in range(n_readers):
                wq += w[i, j] * q[j, k] * w[i, k]
        trace[0] += v * (w_sum[i] / inflation - wq / inflation**2)
        case_projected = (wy_sum[i] - wqz) / inflation
        form[0] += v * case_projected**2
        for j in range(n_readers):
            m = counts[i, j]
            if m > 0.0:
                qw = 0.0
                for k in range(n_readers):
                    qw += q[j, k] * w[i, k]
                p = w[i, j] * (means[i, j] - absorbed[i] * wy_sum[i] - qz[j] + absorbed[i] * wqz)
                projected[i, j] = p
                diagonal = (
                    w[i, j]
                    - absorbed[i] * w[i, j] ** 2
                    - w[i, j] ** 2 * (q[j, j] - 2.0 * absorbed[i] * qw + absorbed[i] ** 2 * wq)
                )
                trace[2] += v * diagonal
                form[2] += v * p**2
                trace[3] += v * diagonal / m
                form[3] += v * p**2 / m
    trace[3] += (n_readings - n_cells) / s_residual
    form[3] += within_total / s_residual**2
    gradient = np.zeros(4)
    for k in range(4):
        gradient[k] = trace[k] - form[k]

    # Average information: 1/2 y' P V_k P V_l P y with working vectors f_k = V_k P y at cell level.
    working = np.zeros((4, n_cases, n_readers))
    for i in range(n_cases):
        if weights[i] == 0.0:
            continue
        row = 0.0
        for j in range(n_readers):
            row += projected[i, j]
        for j in range(n_readers):
            if counts[i, j] > 0.0:
                working[0, i, j] = row
                working[1, i, j] = reader_projected[j]
                working[2, i, j] = projected[i, j]
                working[3, i, j] = projected[i, j] / counts[i, j]
    average = np.zeros((4, 4))
    z_working = np.zeros((4, n_readers))
    for i in range(n_cases):
        v = weights[i]
        if v == 0.0:
            continue
        sums = np.zeros(4)
        for k in range(4):
            for j in range(n_readers):
                sums[k] += w[i, j] * working[k, i, j]
        for k in range(4):
            for j in range(n_readers):
                z_working[k, j] += v * w[i, j] * (working[k, i, j] - absorbed[i] * sums[k])
            for other in range(k + 1):
                total = 0.0
                for j in range(n_readers):
                    total += w[i, j] * working[k, i, j] * working[other, i, j]
                average[k, other] += v * (total - absorbed[i] * sums[k] * sums[other])
    for k in range(4):
        for other in range(k + 1):
            for i in range(n_readers):
                for j in range(n_readers):
                    average[k, other] -= z_working[k, i] * q[i, j] * z_working[other, j]
    average[3, 3] += within_total / s_residual**3
    for k in range(4):
        for other in range(k + 1):
            average[k, other] *= 0.5
            average[other, k] = average[k, other]
    return criterion, gradient, average, mean, information


@njit(cache=True, error_model="numpy")
def fit(
    counts: np.ndarray,
    means: np.ndarray,
    within: np.ndarray,
    weights: np.ndarray,
    active: np.ndarray,
    start: np.ndarray,
    tolerance: float,
) -> tuple[np.ndarray, float, float, float, np.ndarray, bool]:
    """Components that minimise the criterion under >= 0, by average information with an active set.

    active : (4,) of 1.0/0.0, which components the model has; the residual must be active.
    tolerance : relative change of the components that ends the iteration (STEP_TOLERANCE, DRAW_TOLERANCE).
    Returns components, criterion, mean, information of the mean, average information, converged.
    """
    components = start.copy()
    for k in range(4):
        if active[k] == 0.0:
            components[k] = 0.0
    components[3] = max(components[3], SMALLEST_RESIDUAL)
    criterion, gradient, average, mean, information = evaluate(counts, means, within, weights, components)
    converged = False
    for _ in range(LARGEST_ITERATIONS):
        index = np.zeros(4, dtype=np.int64)
        size = 0
        for k in range(4):
            floor = SMALLEST_RESIDUAL if k == 3 else 0.0
            if active[k] != 0.0 and not (components[k] <= floor and gradient[k] > 0.0):
                index[size] = k
                size += 1
        if size == 0:
            converged = True
            break
        # Scaled to a unit diagonal, with a ridge that keeps confounded components solvable.
        diagonal = np.ones(size)
        for a in range(size):
            if average[index[a], index[a]] > 0.0:
                diagonal[a] = np.sqrt(average[index[a], index[a]])
        system = np.zeros((size, size))
        total = 0.0
        for a in range(size):
            for b in range(size):
                system[a, b] = average[index[a], index[b]] / (diagonal[a] * diagonal[b])
                total += system[a, b]
            system[a, a] += RIDGE
        if not np.isfinite(total):
            break
        # by eigenvalues, since rounding may leave a confounded system singular in spite of the ridge
        eigenvalues, basis = np.linalg.eigh(system)
        step = np.zeros(size)
        for b in range(size):
            along = 0.0
            for a in range(size):
                along += basis[a, b] * 0.5 * gradient[index[a]] / diagonal[a]
            for a in range(size):
                step[a] -= basis[a, b] * along / max(eigenvalues[b], RIDGE) / diagonal[a]
        length = 1.0
        accepted = False
        best = components.copy()
        while length > 1e-10:
            trial = components.copy()
            for a in range(size):
                k = index[a]
                floor = SMALLEST_RESIDUAL if k == 3 else 0.0
                # Projected on the bound; halving finds the way if the criterion rises there.
                trial[k] = max(components[k] + length * step[a], floor)
            trial_values = evaluate(counts, means, within, weights, trial)
            if trial_values[0] <= criterion + 1e-12 * abs(criterion):
                accepted = True
                best = trial
                break
            length *= 0.5
        if not accepted:
            converged = True
            break
        small = True
        for k in range(4):
            whole = best[0] + best[1] + best[2] + best[3]
            if active[k] != 0.0 and abs(best[k] - components[k]) > tolerance * (best[k] + 0.01 * whole):
                small = False
        components = best
        criterion, gradient, average, mean, information = trial_values
        if small:
            converged = True
            break
    # A component that has run down to rounding belongs on its bound, if the criterion agrees.
    for k in range(3):
        if 0.0 < components[k] < 1e-6 * (components[0] + components[1] + components[2] + components[3]):
            trial = components.copy()
            trial[k] = 0.0
            trial_values = evaluate(counts, means, within, weights, trial)
            if trial_values[0] <= criterion:
                components = trial
                criterion, gradient, average, mean, information = trial_values
    return components, criterion, mean, information, average, converged


def fit_draws(
    counts: np.ndarray, means: np.ndarray, within: np.ndarray, draws: np.ndarray, active: np.ndarray, start: np.ndarray
) -> np.ndarray:
    """Components (n_draws, 4) by `fit` for each row of case weights (n_draws, n_cases)."""
    found = [fit(counts, means, within, row, active, start, DRAW_TOLERANCE)[0] for row in draws]
    return np.array(found).reshape(len(draws), 4)
