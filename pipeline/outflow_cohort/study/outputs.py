"""The tables that come out: columns, types and meanings (contract). Lengths mm, areas mm2, angles deg."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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
    OutputColumn("reader_id", "str", "reader; empty = not of one reader"),
    OutputColumn("read_no", "Int64", "which read of this reader"),
)
_PLAN = (OutputColumn("plan_id", "str", "plan; empty where the measure needs none"),)

MEASUREMENTS = (
    *_READING,
    *_PLAN,
    OutputColumn("measure", "str", "what was measured (list below)"),
    OutputColumn("variant", "str", "which definition of it"),
    OutputColumn("method", "str", "what it was measured from"),
    OutputColumn("value", "float64", "the value; null where it cannot be had"),
    OutputColumn("unit", "str", "unit of value, std_error, ci_low, ci_high"),
    OutputColumn("std_error", "float64", "standard error from the scatter of landmarks"),
    OutputColumn("ci_low", "float64", "lower end of the 95 % interval"),
    OutputColumn("ci_high", "float64", "upper end of the 95 % interval"),
    OutputColumn("status", "str", "`ok`, or why the value is missing or needs care"),
)
CURVES = (
    *_READING,
    *_PLAN,
    OutputColumn("variant", "str", "which part of the device counts as solid"),
    OutputColumn("method", "str", "reader_path or automatic_path"),
    OutputColumn("station_mm", "float64", "place along the outflow path; 0 = aortic annulus, negative = upstream"),
    OutputColumn("area_mm2", "float64", "section left free by the device"),
    OutputColumn("native_area_mm2", "float64", "the same section without a device"),
)
VIEWS = (
    *_READING,
    OutputColumn("view", "str", "which view"),
    OutputColumn("lao_rao_deg", "float64", "LAO (+) / RAO (-)"),
    OutputColumn("cra_cau_deg", "float64", "CRA (+) / CAU (-)"),
    OutputColumn("residual_tilt_deg", "float64", "how far the plane is from edge-on (en face) in this view"),
    OutputColumn("reachable", "boolean", "inside the configured gantry box"),
)
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
    OutputColumn("severity", "str", "severity"),
)


def typed_frame(rows: Sequence[Mapping[str, Any]], columns: Sequence[OutputColumn]) -> pd.DataFrame:
    """A frame of `rows` with exactly `columns`, in their types and order."""
    import pandas as pd

    frame = pd.DataFrame(list(rows), columns=[c.name for c in columns])
    for column in columns:
        if column.dtype == "str":
            frame[column.name] = frame[column.name].fillna("").astype("str")
        else:
            frame[column.name] = frame[column.name].astype(column.dtype)
    return frame
