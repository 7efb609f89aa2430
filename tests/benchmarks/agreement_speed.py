"""Time of the agreement of readers against peers that compute the same.

    python tests/benchmarks/agreement_speed.py [--measures 40] [--cases 200] [--subset 20]

Like with like: ICC(A,1) of the first reads of one measure with each case left out in turn, all cases, by our sums over
cases, by a plain NumPy loop over the same cases, and by pingouin (the six forms; on --subset cases, multiplied out, as
the line says). The largest difference of the three is printed. Beside it, without a peer: `agreement_table` of all
measures x cases x 3 readers x 2 reads (components, six ICC forms, limits, repeatability, reproducibility, jackknife
intervals), complete and with 10 % missing.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd

from outflow_cohort.stats import agreement_table
from outflow_cohort.stats.data.cells import cells_of_frame
from outflow_cohort.stats.kernels.icc_forms import FORMS
from outflow_cohort.stats.kernels.intraclass import ratio_of
from outflow_cohort.stats.kernels.jackknife import components_without
from outflow_cohort.stats.kernels.reml import fit_cells


def study(measures: int, cases: int, missing: float = 0.0) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    shape = (measures, cases, 3, 2)
    values = (
        100.0
        + rng.normal(0, 15, (measures, cases, 1, 1))
        + rng.normal(0, 3, (measures, 1, 3, 1))
        + rng.normal(0, 3, (measures, cases, 3, 1))
        + rng.normal(0, 4, shape)
    )
    measure, case, reader, read = np.indices(shape).reshape(4, -1)
    frame = pd.DataFrame(
        {
            "measure": np.char.add("m", measure.astype(str)),
            "variant": "v",
            "method": "reader_points",
            "plan_id": "",
            "case_id": np.char.add("C", case.astype(str)),
            "reader_id": np.char.add("R", reader.astype(str)),
            "read_no": read + 1,
            "value": values.ravel(),
            "unit": "mm",
        }
    )
    return frame[rng.random(len(frame)) >= missing] if missing else frame


def mean_square_icc(table: np.ndarray) -> float:
    """ICC(A,1) of a complete table (cases, readers) by mean squares (McGraw & Wong 1996)."""
    n, k = table.shape
    grand = table.mean()
    rows = k * ((table.mean(axis=1) - grand) ** 2).sum() / (n - 1)
    columns = n * ((table.mean(axis=0) - grand) ** 2).sum() / (k - 1)
    left = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + grand
    error = (left**2).sum() / ((n - 1) * (k - 1))
    return float((rows - error) / (rows + (k - 1) * error + k / n * (columns - error)))


def by_pingouin(first: pd.DataFrame, cases: list[str]) -> np.ndarray:
    """The same with each of the cases left out."""
    import pingouin

    found = []
    for case in cases:
        kept = first[first["case_id"] != case]
        table = pingouin.intraclass_corr(kept, targets="case_id", raters="reader_id", ratings="value")
        found.append(table["ICC"].iloc[1])
    return np.array(found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--measures", type=int, default=40)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--subset", type=int, default=20)
    options = parser.parse_args()
    frame = study(options.measures, options.cases)
    agreement_table(study(1, 12, missing=0.1), n_boot=0)  # compiles the likelihood once, as an installed run has it
    first = frame[(frame["measure"] == "m0") & (frame["read_no"] == 1)]
    wide = first.pivot_table(index="case_id", columns="reader_id", values="value").sort_index()
    cells = cells_of_frame(first)
    fit = fit_cells(cells)
    started = time.perf_counter()
    ours = ratio_of(components_without(cells, fit), FORMS[1], 1.0)
    seconds = time.perf_counter() - started
    values = wide.to_numpy()
    started = time.perf_counter()
    loop = np.array([mean_square_icc(np.delete(values, i, axis=0)) for i in range(len(values))])
    loop_seconds = time.perf_counter() - started
    subset = list(wide.index[: options.subset])
    started = time.perf_counter()
    theirs = by_pingouin(first, subset)
    per_case = (time.perf_counter() - started) / len(subset)
    print(f"ICC(A,1) of one measure, each of {len(values)} cases left out in turn:")
    print(f"  sums over cases    {1000 * seconds:8.2f} ms")
    print(f"  plain NumPy loop   {1000 * loop_seconds:8.2f} ms   ({loop_seconds / seconds:.1f} times ours)")
    print(f"  pingouin           {1000 * per_case * len(values):8.0f} ms   (multiplied out from {len(subset)} cases)")
    gap = max(np.abs(ours - loop).max(), np.abs(ours[: len(subset)] - theirs).max())
    print(f"  largest difference {gap:.1e}")
    for missing in (0.0, 0.1):
        whole = study(options.measures, options.cases, missing)
        started = time.perf_counter()
        table = agreement_table(whole, n_boot=0)
        print(
            f"agreement_table, {missing:.0%} missing: {time.perf_counter() - started:.1f} s, {len(table)} rows, no peer"
        )


if __name__ == "__main__":
    main()
