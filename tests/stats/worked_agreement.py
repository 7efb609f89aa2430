"""Agreement side of the worked examples: example id -> function that computes the reference file's keys.

Only public functions of outflow_cohort.stats compute; this file names their results as the reference file does.
"""

from pathlib import Path

import numpy as np
import pandas as pd

from outflow_cohort import stats
from outflow_cohort.stats.kernels.bootstrap import weighted_bootstrap
from outflow_cohort.stats.kernels.limits_of_agreement import one_sided_factor

DATA = Path(__file__).parents[1] / "reference" / "stats" / "data"
FORM_KEYS = {
    "icc_1_1": "ICC1_1",
    "icc_a_1": "ICCA_1",
    "icc_c_1": "ICCC_1",
    "icc_1_k": "ICC1_k",
    "icc_a_k": "ICCA_k",
    "icc_c_k": "ICCC_k",
}
Z = 1.959963984540054


def _table(name):
    return pd.read_csv(DATA / f"{name}.csv")


def _long(name, case, readers=None):
    frame = _table(name)
    long = frame.melt(case, value_vars=readers, var_name="reader_id", value_name="value")
    return long.rename(columns={case: "case_id"})


def _sbp(readers=("J", "R", "S")):
    return _table("sbp1999").melt(["subject", "rep"], list(readers), "reader_id", "value")


def _icc(frame, case="case_id"):
    values = {}
    for row in stats.icc(frame, case=case, interval="f_based").itertuples():
        key = FORM_KEYS[row.form]
        values |= {key: row.estimate, f"{key}.lo": row.ci_low, f"{key}.hi": row.ci_high, f"{key}.p": row.p_value}
        values |= {f"{key}.F": row.f_value, f"{key}.df1": row.df1, f"{key}.df2": row.df2}
    squares = stats.mean_squares(frame, case=case)
    values |= {"MSR": squares.cases, "MSC": squares.readers, "MSE": squares.residual, "MSW": squares.within}
    return values | {"F_rater": squares.reader_f, "p_rater": squares.reader_p}


def icc_wine():
    frame = _long("wine", "wine")
    values = _icc(frame)
    half = stats.icc(frame, null_value=0.5).set_index("form")
    for form, key in (("icc_1_1", "ICC1_1"), ("icc_c_1", "ICCC_1")):
        values[f"{key}.F_r0_0.5"] = half.f_value[form]
        values[f"{key}.p_r0_0.5"] = half.p_value[form]
    return values


def _components(frame, case, reader, value):
    fit = stats.variance_components(frame, case=case, reader=reader, value=value)
    ratio = stats.icc(frame, case=case, reader=reader, value=value, interval="generalised").set_index("form").estimate
    values = {
        "n_obs": fit.n_readings,
        "n_case": fit.n_cases,
        "n_reader": fit.n_readers,
        "var_case": fit.case,
        "var_reader": fit.reader,
        "var_case_reader": fit.case_reader,
        "var_resid": fit.residual,
        "sd_case": np.sqrt(fit.case),
        "sd_resid": np.sqrt(fit.residual),
        "mu": fit.mean,
        "se_mu": fit.mean_se,
        "REML_crit": fit.restricted_criterion,
    }
    return values | {key: ratio[form] for form, key in FORM_KEYS.items()}


def _limits(first, second, scale="difference", regression=False):
    values = {}
    plain = stats.bland_altman(first, second, scale=scale)
    values |= {"n": plain.n, "bias": plain.bias, "sd": plain.sd, "se_bias": plain.bias_se}
    values |= {"bias.lo": plain.bias_low, "bias.hi": plain.bias_high}
    for name, multiplier in (("196", 1.96), ("z", None), ("2sd", 2.0)):
        found = stats.bland_altman(first, second, multiplier=multiplier, scale=scale)
        values |= {f"loa_lo_{name}": found.lower, f"loa_hi_{name}": found.upper}
        values |= {"ratio_lo_196": found.ratio_lower, "ratio_hi_196": found.ratio_upper} if name == "196" else {}
    values["ratio_bias"] = plain.ratio_bias
    for name, multiplier, interval in (
        ("z.ba99", None, "approximate"),
        ("z.exact", None, "exact"),
        ("z.mover", None, "mover"),
        ("2sd.ba86", 2.0, "simple"),
    ):
        base, method = name.split(".")
        found = stats.bland_altman(first, second, multiplier=multiplier, limits_interval=interval, scale=scale)
        values |= {f"loa_lo_{base}.{method}.lo": found.lower_low, f"loa_lo_{base}.{method}.hi": found.lower_high}
        values |= {f"loa_hi_{base}.{method}.lo": found.upper_low, f"loa_hi_{base}.{method}.hi": found.upper_high}
        if method in ("ba99", "ba86"):
            t = (plain.bias_high - plain.bias) / plain.bias_se
            values[f"se_loa_{method}"] = (found.upper_high - found.upper_low) / 2 / t
    if regression:
        line = stats.bland_altman_regression(first, second)
        values |= {"b0": line.intercept, "b1": line.slope, "se_b0": line.intercept_se, "se_b1": line.slope_se}
        values |= {"p_b1": line.slope_p, "resid_sd": line.residual_sd, "p_c1": line.spread_p}
        values |= {"c0": line.spread_intercept, "c1": line.spread_slope}
        constant, growing = line.limit_lines(growing=False), line.limit_lines(growing=True)
        values |= {"const_lo_intercept": constant[0][0], "const_hi_intercept": constant[1][0]}
        values |= {"var_lo_intercept": growing[0][0], "var_lo_slope": growing[0][1]}
        values |= {"var_hi_intercept": growing[1][0], "var_hi_slope": growing[1][1]}
    return values


def _first_readings(name, first, second):
    frame = _table(name)
    kept = frame[frame.rep == 1]
    return kept[first].to_numpy(), kept[second].to_numpy()


def ba_pefr1986():
    values = _limits(*_first_readings("pefr1986", "wright", "mini"))
    frame = _table("pefr1986")
    wide = frame.pivot_table(index="subject", columns="rep")
    for meter in ("wright", "mini"):
        change = stats.bland_altman(wide[meter][1], wide[meter][2])
        wsd = (
            stats.repeatability(frame, case="subject", reader=None, value=meter).set_index("statistic").estimate["wsd"]
        )
        root_mean_square = np.sqrt(change.bias**2 + change.sd**2 * (change.n - 1) / change.n)
        values |= {f"{meter}.mean_diff": change.bias, f"{meter}.sd_diff": change.sd, f"{meter}.wSD": wsd}
        # 1986: twice the root mean square difference of duplicates; root mean square = sqrt(2) wSD.
        assert abs(root_mean_square - np.sqrt(2) * wsd) < 1e-9
        values |= {f"{meter}.CR_2rms": 2 * np.sqrt(2) * wsd, f"{meter}.RC_196": 1.96 * np.sqrt(2) * wsd}
    long = frame.melt(["subject", "rep"], ["wright", "mini"], "reader_id", "value")
    replicates = stats.bland_altman_replicates(long, "wright", "mini", case="subject")
    values |= {"means.bias": replicates.limits.bias, "means.sd": np.sqrt(replicates.variance_of_means)}
    return values | {"means.corrected_sd": replicates.limits.sd}


def ba_sbp1999_rep():
    frame = _sbp(("J", "S"))
    found = stats.bland_altman_replicates(frame, "J", "S", case="subject", multiplier=1.96)
    by_quantile = stats.bland_altman_replicates(frame, "J", "S", case="subject").limits
    wide = _table("sbp1999")
    paired = stats.bland_altman_paired_replicates(wide.subject, wide.J, wide.S, multiplier=1.96)
    return {
        "n_subject": found.limits.n,
        "wvar_x": found.within_first,
        "wvar_y": found.within_second,
        "mean_of_means": found.limits.bias,
        "bias": found.limits.bias,
        # The oracle's interval of the bias uses the normal quantile.
        "bias.lo": found.limits.bias - Z * found.limits.bias_se,
        "bias.hi": found.limits.bias + Z * found.limits.bias_se,
        "var_means": found.variance_of_means,
        "mean_inv_m": found.mean_inverse_first,
        "var_corrected": found.total_variance,
        "sd_corrected": found.limits.sd,
        "loa_lo_196": found.limits.lower,
        "loa_hi_196": found.limits.upper,
        "paired.mean_all": paired.limits.bias,
        "paired.MSB": paired.mean_square_between,
        "paired.MSW": paired.mean_square_within,
        "paired.m0": paired.effective_repeats,
        "paired.var_between": paired.between,
        "paired.var_total": paired.total_variance,
        "paired.sd_total": paired.limits.sd,
        "paired.loa_lo_196": paired.limits.lower,
        "paired.loa_hi_196": paired.limits.upper,
        "zou.loa_lo_z": by_quantile.lower,
        "zou.loa_hi_z": by_quantile.upper,
        "zou.loa_lo_z.lo": by_quantile.lower_low,
        "zou.loa_lo_z.hi": by_quantile.lower_high,
        "zou.loa_hi_z.lo": by_quantile.upper_low,
        "zou.loa_hi_z.hi": by_quantile.upper_high,
    }


def _plasma(scale="difference", regression=False):
    frame = _table("plvol1999")
    return _limits(frame.nadler, frame.hurley, scale=scale, regression=regression)


def ba_milk1999():
    frame = _table("milk1999")
    return _limits(frame.trig, frame.gerber, regression=True)


def nct_factor():
    from scipy.stats import norm

    return {
        "k_n43_p90_g99": one_sided_factor(43, float(norm.ppf(0.90)), 0.99),
        "k_n10_p95_g95": one_sided_factor(10, float(norm.ppf(0.95)), 0.95),
    }


def _repeatability(frame, case, value):
    table = stats.repeatability(frame, case=case, reader=None, value=value).set_index("statistic")
    wsd, rc = table.loc["wsd"], table.loc["rc"]
    counts = frame.groupby(case)[value].agg(["size", "mean"])
    between = float((counts["size"] * (counts["mean"] - frame[value].mean()) ** 2).sum())
    fit = stats.variance_components(frame, case=case, reader=None, value=value)
    return {
        "n": int(wsd.n_cases),
        "SS_between": between,
        "MS_between": between / (len(counts) - 1),
        "SS_within": wsd.estimate**2 * wsd.df,
        "MS_within": wsd.estimate**2,
        "df_within": int(wsd.df),
        "wSD": wsd.estimate,
        "wSD.lo": wsd.ci_low,
        "wSD.hi": wsd.ci_high,
        "RC_277": 2.77 * wsd.estimate,
        "RC_196": 1.96 * np.sqrt(2) * wsd.estimate,
        "RC_z": rc.estimate,
        "RC_z.lo": rc.ci_low,
        "RC_z.hi": rc.ci_high,
        "wCV_rms": table.estimate["wcv_rms"],
        "wCV_mean": table.estimate["wcv_mean"],
        "wCV_log_exp_minus_1": table.estimate["wcv_log"],
        "wCV_log_lognormal": table.estimate["wcv_lognormal"],
        "wCV_mean_of_cv": table.estimate["wcv_mean_of_cv"],
        "ICC1_1": fit.case / (fit.case + fit.residual),
    }


def qiba_sbp_jrs():
    frame = _sbp()
    values = _components(frame, "subject", "reader_id", "value")
    table = stats.reproducibility(frame, case="subject").set_index("statistic").estimate
    return values | {
        "ICC_inter_single": table["icc_inter_single"],
        "ICC_intra_single": table["icc_intra_single"],
        "wSD_repeat": table["sd_repeatability"],
        "RC": 1.96 * np.sqrt(2) * table["sd_repeatability"],
        "RC_z": table["rc"],
        "SD_reprod": table["sd_reproducibility"],
        "RDC": 1.96 * np.sqrt(2) * table["sd_reproducibility"],
        "RDC_z": table["rdc"],
    }


def _concordance(first, second):
    from outflow_cohort.stats.kernels.lin import concordance_error

    found = stats.concordance(first, second)
    n1_location = found.location_shift * np.sqrt((found.n - 1) / found.n)
    return {
        "ccc": found.estimate,
        "ccc_n": found.estimate,
        "ccc_n1": found.estimate_n1,
        "z.lo": found.ci_low,
        "z.hi": found.ci_high,
        "asym.lo": found.plain_low,
        "asym.hi": found.plain_high,
        "scale_shift": found.scale_shift,
        "loc_shift": found.location_shift,
        "C_b": found.bias_correction,
        "pearson": found.pearson,
        "se": found.standard_error,
        "se_ddof1": concordance_error(found.estimate, found.pearson, n1_location, found.n),
    }


def _deming(name, first, second, ratio=1.0):
    frame = _table(name)
    values = {}
    for suffix, interval in (("an", "analytical"), ("jk", "jackknife")):
        line = stats.deming(frame[first], frame[second], error_ratio=ratio, interval=interval)
        values |= {"intercept": line.intercept, "slope": line.slope}
        values |= {f"intercept.se_{suffix}": line.intercept_se, f"slope.se_{suffix}": line.slope_se}
        values |= {f"intercept.lo_{suffix}": line.intercept_low, f"intercept.hi_{suffix}": line.intercept_high}
        values |= {f"slope.lo_{suffix}": line.slope_low, f"slope.hi_{suffix}": line.slope_high}
    return values


def _passing_bablok(first, second):
    line = stats.passing_bablok(first, second)
    narrow = stats.passing_bablok(first, second, confidence=0.93)
    return {
        "intercept": line.intercept,
        "slope": line.slope,
        "intercept.lo": line.intercept_low,
        "intercept.hi": line.intercept_high,
        "slope.lo": line.slope_low,
        "slope.hi": line.slope_high,
        "slope.lo_93": narrow.slope_low,
        "slope.hi_93": narrow.slope_high,
    }


def _distribution(prefix, found):
    return {
        f"{prefix}.estimate": found.estimate,
        f"{prefix}.boot_mean": found.mean,
        f"{prefix}.boot_se": found.standard_error,
        f"{prefix}.q025": found.quantile(0.025),
        f"{prefix}.q50": found.quantile(0.5),
        f"{prefix}.q975": found.quantile(0.975),
        f"{prefix}.n_multisets": float(len(found.draws) + found.n_failed),
    }


def boot_mouse():
    values = _table("mouse_et1993")["treatment_survival_days"].to_numpy(np.float64)
    table = pd.DataFrame({"case_id": np.arange(len(values)), "value": values})
    found = _distribution("mean", stats.case_bootstrap(table, lambda drawn: drawn.value.mean()))
    found |= _distribution("median", stats.case_bootstrap(table, lambda drawn: drawn.value.median()))
    n = len(values)
    classic = stats.bland_altman(values, np.zeros(n)).bias_se
    return found | {"mean.se_classic": classic, "mean.se_plugin": classic * np.sqrt((n - 1) / n)}


def boot_cluster():
    frame = _table("cluster_small")
    pooled = stats.case_bootstrap(frame, lambda drawn: drawn.value.mean(), case="case")

    def within(drawn):
        groups = drawn.groupby("case")["value"]
        df = len(drawn) - groups.ngroups
        return np.sqrt(((drawn.value - groups.transform("mean")) ** 2).sum() / df) if df else np.nan

    wsd = stats.case_bootstrap(frame, within, case="case")
    values = _distribution("pooled_mean", pooled) | _distribution("wsd_drop", wsd)
    fast = weighted_bootstrap(_pooled_mean_of_weights(frame), frame["case"].nunique())
    assert abs(fast.standard_error - pooled.standard_error) < 1e-12
    table = stats.repeatability(frame, case="case", reader=None).set_index("statistic")
    return values | {"wsd.estimate": table.estimate["wsd"]}


def _pooled_mean_of_weights(frame):
    groups = frame.groupby("case")["value"].agg(["sum", "size"]).to_numpy(np.float64)
    return lambda weights: (weights @ groups[:, 0]) / (weights @ groups[:, 1])


EXAMPLES = {
    "icc_sf1979": lambda: _icc(_long("sf1979", "target")),
    "icc_wine": icc_wine,
    "icc_sbp_JRS_first": lambda: _icc(_sbp().query("rep == 1"), case="subject"),
    "vc_dyestuff": lambda: _components(_table("dyestuff"), "batch", None, "yield"),
    "vc_penicillin": lambda: _components(_table("penicillin"), "plate", "sample", "diameter"),
    "vc_sf1979_missing": lambda: _components(_table("sf1979_missing"), "target", "judge", "score"),
    "ba_pefr1986": ba_pefr1986,
    "ba_sbp1999": lambda: _limits(*_first_readings("sbp1999", "J", "S")),
    "ba_sbp1999_rep": ba_sbp1999_rep,
    "ba_milk1999": ba_milk1999,
    "ba_plvol1999": lambda: _plasma(regression=True),
    "ba_plvol1999_log": lambda: _plasma(scale="log"),
    "nct_factor": nct_factor,
    "rep_pefr20": lambda: _repeatability(_long("bmj1996_pefr20", "child"), "case_id", "value"),
    "rep_pefr_wright": lambda: _repeatability(_table("pefr1986"), "subject", "wright"),
    "rep_sbpJ": lambda: _repeatability(_table("sbp1999"), "subject", "J"),
    "qiba_sbp_JRS": qiba_sbp_jrs,
    "ccc_pefr1986": lambda: _concordance(*_first_readings("pefr1986", "wright", "mini")),
    "ccc_sbp_JS": lambda: _concordance(*_first_readings("sbp1999", "J", "S")),
    "ccc_plvol": lambda: _concordance(_table("plvol1999").nadler, _table("plvol1999").hurley),
    "deming_ncss1": lambda: _deming("ncss_deming1", "x", "y", 4.0),
    "deming_ncss1_r1": lambda: _deming("ncss_deming1", "x", "y"),
    "mc_arsenate_deming": lambda: _deming("arsenate", "aas", "aes"),
    "mc_plvol_deming": lambda: _deming("plvol1999", "hurley", "nadler"),
    "mc_arsenate_pb": lambda: _passing_bablok(_table("arsenate").aas, _table("arsenate").aes),
    "pb_sen1968": lambda: _passing_bablok(_table("sen1968").t, _table("sen1968").y),
    "pb_pefr1986": lambda: _passing_bablok(*_first_readings("pefr1986", "wright", "mini")),
    "mc_plvol_pb": lambda: _passing_bablok(_table("plvol1999").hurley, _table("plvol1999").nadler),
    "boot_mouse_et1993": boot_mouse,
    "boot_cluster_small": boot_cluster,
}
