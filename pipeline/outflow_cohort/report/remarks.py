"""What a status code means and what to do about it, and many rows of one code told in one line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from outflow_cohort.report.case_data import CaseData, Value
from outflow_cohort.report.numbers import count, phase_text
from outflow_cohort.report.wording import measure_title, words
from outflow_cohort.study.status_codes import MISSING, status_code

WANT = MISSING
"""Beginning of the statuses of measures that ask for something the case does not have: no warning, a note."""

IMAGE: Mapping[str, tuple[str, str]] = {
    "lumen_hu": ("Blood holds little contrast.", "Expect blurred blood edges; a later bolus phase may be better."),
    "contrast_to_noise": ("Blood stands out little from muscle.", "Read sections with that in mind."),
    "noise": ("The image is noisy.", "Read sections with that in mind; a smoother reconstruction may be at hand."),
    "saturated": ("Voxels near the ring stand at the top of the HU scale.",
        "The ring's edge is less certain; an extended HU scale tells it better."),
    "slab_step": ("Slices jump between two slabs of the acquisition.", "Look whether ring or outflow tract is cut."),
    "margin_small": ("Landmarks lie close to the border of the image.", "Check that no structure is cut off."),
    "slice_thickness": ("Slices are thick.", "Small structures are blurred along the slices; use a thinner series."),
    "in_plane": ("Pixels are large.", "Use a reconstruction with a smaller field of view."),
}  # fmt: skip
"""By code of the image-quality gates, without its ending _warn, _poor or _fail: what it means, and what to do."""
HARMLESS = "Nothing to do"
"""Beginning of the advice on remarks that come last, for they ask for nothing."""


@dataclass(frozen=True)
class Remark:
    """One line: a code in words, how many rows of what carry it, what it means and what to do."""

    title: str
    rows: int
    what: str
    meaning: str
    advice: str


def value_remarks(values: Iterable[Value]) -> list[Remark]:
    """One remark a status other than ok, those of missing inputs left out; most rows first."""
    out = []
    for code, rows in _by_code(values).items():
        if code.startswith(WANT):
            continue
        none = sum(v.value is None for v in rows)
        kind = (
            "without a value"
            if none == len(rows)
            else "with the remark"
            if not none
            else f"of which {none} without a value"
        )
        known = status_code(code)
        out.append(
            Remark(
                title(code),
                len(rows),
                f"{count(len(rows), 'row')} {kind}: {measures(rows)}",
                known.meaning,
                known.remedy,
            )
        )
    return sorted(out, key=lambda r: (r.advice.startswith(HARMLESS), -r.rows, r.title))


def want_remarks(values: Iterable[Value]) -> list[Remark]:
    """One remark a missing input: what was not measured for want of it; most rows first."""
    out = []
    for code, rows in _by_code(values).items():
        if code.startswith(WANT):
            what = code.removeprefix(WANT)
            advice = status_code(code).remedy
            text = f"{count(len(rows), 'row')} not measured: {measures(rows)}"
            out.append(Remark(f"No {structure_words(what)}", len(rows), text, "", advice))
    return sorted(out, key=lambda r: (-r.rows, r.title))


def series_remarks(data: CaseData) -> list[Remark]:
    """One remark a reason code of the intake and of the image quality, with the phases it holds for."""
    phases: dict[tuple[str, str], list[str]] = {}
    rows = list(data.inventory.get("series") or [])
    by_series = {(r.get("row"), r.get("series")): r.get("phase_pct") for r in rows}
    advice: dict[tuple[str, str], str] = {}
    for row in rows:
        for code in codes_of(row.get("reason_codes") or row.get("reasons")) or (
            [""] if row.get("verdict") in ("warned", "set_aside") else []
        ):
            key = (f"Series {words(row.get('verdict') or 'noted')}", code)
            phases.setdefault(key, []).append(phase_text(row.get("phase_pct")))
            advice.setdefault(key, str(row.get("remedy") or ""))
    for row in data.series_quality:
        for code in codes_of(row.get("quality_codes")):
            phase = by_series.get((row.get("row"), row.get("series")))
            phases.setdefault(("Image", code), []).append(phase_text(phase))
    out = []
    for (kind, code), of in phases.items():
        meaning, remedy = IMAGE.get(code.removesuffix("_warn").removesuffix("_poor").removesuffix("_fail"), ("", ""))
        known = advice.get((kind, code), "") or remedy
        text = ", ".join(dict.fromkeys(of))
        out.append(Remark(f"{kind}: {words(code)}" if code else kind, len(of), text, meaning, known))
    return out


def codes_of(cell: object) -> list[str]:
    """Codes of a cell: a list, or text separated by semicolons or commas."""
    if isinstance(cell, str):
        return [c.strip() for c in cell.replace(";", ",").split(",") if c.strip()]
    return [str(c) for c in cell] if isinstance(cell, list | tuple) else []


def measures(rows: Iterable[Value]) -> str:
    """The measures of rows, each once, by name."""
    return ", ".join(sorted({measure_title(v.measure) for v in rows}))


def title(code: str) -> str:
    """A code as a heading."""
    text = words(code)
    return text[:1].upper() + text[1:]


def structure_words(name: str) -> str:
    """`lv_apex` as `LV apex`."""
    return words(name).replace("lv ", "LV ")


def _by_code(values: Iterable[Value]) -> dict[str, list[Value]]:
    found: dict[str, list[Value]] = {}
    for v in values:
        if v.status not in ("ok", ""):
            found.setdefault(v.status, []).append(v)
    return found
