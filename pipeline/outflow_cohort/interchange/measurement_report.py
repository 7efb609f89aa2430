"""Measurements of one case as DICOM Comprehensive 3D SR, TID 1500 (PS3.16), with UCUM units.

One measurement group a phase, reader, read and plan. A measure's name, its variant and its method are local codes
under a scheme that the file declares. Values that cannot be had are left out: they stand, with their status, in the
measurements table.
"""

from __future__ import annotations

import hashlib
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
    """Write the values of `measurements` (columns of the measurements table) of one case; returns their number."""
    import highdicom as hd
    import pandas as pd
    from pydicom.sr.codedict import codes
    from pydicom.sr.coding import Code

    known = measurements[measurements["value"].notna()]
    groups = []
    for (phase, reader, read_no, plan), rows in known.groupby(GROUP, dropna=False, sort=True):
        label = ReadingLabel(case_id, str(reader), int(read_no), None if pd.isna(phase) else float(phase))
        named = [
            "over the phases of the case" if label.phase_pct is None else f"phase {label.phase_pct:g} %",
            f"reader {reader}",
            f"read {read_no}",
            *([f"plan {plan}"] if plan else []),
        ]
        groups.append(
            hd.sr.MeasurementsAndQualitativeEvaluations(
                tracking_identifier=hd.sr.TrackingIdentifier(uid(label, plan, "values"), identifier=", ".join(named)),
                measurements=[*_context(label), *(_measurement(row) for row in rows.to_dict("records"))],
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
    return len(known)


def _context(label: ReadingLabel) -> list[Any]:
    """Read number and phase of a group, as numbers."""
    import highdicom as hd
    from pydicom.sr.coding import Code

    one, percent = Code("1", "UCUM", "no units"), Code("%", "UCUM", "%")
    found = [hd.sr.Measurement(Code("READNO", LOCAL_SCHEME, "Read number"), label.read_no, one)]
    if label.phase_pct is not None:
        found.append(hd.sr.Measurement(Code("PHASEPCT", LOCAL_SCHEME, "Cardiac phase"), label.phase_pct, percent))
    return found


def _measurement(row: dict[Any, Any]) -> Any:
    import highdicom as hd
    from pydicom.sr.coding import Code

    unit = UCUM[row["unit"]]
    value, meaning = way_code(row["variant"], row["method"])
    return hd.sr.Measurement(
        Code(local_code(row["measure"]), LOCAL_SCHEME, row["measure"]),
        # a decimal string holds 16 characters (VR DS): 10 significant digits fit with sign and exponent
        float(f"{row['value']:.9e}"),
        Code(unit, "UCUM", unit),
        method=Code(value, LOCAL_SCHEME, meaning) if meaning else None,
    )
