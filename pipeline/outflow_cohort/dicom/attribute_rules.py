"""Which rule an attribute falls under, by the confidentiality profile of the standard.

Source of `basic_profile.csv`: DICOM PS3.15 2026c, Annex E, Table E.1-1, column "Basic Prof." (652 attributes), as
carried by the Python package dicom-anonymizer 2.1.0 (BSD); repeating groups 50xx and 60xx and private attributes are
handled in code. Actions: D dummy, Z empty, X remove, U replace UID, and their combinations.
The options that keep an attribute (113106 … 113112) follow the columns of the same table by kind of attribute.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

DIRECT_IDENTIFIERS = frozenset(
    {
        "OtherPatientIDs",
        "OtherPatientNames",
        "PatientBirthName",
        "PatientMotherBirthName",
        "PatientAddress",
        "PatientTelephoneNumbers",
        "PatientTelecomInformation",
        "PatientInsurancePlanCodeSequence",
        "MedicalRecordLocator",
        "InsurancePlanIdentification",
        "ReferringPhysicianAddress",
        "ReferringPhysicianTelephoneNumbers",
        "PersonTelephoneNumbers",
        "PersonAddress",
        "PersonTelecomInformation",
        "OrderCallbackPhoneNumber",
        "OrderCallbackTelecomInformation",
        "ResponsiblePerson",
        "GPSLatitude",
        "GPSLongitude",
        "DistributionAddress",
        "TelephoneNumberTrial",
        "AddressTrial",
        "ReferencedPatientPhotoSequence",
        "ReferencedPatientAliasSequence",
    }
)
SENSITIVE = frozenset(
    {
        "EthnicGroup",
        "EthnicGroups",
        "EthnicGroupCodeSequence",
        "PatientReligiousPreference",
        "Occupation",
        "MilitaryRank",
        "BranchOfService",
    }
)
NEVER_KEPT = frozenset(
    {
        "PatientReligiousPreference",
        "Occupation",
        "MilitaryRank",
        "BranchOfService",
    }
)
"""Sensitive attributes that option 113108 does not keep."""
CHARACTERISTICS = frozenset(
    {
        "PatientSex",
        "PatientAge",
        "PatientSize",
        "PatientWeight",
        "PatientSexNeutered",
        "PregnancyStatus",
        "SmokingStatus",
        "Allergies",
        "MedicalAlerts",
        "PatientState",
        "PreMedication",
        "SpecialNeeds",
        "GenderIdentitySequence",
    }
)
IDENTIFIERS = frozenset(
    {
        "PatientID",
        "ClinicalTrialSubjectID",
        "ClinicalTrialSubjectReadingID",
    }
)
ORIGINALS = frozenset(
    {
        "OriginalAttributesSequence",
        "EncryptedAttributesSequence",
        "ModifiedAttributesSequence",
        "NonconformingModifiedAttributesSequence",
        "NonconformingDataElementValue",
    }
)
_INSTITUTION = ("Institution", "Department", "Physician", "Operator", "Observer", "Performer", "Organization", "Site")
_DEVICE = ("Station", "Device", "Serial", "Detector", "Gantry", "Generator", "Cassette", "Plate", "UDI", "Source")
DEIDENTIFICATION_CODES = frozenset(str(code) for code in range(113100, 113113))
"""CID 7050 of PS3.16, checked against pydicom's code dictionary by a test."""


@dataclass(frozen=True, slots=True)
class AttributeRule:
    """What is wrong with a non-empty value of an attribute, and the option code that allows it."""

    rule: str
    option: str | None


@cache
def basic_profile() -> dict[int, tuple[str, str]]:
    """{tag: (keyword, action)} of the basic profile."""
    text = resources.files("outflow_cohort.dicom").joinpath("basic_profile.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(text.splitlines())
    return {int(row["tag"], 16): (row["keyword"], row["action"]) for row in rows}


@cache
def rule_of(tag: int, vr: str) -> AttributeRule | None:
    """Rule of a standard attribute with a value; None where the profile lets it be.

    Person names, birth date, age and private groups have rules of their own elsewhere.
    """
    found = basic_profile().get(tag)
    if found is None:
        return None
    keyword, action = found
    if keyword in DIRECT_IDENTIFIERS:
        return AttributeRule("direct_identifier", None)
    if keyword in SENSITIVE:
        return AttributeRule("sensitive_characteristic", None if keyword in NEVER_KEPT else "113108")
    if keyword in ORIGINALS:
        return AttributeRule("original_attributes", None)
    if keyword in CHARACTERISTICS:
        return AttributeRule("patient_characteristics", "113108")
    if keyword == "IconImageSequence":
        return AttributeRule("icon_present", None)
    if action.startswith("U") or vr == "UI":
        return AttributeRule("uid", "113110")
    if vr in ("DA", "TM", "DT"):
        return AttributeRule("date_present", "113106")
    if any(word in keyword for word in _INSTITUTION):
        return AttributeRule("institution_present", "113112")
    if any(word in keyword for word in _DEVICE):
        return AttributeRule("device_identity", "113109")
    if vr in ("LO", "LT", "ST", "UT", "UC", "SH") and (
        "Description" in keyword or "Comments" in keyword or keyword in ("ProtocolName", "ContrastBolusAgent")
    ):
        return AttributeRule("descriptor_present", "113105")
    return AttributeRule("profile_attribute", None)
