"""The demonstration study on disk: its tables at once, its CT one case at a time. Points LPS, mm.

An invented three-site registry: sites, devices, prostheses, readers, patients and all numbers are made up.
"""

from __future__ import annotations

import zlib
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import DEVICES, PROSTHESES, heart_case, plans_of, prosthesis_of
from outflow_cohort.demo.landmarks import TRACE_POINTS, true_landmarks
from outflow_cohort.demo.readers import Noise, Reader, agreement_rows, read, readers
from outflow_cohort.demo.ring_shape import RING_POINTS
from outflow_cohort.demo.settings import DemoCase, DemoSettings, load_settings
from outflow_cohort.demo.true_device import true_solids
from outflow_cohort.demo.true_sections import SKETCH, TrueOutflow, TrueSection
from outflow_cohort.files import write_csv, write_text
from outflow_cohort.study.editor_schema import FILE, HEADER, schema_text

if TYPE_CHECKING:
    import pandas as pd

SETTINGS_COPY = "demo.yaml"
"""The settings travel with the study, so that one case can be written on its own later."""

END_SYSTOLE = 40.0
GRADIENT_AT_REST = 2.5
GRADIENT_AREA = 120.0
"""Invented: mean gradient in mmHg rises with exp(-area / 120 mm2)."""

OBSTRUCTION_RISE = 10.0
"""mmHg rise of the mean gradient that counts as obstruction (endpoint of Yoon 2019, JACC Cardiovasc Interv 12:182)."""


def _rng(*key: object) -> np.random.Generator:
    return np.random.default_rng(zlib.crc32("/".join(map(str, key)).encode()))


def demo_readers(demo: DemoSettings) -> tuple[Reader, ...]:
    """The readers of the study, with their biases."""
    return tuple(Reader(name, 0.0, 0.0, 0.0) for name in demo.readers) if demo.exact else readers(demo.readers)


def demo_noise(demo: DemoSettings) -> Noise:
    """The scatter between reads."""
    return Noise(0.0, 0.0, 0.0, 0.0) if demo.exact else Noise()


def write_tables(*, folder: Path, settings: Path) -> None:
    """Write study.yaml and every table of the demonstration study into `folder`; no images."""
    import pandas as pd

    demo = load_settings(settings)
    folder.mkdir(parents=True, exist_ok=True)
    sketches = {case.case_id: _sketch(case) for case in demo.cases}
    write_text(folder / SETTINGS_COPY, settings.read_text(encoding="utf-8"))
    write_csv(folder / "cases.csv", pd.DataFrame([_case_row(demo, c, sketches[c.case_id]) for c in demo.cases]))
    write_csv(folder / "series.csv", pd.DataFrame(_series_rows(demo)))
    write_csv(folder / "landmarks.csv", _landmark_table(demo, sketches))
    write_csv(folder / "plans.csv", pd.DataFrame(_plan_rows(demo)))
    devices, profiles = _device_rows()
    write_csv(folder / "devices.csv", pd.DataFrame(devices))
    write_csv(folder / "device_profiles.csv", pd.DataFrame(profiles))
    write_csv(folder / "prostheses.csv", pd.DataFrame(_prosthesis_rows()))
    write_csv(folder / "sizing_targets.csv", pd.DataFrame(_target_rows()))
    who = agreement_rows(demo_readers(demo), demo_noise(demo), RING_POINTS)
    write_csv(folder / "truth_readers.csv", pd.DataFrame(who))
    write_text(folder / "study.yaml", _study_yaml(demo))
    write_text(folder / FILE, schema_text())


def write_case_series(*, folder: Path, case_id: str) -> None:
    """Write the CT series of every phase of one case below `folder`/dicom; raises KeyError for an unknown case."""
    from outflow_cohort.demo.ct import write_series

    demo = load_settings(folder / SETTINGS_COPY)
    case = demo.case(case_id)
    for phase in demo.phases(case):
        write_series(folder=folder / series_folder(case, phase), demo=demo, case=case, phase_pct=phase)


def series_folder(case: DemoCase, phase_pct: float) -> str:
    """Folder of a series, relative to the study."""
    return f"dicom/{case.case_id}/phase_{phase_pct:03.0f}"


IMPLANTS = """\
# What other depths and sizes would leave free; how far an implant may land from its plan is invented too.
implants:
  devices: fitting
  depths_mm: {from: 8, to: 20, step: 2}
  solids: [full_frame, skirt]
  placement: {depth_sd_mm: 1.5, tilt_sd_deg: 3, offset_sd_mm: 1}
"""

FEW_IMPLANTS = """\
# What a few other depths and sizes would leave free in one phase; how far one may land from its plan is invented too.
implants:
  cases: [{cases}]
  devices: [Quillane-26, Quillane-29]
  depths_mm: {{from: 8, to: 20, step: 4}}
  phases: [20]
  placement: {{depth_sd_mm: 1.5, tilt_sd_deg: 3, offset_sd_mm: 1}}
"""


MODELS = """\
  # Follow-up is invented too. With so few events most models are withheld, and the report says why.
  mixed_models:
    - {measure: mitral_area, variant: spline, covariates: [site]}
    - {measure: neo_lvot_area, variant: full_frame, method: automatic_path, plan_id: P1}
  adjusted_models:
    - {outcome: obstruction, covariates: [age]}
  time_to_event:
    - {time_column: followup_days, event_column: followup_end, event: died, no_event: alive,
       competing: [reoperated], covariates: [age]}
"""


def _study_yaml(demo: DemoSettings) -> str:
    return (
        f"{HEADER}"
        "# An invented study: no patient, device, prosthesis, reader or number in it is real.\n"
        f"study_id: {demo.study_id}\n"
        f"title: {demo.title}\n"
        "results: results\n"
        "# Fewer draws than the defaults (200 and 2000), so that the demonstration ends soon.\n"
        "uncertainty: {draws: 50}\n"
        "statistics:\n"
        "  n_boot: 500\n"
        "  outcomes:\n"
        "    - {column: obstruction, endpoint: mean_rise_10}\n"
        "  outcome_columns: [followup_gradient_mmhg]  # known only after treatment: no baseline fact\n"
        '  column_labels: {followup_end: Death, age: "Age, years"}\n'
        f"{MODELS}" + (_carry_yaml(demo) if demo.carry else "") + _implants_yaml(demo)
    )


def _implants_yaml(demo: DemoSettings) -> str:
    if demo.implants:
        return IMPLANTS
    return FEW_IMPLANTS.format(cases=", ".join(demo.implants_in)) if demo.implants_in else ""


def _carry_yaml(demo: DemoSettings) -> str:
    grid = "" if demo.carry_grid_mm is None else f"grid_mm: {demo.carry_grid_mm:g}"
    return f"carry: {{{grid}}}\n"


def _sketch(case: DemoCase) -> TrueSection:
    """The first plan's neo-LVOT at end-systole, coarsely sampled."""
    heart = HeartPhase(heart_case(case), END_SYSTOLE)
    plan = plans_of(case)[0]
    device = next(d for d in DEVICES if d.device_id == plan.device_id)
    solid = true_solids(heart, device, plan, prosthesis_of(case))["full_frame"]
    return TrueOutflow(heart).smallest(solid, SKETCH)


def _case_row(demo: DemoSettings, case: DemoCase, sketch: TrueSection) -> dict[str, object]:
    """Baseline facts and outcomes; pressure rises where little room is left."""
    rng = _rng("facts", demo.seed, case.seed)
    prosthesis = prosthesis_of(case)
    height, sex = rng.normal(168.0, 8.0), "F" if rng.random() < 0.5 else "M"
    height += 6.0 if sex == "M" else -6.0
    weight = float(np.clip(rng.normal(25.5, 3.5), 18, 38)) * (height / 100.0) ** 2
    rise = 60.0 * float(np.exp(-sketch.area / GRADIENT_AREA)) + rng.normal(0.0, 1.2)
    baseline = max(GRADIENT_AT_REST + rng.normal(0.0, 0.7), 0.5)
    return {
        "case_id": case.case_id,
        "group": case.group,
        "site": demo.site(case),
        "device_id": plans_of(case)[0].device_id,
        "prosthesis_id": prosthesis.prosthesis_id if prosthesis else "",
        # Mosteller 1987, N Engl J Med 317:1098
        "bsa_m2": round(float(np.sqrt(height * weight / 3600.0)), 2),
        "age": int(np.clip(rng.normal(77.0, 7.0), 45, 89)),
        "sex": sex,
        "ejection_fraction_pct": int(np.clip(rng.normal(50.0, 9.0), 25, 68)),
        "creatinine_mg_dl": round(float(rng.lognormal(0.15, 0.3)), 2),
        "previous_surgery": "yes" if prosthesis else ("yes" if rng.random() < 0.25 else "no"),
        "baseline_gradient_mmhg": round(baseline, 1),
        "followup_gradient_mmhg": round(max(baseline + rise, 0.5), 1),
        "obstruction": int(rise >= OBSTRUCTION_RISE),
        **_follow_up(demo, case),
    }


def _follow_up(demo: DemoSettings, case: DemoCase) -> dict[str, object]:
    """Days until an invented follow-up ended, and how: whichever of three exponential or even times came first."""
    rng = _rng("follow-up", demo.seed, case.seed)
    ends = {"died": rng.exponential(900.0), "reoperated": rng.exponential(2500.0), "alive": rng.uniform(300.0, 1100.0)}
    first = min(ends, key=lambda name: ends[name])
    return {"followup_days": max(round(ends[first]), 1), "followup_end": first}


def _series_rows(demo: DemoSettings) -> list[dict[str, object]]:
    return [
        {"case_id": case.case_id, "dicom_dir": series_folder(case, phase), "phase_pct": f"{phase:g}"}
        for case in demo.cases
        for phase in demo.phases(case)
    ]


def _landmark_table(demo: DemoSettings, sketches: dict[str, TrueSection]) -> pd.DataFrame:
    import pandas as pd

    parts: list[pd.DataFrame] = []
    for index, case in enumerate(demo.cases):
        heart_of_case = heart_case(case)
        for phase in demo.marked_phases(case):
            heart = HeartPhase(heart_of_case, phase)
            truth = true_landmarks(heart)
            if demo.missing.outflow_path == case.case_id:
                del truth["outflow_path"]
            if index % 3 == 0 and phase == END_SYSTOLE:
                truth["outflow_trace"] = _trace(heart, sketches[case.case_id])
            for number, reader in enumerate(demo_readers(demo)):
                seen = dict(truth)
                if case.readers and reader.reader_id not in case.readers:
                    continue
                if number > 0:
                    # only the first reader traces annulus and neo-LVOT
                    seen.pop("aortic_contour")
                    seen.pop("outflow_trace", None)
                for read_no in range(1, demo.reads + 1):
                    if read_no > 1 and demo.repeat_phases_pct and phase not in demo.repeat_phases_pct:
                        continue
                    gap = demo.missing.second_read
                    if gap and (gap.case_id, gap.reader_id) == (case.case_id, reader.reader_id) and read_no > 1:
                        continue
                    rng = _rng("read", demo.seed, case.seed, phase, reader.reader_id, read_no)
                    marked = read(seen, reader, demo_noise(demo), rng)
                    parts.append(_rows(case.case_id, phase, reader.reader_id, read_no, marked))
    return pd.concat(parts, ignore_index=True)


def _trace(heart: HeartPhase, section: TrueSection) -> np.ndarray:
    """Evenly spread points of the largest part of a section, LPS."""
    largest = max(section.residual.geoms, key=lambda p: p.area)
    rim = largest.exterior
    at = [rim.interpolate(k / TRACE_POINTS, normalized=True) for k in range(TRACE_POINTS)]
    return heart.to_patient(section.plane.lift(np.array([p.x for p in at]), np.array([p.y for p in at])))


def _rows(case_id: str, phase: float, reader_id: str, read_no: int, marked: dict[str, np.ndarray]) -> pd.DataFrame:
    import pandas as pd

    points = np.concatenate(list(marked.values())).round(3) + 0.0
    return pd.DataFrame(
        {
            "case_id": case_id,
            "phase_pct": f"{phase:g}",
            "reader_id": reader_id,
            "read_no": read_no,
            "structure": [name for name, p in marked.items() for _ in p],
            "point_no": [i + 1 for p in marked.values() for i in range(len(p))],
            "x_mm": points[:, 0],
            "y_mm": points[:, 1],
            "z_mm": points[:, 2],
        }
    )


def _plan_rows(demo: DemoSettings) -> list[dict[str, object]]:
    return [
        {
            "case_id": case.case_id,
            "plan_id": plan.plan_id,
            "device_id": plan.device_id,
            "ventricular_depth_mm": plan.depth,
            "anchor": plan.anchor,
            "tilt_ap_deg": plan.tilt_ap,
            "tilt_ic_deg": 0.0,
            "offset_ap_mm": plan.offset_ap,
            "offset_ic_mm": 0.0,
        }
        for case in demo.cases
        for plan in plans_of(case)
    ]


def _device_rows() -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    devices = [
        {
            "device_id": d.device_id,
            "nominal_diameter_mm": d.nominal_diameter,
            "height_mm": d.height,
            "covered_from_mm": d.covered[0],
            "covered_to_mm": d.covered[1],
        }
        for d in DEVICES
    ]
    profiles = [
        {"device_id": d.device_id, "station_mm": station, "diameter_mm": diameter}
        for d in DEVICES
        for station, diameter in d.profile
    ]
    return devices, profiles


def _prosthesis_rows() -> list[dict[str, object]]:
    return [
        {
            "prosthesis_id": p.prosthesis_id,
            "labelled_size_mm": p.labelled_size,
            "true_inner_diameter_mm": p.true_inner_diameter,
            "wall_mm": p.wall,
            "post_height_mm": "" if p.post_height is None else p.post_height,
            "leaflet_height_mm": "" if p.leaflet_height is None else p.leaflet_height,
        }
        for p in PROSTHESES
    ]


def _target_rows() -> list[dict[str, object]]:
    """Invented targets; a study brings its own."""
    wide = (("native", "perimeter", 5, 20),)
    narrow = (
        ("annular_calcification", "area", 5, 25),
        ("failed_bioprosthesis", "diameter", 3, 15),
        ("failed_ring", "diameter", 0, 15),
    )
    return [
        {"device_id": device.device_id, "group": group, "basis": basis, "min_pct": low, "max_pct": high}
        for device in DEVICES
        for group, basis, low, high in (wide if device.device_id.startswith("Bramoor") else narrow)
    ]
