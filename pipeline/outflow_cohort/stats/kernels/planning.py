"""How many cases and readers a study of agreement needs.

Widths are full widths of two-sided intervals. Readings are per case, by different readers. Sample sizes are rounded up.
"""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

WALTER = "Walter, Eliasziw & Donner 1998 Stat Med 17:101"
BONETT = "Bonett 2002 Stat Med 21:1331"
LIMITS = "Bland & Altman 1999 Stat Methods Med Res 8:135, sec. 2 (variance of a limit)"
LARGEST = 1_000_000
"""No study is planned beyond so many cases."""


def _check(name: str, value: float, low: float, high: float) -> None:
    if not low < value < high:
        raise ValueError(f"{name} is {value}; needed a value between {low} and {high}")


def _readers(count: int) -> None:
    if count < 2:
        raise ValueError(f"{count} reader(s); needed 2 or more")


def cases_for_icc_test(
    icc: float, smallest_icc: float, readings: int, *, alpha: float = 0.05, power: float = 0.8, tails: int = 1
) -> float:
    """Cases needed to show ICC(1,1) above `smallest_icc` where it is `icc`; not rounded. ValueError out of bounds.

    To show an ICC above 0.6 where it is 0.8, two readings each: 39 cases (Walter et al. 1998, Stat Med 17:101):

    >>> round(cases_for_icc_test(0.8, 0.6, 2), 1)
    38.6
    """
    from scipy.stats import norm

    _check("icc", icc, smallest_icc, 1)
    _check("smallest_icc", smallest_icc, -1e-12, 1)
    _check("power", power, 0, 1)
    _check("alpha", alpha, 0, 1)
    _readers(readings)
    u = norm.ppf(1 - alpha / tails) + norm.ppf(power)
    ratio = (1 + readings * smallest_icc / (1 - smallest_icc)) / (1 + readings * icc / (1 - icc))
    return float(1 + 2 * u**2 * readings / (np.log(ratio) ** 2 * (readings - 1)))  # Walter 1998, eq. 14


def cases_for_icc_test_exact(
    icc: float, smallest_icc: float, readings: int, *, alpha: float = 0.05, power: float = 0.8
) -> int:
    """The same by the F distribution (one-sided): the smallest number of cases that reaches the power."""
    from scipy.stats import f

    approximate = ceil(cases_for_icc_test(icc, smallest_icc, readings, alpha=alpha, power=power))
    ratio = (1 + readings * smallest_icc / (1 - smallest_icc)) / (1 + readings * icc / (1 - icc))

    def reached(cases: int) -> float:
        df = (cases - 1, cases * (readings - 1))
        return float(f.sf(ratio * f.ppf(1 - alpha, *df), *df))

    cases = max(2, approximate)
    while cases > 2 and reached(cases - 1) >= power:
        cases -= 1
    while reached(cases) < power and cases < LARGEST:
        cases += 1
    return cases


def cases_for_icc_width(icc: float, width: float, readings: int, *, confidence: float = 0.95) -> float:
    """Cases needed for an interval of ICC(1,1) of the full `width`; not rounded. Raises ValueError out of bounds.

    An ICC of 0.9 known to +-0.05 with three readers:

    >>> round(cases_for_icc_width(0.9, 0.1, 3))
    41
    """
    from scipy.stats import norm

    _check("icc", icc, -1e-12, 1)
    _check("width", width, 0, 2)
    _check("confidence", confidence, 0, 1)
    _readers(readings)
    z = norm.ppf((1 + confidence) / 2)
    k = readings
    return float(8 * z**2 * (1 - icc) ** 2 * (1 + (k - 1) * icc) ** 2 / (k * (k - 1) * width**2) + 1)  # Bonett, eq. 3


def adjusted_for_two_readings(cases: float, icc: float, readings: int) -> int:
    """Bonett's correction: 5 icc more cases with two readings (and icc 0.7 or more), rounded up before and after."""
    return ceil(ceil(cases) + (5 * icc if readings == 2 and icc >= 0.7 else 0))  # Bonett 2002, sec. 3


def cases_for_limits(half_width: float, *, confidence: float = 0.95, multiplier: float = 1.959963984540054) -> int:
    """Cases with which the interval of a limit of agreement is no wider than +-half_width, in SD of the differences.

    Limits known to +-0.34 SD, as about 100 cases give them (1.71 s over the root of n, Bland & Altman 1999, sec. 2):

    >>> cases_for_limits(0.34)
    101
    """
    from scipy.stats import t

    _check("half_width", half_width, 0, 100)
    _check("confidence", confidence, 0, 1)

    def reached(cases: int) -> float:
        spread = np.sqrt(1 / cases + multiplier**2 / (2 * (cases - 1)))  # Bland & Altman 1999, sec. 2
        return float(t.ppf((1 + confidence) / 2, cases - 1) * spread)

    low, high = 1, 2
    while reached(high) > half_width:
        low, high = high, high * 2
        if high > LARGEST:
            raise ValueError(f"half_width {half_width} needs over {LARGEST} cases; needed a wider one")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) <= half_width else (middle, high)
    return high


def plan_icc(
    icc: float = 0.9,
    width: float = 0.1,
    smallest_icc: float | None = None,
    readers: int | None = None,
    confidence: float = 0.95,
    power: float = 0.8,
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Cases needed, by number of readers (2 to 5, or `readers`): for an interval of full `width`, and to show icc above
    `smallest_icc` where that is given.

    Returns goal, readers, cases, readings, cases_exact (F distribution; empty for widths), definition, source. Raises
    ValueError for a value out of bounds.

    Bonett 2002 Stat Med 21:1331: an ICC of 0.8 with two readers, interval 0.2 wide
    (50.8 by the formula, and 5 x 0.8 more for two readers):

    >>> plan = plan_icc(icc=0.8, width=0.2, readers=2)
    >>> plan.loc[0, "goal"], int(plan.loc[0, "cases"]), int(plan.loc[0, "readings"])
    ('interval_width', 55, 110)
    """
    import pandas as pd

    rows: list[tuple[str, int, int, int, int | None, str, str]] = []
    for k in (2, 3, 4, 5) if readers is None else (readers,):
        wide = cases_for_icc_width(icc, width, k, confidence=confidence)
        cases = adjusted_for_two_readings(wide, icc, k)
        text = f"ICC(1,1) of {icc:g}: {confidence:.0%} interval of full width {width:g}"
        rows.append(("interval_width", k, cases, cases * k, None, text, BONETT))
        if smallest_icc is not None:
            cases = ceil(cases_for_icc_test(icc, smallest_icc, k, alpha=alpha, power=power))
            exact = cases_for_icc_test_exact(icc, smallest_icc, k, alpha=alpha, power=power)
            text = f"ICC(1,1) of {icc:g} shown above {smallest_icc:g}: power {power:g}, one-sided alpha {alpha:g}"
            rows.append(("above_smallest", k, cases, cases * k, exact, text, f"{WALTER}; exact: F distribution"))
    columns = ["goal", "readers", "cases", "readings", "cases_exact", "definition", "source"]
    frame = pd.DataFrame(rows, columns=columns)
    frame["cases_exact"] = frame["cases_exact"].astype("Int64")
    return frame


def plan_limits(half_width: float, sd: float | None = None, confidence: float = 0.95) -> pd.DataFrame:
    """Cases needed for limits of agreement known to +-half_width (in the unit of sd, or in SD where sd is None).

    Returns half_width, sd, half_width_in_sd, cases, definition, source. Raises ValueError for a value out of bounds.

    Limits known to half an SD; the unit makes no difference:

    >>> int(plan_limits(0.5).loc[0, "cases"]) == int(plan_limits(10.0, sd=20.0).loc[0, "cases"])
    True
    >>> int(plan_limits(0.5).loc[0, "cases"])
    48
    """
    import pandas as pd

    if sd is not None:
        _check("sd", sd, 0, float("inf"))
    relative = half_width / (1.0 if sd is None else sd)
    cases = cases_for_limits(relative, confidence=confidence)
    text = f"one pair of readings per case; {confidence:.0%} interval of a limit no wider than +-half_width"
    columns = ["half_width", "sd", "half_width_in_sd", "cases", "definition", "source"]
    return pd.DataFrame([(half_width, sd, relative, cases, text, LIMITS)], columns=columns)
