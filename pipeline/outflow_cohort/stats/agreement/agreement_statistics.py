"""Names, units, definitions and sources of the rows of the agreement table."""

from __future__ import annotations

from dataclasses import dataclass

from outflow_cohort.stats.agreement import reader_effects
from outflow_cohort.stats.kernels import (
    generalised,
    icc_forms,
    intraclass,
    jackknife,
    limits_of_agreement,
    lin,
    method_comparison,
    precision,
    regression_limits,
    reml,
    replicate_limits,
)

SAME = "unit"
SQUARE = "unit squared"
ONE = "1"
PERCENT = "pct"


@dataclass(frozen=True)
class AgreementStatistic:
    """What a row of the agreement table holds; unit is the measure's own, its square, 1 or pct."""

    unit: str
    definition: str
    source: str


_COMPONENT = f"{reml.SOURCE}; intervals: {generalised.SOURCE}"
_TAILS = f"intervals named jackknife: {jackknife.SOURCE}"
_ICC = f"{intraclass.SOURCE}; agreement forms' and incomplete readings' intervals: {generalised.SOURCE}; {_TAILS}"
_LIMITS = f"{limits_of_agreement.SOURCE}; {replicate_limits.SOURCE}; {_TAILS}"
_PRECISION = precision.SOURCE

STATISTICS: dict[str, AgreementStatistic] = {
    "variance_case": AgreementStatistic(SQUARE, "variance between cases (c), REML", _COMPONENT),
    "variance_reader": AgreementStatistic(SQUARE, "variance between readers (r), REML", _COMPONENT),
    "variance_case_reader": AgreementStatistic(SQUARE, "variance of case x reader (cr), REML", _COMPONENT),
    "variance_residual": AgreementStatistic(
        SQUARE, "variance of repeated reads (e), REML; holds case x reader where no reader read twice", _COMPONENT
    ),
    **{form.key: AgreementStatistic(ONE, f"{form.name}: {form.definition}", _ICC) for form in icc_forms.FORMS},
    "icc_intra_single": AgreementStatistic(
        ONE, "(c+r+cr)/(c+r+cr+e): two reads of one reader", f"{_PRECISION}; intervals: {generalised.SOURCE}"
    ),
    "sd_reproducibility": AgreementStatistic(
        SAME, precision.REPRODUCIBILITY["sd_reproducibility"], f"{_PRECISION}; intervals: {generalised.SOURCE}"
    ),
    "rdc": AgreementStatistic(SAME, precision.REPRODUCIBILITY["rdc"], f"{_PRECISION}; intervals: {generalised.SOURCE}"),
    "wsd": AgreementStatistic(SAME, precision.WSD, _PRECISION),
    "rc": AgreementStatistic(SAME, precision.RC, _PRECISION),
    **{
        name: AgreementStatistic(ONE, text, "Bland & Altman 1996 BMJ 313:106; Bland 2006")
        for name, text in precision.WCV.items()
    },
    "reader_bias": AgreementStatistic(SAME, reader_effects.BIAS_DEFINITION, reader_effects.BIAS_SOURCE),
    "bias": AgreementStatistic(SAME, "mean difference over cases, in the order named in comparison", _LIMITS),
    "sd_difference": AgreementStatistic(
        SAME, "SD of the difference of two single readings, repeats taken into account", _LIMITS
    ),
    "loa_lower": AgreementStatistic(
        SAME,
        "bias - 1.96 SD (normal quantile) of single readings; between_readers: -RDC, two readers drawn at random",
        _LIMITS,
    ),
    "loa_upper": AgreementStatistic(
        SAME,
        "bias + 1.96 SD (normal quantile) of single readings; between_readers: +RDC, two readers drawn at random",
        _LIMITS,
    ),
    "bias_percent": AgreementStatistic(
        PERCENT, "mean of 100 x difference / mean of the pair, first reads", limits_of_agreement.SOURCE
    ),
    "loa_lower_percent": AgreementStatistic(
        PERCENT, "lower limit of 100 x difference / mean of the pair, first reads", limits_of_agreement.SOURCE
    ),
    "loa_upper_percent": AgreementStatistic(
        PERCENT, "upper limit of 100 x difference / mean of the pair, first reads", limits_of_agreement.SOURCE
    ),
    "bias_slope": AgreementStatistic(
        ONE, "slope of the difference on the mean of the pair, first reads", regression_limits.SOURCE
    ),
    "concordance": AgreementStatistic(ONE, "Lin's concordance correlation, n denominators, first reads", lin.SOURCE),
    "deming_slope": AgreementStatistic(
        ONE,
        "Deming slope of the first on the second named, error ratio 1, first reads",
        method_comparison.DEMING_SOURCE,
    ),
    "deming_intercept": AgreementStatistic(
        SAME, "Deming intercept, error ratio 1, first reads", method_comparison.DEMING_SOURCE
    ),
    "passing_bablok_slope": AgreementStatistic(
        ONE,
        "Passing-Bablok slope of the first on the second named, first reads",
        method_comparison.PASSING_BABLOK_SOURCE,
    ),
    "passing_bablok_intercept": AgreementStatistic(
        SAME, "Passing-Bablok intercept, first reads", method_comparison.PASSING_BABLOK_SOURCE
    ),
}


def unit_of(statistic: str, unit: str) -> str:
    """Unit of a row from the unit of its measure."""
    kind = STATISTICS[statistic].unit
    if kind == SAME:
        return unit
    if kind == SQUARE:
        return "1" if unit == "1" else f"({unit})^2"
    return kind
