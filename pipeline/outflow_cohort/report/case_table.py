"""tables/cases.csv and cases.xlsx: one row per case, what a researcher opens first. Units are in the column names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from outflow_cohort.files import write_atomically, write_csv, write_json
from outflow_cohort.report.cohort_data import Cohort
from outflow_cohort.report.primary import PrimaryValue
from outflow_cohort.report.wording import measure_title, registry
from outflow_cohort.stats.data.one_value import SYSTOLE_RULES
from outflow_cohort.study.dictionary import CAUTION

STATES = {
    "measured": "at least one primary measure has a value",
    "measured_without_value": "readings were measured, but no primary measure has a value that counts",
    "set_aside": "no reading was measured; `reason` says why",
}
PHASE_TEXT = "; ".join(f"{code}: {text}" for code, text in SYSTOLE_RULES.items())
PLAN_COLUMNS = ("device_id", "ventricular_depth_mm", "anchor", "nominal_diameter_mm")
STUDY_COLUMNS = ("group", "site", "device_id", "prosthesis_id", "bsa_m2")
DECIMALS = 4
UNIT_ENDINGS = {"1": "", "": ""}


def case_state(values: Sequence[PrimaryValue], measured: bool) -> str:
    """One of STATES."""
    if not measured:
        return "set_aside"
    return "measured" if any(v.value is not None for v in values) else "measured_without_value"


def case_table(cohort: Cohort) -> tuple[pd.DataFrame, dict[str, str]]:
    """One row per case of the study, and the meaning of each column."""
    units = _units(cohort)
    plans = _plans(cohort.results)
    done = cohort.measured
    counted = {str(case): rows for case, rows in done.groupby("case_id")} if len(done) else {}
    reasons = _reasons(cohort)
    rows, meanings = [], _meanings(cohort, units)
    for record in cohort.cases.to_dict("records"):
        case = str(record["case_id"])
        values = cohort.primary.get(case, [])
        own = counted.get(case)
        row: dict[str, Any] = {n: record.get(n) for n in ("case_id", *STUDY_COLUMNS)}
        row["state"] = case_state(values, own is not None)
        row["reason"] = reasons.get(case, "")
        row |= _counts(own) | _plan_cells(plans.get(case, {}), values)
        first = next((v for v in values if v.phase_pct is not None), None)
        row["phase_pct"] = first.phase_pct if first else None
        row["phase_found_by"] = first.found_by if first else ""
        for v in values:
            row |= _cells(v, units)
        row |= {n: x for n, x in record.items() if n not in row}
        rows.append(row)
    columns = [*meanings, *(c for c in cohort.cases.columns if c not in meanings)]
    frame = pd.DataFrame(rows, columns=columns)
    return frame, {**meanings, **{c: "further column of cases.csv" for c in columns if c not in meanings}}


def write_case_table(cohort: Cohort) -> None:
    """Write cases.csv, cases.xlsx and cases.schema.json beside the other tables."""
    frame, meanings = case_table(cohort)
    tables = cohort.results / "tables"
    write_csv(tables / "cases.csv", frame)
    write_atomically(tables / "cases.xlsx", lambda path: _write_workbook(path, frame, meanings))
    fields = [
        {"name": n, "type": "number" if pd.api.types.is_numeric_dtype(frame[n]) else "string", "description": text}
        for n, text in meanings.items()
    ]
    write_json(tables / "cases.schema.json", {"fields": fields, "missingValues": [""]})


def _units(cohort: Cohort) -> dict[str, str]:
    """Unit of each primary measure by its name; the registry's, since a measure without any value has one too."""
    known = registry()
    specs = cohort.settings.primary_measures
    return {s.replace("/", "_"): known[s.partition("/")[0]].unit for s in specs if s.partition("/")[0] in known}


def _column(name: str, unit: str) -> str:
    return f"{name}_{unit}" if UNIT_ENDINGS.get(unit, unit) else name


def _cells(v: PrimaryValue, units: Mapping[str, str]) -> dict[str, Any]:
    cells: dict[str, Any] = {
        _column(v.name, units.get(v.name, v.unit)): _short(v.value), f"{v.name}_low": _short(v.low),
        f"{v.name}_high": _short(v.high),
        f"{v.name}_status": v.status,
        f"{v.name}_in_doubt": _short(v.doubted),
    }  # fmt: skip
    return cells | ({f"{v.name}_method": v.method} if _has_methods(v.measure) else {})


def _short(value: float | None) -> float | None:
    """Digits enough for any use; measurements/ has all of them."""
    return None if value is None else round(value, DECIMALS)


def _has_methods(measure: str) -> bool:
    entry = registry().get(measure)
    return entry is not None and len(entry.methods) > 1


def _meanings(cohort: Cohort, units: Mapping[str, str]) -> dict[str, str]:
    meanings = {
        "case_id": "pseudonym of the case",
        "group": "group of the case table",
        "site": "site of the case table",
        "device_id": "device of the case table",
        "prosthesis_id": "prosthesis in place",
        "bsa_m2": "body surface area, m2",
        "state": "; ".join(f"{code}: {text}" for code, text in STATES.items()),
        "reason": "why the case, or a part of it, was set aside; empty = nothing was",
        "n_phases": "phases measured",
        "n_readers": "readers measured",
        "n_readings": "readings measured",
        "n_plans": "plans of the case",
        "plan_id": "plan of the values below: the alphabetically first of the case",
        "plan_device_id": "device of this plan",
        "ventricular_depth_mm": "depth of its outflow end below the ring plane",
        "anchor": "anchor of this plan",
        "nominal_diameter_mm": "nominal diameter of its device",
        "solid": "part of the device that is solid in the values below",
        "phase_pct": "phase of the values below, % of R-R; empty = over several phases, or unknown",
        "phase_found_by": f"how the phase was chosen. {PHASE_TEXT}",
    }
    for spec in cohort.settings.primary_measures:
        measure, _, variant = spec.partition("/")
        name = spec.replace("/", "_")
        unit = units.get(name, "")
        title = measure_title(measure, variant)
        meanings[_column(name, unit)] = f"{title}, one value per case: {cohort.rules_text}"
        meanings[f"{name}_low"] = f"lower end of its 95 % interval, {unit}"
        meanings[f"{name}_high"] = f"upper end of its 95 % interval, {unit}"
        meanings[f"{name}_status"] = "`ok`, or a code of the statuses in README.md; empty value = no reading counts"
        meanings[f"{name}_in_doubt"] = f"mean of the readings that do not count since they may be wrong, {unit}"
        if _has_methods(measure):
            meanings[f"{name}_method"] = "what it was measured from; two methods are two measurements: do not mix them"
    return meanings


def _counts(own: pd.DataFrame | None) -> dict[str, int]:
    if own is None:
        return {"n_phases": 0, "n_readers": 0, "n_readings": 0}
    return {
        "n_phases": max(int(own["phase_pct"].nunique()), 1),
        "n_readers": int(own["reader_id"].nunique()),
        "n_readings": int(own["phase_pct"].notna().sum()) or len(own),
    }


def _plans(results: Path) -> dict[str, dict[str, Mapping[str, Any]]]:
    """Plans by case and plan_id."""
    path = results / "tables" / "plans.parquet"
    found: dict[str, dict[str, Mapping[str, Any]]] = {}
    if path.exists():
        for row in pd.read_parquet(path).to_dict("records"):
            found.setdefault(str(row["case_id"]), {})[str(row["plan_id"])] = row
    return found


def _plan_cells(plans: Mapping[str, Mapping[str, Any]], values: Sequence[PrimaryValue]) -> dict[str, Any]:
    used = next((v for v in values if v.plan_id and v.seen is not None), None)
    plan_id = used.plan_id if used else min(plans, default="")
    plan = plans.get(plan_id, {})
    device, *rest = PLAN_COLUMNS
    return {
        "n_plans": len(plans), "plan_id": plan_id, "plan_device_id": plan.get(device, ""),
        **{name: plan.get(name) for name in rest}, "solid": used.variant.partition("/")[0] if used else "",
    }  # fmt: skip


def _reasons(cohort: Cohort) -> dict[str, str]:
    """Reason codes of what was set aside, by case."""
    frame = cohort.set_aside
    if not len(frame) or "code" not in frame:
        return {}
    return {str(case): "; ".join(sorted(set(codes))) for case, codes in frame.groupby("case_id")["code"]}


def _write_workbook(path: Path, frame: pd.DataFrame, meanings: Mapping[str, str]) -> None:
    """Sheets `cases` and `columns`; text stays text whatever it begins with; the same tables give the same bytes."""
    from datetime import datetime

    import xlsxwriter

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True}
    with path.open("wb") as handle, xlsxwriter.Workbook(handle, options) as book:
        book.set_properties({"title": "Cases", "comments": CAUTION, "created": datetime(2000, 1, 1)})
        bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        sheet = book.add_worksheet("cases")
        for column, name in enumerate(frame.columns):
            sheet.write_string(0, column, name, bold)
            for row, cell in enumerate(frame[name], start=1):
                _write_cell(sheet, row, column, cell)
        sheet.freeze_panes(1, 1)
        sheet.autofilter(0, 0, max(len(frame), 1), len(frame.columns) - 1)
        sheet.set_column(0, len(frame.columns) - 1, 16)
        notes = book.add_worksheet("columns")
        notes.write_string(0, 0, CAUTION, wrapped)
        notes.set_column(0, 0, 40)
        notes.set_column(1, 1, 100)
        for row, (name, text) in enumerate(meanings.items(), start=2):
            notes.write_string(row, 0, name, bold)
            notes.write_string(row, 1, text, wrapped)


def _write_cell(sheet: Any, row: int, column: int, cell: Any) -> None:
    if cell is None or cell is pd.NA or (isinstance(cell, float) and cell != cell):
        return
    if isinstance(cell, bool) or not isinstance(cell, int | float):
        sheet.write_string(row, column, str(cell))
    else:
        sheet.write_number(row, column, cell)
