"""Figures of the implants tried: a map of depth and size on the case sheet, shares of open cases in the cohort report.

Lengths mm, areas mm2. What a figure shows is in tables/implants, implant_choice, implant_shares and implant_sides.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.report import palette
from outflow_cohort.report.numbers import count, estimate, number, phase_text
from outflow_cohort.report.page import EMPTY_TABLE, Figure, Table, table_of
from outflow_cohort.report.svg import Axes, Drawing, legend, padded, shorten
from outflow_cohort.report.wording import SOLIDS, method_text, words
from outflow_cohort.stats.data.implant_phases import means_by_phase, meets_targets, worst_phase
from outflow_cohort.study.outputs import CHANCE_BELOW

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.report.case_data import CaseData
    from outflow_cohort.report.cohort_data import Cohort

MOST_DEPTHS = 24
"""Depths drawn in a map; of more, every second, third, ... one."""
CELL_WIDTH, CELL_HEIGHT, LEFT, TOP = 40.0, 28.0, 110.0, 24.0
MAPS_NOTE = (
    "Each cell is one device at one depth: the smallest neo-LVOT over the phases tried, mean of the readers' first "
    "reads, mm². A thick line parts cells above a cut-off from those at or below it. Devices in grey do not meet the "
    "study's sizing targets. Ring: the least obstructive implant that fits. Diamond: the plan."
)
SHARES_NOTE = (
    "A case counts as open where at least one device that fits its ring leaves more than this area free in its worst "
    "phase. Bands: 95 % intervals (Wilson)."
)


def worst_grid(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per device and depth in its worst phase: area (NaN = unknown), chances, whether it fits."""
    keys = ["device_id", "nominal_diameter_mm", "ventricular_depth_mm"]
    by_phase, fits = means_by_phase(rows, keys)
    result = worst_phase(by_phase, keys).merge(fits.reset_index(), on=keys)
    result["fits"] = meets_targets(result["fits"])
    return result.sort_values(["nominal_diameter_mm", "device_id", "ventricular_depth_mm"], ignore_index=True)


def implant_maps(data: CaseData) -> list[Figure]:
    """Depth by size: the area, and the chance below the first cut-off, for each solid along the main path."""
    rows = data.implants
    if not len(rows):
        return []
    rows = rows[(rows["tilt_ap_deg"] == rows["tilt_ap_deg"].abs().min()) & (rows["tilt_ic_deg"] == 0.0)]
    methods = set(rows["method"])
    method = data.settings.main_method if data.settings.main_method in methods else "automatic_path"
    rows = rows[rows["method"] == method]
    cutoffs = sorted((c.area_mm2, c.cutoff_id) for c in data.request.study.cutoffs)
    plans = [
        (plan.device_id, plan.ventricular_depth_mm)
        for plan in data.request.plans
        if plan.ventricular_depth_mm is not None
    ]
    figures = []
    for solid in [s for s in SOLIDS if s in set(rows["solid"])]:
        grid = worst_grid(rows[rows["solid"] == solid])
        name = f"{SOLIDS[solid].capitalize()}, {method_text(method)}"
        phases = sorted({p for p in rows["phase_pct"].dropna()})
        over = f"{count(len(phases), 'phase')}" if len(phases) != 1 else phase_text(phases[0])
        figures.append(_map(grid, "area_mm2", f"{name}: area left free, mm²", over, cutoffs, plans))
        chance = next((f"{CHANCE_BELOW}{c}" for _, c in cutoffs if f"{CHANCE_BELOW}{c}" in grid), None)
        if chance is not None and grid[chance].notna().any():
            title = f"{name}: chance that it is below {words(chance.removeprefix(CHANCE_BELOW))}"
            figures.append(_map(grid, chance, title, over, [(0.5, "even chance")], plans))
    return figures


def _map(
    grid: pd.DataFrame,
    column: str,
    title: str,
    over: str,
    limits: Sequence[tuple[float, str]],
    plans: Sequence[tuple[str, float]],
) -> Figure:
    """Cells of a column over depth (across) and device (down)."""
    devices = list(dict.fromkeys(grid["device_id"]))
    every = sorted(grid["ventricular_depth_mm"].unique())
    depths = every[:: -(-len(every) // MOST_DEPTHS)]
    wide = grid.pivot_table(index="device_id", columns="ventricular_depth_mm", values=column, dropna=False)
    values = wide.reindex(index=devices, columns=depths).to_numpy(dtype=float)
    fits = grid.drop_duplicates("device_id").set_index("device_id")["fits"]
    is_chance = column.startswith(CHANCE_BELOW)
    low, high = (0.0, 1.0) if is_chance else padded(values[np.isfinite(values)], 0.0)
    d = Drawing(
        LEFT + CELL_WIDTH * len(depths) + 14, TOP + CELL_HEIGHT * len(devices) + 8, title, f"Over {over}. {MAPS_NOTE}"
    )
    for j, depth in enumerate(depths):
        d.text(LEFT + CELL_WIDTH * (j + 0.5), TOP - 8, number(depth, digits=1), "middle", class_="s q")
    d.text(LEFT - 8, TOP - 8, "depth, mm", "end", class_="s q")
    for i, device in enumerate(devices):
        y = TOP + CELL_HEIGHT * i
        shown = shorten(device, LEFT - 12, 10)
        style = {} if fits[device] else {"fill": palette.FAINT_INK, "font_style": "italic"}
        d.text(LEFT - 8, y + CELL_HEIGHT / 2 + 4, shown, "end", class_="s", **style)
        for j in range(len(depths)):
            _cell(d, LEFT + CELL_WIDTH * j, y, values[i, j], (low, high), is_chance, bool(fits[device]))
    for limit, _ in limits:
        _boundary(d, values, limit, is_chance)
    for device, depth in plans:
        if device in devices and depths[0] <= depth <= depths[-1]:
            x = LEFT + CELL_WIDTH * (float(np.interp(depth, depths, range(len(depths)))) + 0.5)
            d.mark(x, TOP + CELL_HEIGHT * (devices.index(device) + 0.16), "diamond", palette.VERMILION, 4.2, "plan")
    known = grid[grid["fits"] & grid["area_mm2"].notna() & grid["ventricular_depth_mm"].isin(depths)]
    if len(known):
        best = known.sort_values(["area_mm2", "ventricular_depth_mm"], ascending=[False, True], kind="stable").iloc[0]
        x = LEFT + CELL_WIDTH * (depths.index(best["ventricular_depth_mm"]) + 0.5)
        d.mark(x, TOP + CELL_HEIGHT * (devices.index(best["device_id"]) + 0.5), "ring", palette.VERMILION, 13.0)
    drawn = ", ".join(_limit_text(value, name, is_chance) for value, name in limits)
    caption = f"Over {over}." + (f" Lines: {drawn}." if drawn else "")
    header = ("Device", "Fits", *(f"{number(v, digits=1)} mm" for v in depths))
    digits = 2 if is_chance else 0
    cells = [
        (device, "yes" if fits[device] else "no", *(number(v, digits=digits) for v in values[i]))
        for i, device in enumerate(devices)
    ]
    return Figure(d, caption, table_of(header, cells))


def _limit_text(value: float, name: str, is_chance: bool) -> str:
    return name if is_chance else f"{number(value, 'mm2')} mm² ({words(name)})"


def _cell(d: Drawing, x: float, y: float, value: float, span: tuple[float, float], is_chance: bool, fits: bool) -> None:
    if not np.isfinite(value):
        d.rect(x, y, CELL_WIDTH, CELL_HEIGHT, fill="none", stroke=palette.HAIRLINE, stroke_width=0.6)
        d.text(x + CELL_WIDTH / 2, y + CELL_HEIGHT / 2 + 4, "–", "middle", class_="s q")
        return
    share = (value - span[0]) / max(span[1] - span[0], 1e-9)
    colour = palette.cividis(1.0 - share if is_chance else share)
    d.rect(x, y, CELL_WIDTH, CELL_HEIGHT, fill=colour, opacity=1.0 if fits else 0.35)
    ink = palette.ink_on(colour) if fits else palette.INK
    d.text(
        x + CELL_WIDTH / 2, y + CELL_HEIGHT / 2 + 4, number(value, digits=2 if is_chance else 0), "middle", class_="s",
        style=f"fill:{ink}",
    )  # fmt: skip


def _boundary(d: Drawing, values: np.ndarray, limit: float, is_chance: bool) -> None:
    """Thick lines between neighbouring cells on different sides of `limit`."""
    above = values < limit if is_chance else values > limit
    known = np.isfinite(values)
    stroke = {"stroke": palette.INK, "stroke_width": 2.4, "stroke_linecap": "square"}
    rows, columns = values.shape
    for i in range(rows):
        for j in range(columns):
            x, y = LEFT + CELL_WIDTH * j, TOP + CELL_HEIGHT * i
            if j + 1 < columns and known[i, j] and known[i, j + 1] and above[i, j] != above[i, j + 1]:
                d.line(x + CELL_WIDTH, y, x + CELL_WIDTH, y + CELL_HEIGHT, **stroke)
            if i + 1 < rows and known[i, j] and known[i + 1, j] and above[i, j] != above[i + 1, j]:
                d.line(x, y + CELL_HEIGHT, x + CELL_WIDTH, y + CELL_HEIGHT, **stroke)


def _main(cohort: Cohort, frame: pd.DataFrame) -> pd.DataFrame:
    """Rows of the study's main solid and path, or of the first there are."""
    for column, wanted in (("solid", cohort.settings.main_solid), ("method", cohort.settings.main_method)):
        names = sorted(set(frame[column]))
        frame = frame[frame[column] == (wanted if wanted in names else names[0])]
    return frame


def share_figures(cohort: Cohort) -> list[Figure]:
    """Share of cases with an open fitting implant: against the area asked for, and against depth at the cut-offs."""
    frame = cohort.table("implant_shares")
    if not len(frame) or "share" not in frame:
        return []
    frame = _main(cohort, frame[frame["phase_rule"] == "worst_phase"])
    kind = f"{SOLIDS.get(frame['solid'].iloc[0], frame['solid'].iloc[0])}, {method_text(frame['method'].iloc[0])}"
    groups = ["all", *(g for g in dict.fromkeys(frame["group"]) if g != "all")]
    any_depth = frame[frame["ventricular_depth_mm"].isna()]
    curve = any_depth[any_depth["cutoff_id"] == ""]
    cutoffs = any_depth[any_depth["cutoff_id"] != ""].drop_duplicates("cutoff_id")
    marks = [(float(r["area_mm2"]), str(r["cutoff_id"])) for _, r in cutoffs.iterrows()]
    out = []
    lines = {words(g) if g != "all" else "all cases": curve[curve["group"] == g] for g in groups}
    out.append(_curves(lines, "area_mm2", "area asked for, mm²", f"Cases with an open fitting implant ({kind})",
                       "implant-shares-area", marks))  # fmt: skip
    at_depth = frame[frame["ventricular_depth_mm"].notna() & (frame["group"] == "all")]
    lines = {words(c): at_depth[at_depth["cutoff_id"] == c] for c in dict.fromkeys(at_depth["cutoff_id"])}
    if at_depth["ventricular_depth_mm"].nunique() > 1:
        title = f"Cases with an open fitting implant by depth ({kind})"
        out.append(_curves(lines, "ventricular_depth_mm", "depth, mm", title, "implant-shares-depth", []))
    return out


def _curves(
    lines: Mapping[str, pd.DataFrame], column: str, label: str, title: str, name: str, marks: list[tuple[float, str]]
) -> Figure:
    import pandas as pd

    d = Drawing(470, 320, title, SHARES_NOTE)
    xs = np.concatenate([part[column].to_numpy(dtype=float) for part in lines.values()])
    axes = Axes(
        drawing=d,
        left=46,
        top=44,
        right=456,
        bottom=236,
        x_range=(float(xs.min()), float(xs.max())),
        y_range=(0.0, 1.0),
    )
    axes.left_axis("share of cases")
    for value, _ in marks:
        d.line(axes.x(value), axes.top, axes.x(value), axes.bottom, stroke=palette.FAINT_INK, stroke_dasharray="4 3")
    entries = []
    for n, (text, part) in enumerate(lines.items()):
        colour, dash = palette.CATEGORIES[n % len(palette.CATEGORIES)], palette.DASHES[n % len(palette.DASHES)]
        part = part[part["share"].notna()].sort_values(column, kind="stable")
        if n == 0 and len(part):
            low, high = axes.points(part[column], part["ci_low"]), axes.points(part[column], part["ci_high"])
            d.polygons([[*low, *reversed(high)]], fill=colour, opacity=0.14)
        d.path(axes.points(part[column], part["share"]), stroke=colour, stroke_width=2, stroke_dasharray=dash)
        cases = f" (n = {int(part['n'].max())})" if len(part) else ""
        entries.append((text + cases, colour, dash))
    axes.bottom_axis(label)
    legend(d, 46, 288, entries, 410)
    shown = pd.concat([part.assign(line=text) for text, part in lines.items()], ignore_index=True)
    keep = ["line", column, "n_open", "n", "n_unknown", "share", "ci_low", "ci_high"]
    at = shown[shown[column].isin({v for v, _ in marks})] if marks else shown
    rows = [
        (r["line"], number(r[column], digits=0), f"{r['n_open']} of {r['n']}", str(r["n_unknown"]),
         estimate(r["share"], r["ci_low"], r["ci_high"], digits=2))
        for _, r in at.iterrows()
    ]  # fmt: skip
    table = table_of(("", label, "open", "not known", "share (95 % interval)"), rows)
    named = ", ".join(f"{number(v, 'mm2')} mm² ({words(t)})" for v, t in marks)
    caption = SHARES_NOTE + (f" Dashed lines: {named}." if named else "")
    return Figure(drawing=d, caption=caption, table=table, name=name, files=True, data=shown[keep])


def sides_table(cohort: Cohort) -> Table:
    """Cases that change side between two solids, at each cut-off, all groups together."""
    frame = cohort.table("implant_sides")
    if not len(frame) or "both_open" not in frame:
        return EMPTY_TABLE
    frame = frame[(frame["phase_rule"] == "worst_phase") & (frame["group"] == "all")]
    rows: list[Sequence[Any]] = [
        (
            f"{SOLIDS.get(r['solid_a'], r['solid_a'])} / {SOLIDS.get(r['solid_b'], r['solid_b'])}",
            method_text(r["method"]),
            f"{number(r['area_mm2'], 'mm2')} mm² ({words(r['cutoff_id'])})",
            *(str(r[c]) for c in ("both_open", "only_a_open", "only_b_open", "none_open", "n")),
        )
        for _, r in frame.iterrows()
    ]
    header = ("Solids", "Path", "Cut-off", "both open", "only the first", "only the second", "neither", "cases")
    return table_of(header, rows, "Best fitting implant of each case in its worst phase.")


def choice_table(cohort: Cohort) -> Table:
    """The least obstructive fitting implant of each case in its worst phase."""
    frame = cohort.table("implant_choice")
    if not len(frame) or "n_fitting" not in frame:
        return EMPTY_TABLE
    frame = _main(cohort, frame[frame["phase_rule"] == "worst_phase"])
    rows = [
        (
            r["case_id"], words(r["group"]), r["device_id"] or "–", number(r["ventricular_depth_mm"], "mm"),
            number(r["area_mm2"], "mm2"), f"{r['n_fitting']} of {r['n_tried']}", str(r["n_unknown"]),
        )
        if r["status"] == "ok"
        else (
            r["case_id"], words(r["group"]), words(r["status"]), "–", "–", f"{r['n_fitting']} of {r['n_tried']}",
            str(r["n_unknown"]),
        )
        for _, r in frame.iterrows()
    ]  # fmt: skip
    return table_of(("Case", "Group", "Device", "Depth, mm", "Area, mm²", "fitting", "not known"), rows)
