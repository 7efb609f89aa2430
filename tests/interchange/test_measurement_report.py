"""Measurements of a case leave as DICOM SR TID 1500 and are read back with highdicom and pydicom."""

from __future__ import annotations

import math
from pathlib import Path

import highdicom as hd
import pandas as pd
import pydicom
import pytest

from outflow_cohort.interchange.concepts import LOCAL_SCHEME, local_code
from outflow_cohort.interchange.measurement_report import (
    LONGEST_MEANING,
    UCUM,
    case_measurements,
    way_code,
    write_measurement_report,
)
from outflow_cohort.study.outputs import MEASUREMENTS, typed_frame
from outflow_geometry.measures import REGISTRY


def rows() -> pd.DataFrame:
    """Every measure of the registry once in each variant and method, some without a value."""
    values = []
    for number, measure in enumerate(REGISTRY):
        for variant in measure.variants or ("",):
            for method in measure.methods:
                row = {"case_id": "C007", "phase_pct": 40.0, "reader_id": "ash", "read_no": 2, "measure": measure.id,
                       "plan_id": "" if measure.level == "reading" else "p1", "variant": variant, "method": method,
                       "value": math.pi * 10 ** (number % 7 - 2), "unit": measure.unit, "status": "ok"}  # fmt: skip
                values.append(row | ({"value": None, "status": "leak"} if len(values) % 9 == 0 else {}))
    whole = {"phase_pct": None, "variant": "skirt/end_systole", "value": -0.123456789012, "unit": "mm2",
             "measure": "neo_lvot_area", "method": "automatic_path", "plan_id": "p1"}  # fmt: skip
    return typed_frame([*values, values[1] | whole | {"status": "ok"}], MEASUREMENTS)


def read_back(path: Path) -> dict[tuple[str, str, str], tuple[float, str]]:
    """(group, measure, way) to (value, UCUM unit), by walking the content tree with pydicom."""
    found = {}
    document = pydicom.dcmread(path)
    imaging = next(i for i in document.ContentSequence if i.ConceptNameCodeSequence[0].CodeValue == "126010")
    for group in imaging.ContentSequence:
        name = next(i.TextValue for i in group.ContentSequence if i.ConceptNameCodeSequence[0].CodeValue == "112039")
        for item in group.ContentSequence:
            if item.ValueType != "NUM":
                continue
            ways = [c for c in item.get("ContentSequence", []) if c.ConceptNameCodeSequence[0].CodeValue == "370129005"]
            way = ways[0].ConceptCodeSequence[0].CodeMeaning if ways else ""
            value = item.MeasuredValueSequence[0]
            unit = value.MeasurementUnitsCodeSequence[0]
            assert unit.CodingSchemeDesignator == "UCUM"
            found[name, item.ConceptNameCodeSequence[0].CodeMeaning, way] = (float(value.NumericValue), unit.CodeValue)
    return found


def test_values_and_units_come_back(tmp_path: Path):
    frame = rows()
    path = tmp_path / "case.dcm"
    count = write_measurement_report(path, "C007", frame)
    known = frame[frame["value"].notna()]
    assert count == len(known) < len(frame)
    found = read_back(path)
    for row in known.to_dict("records"):
        phase = "over the phases of the case" if pd.isna(row["phase_pct"]) else f"phase {row['phase_pct']:g} %"
        group = ", ".join([phase, "reader ash", "read 2", *([f"plan {row['plan_id']}"] if row["plan_id"] else [])])
        value, unit = found[group, row["measure"], way_code(row["variant"], row["method"])[1]]
        assert value == pytest.approx(row["value"], rel=1e-9)
        assert unit == UCUM[row["unit"]]
    measures = [key for key in found if key[1] not in ("Read number", "Cardiac phase")]
    assert len(measures) == len(known)


def test_highdicom_reads_the_report_by_its_template(tmp_path: Path):
    path = tmp_path / "case.dcm"
    write_measurement_report(path, "C007", rows())
    document = hd.sr.srread(path)
    groups = document.content.get_image_measurement_groups()
    names = {g.tracking_identifier for g in groups}
    assert names == {
        "phase 40 %, reader ash, read 2",
        "phase 40 %, reader ash, read 2, plan p1",
        "over the phases of the case, reader ash, read 2, plan p1",
    }
    assert document.CodingSchemeIdentificationSequence[0].CodingSchemeDesignator == LOCAL_SCHEME
    assert document.PatientID == "C007"


def test_every_code_fits_and_none_stands_for_two_things():
    """Limits of the value representations: SH 16 characters, LO 64 (PS3.5 table 6.2-1)."""
    ids = [m.id for m in REGISTRY]
    codes = {local_code(i) for i in ids}
    assert len(codes) == len(ids)
    assert max(map(len, codes)) <= 16
    ways = {
        (v, m) for measure in REGISTRY for v in (*measure.variants, *measure.case_variants) for m in measure.methods
    }
    values = {way_code(*way)[0] for way in ways}
    assert len(values) == len({", ".join(filter(None, way)) for way in ways})
    assert max(map(len, values)) <= 16
    assert max(len(", ".join(filter(None, way))) for way in ways) <= LONGEST_MEANING
    assert {m.unit for m in REGISTRY} <= set(UCUM)


def test_the_same_values_give_the_same_bytes(tmp_path: Path):
    for name in "ab":
        write_measurement_report(tmp_path / f"{name}.dcm", "C007", rows())
    assert (tmp_path / "a.dcm").read_bytes() == (tmp_path / "b.dcm").read_bytes()


def test_a_case_without_measurements_is_told(tmp_path: Path):
    with pytest.raises(FileNotFoundError):
        case_measurements(tmp_path, "C007")
    (tmp_path / "tables/measurements").mkdir(parents=True)
    rows().to_parquet(tmp_path / "tables/measurements/part-00000.parquet", index=False)
    assert len(case_measurements(tmp_path, "C007")) == len(rows())
    with pytest.raises(ValueError, match="set_aside"):
        case_measurements(tmp_path, "C008")
