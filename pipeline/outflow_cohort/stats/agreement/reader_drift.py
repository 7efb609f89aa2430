"""Drift of single readers over the order of their readings, in the unit of the values per ten readings.

Source: Liang & Zeger 1986, Biometrika 73:13 (standard error with readings of a case kept together).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.agreement.agreement_table import NO_PHASE, one_phase_per_case
from outflow_cohort.stats.data.cells import usable_numbers

if TYPE_CHECKING:
    import pandas as pd

DRIFT_SOURCE = "ordinary least squares, standard error by case: Liang & Zeger 1986 Biometrika 73:13"
DRIFT_DEFINITION = (
    "slope over reading order of reading minus mean of the other readers on the same case, per ten readings"
)
READINGS_OF_DRIFT = 10.0


def reader_drift(
    frame: pd.DataFrame,
    *,
    order: str,
    case: str = "case_id",
    reader: str = "reader_id",
    value: str = "value",
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Whether a reader's values drift against the other readers' as the work goes on.

    order : column with the reader's own count of readings (1, 2, 3 ... in the order of reading).
    Each reading is compared with the mean of the other readers on the same case; cases read by one reader do not
    count. Returns one row per reader: reader, estimate (unit per ten readings), ci_low, ci_high, standard_error,
    p_value, n_cases, n_readings, definition, source, status. status: too_few_cases (< 4), no_reading_order (order
    missing or constant), no_spread (all comparisons equal). Raises KeyError for an absent column.

    Invented readings; the first reader drifts up by 1 with each case, so by 10 in ten readings, against the second:

    >>> import pandas as pd
    >>> steps = [0.1, -0.1, -0.1, 0.1, 0.0]
    >>> rows = [(case, "A", case, 200 + case + steps[case - 1]) for case in range(1, 6)]
    >>> rows += [(case, "B", case, 200) for case in range(1, 6)]
    >>> frame = pd.DataFrame(rows, columns=["case_id", "reader_id", "reading_order", "value"])
    >>> found = reader_drift(frame, order="reading_order").set_index("reader")
    >>> round(float(found.loc["A", "estimate"]), 1)
    10.0
    """
    import pandas as pd

    absent = [column for column in (order, case, reader, value) if column not in frame.columns]
    if absent:
        raise KeyError(f"columns {absent} not in the frame; it has {list(frame.columns)}")
    table = pd.DataFrame(
        {
            "case": frame[case],
            "reader": frame[reader],
            "order": pd.to_numeric(frame[order], errors="coerce"),
            "value": usable_numbers(pd.to_numeric(frame[value], errors="coerce")),
        }
    )
    table = table[np.isfinite(table["value"].to_numpy(np.float64)) & table["case"].notna() & table["reader"].notna()]
    cell_means = table.groupby(["case", "reader"], sort=True)["value"].mean()
    by_case = cell_means.groupby(level="case").agg(["sum", "size"])
    joined = table.join(by_case, on="case").join(cell_means.rename("own"), on=["case", "reader"])
    joined = joined[joined["size"] > 1]
    joined = joined.assign(
        difference=joined["value"] - (joined["sum"] - joined["own"]) / (joined["size"] - 1).to_numpy(np.float64)
    )
    rows = []
    for name, readings in table.groupby("reader", sort=True):
        own = joined[(joined["reader"] == name) & np.isfinite(joined["order"].to_numpy(np.float64))]
        rows.append({"reader": name, **_drift(own, len(readings), confidence)})
    columns = "reader estimate ci_low ci_high standard_error p_value n_cases n_readings definition source status"
    return pd.DataFrame(rows, columns=columns.split())


def _drift(own: pd.DataFrame, n_readings: int, confidence: float) -> dict[str, Any]:
    from scipy.stats import t

    nan = float("nan")
    row = {
        "estimate": nan, "ci_low": nan, "ci_high": nan, "standard_error": nan, "p_value": nan,
        "n_cases": own["case"].nunique(), "n_readings": len(own), "definition": DRIFT_DEFINITION,
        "source": DRIFT_SOURCE,
    }  # fmt: skip
    n_cases = row["n_cases"]
    order, difference = own["order"].to_numpy(np.float64), own["difference"].to_numpy(np.float64)
    if n_readings and not len(own):
        return row | {"status": "no_reading_order_or_other_reader"}
    if n_cases < 4:
        return row | {"status": "too_few_cases"}
    centred = order - order.mean()
    spread = float((centred**2).sum())
    if spread == 0:
        return row | {"status": "no_reading_order"}
    slope = float((centred * difference).sum() / spread)
    residuals = difference - difference.mean() - slope * centred
    row["estimate"] = slope * READINGS_OF_DRIFT
    if np.abs(residuals).max() <= 1e-12 * max(np.abs(own["value"].to_numpy()).max(), 1e-300):
        return row | {"status": "no_spread"}
    codes = own["case"].factorize()[0]
    scores = np.bincount(codes, centred * residuals)
    # Small-sample factor G/(G-1) (N-1)/(N-2) of the cluster-robust variance.
    factor = n_cases / (n_cases - 1) * (len(own) - 1) / (len(own) - 2)
    error = float(np.sqrt(factor * (scores**2).sum()) / spread)
    quantile = float(t.ppf((1 + confidence) / 2, n_cases - 2))
    row |= {
        "ci_low": (slope - quantile * error) * READINGS_OF_DRIFT,
        "ci_high": (slope + quantile * error) * READINGS_OF_DRIFT,
        "standard_error": error * READINGS_OF_DRIFT,
        "p_value": float(2 * t.sf(abs(slope) / error, n_cases - 2)) if error > 0 else 0.0,
        "status": "ok",
    }
    return row


def drift_table(measurements: pd.DataFrame, points: pd.DataFrame, *, confidence: float = 0.95) -> pd.DataFrame:
    """`reader_drift` of every measure, with the reading order of the landmark table; one phase per case.

    measurements : measure, variant, method, plan_id, case_id, phase_pct, reader_id, read_no, value, unit, one row per
        reading. points : case_id, phase_pct, reader_id, read_no, reading_order (may be absent or empty).
    Returns measure, variant, method, plan_id, the columns of `reader_drift`, unit. Without any order the readers'
    rows have status no_reading_order_or_other_reader.

    Invented readings; the first reader drifts up by 1 with each case, so by 10 in ten readings, against the second:

    >>> import pandas as pd
    >>> steps = {"A": [1.1, 1.9, 2.9, 4.1, 5.0], "B": [0.0] * 5}
    >>> frame = pd.DataFrame([(f"C{i}", r, 30.0, 1, i, s) for r, own in steps.items() for i, s in enumerate(own, 1)])
    >>> frame = frame.set_axis(["case_id", "reader_id", "phase_pct", "read_no", "reading_order", "value"], axis=1)
    >>> measurements = frame.drop(columns="reading_order")
    >>> measurements = measurements.assign(measure="m", variant="", method="", plan_id="", unit="mm")
    >>> found = drift_table(measurements, frame.drop(columns="value")).set_index("reader")
    >>> round(float(found.loc["A", "estimate"]), 1)
    10.0
    """
    import pandas as pd

    reading = ["case_id", "phase_pct", "reader_id", "read_no"]
    labels = ["measure", "variant", "method", "plan_id"]
    points = points.assign(reading_order=points["reading_order"] if "reading_order" in points else np.nan)
    phases = points["phase_pct"].astype(np.float64).fillna(NO_PHASE)
    points = points[[*reading, "reading_order"]].assign(phase_pct=phases)
    orders = points.groupby(reading, sort=True)["reading_order"].min()
    rows = []
    for key, own in measurements.groupby(labels, sort=True):
        own = own.assign(phase_pct=own["phase_pct"].astype(np.float64).fillna(NO_PHASE))
        own = own.assign(_case=own["case_id"], _phase=own["phase_pct"], _reader=own["reader_id"])
        own = one_phase_per_case(own.assign(_value=own["value"].astype(np.float64)))
        own = own.join(orders, on=reading)
        # Figures of whole cases have no phase of their own: the reading's order is that of its earliest phase.
        whole = orders.groupby(level=["case_id", "reader_id", "read_no"]).min().rename("whole")
        own = own.join(whole, on=["case_id", "reader_id", "read_no"])
        own = own.assign(reading_order=own["reading_order"].fillna(own["whole"]))
        found = reader_drift(own, order="reading_order", confidence=confidence)
        unit = str(own["unit"].iloc[0]) if len(own) else ""
        rows.append(found.assign(**dict(zip(labels, key, strict=True)), unit=unit)[[*labels, *found.columns, "unit"]])
    if not rows:
        empty = reader_drift(pd.DataFrame(columns=[*reading, "value", "reading_order"]), order="reading_order")
        return pd.DataFrame(columns=[*labels, *empty.columns, "unit"])
    return pd.concat(rows, ignore_index=True)
