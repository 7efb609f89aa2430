"""Phase in the order of trust (DICOM PS3.3 C.7.6.16.2.7 functional groups, C.7.6.18.1.1.1 trigger time)."""

from __future__ import annotations

import pytest
from series_files import codes_of, request, take_inventory, uid, write_series


def inventory_of(tmp_path, mutate=None, table=None, **study):
    write_series(tmp_path / "s", mutate)
    content = request(tmp_path, [{"dicom_dir": str(tmp_path / "s"), "phase_pct": table}], **study)
    return take_inventory(content, tmp_path / "work")


def tags(**values):
    def mutate(ds, k):
        for name, value in values.items():
            setattr(ds, name, value)

    return mutate


NOMINAL = {"NominalPercentageOfCardiacPhase": 40.0}
TRIGGER = {"TriggerTime": 360, "NominalInterval": 900}
TEXT = {"SeriesDescription": "Heart 0.75 BestSyst 35 %"}

CASES = [
    (NOMINAL, None, {}, 40.0, "functional_groups"),
    (TRIGGER, None, {}, 40.0, "trigger_time"),
    ({**NOMINAL, **TRIGGER}, None, {}, 40.0, "functional_groups"),
    ({**NOMINAL, "TriggerTime": 370, "NominalInterval": 900}, None, {}, 40.0, "functional_groups"),
    ({}, 30.0, {}, 30.0, "table"),
    (TRIGGER, 41.0, {}, 41.0, "trigger_time"),
    (TEXT, None, {}, None, "none"),
    (TEXT, None, {"text_opt_in": True}, 35.0, "text"),
    ({"ScanOptions": "TP40%"}, None, {"text_opt_in": True}, 40.0, "text"),
    ({"SeriesDescription": "ASIR 50% chest"}, None, {"text_opt_in": True}, None, "none"),
    ({"SeriesDescription": "30 % and 70 %"}, None, {"text_opt_in": True}, None, "none"),
    ({"TriggerTime": 360}, None, {}, None, "none"),
    ({"TriggerTime": 360, "NominalInterval": 0}, None, {}, None, "none"),
    ({}, None, {}, None, "none"),
]


@pytest.mark.parametrize(("header", "table", "settings", "phase", "source"), CASES)
def test_order_of_trust(tmp_path, header, table, settings, phase, source):
    found = inventory_of(tmp_path, tags(**header), table, phase=settings)
    (row,) = found["series"]
    assert (row["phase_pct"], row["phase_source"]) == (phase, source)
    assert ("phase_unknown" in codes_of(row)) == (phase is None)
    assert row["verdict"] != "set_aside"


CONTRADICTIONS = [
    ({**NOMINAL, "TriggerTime": 450, "NominalInterval": 900}, None, {}),
    (NOMINAL, 70.0, {}),
    (TRIGGER, 43.0, {}),
    ({"TriggerTime": 1000, "NominalInterval": 900}, None, {}),
    (TEXT, 70.0, {"text_opt_in": True}),
]


@pytest.mark.parametrize(("header", "table", "settings"), CONTRADICTIONS)
def test_contradictions_are_reported_and_never_settled(tmp_path, header, table, settings):
    found = inventory_of(tmp_path, tags(**header), table, phase=settings)
    (row,) = found["series"]
    assert "phase_contradiction" in codes_of(row)
    assert row["phase_pct"] is None
    assert row["verdict"] == "set_aside"


def test_phase_that_varies_within_a_series_contradicts(tmp_path):
    found = inventory_of(tmp_path, lambda ds, k: setattr(ds, "NominalPercentageOfCardiacPhase", 30.0 + 2 * k))
    assert "phase_contradiction" in codes_of(found["series"][0])


def phase_folder(folder, phases):
    """One series per phase, all in one folder."""
    for n, phase in enumerate(phases):

        def mutate(ds, k, n=n, phase=phase):
            if phase is not None:
                ds.NominalPercentageOfCardiacPhase = phase

        write_series(folder, mutate, series=n + 1, prefix=f"p{n}")


def test_rows_of_one_folder_find_their_phases(tmp_path):
    phase_folder(tmp_path / "s", [30.0, 40.0, 70.0])
    rows = [{"dicom_dir": str(tmp_path / "s"), "phase_pct": p} for p in (70.0, 30.0)]
    found = take_inventory(request(tmp_path, rows), tmp_path / "work")
    assert [(p["row"], p["phase_pct"]) for p in found["plans"]] == [(2, 70.0), (3, 30.0)]
    assert found["set_aside"] == []


def test_row_without_phase_takes_all_phases_of_its_folder(tmp_path):
    phase_folder(tmp_path / "s", [70.0, 30.0])
    found = take_inventory(request(tmp_path / "s"), tmp_path / "work")
    assert sorted(p["phase_pct"] for p in found["plans"]) == [30.0, 70.0]


def test_phase_asked_for_and_not_there(tmp_path):
    phase_folder(tmp_path / "s", [30.0, 40.0])
    content = request(tmp_path, [{"dicom_dir": str(tmp_path / "s"), "phase_pct": 70.0}])
    found = take_inventory(content, tmp_path / "work")
    assert found["plans"] == []
    assert all("phase_not_found" in codes_of(row) for row in found["series"])


@pytest.mark.parametrize("table", [None, 30.0])
def test_which_of_several_unknown_phases_is_meant_is_never_guessed(tmp_path, table):
    for part in range(2):

        def mutate(ds, k, part=part):
            ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = uid(1, 50 + part, k + 1)
            ds.TemporalPositionIdentifier = part + 1

        write_series(tmp_path / "s", mutate, prefix=f"p{part}")
    found = take_inventory(
        request(tmp_path, [{"dicom_dir": str(tmp_path / "s"), "phase_pct": table}]), tmp_path / "work"
    )
    assert found["plans"] == []
    assert all("phase_ambiguous" in codes_of(row) for row in found["series"])


def test_series_of_unknown_phase_is_not_mixed_in(tmp_path):
    phase_folder(tmp_path / "s", [30.0, None])
    found = take_inventory(request(tmp_path / "s"), tmp_path / "work")
    assert [p["phase_pct"] for p in found["plans"]] == [30.0]
    assert sum("not_chosen" in codes_of(row) for row in found["series"]) == 1


@pytest.mark.parametrize("other", [uid(44), None])
def test_phases_must_share_the_frame_of_reference(tmp_path, other):
    def second(ds, k):
        if other:
            ds.FrameOfReferenceUID = other
        else:
            del ds.FrameOfReferenceUID

    write_series(tmp_path / "a")
    write_series(tmp_path / "b", second, series=2)
    rows = [{"dicom_dir": str(tmp_path / n), "phase_pct": p} for n, p in (("a", 30.0), ("b", 70.0))]
    found = take_inventory(request(tmp_path, rows), tmp_path / "work")
    assert found["plans"] == []
    assert {row["code"] for row in found["set_aside"]} == {"frames_of_reference_differ"}
    assert len(found["set_aside"]) == 2


def test_one_phase_given_twice_is_refused(tmp_path):
    write_series(tmp_path / "a")
    write_series(tmp_path / "b", series=2)
    rows = [{"dicom_dir": str(tmp_path / n), "phase_pct": 30.0} for n in "ab"]
    found = take_inventory(request(tmp_path, rows), tmp_path / "work")
    assert [p["row"] for p in found["plans"]] == [2]
    assert [row["code"] for row in found["set_aside"]] == ["phase_repeated"]


def test_uneven_heart_beat_is_noted(tmp_path):
    found = inventory_of(tmp_path, tags(LowRRValue=700, HighRRValue=1000))
    assert "heart_rate_varied" in codes_of(found["series"][0])


@pytest.mark.parametrize(
    ("header", "hint"),
    [(TEXT, True), ({"SeriesDescription": "ASIR 50% chest"}, False), ({"SeriesDescription": "30 % and 70 %"}, False)],
)
def test_an_unread_text_that_states_the_phase_names_the_option(tmp_path, header, hint):
    (row,) = inventory_of(tmp_path, tags(**header))["series"]
    assert ("text_opt_in: true" in row["details"]) == hint
    assert row["phase_pct"] is None
