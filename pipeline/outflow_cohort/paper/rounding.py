"""Digits of a published number: as many as its interval supports."""

from __future__ import annotations

import math

from outflow_cohort.report.numbers import MISSING, is_number, number

MOST_DECIMALS = 4


def decimals_for(low: float, high: float) -> int:
    """Decimals that show the half-width of an interval with two digits where it begins with 1 or 2, else with one.

    Two significant digits of an uncertainty are usually enough: JCGM 100:2008 (GUM), 7.2.6, from memory.
    """
    half = abs(high - low) / 2.0
    if not math.isfinite(half) or half == 0.0:
        return 2
    exponent = math.floor(math.log10(half))
    leading = half / 10.0**exponent
    return min(max((1 if leading < 3.0 else 0) - exponent, 0), MOST_DECIMALS)


def shown_decimals(value: float, digits: int) -> int:
    """`digits`, or as many more as a value that is not 0 needs for one digit other than 0."""
    if value == 0.0 or not math.isfinite(value):
        return digits
    return min(max(digits, -math.floor(math.log10(abs(value)) + 1e-12)), MOST_DECIMALS)


def rounded(value: object, low: object, high: object) -> str:
    """`274 (209 to 386)`: value and interval with the digits that the interval supports; a dash without a value."""
    if not is_number(value):
        return MISSING
    if not (is_number(low) and is_number(high)):
        return number(value)
    digits = decimals_for(float(low), float(high))  # type: ignore[arg-type]
    if float(low) > 0.0:  # type: ignore[arg-type]
        # of a positive quantity a value or an end of 0 says too little; elsewhere 0 is as good as any number near it
        digits = shown_decimals(float(value), digits)  # type: ignore[arg-type]
    return f"{number(value, digits=digits)} ({number(low, digits=digits)} to {number(high, digits=digits)})"
