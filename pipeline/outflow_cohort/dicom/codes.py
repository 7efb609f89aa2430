"""Every reason code of the intake with its severity, meaning and remedy: the one table behind verdicts and docs.

Severity: `set_aside` (not measured), `warning` (measured and flagged), `info`.
Under a strict privacy policy the warnings of the privacy rules set aside too.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reason:
    """One code: where it arises, how grave it is, what it means and what to do."""

    code: str
    stage: str
    severity: str
    meaning: str
    remedy: str


def _table(stage: str, severity: str, rows: tuple[tuple[str, str, str], ...]) -> tuple[Reason, ...]:
    return tuple(Reason(code, stage, severity, meaning, remedy) for code, meaning, remedy in rows)


_EXPORT = "Export the series again from the archive."
_FILES = _table(
    "files",
    "set_aside",
    (
        ("folder_missing", "The folder or file named in the study's table does not exist.", "Correct series.csv."),
        ("no_series_found", "The folder holds no CT series that can be measured.", "Correct series.csv."),
        ("too_many_files", "The folder holds more files than the bound allows.", "Point to one examination."),
        (
            "file_too_large",
            "A file exceeds the bound on file size.",
            "Raise intake.max_file_megabytes if it is wanted.",
        ),
        ("header_too_large", "A header, or what it inflates to, exceeds the bound.", _EXPORT),
        ("file_unreadable", "The file could not be opened or read.", "Check rights and the disk."),
        ("not_dicom", "The file is no DICOM file.", "None needed; other files in the folder are ignored."),
        ("header_damaged", "The header is damaged: elements cannot be told apart or decoded.", _EXPORT),
        ("too_many_voxels", "Rows x columns x frames exceeds the bound.", "Raise intake.max_voxels if it is wanted."),
        ("no_pixels", "The object has no pixel data or no matrix size.", _EXPORT),
        ("no_series_uid", "SeriesInstanceUID is missing, so files cannot be grouped.", _EXPORT),
        ("multiframe_without_geometry", "A multi-frame object whose class carries no frame geometry.", _EXPORT),
        ("changed_since_inventory", "Files changed between inventory and volume.", "Run the case again."),
    ),
)
_KINDS = _table(
    "kind",
    "set_aside",
    (
        ("not_ct", "The object is no CT image.", "None needed if another series of the folder is meant."),
        ("secondary_capture", "A screen capture or scanned picture.", "None needed; choose the original series."),
        ("report_object", "A report or document (dose report, structured report, PDF).", "None needed."),
        ("parametric_map", "A parameter map or other derived object.", "None needed; choose the original series."),
        ("localizer", "A localizer (scout) image.", "None needed; choose the axial series."),
        ("projection_image", "An intensity projection, not a stack of thin slices.", "Choose the original series."),
        ("colour_image", "A colour image; HU need one grey sample a pixel.", "Choose the original series."),
        ("not_hounsfield", "RescaleType says that the values are not HU.", "Choose a series in HU."),
    ),
)
_GEOMETRY = _table(
    "geometry",
    "set_aside",
    (
        ("no_position", "ImagePositionPatient is missing or no three numbers.", _EXPORT),
        ("no_orientation", "ImageOrientationPatient is missing or no six numbers.", _EXPORT),
        ("orientation_invalid", "Row and column directions are not unit vectors at right angles.", _EXPORT),
        ("no_pixel_spacing", "PixelSpacing is missing.", _EXPORT),
        ("bad_pixel_spacing", "PixelSpacing is not two positive, plausible numbers.", _EXPORT),
        ("too_few_slices", "The stack has fewer slices than needed.", _EXPORT),
        ("missing_slices", "Slices are missing: a gap is a multiple of the spacing.", _EXPORT),
        ("variable_spacing", "The gaps between slices differ.", "Reconstruct with one increment."),
        (
            "gantry_tilt",
            "The stack is sheared: slices are not stacked along their normal.",
            "Reconstruct without tilt, or set intake.allow_unshear.",
        ),
        ("inplane_shift", "Slices are shifted against each other within their plane.", "Reconstruct with one centre."),
        (
            "duplicate_positions",
            "Slices with different pixels share a position and no attribute tells them apart.",
            "Export phases and reconstructions as separate series.",
        ),
        ("repeated_in_time", "One position is repeated in time (bolus tracking, perfusion).", "Choose another series."),
        ("no_rescale", "RescaleSlope or RescaleIntercept is missing, so HU are unknown.", _EXPORT),
        ("bad_rescale", "RescaleSlope or RescaleIntercept is not usable.", _EXPORT),
        ("bad_pixel_format", "Bits, sign or photometric interpretation are not those of a CT image.", _EXPORT),
        ("truncated_pixels", "The pixel data are shorter than the matrix needs.", _EXPORT),
        ("undecodable_pixels", "The compressed pixels cannot be decoded.", _EXPORT),
        ("unsupported_syntax", "No decoder for this transfer syntax.", "Export uncompressed or JPEG-LS/JPEG 2000."),
        (
            "not_chosen",
            "Another series of the folder was chosen by the stated rule.",
            "Give the series its own folder, or its phase, in series.csv.",
        ),
        ("several_patients", "The folder holds files of more than one patient.", "Separate the patients."),
        ("not_three_dimensional", "The image file is not one three-dimensional grey volume.", "Export one phase."),
        ("image_unreadable", "The image file cannot be read.", "Export the volume again."),
        ("bad_image_geometry", "Origin, spacing or direction of the image file are not usable.", _EXPORT),
    ),
) + _table(
    "geometry",
    "warning",
    (
        ("no_frame_of_reference", "FrameOfReferenceUID is missing; phases cannot be shown to share a frame.", _EXPORT),
        ("spacing_jitter", "Slice gaps differ slightly from their mean.", "Check the export."),
        (
            "positions_rounded",
            "Slice positions were written with few decimals; the regular grid was restored.",
            _EXPORT,
        ),
        ("unsheared", "A tilted stack was sheared back to a regular grid.", "None needed; recorded."),
        ("inplane_jitter", "Slices are shifted slightly against each other within their plane.", "Check the export."),
        ("duplicate_slices", "Identical copies of slices were dropped.", "None needed; recorded."),
        (
            "several_series",
            "The folder holds more than one series that could be measured; one was chosen.",
            "One folder a phase, or a phase in series.csv.",
        ),
        ("several_studies", "The folder holds more than one study.", "Separate the studies."),
        ("mixed_orientation", "The series mixes orientations; it was split.", "None needed; recorded."),
        ("mixed_matrix", "The series mixes matrix sizes; it was split.", "None needed; recorded."),
        ("mixed_pixel_spacing", "The series mixes pixel spacings; it was split.", "None needed; recorded."),
        ("mixed_kernel", "The series mixes reconstruction kernels; it was split.", "None needed; recorded."),
        (
            "mixed_rescale",
            "Rescale differs from slice to slice; each slice was rescaled by its own.",
            "Check the export.",
        ),
        ("mixed_frame_of_reference", "The series mixes frames of reference; it was split.", "Check the export."),
        ("lossy_compressed", "The pixels were compressed with loss.", "Prefer the original series."),
        ("derived_image", "ImageType says DERIVED (a reformat).", "Prefer the original series."),
        ("rescale_type_unspecified", "RescaleType is US (unspecified); HU are assumed.", "Check air and blood HU."),
        (
            "padding_implausible",
            "PixelPaddingValue lies within the tissue range and was not used.",
            "Check the export.",
        ),
        ("interslice_gap", "Slices are further apart than they are thick.", "Reconstruct with overlap."),
        ("not_supine", "The patient did not lie supine; C-arm angles are not given.", "None needed; recorded."),
        ("patient_position_unknown", "PatientPosition is missing; C-arm angles are not given.", "Export with it."),
        (
            "tilt_tag_contradicts",
            "GantryDetectorTilt and the geometry disagree; the geometry was used.",
            "None needed.",
        ),
        ("no_sop_class", "SOPClassUID is missing; Modality CT was trusted.", _EXPORT),
    ),
)
_PHASE = _table(
    "phase",
    "warning",
    (
        ("phase_from_text", "The phase was read from free text.", "Give phase_pct in series.csv."),
        (
            "heart_rate_varied",
            "R-R intervals varied by more than 30 % or over 10 % of beats were rejected.",
            "Look for steps between slabs.",
        ),
    ),
) + _table(
    "phase",
    "set_aside",
    (
        (
            "phase_contradiction",
            "Statements of the phase differ by more than the tolerance; none is believed.",
            "Correct phase_pct in series.csv, or the export.",
        ),
        ("phase_not_found", "No series of the folder has the phase asked for.", "Correct series.csv."),
        (
            "phase_repeated",
            "Another series of the case already stands for this phase.",
            "Remove one row of series.csv.",
        ),
        (
            "frames_of_reference_differ",
            "The phases of the case do not share a Frame of Reference.",
            "Export phases of one acquisition, with UIDs replaced consistently.",
        ),
    ),
)
_QUALITY = _table(
    "quality",
    "warning",
    (
        ("slice_thickness_warn", "Slices are thicker or further apart than recommended.", "Reconstruct thinner."),
        ("slice_thickness_fail", "Slices are too thick for these measurements.", "Reconstruct thinner."),
        ("in_plane_warn", "Pixels are larger than recommended.", "Reconstruct with a smaller field of view."),
        ("in_plane_fail", "Pixels are too large for these measurements.", "Reconstruct with a smaller field of view."),
        ("lumen_hu_warn", "Blood is less enhanced than recommended.", "Read with care."),
        ("lumen_hu_fail", "Blood is too little enhanced.", "Read with care."),
        ("contrast_to_noise_warn", "Contrast-to-noise is below the recommended value.", "Reconstruct smoother."),
        ("contrast_to_noise_fail", "Contrast-to-noise is too low.", "Reconstruct smoother."),
        ("noise_warn", "Noise in the blood is high.", "Reconstruct smoother."),
        ("noise_fail", "Noise in the blood is too high.", "Reconstruct smoother."),
        ("saturated", "Voxels near the ring sit at the top of the HU scale.", "Use an extended HU scale."),
        ("slab_step", "Neighbouring slices differ in a step, as slabs of different beats do.", "Check for motion."),
        ("margin_small", "Landmarks lie close to the border of the image.", "Reconstruct a larger field of view."),
    ),
) + _table(
    "quality",
    "set_aside",
    (("quality_gate", "A failed quality gate sets the series aside (quality.on_fail).", "See the gate."),),
)
_VOLUME = _table(
    "volume",
    "set_aside",
    (
        (
            "no_landmarks",
            "No reading belongs to this phase, so no region is known.",
            "Add landmarks, or set resample.whole_image.",
        ),
        ("landmarks_outside", "No landmark lies inside the image.", "Check the frame and units of landmarks.csv."),
        ("region_too_large", "The region around the landmarks exceeds the bound.", "Check the units of landmarks.csv."),
    ),
)
_LANDMARKS = _table(
    "landmarks",
    "set_aside",
    (
        ("coordinates_ras", "The coordinates look like RAS; the contract wants LPS.", "Negate x and y."),
        (
            "coordinates_mirrored",
            "Left and right of the coordinates are swapped.",
            "Negate x: x points to patient left.",
        ),
        ("coordinates_units", "The coordinates look like centimetres or metres.", "Give millimetres."),
        ("coordinates_index", "The coordinates look like voxel indices.", "Give patient coordinates (LPS, mm)."),
        ("outside_image", "Landmarks lie outside the image.", "Check the Frame of Reference of the reading."),
        ("apex_near_ring", "The apex lies in or near the ring plane.", "Check lv_apex and the ring."),
        ("ring_size_implausible", "The ring's size is not that of a heart valve.", "Check points and units."),
        ("aortic_size_implausible", "The aortic points' size is not that of a heart valve.", "Check points and units."),
        (
            "ring_aorta_distance",
            "Ring and aortic annulus are implausibly far apart or on one spot.",
            "Check the points.",
        ),
    ),
) + _table(
    "landmarks",
    "warning",
    (
        (
            "partly_outside_image",
            "Some landmarks other than ring, aorta and apex lie outside the image.",
            "Check them.",
        ),
        ("apex_on_atrial_side", "lv_apex seems to lie on the atrial side.", "Check lv_apex and the ring."),
        ("left_right_swapped", "Left and right look swapped.", "Check the sign of x and the names."),
        ("hinges_misnamed", "The aortic hinge points are named the wrong way round.", "Check their names."),
        (
            "orientation_unusual",
            "The anatomy lies the other way along some axes; coordinates may be RAS.",
            "Check the signs of x and y: the contract wants LPS.",
        ),
        ("trigones_swapped", "trigone_left and trigone_right look swapped.", "Check their names."),
        ("near_image_border", "Landmarks lie close to the border of the image.", "Read with care."),
    ),
)
_PRIVACY_ERRORS = _table(
    "privacy",
    "set_aside",
    (
        (
            "not_deidentified",
            "Nothing states that the identity was removed (0012,0062..0064).",
            "De-identify by PS3.15 Annex E and write the flags.",
        ),
        (
            "flags_contradict",
            "The de-identification flags and codes contradict each other.",
            "Repeat the de-identification.",
        ),
        (
            "person_name",
            "A person name does not look like a pseudonym.",
            "Replace it, or set privacy.pseudonym_pattern.",
        ),
        (
            "patient_identifier",
            "A patient identifier does not look like a pseudonym.",
            "Replace it, or set privacy.pseudonym_pattern.",
        ),
        ("birth_date", "A full birth date is present.", "Remove it."),
        ("age_over_limit", "The patient's age exceeds the limit.", "Remove it or write the limit (089Y)."),
        (
            "direct_identifier",
            "An attribute that identifies directly (address, phone, insurance, other IDs) has a value.",
            "Remove it.",
        ),
        (
            "sensitive_characteristic",
            "Ethnic group, religion or the like has a value without option 113108.",
            "Remove it.",
        ),
        (
            "identifying_text",
            "Free text holds what looks like a name, date of birth, number or address.",
            "Clean the text.",
        ),
        ("burned_in", "BurnedInAnnotation is YES.", "Clean the pixels (113101)."),
        ("original_attributes", "Original or encrypted attributes of the patient are kept.", "Remove the sequence."),
        ("preamble_text", "The file preamble holds text.", "Write the preamble as zeros."),
        ("path_identity", "A file or folder name holds what looks like a name or date of birth.", "Rename it."),
        (
            "table_identity",
            "A cell of the study's tables holds what looks like an identity.",
            "Remove the column or cell.",
        ),
        (
            "privacy_strict",
            "A warning of the privacy audit sets aside under the strict policy.",
            "See privacy.parquet.",
        ),
        ("unaudited_header", "A header of the series could not be audited to the end.", "Export it again."),
    ),
)
_PRIVACY_WARNINGS = (
    _table(
        "privacy",
        "warning",
        (
            (
                "method_missing",
                "PatientIdentityRemoved is YES without a method or codes.",
                "Write (0012,0063) or (0012,0064).",
            ),
            ("flag_missing", "A method is given without PatientIdentityRemoved YES.", "Write (0012,0062) YES."),
            ("unknown_method_code", "A de-identification code is none of CID 7050.", "Use CID 7050."),
            (
                "date_present",
                "Dates or times are present without option 113106 or 113107.",
                "Declare the option or remove them.",
            ),
            ("birth_year", "A birth date reduced to the year is present.", "Remove it."),
            (
                "patient_characteristics",
                "Sex, age, size or weight are present without option 113108.",
                "Declare the option.",
            ),
            (
                "private_group",
                "Private attributes are present without option 113111.",
                "Remove them or declare them safe.",
            ),
            (
                "descriptor_present",
                "Descriptive text is present without option 113105.",
                "Declare the option or remove it.",
            ),
            (
                "institution_present",
                "Institution or personnel attributes are present without option 113112.",
                "Remove them.",
            ),
            ("device_identity", "Station or device identity is present without option 113109.", "Remove it."),
            ("uid_original_root", "UIDs carry a scanner maker's root without option 113110.", "Replace the UIDs."),
            ("profile_attribute", "An attribute the basic profile removes has a value.", "Remove it."),
            ("overlay_present", "Overlay or curve data are present without option 113103.", "Remove them."),
            ("icon_present", "An icon image is present.", "Remove it."),
            ("preamble_not_empty", "The file preamble is not zero.", "Write zeros."),
            ("meta_identity", "File meta information names application entities or holds private data.", "Remove it."),
            ("visual_features", "RecognizableVisualFeatures is YES.", "Clean the pixels (113102)."),
            ("trailing_bytes", "Data follow the pixels.", "Export again."),
            ("table_date", "A column of the study's tables holds full dates.", "Use days since a reference."),
        ),
    )
    + _table(
        "phase",
        "info",
        (
            ("phase_unknown", "No source states the cardiac phase.", "Give phase_pct in series.csv."),
            (
                "several_phases",
                "The series holds several images at each position; it was split.",
                "None needed; recorded.",
            ),
        ),
    )
    + _table(
        "privacy",
        "info",
        (("no_header_evidence", "The format carries no evidence of de-identification.", "None needed."),),
    )
)

REASONS: dict[str, Reason] = {
    reason.code: reason
    for reason in (
        *_FILES,
        *_KINDS,
        *_GEOMETRY,
        *_PHASE,
        *_QUALITY,
        *_VOLUME,
        *_LANDMARKS,
        *_PRIVACY_ERRORS,
        *_PRIVACY_WARNINGS,
    )
}


def verdict(codes: list[str] | tuple[str, ...]) -> str:
    """`set_aside`, `warned` or `accepted`: the gravest of `codes`."""
    severities = {REASONS[code].severity for code in codes}
    if "set_aside" in severities:
        return "set_aside"
    return "warned" if "warning" in severities else "accepted"


def documentation() -> str:
    """All codes as one Markdown table, for the handbook."""
    lines = ["| stage | code | severity | meaning | remedy |", "| --- | --- | --- | --- | --- |"]
    lines += [f"| {r.stage} | `{r.code}` | {r.severity} | {r.meaning} | {r.remedy} |" for r in REASONS.values()]
    return "\n".join(lines) + "\n"
