"""How often nominal 95 % intervals hold the truth: normal and t5 errors, 20 and 50 cases, complete and 15 % missing.

    python tests/benchmarks/statistics_coverage.py --simulations 2000 --output results_demo/statistics_coverage.md

The intervals are those of the functions that fill the tables. Truth: the simulated components, limits, areas, survival,
hazard ratio and differences. Three readers, SD of case 3, reader 0.7, error 1 (t5 errors and cases scaled to the same
SD); reads are repeated once for wSD, RC and within-reader limits. The Monte Carlo error of a share near 0.95 is 0.5 %
with 2,000 simulations.
"""

from __future__ import annotations

import argparse
import itertools
import json
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from outflow_cohort.stats.agreement.agreement_rows import agreement_rows
from outflow_cohort.stats.cohort.mixed_design import differences, mixed_design
from outflow_cohort.stats.kernels import cox, firth, mixed_model, roc, survival

Z = 1.959963984540054
CASE, READER, ERROR = 3.0, 0.7, 1.0
K = 3
EVENT_SHARE = 1 / 3
LOW, HIGH = 0.92, 0.97
Hit = dict[str, bool]


def noise(rng: np.random.Generator, shape: tuple[int, ...], errors: str) -> np.ndarray:
    """Standard errors of variance 1: normal or t with 5 degrees of freedom."""
    if errors == "normal":
        return rng.normal(size=shape)
    return rng.standard_t(5, shape) / np.sqrt(5 / 3)


def agreement(rng: np.random.Generator, n: int, errors: str, missing: float) -> Hit:
    """Reliability, precision and limits of one simulated study of three readers with two reads."""
    reader = rng.normal(0, READER, K)
    value = 60 + CASE * noise(rng, (n, 1, 1), errors) + reader[None, :, None] + ERROR * noise(rng, (n, K, 2), errors)
    at = np.argwhere(rng.random((n, K, 2)) >= missing)
    rows = agreement_rows(
        at[:, 0], at[:, 1], at[:, 2], value[tuple(at.T)], confidence=0.95, n_draws=0, seed=1, regressions=False
    )  # fmt: skip
    found = {(row.statistic, row.comparison): row for row in rows}
    spread = READER**2 + ERROR**2
    truth = {
        ("icc_a_1", "all_readers"): CASE**2 / (CASE**2 + spread),
        ("icc_c_1", "all_readers"): CASE**2 / (CASE**2 + ERROR**2),
        ("wsd", "within_readers"): ERROR,
        ("rc", "within_readers"): Z * np.sqrt(2) * ERROR,
        ("rdc", "all_readers"): Z * np.sqrt(2 * spread),
        ("bias", "1 - 0"): reader[1] - reader[0],
        ("loa_upper", "1 - 0"): reader[1] - reader[0] + Z * np.sqrt(2) * ERROR,
        ("loa_upper", "within_readers read 2 - read 1"): Z * np.sqrt(2) * ERROR,
    }
    out = {}
    for key, value_of in truth.items():
        row = found[key]
        name = {"loa_upper": "limit"}.get(key[0], key[0])
        label = name + (", pair of readers" if " - 0" in key[1] else ", within readers" if "read 2" in key[1] else "")
        if np.isfinite(row.ci_low):
            out[label] = bool(row.ci_low <= value_of <= row.ci_high)
    return out


def area(rng: np.random.Generator, n: int, errors: str, missing: float) -> Hit:
    """Area under the curve with a third of the cases as events, one SD apart."""
    event = (np.arange(n) < round(n * EVENT_SHARE)).astype(float)
    value = noise(rng, (n,), errors) + event
    value[rng.random(n) < missing] = np.nan
    found = roc.roc_area(value, event, "high")
    if not np.isfinite(found.logit_low):
        return {}
    return {"AUC": bool(found.logit_low <= TRUE_AREA[errors] <= found.logit_high)}


def _true_area(errors: str) -> float:
    rng = np.random.default_rng(0)
    a, b = noise(rng, (4_000_000,), errors) + 1, noise(rng, (4_000_000,), errors)
    return float((a > b).mean())


TRUE_AREA = {errors: _true_area(errors) for errors in ("normal", "t5")}


def times(rng: np.random.Generator, n: int, errors: str, missing: float) -> Hit:
    """Exponential times with hazard exp(0.5 x), uniform censoring; Kaplan-Meier at time 1 and the hazard ratio."""
    x = noise(rng, (n,), errors)
    hazard = np.exp(0.5 * x)
    event_time, censored = rng.exponential(1 / hazard), rng.uniform(0.3, 3, n)
    kept = rng.random(n) >= missing
    time_seen, event = np.minimum(event_time, censored)[kept], (event_time <= censored)[kept].astype(float)
    x = x[kept]
    out: Hit = {}
    curve = survival.kaplan_meier(time_seen, event)
    estimate, _, low, high = curve.at(0.7)
    if np.isfinite(low) and np.isfinite(estimate):
        out["Kaplan-Meier at one time"] = bool(low <= TRUE_SURVIVAL[errors] <= high)
    few = event.sum() < 10
    fit = firth.fit_firth(cox.partial_likelihood(time_seen, event, x[:, None]), 1, penalised=bool(few))
    if fit.status == "ok":
        out["Cox log hazard ratio"] = bool(fit.ci_low[0] <= 0.5 <= fit.ci_high[0])
    return out


def _true_survival(errors: str) -> float:
    x = noise(np.random.default_rng(0), (2_000_000,), errors)
    return float(np.exp(-0.7 * np.exp(0.5 * x)).mean())


TRUE_SURVIVAL = {errors: _true_survival(errors) for errors in ("normal", "t5")}


def contrasts(rng: np.random.Generator, n: int, errors: str, missing: float) -> Hit:
    """Difference of two groups, and of two phases, of a mixed model with random case and reader."""
    group = np.where(np.arange(n) % 2 == 0, "a", "b")
    value = (
        60 + CASE * noise(rng, (n, 1, 1), errors) + rng.normal(0, READER, K)[None, :, None]
        + ERROR * noise(rng, (n, K, 2), errors) + 2.0 * (group == "b")[:, None, None] + np.array([0.0, -1.0])
    )  # fmt: skip
    at = np.argwhere(rng.random((n, K, 2)) >= missing)
    phase = np.array(["20 %", "40 %"], dtype=object)[at[:, 2]]
    design = mixed_design(group[at[:, 0]].astype(object), phase, {}, {})
    fit = mixed_model.fit_mixed(value[tuple(at.T)], design.columns, [at[:, 0], at[:, 1]])
    out: Hit = {}
    for term, level, weights in differences(design):
        truth = {"b - a": 2.0, "40 % - 20 %": -1.0}.get(level)
        if truth is not None and np.isfinite(fit.residual):
            c = mixed_model.contrast_of(fit, weights)
            out[f"mixed model, {term} difference"] = bool(c.ci_low <= truth <= c.ci_high)
    return out


SUBJECTS: tuple[Callable[..., Hit], ...] = (agreement, area, times, contrasts)
"""Simulated studies; each has random numbers of its own, so that one can be simulated again without the others."""


SETTINGS = [(e, n, m) for e in ("normal", "t5") for n in (20, 50) for m in (0.0, 0.15)]
"""Errors, cases, share missing: the columns of the table."""


def simulate(simulations: int, seed: int, keep: Path | None) -> list[tuple[str, list[tuple[float, int]]]]:
    """Rows of the table: figure, and coverage with its number of simulations in each of the eight settings.

    keep : folder in which each column is kept as it is done, so that a run that was stopped goes on from there.
    """
    table: dict[str, list[tuple[float, int]]] = {}
    for subject, column in itertools.product(SUBJECTS, range(len(SETTINGS))):
        kept = keep / f"{simulations}_{seed}_{subject.__name__}_{column}.json" if keep else None
        if kept and kept.exists():
            found = json.loads(kept.read_text(encoding="utf-8"))
        else:
            found = simulate_column(subject, simulations, seed, column)
            if kept:
                kept.parent.mkdir(parents=True, exist_ok=True)
                kept.write_text(json.dumps(found), encoding="utf-8")
        for name, (share, n) in found.items():
            table.setdefault(name, [(float("nan"), 0)] * len(SETTINGS))
            table[name][column] = (share, n)
    return list(table.items())


def simulate_column(
    subject: Callable[..., Hit], simulations: int, seed: int, column: int
) -> dict[str, tuple[float, int]]:
    """Coverage and number of simulations of each figure of one subject in one setting."""
    errors, n, missing = SETTINGS[column]
    rng = np.random.default_rng([seed, column])
    hits: dict[str, list[bool]] = {}
    for _ in range(simulations):
        for name, hit in subject(rng, n, errors, missing).items():
            hits.setdefault(name, []).append(hit)
    return {name: (float(np.mean(seen)), len(seen)) for name, seen in hits.items()}


def remark(name: str, cells: list[tuple[float, int]]) -> str:
    """`holds`, or which assumption fails."""
    outside = [
        share
        for share, n in cells
        if not LOW - 2 * np.sqrt(0.95 * 0.05 / max(n, 1)) <= share <= HIGH + 2 * np.sqrt(0.95 * 0.05 / max(n, 1))
    ]
    if not outside:
        strict = [share for share, _ in cells if not LOW <= share <= HIGH]
        beyond = ", ".join(f"{100 * share:.1f} %" for share in strict)
        return f"holds; {beyond} within Monte Carlo error of the bounds" if strict else "holds"
    normal = [share for share, _ in cells[:4]]
    if not {*outside} & {*normal}:
        low = min(share for share, _ in cells[4:])
        return f"normal cases and errors fail: down to {100 * low:.0f} % under t5; see excess_kurtosis beside it"
    return (
        f"{100 * min(normal):.0f}-{100 * max(normal):.0f} % under normal errors: the approximation of few cases fails"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--simulations", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--output", type=Path, default=None)
    parser.add_argument("--keep", type=Path, default=None, help="folder that keeps finished columns")
    options = parser.parse_args()
    started = time.perf_counter()
    table = simulate(options.simulations, options.seed, options.keep)
    lines = [
        "# How often the intervals of the statistics hold the truth",
        "",
        f"Share of nominal 95 % intervals that hold the simulated truth, {options.simulations} simulations a cell;"
        f" Monte Carlo error {100 * np.sqrt(0.95 * 0.05 / options.simulations):.1f} %."
        " `holds`: between 92 and 97 % within two Monte Carlo errors in all columns. Three readers, two reads; t5: errors and cases with five degrees of freedom. For research only.",
        "",
        "| interval of | normal 20 | 15 % missing | normal 50 | 15 % missing | t5 20 | 15 % missing | t5 50 | 15 % missing"
        " | |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name, cells in table:
        lines.append(f"| {name} | " + " | ".join(f"{100 * s:.1f}" for s, _ in cells) + f" | {remark(name, cells)} |")
    command = (
        f"python tests/benchmarks/statistics_coverage.py --simulations {options.simulations} --seed {options.seed}"
    )
    lines += ["", f"Made by `{command}`.", ""]
    text = "\n".join(lines)
    print(text)
    print(f"{time.perf_counter() - started:.0f} s")
    if options.output:
        options.output.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
