"""Cohort methods against other libraries and against their defining equations (sources beside each check)."""

import json
from itertools import permutations
from math import comb
from pathlib import Path

import krippendorff
import numpy as np
import pytest
from scipy.stats import spearmanr
from sklearn.metrics import cohen_kappa_score, roc_auc_score

from outflow_cohort.stats.cohort.associations import correlation
from outflow_cohort.stats.kernels import alpha, comparisons, kappa, planning, proportions, roc
from outflow_cohort.stats.kernels.bootstrap import weighted_bootstrap

RNG_SEED = 5


def test_fisher_lower_limit_solves_its_defining_equation():
    """Agresti 1990 sec. 3.5: at the lower limit the upper tail of the conditional distribution is alpha / 2.

    The reference file holds R's fisher.test figure, whose root search stops 0.26 % away from it.
    """
    table = np.array([[2, 15], [10, 3]])

    def upper_tail(odds):
        terms = np.array([float(comb(17, k) * comb(13, 12 - k)) * odds**k for k in range(13)])
        return terms[table[0, 0] :].sum() / terms.sum()

    ours = comparisons.fisher_2x2(table.tolist()).ci_low
    assert upper_tail(ours) == pytest.approx(0.025, abs=1e-10)
    assert abs(upper_tail(0.00332576403385931) - 0.025) > 1e-4


@pytest.mark.parametrize("weights", ["linear", "quadratic"])
def test_weighted_kappa_equals_scikit_learn(weights):
    rng = np.random.default_rng(RNG_SEED)
    first = rng.integers(0, 5, 80)
    second = np.clip(first + rng.integers(-1, 2, 80), 0, 4)
    ours = kappa.weighted_kappa(first.tolist(), second.tolist(), range(5), weights)
    assert ours.estimate == pytest.approx(cohen_kappa_score(first, second, weights=weights), abs=1e-12)


@pytest.mark.parametrize("metric", ["nominal", "ordinal", "interval", "ratio"])
def test_alpha_equals_the_krippendorff_package_with_missing_ratings_and_zeros(metric):
    rng = np.random.default_rng(RNG_SEED)
    ratings = np.clip(rng.integers(0, 4, (40, 1)) + rng.integers(-1, 2, (40, 4)), 0, 4).astype(float)
    ratings[rng.random(ratings.shape) < 0.25] = np.nan
    theirs = krippendorff.alpha(reliability_data=ratings.T, level_of_measurement=metric)
    ours = alpha.krippendorff_alpha(ratings, metric, n_draws=0)
    assert ours.estimate == pytest.approx(theirs, abs=1e-12)
    assert ours.n_dropped == int((np.isfinite(ratings).sum(axis=1) < 2).sum())


def test_kappa_s_interval_stays_within_its_range():
    """Fisher's z by hand; the plain interval of this table passes 1."""
    table = np.array([[5, 1, 0], [0, 4, 0], [0, 0, 2]])
    wald = kappa.kappa_of_table(table)
    found = kappa.kappa_of_table(table, interval="fisher_z")
    assert wald.ci_high > 1 > found.ci_high
    half = 1.959963984540054 * found.se / (1 - found.estimate**2)
    assert found.ci_low == pytest.approx(np.tanh(np.arctanh(found.estimate) - half), rel=1e-12)
    one_sided = kappa.kappa_of_table(np.array([[4, 0], [3, 0]]), interval="fisher_z")
    assert (one_sided.estimate, one_sided.status) == (0.0, "no_spread")
    assert np.isnan(one_sided.ci_low)


def test_acceleration_moves_the_interval_by_its_formula():
    """Efron & Tibshirani 1993 eq. 14.10 and 14.15 by hand, for the mean of skewed values (exact draws of six cases)."""
    from scipy.stats import norm

    values = np.array([1.0, 2.0, 2.5, 3.0, 4.0, 20.0])
    found = weighted_bootstrap(lambda w: w @ values / w.sum(axis=1), 6)
    assert found.exact
    leave_out = (values.sum() - values) / 5
    deviations = leave_out.mean() - leave_out
    acceleration = (deviations**3).sum() / (6 * ((deviations**2).sum()) ** 1.5)
    below = found.probabilities[found.draws < found.estimate].sum()
    below += found.probabilities[found.draws == found.estimate].sum() / 2
    z0 = norm.ppf(below)
    z = z0 + norm.ppf([0.025, 0.975])
    tails = norm.cdf(z0 + z / (1 - acceleration * z))
    assert (found.ci_low, found.ci_high) == tuple(found.quantile(t) for t in tails)
    without = norm.cdf(z0 + z)
    assert found.ci_high != found.quantile(without[1])


def test_kappa_under_relabelling_and_reversal():
    """Quadratic kappa is the same for reversed levels and for any names; the unweighted one for any order."""
    rng = np.random.default_rng(RNG_SEED)
    first = rng.integers(0, 4, 60)
    second = np.clip(first + rng.integers(-1, 2, 60), 0, 3)
    base = kappa.weighted_kappa(first.tolist(), second.tolist(), range(4)).estimate
    names = ["a", "b", "c", "d"]
    named = kappa.weighted_kappa([names[i] for i in first], [names[i] for i in second], names).estimate
    reversed_ = kappa.weighted_kappa(first.tolist(), second.tolist(), [3, 2, 1, 0]).estimate
    plain = kappa.weighted_kappa(first.tolist(), second.tolist(), range(4), "unweighted").estimate
    shuffled = kappa.weighted_kappa(first.tolist(), second.tolist(), [2, 0, 3, 1], "unweighted").estimate
    assert named == pytest.approx(base, abs=1e-14)
    assert reversed_ == pytest.approx(base, abs=1e-14)
    assert shuffled == pytest.approx(plain, abs=1e-14)
    wrong_order = kappa.weighted_kappa(first.tolist(), second.tolist(), [2, 0, 3, 1]).estimate
    assert abs(wrong_order - base) > 0.05


def test_fleiss_of_two_complete_raters_is_scotts_pi():
    """Fleiss 1971: with two ratings a case kappa is Scott's pi (Scott 1955)."""
    rng = np.random.default_rng(RNG_SEED)
    pair = rng.integers(0, 3, (50, 2))
    pair[:30, 1] = pair[:30, 0]
    same = (pair[:, 0] == pair[:, 1]).mean()
    share = np.bincount(pair.ravel(), minlength=3) / pair.size
    expected = (same - (share**2).sum()) / (1 - (share**2).sum())
    found = kappa.fleiss_kappa(kappa.rating_counts(pair, 3), n_draws=200)
    assert found.estimate == pytest.approx(expected, abs=1e-14)
    assert found.ci_low < found.estimate < found.ci_high


def test_gwet_error_of_fleiss_kappa_agrees_with_the_case_bootstrap():
    rng = np.random.default_rng(RNG_SEED)
    base = rng.integers(0, 4, (120, 1))
    ratings = np.where(rng.random((120, 3)) < 0.6, base, rng.integers(0, 4, (120, 3)))
    counts = kappa.rating_counts(ratings, 4)
    draws = [kappa.fleiss_kappa(counts[rng.integers(0, 120, 120)], n_draws=0).estimate for _ in range(1000)]
    found = kappa.fleiss_kappa(counts, n_draws=0)
    assert found.se == pytest.approx(np.std(draws, ddof=1), rel=4 / np.sqrt(2000))


def test_area_equals_scikit_learn_and_flips_with_the_direction():
    rng = np.random.default_rng(RNG_SEED)
    event = rng.random(90) < 0.3
    value = np.round(rng.normal(size=90) + event, 1)
    high, low = roc.roc_area(value, event, "high"), roc.roc_area(value, event, "low")
    assert high.area == pytest.approx(roc_auc_score(event, value), abs=1e-14)
    assert low.area == pytest.approx(1 - high.area, abs=1e-14)
    assert low.standard_error == pytest.approx(high.standard_error, abs=1e-14)


def test_paired_comparison_uses_complete_rows_only():
    rng = np.random.default_rng(RNG_SEED)
    event = (rng.random(80) < 0.4).astype(float)
    first, second = rng.normal(size=80) + event, rng.normal(size=80) + event
    holed = first.copy()
    holed[::7] = np.nan
    keep = np.isfinite(holed)
    whole = roc.compare_areas(first[keep], second[keep], event[keep], "high", "high")
    part = roc.compare_areas(holed, second, event, "high", "high")
    assert (part.z, part.n_missing) == (whole.z, int((~keep).sum()))


def test_smd_of_two_categories_has_both_published_forms():
    """Austin 2009: the two-category form is the one-category case of Yang & Dalton 2012."""
    p, q = 12 / 40, 9 / 60
    expected = (p - q) / np.sqrt((p * (1 - p) + q * (1 - q)) / 2)
    assert comparisons.smd_shares([28, 12], [51, 9]) == pytest.approx(expected, abs=1e-14)


def test_exact_test_of_a_larger_table():
    """Freeman & Halton 1951, by brute force over the tables with the same margins."""
    small = np.array([[3, 1, 0], [0, 2, 4]])
    exact = comparisons.category_test(small)
    assert exact.test == "fisher_exact"
    assert exact.p_value == pytest.approx(_enumerated(small), abs=1e-12)


EXACT_IN_R = json.loads((Path(__file__).parents[1] / "reference/stats/r/exact_tests.json").read_text())
R_TABLES = {
    "groups_by_stage": [[3, 2, 1], [1, 2, 3], [2, 1, 2], [0, 1, 2]],
    "five_by_two": [[8, 2], [6, 4], [9, 3], [7, 5], [6, 6]],
    "three_by_three": [[4, 3, 1], [1, 5, 2], [0, 2, 6]],
}


@pytest.mark.parametrize("name", sorted(R_TABLES))
def test_exact_test_equals_r(name):
    """R's fisher.test (tests/reference/stats/r/exact_tests.R): exact, never chi-square, whichever way the table is turned."""
    for table in (np.array(R_TABLES[name]), np.array(R_TABLES[name]).T):
        found = comparisons.category_test(table)
        assert found.test == "fisher_exact"
        assert found.p_value == pytest.approx(EXACT_IN_R[f"fisher.{name}"], rel=1e-9)


def test_the_margins_fix_the_last_column():
    """40 x 2 cases in a narrow and a full column: 780-odd tables, not the millions that the full column alone has."""
    wide = np.array([[1, 12], [1, 15], [0, 14], [1, 17], [0, 13], [2, 19]])
    assert comparisons.category_test(wide).test == "fisher_exact"


SPEARMAN_X = [3.1, 4.7, 1.2, 9.9, 5.5, 6.1, 2.2, 7.3]
SPEARMAN_Y = [2.0, 5.1, 1.9, 8.7, 3.3, 7.7, 4.4, 6.0]


@pytest.mark.parametrize("n", [4, 6, 8])
def test_spearman_p_of_few_pairs_is_exact(n):
    """R's cor.test(exact = TRUE); a perfect order of four cases has p = 2 / 4! and not 0."""
    p = correlation(np.array(SPEARMAN_X[:n]), np.array(SPEARMAN_Y[:n]), "spearman")[4]
    assert p == pytest.approx(EXACT_IN_R[f"spearman.{n}"], rel=1e-12)


def test_p_of_a_correlation_is_never_nil():
    line = np.arange(30.0)
    for coefficient in ("spearman", "pearson"):
        for n in (4, 12, 30):
            assert 0 < correlation(line[:n], 2 * line[:n], coefficient)[4] <= 2 / 24 + 1e-12
    assert correlation(line[:4], line[:4] ** 3, "spearman")[4] == pytest.approx(1 / 12)


def test_spearman_p_with_ties_counts_every_order():
    """By brute force over all orders of the tied ranks."""
    x, y = np.array([1.0, 1.0, 2.0, 3.0, 4.0]), np.array([2.0, 1.0, 3.0, 3.0, 5.0])
    seen = abs(spearmanr(x, y).statistic)
    share = np.mean([abs(spearmanr(x, order).statistic) >= seen - 1e-12 for order in permutations(y)])
    assert correlation(x, y, "spearman")[4] == pytest.approx(share, abs=1e-15)


def _enumerated(table):
    """Freeman & Halton 1951 by brute force over all 2 x 3 tables with the same margins."""
    rows, columns = table.sum(axis=1), table.sum(axis=0)

    def chance(top):
        ways = 1
        for taken, of in zip(top, columns, strict=True):
            ways *= comb(int(of), int(taken))
        return ways / comb(int(columns.sum()), int(rows[0]))

    seen = chance(table[0])
    total = 0.0
    for a in range(columns[0] + 1):
        for b in range(columns[1] + 1):
            c = rows[0] - a - b
            if 0 <= c <= columns[2] and chance((a, b, c)) <= seen * (1 + 1e-7):
                total += chance((a, b, c))
    return total


def test_missing_p_values_do_not_count_in_holm():
    """Trap: a missing p must not raise the number of tests."""
    with_gap = comparisons.holm(np.array([0.01, np.nan, 0.04, 0.03, 0.005]))
    without = comparisons.holm(np.array([0.01, 0.04, 0.03, 0.005]))
    assert np.isnan(with_gap[1])
    assert np.array_equal(np.delete(with_gap, 1), without)


def test_wilson_interval_has_its_nominal_coverage():
    """Newcombe 1998 Table II: mean coverage of method 3 is about 0.95; here the exact mean over p in (0, 1), n = 30."""
    n, shares = 30, np.linspace(0.005, 0.995, 199)
    limits = [proportions.share(x, n) for x in range(n + 1)]
    ways = np.array([comb(n, x) for x in range(n + 1)], dtype=float)
    covered = []
    for p in shares:
        chance = ways * p ** np.arange(n + 1) * (1 - p) ** (n - np.arange(n + 1))
        covered.append(sum(c for c, x in zip(chance, limits, strict=True) if x.ci_low <= p <= x.ci_high))
    assert 0.94 < np.mean(covered) < 0.96


def test_planned_limits_have_the_asked_width():
    from scipy.stats import t

    for half in (0.2, 0.35, 0.6):
        n = planning.cases_for_limits(half)

        def width(cases):
            return t.ppf(0.975, cases - 1) * np.sqrt(1 / cases + 1.959963984540054**2 / (2 * (cases - 1)))

        assert width(n) <= half < width(n - 1)
    assert planning.plan_limits(10.0, sd=20.0)["cases"].item() == planning.cases_for_limits(0.5)


def test_planned_icc_width_is_what_the_interval_then_has():
    """The F interval of ICC(1,1) (Shrout & Fleiss 1979) at the planned size is as wide as asked, within 10 %."""
    from scipy.stats import f

    icc, width, k = 0.8, 0.2, 2
    n = int(planning.plan_icc(icc, width, readers=k)["cases"].iloc[0])
    ratio = 1 + k * icc / (1 - icc)
    low = ratio / f.ppf(0.975, n - 1, n * (k - 1))
    high = ratio * f.ppf(0.975, n * (k - 1), n - 1)
    found = (high - 1) / (high + k - 1) - (low - 1) / (low + k - 1)
    assert found == pytest.approx(width, rel=0.1)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: planning.plan_icc(1.2), "icc"),
        (lambda: planning.plan_icc(0.8, readers=1), "reader"),
        (lambda: planning.plan_limits(0.0), "half_width"),
        (lambda: planning.plan_icc(0.5, smallest_icc=0.7), "icc"),
        (lambda: proportions.share(3, 2), "needed"),
        (lambda: kappa.weighted_kappa(["x"], ["y"], ["x"]), "levels"),
        (lambda: roc.roc_area([1.0], [1.0, 0.0], "high"), "outcomes"),
        (lambda: roc.roc_area([1.0], [1.0], "up"), "risk"),
    ],
)
def test_bad_arguments_say_what_is_needed(call, text):
    with pytest.raises(ValueError, match=text):
        call()


@pytest.mark.filterwarnings("error")
def test_degenerate_input_gives_a_status():
    nan = np.nan
    assert kappa.weighted_kappa([], [], ["a", "b"]).status == "no_cases"
    assert kappa.weighted_kappa(["a"] * 5, ["a"] * 5, ["a", "b"]).status == "one_class"
    assert kappa.weighted_kappa(["a", "b"] * 3, ["a", "b"] * 3, ["a", "b"]).status == "perfect_agreement"
    assert kappa.fleiss_kappa(np.array([[1, 0], [0, 1]])).status == "no_cases"
    assert kappa.fleiss_kappa(np.array([[2, 0], [2, 0]])).status == "one_class"
    assert kappa.fleiss_kappa(np.array([[2, 0], [0, 2]])).status == "perfect_agreement"
    assert alpha.krippendorff_alpha(np.full((4, 2), nan)).status == "no_pairs"
    assert alpha.krippendorff_alpha(np.ones((4, 2))).status == "one_class"
    assert alpha.krippendorff_alpha(np.array([[1, 1], [2, 2.0]])).status == "perfect_agreement"
    assert roc.roc_area(np.ones(6), np.array([0, 1] * 3), "low").status == "constant_values"
    assert roc.roc_area(np.arange(6), np.zeros(6), "low").status == "too_few_events"
    assert roc.roc_area(np.arange(6), np.array([0, 0, 0, 1, 1, 1]), "high").status == "perfect_separation"
    assert roc.roc_area(np.array([1, 2, np.inf, nan]), np.array([0, 1, 1, 0]), "high").n_missing == 2
    assert comparisons.mann_whitney(np.ones(3), np.ones(4)).status == "constant_values"
    assert comparisons.mann_whitney(np.array([nan]), np.ones(4)).status == "empty_group"
    assert comparisons.kruskal_wallis([np.ones(3), np.ones(3)]).status == "constant_values"
    assert comparisons.cohen_d(1, 0, 5, 1, 0, 5).status == "constant_values"
    assert comparisons.category_test(np.array([[3, 0], [2, 0]])).status == "one_category"
    assert np.isnan(comparisons.holm(np.array([nan, nan]))).all()
    assert proportions.share(0, 0).status == "no_cases"
