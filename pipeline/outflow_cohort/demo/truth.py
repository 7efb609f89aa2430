"""The truth of the demonstration study, one file per case: case_id, phase_pct, plan_id, measure, variant, value, unit.

Worked out from the closed-form heart alone, without the measuring code; see `true_planes` and `true_sections`.
Sections follow the true outflow path; a path found another way has slightly other sections.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import DEVICES, DemoDevice, DemoPlan, heart_case, plans_of, prosthesis_of
from outflow_cohort.demo.settings import DemoCase, DemoSettings, load_settings
from outflow_cohort.demo.true_device import true_solids
from outflow_cohort.demo.true_planes import (
    Value,
    aortic_values,
    ring_values,
    septal_values,
    ventricle_volume,
    view_values,
)
from outflow_cohort.demo.true_sections import EXACT, Steps, TrueOutflow
from outflow_cohort.files import write_text

SYSTOLIC_WINDOW = (10.0, 40.0)
"""% of R-R averaged by mean_systole (Meduri 2019, JACC Cardiovasc Interv)."""

OVER_PHASES = (
    "neo_lvot_area",
    "native_lvot_area",
    "lvot_residual_fraction",
    "neo_lvot_station",
    "device_septum_distance",
)
COLUMNS = ("case_id", "phase_pct", "plan_id", "measure", "variant", "value", "unit")

Row = tuple[str, float | None, str, str, str, float, str]


def write_truth(*, folder: Path, case_id: str) -> None:
    """Write `folder`/truth/CASE.csv, without rows for a case that is made to be set aside; raises KeyError."""
    demo = load_settings(folder / "demo.yaml")
    lines = [",".join(COLUMNS)]
    asked = demo.case(case_id)
    for case, phase, plan, measure, variant, value, unit in case_truth(demo, asked) if asked.fault == "none" else ():
        shown = "" if phase is None else f"{phase:g}"
        lines.append(f"{case},{shown},{plan},{measure},{variant},{value:.8g},{unit}")
    write_text(folder / "truth" / f"{case_id}.csv", "\n".join(lines) + "\n")


def case_truth(demo: DemoSettings, case: DemoCase, steps: Steps = EXACT) -> list[Row]:
    """All true values of one case, sections sampled by `steps`; undefined ones are left out."""
    heart_at_rest = heart_case(case)
    rows: list[Row] = []
    volumes: dict[float, float] = {}
    sections: dict[tuple[str, str], dict[float, dict[str, float]]] = {}
    for phase in demo.phases(case):
        heart = HeartPhase(heart_at_rest, phase)
        volumes[phase] = ventricle_volume(heart)
        values = ring_values(heart) + aortic_values(heart) + septal_values(heart) + view_values(heart)
        values.append(("lv_volume", "", volumes[phase], "ml"))
        rows += [(case.case_id, phase, "", *value) for value in values]
        outflow = TrueOutflow(heart)
        for plan in plans_of(case):
            device = next(d for d in DEVICES if d.device_id == plan.device_id)
            rows += [(case.case_id, phase, plan.plan_id, *v) for v in oversizing_values(heart, device)]
            for solid, found in plan_values(outflow, device, plan, case, steps).items():
                rows += [(case.case_id, phase, plan.plan_id, *v) for v in found]
                sections.setdefault((plan.plan_id, solid), {})[phase] = {v[0]: v[2] for v in found if v[1] == solid}
    end_systole = min(volumes, key=lambda p: volumes[p])
    units = {"neo_lvot_area": "mm2", "native_lvot_area": "mm2", "lvot_residual_fraction": "1"}
    for (plan_id, solid), by_phase in sections.items():
        for measure in OVER_PHASES:
            known = {p: v[measure] for p, v in by_phase.items() if measure in v}
            systole = [v for p, v in known.items() if SYSTOLIC_WINDOW[0] <= p <= SYSTOLIC_WINDOW[1]]
            over: dict[str, float] = {}
            if end_systole in known:
                over["end_systole"] = known[end_systole]
            if len(known) == len(demo.phases(case)):
                over["mean_systole"] = float(np.mean(systole))
                over["min_over_phases"] = min(known.values())
            unit = units.get(measure, "mm")
            rows += [(case.case_id, None, plan_id, measure, f"{solid}/{n}", v, unit) for n, v in over.items()]
    return rows


def oversizing_values(heart: HeartPhase, device: DemoDevice) -> list[Value]:
    """Percent by which the nominal device exceeds the ring."""
    ring = {name + "/" + variant: value for name, variant, value, _ in ring_values(heart)}
    nominal = device.nominal_diameter
    shares = {
        "area": np.pi * nominal**2 / 4.0 / ring["mitral_area/spline"],
        "perimeter": np.pi * nominal / ring["mitral_perimeter/projected"],
        "diameter": nominal / ring["mitral_diameter/area"],
    }
    return [("oversizing", name, 100.0 * (float(share) - 1.0), "pct") for name, share in shares.items()]


def plan_values(
    outflow: TrueOutflow, device: DemoDevice, plan: DemoPlan, case: DemoCase, steps: Steps
) -> dict[str, list[Value]]:
    """Values of the smallest section of every solid of a plan."""
    result: dict[str, list[Value]] = {}
    for name, solid in true_solids(outflow.heart, device, plan, prosthesis_of(case)).items():
        section = outflow.smallest(solid, steps)
        values: list[Value] = [
            ("neo_lvot_area", name, section.area, "mm2"),
            ("native_lvot_area", name, section.native_area, "mm2"),
            ("lvot_residual_fraction", name, section.area / section.native_area, "1"),
            ("neo_lvot_station", name, section.station, "mm"),
            ("neo_lvot_diameter", f"{name}/max", section.diameter_max, "mm"),
            ("neo_lvot_diameter", f"{name}/min", section.diameter_min, "mm"),
        ]
        if np.isfinite(section.septum_distance):
            values.append(("device_septum_distance", name, section.septum_distance, "mm"))
        result[name] = values
    return result
