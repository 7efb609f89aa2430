"""What values from carried landmarks may be taken for. Statuses as in the study contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from outflow_geometry.base.inputs import LandmarkOrigin
from outflow_geometry.measures.evaluation import MeasuredValue

NO_CHANGE = "carried_not_evidence_of_change"

RING_SIZES = (
    "mitral_area",
    "mitral_perimeter",
    "mitral_diameter",
    "mitral_eccentricity",
    "mitral_nonplanarity",
    "oversizing",
)
"""Sizes of the ring: the ventricle drags a native ring in the registration, so that its area seemed to change by 17 %
where 9 % were true. An implanted ring does not change."""

COPIED_SIZES = (
    ("aortic_area", "reader_points"),
    ("aortic_perimeter", "reader_points"),
    ("aortic_diameter", "reader_points"),
    ("aortic_eccentricity", "reader_points"),
    ("leaflet_length", "reader_points"),
)
"""Measures and methods whose landmarks are carried as a stiff body: the value is that of the marked phase."""


def with_carried_statuses(
    values: Sequence[MeasuredValue], origin: LandmarkOrigin, *, implanted: bool
) -> list[MeasuredValue]:
    """The values of a reading with the statuses that carried landmarks ask for; those of a marked reading as they are.

    A doubt about the carrying is the status of every value that has no other. Sizes of a native ring, and of what is
    carried as a stiff body, are no evidence of change over the beat.
    """
    if not origin.carried:
        return list(values)
    return [replace(v, status=_status(v, origin, implanted)) for v in values]


def _status(value: MeasuredValue, origin: LandmarkOrigin, implanted: bool) -> str:
    if value.status != "ok" or value.value is None:
        return value.status
    if origin.doubt:
        return origin.doubt
    ring_size = value.measure in RING_SIZES and not implanted
    return NO_CHANGE if ring_size or (value.measure, value.method) in COPIED_SIZES else "ok"
