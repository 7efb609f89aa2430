"""Do the intervals of single measurements hold what they should? Repeat reads and several readers show it.

A 95 % interval is meant to hold the true value in 95 of 100 readings. The truth is not known, but two readings of one
phase are two tries at it. By theory, for two independent readings with standard errors s1 and s2 and intervals of
z = 1.96 of them to either side:

    the first interval holds the second value with a chance of 2 Phi(z s1 / sqrt(s1^2 + s2^2)) - 1: 83 % where s1 = s2;
    both intervals overlap with a chance of 2 Phi(z (s1 + s2) / sqrt(s1^2 + s2^2)) - 1: 99.4 % where s1 = s2

(Goldstein & Healy 1995, J R Stat Soc A 158:175; Cumming & Maillardet 2006, Psychol Methods 11:217). Lower shares than
that say that the intervals are too narrow, or that readers differ by more than chance; higher ones that they are too
wide. What two readings have in common (the image's own noise) makes the shares higher than that. Values in the units of
their measures, shares from 0 to 1.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

if TYPE_CHECKING:
    from numpy.typing import NDArray

Z_95 = 1.959963984540054

FEWEST_CASES = 10
"""Cases below which a share means little: with 10 its 95 % interval is still half a unit wide."""

QUANTITY = ["measure", "variant", "method", "plan_id"]
SECOND_READ = "second_read_in_first_interval"
READERS_OVERLAP = "intervals_of_two_readers_overlap"

DEFINITIONS = {
    SECOND_READ: "how often the 95 % interval of a reader's first read holds the same reader's second value",
    READERS_OVERLAP: "how often the 95 % intervals of two readers' first reads overlap",
}
SOURCE = "Goldstein & Healy 1995, J R Stat Soc A 158:175; Cumming & Maillardet 2006, Psychol Methods 11:217"

COLUMNS = [
    *QUANTITY, "comparison", "n_cases", "n_pairs", "share", "ci_low", "ci_high", "expected_share", "finding",
    "definition", "source",
]  # fmt: skip


def interval_check(readings: pd.DataFrame, confidence: float = 0.95) -> pd.DataFrame:
    """One row per measure, variant, method, plan and comparison: how often intervals hold, and how often they should.

    readings : case_id, phase_pct, reader_id, read_no, plan_id, measure, variant, method, value, ci_low, ci_high; rows
    without an interval, and values over the phases of a case (phase_pct null), take no part.

    Pairs of one case are not independent, so the interval of a share (Wilson 1927) counts cases: each gives the mean
    share of its pairs. finding : `too_narrow` or `too_wide` where the expected share is outside it, `as_expected`,
    or `too_few_cases`.
    """
    known = readings[readings["phase_pct"].notna() & readings[["value", "ci_low", "ci_high"]].notna().all(axis=1)]
    known = known.assign(plan_id=known["plan_id"].astype(object).fillna(""))
    rows: list[dict[str, object]] = []
    for key, part in known.groupby(QUANTITY, sort=True, observed=True):
        rows += _rows_of(dict(zip(QUANTITY, key, strict=True)), part, confidence)
    rows.sort(key=lambda row: row["comparison"] != SECOND_READ)
    return pd.DataFrame(rows, columns=COLUMNS)


def _rows_of(key: dict[str, str], part: pd.DataFrame, confidence: float) -> list[dict[str, object]]:
    """Rows of one quantity, from its reads laid out by case and phase (rows) and reader (columns)."""
    part = part.sort_values(["reader_id", "read_no"], kind="stable")
    places = part.groupby(["case_id", "phase_pct"], sort=True, observed=True)
    place, reader = places.ngroup().to_numpy(), pd.factorize(part["reader_id"], sort=True)[0]
    case_of = pd.factorize(part["case_id"], sort=True)[0]
    number = part.groupby([place, reader], sort=False).cumcount().to_numpy()
    shape = (place.max() + 1, reader.max() + 1)
    case = np.zeros(shape[0], dtype=np.int64)
    case[place] = case_of
    first, second = (np.full((3, *shape), np.nan) for _ in range(2))
    figures = part[["value", "ci_low", "ci_high"]].to_numpy(np.float64).T
    for reads, wanted in ((first, 0), (second, 1)):
        at = number == wanted
        reads[:, place[at], reader[at]] = figures[:, at]
    held = (first[1] <= second[0]) & (second[0] <= first[2])
    expected = _expected(first, second, both=False)
    again = np.isfinite(first[0]) & np.isfinite(second[0])
    rows = [_row(key, SECOND_READ, np.nonzero(again)[0], case, held[again], expected[again], confidence)]
    a, b = np.triu_indices(shape[1], 1)
    one, other = first[:, :, a], first[:, :, b]
    overlap = (one[1] <= other[2]) & (other[1] <= one[2])
    pairs = np.isfinite(one[0]) & np.isfinite(other[0])
    expected = _expected(one, other, both=True)
    rows.append(_row(key, READERS_OVERLAP, np.nonzero(pairs)[0], case, overlap[pairs], expected[pairs], confidence))
    return [row for row in rows if row["n_pairs"]]


def _expected(one: np.ndarray, other: np.ndarray, *, both: bool) -> NDArray[np.float64]:
    """Chance, pair by pair, that theory gives; half-widths give the standard errors. 1 where both are 0.

    one, other : (3, ...) value and ends of the interval.
    """
    own, second = ((v[2] - v[1]) / (2.0 * Z_95) for v in (one, other))
    reach, spread = (own + second if both else own), np.hypot(own, second)
    ratio = np.divide(reach, spread, out=np.full_like(spread, np.inf), where=spread > 0.0)
    result: NDArray[np.float64] = 2.0 * ndtr(Z_95 * ratio) - 1.0
    return result


def _row(
    key: dict[str, str], comparison: str, place: np.ndarray, case_of: np.ndarray, held: np.ndarray,
    expected_share: np.ndarray, confidence: float,
) -> dict[str, object]:  # fmt: skip
    """A row of pairs; place : (n,) of each pair, case_of : case of each place."""
    if not len(place):
        return {"comparison": comparison, "n_pairs": 0}
    case = case_of[place]
    counts = np.bincount(case)
    seen = counts > 0
    share, expected = (
        float((np.bincount(case, values)[seen] / counts[seen]).mean())
        for values in (held.astype(np.float64), expected_share)
    )
    n = int(seen.sum())
    low, high = _wilson(share, n, confidence)
    finding = "as_expected"
    if n < FEWEST_CASES:
        finding = "too_few_cases"
    elif expected > high:
        finding = "too_narrow"
    elif expected < low:
        finding = "too_wide"
    return {
        **key, "comparison": comparison, "n_cases": n, "n_pairs": len(place), "share": share, "ci_low": low,
        "ci_high": high, "expected_share": expected, "finding": finding, "definition": DEFINITIONS[comparison],
        "source": SOURCE,
    }  # fmt: skip


def _wilson(share: float, n: int, confidence: float) -> tuple[float, float]:
    """Interval of a share of n cases, which may count in parts (Wilson 1927, J Am Stat Assoc 22:209)."""
    z2 = float(ndtri(0.5 + confidence / 2.0)) ** 2
    middle = (share + z2 / (2.0 * n)) / (1.0 + z2 / n)
    half = np.sqrt(z2 * (share * (1.0 - share) / n + z2 / (4.0 * n**2))) / (1.0 + z2 / n)
    return float(middle - half), float(middle + half)


def remark(table: pd.DataFrame, title: Callable[[str], str] = str) -> str:
    """One sentence on the study's intervals, for the report: which are too narrow or wide, if the data suffice.

    title : the name of a measure as the sentence gives it.
    """
    tested = table[table["finding"] != "too_few_cases"]
    if not len(tested):
        return (
            f"No measure has repeat reads, or two readers, in {FEWEST_CASES} cases, so nothing says whether the "
            "intervals are right. Have some cases read twice."
        )
    parts = []
    for finding, text in (("too_narrow", "too narrow"), ("too_wide", "too wide")):
        found = tested[tested["finding"] == finding]
        if len(found):
            names = ", ".join(title(name) for name in sorted(set(found["measure"].astype(str))))
            parts.append(f"{text} in {len(found)} of {len(tested)} comparisons ({names})")
    if not parts:
        return f"Intervals hold what theory expects in all {len(tested)} comparisons."
    advice = " Where they are too narrow, raise uncertainty.prior_sd_mm or look for bias between readers."
    return "Intervals are " + ", and ".join(parts) + "." + (advice if "narrow" in parts[0] else "")
