"""Time of all agreement of a study against pingouin called per measure with a plain loop of the same draws.

    python tests/benchmarks/agreement_speed.py [--measures 40] [--cases 200] [--draws 2000] [--subset 20]

Ours: `agreement_table` of 40 measures x 200 cases x 3 readers x 2 reads with 2,000 case draws: components, six ICC forms,
limits between and within readers, repeatability, reproducibility, concordance, Deming, Passing-Bablok, BCa intervals.
Theirs: for every measure `pingouin.intraclass_corr` (the six forms, of the readers' first reads: it takes one reading a
cell), and the same draws, each a frame of renamed cases given to `pingouin.intraclass_corr` again. Theirs is less work:
no limits, no repeatability, no repeated reads. The loop is run for --subset draws of one measure and multiplied out;
the printed ratio says so. The draws themselves are taken from the same table of case weights.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd

from outflow_cohort.stats import agreement_table
from outflow_cohort.stats.kernels.bootstrap import case_draws


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


def plain_loop(frame: pd.DataFrame, weights: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Seconds of one call per measure and of the draws given, and ICC(A,1) of the draws."""
    import pingouin

    first = frame[(frame["measure"] == "m0") & (frame["read_no"] == 1)]
    started = time.perf_counter()
    pingouin.intraclass_corr(first, targets="case_id", raters="reader_id", ratings="value")
    one_call = time.perf_counter() - started
    wide = first.pivot_table(index="case_id", columns="reader_id", values="value")
    values, readers = wide.to_numpy(), np.array(wide.columns)
    found = []
    started = time.perf_counter()
    for draw in weights:
        drawn = values[np.repeat(np.arange(len(values)), draw.astype(int))]
        case, reader = np.indices(drawn.shape).reshape(2, -1)
        table = pingouin.intraclass_corr(
            pd.DataFrame({"case_id": case, "reader_id": readers[reader], "value": drawn.ravel()}),
            targets="case_id",
            raters="reader_id",
            ratings="value",
        )
        found.append(table["ICC"].iloc[1])
    return one_call, time.perf_counter() - started, np.array(found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--measures", type=int, default=40)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--subset", type=int, default=20)
    options = parser.parse_args()
    frame = study(options.measures, options.cases)
    agreement_table(study(1, 10, missing=0.1), n_boot=200)  # compiles the likelihood once, as an installed run has it
    started = time.perf_counter()
    table = agreement_table(frame, n_boot=options.draws)
    ours = time.perf_counter() - started
    incomplete = study(options.measures, options.cases, missing=0.1)
    started = time.perf_counter()
    agreement_table(incomplete, n_boot=options.draws)
    ours_incomplete = time.perf_counter() - started

    weights = case_draws(options.cases, options.draws, 20240229).weights[: options.subset]
    one_call, loop, found = plain_loop(frame, weights)
    theirs = options.measures * (one_call + loop / len(weights) * options.draws)
    first = frame[(frame["measure"] == "m0") & (frame["read_no"] == 1)]
    same = agreement_of_draws(first, weights)
    print(f"ours, complete readings   {ours:10.2f} s  ({len(table)} rows)")
    print(f"ours, 10 % missing        {ours_incomplete:10.2f} s")
    print(
        f"pingouin + plain loop     {theirs:10.0f} s  (extrapolated: {loop:.1f} s for {len(weights)} draws of one measure,"
        f" x {options.draws / len(weights):.0f} x {options.measures})"
    )
    print(
        f"ratio                     {theirs / ours:10.0f}   (incomplete, which pingouin cannot take: {theirs / ours_incomplete:.0f})"
    )
    print(f"largest difference of ICC(A,1) over the same draws: {np.abs(found - same).max():.1e}")


def agreement_of_draws(first: pd.DataFrame, weights: np.ndarray) -> np.ndarray:
    """ICC(A,1) of the same draws by sums over cases."""
    from outflow_cohort.stats.data.cells import cells_of_frame
    from outflow_cohort.stats.kernels.case_weights import components_of_weights
    from outflow_cohort.stats.kernels.intraclass import FORMS, ratio_of
    from outflow_cohort.stats.kernels.reml import fit_cells

    cells = cells_of_frame(first)
    return ratio_of(components_of_weights(cells, weights, fit_cells(cells)), FORMS[1], 1.0)


if __name__ == "__main__":
    main()
