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
    "landmark_agreement": "landmarks",
    "reader_bias": "reader_effects",
    "reader_drift": "reader_effects",
    "grras_checklist": "grras",
    "method_agreement": "method_agreement_table",
    "MeasureChoice": "method_agreement_table",
}
COHORT: dict[str, str] = {}
_MODULES = AGREEMENT | COHORT
__all__ = sorted(_MODULES)


def __getattr__(name: str) -> Any:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(_MODULES))
