"""What a case sheet is made from, read once. Lengths mm, angles degrees, areas mm2; missing numbers are None."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.drawing import DrawnReading, read_drawings
from outflow_cohort.handover.inventory import Inventory, read_inventory
from outflow_cohort.handover.judged import FindingRow, read_study_findings
from outflow_cohort.handover.measured import FILE as ASIDE_FILE
from outflow_cohort.handover.measured import MeasuredAside, read_measured_aside
from outflow_cohort.handover.request import CaseFacts, Request, read_request
from outflow_cohort.handover.volumes import SeriesQuality
from outflow_cohort.report.headline import headline_plan, headline_section
from outflow_cohort.report.pictures import PictureFrame, read_pictures, reference_drawings
from outflow_cohort.report.primary import NOTHING_LEADS, Leading, PrimaryValue, leading, primary_values
from outflow_cohort.report.settings import ReportSettings, read_statistics
from outflow_cohort.stats.data.implant_phases import first_reads
from outflow_cohort.stats.data.one_value import SYSTOLE_RULES
from outflow_geometry.base.results import AreaCurve, MeasuredValue, View

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings


@dataclass(frozen=True, kw_only=True)
class Whose:
    """Whose landmarks a row rests on."""

    phase_pct: float | None
    reader_id: str
    read_no: int | None

    @property
    def reader(self) -> str:
        """`R1, read 2`."""
        return f"{self.reader_id}, read {self.read_no}" if self.read_no else self.reader_id


@dataclass(frozen=True, kw_only=True)
class ReadValue(MeasuredValue, Whose):
    """One measured value of one reading.

    carried_from_pct : the marked phase whose landmarks were carried to this one; None where the reader marked it.
    """

    carried_from_pct: float | None = None


@dataclass(frozen=True, kw_only=True)
class ReadCurve(AreaCurve, Whose):
    """Area along the path of one reading."""


@dataclass(frozen=True, kw_only=True)
class ReadView(View, Whose):
    """One recommended view of one reading."""


@dataclass(frozen=True)
class CaseData:
    """All that is known of one case. `key` is its file-safe name."""

    key: str
    request: Request
    inventory: Inventory
    values: tuple[ReadValue, ...]
    curves: tuple[ReadCurve, ...]
    views: tuple[ReadView, ...]
    set_aside: tuple[AsideRow, ...]
    series_quality: tuple[SeriesQuality, ...]
    drawings: tuple[DrawnReading, ...]
    pictures: tuple[tuple[PictureFrame, NDArray[np.uint8]], ...]
    implants: pd.DataFrame
    settings: ReportSettings
    primary: tuple[PrimaryValue, ...] = ()
    leading: Leading = NOTHING_LEADS
    of_study: tuple[FindingRow, ...] = ()

    @property
    def case(self) -> CaseFacts:
        """The case's row of cases.csv."""
        return self.request.case

    @property
    def plan_ids(self) -> list[str]:
        """Plans in order."""
        return sorted({plan.plan_id for plan in self.request.plans})

    @property
    def phases(self) -> list[float | None]:
        """Phases measured, ascending; None for a phase that is not stated."""
        return sorted({d.phase_pct for d in self.drawings}, key=phase_order)

    @property
    def reference(self) -> tuple[str, int] | None:
        """First reader by name and first read: whose pictures are shown."""
        order = reference_drawings(self.drawings)
        return (order[0].reader_id, order[0].read_no) if order else None

    def find(self, measure: str, variant: str | None = None, **wanted: Any) -> list[ReadValue]:
        """Values of a measure whose further columns equal `wanted`."""
        return [
            v
            for v in self.values
            if v.measure == measure
            and (variant is None or v.variant == variant)
            and all(getattr(v, name) == target for name, target in wanted.items())
        ]

    def first(self, measure: str, variant: str | None = None, **wanted: Any) -> ReadValue | None:
        """The first of `find` that has a number, by path preferred in the settings."""
        found = [v for v in self.find(measure, variant, **wanted) if v.value is not None]
        found.sort(key=lambda v: v.method != self.settings.main_method)
        return found[0] if found else None

    def drawing(self, phase: float | None) -> DrawnReading | None:
        """The reference reading's drawing of a phase."""
        return next((d for d in reference_drawings(self.drawings) if d.phase_pct == phase), None)

    def picture(
        self, name: str, phase: float | None, plan_id: str = ""
    ) -> tuple[PictureFrame, NDArray[np.uint8]] | None:
        """A picture by kind, phase and plan."""
        return next(
            (p for p in self.pictures if (p[0].name, p[0].phase_pct, p[0].plan_id) == (name, phase, plan_id)), None
        )

    def shown_phase(self) -> tuple[float | None, str]:
        """The phase of the large plates, and why: smallest ventricle, else smallest neo-LVOT, else the first."""
        reference = self.reference
        if reference is None or not self.phases:
            return None, "nothing was measured"
        who = {"reader_id": reference[0], "read_no": reference[1]}
        if len(self.phases) == 1:
            return self.phases[0], "the only phase"
        used = next((v for v in self.primary if v.phase_pct is not None), None)
        if used is not None and used.found_by in SYSTOLE_RULES:
            near = min((p for p in self.phases if p is not None), key=lambda p: abs(p - (used.phase_pct or 0.0)))
            return near, SYSTOLE_RULES[used.found_by]
        for measure, variant, reason in (
            ("lv_volume", None, "the phase of the smallest LV volume (end-systole)"),
            ("neo_lvot_area", self.settings.main_solid, "the phase of the smallest neo-LVOT"),
        ):
            found = [v for v in self.find(measure, variant, **who) if v.value is not None and v.phase_pct is not None]
            if len({v.phase_pct for v in found}) == len(self.phases):
                return min(found, key=lambda v: (v.value, phase_order(v.phase_pct))).phase_pct, reason
        return self.phases[0], "the first phase measured"

    def main_plan(self, phase: float | None) -> tuple[str, str] | None:
        """Plan and `SOLID|method` shown first: the first plan, by `report.headline`, of which a section is drawn."""
        drawing = self.drawing(phase)
        plans = {} if drawing is None else drawing.drawn.plans
        wanted = self.settings.main_solid, self.settings.main_method
        named = {p: headline_section(plan.sections, *wanted) for p, plan in plans.items()}
        drawn = {p: name for p, name in named.items() if name is not None}
        plan_id = headline_plan(drawn)
        return (plan_id, drawn[plan_id]) if plan_id else None


def phase_order(phase: float | None) -> float:
    """Sorts an unstated phase first."""
    return -1.0 if phase is None else phase


def finite(value: Any) -> float | None:
    """A float, or None for null and NaN."""
    return None if value is None or not math.isfinite(value) else float(value)


def _rows(path: Path, columns: Iterable[str]) -> list[dict[str, Any]]:
    """Rows of a table with these columns; None where an older table has no such column."""
    import pyarrow.parquet as pq

    if not path.exists():
        return []
    here = set(pq.read_schema(path).names)
    rows = pq.read_table(path, columns=[c for c in columns if c in here], partitioning=None).to_pylist()
    absent = {c: None for c in columns if c not in here}
    return [absent | row for row in rows] if absent else rows


def _read_no(value: Any) -> int | None:
    number = finite(value)
    return None if number is None else int(number)


def read_values(path: Path) -> tuple[ReadValue, ...]:
    """The measurements of one case."""
    names = [f.name for f in fields(ReadValue)]
    numbers = ("phase_pct", "value", "std_error", "ci_low", "ci_high", "carried_from_pct")
    out = []
    for row in _rows(path, names):
        out.append(
            ReadValue(
                **{
                    **row,
                    **{n: finite(row[n]) for n in numbers},
                    **{n: row[n] or "" for n in ("reader_id", "plan_id", "variant", "method", "unit", "status")},
                    "read_no": _read_no(row["read_no"]),
                }
            )
        )
    return tuple(out)


def read_curves(path: Path) -> tuple[ReadCurve, ...]:
    """The curves of one case, stations ascending."""
    keys = ("phase_pct", "reader_id", "read_no", "plan_id", "variant", "method")
    groups: dict[tuple[Any, ...], list[tuple[float, float, float]]] = {}
    for row in _rows(path, (*keys, "station_mm", "area_mm2", "native_area_mm2")):
        name = (finite(row["phase_pct"]), row["reader_id"] or "", _read_no(row["read_no"]), row["plan_id"] or "",
                row["variant"] or "", row["method"] or "")  # fmt: skip
        station, area, native = (
            row[n] if row[n] is not None else math.nan for n in ("station_mm", "area_mm2", "native_area_mm2")
        )
        groups.setdefault(name, []).append((station, area, native))
    out = []
    for name, rows in groups.items():
        array = np.array(sorted(rows), dtype=float)
        who: dict[str, Any] = dict(zip(keys, name, strict=True))
        out.append(ReadCurve(**who, stations=array[:, 0], areas=array[:, 1], native_areas=array[:, 2]))
    return tuple(out)


def read_views(path: Path) -> tuple[ReadView, ...]:
    """The views of one case."""
    out = []
    for row in _rows(path, [f.name for f in fields(ReadView) if f.name != "status"]):
        for n in ("phase_pct", "lao_rao_deg", "cra_cau_deg", "residual_tilt_deg"):
            row[n] = finite(row[n])
        out.append(ReadView(**{**row, "reader_id": row["reader_id"] or "", "read_no": _read_no(row["read_no"])}))
    return tuple(out)


def read_implants(path: Path) -> pd.DataFrame:
    """First reads of one case, without areas in doubt and their chances; no rows where no implant was tried."""
    import pandas as pd

    rows = pd.read_parquet(path) if path.exists() else pd.DataFrame()
    return first_reads(rows) if len(rows) else rows


def _primary(path: Path, settings: ReportSettings, statistics: StatisticsSettings) -> tuple[PrimaryValue, ...]:
    """The primary measures of one case, as the cohort's tables have them."""
    if not path.exists():
        return ()
    found = primary_values(path, settings, statistics)
    return tuple(next(iter(found.values()), []))


@contextmanager
def _as_in_tables(path: Path, of_study: tuple[FindingRow, ...]) -> Iterator[Path]:
    """The case's measurements with the statuses that the study's tables give them."""
    from outflow_cohort.study.findings import HELD, finding_table, held_values

    if not path.exists() or not any(row.code in HELD for row in of_study):
        yield path
        return
    import pyarrow.parquet as pq

    with TemporaryDirectory() as folder:
        held = Path(folder) / path.name
        pq.write_table(held_values(pq.read_table(path, partitioning=None), finding_table(of_study)), held)
        yield held


def read_case(results: Path, key: str, settings: ReportSettings) -> CaseData:
    """Read one case from RESULTS/work; what a case set aside early does not have is empty.

    Raises FileNotFoundError where not even the request exists.
    """
    work = results / "work"
    measured = work / "measured" / key
    pictures: tuple[tuple[PictureFrame, NDArray[np.uint8]], ...] = ()
    if (measured / "pictures.npz").exists():
        with np.load(measured / "pictures.npz", allow_pickle=False) as arrays:
            pictures = tuple(read_pictures(arrays))
    statistics = read_statistics(results)
    of_study = read_study_findings(work / "study_findings" / f"{key}.json")
    with _as_in_tables(measured / "measurements.parquet", of_study) as measurements:
        primary, values = _primary(measurements, settings, statistics), read_values(measurements)
    inventory_path = work / "inventory" / f"{key}.json"
    inventory = read_inventory(inventory_path) if inventory_path.exists() else Inventory()
    aside = read_measured_aside(measured) if (measured / ASIDE_FILE).exists() else MeasuredAside()
    return CaseData(
        key=key,
        request=read_request(work / "requests" / f"{key}.json"),
        inventory=inventory,
        values=values,
        curves=read_curves(measured / "curves.parquet"),
        views=read_views(measured / "views.parquet"),
        set_aside=inventory.set_aside + aside.rows,
        series_quality=aside.series_quality,
        drawings=read_drawings(measured),
        pictures=pictures,
        implants=read_implants(measured / "implants.parquet"),
        settings=settings,
        primary=primary,
        leading=leading(primary, statistics.curve_step_pct),
        of_study=of_study,
    )
