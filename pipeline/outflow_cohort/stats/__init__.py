"""Statistics of a cohort as plain functions on tidy tables; loaded on first use so that importing costs nothing."""

from importlib import import_module
from typing import Any

# Public name -> module of this package that defines it. No module bears the name of a function: importing the module
# would put it in the place of the function.
AGREEMENT = {
    "agreement_table": "agreement",
    "AgreementSettings": "agreement",
    "variance_components": "reml",
    "icc": "intraclass",
    "mean_squares": "intraclass",
    "bland_altman": "limits_of_agreement",
    "bland_altman_replicates": "replicate_limits",
    "bland_altman_paired_replicates": "replicate_limits",
    "bland_altman_regression": "regression_limits",
    "repeatability": "precision",
    "reproducibility": "precision",
    "concordance": "lin",
    "deming": "method_comparison",
    "passing_bablok": "method_comparison",
    "case_bootstrap": "bootstrap",
    "plane_agreement": "planes",
    "planes_of_readings": "reading_planes",
    "reading_plane_agreement": "reading_planes",
    "landmark_agreement": "landmarks",
    "reader_bias": "reader_effects",
    "reader_drift": "reader_effects",
    "drift_table": "reader_effects",
    "grras_checklist": "grras",
    "method_agreement": "method_agreement_table",
    "MeasureChoice": "method_agreement_table",
}
COHORT = {
    "StatisticsSettings": "settings",
    "case_values": "case_reduction",
    "one_value_a_case": "one_value",
    "end_systolic_phase": "one_value",
    "cohort_summary": "summary",
    "phase_curves": "summary",
    "summarise": "summary",
    "baseline_table": "baseline",
    "cutoff_shares": "cutoffs",
    "share": "proportions",
    "association_table": "associations",
    "correlation": "associations",
    "weighted_kappa": "kappa",
    "kappa_of_table": "kappa",
    "fleiss_kappa": "kappa",
    "conger_kappa": "kappa",
    "krippendorff_alpha": "alpha",
    "class_agreement": "classes",
    "risk_agreement": "categorical",
    "choose_size": "sizing",
    "size_choices": "sizing",
    "size_agreement": "sizing",
    "size_shares": "sizing",
    "roc_area": "roc",
    "compare_areas": "roc",
    "roc_curve": "roc",
    "youden_point": "roc",
    "hanley_mcneil": "roc",
    "fit_logistic": "prediction_model",
    "calibration": "prediction_model",
    "net_benefit": "prediction_model",
    "model_optimism": "prediction_model",
    "endpoint_tables": "endpoint_questions",
    "trend_p": "endpoints",
    "cohen_d": "comparisons",
    "smd_means": "comparisons",
    "smd_shares": "comparisons",
    "mann_whitney": "comparisons",
    "kruskal_wallis": "comparisons",
    "fisher_2x2": "comparisons",
    "category_test": "comparisons",
    "holm": "comparisons",
    "plan_icc": "planning",
    "plan_limits": "planning",
    "study_tables": "study_statistics",
}
_MODULES = AGREEMENT | COHORT
__all__ = sorted(_MODULES)


def __getattr__(name: str) -> Any:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(_MODULES))
