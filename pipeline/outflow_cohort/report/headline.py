"""What comes first where one plan, solid and path have to: the same rule in the cohort report and on every sheet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from outflow_geometry.base.drawn import DrawnSection

PLAN_RULE = "Where a case has several plans, the alphabetically first one is used, whatever its value"
"""A plan that gave way to the next where its value is in doubt would make a cohort's areas larger than they are."""


def headline_plan(plan_ids: Iterable[str]) -> str:
    """The plan that comes first: the alphabetically first; empty where there is none."""
    return min((str(p) for p in plan_ids), default="")


def first_plans(frame: pd.DataFrame) -> dict[str, str]:
    """The plan that comes first of each case: by case_id, of all rows with a plan, with and without a value."""
    plans = frame[["case_id", "plan_id"]].astype(str)
    plans = plans[plans["plan_id"] != ""]
    return {str(case): str(plan) for case, plan in plans.groupby("case_id")["plan_id"].min().items()}


def headline_method(methods: Iterable[str], preferred: str) -> str:
    """The method that comes first: the preferred one, else the alphabetically first; empty where there is none."""
    return min((str(m) for m in methods), key=lambda m: (m != preferred, m), default="")


def headline_variant(variants: Iterable[str], main_solid: str) -> str:
    """The variant that comes first: the main solid, else the alphabetically first; those over the phases come last."""
    plain = [str(v) for v in variants if "/" not in str(v)]
    return min(plain, key=lambda v: (v != main_solid, v), default="")


def headline_section(sections: Mapping[str, DrawnSection], main_solid: str, main_method: str) -> str | None:
    """Name `SOLID|method` of the section of a plan that comes first; None where none has a place."""
    solid = headline_variant((n.split("|")[0] for n in sections), main_solid)
    method = headline_method((n.split("|")[1] for n in sections if n.split("|")[0] == solid), main_method)
    return f"{solid}|{method}" if solid else None


def of_headline_plan(rows: pd.DataFrame, by: Sequence[str] = ()) -> pd.DataFrame:
    """The rows of the headline plan, chosen anew within each combination of the columns `by`."""
    if not len(rows):
        return rows
    plan = rows["plan_id"].fillna("").astype(str)
    if not by:
        return rows[(plan == headline_plan(plan)).to_numpy()]
    first = plan.groupby([rows[c].astype(str) for c in by]).transform("min")
    return rows[(plan == first).to_numpy()]
