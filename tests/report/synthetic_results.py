"""An invented RESULTS folder: plausible numbers and anatomy, known exactly, made without running any measurement.

All points LPS, mm. Only the shape of the files matters here; the anatomy is a rough heart of ellipsoids.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from shapely.geometry import Polygon

from outflow_cohort.files import write_json, write_parquet
from outflow_cohort.handover.drawing import DrawnReading, write_drawings
from outflow_cohort.handover.inventory import Inventory
from outflow_cohort.handover.measured import MeasuredAside
from outflow_cohort.handover.request import Request
from outflow_cohort.report.film_frames import film_frames
from outflow_cohort.report.pictures import take_pictures
from outflow_cohort.steps.statistics import statistics
from outflow_geometry.base.frames import Volume, unit

GROUPS = ("native", "annular_calcification", "failed_bioprosthesis", "failed_ring")
SITES = ("Alder", "Birch", "Cedar")
READERS = ("R1", "R2", "R3")
SOLIDS = ("full_frame", "skirt")
DEVICE = {
    "device_id": "Lumen-29", "nominal_diameter_mm": 29.0, "height_mm": 20.0, "covered_from_mm": 0.0,
    "covered_to_mm": 13.0, "profile": [[0.0, 29.0], [10.0, 28.0], [20.0, 29.5]],
}  # fmt: skip
CUTOFFS = [
    {"cutoff_id": "A170", "area_mm2": 170.0, "endpoint": "mean gradient rise of 10 mmHg or more", "n": "194",
     "events": "26", "source": "Yoon 2019, JACC Cardiovasc Interv 12:182-193"},
    {"cutoff_id": "A189", "area_mm2": 189.4, "endpoint": "peak gradient rise of 10 mmHg or more", "n": "38",
     "events": "7", "source": "Wang 2018, Catheter Cardiovasc Interv"},
]  # fmt: skip


@dataclass(frozen=True)
class Heart:
    """A rough heart: mitral ring, annulus, apex and the three directions they span."""

    center: Any
    down: Any
    toward: Any
    across: Any
    aorta: Any
    aorta_normal: Any
    apex: Any
    diameters: tuple[float, float]

    def ring(self, n: int = 48, jitter: Any = None) -> Any:
        angle = np.linspace(0, 2 * np.pi, n, endpoint=False)[:, None]
        along, wide = (d / 2 for d in self.diameters)
        points = self.center + along * np.cos(angle) * self.toward + wide * np.sin(angle) * self.across
        return points if jitter is None else points + jitter

    def annulus(self, n: int = 48) -> Any:
        side = unit(np.cross(self.aorta_normal, self.across))
        angle = np.linspace(0, 2 * np.pi, n, endpoint=False)[:, None]
        return self.aorta + 12.5 * np.cos(angle) * side + 11.5 * np.sin(angle) * self.across

    def path(self) -> Any:
        first = self.center + 38 * self.down + 20 * self.toward
        bend = self.aorta - 20 * self.aorta_normal
        t = np.linspace(0, 1, 30)[:, None]
        curve = (1 - t) ** 2 * first + 2 * t * (1 - t) * bend + t**2 * self.aorta
        beyond = self.aorta + np.linspace(1, 8, 5)[:, None] * self.aorta_normal
        return np.concatenate([curve, beyond])


def make_heart(rng: np.random.Generator, shift: float = 0.0) -> Heart:
    """A heart in about the usual attitude; `shift` moves the angle between the valves, degrees."""
    down = unit(np.array([0.62, -0.62, -0.48]) + rng.normal(0, 0.05, 3))
    toward = unit(np.array([-0.55, -0.75, 0.36]) - np.dot([-0.55, -0.75, 0.36], down) * down)
    angle = np.deg2rad(124 + shift)
    center = np.array([12.0, 8.0, -20.0]) + rng.normal(0, 3, 3)
    return Heart(
        center, down, toward, np.cross(down, toward), center + 27 * toward - 3 * down,
        np.cos(angle) * down + np.sin(angle) * toward, center + 78 * down + 12 * toward,
        (33 + rng.normal(0, 2.5), 39 + rng.normal(0, 2.5)),
    )  # fmt: skip


def make_volume(heart: Heart, squeeze: float, metal: bool, rng: np.random.Generator) -> Volume:
    """A CT of sorts around the heart: blood, muscle, lung, a metal ring."""
    spacing = 1.0
    size = 128
    origin = heart.center + 22 * heart.down + 8 * heart.toward - spacing * (size - 1) / 2
    grid = np.arange(size) * spacing
    z, y, x = np.meshgrid(grid + origin[2], grid + origin[1], grid + origin[0], indexing="ij")
    p = np.stack([x, y, z], axis=-1) - heart.center
    a, b, c = p @ heart.down, p @ heart.toward, p @ heart.across

    def ball(at: tuple[float, float, float], radii: tuple[float, float, float]) -> Any:
        return np.sqrt(sum(((q - m) / r) ** 2 for q, m, r in zip((a, b, c), at, radii, strict=True)))

    hu = np.where(ball((25, 5, 0), (85, 62, 62)) < 1, 60.0, -860.0)
    cavity = ball((33, 11, 0), (45, 25 * squeeze, 26 * squeeze))
    hu = np.where(ball((33, 11, 0), (55, 36, 37)) < 1, 110.0, hu)
    hu = np.where(cavity < 1, 420.0, hu)
    hu = np.where((ball((-24, -4, 0), (23, 26, 27)) < 1), 400.0, hu)
    q = np.stack([x, y, z], axis=-1) - heart.aorta
    height = q @ heart.aorta_normal
    radial = np.linalg.norm(q - height[..., None] * heart.aorta_normal, axis=-1)
    hu = np.where((height > -14) & (radial < 12), 430.0, hu)
    hu = np.where((height > -14) & (radial >= 12) & (radial < 14) & (a < 0), 80.0, hu)
    if metal:
        along, wide = (d / 2 for d in heart.diameters)
        hu = np.where((np.abs(a) < 1.5) & (np.abs(np.hypot(b / along, c / wide) - 1) < 0.05), 3000.0, hu)
    values = (hu + rng.normal(0, 22, hu.shape)).astype(np.int16)
    return Volume(values, origin, np.eye(3), np.full(3, spacing))


CURVE_INTERVALS = [[-30.0, 80.0, 40.0], [-15.0, 25.0, 15.0], [0.0, 40.0, 40.0]]
"""Stations, mm, and how far the 95 % interval of the area reaches below and above it there, mm2."""


def make_drawing(
    heart: Heart, phase: float | None, reader: str, read: int, area: float, rng: np.random.Generator
) -> DrawnReading:
    """One entry of drawing.json."""
    noise = rng.normal(0, 0.5, 3)
    ring = heart.ring(jitter=noise)
    path = heart.path() + rng.normal(0, 0.4, 3)
    at, ahead = path[16], path[17]
    tangent = unit(ahead - at)
    u = unit(heart.toward - (heart.toward @ tangent) * tangent)
    v = np.cross(tangent, u)
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    blood = Polygon(np.stack([13 * np.cos(angle), 14.5 * np.sin(angle)], axis=1))
    axis_point = heart.center - 6 * heart.down
    offset = np.array([(heart.center - at) @ u, (heart.center - at) @ v])
    device = Polygon(np.stack([15 * np.cos(angle), 15 * np.sin(angle)], axis=1) + offset)
    residual = blood.difference(device)
    rings = [residual] if residual.geom_type == "Polygon" else list(residual.geoms)
    station = -round(float(np.linalg.norm(heart.aorta - at)), 2)
    section = {
        "station_mm": station, "area_mm2": area, "ci_low": area - 22, "ci_high": area + 22, "point": at.tolist(),
        "normal": tangent.tolist(), "u": u.tolist(), "v": v.tolist(),
        "blood": [np.round(blood.exterior.coords, 3).tolist()],
        "device": [np.round(device.exterior.coords, 3).tolist()],
        "residual": [np.round(r.exterior.coords, 3).tolist() for r in rings],
    }  # fmt: skip
    views = np.linspace(-90, 90, 61)
    edge_on = {}
    for name, n in (("mitral", heart.down), ("aortic", heart.aorta_normal)):
        radians = np.deg2rad(views)
        tilt = np.rad2deg(np.arctan((n[1] * np.cos(radians) - n[0] * np.sin(radians)) / n[2]))
        edge_on[name] = np.stack([views, tilt], axis=1).round(3).tolist()
    drawn = {
        "ring": {"points": ring[::4].tolist(), "contour": ring.tolist(), "d_contour": None,
                 "center": (heart.center + noise).tolist(), "normal": heart.down.tolist()},
        "aorta": {"hinges": heart.annulus(3).tolist(), "contour": heart.annulus().tolist(),
                  "center": heart.aorta.tolist(), "normal": heart.aorta_normal.tolist()},
        "apex": heart.apex.tolist(),
        "three_chamber": {"point": heart.center.tolist(), "normal": heart.across.tolist()},
        "paths": {"reader_path": path.tolist(), "automatic_path": (path + 0.6 * heart.across).tolist()},
        "plans": {"P1": {"axis_point": axis_point.tolist(), "axis": heart.down.tolist(), "profile": DEVICE["profile"],
                         "solids": {"full_frame": [0.0, 20.0], "skirt": [0.0, 13.0]},
                         "sections": {"full_frame|reader_path": section},
                         "curve_intervals": {"full_frame|reader_path": CURVE_INTERVALS}}},
        "edge_on": edge_on,
        "level": {"blood_hu": 420.0, "muscle_hu": 110.0, "threshold_hu": 265.0, "noise_hu": 22.0,
                  "contrast_to_noise": 14.1},
    }  # fmt: skip
    return DrawnReading(phase_pct=phase, reader_id=reader, read_no=read, drawn=drawn)


class Maker:
    """Collects the rows of a whole invented study and writes them."""

    def __init__(self, root: Path, *, seed: int = 7, phases: tuple[float, ...] = (20.0, 40.0, 70.0)) -> None:
        self.root = root
        self.rng = np.random.default_rng(seed)
        self.phases = phases
        self.measurements: list[dict[str, Any]] = []
        self.series: list[dict[str, Any]] = []
        self.set_aside: list[dict[str, Any]] = []
        self.cases: list[dict[str, Any]] = []
        self.curves: list[dict[str, Any]] = []
        self.views: list[dict[str, Any]] = []
        self.points: list[dict[str, Any]] = []

    def add_case(
        self, case_id: str, key: str, group: str, site: str, *, pictures: bool = False, files: bool = True
    ) -> None:
        """One measured case."""
        rng = self.rng
        heart = make_heart(rng, rng.normal(0, 6))
        true_area = float(np.clip(rng.normal(330 if group == "native" else 210, 70), 60, None))
        case = {
            "case_id": case_id, "key": key, "group": group, "site": site, "device_id": "Lumen-29",
            "prosthesis_id": "Oldring-30" if "failed" in group else None, "bsa_m2": round(1.8 + rng.normal(0, 0.2), 2),
            "extra": {"age_years": str(int(rng.normal(76, 7))), "sex": str(rng.choice(["female", "male"])), "obstruction": str(int(true_area < 180))},
        }  # fmt: skip
        rows, curves, views, drawings = [], [], [], []
        for phase in self.phases:
            area = true_area * (0.8 if phase == 40 else 1.0 if phase == 20 else 1.5)
            for reader in READERS:
                for read in (1, 2):
                    who = {"case_id": case_id, "phase_pct": phase, "reader_id": reader, "read_no": read}
                    rows += self._values(who, heart, area, float(READERS.index(reader)) * 4)
                    self.points += self._landmarks(who, heart)
                    if files:
                        curves += self._curves(who, area)
                        views += self._views(who, heart)
                        drawings.append(make_drawing(heart, phase, reader, read, rows[-1]["value"], rng))
        for reader in READERS:
            for read in (1, 2):
                who = {"case_id": case_id, "phase_pct": None, "reader_id": reader, "read_no": read}
                for name, factor in (("end_systole", 0.8), ("mean_systole", 0.9), ("min_over_phases", 0.8)):
                    value = true_area * factor + rng.normal(0, 8)
                    rows.append(
                        _value(who, "neo_lvot_area", f"full_frame/{name}", "reader_path", value, "mm2", 11, "P1")
                    )
        series = [
            {"case_id": case_id, "row": i + 2, "series": f"s{i}", "verdict": "accepted" if phase != 70 else "warned",
             "reason_codes": "" if phase != 70 else "low_contrast", "details": "", "remedy": "", "phase_pct": phase, "phase_source": "header",
             "n_slices": 288, "slice_thickness_mm": 0.75, "row_spacing_mm": 0.42, "lumen_hu": 420 + rng.normal(0, 30),
             "noise_hu": 22 + rng.normal(0, 3), "contrast_to_noise": 14 + rng.normal(0, 2)}
            for i, phase in enumerate(self.phases)
        ]  # fmt: skip
        self.measurements += rows
        self.series += series
        self.cases.append({**case, **case["extra"]})
        if files:
            self._write_case(case, series, rows, curves, views, drawings, heart if pictures else None)

    def add_lost_case(self, case_id: str, key: str, code: str) -> None:
        """A case that was set aside at the inventory."""
        row = {"case_id": case_id, "phase_pct": None, "reader_id": None, "read_no": None, "stage": "inventory",
               "code": code, "message": "slice 120 of 288 is missing; needed an unbroken stack; export it anew"}  # fmt: skip
        series = [{"case_id": case_id, "row": 9, "series": "s0", "verdict": "set_aside", "reason_codes": code,
                   "details": "", "remedy": "", "phase_pct": 40.0}]  # fmt: skip
        case = {"case_id": case_id, "key": key, "group": "native", "site": "Alder", "device_id": "Lumen-29",
                "prosthesis_id": None, "bsa_m2": None, "extra": {}}  # fmt: skip
        work = self.root / "work"
        write_json(work / "requests" / f"{key}.json", self._request(case))
        write_json(
            work / "inventory" / f"{key}.json", {"version": Inventory.VERSION, "series": series, "set_aside": [row]}
        )
        write_json(work / "measured" / key / "set_aside.json", {"version": MeasuredAside.VERSION})
        self.series += series
        self.set_aside.append(row)
        self.cases.append(case | case["extra"])

    def write_tables(self, report: dict[str, Any] | None = None, *, with_statistics: bool = True) -> Path:
        """The study's tables, a few statistics of the right form among them; returns RESULTS."""
        work, tables = self.root / "work", self.root / "tables"
        write_json(work / "study.json", study_settings(report))
        write_parquet(work / "cases.parquet", pd.DataFrame(self.cases).drop(columns=["extra", "key"]))
        frame = pd.DataFrame(self.measurements)
        keys = ["case_id", "phase_pct", "reader_id", "read_no"]
        write_parquet(work / "readings.parquet", pd.DataFrame(self.points))
        write_parquet(tables / "measurements" / "part-00000.parquet", frame)
        write_parquet(tables / "series.parquet", pd.DataFrame(self.series))
        write_parquet(
            tables / "set_aside.parquet", pd.DataFrame(self.set_aside, columns=[*keys, "stage", "code", "message"])
        )
        found = [{"case_id": c["case_id"], "series": "2 a1", "tag": "(0010,0010)", "keyword": "PatientName",
                  "rule": "name_present", "severity": "warning"} for c in self.cases[:2]]  # fmt: skip
        write_parquet(tables / "privacy.parquet", pd.DataFrame(found))
        if with_statistics:
            statistics(results=self.root, study=work / "study.json")
        known = frame[
            frame["measure"].isin(("neo_lvot_area", "aorto_mitral_angle")) & frame["phase_pct"].notna()
        ].copy()
        known["true_value"] = (
            known.groupby(["case_id", "phase_pct", "measure", "variant"])["value"].transform("mean").round(0)
        )
        known["difference"] = known["value"] - known["true_value"]
        known["covered"] = (known["ci_low"] <= known["true_value"]) & (known["true_value"] <= known["ci_high"])
        write_parquet(work / "recovered.parquet", known)
        return self.root

    def _landmarks(self, who: dict[str, Any], heart: Heart) -> list[dict[str, Any]]:
        hinges = heart.annulus(3)
        found = {
            "mitral_ring": heart.ring(8), "lv_apex": heart.apex[None], "aortic_hinge_left": hinges[:1],
            "aortic_hinge_right": hinges[1:2], "aortic_hinge_non": hinges[2:],
        }  # fmt: skip
        spread = {"mitral_ring": 0.6, "lv_apex": 2.0}
        out = []
        for name, points in found.items():
            for number, p in enumerate(points + self.rng.normal(0, spread.get(name, 0.8), points.shape)):
                x, y, z = (float(v) for v in p)
                out.append({**who, "structure": name, "point_no": number, "x_mm": x, "y_mm": y, "z_mm": z})
        return out

    def _values(self, who: dict[str, Any], heart: Heart, area: float, bias: float) -> list[dict[str, Any]]:
        rng = self.rng
        sl, ic = heart.diameters
        angle = float(np.rad2deg(np.arccos(heart.down @ heart.aorta_normal)))
        plain = [
            ("mitral_area", "spline", np.pi / 4 * sl * ic, "mm2", 18), ("mitral_diameter", "septal_lateral", sl, "mm", 0.5),
            ("mitral_diameter", "intercommissural", ic, "mm", 0.5), ("mitral_perimeter", "projected", 113.0, "mm", 1.2),
            ("aortic_area", "", np.pi * 12.5 * 11.5, "mm2", 9), ("aorto_mitral_angle", "opening", angle, "deg", 1.4),
            ("aorto_mitral_angle", "axis", 180 - angle, "deg", 1.4),
            ("lv_volume", "", 60.0 if who["phase_pct"] == 40 else 110.0, "ml", 3),
        ]  # fmt: skip
        rows = [_value(who, m, v, "reader_points", x + rng.normal(0, s), u, s) for m, v, x, u, s in plain]
        rows.append(
            _value(who, "mitral_area", "d_shape", "reader_points", None, "mm2", 0) | {"status": "missing_trigones"}
        )
        for solid, factor in zip(SOLIDS, (1.0, 1.25), strict=True):
            neo = area * factor + rng.normal(bias, 9)
            for m, x, u, s in (
                ("native_lvot_area", 460 + rng.normal(0, 8), "mm2", 8), ("lvot_residual_fraction", neo / 460, "1", 0.02),
                ("neo_lvot_station", -11 + rng.normal(0, 0.6), "mm", 0.6), ("device_septum_distance", 9 + rng.normal(0, 0.4), "mm", 0.4),
                ("neo_lvot_area", neo, "mm2", 11),
            ):  # fmt: skip
                rows.append(_value(who, m, solid, "reader_path", x, u, s, "P1"))
            along = neo * 1.04 + 2.0 * who["read_no"]
            rows.append(_value(who, "neo_lvot_area", solid, "automatic_path", along, "mm2", 11, "P1"))
        for basis, x in (("area", 12.0), ("perimeter", 6.0), ("diameter", 5.8)):
            rows.append(_value(who, "oversizing", basis, "reader_points", x + rng.normal(0, 1), "pct", 1.0, "P1"))
        rows.append(next(r for r in rows if r["measure"] == "neo_lvot_area"))
        rows.pop(rows.index(rows[-1]))
        return rows

    def _curves(self, who: dict[str, Any], area: float) -> list[dict[str, Any]]:
        station = np.arange(-30, 0.01, 0.5)
        native = 470 + 60 * np.cos(station / 9)
        out = []
        for solid, factor in zip(SOLIDS, (1.0, 1.25), strict=True):
            reduced = native - (native.mean() - area * factor) * np.exp(-(((station + 11) / 7) ** 2))
            reduced = np.minimum(reduced + self.rng.normal(0, 4), native)
            out += [
                {**who, "plan_id": "P1", "variant": solid, "method": "reader_path", "station_mm": s, "area_mm2": a,
                 "native_area_mm2": n} for s, a, n in zip(station, reduced, native, strict=True)
            ]  # fmt: skip
        return out

    def _views(self, who: dict[str, Any], heart: Heart) -> list[dict[str, Any]]:
        both = unit(np.cross(heart.down, heart.aorta_normal))
        both = both if both[1] < 0 else -both
        found = {"mitral_en_face": heart.down, "both_edge_on": both}
        out = []
        for name, d in found.items():
            d = d if d[1] < 0 else -d
            a, b = np.rad2deg(np.arctan2(d[0], -d[1])), np.rad2deg(np.arcsin(d[2]))
            noise = self.rng.normal(0, 1, 2)
            out.append({**who, "view": name, "lao_rao_deg": a + noise[0], "cra_cau_deg": b + noise[1],
                        "residual_tilt_deg": abs(noise[0]), "reachable": bool(abs(a) < 60 and abs(b) < 40)})  # fmt: skip
        return out

    def _request(self, case: dict[str, Any]) -> dict[str, Any]:
        facts = {n: x for n, x in case.items() if n != "extra"}
        return {
            "version": Request.VERSION,
            "study": {"study_id": "Grove registry", "definitions": {"section_rule": "aortic_side", "search_upstream_mm": 30.0},
                      "gantry": {"lao_rao_limit_deg": 60.0, "cra_cau_limit_deg": 40.0}, "cutoffs": CUTOFFS},
            "case": facts, "series": [], "readings": [], "devices": {"Lumen-29": DEVICE}, "prosthesis": None,
            "plans": [{"plan_id": "P1", "device_id": "Lumen-29", "ventricular_depth_mm": 14.0, "anchor": None,
                       "tilt_ap_deg": None, "tilt_ic_deg": None, "offset_ap_mm": None, "offset_ic_mm": None}],
            "sizing_targets": [{"device_id": "Lumen-29", "group": None, "basis": "area", "min_pct": 5.0, "max_pct": 20.0}],
        }  # fmt: skip

    def _write_case(
        self,
        case: dict[str, Any],
        series: list[dict[str, Any]],
        rows: list[dict[str, Any]],
        curves: list[dict[str, Any]],
        views: list[dict[str, Any]],
        drawings: list[DrawnReading],
        heart: Heart | None,
    ) -> None:
        work, key = self.root / "work", case["key"]
        measured = work / "measured" / key
        write_json(work / "requests" / f"{key}.json", self._request(case))
        write_json(work / "inventory" / f"{key}.json", {"version": Inventory.VERSION, "series": series})
        write_parquet(measured / "measurements.parquet", pd.DataFrame(rows))
        write_parquet(measured / "curves.parquet", pd.DataFrame(curves))
        write_parquet(measured / "views.parquet", pd.DataFrame(views))
        write_json(measured / "set_aside.json", {"version": MeasuredAside.VERSION})
        write_drawings(measured, tuple(drawings))
        if heart is not None:
            squeeze = {20.0: 0.9, 40.0: 0.75, 70.0: 1.0}
            metal = bool(case["prosthesis_id"])
            volumes = {p: make_volume(heart, squeeze.get(p, 1.0), metal, self.rng) for p in self.phases}
            pictures = take_pictures(volumes, drawings, film_frames(drawings))
            np.savez_compressed(measured / "pictures.npz", **pictures)


def _value(
    who: dict[str, Any],
    measure: str,
    variant: str,
    method: str,
    value: float | None,
    unit_: str,
    se: float,
    plan: str = "",
) -> dict[str, Any]:
    number = None if value is None else float(value)
    return {
        **who, "plan_id": plan, "measure": measure, "variant": variant, "method": method, "value": number, "unit": unit_,
        "std_error": None if number is None else float(se), "ci_low": None if number is None else number - 1.96 * se,
        "ci_high": None if number is None else number + 1.96 * se, "status": "ok",
    }  # fmt: skip


def study_settings(report: dict[str, Any] | None = None) -> dict[str, Any]:
    """The content of work/study.json."""
    return {
        "study_id": "Grove registry", "title": "An invented three-site registry",
        "definitions": {"section_rule": "aortic_side", "search_upstream_mm": 30.0}, "report": report or {},
        "statistics": {"n_boot": 100, "n_boot_model": 50, "outcomes": [{"column": "obstruction"}]}, "cutoff_table": CUTOFFS,
        "device_table": {"Lumen-29": DEVICE, "Lumen-34": {**DEVICE, "device_id": "Lumen-34", "nominal_diameter_mm": 36.0}},
        "sizing_target_table": [
            {"device_id": d, "group": "", "basis": "area", "min_pct": -25.0, "max_pct": 15.0}
            for d in ("Lumen-29", "Lumen-34")
        ],
    }  # fmt: skip


def load(path: Path) -> Any:
    """A JSON file."""
    return json.loads(path.read_text(encoding="utf-8"))
