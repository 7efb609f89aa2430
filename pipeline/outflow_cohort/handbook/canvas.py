"""A map from millimetres on a plane to a drawing, for the handbook's figures. v runs down the page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike

from outflow_cohort.report import palette
from outflow_cohort.report.svg import Drawing

WIDTH, HEIGHT = 560.0, 380.0
SIMPLIFY_MM = 0.15
"""Outlines keep to their course within this; a tenth of it would not be seen."""
BLOOD, MUSCLE, DEVICE, LEFT = "#F6DCD5", "#E7E2DC", "#B9D7EA", "#8FD0B8"
"""Light fills: blood, muscle, device, blood that the device leaves free. Each is named beside it too."""
ARROW = 7.0
"""Length of an arrow's head, px, where there is room for it."""


@dataclass
class Projection:
    """`scale` px a mm about `centre` (u, v), drawn around (x, y) of the drawing."""

    drawing: Drawing
    centre: tuple[float, float]
    scale: float
    x: float = WIDTH / 2
    y: float = HEIGHT / 2
    mirror: float = field(default=1.0)
    """-1 draws v upwards."""

    def at(self, point: ArrayLike) -> tuple[float, float]:
        """Drawing coordinates of (u, v)."""
        u, v = np.asarray(point, dtype=np.float64)
        return self.x + self.scale * (u - self.centre[0]), self.y + self.mirror * self.scale * (v - self.centre[1])

    def all(self, points: Iterable[ArrayLike]) -> list[tuple[float, float]]:
        """Drawing coordinates of (n, 2) points."""
        return [self.at(point) for point in points]

    def shape(self, geometry: Any, fill: str, stroke: str = palette.FAINT_INK, width: float = 0.8) -> None:
        """A shapely area with its holes."""
        for part in shapely.get_parts(geometry.simplify(SIMPLIFY_MM)):
            if part.geom_type == "Polygon" and not part.is_empty:
                rings = [self.all(ring.coords) for ring in (part.exterior, *part.interiors)]
                self.drawing.polygons(rings, fill=fill, stroke=stroke, stroke_width=width)

    def curve(self, points: Sequence[ArrayLike] | np.ndarray, closed: bool = False, **attributes: object) -> None:
        """A line through (n, 2) points."""
        self.drawing.path(self.all(points), closed, **{"stroke": palette.INK, "stroke_width": 1.6, **attributes})

    def dot(self, point: ArrayLike, colour: str = palette.INK, shape: str = "circle", size: float = 3.0) -> None:
        """A marked point."""
        self.drawing.mark(*self.at(point), shape, colour, size)

    def span(self, first: ArrayLike, second: ArrayLike, colour: str, dash: str = "", both: bool = True) -> None:
        """A distance: a line with an arrow's head at its end, or at both."""
        a, b = np.array(self.at(first)), np.array(self.at(second))
        self.drawing.line(*a, *b, stroke=colour, stroke_width=1.8, stroke_dasharray=dash)
        length = max(float(np.linalg.norm(b - a)), 1e-9)
        along, head = (b - a) / length, min(ARROW, 0.4 * length)
        across = np.array([-along[1], along[0]])
        for tip, way in ((b, -along), (a, along))[: 2 if both else 1]:
            wings = [tip + head * (way + side * 0.38 * across) for side in (1.0, -1.0)]
            self.drawing.polygons([[tuple(tip), *map(tuple, wings)]], fill=colour)

    def note(self, point: ArrayLike, text: str, dx: float = 6.0, dy: float = -6.0, anchor: str = "start",
             colour: str = palette.INK) -> None:  # fmt: skip
        """A label beside (u, v), `dx`, `dy` px away."""
        x, y = self.at(point)
        self.drawing.text(x + dx, y + dy, text, anchor, class_="halo", style=f"fill:{colour}")


def sheet(title: str, description: str, height: float = HEIGHT) -> Drawing:
    """An empty figure on white."""
    drawing = Drawing(WIDTH, height, title, description)
    drawing.rect(0, 0, WIDTH, height, fill=palette.PAPER)
    return drawing
