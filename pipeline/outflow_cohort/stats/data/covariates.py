"""Columns of the case table as columns of a model: numbers as they are, texts as one column per level but the first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Covariates:
    """names of the columns, values (n, p) with NaN in the rows of cases without the covariate."""

    names: tuple[str, ...]
    values: np.ndarray


def covariates_of(cases: pd.DataFrame, wanted: Sequence[str]) -> Covariates:
    """Model columns of the named columns of `cases`, in its order. Raises KeyError for a column that is not there."""
    import pandas as pd

    names: list[str] = []
    values: list[np.ndarray] = []
    for name in wanted:
        text = cases[name].astype("object").where(cases[name].notna(), "").map(lambda v: str(v).strip())
        number = pd.to_numeric(text.where(text != "", None), errors="coerce").to_numpy(np.float64)
        missing = (text == "").to_numpy()
        if np.isfinite(number[~missing]).all() and len(np.unique(number[~missing])) > 1:
            names.append(name)
            values.append(number)
            continue
        for level in sorted(set(text[~missing]))[1:]:
            names.append(f"{name} = {level}")
            values.append(np.where(missing, np.nan, (text == level).to_numpy(np.float64)))
    return Covariates(tuple(names), np.column_stack(values) if values else np.zeros((len(cases), 0)))
