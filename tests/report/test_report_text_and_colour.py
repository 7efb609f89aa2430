"""Numbers, words, colours and SVG of the reports."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import matplotlib
import numpy as np
import pytest
from pydantic import ValidationError

from outflow_cohort.report import palette, wording
from outflow_cohort.report.numbers import count, difference_digits, estimate, interval, number, phase_text, with_unit
from outflow_cohort.report.page import Table, cut, table_of
from outflow_cohort.report.pdf import NoPrinter, print_pdf
from outflow_cohort.report.settings import ReportSettings, read_settings
from outflow_cohort.report.svg import Axes, Drawing, padded, ticks


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (214.4, "mm2", "214"), (25.06, "mm", "25.1"), (123.96, "deg", "124.0"), (0.4551, "1", "0.46"),
        (-12.34, "pct", "−12.3"), (-0.04, "mm", "0.0"), (None, "mm2", "–"), (float("nan"), "mm", "–"),
        (float("inf"), "mm", "–"), (0.001234, "other", "0.0012"), (98765.4, "other", "98765"), ("7", "mm", "–"),
    ],
)  # fmt: skip
def test_numbers_have_the_digits_of_their_unit(value, unit, text):
    assert number(value, unit) == text


def test_units_intervals_and_counts_read_as_prose():
    assert with_unit(214.4, "mm2") == "214 mm²"
    assert with_unit(124, "deg") == "124.0°"
    assert with_unit(None, "mm") == "–"
    assert interval(1, None) == ""
    assert estimate(214, 190, 238, "mm2") == "214 (190 to 238)"
    assert estimate(214, None, None, "mm2") == "214"
    assert estimate(None, 1, 2, "mm2") == "–"
    assert (count(1, "case"), count(2000, "case"), count(0, "series", "series")) == (
        "1 case",
        "2,000 cases",
        "0 series",
    )
    assert (phase_text(30.0), phase_text(None)) == ("30 %", "no phase stated")
    assert difference_digits("mm2") == 1


@pytest.mark.parametrize(("low", "high"), [(0, 1), (-37.2, 512.9), (1e-4, 7e-4), (99.7, 100.1), (-5, -1)])
def test_ticks_are_round_and_inside(low, high):
    found = ticks(low, high)
    assert 2 <= len(found) <= 8
    assert all(low - 1e-9 <= v <= high + 1e-9 for v in found)
    steps = np.diff(found)
    assert np.allclose(steps, steps[0])
    mantissa = steps[0] / 10 ** np.floor(np.log10(steps[0]) + 1e-9)
    assert min(abs(mantissa - m) for m in (1, 2, 5)) < 1e-6


def test_padded_range_survives_empty_and_equal_values():
    assert padded([]) == (0.0, 1.0)
    low, high = padded([5.0, 5.0])
    assert low < 5 < high
    assert padded([1.0, float("nan")], include=[3.0])[1] > 3


def test_cividis_is_matplotlibs():
    ours = [palette.cividis(i / 9) for i in range(10)]
    theirs = [matplotlib.colors.to_hex(matplotlib.colormaps["cividis"](i / 9)).upper() for i in range(10)]
    for a, b in zip(ours, theirs, strict=True):
        assert max(abs(int(a[i : i + 2], 16) - int(b[i : i + 2], 16)) for i in (1, 3, 5)) <= 1


def contrast(a: str, b: str) -> float:
    """Contrast ratio, WCAG 2.2 (relative luminance)."""

    def luminance(colour):
        c = np.array(matplotlib.colors.to_rgb(colour))
        return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_contrast_reaches_wcag_aa():
    for colour in (palette.INK, palette.FAINT_INK, palette.ACCENT, "#8A3B00"):
        assert contrast(colour, palette.PAPER) >= 4.5
    for share in np.linspace(0, 1, 21):
        colour = palette.cividis(share)
        assert contrast(palette.ink_on(colour), colour) >= 4.5


def test_categories_are_distinct_in_mark_and_dash_as_well():
    assert len(set(palette.CATEGORIES)) == len(palette.CATEGORIES) == len(palette.MARKS) == len(set(palette.MARKS))
    assert len(set(palette.DASHES)) == len(palette.DASHES)
    assert len(set(palette.SOLID_DASHES.values())) == len(palette.SOLID_DASHES) == len(wording.SOLIDS)


def test_drawing_escapes_whatever_it_is_given():
    evil = "</text><script>alert(1)</script>\"'&"
    d = Drawing(100, 50, evil, evil)
    axes = Axes(d, 10, 10, 90, 40, (0.0, 1.0), (0.0, 1.0))
    axes.left_axis(evil)
    axes.bottom_axis(evil)
    axes.references([(0.5, evil), (7.0, "outside")])
    for mark in palette.MARKS:
        d.mark(5, 5, mark, palette.BLUE, label=evil)
    d.text(1, 1, evil)
    root = ElementTree.fromstring(d.standalone().encode("utf-8"))
    names = {e.tag.split("}")[1] for e in root.iter()}
    assert "script" not in names
    assert root.attrib["aria-label"].startswith(evil)
    assert "outside" not in "".join(root.itertext())


def test_many_dots_stay_small_and_darker_where_more():
    rng = np.random.default_rng(1)
    d = Drawing(300, 200, "t", "d")
    d.dots(rng.normal([150, 100], 30, (50_000, 2)).tolist(), palette.BLUE)
    size = len(d.inline())
    assert size < 120_000
    assert d.inline().count("<path") > 2


def test_tables_mark_columns_of_numbers_and_say_when_cut():
    t = table_of(("a", "b", "c"), [("x", "1.2", "–"), ("y", "−3 (−4 to 2)", "5 mm²")])
    assert t.numeric == [False, True, True]
    assert Table(("a",), ()).numeric == [False]
    assert "first 1 of 2 rows" in cut(t, 1).note
    assert cut(t, 2) is t


def test_titles_and_definitions_come_from_the_registry():
    for name, entry in wording.registry().items():
        assert wording.measure_title(name)
        assert wording.definition(name) == entry.definition
    assert wording.variant_text("full_frame/end_systole") == "full frame, end-systole"
    assert wording.field_title("blood_hu") == "Blood, HU"
    assert wording.definition("no_such_measure") == ""


def test_settings_refuse_unknown_keys_and_read_from_a_run(tmp_path):
    with pytest.raises(ValidationError, match="Extra inputs"):
        ReportSettings(pfd=True)
    assert read_settings(tmp_path) == ReportSettings()
    (tmp_path / "work").mkdir()
    (tmp_path / "work" / "study.json").write_text('{"report": {"main_solid": "skirt"}}')
    assert read_settings(tmp_path).main_solid == "skirt"
    for field in ReportSettings.model_fields.values():
        assert field.description
        assert field.json_schema_extra["unit"]


def test_without_a_printer_the_pdf_is_refused_with_a_remedy(tmp_path, monkeypatch):
    monkeypatch.setattr("outflow_cohort.report.pdf.shutil.which", lambda name: None)
    monkeypatch.setattr("outflow_cohort.report.pdf.importlib.util.find_spec", lambda name: None)
    with pytest.raises(NoPrinter, match="install one, or set"):
        print_pdf(tmp_path / "index.html", tmp_path / "index.pdf")
    assert list(tmp_path.iterdir()) == []
