"""Kappa where two cases are all there is: a study may begin so."""

import numpy as np

from outflow_cohort.stats.kernels.kappa import kappa_of_table


def test_two_cases_that_no_reader_agrees_on_have_a_kappa_and_no_interval() -> None:
    """Weights 1 - (i - j)^2 / 9: observed 8/9, by chance 17/18, so kappa = (8/9 - 17/18) / (1 - 17/18) = -1."""
    table = np.array([[0, 0, 0, 0], [0, 0, 1, 0], [0, 1, 0, 0], [0, 0, 0, 0]])
    found = kappa_of_table(table, "quadratic", interval="fisher_z")
    assert np.isclose(found.estimate, -1.0)
    assert found.status == "no_spread"
    assert np.isnan(found.ci_low)
    assert np.isnan(found.ci_high)
