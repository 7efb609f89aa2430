"""The demonstration's CT series."""

from __future__ import annotations

from outflow_cohort.demo.render import render_volume

__all__ = ["render_volume"]
