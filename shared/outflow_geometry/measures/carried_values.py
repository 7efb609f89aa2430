"""What values from carried landmarks may be taken for. Statuses as in the study contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from outflow_geometry.base.inputs import LandmarkOrigin
from outflow_geometry.base.results import MeasuredValue
from outflow_geometry.measures.implants import Implant

NO_CHANGE = "carried_not_evidence_of_change"
CARRIED_PATH = "carried_path"
"""The reader's path was carried too, since no automatic path could be found."""

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

    A doubt about the carrying is the status of every value. Sizes of a native ring, and of what is
    carried as a stiff body, are no evidence of change over the beat.
    """
    if not origin.carried:
        return list(values)
    return [replace(v, status=_status(v, origin, implanted)) for v in values]


def _status(value: MeasuredValue, origin: LandmarkOrigin, implanted: bool) -> str:
    if value.value is None:
        return value.status
    if origin.doubt:
        return origin.doubt
    if value.status != "ok":
        return value.status
    if value.method == "reader_path":
        return CARRIED_PATH
    ring_size = value.measure in RING_SIZES and not implanted
    return NO_CHANGE if ring_size or (value.measure, value.method) in COPIED_SIZES else "ok"


def with_carried_doubt(implants: Sequence[Implant], origin: LandmarkOrigin) -> list[Implant]:
    """The implants tried in a reading; a doubt about carried landmarks is the status of each that has an area."""
    if not origin.carried or not origin.doubt:
        return list(implants)
    return [replace(i, status=origin.doubt) if i.area is not None else i for i in implants]
