"""What the carried phases of one case add to its marked ones: a table, and the cycle as a figure.

    python tests/benchmarks/carry_cycle.py --results demo_study/results --case D13 [--truth demo_study/truth]
        [--output results_demo/carry_cycle.svg]

Each phase of the first plan along the automatic path: neo-LVOT with its 95 % interval, where its landmarks come from,
the true area where a table of true values is given. Below: the smallest of the marked phases, and of all.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from outflow_cohort.files import write_text
from outflow_cohort.report.case_data import CaseData, ReadValue, read_case
from outflow_cohort.report.charts_case import cycle_figures
from outflow_cohort.report.settings import read_settings

SOLID, METHOD = "full_frame", "automatic_path"


def phases_of(data: CaseData) -> list[ReadValue]:
    """The neo-LVOT of each phase of the reading shown, phases ascending."""
    reader, read = data.reference or ("", 0)
    found = data.find("neo_lvot_area", SOLID, method=METHOD, plan_id=data.plan_ids[0], reader_id=reader, read_no=read)
    return sorted((v for v in found if v.phase_pct is not None), key=lambda v: v.phase_pct or 0.0)


def true_areas(folder: Path | None, case_id: str, plan_id: str) -> dict[float, float]:
    """True neo-LVOT by phase, mm2; empty without a folder."""
    if folder is None:
        return {}
    rows = [line.split(",") for line in (folder / f"{case_id}.csv").read_text(encoding="utf-8").splitlines()]
    return {float(r[1]): float(r[5]) for r in rows if r[1] and r[2:5] == [plan_id, "neo_lvot_area", SOLID]}


def table(values: Sequence[ReadValue], truth: dict[float, float]) -> list[str]:
    """The rows of a Markdown table."""
    lines = ["| phase, % | landmarks | neo-LVOT, mm2 (95 %) | true, mm2 | status |", "|---|---|---|---|---|"]
    for v in values:
        origin = "marked" if v.carried_from_pct is None else f"carried from {v.carried_from_pct:g}"
        inside = "" if v.ci_low is None else f" ({v.ci_low:.0f}-{v.ci_high:.0f})"
        area = "" if v.value is None else f"{v.value:.0f}{inside}"
        true = truth.get(v.phase_pct or 0.0)
        lines.append(f"| {v.phase_pct:g} | {origin} | {area} | {'' if true is None else f'{true:.0f}'} | {v.status} |")
    return lines


def smallest(values: Sequence[ReadValue]) -> str:
    """The smallest area of these phases, in words."""
    found = min((v for v in values if v.value is not None), key=lambda v: v.value or 0.0)
    return f"{found.value:.0f} mm2 at {found.phase_pct:g} %"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=Path, required=True)
    parser.add_argument("--case", required=True, help="key of the case")
    parser.add_argument("--truth", type=Path)
    parser.add_argument("--output", type=Path)
    args = parser.parse_args()
    data = read_case(args.results, args.case, read_settings(args.results))
    values = phases_of(data)
    truth = true_areas(args.truth, args.case, data.plan_ids[0])
    print("\n".join(table(values, truth)))
    marked = [v for v in values if v.carried_from_pct is None]
    for v in marked:
        print(f"\nmarked at {v.phase_pct:g} % alone: {v.value:.0f} mm2", end="")
    print(f"\nsmallest of the marked phases: {smallest(marked)}; of all: {smallest(values)}")
    held = [v.ci_low <= truth[p] <= v.ci_high for v in values if (p := v.phase_pct) in truth and v.ci_low is not None]  # type: ignore[operator,index]
    if held:
        print(f"true area within the interval: {sum(held)} of {len(held)}")
    if args.output:
        write_text(args.output, cycle_figures(data)[0].drawing.standalone())


if __name__ == "__main__":
    main()
