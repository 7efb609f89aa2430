"""Measurements of one case as DICOM Comprehensive 3D SR, TID 1500 (PS3.16), with UCUM units.

One measurement group a phase, reader, read and plan. A measure's name, its variant and its method are local codes
under a scheme that the file declares. Properties of a value (HAS PROPERTIES, TID 310): the distance from the value to
each end of its 95 % interval as range of measurement uncertainty (SNOMED CT), and under local codes the standard error,
both ends themselves, and the status. A missing value is a qualitative evaluation: its measure, its way, and
its status as the answer; an empty numeric item would be the other way (PS3.3 C.17.3.2.1), but readers that expect one
number an item fail on it.
"""

from __future__ import annotations

import hashlib
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import write_atomically
from outflow_cohort.interchange.concepts import LOCAL_SCHEME, ReadingLabel, local_code
from outflow_cohort.interchange.landmark_writers import declare_scheme, evidence_of, uid, undate

if TYPE_CHECKING:
    import pandas as pd

UCUM = {"mm": "mm", "mm2": "mm2", "deg": "deg", "ml": "ml", "pct": "%", "1": "1"}
"""UCUM codes of the units of the registry (The Unified Code for Units of Measure, ucum.org)."""
LONGEST_MEANING = 64
"""Characters of a CodeMeaning (VR LO)."""
UPPER_RANGE = ("371886008", "SCT", "+, range of upper measurement uncertainty")
LOWER_RANGE = ("371885007", "SCT", "-, range of lower measurement uncertainty")
"""As TID 310 has them; here the distance from the value to the upper and lower end of its 95 % interval."""
STD_ERROR = ("STDERROR", LOCAL_SCHEME, "Standard error")
CI_LOW = ("CI95LOW", LOCAL_SCHEME, "Lower end of the 95 % interval")
CI_HIGH = ("CI95HIGH", LOCAL_SCHEME, "Upper end of the 95 % interval")
STATUS = ("STATUS", LOCAL_SCHEME, "Status of the value")
Row = dict[Any, Any]
GROUP = ["phase_pct", "reader_id", "read_no", "plan_id"]


def case_measurements(results: Path, case_id: str) -> pd.DataFrame:
    """Rows of one case from RESULTS/tables/measurements; raises FileNotFoundError, or ValueError where it has none."""
    import pyarrow.compute as pc
    import pyarrow.dataset as ds

    folder = results / "tables" / "measurements"
    if not folder.is_dir():
        raise FileNotFoundError("tables/measurements")
    rows = ds.dataset(folder).to_table(filter=pc.field("case_id") == case_id).to_pandas()
    if not len(rows):
        raise ValueError("no measurements of this case; see tables/set_aside.parquet")
    return rows


def way_code(variant: str, method: str) -> tuple[str, str]:
    """Local code value (16 characters at most) and meaning of a variant and method."""
    meaning = ", ".join(part for part in (variant, method) if part)
    digest = hashlib.sha256(meaning.encode("utf-8")).hexdigest()[:12].upper()
    return f"WAY{digest}", meaning[:LONGEST_MEANING]


def write_measurement_report(path: Path, case_id: str, measurements: pd.DataFrame) -> int:
    """Write `measurements` (columns of the measurements table) of one case; returns how many have a value."""
    import highdicom as hd
    import pandas as pd
    from pydicom.sr.codedict import codes
    from pydicom.sr.coding import Code

    groups = []
    for (phase, reader, read_no, plan), rows in measurements.groupby(GROUP, dropna=False, sort=True):
        label = ReadingLabel(case_id, str(reader), int(read_no), None if pd.isna(phase) else float(phase))
        named = [
            "over the phases of the case" if label.phase_pct is None else f"phase {label.phase_pct:g} %",
            f"reader {reader}",
            f"read {read_no}",
            *([f"plan {plan}"] if plan else []),
        ]
        has_value = rows["value"].notna()
        groups.append(
            hd.sr.MeasurementsAndQualitativeEvaluations(
                tracking_identifier=hd.sr.TrackingIdentifier(uid(label, plan, "values"), identifier=", ".join(named)),
                measurements=[*_context(label), *(_measurement(row) for row in rows[has_value].to_dict("records"))],
                qualitative_evaluations=[_evaluation(row) for row in rows[~has_value].to_dict("records")] or None,
                finding_sites=[hd.sr.FindingSite(Code("13418002", "SCT", "Left ventricle outflow tract"))],
            )
        )
    device = hd.sr.ObserverContext(
        codes.DCM.Device, hd.sr.DeviceObserverIdentifyingAttributes(uid("outflow-cohort"), name="outflow-cohort")
    )
    report = hd.sr.MeasurementReport(
        observation_context=hd.sr.ObservationContext(observer_device_context=device),
        procedure_reported=codes.LN.CTUnspecifiedBodyRegion,
        imaging_measurements=groups,
        title=codes.DCM.ImagingMeasurementReport,
    )
    whole = ReadingLabel(case_id, "", 1, None)
    document = hd.sr.Comprehensive3DSR(
        evidence=[evidence_of(whole)],
        content=report,
        series_instance_uid=uid(whole, "measurement series"),
        series_number=1,
        sop_instance_uid=uid(whole, "measurements"),
        instance_number=1,
        manufacturer="outflow-cohort",
    )
    document.SeriesDescription = "for research only, not for treating a patient"
    declare_scheme(document)
    undate(document)
    write_atomically(path, lambda p: document.save_as(p, enforce_file_format=True))
    return int(measurements["value"].notna().sum())


def _context(label: ReadingLabel) -> list[Any]:
    """Read number and phase of a group, as numbers."""
    import highdicom as hd
    from pydicom.sr.coding import Code

    one, percent = Code("1", "UCUM", "no units"), Code("%", "UCUM", "%")
    found = [hd.sr.Measurement(Code("READNO", LOCAL_SCHEME, "Read number"), label.read_no, one)]
    if label.phase_pct is not None:
        found.append(hd.sr.Measurement(Code("PHASEPCT", LOCAL_SCHEME, "Cardiac phase"), label.phase_pct, percent))
    return found


def _measurement(row: Row) -> Any:
    """A value with its unit, way, uncertainty and status."""
    import highdicom as hd
    from pydicom.sr.coding import Code

    unit = Code(UCUM[row["unit"]], "UCUM", UCUM[row["unit"]])
    way, meaning = way_code(row["variant"], row["method"])
    measurement = hd.sr.Measurement(
        Code(local_code(row["measure"]), LOCAL_SCHEME, row["measure"]),
        _decimal(row["value"]),
        unit,
        method=Code(way, LOCAL_SCHEME, meaning) if meaning else None,
    )
    item = measurement[0]
    properties = [*item.get("ContentSequence", [])]
    for (code, scheme, name), number in _uncertainty(row).items():
        kind = hd.sr.RelationshipTypeValues.HAS_PROPERTIES
        properties.append(
            hd.sr.NumContentItem(Code(code, scheme, name), _decimal(number), unit, relationship_type=kind)
        )
    properties.append(_status(row["status"]))
    item.ContentSequence = hd.sr.ContentSequence(properties)
    return measurement


def _uncertainty(row: Row) -> dict[tuple[str, str, str], float]:
    """Coded numbers of a value's uncertainty; those that the table does not hold are left out."""
    value, low, high, error = (row[name] for name in ("value", "ci_low", "ci_high", "std_error"))
    numbers = {UPPER_RANGE: high - value, LOWER_RANGE: value - low, STD_ERROR: error, CI_LOW: low, CI_HIGH: high}
    return {code: float(number) for code, number in numbers.items() if math.isfinite(number)}


def _evaluation(row: Row) -> Any:
    """A measure without a value, answered by its status."""
    import highdicom as hd
    from pydicom.sr.coding import Code

    digest = hashlib.sha256(row["status"].encode("utf-8")).hexdigest()[:12].upper()
    evaluation = hd.sr.QualitativeEvaluation(
        Code(local_code(row["measure"]), LOCAL_SCHEME, row["measure"]),
        Code(f"STA{digest}", LOCAL_SCHEME, row["status"][:LONGEST_MEANING]),
    )
    way, meaning = way_code(row["variant"], row["method"])
    if meaning:
        method = hd.sr.CodeContentItem(
            Code("370129005", "SCT", "Measurement Method"),
            Code(way, LOCAL_SCHEME, meaning),
            relationship_type=hd.sr.RelationshipTypeValues.HAS_CONCEPT_MOD,
        )
        evaluation[0].ContentSequence = hd.sr.ContentSequence([method])
    return evaluation


def _status(status: str) -> Any:
    import highdicom as hd
    from pydicom.sr.coding import Code

    return hd.sr.TextContentItem(Code(*STATUS), status, relationship_type=hd.sr.RelationshipTypeValues.HAS_PROPERTIES)


def _decimal(number: float) -> float:
    """A number that a decimal string can hold: 16 characters (VR DS) take 10 digits with sign and exponent."""
    return float(f"{number:.9e}")
