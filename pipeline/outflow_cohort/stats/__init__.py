"""Statistics of a cohort as plain functions on tidy tables; loaded on first use so that importing costs nothing.

The library is what `__all__` names; what else the modules hold serves the pipeline and may change.
"""

from importlib import import_module
from typing import Any

# The library: public name -> module of this package that defines it. No module bears the name of a function: importing
# the module would put it in the place of the function.
AGREEMENT = {
    "agreement_table": "agreement.agreement_table",
    "AgreementSettings": "agreement.agreement_table",
    "variance_components": "kernels.reml",
    "icc": "kernels.intraclass",
    "mean_squares": "kernels.intraclass",
    "bland_altman": "kernels.limits_of_agreement",
    "bland_altman_replicates": "kernels.replicate_limits",
    "bland_altman_paired_replicates": "kernels.replicate_limits",
    "bland_altman_regression": "kernels.regression_limits",
    "repeatability": "kernels.precision",
    "reproducibility": "kernels.precision",
    "concordance": "kernels.lin",
    "deming": "kernels.method_comparison",
    "passing_bablok": "kernels.method_comparison",
    "case_bootstrap": "kernels.bootstrap",
    "plane_agreement": "agreement.planes",
    "planes_of_readings": "agreement.reading_planes",
    "reading_plane_agreement": "agreement.reading_planes",
    "landmark_agreement": "agreement.landmarks",
    "reader_bias": "agreement.reader_effects",
    "reader_drift": "agreement.reader_drift",
    "drift_table": "agreement.reader_drift",
    "grras_checklist": "data.grras",
    "method_agreement": "agreement.method_agreement_table",
    "MeasureChoice": "agreement.method_agreement_table",
}
COHORT = {
    "StatisticsSettings": "data.settings",
    "case_values": "data.case_reduction",
    "rules_of": "data.case_reduction",
    "one_value_a_case": "data.one_value",
    "end_systolic_phase": "data.one_value",
    "cohort_summary": "cohort.summary",
    "phase_curves": "cohort.summary",
    "summarise": "cohort.summary",
    "baseline_table": "cohort.baseline",
    "cutoff_shares": "cohort.cutoffs",
    "share": "kernels.proportions",
    "association_table": "cohort.associations",
    "correlation": "cohort.associations",
    "weighted_kappa": "kernels.kappa",
    "kappa_of_table": "kernels.kappa",
    "fleiss_kappa": "kernels.kappa",
    "conger_kappa": "kernels.kappa",
    "krippendorff_alpha": "kernels.alpha",
    "class_agreement": "agreement.classes",
    "risk_agreement": "cohort.categorical",
    "choose_size": "agreement.sizing",
    "size_choices": "agreement.sizing",
    "size_agreement": "agreement.sizing",
    "size_shares": "agreement.sizing",
    "Target": "agreement.sizing",
    "roc_area": "kernels.roc",
    "compare_areas": "kernels.roc",
    "roc_curve": "kernels.roc",
    "youden_point": "kernels.roc",
    "hanley_mcneil": "kernels.roc",
    "multi_reader_roc": "kernels.multi_reader_roc",
    "two_by_two": "kernels.two_by_two",
    "likelihood_ratio": "kernels.two_by_two",
    "kaplan_meier": "kernels.survival",
    "restricted_mean": "kernels.survival",
    "log_rank": "kernels.survival",
    "aalen_johansen": "kernels.survival",
    "fit_mixed": "kernels.mixed_model",
    "contrast_of": "kernels.mixed_model",
    "knots_of": "kernels.spline",
    "spline_basis": "kernels.spline",
    "impute": "kernels.imputation",
    "pool": "kernels.imputation",
    "pool_sites": "kernels.meta_analysis",
    "fit_logistic": "outcome.prediction_model",
    "calibration": "outcome.prediction_model",
    "net_benefit": "outcome.prediction_model",
    "model_optimism": "outcome.prediction_model",
    "trend_p": "outcome.endpoints",
    "cohen_d": "kernels.comparisons",
    "smd_means": "kernels.comparisons",
    "smd_shares": "kernels.comparisons",
    "mann_whitney": "kernels.comparisons",
    "kruskal_wallis": "kernels.comparisons",
    "fisher_2x2": "kernels.comparisons",
    "category_test": "kernels.comparisons",
    "holm": "kernels.comparisons",
    "bonferroni": "kernels.comparisons",
    "benjamini_hochberg": "kernels.comparisons",
    "cases_for_icc_test": "kernels.planning",
    "cases_for_icc_width": "kernels.planning",
    "cases_for_limits": "kernels.planning",
    "plan_icc": "kernels.planning",
    "plan_limits": "kernels.planning",
}
_MODULES = AGREEMENT | COHORT
__all__ = sorted(_MODULES)


def __getattr__(name: str) -> Any:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(_MODULES))
