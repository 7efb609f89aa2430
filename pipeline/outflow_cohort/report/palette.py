"""Colours, marks and line patterns of the reports. A colour never carries a meaning alone.

Sources
-------
Categories: Okabe & Ito 2008, Color Universal Design (jfly.uni-koeln.de/color), sRGB values.
Dark accent and order of magnitude: ends and steps of `cividis`, Nunez, Anderton & Renslow 2018,
PLoS ONE 13(7): e0199239, as matplotlib ships it.
"""

from __future__ import annotations

BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"

INK = "#1B2026"
FAINT_INK = "#56606B"
HAIRLINE = "#C7CDD3"
PAPER = "#FFFFFF"
ACCENT = "#00224E"
"""First colour of cividis."""

CATEGORIES = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY, BLACK)
MARKS = ("circle", "square", "triangle", "diamond", "cross", "ring", "bar")
DASHES = ("", "6 3", "2 2.5", "8 3 2 3", "1 3", "10 4", "4 4")

CIVIDIS = (
    (0, 34, 78), (18, 53, 112), (59, 73, 108), (87, 93, 109), (112, 113, 115),
    (138, 134, 120), (165, 156, 116), (195, 179, 105), (225, 204, 85), (254, 232, 56),
)  # fmt: skip
"""Ten even steps of cividis, 0-255 sRGB."""

SOLID_COLOURS = {
    "full_frame": BLUE,
    "skirt": VERMILION,
    "leaflet_limited": GREEN,
    "prosthesis_leaflet": PURPLE,
    "prosthesis_post": ORANGE,
}
SOLID_DASHES = {
    "full_frame": "",
    "skirt": "6 3",
    "leaflet_limited": "2 2.5",
    "prosthesis_leaflet": "8 3 2 3",
    "prosthesis_post": "1 3",
}


def cividis(fraction: float) -> str:
    """Hex colour of cividis at `fraction` of 0 to 1, linear between its ten steps."""
    position = min(max(fraction, 0.0), 1.0) * (len(CIVIDIS) - 1)
    low = min(int(position), len(CIVIDIS) - 2)
    rest = position - low
    rgb = [round(a + rest * (b - a)) for a, b in zip(CIVIDIS[low], CIVIDIS[low + 1], strict=True)]
    return "#{:02X}{:02X}{:02X}".format(*rgb)


def ink_on(colour: str) -> str:
    """Black or white, whichever stands out more on `colour` (WCAG 2.2 relative luminance)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return BLACK if (luminance + 0.05) / 0.05 > 1.05 / (luminance + 0.05) else PAPER
