"""Hand-written SVG: a drawing, and axes in it. Coordinates are user units, y downwards, about 1 CSS px.

Why not a plotting library: importing one costs more time than a whole case sheet, its SVG is ten times
as long, and its text can neither follow the page's style sheet nor be read out.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from markupsafe import Markup, escape

from outflow_cohort.report import palette
from outflow_cohort.report.numbers import number

CHARACTER_WIDTH = 0.56
"""Mean width of a character over the font size, of the sans-serif faces in the style sheet."""

LABEL_HEIGHT = 13.0
"""User units between labels of 10 px that keep clear of each other."""
MOST_DOTS = 2000
GRID_UNITS = 2.5
"""Grid on which more than MOST_DOTS points are counted: a page of 1,000 cases stays below 2 MB."""

STYLE = """
svg.fig text{font-family:"Helvetica Neue",Arial,"Liberation Sans","DejaVu Sans",sans-serif;font-size:11px;
fill:#1B2026;font-variant-numeric:tabular-nums}
svg.fig .q{fill:#56606B}svg.fig .s{font-size:10px}svg.fig .b{font-weight:600}
svg.fig .axis{stroke:#1B2026;stroke-width:.8;fill:none}svg.fig .grid{stroke:#DDE1E5;stroke-width:.7}
svg.fig .halo{paint-order:stroke;stroke:#fff;stroke-width:3px;stroke-linejoin:round}
""".strip()


def coordinate(value: float) -> str:
    """A coordinate with at most one decimal."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def text_width(text: str, size: float = 11.0) -> float:
    """Width `text` takes up, about, in user units."""
    return len(text) * size * CHARACTER_WIDTH


def shorten(text: str, width: float, size: float = 11.0) -> str:
    """`text`, cut with an ellipsis where it is wider than `width`."""
    room = max(int(width / (size * CHARACTER_WIDTH)), 2)
    return text if len(text) <= room else text[: room - 1] + "…"


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values between `low` and `high`: steps of 1, 2 or 5 times a power of ten."""
    if not high > low:
        return [low]
    raw = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(i * step, 10) for i in range(first, last + 1)]


def padded(values: Iterable[float], share: float = 0.06, include: Sequence[float] = ()) -> tuple[float, float]:
    """Lowest and highest of `values` and `include`, widened by `share` of the range on both sides."""
    finite = [v for v in (*values, *include) if math.isfinite(v)]
    if not finite:
        return 0.0, 1.0
    low, high = min(finite), max(finite)
    room = (high - low) * share or max(abs(high), 1.0) * 0.1
    return low - room, high + room


@dataclass
class Drawing:
    """An SVG in the making. `title` names it, `description` says in words what it shows."""

    width: float
    height: float
    title: str
    description: str
    parts: list[str] = field(default_factory=list)

    def add(self, element: str) -> None:
        """Append an element that is already safe markup."""
        self.parts.append(element)

    def line(self, x1: float, y1: float, x2: float, y2: float, **attributes: object) -> None:
        """A straight line."""
        c = coordinate
        self.add(f'<path d="M{c(x1)} {c(y1)}L{c(x2)} {c(y2)}"{attribute_text(attributes)}/>')

    def path(self, points: Iterable[Sequence[float]], closed: bool = False, **attributes: object) -> None:
        """A polyline through `points`; a point that is not finite breaks it."""
        self.add(f'<path d="{path_data(points, closed)}"{attribute_text({"fill": "none", **attributes})}/>')

    def polygons(self, rings: Iterable[Iterable[Sequence[float]]], **attributes: object) -> None:
        """Rings as one shape; a ring inside another is a hole."""
        data = "".join(path_data(ring, True) for ring in rings)
        self.add(f'<path d="{data}" fill-rule="evenodd"{attribute_text(attributes)}/>')

    def rect(self, x: float, y: float, width: float, height: float, **attributes: object) -> None:
        """A rectangle."""
        c = coordinate
        self.add(f'<rect x="{c(x)}" y="{c(y)}" width="{c(width)}" height="{c(height)}"{attribute_text(attributes)}/>')

    def clip(self, x: float, y: float, width: float, height: float) -> None:
        """From here to `end_clip` only what is in this rectangle is seen."""
        # A name of its own: a page holds many drawings, and SVG names are shared by the page.
        place = (self.title, self.description, len(self.parts), "".join(self.parts[-4:]), x, y, width, height)
        name = "k" + hashlib.sha256(repr(place).encode()).hexdigest()[:10]
        c = coordinate
        self.add(
            f'<clipPath id="{name}"><rect x="{c(x)}" y="{c(y)}" width="{c(width)}" height="{c(height)}"/></clipPath>'
            f'<g clip-path="url(#{name})">'
        )

    def end_clip(self) -> None:
        """End of `clip`."""
        self.add("</g>")

    def key(self, colour: str) -> None:
        """From here to `end_key` an entry of a legend: the page's script shows and hides what has its colour."""
        self.add(f'<g class="key" data-colour="{escape(colour)}">')

    def end_key(self) -> None:
        """End of `key`."""
        self.add("</g>")

    def text(self, x: float, y: float, content: str, anchor: str = "start", **attributes: object) -> None:
        """Text whose base line starts (or ends, or has its middle) at x, y."""
        extra = {} if anchor == "start" else {"text-anchor": anchor}
        self.add(
            f'<text x="{coordinate(x)}" y="{coordinate(y)}"{attribute_text({**extra, **attributes})}>'
            f"{escape(content)}</text>"
        )

    def mark(
        self,
        x: float,
        y: float,
        shape: str,
        colour: str,
        size: float = 3.2,
        label: str = "",
        opacity: float = 1,
    ) -> None:
        """A data point; `label` is shown on hovering and read out."""
        c = coordinate
        s = size
        fill = attribute_text({"fill": colour, **({"opacity": opacity} if opacity < 1 else {})})
        stroke = attribute_text({"stroke": colour, "stroke_width": 1.4, "fill": "none"})
        body = {
            "circle": f'<circle cx="{c(x)}" cy="{c(y)}" r="{c(s)}"{fill}',
            "ring": f'<circle cx="{c(x)}" cy="{c(y)}" r="{c(s)}"{stroke}',
            "square": f'<rect x="{c(x - s * 0.9)}" y="{c(y - s * 0.9)}" width="{c(s * 1.8)}" '
            f'height="{c(s * 1.8)}"{fill}',
            "triangle": f'<path d="M{c(x)} {c(y - s * 1.2)}l{c(s * 1.1)} {c(s * 2)}h{c(-s * 2.2)}z"{fill}',
            "diamond": f'<path d="M{c(x)} {c(y - s * 1.3)}l{c(s * 1.2)} {c(s * 1.3)}l{c(-s * 1.2)} {c(s * 1.3)}'
            f'l{c(-s * 1.2)} {c(-s * 1.3)}z"{fill}',
            "cross": f'<path d="M{c(x - s)} {c(y - s)}l{c(2 * s)} {c(2 * s)}m0 {c(-2 * s)}l{c(-2 * s)} {c(2 * s)}"'
            f"{stroke}",
            "bar": f'<path d="M{c(x - s)} {c(y)}h{c(2 * s)}"{stroke}',
        }[shape]
        self.add(f"{body}><title>{escape(label)}</title></{body[1:].split(' ', 1)[0]}>" if label else f"{body}/>")

    def dots(self, points: Sequence[Sequence[float]], colour: str, size: float = 2.4, opacity: float = 0.6) -> None:
        """Many round points as one short path (a dot is a line of no length with round ends).

        Above MOST_DOTS they are counted on a fine grid and drawn darker where there are more.
        """
        if len(points) <= MOST_DOTS:
            layers = {opacity: [f"M{coordinate(x)} {coordinate(y)}h0" for x, y in points]}
        else:
            counted = Counter((round(x / GRID_UNITS), round(y / GRID_UNITS)) for x, y in points)
            layers = {}
            for (i, j), n in sorted(counted.items()):
                shade = min(0.25 * n.bit_length(), 1.0)
                layers.setdefault(shade, []).append(f"M{coordinate(i * GRID_UNITS)} {coordinate(j * GRID_UNITS)}h0")
        for shade, data in sorted(layers.items()):
            self.add(
                f'<path d="{"".join(data)}" stroke="{colour}" stroke-width="{coordinate(2 * size)}" '
                f'stroke-linecap="round" opacity="{shade:g}" fill="none"/>'
            )

    def inline(self) -> Markup:
        """The drawing for a page that carries STYLE already."""
        return self._markup("")

    def standalone(self) -> str:
        """The drawing as a file of its own."""
        markup = str(self._markup(f"<style>{STYLE}</style>"))  # added to Markup, plain text would be escaped
        return f'<?xml version="1.0" encoding="UTF-8"?>\n{markup}\n'

    def _markup(self, style: str) -> Markup:
        w, h = coordinate(self.width), coordinate(self.height)
        return Markup(
            f'<svg class="fig" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}" '
            f'role="img" aria-label="{escape(self.title)}. {escape(self.description)}">{style}'
            f"<title>{escape(self.title)}</title>{''.join(self.parts)}</svg>"
        )


def attribute_text(attributes: dict[str, object]) -> str:
    """` name="value"` pairs; an underscore in a name becomes a hyphen, `class_` becomes class."""
    out = []
    for name, value in attributes.items():
        if value is None or value == "":
            continue
        shown = f"{value:g}" if isinstance(value, float) else str(value)
        out.append(f' {name.rstrip("_").replace("_", "-")}="{escape(shown)}"')
    return "".join(out)


def path_data(points: Iterable[Sequence[float]], closed: bool = False) -> str:
    """The `d` of a polyline."""
    data, pen_up = [], True
    for x, y in points:
        if not (math.isfinite(x) and math.isfinite(y)):
            pen_up = True
            continue
        data.append(f"{'M' if pen_up else 'L'}{coordinate(x)} {coordinate(y)}")
        pen_up = False
    if closed and data:
        data.append("Z")
    return "".join(data)


@dataclass(frozen=True)
class Axes:
    """A frame with linear scales inside a drawing: left, top, right, bottom in user units."""

    drawing: Drawing
    left: float
    top: float
    right: float
    bottom: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]

    def x(self, value: float) -> float:
        """Drawing x of a data value."""
        low, high = self.x_range
        return self.left + (value - low) / (high - low) * (self.right - self.left)

    def y(self, value: float) -> float:
        """Drawing y of a data value."""
        low, high = self.y_range
        return self.bottom - (value - low) / (high - low) * (self.bottom - self.top)

    def inside_y(self, value: float) -> bool:
        """Whether a data value falls in the frame."""
        return self.y_range[0] <= value <= self.y_range[1]

    def points(self, xs: Iterable[float], ys: Iterable[float]) -> list[tuple[float, float]]:
        """Drawing coordinates of data points."""
        return [(self.x(float(a)), self.y(float(b))) for a, b in zip(xs, ys, strict=True)]

    def bottom_axis(self, label: str, values: Sequence[float] | None = None, suffix: str = "") -> None:
        """Ticks and label under the frame."""
        d = self.drawing
        d.add(f"<g{self._scale('x', label, (self.left, self.right, *self.x_range))}>")
        d.line(self.left, self.bottom, self.right, self.bottom, class_="axis")
        for v in ticks(*self.x_range) if values is None else values:
            x = self.x(v)
            d.line(x, self.bottom, x, self.bottom + 4, class_="axis")
            d.text(x, self.bottom + 16, tick_text(v) + suffix, "middle", class_="s")
        d.text((self.left + self.right) / 2, self.bottom + 32, label, "middle", class_="q")
        d.add("</g>")

    def left_axis(self, label: str, values: Sequence[float] | None = None, grid: bool = True) -> None:
        """Ticks left of the frame; the label stands upright above it, so that nobody has to tilt their head."""
        d = self.drawing
        d.add(f"<g{self._scale('y', label, (self.bottom, self.top, *self.y_range))}>")
        for v in ticks(*self.y_range) if values is None else values:
            y = self.y(v)
            if grid:
                d.line(self.left, y, self.right, y, class_="grid")
            d.text(self.left - 6, y + 3.5, tick_text(v), "end", class_="s")
        if label:
            d.text(max(self.left - 34, 2), self.top - 10, label, class_="q")
        d.add("</g>")

    @staticmethod
    def _scale(axis: str, label: str, ends: Sequence[float]) -> str:
        """What the page's script needs to turn a place into values: both ends in user units, the values there."""
        return f' data-{axis}="{" ".join(f"{v:.6g}" for v in ends)}" data-name="{escape(label)}"'

    def references(self, lines: Sequence[tuple[float, str]], colour: str = palette.FAINT_INK) -> None:
        """Labelled horizontal lines; one outside the frame is left out, close ones share a label."""
        inside = sorted((line for line in lines if self.inside_y(line[0])), key=lambda line: line[0])
        clusters: list[list[tuple[float, str]]] = []
        for value, label in inside:
            y = self.y(value)
            self.drawing.line(self.left, y, self.right, y, stroke=colour, stroke_width=1.0, stroke_dasharray="4 3")
            if clusters and self.y(clusters[-1][-1][0]) - y < LABEL_HEIGHT:
                clusters[-1].append((value, label))
            else:
                clusters.append([(value, label)])
        for cluster in clusters:
            text = ", ".join(label for _, label in cluster)
            self.drawing.text(self.right, self.y(cluster[-1][0]) - 3, text, "end", class_="s q halo")


def legend(d: Drawing, x: float, y: float, entries: Sequence[tuple[str, str, str]], width: float) -> float:
    """A row (or rows) of line samples with names (text, colour, dash); returns the y below the last row."""
    cursor = x
    for text, colour, dash in entries:
        needed = 30 + len(text) * 6.2
        if cursor > x and cursor + needed > x + width:
            cursor, y = x, y + 16
        d.key(colour)
        d.line(cursor, y - 3.5, cursor + 18, y - 3.5, stroke=colour, stroke_width=2, stroke_dasharray=dash)
        d.text(cursor + 23, y, text, class_="s")
        d.end_key()
        cursor += needed
    return y + 16


def tick_text(value: float) -> str:
    """A tick's number, without needless zeros."""
    return number(value, digits=max(0, min(4, decimals(value))))


def decimals(value: float) -> int:
    """Decimals needed to write `value`, up to four."""
    text = f"{value:.4f}".rstrip("0")
    return len(text) - text.index(".") - 1
