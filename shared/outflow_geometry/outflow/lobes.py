"""Where the channel beside the device splits in two lobes: the smaller section is reported, and says so.

All points LPS, mm, float64; areas mm2.

Where device and septum all but touch, the flow may take one lobe beside the device, and the path's planes lean that
way. The section has two parts then, or a turn of its plane makes it clearly smaller (`two_lobes`); or it depends on
how the planes lie (`plane_doubt`, status `path_unsure`).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import shapely

from outflow_geometry.base.findings import UNTROUBLED
from outflow_geometry.base.inputs import CONTRACT, Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.bottleneck import FINE, WINDOW, tilted_normals
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.residual import SmallestSection, described, last_meeting_station
from outflow_geometry.outflow.section_scan import Cuttings, quick_areas
from outflow_geometry.outflow.sections import LEAST_PART, counted_areas, cut_by, edge_field, planes_stack
from outflow_geometry.outflow.solids import Solid

LOBE_TILTS, LOBE_DIRECTIONS = (2.5, 5.0), 12
"""degrees by which the smallest section is turned in the search for two lobes, and directions of turn. The study
contract begins with up to 15: of sections 22 mm deep 71 % were then within 8 % of those along the true centreline, with
5 degrees 90 % (42 asymmetric invented hearts)."""

LOBE_SHARE = 0.9
"""Share of the smallest section that a turn must fall below to be reported (study contract)."""

NEARLY = 1.05
"""A turn is cut exactly where the quick scan, right to a percent, puts it that near to LOBE_SHARE or below."""


def turned_section(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    solid: Solid,
    smallest: SmallestSection,
    definitions: Definitions = CONTRACT,
    *,
    unsure: bool = False,
) -> SmallestSection:
    """The smallest section of the automatic path, or with status `two_lobes` the smaller that a turn finds.

    The smallest section is turned about the path's point by up to 5 degrees; one more than 10 % smaller, or any
    smaller one where the section is split in two, is reported instead (study contract).
    unsure : whether the section depends on how the planes lie (`plane_doubt`): status `path_unsure`.
    """
    turn = 2.0 * math.pi * np.arange(LOBE_DIRECTIONS) / LOBE_DIRECTIONS
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    tilts = np.vstack([[[0.0, 0.0]], *[t * circle for t in LOBE_TILTS]])
    point, tangent = path.at(np.full(len(tilts), smallest.station))
    normals = tilted_normals(tangent, tilts, anatomy)
    field = edge_field(lumen)
    cutting = Cuttings.of([anatomy], [solid], definitions)
    which = np.zeros(len(tilts), dtype=np.int64)
    windows = np.broadcast_to(WINDOW, (len(tilts), 4))
    quick = quick_areas(field, point, normals, cutting, which, windows, FINE)
    quick = np.where(quick > 0.0, quick, np.inf)
    split = int((shapely.area(shapely.get_parts(smallest.residual)) >= LEAST_PART).sum()) > 1
    best = int(np.argmin(quick))
    found = smallest
    if quick[best] < quick[0] and (split or quick[best] < NEARLY * LOBE_SHARE * smallest.area + LEAST_PART):
        stations = np.array([smallest.station])
        stack = planes_stack(lumen, stations, point[:1], normals[best : best + 1], anatomy, solid, definitions)
        area = float(counted_areas(stack, cut_by(stack, solid)[0])[0])
        if area < (1.0 if split else LOBE_SHARE) * smallest.area:
            end, cut_short = last_meeting_station(path, solid, anatomy, definitions)
            found = described(stack, 0, solid, anatomy, end, cut_short, area)
    if split or found is not smallest:
        return replace(found, status="two_lobes")
    return replace(found, status="path_unsure") if unsure and found.status in UNTROUBLED else found
