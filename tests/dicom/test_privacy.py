"""The privacy gate: rules against DICOM PS3.15 Annex E, and a search of every output byte for planted identities."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import numpy as np
import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from series_files import code_item, codes_of, request, take_inventory, write_series

from outflow_cohort.dicom.attribute_rules import DEIDENTIFICATION_CODES, basic_profile
from outflow_cohort.dicom.identity_text import column_is_identity, holds_identity, is_pseudonym, path_holds_identity


def inventory_of(tmp_path, mutate=None, **privacy):
    write_series(tmp_path / "s", mutate, n=4)
    return take_inventory(request(tmp_path / "s", privacy=privacy), tmp_path / "work")


def rules(found, severity=None):
    return {(r["tag"], r["rule"]) for r in found["privacy"] if severity in (None, r["severity"])}


def put(**values):
    def mutate(ds, k):
        for name, value in values.items():
            setattr(ds, name, value)

    return mutate


def test_properly_deidentified_series_has_no_finding(tmp_path):
    found = inventory_of(tmp_path)
    assert found["privacy"] == []
    assert found["series"][0]["verdict"] == "accepted"


def test_ordinary_research_data_passes_with_warnings(tmp_path):
    """Dates shifted without being declared, maker's text and private groups left: accepted, and listed."""

    def mutate(ds, k):
        ds.PatientName = ds.PatientID = "LIDC-IDRI-0001"
        ds.StudyDate, ds.StudyTime, ds.SeriesDescription = "20000101", "101010", "Heart 0.75 B26f"
        ds.StudyDescription, ds.Manufacturer = "Thorax^ThoraxRoutine (Adult)", "SIEMENS"
        ds.PatientSex, ds.PatientAge = "F", "061Y"
        ds.add_new(0x00190010, "LO", "SIEMENS CT VA0  COAD")
        ds.add_new(0x00191093, "DS", "0.5")

    found = inventory_of(tmp_path, mutate)
    assert found["series"][0]["verdict"] == "accepted"
    assert found["series"][0]["privacy"] == "warning"
    assert rules(found, "error") == set()
    assert rules(found) >= {
        ("(0008,0020)", "date_present"),
        ("(0008,103e)", "descriptor_present"),
        ("(0010,1010)", "patient_characteristics"),
        ("(0019,xxxx)", "private_group"),
    }


def test_declared_options_allow_what_they_keep(tmp_path):
    def mutate(ds, k):
        ds.DeidentificationMethodCodeSequence = Sequence(
            [code_item(c) for c in ("113100", "113105", "113107", "113108", "113111", "113112", "113109", "113110")]
        )
        ds.LongitudinalTemporalInformationModified = "MODIFIED"
        ds.StudyDate, ds.SeriesDescription, ds.PatientAge, ds.InstitutionName = "20000105", "Heart", "061Y", "A"
        ds.EthnicGroup, ds.StationName, ds.StudyInstanceUID = "X", "CT1", "1.2.840.113619.1.2.3"
        ds.add_new(0x00190010, "LO", "MAKER")

    found = inventory_of(tmp_path, mutate)
    assert found["privacy"] == []


ERRORS = [
    ("not_deidentified", lambda ds: [delattr(ds, n) for n in ("PatientIdentityRemoved", "DeidentificationMethod", "DeidentificationMethodCodeSequence")]),
    ("flags_contradict", lambda ds: setattr(ds, "PatientIdentityRemoved", "NO")),
    ("flags_contradict", lambda ds: setattr(ds, "DeidentificationMethodCodeSequence", Sequence([code_item("113106"), code_item("113107")]))),
    ("flags_contradict", lambda ds: setattr(ds, "DeidentificationMethodCodeSequence", Sequence([code_item("113100"), code_item("113106")]))),
    ("person_name", lambda ds: setattr(ds, "PatientName", "QUARTERMAIN^ZEBULON")),
    ("person_name", lambda ds: setattr(ds, "ReferringPhysicianName", "Huber^A")),
    ("person_name", lambda ds: setattr(ds, "OperatorsName", "Muster")),
    ("patient_identifier", lambda ds: setattr(ds, "PatientID", "100234567")),
    ("patient_identifier", lambda ds: setattr(ds, "PatientID", "MRN12345")),
    ("birth_date", lambda ds: setattr(ds, "PatientBirthDate", "19510723")),
    ("age_over_limit", lambda ds: setattr(ds, "PatientAge", "091Y")),
    ("age_over_limit", lambda ds: [setattr(ds, "PatientBirthDate", "19200101"), setattr(ds, "StudyDate", "20120101")]),
    ("direct_identifier", lambda ds: setattr(ds, "PatientAddress", "Long Lane 5")),
    ("direct_identifier", lambda ds: setattr(ds, "PatientTelephoneNumbers", "555 0100")),
    ("direct_identifier", lambda ds: setattr(ds, "OtherPatientIDs", "A-77")),
    ("sensitive_characteristic", lambda ds: setattr(ds, "EthnicGroup", "some")),
    ("sensitive_characteristic", lambda ds: setattr(ds, "PatientReligiousPreference", "some")),
    ("identifying_text", lambda ds: setattr(ds, "ImageComments", "scan of Erika Mustermann")),
    ("identifying_text", lambda ds: setattr(ds, "PatientComments", "DOB 3.4.1950")),
    ("identifying_text", lambda ds: setattr(ds, "StudyDescription", "Heart DOE^JOHN")),
    ("burned_in", lambda ds: setattr(ds, "BurnedInAnnotation", "YES")),
    ("preamble_text", lambda ds: setattr(ds, "preamble", b"hospital" + b"\0" * 120)),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "spoil"), ERRORS, ids=[f"{n}_{r}" for n, (r, _) in enumerate(ERRORS)])
def test_errors_fail_closed(tmp_path, rule, spoil):
    def mutate(ds, k):
        if k == 2:  # one slice is enough
            spoil(ds)

    found = inventory_of(tmp_path, mutate)
    assert rule in {r for _, r in rules(found, "error")}
    assert all(row["verdict"] == "set_aside" for row in found["series"])
    assert found["plans"] == []
    report = take_inventory(request(tmp_path / "s", privacy={"policy": "report_only"}), tmp_path / "report")
    assert rule in {r for _, r in rules(report, "error")}
    assert not {"several_patients", rule} <= {c for row in report["series"] for c in codes_of(row)}


WARNINGS = [
    ("method_missing", lambda ds: [delattr(ds, n) for n in ("DeidentificationMethod", "DeidentificationMethodCodeSequence")]),
    ("flag_missing", lambda ds: delattr(ds, "PatientIdentityRemoved")),
    ("unknown_method_code", lambda ds: setattr(ds, "DeidentificationMethodCodeSequence", Sequence([code_item("999999")]))),
    ("date_present", lambda ds: setattr(ds, "AcquisitionDateTime", "20190704101010")),
    ("birth_year", lambda ds: setattr(ds, "PatientBirthDate", "19510101")),
    ("institution_present", lambda ds: setattr(ds, "InstitutionName", "General")),
    ("device_identity", lambda ds: setattr(ds, "DeviceSerialNumber", "4711")),
    ("uid_original_root", lambda ds: setattr(ds, "StudyInstanceUID", "1.3.12.2.1107.5.1.4")),
    ("profile_attribute", lambda ds: setattr(ds, "AccessionNumber", "55")),
    ("overlay_present", lambda ds: ds.add_new(0x60003000, "OW", b"\1\0")),
    ("icon_present", lambda ds: setattr(ds, "IconImageSequence", Sequence([Dataset()]))),
    ("preamble_not_empty", lambda ds: setattr(ds, "preamble", b"II*\0" + b"\0" * 124)),
    ("meta_identity", lambda ds: setattr(ds.file_meta, "SourceApplicationEntityTitle", "AE1")),
    ("visual_features", lambda ds: setattr(ds, "RecognizableVisualFeatures", "YES")),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "spoil"), WARNINGS, ids=[r for r, _ in WARNINGS])
def test_warnings_are_listed_and_strict_sets_aside(tmp_path, rule, spoil):
    found = inventory_of(tmp_path, lambda ds, k: spoil(ds) and None)
    assert rule in {r for _, r in rules(found, "warning")}
    assert found["plans"]
    strict = take_inventory(request(tmp_path / "s", privacy={"policy": "strict"}), tmp_path / "strict")
    assert strict["plans"] == []
    assert "privacy_strict" in codes_of(strict["series"][0])


def test_original_attributes_are_found_inside_sequences(tmp_path):
    def mutate(ds, k):
        original = Dataset()
        original.PatientName, original.PatientID = "Huber^Anna", "100234567"
        step = Dataset()
        step.ModifiedAttributesSequence = Sequence([original])
        ds.OriginalAttributesSequence = Sequence([step])

    found = inventory_of(tmp_path, mutate)
    assert rules(found, "error") >= {
        ("(0400,0561)", "original_attributes"),
        ("(0400,0561)>(0400,0550)>(0010,0010)", "person_name"),
        ("(0400,0561)>(0400,0550)>(0010,0020)", "patient_identifier"),
    }


@pytest.mark.parametrize(
    "value", ["C001", "ANON0001", "LIDC-IDRI-0001", "SITE1^007", "", "Anonymous", "1.2.826.0.1.3680043"]
)
def test_pseudonyms_pass_by_default(tmp_path, value):
    found = inventory_of(tmp_path, put(PatientName=value, PatientID=value))
    assert found["series"][0]["verdict"] == "accepted", rules(found)


def test_pattern_of_the_study_is_binding(tmp_path):
    found = inventory_of(tmp_path, put(PatientName="ABC-12", PatientID="ABC-12"), pseudonym_pattern=r"ABC-\d\d")
    assert found["plans"]
    found = inventory_of(tmp_path, put(PatientName="ABC-1", PatientID="ABC-12"), pseudonym_pattern=r"ABC-\d\d")
    assert ("(0010,0010)", "person_name") in rules(found, "error")


def test_path_names_and_table_cells(tmp_path):
    write_series(tmp_path / "DOE^JANE", n=4)
    found = take_inventory(request(tmp_path / "DOE^JANE"), tmp_path / "work")
    assert ("folder_name", "path_identity") in rules(found, "error")
    assert found["plans"] == []
    write_series(tmp_path / "s", n=4, prefix="Anna_Huber_")
    found = take_inventory(request(tmp_path / "s"), tmp_path / "work")
    assert ("file_name", "path_identity") in rules(found, "error")


CONTRACT = {"cases": frozenset({"case_id", "site"}), "landmarks": frozenset({"case_id", "reader_id"})}


def study_tables(**changes):
    import pandas as pd

    cases = pd.DataFrame({"case_id": ["C001", "C002"], "site": ["S1", "S2"], "nyha": [3, 2], "note": ["", "calm"]})
    landmarks = pd.DataFrame({"case_id": ["C001", "C002"], "reader_id": ["R1", "R1"], "x_mm": [0.5, 1.0]})
    for column, values in changes.items():
        table = landmarks if column == "reader_id" else cases
        table[column] = values
    return {"cases": cases, "landmarks": landmarks}


TABLES = [
    ({}, {}, ()),
    ({"family_name": ["Huber", ""]}, {"C001": [("cases.csv further column 3", "table_identity")]}, ("family_name",)),
    ({"note": ["", "phone 555-123-4567"]}, {"C002": [("cases.csv further column 2", "table_identity")]}, ("note",)),
    ({"seen": ["2019-07-04", ""]}, {"C001": [("cases.csv further column 3", "table_date")]}, ("seen",)),
    ({"seen": ["", "4/7/2019"]}, {"C002": [("cases.csv further column 3", "table_date")]}, ("seen",)),
    ({"birth_date": ["03.02.1951", ""]}, {"C001": [("cases.csv further column 3", "table_identity")]}, ("birth_date",)),
    ({"dob": ["", "1951-02-03"]}, {"C002": [("cases.csv further column 3", "table_identity")]}, ("dob",)),
    ({"site": ["Dr. Huber, room 5", "S2"]}, {"C001": [("cases.csv site", "table_identity")]}, ()),
    ({"reader_id": ["R1", "Erika Mustermann"]}, {"C002": [("landmarks.csv reader_id", "table_identity")]}, ()),
    ({"patient_name": ["C001", "C002"]}, {}, ()),
]


@pytest.mark.parametrize(("changes", "expected", "tainted"), TABLES)
def test_cells_of_the_study_tables(changes, expected, tainted):
    from outflow_cohort.dicom.privacy_texts import audit_tables
    from outflow_cohort.dicom.settings import PrivacySettings

    audit = audit_tables(study_tables(**changes), PrivacySettings(), CONTRACT)
    found = {case: [(f.tag, f.rule) for f in rows] for case, rows in audit.findings.items() if rows}
    assert (found, audit.tainted_columns) == (expected, tainted)


@pytest.mark.parametrize(("policy", "measured"), [("standard", False), ("report_only", True)])
def test_table_findings_set_the_case_aside(tmp_path, policy, measured):
    write_series(tmp_path / "t", n=4)
    content = request(tmp_path / "t", privacy={"policy": policy})
    content["table_findings"] = [{"tag": "cases.csv further column 3", "rule": "table_identity"}]
    found = take_inventory(content, tmp_path / "work")
    assert rules(found, "error") == {("cases.csv further column 3", "table_identity")}
    assert bool(found["plans"]) == measured
    assert [row["code"] for row in found["set_aside"]] == ([] if measured else ["table_identity"])


def test_attribute_table_is_that_of_the_standard_as_a_library_carries_it():
    """dicom-anonymizer 2.1.0 carries Table E.1-1 of PS3.15 2026c."""
    import runpy
    from importlib.metadata import PackageNotFoundError, files

    try:
        found = [f for f in files("dicom-anonymizer") or [] if f.name == "dicomfields_2026c.py"]
    except PackageNotFoundError:
        pytest.skip("dicom-anonymizer is not installed")
    table = runpy.run_path(str(found[0].locate()))
    theirs = {
        (tag[0] << 16) + tag[1]: name.removesuffix("_TAGS").replace("_STAR", "*").replace("_", "/")
        for name, tags in table.items()
        if name.endswith("_TAGS") and name != "ALL_TAGS"
        for tag in tags
        if len(tag) == 2
    }
    assert {tag: action for tag, (_, action) in basic_profile().items()} == theirs


def test_option_codes_are_those_of_the_code_dictionary():
    """CID 7050 of PS3.16 in pydicom's code dictionary."""
    from pydicom.sr.codedict import codes

    assert {getattr(codes.cid7050, name).value for name in codes.cid7050.dir()} == set(DEIDENTIFICATION_CODES)


NAMES = [
    "DOE^JOHN",
    "Smith^Anna",
    "12345678",
    "MRN123456",
    "Doe1960",
    "Müller^Hans",
    "19600812",
    "O'BRIEN^P",
    "John Smith",
]
CODES = [
    "Phantom^One",
    "ANONYMIZED",
    "TestCase 7",
    "TCGA-4Z-AA7M",
    "R01-001",
    "Pancreas_CT-0001",
    "Patient 001",
    "A670621",
    "007",
    "subj-0042",
]
PROTOCOLS = ["CTA Heart 0.75 B26f 30%", "BestDiast 75 %", "SIEMENS Healthineers", "Retro 0.5 mm", "PET/CT Ganzkoerper"]


def test_names_and_codes_are_told_apart():
    assert [n for n in NAMES if is_pseudonym(n, "X", None, frozenset())] == []
    assert [c for c in CODES if not is_pseudonym(c, "X", None, frozenset())] == []
    assert [p for p in PROTOCOLS if holds_identity(p)] == []
    assert all(path_holds_identity(p) for p in ("John_Doe", "DOE^JANE", "Smith, Anna"))
    assert not any(
        path_holds_identity(p) for p in ("IM-0001-0001.dcm", "1.2.840.113619.2.55.3.19960822", "C012_phase_30")
    )
    assert all(column_is_identity(c) for c in ("patient_name", "DOB", "PatientName", "mrn", "birth_date"))
    assert not any(column_is_identity(c) for c in ("device_name", "birth_year", "site", "nyha", "bsa_m2"))


MARKER = "Zyxquorblat"
"""A name found nowhere else; searched for in every byte that comes out."""


def raw_element(tag, vr):
    """The marker as the bytes of an element whose kind cannot hold it."""
    from pydicom.dataelem import RawDataElement
    from pydicom.tag import Tag

    value = MARKER.encode() + b" "
    return RawDataElement(Tag(tag), vr, len(value), value, 0, False, True)


def planted(ds, k):
    """The marker in every value representation that can hold text, at every depth, and around the data set."""
    person = f"{MARKER}^{MARKER}"
    values = {
        "PN": person, "LO": MARKER, "SH": MARKER, "LT": MARKER, "ST": MARKER, "UT": MARKER, "UC": MARKER,
        "AE": MARKER, "CS": MARKER.upper(), "DA": MARKER[:8], "TM": MARKER, "DT": MARKER, "AS": MARKER[:4],
        "UR": f"http://{MARKER}", "OB": MARKER.encode() + b"\0", "UN": MARKER.encode() + b"\0", "OW": MARKER.encode() + b"\0",
        "UI": f"1.2.{MARKER}",
    }  # fmt: skip
    from pydicom.dataelem import DataElement

    inner = Dataset()
    for place, (vr, value) in enumerate(values.items()):
        ds.add(DataElement(0x00110000 + 0x1000 + place, vr, value, validation_mode=0))
        inner.add(DataElement(0x00130000 + 0x1000 + place, vr, value, validation_mode=0))
    ds.add_new(0x00110010, "LO", MARKER)
    for name in (
        "PatientName", "PatientID", "OtherPatientIDs", "PatientAddress", "InstitutionName", "StationName", "SeriesDescription",
        "StudyDescription", "ProtocolName", "ImageComments", "AccessionNumber", "StudyID", "ReferringPhysicianName",
        "OperatorsName", "Manufacturer", "ManufacturerModelName", "ConvolutionKernel", "ScanOptions", "DeidentificationMethod",
    ):  # fmt: skip
        setattr(ds, name, MARKER)
    ds[0x00185100] = raw_element(0x00185100, "CS")
    ds[0x00281054] = raw_element(0x00281054, "LO")
    ds[0x00180050] = raw_element(0x00180050, "DS")
    ds[0x00181120] = raw_element(0x00181120, "DS")
    ds[0x00209241] = raw_element(0x00209241, "UN")
    step = Dataset()
    step.ModifiedAttributesSequence = Sequence([inner])
    ds.OriginalAttributesSequence = Sequence([step])
    ds.RequestAttributesSequence = Sequence([inner])
    ds.add_new(0x60000022, "LO", MARKER)
    ds.add_new(0x60004000, "LT", MARKER)
    ds.add_new(0x60003000, "OW", MARKER.encode() + b"\0")
    ds.add_new(0xFFFCFFFC, "OB", MARKER.encode() + b"\0")
    ds.file_meta.SourceApplicationEntityTitle = MARKER
    ds.file_meta.PrivateInformationCreatorUID = "1.2.3"
    ds.file_meta.PrivateInformation = MARKER.encode() + b"\0"
    ds.preamble = (MARKER.encode() * 12)[:128]


@pytest.mark.parametrize("policy", ["strict", "standard", "report_only"])
@pytest.mark.parametrize("damage", ["none", "bad numbers", "cut"])
def test_no_identity_in_any_output_byte(tmp_path, policy, damage):
    folder = tmp_path / f"{MARKER}^{MARKER}"
    paths = write_series(folder, planted, n=4, prefix=f"{MARKER}_")
    if damage == "cut":
        for path in paths:
            path.write_bytes(path.read_bytes()[:900])
    if damage == "bad numbers":
        for path in paths:
            raw = path.read_bytes()
            path.write_bytes(raw.replace(b"0.7\\0.6 ", MARKER[:8].encode()))
    reading = {
        "phase_pct": None, "reader_id": "R", "read_no": 1,
        "structures": {"mitral_ring": [[-8, -15, 32], [6, -15, 32], [0, 0, 32]]},
    }  # fmt: skip
    content = request(folder, readings=[reading], privacy={"policy": policy}, phase={"text_opt_in": True})
    out = tmp_path / "out"
    out.mkdir()
    (tmp_path / "request.json").write_text(json.dumps(content))
    script = (
        "import logging, sys; logging.basicConfig(level=0)\n"
        "from pathlib import Path\n"
        "from outflow_cohort.steps.inventory import inventory\n"
        "from outflow_cohort.steps.volume import volume\n"
        "r, o = Path(sys.argv[1]), Path(sys.argv[2])\n"
        "inventory(request=r, output=o / 'inventory.json')\n"
        "volume(request=r, inventory=o / 'inventory.json', output_dir=o / 'volumes')\n"
    )
    run = subprocess.run(
        [sys.executable, "-W", "always", "-c", script, str(tmp_path / "request.json"), str(out)],
        capture_output=True,
        check=False,
    )
    assert run.returncode == 0, "the steps crashed"
    written = [p for p in out.rglob("*") if p.is_file()]
    assert written
    needle = re.compile(MARKER[:6].encode(), re.IGNORECASE)
    for content_bytes in [run.stdout, run.stderr, *(p.read_bytes() for p in written)]:
        assert not needle.search(content_bytes)
    assert not any(needle.search(str(p.relative_to(out)).encode()) for p in written)
    found = json.loads((out / "inventory.json").read_text())
    if damage == "none":
        assert len(rules(found, "error")) >= 8
        assert (found["plans"] == []) == (policy != "report_only" or bool(found["set_aside"]))


def test_findings_never_hold_values_even_of_numbers(tmp_path):
    found = inventory_of(tmp_path, put(PatientWeight=np.float64(71.3), PatientAge="061Y", AccessionNumber="778899"))
    text = json.dumps(found["privacy"])
    assert not any(value in text for value in ("71.3", "061", "778899"))


REMOVED = [
    "Removed by CTP", "REMOVED", "Removed", "ANONYMIZED", "Anonymised", "de-identified", "De-Identified", "hashed",
    "Value removed by ABC2", "[removed]", "removed^by^XYZ", "Replaced by hash", "not available", "Removed for privacy",
]  # fmt: skip
NAMES = ["Removed by Miller", "Removed by SMITH", "Removed Jones", "Hash Hannelore", "Smith removed", "REMOVED^QUARTER"]


@pytest.mark.parametrize("words", REMOVED)
def test_what_says_that_a_value_was_removed_is_no_name(tmp_path, words):
    def mutate(ds, k):
        item = Dataset()
        item.VerifyingObserverName, item.VerifyingOrganization, item.VerificationDateTime = words, words, ""
        ds.VerifyingObserverSequence = Sequence([item])
        ds.ReferringPhysicianName = words

    found = inventory_of(tmp_path, mutate)
    assert not rules(found, "error"), rules(found)
    strict = take_inventory(request(tmp_path / "s", privacy={"pseudonym_pattern": "C\\d{3}"}), tmp_path / "strict")
    assert "person_name" not in {rule for _, rule in rules(strict)}


@pytest.mark.parametrize("words", NAMES)
def test_a_name_beside_such_a_word_is_still_a_name(tmp_path, words):
    found = inventory_of(tmp_path, put(ReferringPhysicianName=words))
    assert "person_name" in {rule for _, rule in rules(found, "error")}


@pytest.mark.parametrize(("deepest", "audited"), [(5, True), (4, False)])
def test_a_header_that_nests_too_deep_counts_as_not_audited(tmp_path, deepest, audited):
    from pydicom.dataset import Dataset
    from pydicom.sequence import Sequence

    def nest(ds, _):
        inner = Dataset()
        inner.ReferencedSOPClassUID = "1.2.840.10008.5.1.4.1.1.2"
        for _level in range(4):
            outer = Dataset()
            outer.ReferencedImageSequence = Sequence([inner])
            inner = outer
        ds.ReferencedImageSequence = Sequence([inner])

    write_series(tmp_path / "s", nest, n=4)
    found = take_inventory(request(tmp_path / "s", intake={"max_sequence_depth": deepest}), tmp_path / "work")
    assert ("unaudited_header" not in {rule for _, rule in rules(found, "error")}) == audited
