"""Cohort side of the worked examples: example id -> function that computes the reference file's keys."""

from math import ceil
from pathlib import Path

import numpy as np
import pandas as pd

from outflow_cohort.stats.kernels import alpha, comparisons, kappa, planning, proportions, roc

DATA = Path(__file__).parents[1] / "reference" / "stats" / "data"


def _table(name):
    return pd.read_csv(DATA / f"{name}.csv")


def _kappa(name, extra=None):
    counts = _table(name).iloc[:, 1:].to_numpy()
    values = {}
    weights = {"kappa": "unweighted", "kappa_lin": "linear", "kappa_quad": "quadratic"} | (extra or {})
    for key, weight in weights.items():
        found = kappa.kappa_of_table(counts, weight)
        values |= {key: found.estimate, f"{key}.se": found.se, f"{key}.lo": found.ci_low, f"{key}.hi": found.ci_high}
        values |= {f"{key}.z": found.z, f"{key}.z0": found.z, f"{key}.p": found.p_value, f"{key}.se0": found.null_se}
    return values


def _fleiss(counts, ratings):
    found = kappa.fleiss_kappa(counts)
    low, high = found.null_interval()
    values = {"kappa": found.estimate, "z": found.z, "p": found.p_value, "lo": low, "hi": high, "se": found.se}
    values |= {f"per_category[{i}]": round(v, 3) for i, v in enumerate(found.by_category)}
    values |= {"pa": found.observed, "pe": found.expected, "randolph": found.randolph, "z_fnl1979": found.z}
    values |= {"se0_fnl1979": found.null_se, "se_fleiss1971": found.se_1971}
    return values | {"conger": kappa.conger_kappa(ratings, counts.shape[1])}


def fleiss_1971():
    ratings = _table("fleiss1971").iloc[:, 1:].to_numpy() - 1
    return _fleiss(kappa.rating_counts(ratings, 5), ratings)


def fleiss_wiki():
    counts = _table("fleiss_wiki").iloc[:, 1:].to_numpy()
    ratings = np.array([np.repeat(np.arange(counts.shape[1]), row) for row in counts])
    return _fleiss(counts, ratings)


def _alpha(name):
    ratings = _table(name).iloc[:, 1:].to_numpy(dtype=float)
    metrics = ("nominal", "ordinal", "interval", "ratio")
    values = {m: alpha.krippendorff_alpha(ratings, m, n_draws=0).estimate for m in metrics}
    return values | {"nominal.se": round(alpha.krippendorff_alpha(ratings, "nominal", n_draws=0).se, 5)}


def _roc(name, value, event):
    found = roc.roc_area(value, event, "high")
    best = roc.youden_point(value, event, "high")
    values = {"auc": found.area, "var": found.variance, "se": found.standard_error, "lo": found.ci_low}
    values |= {"hi": found.ci_high, "logit_lo": found.logit_low, "logit_hi": found.logit_high}
    values |= {"youden_J": best.index, "n_ties_best": best.n_ties, "n_ties": best.n_ties, "cut_ge": best.cutoff}
    values |= {"thr_midpoint": best.midpoint, "sens": best.sensitivity, "spec": best.specificity}
    return {f"{name}.{key}": number for key, number in values.items()}


def roc_hanley1982():
    table = _table("hanley1982")
    value = np.concatenate([np.repeat(table["rating"], table["normal"]), np.repeat(table["rating"], table["abnormal"])])
    event = np.repeat([0, 1], [table["normal"].sum(), table["abnormal"].sum()])
    classic = roc.hanley_mcneil(value, event, "high")
    values = {"ct.Q1": classic.q1, "ct.Q2": classic.q2, "ct.se_hm_table": classic.se_ratings}
    return _roc("ct", value, event) | values | {"ct.se_hm_exp": classic.se_exponential}


def roc_asah():
    table = _table("asah")
    event = (table["outcome"] == "Poor").to_numpy(dtype=float)
    values = {}
    for name in ("s100b", "wfns", "ndka"):
        values |= _roc(name, table[name].to_numpy(), event)
    for a, b in (("s100b", "wfns"), ("s100b", "ndka"), ("ndka", "wfns"), ("wfns", "ndka")):
        found = roc.compare_areas(table[a].to_numpy(), table[b].to_numpy(), event, "high", "high")
        key = f"{a}_vs_{b}"
        values |= {f"{key}.Z": found.z, f"{key}.p": found.p_value, f"{key}.diff": found.difference}
        values |= {f"{key}.diff.lo": found.ci_low, f"{key}.diff.hi": found.ci_high}
        values |= {f"{key}.cov": found.covariance, f"{key}.diff.se": found.standard_error}
    return values


def prop_newcombe1998():
    names = {
        "wilson": "wilson",
        "cp": "clopper_pearson",
        "wald": "wald",
        "wilsoncc": "wilson_cc",
        "jeffreys": "jeffreys",
    }
    values = {}
    for x, n in ((81, 263), (15, 148), (0, 20), (1, 29)):
        key = f"{x}_{n}"
        values |= {f"{key}.n": n, f"{key}.p": proportions.share(x, n).estimate}
        for short, method in names.items():
            found = proportions.share(x, n, method=method)
            values |= {f"{key}.{short}.lo": found.ci_low, f"{key}.{short}.hi": found.ci_high}
    return values


def ss_walter1998():
    values = {}
    cases = {"c1": (0.6, 0.8, 2), "c2": (0.6, 0.8, 3), "c3": (0.7, 0.9, 2), "c4": (0.8, 0.9, 2)}
    for key, (low, icc, readings) in cases.items():
        raw = planning.cases_for_icc_test(icc, low, readings)
        values |= {f"{key}.rho0": low, f"{key}.rho1": icc, f"{key}.n_readings": readings, f"{key}.tails": 1}
        values |= {f"{key}.power": 0.8, f"{key}.k_raw": raw, f"{key}.k": ceil(raw)}
        values |= {f"{key}.k_exact": planning.cases_for_icc_test_exact(icc, low, readings)}
    return values


def ss_bonett2002():
    values = {}
    for key, (icc, readings, width) in {"b1": (0.8, 2, 0.2), "b2": (0.7, 3, 0.2), "b3": (0.9, 2, 0.1)}.items():
        raw = planning.cases_for_icc_width(icc, width, readings)
        values |= {f"{key}.rho": icc, f"{key}.k": readings, f"{key}.width": width, f"{key}.n_raw": raw}
        values |= {f"{key}.n": ceil(raw)}
        values |= {f"{key}.n_adj": planning.adjusted_for_two_readings(raw, icc, readings)}
    return values


def _permeability():
    table = _table("hw_permeability")
    return (table.loc[table["group"] == g, "value"].to_numpy() for g in ("x", "y"))


def mwu_hw_permeability():
    x, y = _permeability()
    return {
        "W": comparisons.mann_whitney(x, y).statistic,
        "p_two_exact": comparisons.mann_whitney(x, y, "exact").p_value,
        "p_greater_exact": comparisons.mann_whitney(x, y, "exact", "greater").p_value,
        "p_two_normal_cc": comparisons.mann_whitney(x, y, "normal_corrected").p_value,
        "p_two_normal_nocc": comparisons.mann_whitney(x, y, "normal").p_value,
    }


def kw_hw_mucociliary():
    groups = [g["value"].to_numpy() for _, g in _table("hw_mucociliary").groupby("group")]
    found = comparisons.kruskal_wallis(groups)
    return {"H": found.statistic, "df": len(groups) - 1, "p": found.p_value}


def _fisher(table):
    found = comparisons.fisher_2x2(table)
    return {
        "p_two": found.p_value,
        "p_greater": comparisons.fisher_2x2(table, "greater").p_value,
        "p_less": comparisons.fisher_2x2(table, "less").p_value,
        "or_cond_mle": found.conditional_odds_ratio,
        "or.lo": found.ci_low,
        "or.hi": found.ci_high,
        "or_sample": found.sample_odds_ratio,
    }


def smd_borenstein2009():
    found = comparisons.cohen_d(103, 5.5, 50, 100, 4.5, 50)
    factor = comparisons.small_sample_factor(98, "approximate")
    return {
        "s_pooled": comparisons.pooled_sd(5.5, 50, 4.5, 50),
        "d": found.estimate,
        "var_d": found.variance,
        "J": factor,
        "g": found.estimate * factor,
        "var_g": found.variance * factor**2,
        "smd_austin": comparisons.smd_means(_two_values(103, 5.5), _two_values(100, 4.5)),
    }


def _two_values(mean, sd):
    return np.array([mean - sd / np.sqrt(2), mean + sd / np.sqrt(2)])


def smd_permeability():
    x, y = _permeability()
    found = comparisons.cohen_d(x.mean(), x.std(ddof=1), len(x), y.mean(), y.std(ddof=1), len(y))
    return {
        "d": found.estimate,
        "d.lo": found.ci_low,
        "d.hi": found.ci_high,
        "g": found.estimate * comparisons.small_sample_factor(len(x) + len(y) - 2),
        "abs_smd": abs(comparisons.smd_means(x, y, ddof=0)),
        "abs_smd_ddof0": abs(comparisons.smd_means(x, y, ddof=0)),
        "abs_smd_ddof1": abs(comparisons.smd_means(x, y)),
    }


def smd_binary_categorical():
    return {
        "binary_abs": abs(comparisons.smd_shares([28, 12], [51, 9])),
        "categorical": comparisons.smd_shares([10, 18, 12], [24, 20, 16]),
    }


def holm_wiki():
    p = np.array([0.01, 0.04, 0.03, 0.005])
    methods = {"adj": comparisons.holm, "bonferroni": comparisons.bonferroni, "bh": comparisons.benjamini_hochberg}
    return {f"{key}[{i}]": v for key, adjust in methods.items() for i, v in enumerate(adjust(p))}


# Reference figures that are wrong in a known way, with the right value; test_cohort_oracles.py proves each by its
# defining equation. R's fisher.test searches this limit with a step of 1.2e-4 (uniroot's default tolerance).
REFERENCE_IN_ERROR = {("fisher_convictions", "or.lo"): 0.0033171639506573}
FCE_WEIGHTS = np.array([[1, 0, 4 / 9], [0, 1, 2 / 3], [4 / 9, 2 / 3, 1]])
EXAMPLES = {
    "kappa_fce1969": lambda: _kappa("fce1969", {"kappa_fcew": FCE_WEIGHTS}),
    "kappa_sas_skin": lambda: _kappa("sas_skin"),
    "kappa_ms_neworleans": lambda: _kappa("ms_neworleans"),
    "fleiss_1971": fleiss_1971,
    "fleiss_wiki": fleiss_wiki,
    "kripp_2011_C": lambda: _alpha("kripp2011_C"),
    "kripp_gwet5": lambda: _alpha("gwet_5observers"),
    "roc_hanley1982": roc_hanley1982,
    "roc_asah": roc_asah,
    "prop_newcombe1998": prop_newcombe1998,
    "ss_walter1998": ss_walter1998,
    "ss_bonett2002": ss_bonett2002,
    "mwu_hw_permeability": mwu_hw_permeability,
    "kw_hw_mucociliary": kw_hw_mucociliary,
    "fisher_tea": lambda: _fisher([[3, 1], [1, 3]]),
    "fisher_convictions": lambda: _fisher([[2, 15], [10, 3]]),
    "smd_borenstein2009": smd_borenstein2009,
    "smd_permeability": smd_permeability,
    "smd_binary_categorical": smd_binary_categorical,
    "holm_wiki": holm_wiki,
}
