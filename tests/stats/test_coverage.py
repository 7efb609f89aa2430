"""Nominal 95 % intervals cover 93-97 % in simulation: 20-60 cases x 2-4 readers, missing cells, repeated reads; with
normal errors ICC(A,1) and the limits up to 98.5 %, which is what holding 92 % under heavy tails costs.

The truth is the simulated variance components; each interval is the one the public functions give by default.
"""

import numpy as np
import pytest

from outflow_cohort.stats import bland_altman
from outflow_cohort.stats.agreement.reader_effects import reader_bias_rows
from outflow_cohort.stats.data.cells import cells_of_arrays
from outflow_cohort.stats.kernels.intraclass import icc_rows
from outflow_cohort.stats.kernels.precision import draws_of, repeatability_rows, reproducibility_rows
from outflow_cohort.stats.kernels.reml import fit_cells
from outflow_cohort.stats.kernels.replicate_limits import replicate_limits_of_cells

pytestmark = pytest.mark.slow

REPLICATES = 1500
Z = 1.959963984540054
# cases, readers, reads, share of readings missing, SD of case, reader, case x reader, residual
SCENARIOS = [
    (20, 2, 1, 0.0, (3.0, 0.7, 0.0, 1.0)),
    (20, 3, 1, 0.2, (3.0, 1.0, 0.0, 1.0)),
    (40, 2, 1, 0.2, (2.0, 0.7, 0.0, 1.0)),
    (60, 4, 1, 0.3, (2.0, 0.5, 0.0, 1.0)),
    (40, 3, 1, 0.0, (3.0, 1.0, 0.0, 1.0)),
    (20, 2, 2, 0.1, (3.0, 0.7, 0.7, 1.0)),
    (30, 3, 2, 0.2, (3.0, 0.7, 0.7, 1.0)),
    (60, 4, 2, 0.2, (3.0, 0.5, 1.0, 1.0)),
    (20, 4, 2, 0.2, (2.0, 0.5, 0.5, 1.0)),
]


def simulated(rng, scenario):
    n, k, m, missing, (case_sd, reader_sd, cell_sd, residual_sd) = scenario
    readers = rng.normal(0, reader_sd, k)
    values = (
        60.0
        + rng.normal(0, case_sd, (n, 1, 1))
        + readers[None, :, None]
        + rng.normal(0, cell_sd, (n, k, 1))
        + rng.normal(0, residual_sd, (n, k, m))
    )
    kept = rng.random((n, k, m)) >= missing
    case, reader, _ = np.nonzero(kept)
    return cells_of_arrays(case, reader, values[kept]), readers


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda s: f"{s[0]}x{s[1]}x{s[2]}-{s[3]:.0%}-missing")
def test_intervals_cover(scenario, capsys):
    n, k, m, _, spread = scenario
    case, reader, cell, residual = np.square(spread)
    total = case + reader + cell + residual
    truth = {
        "icc_a_1": case / total,
        "icc_c_1": case / (case + cell + residual),
        "rdc": Z * np.sqrt(2 * (reader + cell + residual)),
    }
    if m > 1:
        truth |= {"wsd": np.sqrt(residual), "rc": Z * np.sqrt(2 * residual)}
        truth |= {"icc_intra_single": (total - residual) / total}
    rng = np.random.default_rng(n * 100 + k * 10 + m)
    covered = {name: [] for name in [*truth, "pair_bias", "pair_lower", "pair_upper", "reader_bias"]}
    for _ in range(REPLICATES):
        cells, readers = simulated(rng, scenario)
        fit = fit_cells(cells)
        found = icc_rows(cells, k=k, confidence=0.95)
        rows = reproducibility_rows(cells, fit, draws_of(cells, fit), confidence=0.95)
        found |= {row["statistic"]: row for row in rows}
        repeats = repeatability_rows(cells, None, confidence=0.95, n_draws=0, seed=0)
        found |= {row["statistic"]: row for row in repeats}
        for name, value in truth.items():
            covered[name].append(found[name]["ci_low"] <= value <= found[name]["ci_high"])
        difference = readers[1] - readers[0]
        half = Z * np.sqrt(2 * (cell + residual))
        pair = _pair(cells, m)
        covered["pair_bias"].append(pair.bias_low <= difference <= pair.bias_high)
        covered["pair_lower"].append(pair.lower_low <= difference - half <= pair.lower_high)
        covered["pair_upper"].append(pair.upper_low <= difference + half <= pair.upper_high)
        own = reader_bias_rows(cells, fit, confidence=0.95)[0]
        covered["reader_bias"].append(own["ci_low"] <= readers[0] - readers.mean() <= own["ci_high"])
    shares = {name: float(np.mean(hits)) for name, hits in covered.items()}
    with capsys.disabled():
        print(f"\n{scenario}: " + ", ".join(f"{name} {share:.3f}" for name, share in shares.items()))
    guarded = ("icc_a_1", "icc_c_1", "pair_lower", "pair_upper", "wsd", "rc", "icc_intra_single")
    most = {name: 0.985 if name in guarded else 0.97 for name in shares}
    assert all(0.93 <= share <= most[name] for name, share in shares.items()), shares


def _pair(cells, reads):
    if reads > 1:
        return replicate_limits_of_cells(cells, 1, 0).limits
    both = (cells.counts > 0).all(axis=1) if cells.n_readers == 2 else (cells.counts[:, :2] > 0).all(axis=1)
    values = cells.location + cells.scale * cells.means[both]
    return bland_altman(values[:, 1], values[:, 0])
