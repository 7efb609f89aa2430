"""Disagreement of landmarks, drawn to scale on a sketch of the anatomy. Sketch coordinates mm, y downwards."""

from __future__ import annotations

import pandas as pd

from outflow_cohort.report import palette
from outflow_cohort.report.charts_cohort import frame_table
from outflow_cohort.report.cohort_data import has
from outflow_cohort.report.numbers import number, with_unit
from outflow_cohort.report.page import Figure
from outflow_cohort.report.plates import spread
from outflow_cohort.report.svg import Drawing
from outflow_cohort.report.wording import words

MM = 4.6
"""User units a millimetre: a disagreement of 1 mm is a disc one can see."""

PLACES = {
    "mitral_ring": (-19.0, 0.0), "trigone_left": (13.0, -3.0), "trigone_right": (16.0, 3.0),
    "aortic_hinge_left": (21.0, -4.0), "aortic_hinge_right": (37.0, 14.0), "aortic_hinge_non": (27.0, 5.0),
    "aortic_ring": (29.0, 1.0), "aortic_contour": (32.0, 9.0), "lv_apex": (6.0, 62.0), "septum": (30.0, 27.0),
    "anterior_leaflet": (11.0, 13.0), "outflow_path": (21.0, 16.0), "outflow_trace": (18.0, 23.0),
    "post_tip": (-8.0, 14.0), "blood_sample": (2.0, 36.0), "muscle_sample": (-29.0, 34.0),
}  # fmt: skip
"""Where a structure stands on the sketch: ring plane level, atrium above, apex below, aorta at the right."""

OUTLINES = (
    [(-19, 0), (-24, 12), (-25, 28), (-18, 46), (-4, 59), (6, 62), (16, 56), (26, 42), (30, 27), (33, 18), (37, 14)],
    [(-19, 0), (-27, -12), (-22, -28), (-4, -34), (12, -26), (17, -12), (17, 0)],
    [(17, 0), (20, -6), (26, -20), (34, -30)],
    [(37, 14), (44, 2), (49, -12), (52, -22)],
)  # fmt: skip
SHOWN = {"kind": "between_readers", "comparison": "all", "statistic": "distance_rms"}
"""Rows of the landmark table that are drawn: root mean square distance between two readers."""


def landmark_figure(frame: pd.DataFrame) -> Figure | None:
    """Discs whose radius is the distance between two readers' landmarks, to the scale of the sketch."""
    if not has(frame, ["structure", "estimate", *SHOWN]):
        return None
    mine = frame[frame["estimate"].notna() & frame["structure"].isin(PLACES)]
    for column, wanted in SHOWN.items():
        mine = mine[mine[column] == wanted]
    if not len(mine):
        return None
    column = "estimate"
    keep = [c for c in ("structure", "estimate", "ci_low", "ci_high", "n_cases", "n_pairs", "unit") if c in mine]
    mine = mine[keep].reset_index(drop=True)
    ox, oy, width = 150.0, 178.0, 640.0
    d = Drawing(width, 500, "Disagreement of landmarks", "Discs to scale: radius is the distance between two readers.")
    for outline in OUTLINES:
        d.add(
            f'<path d="{_smooth([(ox + x * MM, oy + y * MM) for x, y in outline])}" fill="none" stroke="#8A939C" '
            'stroke-width="1.6"/>'
        )
    d.line(ox - 19 * MM, oy, ox + 17 * MM, oy, stroke="#8A939C", stroke_dasharray="3 3")
    d.line(ox + 20 * MM, oy - 6 * MM, ox + 37 * MM, oy + 14 * MM, stroke="#8A939C", stroke_dasharray="3 3")
    for text, x, y in (("left atrium", -8, -18), ("aorta", 36, -16), ("left ventricle", -13, 30)):
        d.text(ox + x * MM, oy + y * MM, text, class_="q s")
    labels = []
    for structure, sd in mine[["structure", column]].itertuples(index=False):
        x, y = PLACES[structure]
        cx, cy, radius = ox + x * MM, oy + y * MM, max(float(sd) * MM, 1.2)
        d.add(
            f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{radius:.1f}" fill="{palette.VERMILION}" fill-opacity=".3" '
            f'stroke="{palette.VERMILION}" stroke-width="1.2"/>'
        )
        labels.append((cx, cy, f"{structure_text(structure)}  {with_unit(sd, 'mm', 2)}"))
    labels.sort(key=lambda item: (item[1], item[0]))
    for (cx, cy, text), y in zip(labels, spread([item[1] for item in labels], 17, 20, 470), strict=True):
        d.path([(cx, cy), (430, y), (444, y)], stroke=palette.INK, stroke_width=0.6)
        d.text(448, y + 3.5, text)
    d.path([(8, 480), (8, 486), (8, 483), (8 + 10 * MM, 483), (8 + 10 * MM, 480), (8 + 10 * MM, 486)], class_="axis")
    d.text(14 + 10 * MM, 486.5, "10 mm", class_="s")
    largest = mine.loc[mine[column].idxmax()]
    caption = (
        "Radius of a disc: root mean square distance between two readers' landmarks, to the scale of the sketch. "
        f"Largest: {structure_text(str(largest['structure']))}, {number(largest[column], 'mm', 2)} mm."
    )
    labels = {c: (words(c).capitalize(), "mm") for c in ("estimate", "ci_low", "ci_high")}
    return Figure(d, caption, frame_table(mine, labels), "landmarks", True, mine)


def structure_text(structure: str) -> str:
    """A structure in words: `lv_apex` as `LV apex`."""
    return words(structure).replace("lv ", "LV ")


def _smooth(points: list[tuple[float, float]]) -> str:
    """A Catmull-Rom curve through `points` as cubic Bezier pieces."""
    data = f"M{points[0][0]:.1f} {points[0][1]:.1f}"
    padded = [points[0], *points, points[-1]]
    for p0, p1, p2, p3 in zip(padded, padded[1:], padded[2:], padded[3:], strict=False):
        a = (p1[0] + (p2[0] - p0[0]) / 6, p1[1] + (p2[1] - p0[1]) / 6)
        b = (p2[0] - (p3[0] - p1[0]) / 6, p2[1] - (p3[1] - p1[1]) / 6)
        data += f"C{a[0]:.1f} {a[1]:.1f} {b[0]:.1f} {b[1]:.1f} {p2[0]:.1f} {p2[1]:.1f}"
    return data
