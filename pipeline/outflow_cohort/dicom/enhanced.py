"""Frames of Enhanced CT objects from their functional groups (PS3.3 C.7.6.16).

The order of frames means nothing; each frame's plane comes from its own groups, the shared ones filling in.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from outflow_cohort.dicom.elements import Elements, elements_of, nested, number, numbers, text, texts
from outflow_cohort.dicom.frames import Frame, PhaseTags

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

SHARED_GROUPS = 0x52009229
PER_FRAME_GROUPS = 0x52009230


def _group(frame_groups: Dataset | None, shared: Dataset | None, tag: int) -> Elements | None:
    for source in (frame_groups, shared):
        if source is not None:
            items = nested(source, tag, 1)
            if items:
                return elements_of(items[0])
    return None


def enhanced_frames(dataset: Dataset, common: Frame, n_frames: int) -> list[Frame]:
    """One Frame per frame of a multi-frame CT; what no group states falls back to None, never to a guess."""
    shared_items = nested(dataset, SHARED_GROUPS, 1)
    shared = shared_items[0] if shared_items else None
    per_frame = nested(dataset, PER_FRAME_GROUPS, n_frames)
    frames = []
    for index in range(n_frames):
        own = per_frame[index] if index < len(per_frame) else None
        frames.append(_enhanced_frame(own, shared, common, index))
    return frames


def _enhanced_frame(own: Dataset | None, shared: Dataset | None, common: Frame, index: int) -> Frame:
    plane = _group(own, shared, 0x00209113)
    orientation_group = _group(own, shared, 0x00209116)
    measures = _group(own, shared, 0x00289110)
    rescale = _group(own, shared, 0x00289145)
    content = _group(own, shared, 0x00209111)
    cardiac = _group(own, shared, 0x00189118)
    frame_type = _group(own, shared, 0x00189329)
    reconstruction = _group(own, shared, 0x00189314)
    position = numbers(plane, 0x00200032) if plane is not None else None
    orientation = numbers(orientation_group, 0x00200037) if orientation_group is not None else None
    spacing = numbers(measures, 0x00280030) if measures is not None else None
    phase = PhaseTags(text=common.phase.text)
    if cardiac is not None:
        phase = PhaseTags(
            nominal_percentage=number(cardiac, 0x00209241),
            functional_delay=number(cardiac, 0x00209153),
            functional_interval=number(cardiac, 0x00209251),
            text=common.phase.text,
        )
    stack = text(content, 0x00209056) if content is not None else ""
    return dataclasses.replace(
        common,
        frame_index=index,
        position=(position[0], position[1], position[2]) if position and len(position) == 3 else None,
        orientation=orientation if orientation and len(orientation) == 6 else None,
        pixel_spacing=(spacing[0], spacing[1]) if spacing and len(spacing) == 2 else None,
        thickness=number(measures, 0x00180050) if measures is not None else None,
        slope=number(rescale, 0x00281053) if rescale is not None else common.slope,
        intercept=number(rescale, 0x00281052) if rescale is not None else common.intercept,
        rescale_type=text(rescale, 0x00281054).upper() if rescale is not None else common.rescale_type,
        image_type=tuple(part.upper() for part in texts(frame_type, 0x00089007))
        if frame_type is not None
        else common.image_type,
        kernel=text(reconstruction, 0x00181210) if reconstruction is not None else common.kernel,
        temporal_position="" if content is None else str(number(content, 0x00209128) or ""),
        acquisition=f"{common.acquisition if content is None else number(content, 0x00209156)}/{stack}",
        phase=phase,
        low_rr=number(cardiac, 0x00181081) if cardiac is not None else common.low_rr,
        high_rr=number(cardiac, 0x00181082) if cardiac is not None else common.high_rr,
    )
