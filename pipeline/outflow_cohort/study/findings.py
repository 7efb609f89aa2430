"""The table of landmark findings: what each case's judge step found, and what only the whole study shows."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.handover.judged import FindingRow, Habit, Judged, PixelHash, read_judged
from outflow_cohort.handover.request import read_request
from outflow_cohort.study.outputs import LANDMARK_FINDINGS, typed_frame

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from outflow_geometry.landmarks.findings import LandmarkFinding

READING = ("case_id", "phase_pct", "reader_id", "read_no")
FEWEST_POINTS = 3
"""Points that two readings must share to be the same: one point at the same place may be chance."""


HELD = ("landmarks_of_another_case", "same_pixels_twice")
"""Findings of the whole study that are also the status of values, the second of two before the first."""
OF_THE_STUDY = (*HELD, "same_landmarks_twice", "same_pixels_in_phases", "reader_drifts")
"""Findings that only the whole study shows; the report says of each that it must be acted on."""
ALL_CASES = "all"
"""case_id of a finding on a reader over all cases."""
FEWEST_SLICES, SAME_SLICES = 5, 0.8
"""Slices that the smaller of two series must have, and the share of them that must be in the other for one scan."""
FEWEST_CASES = 6
"""Cases in each half of a reader's work from which a drift is looked for."""
DRIFT_SCATTER, DRIFT_BIAS, DRIFT_CHANCE = 0.3, 0.4, 0.001
"""mm by which the median scatter, and the median distance outward of the ring, must change; and the largest p-value."""


def landmark_findings(work: Path, keys: list[str]) -> pd.DataFrame:
    """All findings of the study, in the order of the table.

    work : RESULTS/work with judged/KEY.json, inventory/KEY.json and readings.parquet.
    """
    import pandas as pd

    judged = [read_judged(work / "judged" / f"{key}.json") for key in keys]
    rows = [row for case in judged for row in case.findings]
    return finding_table([*rows, *_of_the_study(judged, pd.read_parquet(work / "readings.parquet"))])


def finding_table(rows: Sequence[FindingRow]) -> pd.DataFrame:
    """Findings in the order of the table."""
    frame = typed_frame([row.model_dump() for row in rows], LANDMARK_FINDINGS)
    order = [*READING, "structure", "point_no", "code"]
    return frame.sort_values(order, kind="stable", na_position="first").reset_index(drop=True)


def _of_the_study(judged: Sequence[Judged], readings: pd.DataFrame) -> list[FindingRow]:
    """What only the whole study shows."""
    rows = same_pixels([row for case in judged for row in case.pixels]) + same_landmarks(readings)
    return rows + reader_drifts([row for case in judged for row in case.habits], reading_places(readings))


def findings_by_case(work: Path, keys: list[str]) -> dict[str, list[FindingRow]]:
    """By key, what only the whole study shows of a case, and of the readers who read it.

    work : see `landmark_findings`.
    """
    import pandas as pd

    readings = pd.read_parquet(work / "readings.parquet")
    found = _of_the_study([read_judged(work / "judged" / f"{key}.json") for key in keys], readings)
    readers = {str(case): set(rows["reader_id"]) for case, rows in readings.groupby("case_id")}
    by_case: dict[str, list[FindingRow]] = {}
    for key in keys:
        case = read_request(work / "requests" / f"{key}.json").case.case_id
        by_case[key] = [
            row
            for row in found
            if row.case_id == case or (row.case_id == ALL_CASES and row.reader_id in readers.get(case, set()))
        ]
    return by_case


def _row(who: tuple[Any, ...], found: LandmarkFinding) -> FindingRow:
    return FindingRow(**dict(zip(READING, who, strict=True)), **vars(found))


def same_pixels(pixels: Sequence[PixelHash]) -> list[FindingRow]:
    """Series of which another case, or another phase of the case, has the very same middle slice, or nearly all slices
    of the one that has fewer (a copy that was cropped).

    pixels : of all cases.
    """
    from outflow_geometry.landmarks.findings import finding

    together: dict[str, set[int]] = {}
    for number, row in enumerate(pixels):
        together.setdefault(row.hash, set()).add(number)
    groups = [rows for rows in together.values() if len(rows) > 1] + _cropped_copies(pixels)
    most: dict[tuple[tuple[str, float | None], str], int] = {}
    for group in groups:
        places = [(pixels[i].case_id, pixels[i].phase_pct) for i in group]
        code = "same_pixels_twice" if len({case for case, _ in places}) > 1 else "same_pixels_in_phases"
        for place in places:
            most[place, code] = max(most.get((place, code), 0), len(places))
    doubled = sorted(((place, count, code) for (place, code), count in most.items()), key=str)
    return [_row((*place, "", None), finding(code, "", None, count, 1)) for place, count, code in doubled]


def _cropped_copies(pixels: Sequence[PixelHash]) -> list[set[int]]:
    """Pairs of series that share nearly all slices of the smaller one. A few alike may be empty surroundings."""
    holders: dict[str, list[int]] = {}
    for number, row in enumerate(pixels):
        for one in set(row.slices):
            holders.setdefault(one, []).append(number)
    shared = Counter(pair for several in holders.values() if len(several) > 1 for pair in combinations(several, 2))
    found = []
    for (i, j), count in sorted(shared.items()):
        fewer = min(len(set(pixels[i].slices)), len(set(pixels[j].slices)))
        if fewer >= FEWEST_SLICES and count >= SAME_SLICES * fewer:
            found.append({i, j})
    return found


def same_landmarks(readings: pd.DataFrame) -> list[FindingRow]:
    """Readings whose points are all those of another reading, or of which a whole structure is.

    readings : one row per point (work/readings.parquet).
    """
    from outflow_geometry.landmarks.findings import finding

    digests: dict[str, list[tuple[Any, ...]]] = {}
    columns = [*READING, "x_mm", "y_mm", "z_mm"]
    if readings.empty:
        return []
    for who, rows in readings[columns].groupby(list(READING), dropna=False, sort=True):
        points = rows[["x_mm", "y_mm", "z_mm"]].to_numpy(dtype=float)
        if len(points) < FEWEST_POINTS:
            continue
        points = points[sorted(range(len(points)), key=lambda i: tuple(points[i]))].round(2) + 0.0
        digests.setdefault(hashlib.sha256(points.tobytes()).hexdigest(), []).append(who)
    found = []
    for several in digests.values():
        if len(several) > 1:
            code = "landmarks_of_another_case" if len({who[0] for who in several}) > 1 else "same_landmarks_twice"
            found += [_row(_plain(who), finding(code, "", None, len(several), 1)) for who in several]
    return found


def reading_places(readings: pd.DataFrame) -> dict[tuple[str, str], float]:
    """Place of each (case, reader) in the reader's own sequence, where reading_order is given."""
    if "reading_order" not in readings or readings.empty:
        return {}
    known = readings[readings["reading_order"].notna()]
    first = known.groupby(["case_id", "reader_id"])["reading_order"].min()
    return {(str(case), str(reader)): float(place) for (case, reader), place in first.items()}


def reader_drifts(habits: Sequence[Habit], places: Mapping[tuple[str, str], float]) -> list[FindingRow]:
    """Notes on readers whose scatter or bias in the second half of their cases is not that of the first.

    habits : one per reading. places : see `reading_places`; without any, cases
    are taken in the order of their names. One value per case; Mann-Whitney test of the halves.
    """
    import numpy as np
    from scipy.stats import mannwhitneyu

    from outflow_geometry.landmarks.findings import finding

    found = []
    for reader in sorted({row.reader_id for row in habits}):
        own = [row for row in habits if row.reader_id == reader]
        cases = sorted({r.case_id for r in own}, key=lambda c: (places.get((c, reader), np.inf), c))
        for name, least in (("scatter", DRIFT_SCATTER), ("outward", DRIFT_BIAS)):
            values = []
            for case in cases:
                seen = [v for r in own if r.case_id == case and (v := getattr(r, name)) is not None]
                values += [float(np.median(seen))] if seen else []
            half = len(values) // 2
            if half < FEWEST_CASES:
                continue
            change = float(np.median(values[half:]) - np.median(values[:half]))
            chance = float(mannwhitneyu(values[:half], values[half:]).pvalue)
            if abs(change) > least and chance < DRIFT_CHANCE:
                found.append(_row((ALL_CASES, None, reader, None), finding("reader_drifts", "", None, change, least)))
    return found


def held_values(table: pa.Table, findings: pd.DataFrame) -> pa.Table:
    """Rows of measurements or implants with the status of what the whole study shows of their reading.

    A value of a case of which another case has the same images, or of a reading whose points are those of another case,
    keeps its number and says so: it may be another patient's. A status that asks for more stays.

    table : columns case_id, phase_pct, reader_id, read_no, status, and value or area_mm2.
    """
    import numpy as np
    import pyarrow as pa

    from outflow_cohort.study.status_codes import status_code

    found = findings[findings["code"].isin(HELD)]
    if found.empty:
        return table
    names = ["case_id", "phase_pct", "reader_id", "read_no", "status"]
    rows = table.select(names).to_pandas()
    number = table["value" if "value" in table.column_names else "area_mm2"].to_pandas()
    status = rows["status"].astype(object).to_numpy()
    milder = rows["status"].map({s: s == "ok" or status_code(s).level != "act" for s in rows["status"].unique()})
    free = number.notna().to_numpy() & milder.to_numpy(dtype=bool)
    for one in found.to_dict("records"):
        here = free & (rows["case_id"] == one["case_id"]).to_numpy()
        phase = one["phase_pct"]
        if phase is not None and phase == phase:
            # values over the phases rest on each of them
            here &= rows["phase_pct"].isna().to_numpy() | np.isclose(rows["phase_pct"].astype(float), phase)
        if one["reader_id"]:
            here &= (rows["reader_id"] == one["reader_id"]).to_numpy() & (rows["read_no"] == one["read_no"]).to_numpy()
        status = np.where(here, one["code"], status)
    place, field = table.column_names.index("status"), table.schema.field("status")
    return table.set_column(place, field, pa.array(status, type=field.type))


def _plain(who: tuple[Any, ...]) -> tuple[Any, ...]:
    case, phase, reader, read_no = who
    return case, None if phase is None or phase != phase else float(phase), reader, int(read_no)
