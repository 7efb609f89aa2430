"""The tables that come out: columns, types and meanings (contract). Lengths mm, areas mm2, angles deg."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class OutputColumn:
    """A column of an output table; dtype is a pandas name."""

    name: str
    dtype: str
    meaning: str


_READING = (
    OutputColumn("case_id", "str", "pseudonym of the case"),
    OutputColumn("phase_pct", "float64", "cardiac phase, % of R-R; null = over the phases of a case, or unknown"),
    OutputColumn("reader_id", "str", "reader; empty where the row is not one reader's"),
    OutputColumn("read_no", "Int64", "which read of this reader"),
)
_ORIGIN = (
    OutputColumn("landmark_origin", "str", "marked = by the reader in this phase; carried = from a marked phase"),
    OutputColumn("carried_from_pct", "float64", "marked phase the landmarks come from, % of R-R; null where marked"),
    OutputColumn("carry_error_mm", "float64", "expected error of the carried ring per coordinate; null where marked"),
)
_OVER_PHASES = (
    OutputColumn("phases_used", "Int64", "how many phases a value over phases was chosen or averaged from; else null"),
    OutputColumn("phases_carried", "Int64", "how many of these have carried landmarks"),
)
_PLAN = (OutputColumn("plan_id", "str", "plan; empty where the measure needs none"),)
_VARIANT_PARTS = (
    OutputColumn("solid", "str", "solid part of the device in `variant`; empty where the measure has none"),
    OutputColumn("phase_rule", "str", "rule over the phases in `variant`; empty for the value of one phase"),
    OutputColumn("cutoff_id", "str", "cut-off in `variant`; empty where the measure has none"),
)

MEASUREMENTS = (
    *_READING,
    *_PLAN,
    OutputColumn("measure", "str", "what was measured (list below)"),
    OutputColumn("variant", "str", "which definition of it"),
    *_VARIANT_PARTS,
    OutputColumn("method", "str", "what it was measured from"),
    OutputColumn("value", "float64", "the value; null where it is missing"),
    OutputColumn("unit", "str", "unit of value, std_error, ci_low, ci_high"),
    OutputColumn(
        "std_error",
        "float64",
        "standard error from the scatter of landmarks and, for sections and the aortic annulus, the image's noise",
    ),
    OutputColumn("ci_low", "float64", "lower end of the 95 % interval"),
    OutputColumn("ci_high", "float64", "upper end of the 95 % interval"),
    OutputColumn("status", "str", "`ok`, or why the value is missing or needs care"),
    *_ORIGIN,
    *_OVER_PHASES,
)
CURVES = (
    *_READING,
    *_PLAN,
    OutputColumn("variant", "str", "which part of the device counts as solid"),
    *_VARIANT_PARTS,
    OutputColumn("method", "str", "reader_path or automatic_path"),
    OutputColumn("station_mm", "float64", "place along the outflow path; 0 = aortic annulus, negative = upstream"),
    OutputColumn("area_mm2", "float64", "area of the section that the device leaves open"),
    OutputColumn("native_area_mm2", "float64", "the same section without a device"),
    *_ORIGIN,
)
VIEWS = (
    *_READING,
    OutputColumn("view", "str", "which view"),
    OutputColumn("lao_rao_deg", "float64", "LAO (+) / RAO (-)"),
    OutputColumn("cra_cau_deg", "float64", "CRA (+) / CAU (-)"),
    OutputColumn("residual_tilt_deg", "float64", "how far the plane is from edge-on, or from en face, in this view"),
    OutputColumn("reachable", "boolean", "inside the configured gantry box"),
    *_ORIGIN,
)
LANDMARK_FINDINGS = (
    *_READING,
    OutputColumn("structure", "str", "structure; empty = the reading, or the case, as a whole"),
    OutputColumn("point_no", "Int64", "number of the point in its structure, from 1; null = the whole structure"),
    OutputColumn("code", "str", "what was found (list below)"),
    OutputColumn(
        "severity",
        "str",
        "suspect (values that rest on it say `landmark_suspect`, or this code where another case has the same "
        "points or images), impossible (the reading is set aside), note",
    ),
    OutputColumn("number", "float64", "what was found, in `unit`; null where there is no number"),
    OutputColumn("bound", "float64", "the most that it may be (the least, where `number` is below it)"),
    OutputColumn("unit", "str", "unit of number and bound"),
    OutputColumn("remedy", "str", "what to do"),
)
IMPLANTS = (
    *_READING,
    OutputColumn("device_id", "str", "device"),
    OutputColumn("nominal_diameter_mm", "float64", "its nominal diameter"),
    OutputColumn("fits_targets", "boolean", "whether it meets the study's sizing targets in this reading; null = none"),
    OutputColumn("ventricular_depth_mm", "float64", "depth of the outflow end below the ring plane"),
    OutputColumn("tilt_ap_deg", "float64", "tilt of the device axis toward the aorta"),
    OutputColumn("tilt_ic_deg", "float64", "tilt of the device axis, intercommissural"),
    OutputColumn("solid", "str", "which part of the device counts as solid"),
    OutputColumn("method", "str", "reader_path or automatic_path"),
    OutputColumn("area_mm2", "float64", "neo-LVOT; null where it is missing"),
    OutputColumn("native_area_mm2", "float64", "the same section without a device"),
    OutputColumn("residual_fraction", "float64", "area over native area"),
    OutputColumn("station_mm", "float64", "place of that section; 0 = aortic annulus, negative = upstream"),
    OutputColumn("device_septum_mm", "float64", "smallest distance from the device to the septum in that section"),
    OutputColumn("landmark_sd_mm2", "float64", "standard deviation of the area from landmarks and image"),
    OutputColumn("placement_sd_mm2", "float64", "standard deviation of the area from where the implant may land"),
    OutputColumn("status", "str", "`ok`, or why the value is missing or needs care"),
    *_ORIGIN,
)
CHANCE_BELOW = "chance_below_"
"""Begins the columns of implants/ that give the chance that the true area is below a cut-off, one for each."""
SET_ASIDE = (
    *_READING,
    OutputColumn("stage", "str", "step that set it aside"),
    OutputColumn("code", "str", "reason"),
    OutputColumn("message", "str", "found, needed, remedy"),
)
PRIVACY = (
    OutputColumn("case_id", "str", "pseudonym of the case"),
    OutputColumn("series", "str", "row of series.csv and hashed series UID"),
    OutputColumn("tag", "str", "DICOM tag, or where else it was found"),
    OutputColumn("keyword", "str", "DICOM keyword"),
    OutputColumn("rule", "str", "rule that fired"),
    OutputColumn("severity", "str", "error, warning or info; privacy.policy says which set a series aside"),
)
FINAL = (
    OutputColumn("case_id", "str", "pseudonym of the case"),
    OutputColumn("phase_pct", "float64", "cardiac phase, % of R-R; null = over the phases of a case, or unknown"),
    *_PLAN,
    OutputColumn("measure", "str", "what was measured (list below)"),
    OutputColumn("variant", "str", "which definition of it"),
    OutputColumn("method", "str", "what it was measured from"),
    OutputColumn("unit", "str", "unit of the numbers"),
    OutputColumn("value", "float64", "the final value; null where no reading gives one"),
    OutputColumn(
        "std_error", "float64", "its standard error: the larger of the readings' own and that between readers"
    ),
    OutputColumn("ci_low", "float64", "lower end of the 95 % interval"),
    OutputColumn("ci_high", "float64", "upper end of the 95 % interval"),
    OutputColumn("rule", "str", "how it came about; none = there is no value"),
    OutputColumn("n_readers", "Int64", "readers it rests on"),
    OutputColumn("readings", "str", "readings it rests on, reader/read, separated by ;"),
    OutputColumn("difference", "float64", "largest less smallest of the readers' values; null for one reader"),
    OutputColumn(
        "status",
        "str",
        "ok, adjudicated, needs_adjudication (the readers differ by more than the study accepts), landmark_suspect, "
        "no_usable_value, or the status of a doubtful reading that counts",
    ),
    OutputColumn(
        "landmark_origin", "str", "carried = no reader marked this phase: from carried landmarks; else marked"
    ),
)
PLANS = (
    OutputColumn("case_id", "str", "pseudonym of the case"),
    OutputColumn("plan_id", "str", "plan; `default` where cases.csv names a device and plans.csv has no row"),
    OutputColumn("device_id", "str", "device"),
    OutputColumn("ventricular_depth_mm", "float64", "depth of the outflow end below the ring plane; null = see anchor"),
    OutputColumn("anchor", "str", "post_tips = outflow end at the plane of the post tips; ring, or empty = by depth"),
    OutputColumn("tilt_ap_deg", "float64", "tilt of the device axis, anterior-posterior"),
    OutputColumn("tilt_ic_deg", "float64", "tilt of the device axis, intercommissural"),
    OutputColumn("offset_ap_mm", "float64", "offset of the device from the ring centre, anterior-posterior"),
    OutputColumn("offset_ic_mm", "float64", "offset of the device from the ring centre, intercommissural"),
    OutputColumn("nominal_diameter_mm", "float64", "nominal diameter of the device"),
    OutputColumn("height_mm", "float64", "height of the device"),
    OutputColumn("covered_from_mm", "float64", "where the covered part begins, from the inflow end"),
    OutputColumn("covered_to_mm", "float64", "where the covered part ends, from the inflow end"),
)

SERIES_MEANINGS = {
    "case_id": "pseudonym of the case",
    "row": "row of series.csv (the header is row 1)",
    "series": "keyed hash of the series UID; empty = the folder as a whole",
    "verdict": "accepted, warned or set_aside",
    "reason_codes": "codes of what was found, separated by ;",
    "details": "what was found, in words",
    "remedy": "what to do about it",
    "format": "DICOM single- or multi-frame, or the kind of image file",
    "rows": "rows per slice",
    "columns": "columns per slice",
    "n_slices": "slices",
    "n_files": "files",
    "row_spacing_mm": "distance between neighbouring rows, mm",
    "column_spacing_mm": "distance between neighbouring columns, mm",
    "slice_spacing_mm": "mean distance between neighbouring slices, mm",
    "slice_thickness_mm": "SliceThickness of the header, mm",
    "gap_min_mm": "smallest distance between neighbouring slices, mm",
    "gap_max_mm": "largest distance between neighbouring slices, mm",
    "spacing_jitter_pct": "largest departure of a gap from the mean spacing, %",
    "tilt_deg": "angle between slice normal and stacking direction, degrees",
    "inplane_drift_mm": "in-plane shift from first to last slice, mm",
    "inplane_scatter_mm": "in-plane scatter of the slice positions about their line, mm",
    "patient_position": "PatientPosition of the header",
    "privacy": "findings of the privacy check, by kind",
    "origin_x_mm": "x of the centre of the first voxel, LPS, mm",
    "origin_y_mm": "y of the centre of the first voxel, LPS, mm",
    "origin_z_mm": "z of the centre of the first voxel, LPS, mm",
    **{
        f"{axis}_{component}": f"{component} (LPS) of the unit direction {text}"
        for axis, text in (
            ("row", "along a row (increasing column index)"),
            ("column", "along a column (increasing row index)"),
            ("slice", "from slice to slice"),
        )
        for component in "xyz"
    },
    "phase_pct": "cardiac phase, % of R-R; null = unknown",
    "phase_source": "where the phase came from",
    "transfer_syntax": "DICOM transfer syntax UID",
    "lossy": "whether lossy compression is declared",
    "rescale_slope": "RescaleSlope of the first frame",
    "rescale_intercept": "RescaleIntercept of the first frame, HU",
    "bits_stored": "BitsStored",
    "signed": "whether stored values are signed",
    "padding_value": "PixelPaddingValue",
    "maker": "manufacturer of the scanner, from a fixed list of words",
    "frame_of_reference": "keyed hash of the frame of reference UID",
    "lumen_hu": "mean HU of the lumen",
    "lumen_source": "where the lumen's HU was measured",
    "muscle_hu": "mean HU of muscle",
    "noise_hu": "standard deviation in the lumen, HU",
    "contrast_to_noise": "(lumen - muscle) / noise",
    "hu_min": "smallest HU of the region read",
    "hu_max": "largest HU of the region read",
    "n_padded_voxels": "voxels of the region that are padding",
    "saturated_pct": "share of voxels near the ring at the top of the HU scale, %",
    "slab_step": "largest step between neighbouring slices, as a multiple of the usual one",
    "margin_mm": "distance of the landmarks from the border of the image, mm",
    "resampled": "whether the region measured was resampled to cubic voxels; false = cut out on its own grid",
    "quality": "verdict of the image-quality gates",
    "quality_codes": "codes of the gates that warned or failed, separated by ;",
}


@dataclass(frozen=True)
class VariantParts:
    """What a variant names; empty where it names none."""

    solid: str = ""
    phase_rule: str = ""
    cutoff_id: str = ""


@cache
def variant_parts(measure: str, variant: str) -> VariantParts:
    """Solid, phase rule and cut-off in the `variant` of a `measure`, as its entry in the registry writes them.

    `full_frame/end_systole` of neo_lvot_area gives full_frame and end_systole; `full_frame/max` of neo_lvot_diameter
    gives full_frame alone; `spline` of mitral_area gives nothing.
    """
    from outflow_geometry.measures.measure import CUTOFF_ID, SOLID
    from outflow_geometry.measures.registry import REGISTRY

    entry = next((m for m in REGISTRY if m.id == measure), None)
    if entry is None or not any(v.startswith(SOLID) for v in entry.variants):
        return VariantParts()
    solid, _, rest = variant.partition("/")
    if f"{SOLID}/{rest}" in entry.case_variants:
        return VariantParts(solid, phase_rule=rest)
    return VariantParts(solid, cutoff_id=rest) if f"{SOLID}/{CUTOFF_ID}" in entry.variants else VariantParts(solid)


def measurements_frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """The measurements table of `rows`; the parts of each variant are filled in."""
    return typed_frame([{**row, **vars(variant_parts(row["measure"], row["variant"]))} for row in rows], MEASUREMENTS)


def curves_frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """The curves table of `rows`; the variant of a curve is a solid."""
    return typed_frame([{**row, **vars(VariantParts(row["variant"]))} for row in rows], CURVES)


def implants_frame(rows: Sequence[Mapping[str, Any]], cutoffs: Sequence[str]) -> pd.DataFrame:
    """The implants table of `rows`, with one column of chances for each of the study's `cutoffs`."""
    chances = [
        OutputColumn(f"{CHANCE_BELOW}{name}", "float64", "chance that the true area is below the cut-off")
        for name in cutoffs
    ]
    return typed_frame(rows, (*IMPLANTS[:-4], *chances, *IMPLANTS[-4:]))


def typed_frame(rows: Sequence[Mapping[str, Any]], columns: Sequence[OutputColumn]) -> pd.DataFrame:
    """A frame of `rows` with exactly `columns`, in their types and order."""
    import pandas as pd

    frame = pd.DataFrame(list(rows), columns=[c.name for c in columns])
    for column in columns:
        if column.dtype == "str":
            frame[column.name] = frame[column.name].astype("object").fillna("").astype("str")
        else:
            frame[column.name] = frame[column.name].astype(column.dtype)
    return frame
