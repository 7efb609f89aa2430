"""Titles of measures and variants, status codes in words, and the sentences every page carries."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

RESEARCH_ONLY = "For research only, not for treating a patient."
CAUTIONS = (
    RESEARCH_ONLY,
    "Every measurement here needs the review of a qualified reader before it is used for anything.",
    "Clinical decisions rest with licensed physicians, the device's own instructions and the local protocol.",
    "A neo-LVOT area is a forecast from one image and one virtual device. It says nothing about leaflet motion, "
    "flow, or how a device will really expand.",
    "Cut-offs are printed with the endpoint and the number of patients behind them. They do not hold for "
    "another device, group, phase or definition.",
    "View angles hold for a patient lying as in the scanner; they are not a control setting of any machine.",
)

TITLES = {
    "neo_lvot_area": "Neo-LVOT area",
    "native_lvot_area": "Native LVOT area",
    "lvot_residual_fraction": "Residual fraction (neo / native)",
    "neo_lvot_station": "Station of the smallest section",
    "neo_lvot_diameter": "Neo-LVOT diameter",
    "device_septum_distance": "Device to septum",
    "bottleneck_area": "Bottleneck area",
    "neo_lvot_chance_below": "Chance of a neo-LVOT below",
    "aorto_mitral_angle": "Aorto-mitral angle",
    "lv_volume": "LV volume",
    "ring_inner_diameter": "Ring inner diameter",
    "traced_area": "Area traced by the reader",
}

METHODS = {
    "reader_points": "reader's points",
    "reader_path": "reader's path",
    "automatic_path": "automatic path",
    "reader_trace": "reader's trace",
    "image_edge": "edge in the image",
    "table": "table",
}

SOLIDS = {
    "full_frame": "full frame",
    "skirt": "covered part",
    "leaflet_limited": "as far as the leaflet",
    "prosthesis_leaflet": "prosthesis, to its leaflets",
    "prosthesis_post": "prosthesis, to its posts",
}

VARIANTS = {"d_shape": "D-shaped", "one_minus_ratio": "1 − min / max", "rms": "root mean square"}
OVER_PHASES = {
    "end_systole": "end-systole",
    "mean_systole": "mean over systole",
    "min_over_phases": "smallest over the cycle",
}


def words(name: object) -> str:
    """`too_few_points` as `too few points`."""
    if not isinstance(name, str):
        return ""
    text = name.replace("_", " ")
    for joined, apart in (("deidentif", "de-identif"), ("followup", "follow-up"), ("inplane", "in-plane")):
        text = text.replace(joined, apart)
    return text


ABBREVIATIONS = {
    "bsa": "BSA", "lv": "LV", "ecg": "ECG", "ct": "CT", "hu": "HU", "id": "ID", "n": "number of",
    "cra": "CRA", "cau": "CAU", "lao": "LAO", "rao": "RAO",
}  # fmt: skip
FIELD_UNITS = {
    "mm": "mm", "hu": "HU", "pct": "%", "deg": "°", "ml": "ml", "mm2": "mm²", "m2": "m²", "mmhg": "mmHg",
    "bpm": "1/min",
    "ms": "ms", "years": "years", "kv": "kV", "ma": "mA",
}  # fmt: skip


RATIO_UNITS = {
    "mg_dl": "mg/dl",
    "g_dl": "g/dl",
    "mmol_l": "mmol/l",
    "umol_l": "µmol/l",
    "ml_m2": "ml/m²",
    "mm_m2": "mm/m²",
}
"""Endings of column names that are a unit of two parts."""


COLUMN_TITLES = {
    "case_id": "Case", "reader_id": "Reader", "read_no": "Read", "plan_id": "Plan", "device_id": "Device",
    "cutoff_id": "Cut-off", "ci_low": "95 % from", "ci_high": "95 % to", "std_error": "Standard error", "df": "df",
    "p_value": "p", "p_holm": "p after Holm", "trend_p": "p of the trend", "n": "Cases", "n_cases": "Cases",
    "n_events": "Events", "n_non_events": "Without event", "n_at_risk": "At risk", "n_readers": "Readers",
    "n_readings": "Readings", "n_pairs": "Pairs", "quantile_group": "Group",
}  # fmt: skip
"""Headings of columns of the result tables, where the name in words would not do."""


def field_title(name: str) -> str:
    """A column name as a label: `blood_hu` as `Blood, HU`."""
    for ending, unit in RATIO_UNITS.items():
        if name.endswith(f"_{ending}") and name != f"_{ending}":
            return f"{field_title(name.removesuffix(f'_{ending}'))}, {unit}"
    stem, _, last = name.rpartition("_")
    if stem and last in FIELD_UNITS:
        return f"{field_title(stem)}, {FIELD_UNITS[last]}"
    text = " ".join(ABBREVIATIONS.get(w, w) for w in words(name).split())
    return text[:1].upper() + text[1:]


def measure_title(measure: str, variant: str = "") -> str:
    """A measure's name as a heading, with its variant after a comma."""
    title = TITLES.get(measure) or words(measure).replace("lvot", "LVOT").capitalize()
    return f"{title}, {variant_text(variant)}" if variant else title


def variant_text(variant: str) -> str:
    """A variant in words: `full_frame/end_systole` as `full frame, end-systole`."""
    parts = (
        [SOLIDS.get(p) or OVER_PHASES.get(p) or VARIANTS.get(p) or words(p) for p in variant.split("/")]
        if variant
        else []
    )
    return ", ".join(parts)


def method_text(method: str) -> str:
    """A method in words; of a difference of two methods both."""
    first, minus, second = method.partition(" - ")
    if minus and first in METHODS:
        return f"{METHODS[first]} − {METHODS.get(second) or words(second)}"
    return METHODS.get(method) or words(method)


def setting_text(value: Any) -> str:
    """A setting as words."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return "; ".join(f"{words(str(k))} {setting_text(v)}" for k, v in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(setting_text(v) for v in value)
    return words(value) if isinstance(value, str) else f"{value:g}" if isinstance(value, float) else str(value)


@cache
def registry() -> dict[str, Any]:
    """Measures of the geometry core by id; captions and definitions come from here and nowhere else."""
    from outflow_geometry.measures.registry import REGISTRY

    return {m.id: m for m in REGISTRY}


def definition(measure: str) -> str:
    """The definition of a measure, empty for one that the core does not know."""
    entry = registry().get(measure)
    return str(entry.definition) if entry else ""
