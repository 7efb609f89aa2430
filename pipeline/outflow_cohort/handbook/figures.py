"""Which figure belongs to which measure."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from outflow_cohort.report.svg import Drawing


@cache
def figure(measure_id: str) -> Drawing | None:
    """The figure of a measure, the function of its name in one of the modules of figures; None where there is none."""
    from outflow_cohort.handbook import outflow_figures, ring_figures, ventricle_figures

    for module in (ring_figures, outflow_figures, ventricle_figures):
        function = vars(module).get(measure_id)
        if function is not None and function.__module__ == module.__name__:
            drawing: Drawing = function()
            return drawing
    return None
