"""Planes of each reading, from its landmarks, and how far readers' planes agree. All points LPS, mm, float64.

The planes are those every measure uses: the mitral ring's (least squares, through the area centroid of its contour,
normal towards the ventricle) and the aortic annulus' (through the hinges or the ring, normal downstream).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.agreement.planes import plane_agreement

if TYPE_CHECKING:
    import pandas as pd

READING = ("case_id", "phase_pct", "reader_id", "read_no")
NO_PHASE = -1.0
"""Stands for an empty phase while grouping; a phase is a percentage, never negative."""
VECTORS = tuple(f"{name}_{axis}" for name in ("normal", "center") for axis in "xyz")


def planes_of_readings(points: pd.DataFrame) -> pd.DataFrame:
    """Mitral ring and aortic annulus plane of every reading of a landmark table.

    points : columns case_id, phase_pct, reader_id, read_no, structure, point_no, x_mm, y_mm, z_mm, one row per point.
    Returns columns plane (mitral_ring, aortic_annulus), case_id, phase_pct, reader_id, read_no, normal_x ... center_z;
    A reading has no row for a plane that its landmarks do not define, or whose side they leave open.

    A level ring with the apex below it:

    >>> import pandas as pd
    >>> ring = [(15, 0, 0), (0, 15, 0), (-15, 0, 0), (0, -15, 0)]
    >>> rows = [("C1", 30.0, "A", 1, "mitral_ring", i + 1, *point) for i, point in enumerate(ring)]
    >>> rows.append(("C1", 30.0, "A", 1, "lv_apex", 1, 0, 0, -80))
    >>> names = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    >>> found = planes_of_readings(pd.DataFrame(rows, columns=names))
    >>> found["plane"].tolist(), round(float(found.loc[0, "normal_z"]), 3)
    (['mitral_ring'], -1.0)
    """
    import pandas as pd

    from outflow_geometry.base.errors import GeometryError
    from outflow_geometry.landmarks.anatomy import build_anatomy

    rows = []
    keyed = points.assign(phase_pct=points["phase_pct"].astype(np.float64).fillna(NO_PHASE))
    ordered = keyed.sort_values([*READING, "structure", "point_no"], kind="stable")
    coordinates = ordered[["x_mm", "y_mm", "z_mm"]].to_numpy(np.float64)
    # Cut where the reading or the structure changes: a group each would cost more than its plane.
    runs = ordered.groupby([*READING, "structure"], sort=False).ngroup().to_numpy()
    starts = np.flatnonzero(np.append(True, runs[1:] != runs[:-1])) if len(ordered) else np.zeros(0, int)
    names = ordered[[*READING, "structure"]].iloc[starts].itertuples(index=False, name=None)
    structures: dict[tuple[Any, ...], dict[str, np.ndarray]] = {}
    for (*reading, structure), points_of in zip(names, np.split(coordinates, starts[1:]), strict=False):
        structures.setdefault(tuple(reading), {})[str(structure)] = np.ascontiguousarray(points_of)
    for key, landmarks in structures.items():
        anatomy = build_anatomy(landmarks)
        for name in ("mitral_ring", "aortic_annulus"):
            try:
                if name == "mitral_ring":
                    anatomy.require_orientation()
                    plane, center = anatomy.ring_plane, anatomy.ring_center
                else:
                    plane, center = anatomy.aortic_plane, anatomy.aortic_center
            except GeometryError:
                continue
            rows.append((name, *key, *plane.normal, *center))
    table = pd.DataFrame(rows, columns=["plane", *READING, *VECTORS])
    return table.assign(phase_pct=table["phase_pct"].astype(np.float64).replace(NO_PHASE, np.nan))


def reading_plane_agreement(
    points: pd.DataFrame, *, confidence: float = 0.95, n_draws: int = 2000, seed: int = 20240229
) -> pd.DataFrame:
    """`plane_agreement` of the mitral ring and of the aortic annulus: its columns after a first one, plane.

    points : the landmark table, as in `planes_of_readings`. Pairs are formed within a phase, a case counts once.

    The second reader's ring is tilted by atan(3 / 4):

    >>> import pandas as pd
    >>> rings = {"A": [(15, 0, 0), (0, 12, 0), (-15, 0, 0), (0, -12, 0)]}
    >>> rings["B"] = [(x, y, 0.75 * y) for x, y, _ in rings["A"]]
    >>> rows = [(c, 30.0, r, 1, "mitral_ring", i + 1, *p) for c in "ab" for r in "AB" for i, p in enumerate(rings[r])]
    >>> rows += [(case, 30.0, reader, 1, "lv_apex", 1, 0, 0, -80) for case in "ab" for reader in "AB"]
    >>> names = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    >>> found = reading_plane_agreement(pd.DataFrame(rows, columns=names), n_draws=200)
    >>> round(float(found.loc[found["statistic"] == "angle_mean", "estimate"].iloc[0]), 2)
    36.87
    """
    return agreement_of_planes(planes_of_readings(points), confidence=confidence, n_draws=n_draws, seed=seed)


def agreement_of_planes(planes: pd.DataFrame, *, confidence: float, n_draws: int, seed: int) -> pd.DataFrame:
    """The rows of `reading_plane_agreement` from all cases' `planes_of_readings`."""
    import pandas as pd

    planes = planes.assign(phase_pct=planes["phase_pct"].fillna(NO_PHASE))
    tables = []
    for name in ("mitral_ring", "aortic_annulus"):
        found = plane_agreement(
            planes[planes["plane"] == name], phase="phase_pct", confidence=confidence, n_draws=n_draws, seed=seed
        )
        tables.append(found.assign(plane=name)[["plane", *found.columns]])
    return pd.concat(tables, ignore_index=True)
