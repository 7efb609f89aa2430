"""Rows of the inventory: flat scalars, no path, no UID in clear, no header text.

A series is named by the row of series.csv and a keyed hash of its UID.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from typing import Any

from outflow_cohort.dicom.codes import reason, reasons, verdict
from outflow_cohort.dicom.frames import DEFLATED, OtherObject
from outflow_cohort.dicom.images import ImageHeader
from outflow_cohort.dicom.verify import JudgedSeries
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.inventory import PixelFormat, SeriesPlan, SeriesRow, SlicePlan


def fingerprint(study_id: str, text: str) -> str:
    """12 hexadecimal digits in place of a UID: keyed with the study, so that studies cannot be joined by it."""
    key = hashlib.sha256(study_id.encode("utf-8", "replace")).digest()
    return hashlib.blake2b(text.encode("utf-8", "replace"), key=key, digest_size=6).hexdigest()


def series_names(series: list[JudgedSeries], study_id: str) -> list[str]:
    """Fingerprint of each series; parts of one series get -1, -2, … in the order of content."""
    prints = [fingerprint(study_id, one.first.series) for one in series]
    seen: Counter[str] = Counter()
    names = []
    for name in prints:
        seen[name] += 1
        names.append(name if prints.count(name) == 1 else f"{name}-{seen[name]}")
    return names


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value


def series_row(case_id: str, row: int, name: str, series: JudgedSeries, study_id: str) -> SeriesRow:
    """The inventory's row of one series."""
    first = series.first
    codes = series.codes
    spacing = first.pixel_spacing
    size = {"rows": first.pixels.rows, "columns": first.pixels.columns, "n_slices": len(series.stack.frames)}
    kind = "multi-frame" if any(f.frame_index for f in series.stack.frames) else "single-frame"
    figures = {k: v for k, v in series.figures.items() if k != "n_slices"}
    content = {
        "case_id": case_id,
        "row": row,
        "series": name,
        "verdict": verdict(tuple(codes)),
        "reason_codes": ";".join(sorted(codes)),
        "details": "; ".join(f"{code}: {codes[code]}" for code in sorted(codes)),
        "remedy": " ".join(dict.fromkeys(reason(code).remedy for code in sorted(codes))),
        "format": f"dicom {kind}",
        **size,
        "row_spacing_mm": _plain(spacing[0]) if spacing else None,
        "column_spacing_mm": _plain(spacing[1]) if spacing else None,
        "slice_thickness_mm": _plain(first.thickness),
        **{name: _plain(value) for name, value in figures.items()},
        **orientation_columns(series),
        "phase_pct": _plain(series.phase.phase_pct),
        "phase_source": series.phase.source,
        "transfer_syntax": first.file.transfer_syntax if _is_dicom_uid(first.file.transfer_syntax) else "other",
        "lossy": any(f.lossy for f in series.stack.frames),
        "rescale_slope": _plain(first.slope),
        "rescale_intercept": _plain(first.intercept),
        "bits_stored": first.pixels.bits_stored,
        "signed": first.pixels.signed,
        "padding_value": first.pixels.padding_value,
        "maker": first.manufacturer,
        "frame_of_reference": fingerprint(study_id, first.frame_of_reference) if first.frame_of_reference else None,
        "n_files": len({f.file.ordinal for f in series.stack.frames}) + series.stack.copies,
    }
    return SeriesRow(**content)


def _is_dicom_uid(text: str) -> bool:
    return text.startswith("1.2.840.10008.") and len(text) <= 64 and text.replace(".", "").isdigit()


def orientation_columns(series: JudgedSeries) -> dict[str, float | None]:
    """Origin and direction of the grid in LPS, as scalars; None where there is no grid."""
    geometry = series.geometry
    names = ("origin_x_mm", "origin_y_mm", "origin_z_mm")
    axes = [f"{axis}_{component}" for axis in ("row", "column", "slice") for component in "xyz"]
    if geometry is None:
        return dict.fromkeys([*names, *axes])
    values = {n: _plain(float(v)) for n, v in zip(names, geometry.origin, strict=True)}
    return values | {n: _plain(float(v)) for n, v in zip(axes, geometry.direction.T.ravel(), strict=True)}


def other_rows(case_id: str, row: int, others: list[OtherObject], study_id: str) -> list[SeriesRow]:
    """One row for each kind of object that is no CT series (and each series of it)."""
    counts = Counter((o.code, fingerprint(study_id, o.series) if o.series else "") for o in others)
    return [
        SeriesRow(
            case_id=case_id,
            row=row,
            series=name,
            verdict="set_aside",
            reason_codes=code,
            details=f"{code}: {count} files",
            remedy=reason(code).remedy,
            n_files=count,
        )
        for (code, name), count in sorted(counts.items())
    ]


def folder_row(case_id: str, row: int, code: str, message: str) -> SeriesRow:
    """A row for a folder as a whole that cannot be used."""
    return SeriesRow(
        case_id=case_id,
        row=row,
        series="",
        verdict="set_aside",
        reason_codes=code,
        details=f"{code}: {message}",
        remedy=reason(code).remedy,
    )


def image_row(
    case_id: str, row: int, name: str, header: ImageHeader, phase_pct: float | None, codes: dict[str, str]
) -> SeriesRow:
    """The inventory's row of a volume given as one image file."""
    names = ("origin_x_mm", "origin_y_mm", "origin_z_mm")
    axes = [f"{axis}_{component}" for axis in ("row", "column", "slice") for component in "xyz"]
    content = {
        "case_id": case_id,
        "row": row,
        "series": name,
        "verdict": verdict(tuple(codes)),
        "reason_codes": ";".join(sorted(codes)),
        "details": "; ".join(f"{code}: {codes[code]}" for code in sorted(codes)),
        "remedy": " ".join(dict.fromkeys(reason(code).remedy for code in sorted(codes))),
        "format": header.kind,
        "columns": header.size[0],
        "rows": header.size[1],
        "n_slices": header.size[2],
        "column_spacing_mm": _plain(float(header.spacing[0])),
        "row_spacing_mm": _plain(float(header.spacing[1])),
        "slice_spacing_mm": _plain(float(header.spacing[2])),
        "phase_pct": phase_pct,
        "phase_source": "none" if phase_pct is None else "table",
        **{n: _plain(float(v)) for n, v in zip(names, header.origin, strict=True)},
        **{n: _plain(float(v)) for n, v in zip(axes, header.direction.T.ravel(), strict=True)},
        "n_files": 1,
    }
    return SeriesRow(**content)


def aside_row(case_id: str, phase_pct: float | None, stage: str, code: str, message: str) -> AsideRow:
    """A row of set_aside; the message ends with the remedy."""
    return AsideRow(
        case_id=case_id,
        phase_pct=phase_pct,
        reader_id=None,
        read_no=None,
        stage=stage,
        code=code,
        message=f"{message}. {reason(code).remedy}" if code in reasons() else message,
    )


def series_plan(row: int, name: str, series: JudgedSeries, study_id: str, listing: str) -> SeriesPlan:
    """What the volume step needs to read this series without parsing a header again.

    Files are named by their place in the sorted listing, which `listing` fingerprints.
    """
    geometry = series.geometry
    if geometry is None:
        raise ValueError("a series without a grid has no plan")
    frames = series.stack.frames
    formats: list[PixelFormat] = []
    slices = []
    for frame in frames:
        form = frame.pixels.model_copy(update={"photometric": "MONOCHROME2"})
        if form not in formats:
            formats.append(form)
        slices.append(
            SlicePlan(
                file=frame.file.ordinal,
                frame=frame.frame_index,
                offset=frame.file.pixel_offset,
                slope=_known(frame.slope),
                intercept=_known(frame.intercept),
                form=formats.index(form),
            )
        )
    first = frames[0]
    return SeriesPlan(
        row=row,
        series=name,
        phase_pct=_plain(series.phase.phase_pct),
        phase_source=series.phase.source,
        listing=listing,
        origin=geometry.origin.tolist(),
        direction=geometry.direction.tolist(),
        spacing=geometry.spacing.tolist(),
        size=geometry.size,
        shear=geometry.shear.tolist(),
        formats=tuple(formats),
        slices=tuple(slices),
        inflate=first.file.transfer_syntax == DEFLATED,
        patient_position=series.figures.get("patient_position"),
        frame_of_reference=fingerprint(study_id, first.frame_of_reference) if first.frame_of_reference else None,
        reason_codes=";".join(sorted(series.codes)),
    )


def _known(rescale: float | None) -> float:
    """A rescale value; a series without one is set aside before it has a plan."""
    if rescale is None:
        raise ValueError("a series without rescale values has no plan")
    return rescale
