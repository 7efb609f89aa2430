"""Restricted likelihood of the crossed model, compiled.

y = mean + case + reader + case x reader + residual, all random and normal. The data enter as cells (case, reader);
a case may carry a whole-number weight (how often a bootstrap draw holds it). Cases are absorbed one by one
(Sherman-Morrison), readers as a small dense system, so that one evaluation costs n_cases * n_readers**2.
Components are ordered case, reader, case x reader, residual.
"""

from __future__ import annotations

import numpy as np
from numba import njit

LARGEST_ITERATIONS = 200
STEP_TOLERANCE = 1e-11
"""A relative change of the components below this ends the iteration: rounding of the criterion lies just above."""
DRAW_TOLERANCE = 1e-6
"""The same for draws of the bootstrap, whose own scatter is far larger."""
RIDGE = 1e-10
"""Of the scaled information matrix: slows the last steps by this share, far below what the criterion can tell."""
SMALLEST_RESIDUAL = 1e-12
"""Floor of the residual variance in units of the values' variance; reached only when readings agree perfectly."""


@njit(cache=True, error_model="numpy")
def evaluate(counts, means, within, weights, components):
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
    if not np.isfinite(a_matrix.sum()):
        return np.inf, np.zeros(4), np.eye(4), 0.0, 0.0
    # (I + s A)^-1 and its determinant by eigenvalues: A is nearly singular where cases vary much more than readings.
    eigenvalues, basis = np.linalg.eigh(a_matrix)
    eigenvalues = np.maximum(eigenvalues, 0.0)
    log_determinant += np.sum(np.log1p(s_reader * eigenvalues))
    k_matrix = (basis * (s_reader / (1.0 + s_reader * eigenvalues))) @ basis.T
    g = 1.0 - k_matrix @ row_sums
    information = np.sum(row_sums * g)
    mean = np.sum(g * z) / information
    q = k_matrix + np.outer(g, g) / information
    q = 0.5 * (q + q.T)
    qz = q @ z
    quadratic -= np.sum(z * qz)
    criterion = (n_readings - 1.0) * np.log(2.0 * np.pi) + log_determinant + np.log(information) + quadratic

    # P y at cell level, traces of P V_k, quadratic forms y' P V_k P y.
    projected = np.zeros((n_cases, n_readers))
    trace = np.zeros(4)
    form = np.zeros(4)
    trace[1] = np.trace(a_matrix) - np.sum((a_matrix @ q) * a_matrix.T)
    reader_projected = z - a_matrix @ qz
    form[1] = np.sum(reader_projected**2)
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
    gradient = trace - form

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
            average[k, other] -= np.sum(z_working[k] * (q @ z_working[other]))
    average[3, 3] += within_total / s_residual**3
    for k in range(4):
        for other in range(k + 1):
            average[k, other] *= 0.5
            average[other, k] = average[k, other]
    return criterion, gradient, average, mean, information


@njit(cache=True, error_model="numpy")
def fit(counts, means, within, weights, active, start, tolerance):
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
        free = np.zeros(4, dtype=np.bool_)
        for k in range(4):
            floor = SMALLEST_RESIDUAL if k == 3 else 0.0
            free[k] = active[k] != 0.0 and not (components[k] <= floor and gradient[k] > 0.0)
        index = np.nonzero(free)[0]
        if len(index) == 0:
            converged = True
            break
        system = np.zeros((len(index), len(index)))
        slope = np.zeros(len(index))
        for a in range(len(index)):
            slope[a] = 0.5 * gradient[index[a]]
            for b in range(len(index)):
                system[a, b] = average[index[a], index[b]]
        # Scaled to a unit diagonal, with a ridge that keeps confounded components solvable.
        diagonal = np.ones(len(index))
        for a in range(len(index)):
            if system[a, a] > 0.0:
                diagonal[a] = np.sqrt(system[a, a])
        system = system / np.outer(diagonal, diagonal) + RIDGE * np.eye(len(index))
        if not np.isfinite(system.sum()):
            break
        # by eigenvalues, since rounding may leave a confounded system singular in spite of the ridge
        eigenvalues, basis = np.linalg.eigh(system)
        step = -(basis @ ((basis.T @ (slope / diagonal)) / np.maximum(eigenvalues, RIDGE))) / diagonal
        length = 1.0
        accepted = False
        best = components.copy()
        while length > 1e-10:
            trial = components.copy()
            for a in range(len(index)):
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
            if active[k] != 0.0 and abs(best[k] - components[k]) > tolerance * (best[k] + 0.01 * best.sum()):
                small = False
        components = best
        criterion, gradient, average, mean, information = trial_values
        if small:
            converged = True
            break
    # A component that has run down to rounding belongs on its bound, if the criterion agrees.
    for k in range(3):
        if 0.0 < components[k] < 1e-6 * components.sum():
            trial = components.copy()
            trial[k] = 0.0
            trial_values = evaluate(counts, means, within, weights, trial)
            if trial_values[0] <= criterion:
                components = trial
                criterion, gradient, average, mean, information = trial_values
    return components, criterion, mean, information, average, converged


@njit(cache=True, error_model="numpy")
def fit_draws(counts, means, within, draws, active, start):
    """`fit` for each row of case weights (n_draws, n_cases): components (n_draws, 4) and means (n_draws,)."""
    components = np.empty((len(draws), 4))
    means_found = np.empty(len(draws))
    for b in range(len(draws)):
        found = fit(counts, means, within, draws[b], active, start, DRAW_TOLERANCE)
        components[b] = found[0]
        means_found[b] = found[2]
    return components, means_found
