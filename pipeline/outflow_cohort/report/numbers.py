"""Numbers as words: digits that suit the unit, intervals, counts. Pure text, no HTML."""

from __future__ import annotations

import math

DIGITS = {"mm2": 0, "mm": 1, "deg": 1, "1": 2, "pct": 1, "ml": 0, "HU": 0, "mmHg": 1, "m2": 2}
"""Decimals by unit: about a tenth of the disagreement between readers, so that no printed digit is noise."""

UNITS = {"mm2": "mm²", "mm": "mm", "deg": "°", "1": "", "pct": "%", "ml": "ml", "m2": "m²"}

MISSING = "–"


def is_number(value: object) -> bool:
    """Whether `value` is a finite number (not None, not NaN, not text)."""
    if value is None or isinstance(value, str | bool):
        return False
    try:
        return math.isfinite(float(value))  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return False


def number(value: object, unit: str = "", digits: int | None = None) -> str:
    """`value` with the decimals of `unit`, a real minus sign, no unit; an en dash where there is none."""
    if not is_number(value):
        return MISSING
    v = float(value)  # type: ignore[arg-type]
    if digits is None:
        digits = DIGITS.get(unit, significant(v))
    text = f"{v:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def significant(value: float) -> int:
    """Decimals that show three significant digits of `value`, 0 to 4."""
    if value == 0:
        return 0
    return min(max(2 - math.floor(math.log10(abs(value))), 0), 4)


def unit_text(unit: object) -> str:
    """The unit as printed: `mm2` becomes mm²."""
    return UNITS.get(unit, unit) if isinstance(unit, str) else ""


def unit_after(unit: object) -> str:
    """The unit as it is after a number: a degree sign close, others after a blank."""
    shown = unit_text(unit)
    return shown if shown in ("", "°") else f" {shown}"


def difference_digits(unit: str) -> int:
    """Decimals of a difference or a bias: one more than the measure itself has."""
    return DIGITS.get(unit, 1) + 1


def with_unit(value: object, unit: str, digits: int | None = None) -> str:
    """`value` and its unit; a degree sign is set close."""
    text = number(value, unit, digits)
    shown = unit_text(unit)
    if text == MISSING or not shown:
        return text
    return text + unit_after(unit)


def interval(low: object, high: object, unit: str = "", digits: int | None = None) -> str:
    """`low to high`, or empty where either is missing."""
    if not (is_number(low) and is_number(high)):
        return ""
    return f"{number(low, unit, digits)} to {number(high, unit, digits)}"


def estimate(value: object, low: object, high: object, unit: str = "", digits: int | None = None) -> str:
    """`value (low to high)`; the brackets are left out where no interval is known."""
    inside = interval(low, high, unit, digits)
    text = number(value, unit, digits)
    return f"{text} ({inside})" if inside and text != MISSING else text


def count(number_of: int, singular: str, plural: str | None = None) -> str:
    """`1 case`, `3 cases`."""
    return f"{number_of:,} {singular if number_of == 1 else plural or singular + 's'}"


def phase_text(phase: object) -> str:
    """`30 %` of the R-R interval, or `single phase` where none is stated."""
    return f"{float(phase):g} %" if is_number(phase) else "no phase stated"  # type: ignore[arg-type]
