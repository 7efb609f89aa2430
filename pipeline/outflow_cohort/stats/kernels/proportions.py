"""Shares and their intervals. Shares are fractions of 1."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Method = Literal["wilson", "wilson_cc", "clopper_pearson", "jeffreys", "wald"]
SOURCE = "Wilson 1927 JASA 22:209; Newcombe 1998 Stat Med 17:857"


@dataclass(frozen=True)
class Share:
    """x of n with interval; NaN and status `no_cases` where n is 0."""

    x: int
    n: int
    estimate: float
    ci_low: float
    ci_high: float
    status: str


def share(x: int, n: int, *, confidence: float = 0.95, method: Method = "wilson") -> Share:
    """Share x / n with its interval.

    wilson : without continuity correction (Newcombe 1998, method 3); wilson_cc : with (method 4); clopper_pearson :
    two-sided exact (method 5); jeffreys : beta prior (1/2, 1/2), limit 0 at x = 0 and 1 at x = n (Brown, Cai &
    DasGupta 2001 Stat Sci 16:101); wald : x / n -+ z SE (method 1), not clipped.

    Raises ValueError where x is outside 0 .. n or the method is unknown.

    81 of 263 (Newcombe 1998, table I, method 3: 0.2553 to 0.3662):

    >>> found = share(81, 263)
    >>> round(found.ci_low, 4), round(found.ci_high, 4)
    (0.2553, 0.3662)
    """
    from scipy.stats import beta, binomtest, norm

    if n < 0 or not 0 <= x <= max(n, 0):
        raise ValueError(f"{x} of {n}: needed 0 <= x <= n")
    if n == 0:
        return Share(x=x, n=n, estimate=float("nan"), ci_low=float("nan"), ci_high=float("nan"), status="no_cases")
    p = x / n
    tail = (1 - confidence) / 2
    if method in ("wilson", "wilson_cc", "clopper_pearson"):
        name = {"wilson": "wilson", "wilson_cc": "wilsoncc", "clopper_pearson": "exact"}[method]
        found = binomtest(int(x), int(n)).proportion_ci(confidence, name)
        low, high = float(found.low), float(found.high)
    elif method == "jeffreys":
        low = 0.0 if x == 0 else float(beta.ppf(tail, x + 0.5, n - x + 0.5))
        high = 1.0 if x == n else float(beta.ppf(1 - tail, x + 0.5, n - x + 0.5))
    elif method == "wald":
        half = float(norm.ppf(1 - tail)) * float(np.sqrt(p * (1 - p) / n))
        low, high = p - half, p + half
    else:
        raise ValueError(f"method {method!r}; needed wilson, wilson_cc, clopper_pearson, jeffreys or wald")
    return Share(x=x, n=n, estimate=p, ci_low=low, ci_high=high, status="ok")
