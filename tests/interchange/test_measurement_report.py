"""Measurements of a case leave as DICOM SR TID 1500 and are read back with highdicom and pydicom."""

from __future__ import annotations

import math
from pathlib import Path

import highdicom as hd
import pandas as pd
import pydicom
import pytest
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from outflow_cohort.interchange.concepts import LOCAL_SCHEME, local_code
from outflow_cohort.interchange.measurement_report import (
    CI_HIGH,
    CI_LOW,
    LONGEST_MEANING,
    LOWER_RANGE,
    STATUS,
    STD_ERROR,
    UCUM,
    UPPER_RANGE,
    case_measurements,
    way_code,
    write_measurement_report,
)
from outflow_cohort.study.outputs import measurements_frame
from outflow_geometry.measures.registry import REGISTRY


def rows() -> pd.DataFrame:
    """Every measure of the registry once in each variant and method, some without a value."""
    values = []
    for number, measure in enumerate(REGISTRY):
        for variant in measure.variants or ("",):
            for method in measure.methods:
                row = {"case_id": "C007", "phase_pct": 40.0, "reader_id": "ash", "read_no": 2, "measure": measure.id,
                       "plan_id": "" if measure.level == "reading" else "p1", "variant": variant, "method": method,
                       "value": math.pi * 10 ** (number % 7 - 2), "unit": measure.unit, "status": "ok"}  # fmt: skip
                row |= {"std_error": row["value"] / 30, "ci_low": row["value"] * 0.9, "ci_high": row["value"] * 1.2}
                if len(values) % 9 == 0:
                    row |= {"value": None, "std_error": None, "ci_low": None, "ci_high": None, "status": "leak"}
                elif len(values) % 9 == 1:
                    row |= {"std_error": None, "ci_low": None, "ci_high": None, "status": "smallest_at_end"}
                elif len(values) % 9 == 2:
                    row |= {"ci_low": None}
                values.append(row)
    whole = {"phase_pct": None, "variant": "skirt/end_systole", "value": -0.123456789012, "unit": "mm2",
             "measure": "neo_lvot_area", "method": "automatic_path", "plan_id": "p1"}  # fmt: skip
    return measurements_frame([*values, values[1] | whole | {"status": "ok"}])


def code_of(item: pydicom.Dataset) -> tuple[str, str]:
    concept = item.ConceptNameCodeSequence[0]
    return concept.CodeValue, concept.CodingSchemeDesignator


def read_back(path: Path) -> dict[tuple[str, str, str], dict]:
    """(group, measure, way) to what is told of it, by walking the content tree with pydicom."""
    found: dict[tuple[str, str, str], dict] = {}
    document = pydicom.dcmread(path)
    imaging = next(i for i in document.ContentSequence if code_of(i)[0] == "126010")
    for group in imaging.ContentSequence:
        name = next(i.TextValue for i in group.ContentSequence if code_of(i)[0] == "112039")
        for item in group.ContentSequence:
            if item.ValueType not in ("NUM", "CODE") or code_of(item)[1] != LOCAL_SCHEME:
                continue
            below = {code_of(child): child for child in item.get("ContentSequence", [])}
            way = below.pop(("370129005", "SCT"), None)
            meaning = way.ConceptCodeSequence[0].CodeMeaning if way else ""
            key = (name, item.ConceptNameCodeSequence[0].CodeMeaning, meaning)
            assert key not in found
            if item.ValueType == "CODE":
                found[key] = {"value": None, "status": item.ConceptCodeSequence[0].CodeMeaning}
                continue
            value, unit = number_of(item)
            told = {"value": value, "unit": unit}
            for code, child in below.items():
                assert child.RelationshipType == "HAS PROPERTIES"
                if child.ValueType == "TEXT":
                    told["status"] = child.TextValue
                else:
                    told[code[0]], child_unit = number_of(child)
                    assert child_unit == unit
            found[key] = told
    return found


def number_of(item: pydicom.Dataset) -> tuple[float, str]:
    value = item.MeasuredValueSequence[0]
    unit = value.MeasurementUnitsCodeSequence[0]
    assert unit.CodingSchemeDesignator == "UCUM"
    return float(value.NumericValue), unit.CodeValue


def test_values_intervals_units_and_status_come_back(tmp_path: Path):
    frame = rows()
    path = tmp_path / "case.dcm"
    assert write_measurement_report(path, "C007", frame) == frame["value"].notna().sum() < len(frame)
    found = read_back(path)
    measures = [key for key in found if key[1] not in ("Read number", "Cardiac phase")]
    assert len(measures) == len(frame)
    for row in frame.to_dict("records"):
        phase = "over the phases of the case" if pd.isna(row["phase_pct"]) else f"phase {row['phase_pct']:g} %"
        group = ", ".join([phase, "reader ash", "read 2", *([f"plan {row['plan_id']}"] if row["plan_id"] else [])])
        told = found[group, row["measure"], way_code(row["variant"], row["method"])[1]]
        assert told.pop("status") == row["status"]
        if pd.isna(row["value"]):
            assert told == {"value": None}
            continue
        assert told.pop("unit") == UCUM[row["unit"]]
        expected = {
            "value": row["value"], "STDERROR": row["std_error"], "CI95LOW": row["ci_low"], "CI95HIGH": row["ci_high"],
            "371886008": row["ci_high"] - row["value"], "371885007": row["value"] - row["ci_low"],
        }  # fmt: skip
        assert told == pytest.approx({k: v for k, v in expected.items() if not pd.isna(v)}, rel=1e-9)


def test_codes_of_uncertainty_stand_in_the_concept_dictionary():
    """Source: pydicom's SNOMED CT concepts, generated from DICOM PS3.16 (TID 310)."""
    assert codes.SCT.RangeOfUpperMeasurementUncertainty == Code(*UPPER_RANGE)
    assert codes.SCT.RangeOfLowerMeasurementUncertainty == Code(*LOWER_RANGE)
    for code, scheme, meaning in (STD_ERROR, CI_LOW, CI_HIGH, STATUS):
        assert scheme == LOCAL_SCHEME
        assert len(code) <= 16
        assert len(meaning) <= LONGEST_MEANING


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
    frame = rows()
    context = 2 * 2 + 1  # read number and phase in two groups, read number alone in the one over the phases
    assert sum(len(g.get_measurements()) for g in groups) == frame["value"].notna().sum() + context
    assert sum(len(g.get_qualitative_evaluations()) for g in groups) == frame["value"].isna().sum()
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
