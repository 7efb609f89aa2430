"""Disagreement of landmarks, drawn on the study's mean anatomy.

Each structure is at its mean place in the frame of `mean_anatomy`, with an ellipsoid whose half-axes are the mean
distances of two readings within the plane of its valve and along that plane's normal, as the table of landmark
agreement has them, seen in two directions. User units; mm times `MM`, ellipses times `ENLARGED` too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outflow_cohort.report import palette
from outflow_cohort.report.cohort_data import has
from outflow_cohort.report.frame_tables import frame_table
from outflow_cohort.report.mean_anatomy import MeanAnatomy
from outflow_cohort.report.numbers import count, is_number, number, with_unit
from outflow_cohort.report.page import Figure
from outflow_cohort.report.plates import spread
from outflow_cohort.report.svg import Drawing
from outflow_cohort.report.wording import field_title, words
from outflow_cohort.stats.agreement.landmarks import AORTIC
from outflow_geometry.base.frames import FloatArray

MM = 4.0
"""User units a millimetre of the anatomy."""
ENLARGED = 3.0
"""Ellipses are drawn this many times as large, and said to be: at the anatomy's own scale 1 mm is hardly seen."""
STATISTICS = ("distance_mean", "distance_rms", "in_plane_mean", "normal_mean_absolute")
KINDS = ("between_readers", "within_reader")
NOT_DRAWN = ("blood_sample", "muscle_sample")
"""Samples of tissue are set anywhere in it: their distance is no disagreement on the anatomy."""
MARGIN, LABELS, HEAD, FOOT = 16.0, 176.0, 26.0, 30.0
LINE = "#6F7780"


@dataclass(frozen=True)
class Aspect:
    """A direction to look in: the frame's axes that run to the right and downwards in the drawing."""

    name: str
    title: str
    right: tuple[float, float, float]
    below: tuple[float, float, float]
    left_out: tuple[str, ...]
    chambers: tuple[tuple[str, tuple[float, float, float]], ...]
    """Names and where they are, mm: from the ring centre, that of the aorta from the annulus centre."""
    caption: str


VIEWS = (
    Aspect(
        name="landmarks",
        title="Landmarks on the mean anatomy, long axis",
        right=(1, 0, 0),
        below=(0, 0, 1),
        left_out=(),
        chambers=(
            ("left atrium", (-8.0, 0.0, -7.0)),
            ("left ventricle", (-4.0, 0.0, 42.0)),
            ("aorta", (5.0, 0.0, -10.0)),
        ),
        caption="Seen across: atrium up, apex down, aorta to the right.",
    ),
    Aspect(
        name="landmarks-en-face",
        title="Landmarks on the mean anatomy, from the atrium",
        right=(0, 1, 0),
        below=(-1, 0, 0),
        left_out=("lv_apex", "outflow_path", "septum", "outflow_trace"),
        chambers=(("mitral ring", (-9.0, 0.0, 0.0)),),
        caption="Seen from the atrium, aorta up.",
    ),
)


def landmark_table(frame: pd.DataFrame) -> pd.DataFrame:
    """One row per structure and kind (between readers, within a reader): distances in mm, cases and pairs."""
    needed = ["structure", "kind", "comparison", "statistic", "estimate", "ci_low", "ci_high", "n_cases", "n_pairs"]
    if not has(frame, needed):
        return pd.DataFrame()
    mine = frame[(frame["comparison"] == "all") & frame["statistic"].isin(STATISTICS) & frame["kind"].isin(KINDS)]
    keys = ["structure", "kind", "n_cases", "n_pairs"]
    wide = mine.pivot_table(index=keys, columns="statistic", values="estimate", aggfunc="first").reset_index()
    ends = mine[mine["statistic"] == "distance_mean"][["structure", "kind", "ci_low", "ci_high"]]
    wide = wide.merge(ends, on=["structure", "kind"], how="left")
    for column in STATISTICS:
        if column not in wide:
            wide[column] = np.nan
    wide.columns.name = None
    return wide[["structure", "kind", "distance_mean", "ci_low", "ci_high", *STATISTICS[1:], "n_cases", "n_pairs"]]


def landmark_figures(frame: pd.DataFrame, anatomy: MeanAnatomy | None) -> list[Figure]:
    """The two views; none without landmarks of two readings, or without a mean anatomy to draw them on."""
    rows = landmark_table(frame)
    if not len(rows) or anatomy is None:
        return []
    places = pd.DataFrame(
        [(name, *place) for name, place in anatomy.places.items()],
        columns=["structure", "toward_mm", "across_mm", "down_mm"],
    )
    data = rows.merge(places, on="structure", how="left").reset_index(drop=True)
    return [_figure(view, data, anatomy) for view in VIEWS]


def ellipse(axes: FloatArray, normal: FloatArray, in_plane: float, along: float) -> tuple[float, float, float]:
    """Half-axes and angle (degrees) of an ellipsoid of revolution about `normal` (3,) seen along axes[0] x axes[1].

    axes : (2, 3) unit directions right and below. The shadow of the ellipsoid with matrix M has the matrix A M A^T.
    """
    n = np.asarray(normal, dtype=float)[:, None]
    shape = in_plane**2 * (np.eye(3) - n @ n.T) + along**2 * (n @ n.T)
    values, vectors = np.linalg.eigh(axes @ shape @ axes.T)
    angle = float(np.rad2deg(np.arctan2(vectors[1, 1], vectors[0, 1])))
    return float(np.sqrt(max(values[1], 0.0))), float(np.sqrt(max(values[0], 0.0))), angle


def _figure(view: Aspect, data: pd.DataFrame, anatomy: MeanAnatomy) -> Figure:
    axes = np.array([view.right, view.below], dtype=float)
    drawn = data[~data["structure"].isin([*NOT_DRAWN, *view.left_out]) & data["toward_mm"].notna()]
    # A structure that one reader alone marked is named by his own repeats.
    shown = drawn.sort_values("kind", kind="stable").drop_duplicates("structure")
    lines = {n: p for n, p in anatomy.lines.items() if n not in view.left_out}
    middles = shown[["toward_mm", "across_mm", "down_mm"]].to_numpy()
    shapes = [anatomy.ring, anatomy.annulus(), *lines.values(), middles]
    flat = np.concatenate(shapes) @ axes.T * MM
    room = (
        ENLARGED * MM * float(np.nanmax(shown[["in_plane_mean", "normal_mean_absolute", "distance_mean"]].to_numpy()))
    )
    low, high = flat.min(axis=0) - room, flat.max(axis=0) + room
    origin = np.array([MARGIN, HEAD]) - low
    width, height = high - low
    below = HEAD + height + FOOT
    d = Drawing(MARGIN * 2 + width + LABELS, below + 22, view.title, "Ellipses: mean distance between two readings.")

    def place(points: FloatArray) -> FloatArray:
        result: FloatArray = np.asarray(points) @ axes.T * MM + origin
        return result

    d.path(place(anatomy.ring), True, stroke=palette.INK, stroke_width=1.8)
    d.path(place(anatomy.annulus()), True, stroke=palette.INK, stroke_width=1.8, stroke_dasharray="7 3")
    for name, line in lines.items():
        d.path(place(line), stroke=LINE, stroke_width=1.2, stroke_dasharray="2 3" if name == "outflow_path" else "")
    for text, at in view.chambers:
        x, y = place(np.asarray(at) + (anatomy.aortic_center if text == "aorta" else 0.0))
        d.text(x, y, text, "middle", class_="q s")
    labels = []
    for row in drawn.to_dict("records"):
        _draw_ellipse(d, row, place(_place_of(row, anatomy, view)), axes, anatomy)
    for row in shown.to_dict("records"):
        spot = place(_place_of(row, anatomy, view))
        alone = "" if row["kind"] == KINDS[0] else " (one reader)"
        text = f"{structure_text(row['structure'])}{alone}  {with_unit(row['distance_mean'], 'mm', 1)}"
        labels.append((float(spot[0]), float(spot[1]), text))
    labels.sort(key=lambda item: (item[1], item[0]))
    x = MARGIN * 2 + width
    ys = spread([item[1] for item in labels], 16, 14, below - 6)
    for (cx, cy, text), y in zip(labels, ys, strict=True):
        d.path([(cx, cy), (x, y), (x + 12, y)], stroke=palette.INK, stroke_width=0.5)
        d.text(x + 16, y + 3.5, text, class_="s")
    _scale(d, MARGIN, below + 2, 10, MM, "10 mm of the anatomy")
    _scale(d, MARGIN, below + 16, 2, MM * ENLARGED, f"2 mm of an ellipse (× {ENLARGED:g})")
    largest = shown.loc[shown["distance_mean"].idxmax()]
    caption = (
        f"{view.caption} Mean of {count(anatomy.n_cases, 'case')} on the ring plane; ring drawn through, annulus "
        f"dashed. Half-axes, enlarged {ENLARGED:g} times: mean distance within the plane of the valve and along its "
        "normal; filled: two readers, dashed: two reads of one. "
        f"Largest: {structure_text(str(largest['structure']))}, {number(largest['distance_mean'], 'mm', 2)} mm."
    )
    table = data.assign(kind=data["kind"].map(words))
    heads = {c: (field_title(c), "mm") for c in [*STATISTICS, "ci_low", "ci_high"]}
    return Figure(drawing=d, caption=caption, table=frame_table(table, heads), name=view.name, files=True, data=data)


def _place_of(row: Mapping[str, object], anatomy: MeanAnatomy, view: Aspect) -> FloatArray:
    """Where a structure is drawn: closed outlines on their outline, others at their mean place."""
    axes = np.array([view.right, view.below], dtype=float)
    outline = {"mitral_ring": anatomy.ring, "aortic_contour": anatomy.annulus(), "aortic_ring": anatomy.annulus()}
    found = outline.get(str(row["structure"]))
    if found is not None:
        # An outline has no place of its own; its leftmost point keeps clear of hinges and trigones.
        result: FloatArray = found[int(np.argmin(found @ axes[0]))]
        return result
    return np.array([row["toward_mm"], row["across_mm"], row["down_mm"]], dtype=float)


def _draw_ellipse(
    d: Drawing, row: Mapping[str, object], at: FloatArray, axes: FloatArray, anatomy: MeanAnatomy
) -> None:
    normal = anatomy.aortic_normal if row["structure"] in AORTIC else np.array([0.0, 0.0, 1.0])
    parts = (row["in_plane_mean"], row["normal_mean_absolute"])
    if not all(is_number(v) for v in parts):
        parts = (row["distance_mean"], row["distance_mean"])
    major, minor, angle = ellipse(axes, normal, float(parts[0]), float(parts[1]))  # type: ignore[arg-type]
    scale = MM * ENLARGED
    between = row["kind"] == KINDS[0]
    look = (
        f'fill="{palette.VERMILION}" fill-opacity=".3" stroke="{palette.VERMILION}" stroke-width="1.2"'
        if between
        else f'fill="none" stroke="{palette.BLUE}" stroke-width="1.1" stroke-dasharray="3 2"'
    )
    rx, ry = (max(half * scale, 1.0) for half in (major, minor))
    d.add(
        f'<ellipse cx="{at[0]:.1f}" cy="{at[1]:.1f}" rx="{rx:.1f}" ry="{ry:.1f}" '
        f'transform="rotate({angle:.1f} {at[0]:.1f} {at[1]:.1f})" {look}/>'
    )


def _scale(d: Drawing, x: float, y: float, length_mm: float, scale: float, text: str) -> None:
    end = x + length_mm * scale
    d.path([(x, y - 3), (x, y + 3), (x, y), (end, y), (end, y - 3), (end, y + 3)], class_="axis")
    d.text(end + 6, y + 3.5, text, class_="s")


def structure_text(structure: str) -> str:
    """A structure in words: `lv_apex` as `LV apex`."""
    return words(structure).replace("lv ", "LV ")
