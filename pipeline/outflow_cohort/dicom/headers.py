"""From a header to frames: what the geometry, phase and pixel rules need of a file, or what kind of object it is.

Numbers come as the header states them; nothing is judged here beyond the kind of object.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from outflow_cohort.dicom.elements import Elements, elements_of, number, numbers, text, texts, whole_number
from outflow_cohort.dicom.enhanced import enhanced_frames
from outflow_cohort.dicom.frames import (
    CT_CLASSES,
    CT_IMAGE,
    DEFLATED,
    LOSSY_SYNTAXES,
    MULTIFRAME_CT_CLASSES,
    FileRecord,
    Frame,
    OtherObject,
    PhaseTags,
)
from outflow_cohort.dicom.settings import IntakeSettings, PhaseSettings
from outflow_cohort.handover.inventory import PixelFormat

if TYPE_CHECKING:
    from pydicom.dataset import FileDataset


def frames_of(
    dataset: FileDataset, record: FileRecord, intake: IntakeSettings, phase: PhaseSettings
) -> list[Frame] | OtherObject:
    """Frames of a CT object, or what else the file is."""
    elements = elements_of(dataset)
    sop_class = text(elements, 0x00080016)
    modality = text(elements, 0x00080060).upper()
    series = text(elements, 0x0020000E)
    rows, columns = whole_number(elements, 0x00280010), whole_number(elements, 0x00280011)

    def other(code: str) -> OtherObject:
        return OtherObject(code, series, sop_class, modality)

    if sop_class not in CT_CLASSES and (sop_class or modality != "CT"):
        return other(_kind_of_other(sop_class, modality))
    if not series:
        return other("no_series_uid")
    if not rows or not columns or rows < 0 or columns < 0:
        return other("no_pixels")
    n_frames = whole_number(elements, 0x00280008) or 1
    if n_frames < 1 or rows * columns * n_frames > 16 * intake.max_voxels:
        return other("too_many_voxels")
    if not record.encapsulated and record.pixel_offset is None and record.transfer_syntax != DEFLATED:
        return other("no_pixels")
    multiframe = sop_class in MULTIFRAME_CT_CLASSES
    if n_frames > 1 and not multiframe:
        return other("multiframe_without_geometry")
    common = _single_frame(elements, record, rows, columns, sop_class or CT_IMAGE, phase)
    if multiframe:
        return enhanced_frames(dataset, common, n_frames)
    return [common]


def _kind_of_other(sop_class: str, modality: str) -> str:
    if sop_class.startswith("1.2.840.10008.5.1.4.1.1.7"):
        return "secondary_capture"
    if sop_class.startswith(("1.2.840.10008.5.1.4.1.1.88", "1.2.840.10008.5.1.4.1.1.104")):
        return "report_object"
    if sop_class.startswith("1.2.840.10008.5.1.4.1.1.30"):
        return "parametric_map"
    return "not_ct"


_MAKERS = (("siemens", "siemens"), ("ge ", "ge"), ("philips", "philips"), ("toshiba", "canon"), ("canon", "canon"))


def _maker(name: str) -> str:
    """One of a closed list of words, so that nothing else written in Manufacturer gets out."""
    lowered = name.lower()
    for key, word in _MAKERS:
        if lowered.startswith(key):
            return word
    return "other"


def _single_frame(
    elements: Elements, record: FileRecord, rows: int, columns: int, sop_class: str, phase: PhaseSettings
) -> Frame:
    position = numbers(elements, 0x00200032)
    orientation = numbers(elements, 0x00200037)
    spacing = numbers(elements, 0x00280030)
    bits = whole_number(elements, 0x00280100) or 16
    stored = whole_number(elements, 0x00280101) or bits
    high = whole_number(elements, 0x00280102)
    ratio = numbers(elements, 0x00282112)
    flag = text(elements, 0x00282110)
    product = 1.0
    for step in ratio or ():
        product *= max(step, 1.0)  # successive lossy steps multiply
    words = tuple(filter(None, (text(elements, tag) for tag in (0x0008103E, 0x00180022, 0x00204000))))
    padding, limit = whole_number(elements, 0x00280120), whole_number(elements, 0x00280121)
    return Frame(
        file=record,
        frame_index=0,
        study=text(elements, 0x0020000D),
        series=text(elements, 0x0020000E),
        patient=(text(elements, 0x00100020) or text(elements, 0x00100010)).strip(" ^=").casefold(),
        instance=text(elements, 0x00080018),
        sop_class=sop_class,
        modality=text(elements, 0x00080060).upper(),
        image_type=tuple(part.upper() for part in texts(elements, 0x00080008)),
        frame_of_reference=text(elements, 0x00200052),
        position=(position[0], position[1], position[2]) if position and len(position) == 3 else None,
        orientation=orientation if orientation and len(orientation) == 6 else None,
        pixel_spacing=(spacing[0], spacing[1]) if spacing and len(spacing) == 2 else None,
        pixels=PixelFormat(
            rows=rows,
            columns=columns,
            samples=whole_number(elements, 0x00280002) or 1,
            bits_allocated=bits,
            bits_stored=stored,
            high_bit=max(stored - 1, high or 0),  # some writers leave HighBit behind when they change BitsStored
            signed=whole_number(elements, 0x00280103) == 1,
            photometric=text(elements, 0x00280004).upper(),
            padding_value=padding,
            padding_limit=limit,
            big_endian=record.big_endian,
        ),
        slope=number(elements, 0x00281053),
        intercept=number(elements, 0x00281052),
        rescale_type=text(elements, 0x00281054).upper(),
        lossy=flag == "01" or record.transfer_syntax in LOSSY_SYNTAXES,
        lossy_ratio=product if ratio else None,
        phase=PhaseTags(
            nominal_percentage=number(elements, 0x00209241),
            trigger_time=number(elements, 0x00181060),
            nominal_interval=number(elements, 0x00181062),
            text=words,
        ),
        thickness=number(elements, 0x00180050),
        kernel=text(elements, 0x00181210),
        patient_position=text(elements, 0x00185100).upper(),
        acquisition=text(elements, 0x00200012),
        instance_number=whole_number(elements, 0x00200013),
        temporal_position=text(elements, 0x00200100),
        acquisition_time=text(elements, 0x00080032),
        gantry_tilt=number(elements, 0x00181120),
        low_rr=number(elements, 0x00181081),
        high_rr=number(elements, 0x00181082),
        beats_acquired=number(elements, 0x00181083),
        beats_rejected=number(elements, 0x00181084),
        manufacturer=_maker(text(elements, 0x00080070)),
    )
