"""The privacy audit: headers, paths and tables against the confidentiality profile of PS3.15 Annex E.

A finding names tag, keyword, rule and severity, never a value. Values are looked at as bytes and forgotten; the same
element with the same bytes is judged once a series, which makes the audit of a series cost little more than reading.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from outflow_cohort.dicom.attribute_rules import DEIDENTIFICATION_CODES, IDENTIFIERS, rule_of
from outflow_cohort.dicom.codes import reason
from outflow_cohort.dicom.elements import elements_of, nested, text, texts
from outflow_cohort.dicom.identity_text import (
    holds_identity,
    is_pseudonym,
    path_holds_date,
    path_holds_identity,
)
from outflow_cohort.dicom.settings import PrivacySettings

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

REMOVED, METHOD, METHOD_CODES = 0x00120062, 0x00120063, 0x00120064
TIMES_MODIFIED, BURNED_IN, FEATURES = 0x00280303, 0x00280301, 0x00280302
BIRTH_DATE, STUDY_DATE = 0x00100030, 0x00080020
TEXT_VRS = frozenset({"LO", "LT", "ST", "UT", "UC", "SH", "CS", "AE", "UR", "AS", "DS", "IS"})
FREE_TEXT_VRS = frozenset({"LO", "LT", "ST", "UT", "UC", "SH", "UN", "AE", "UR", "OB"})
LONGEST_TEXT = 65_536
"""Bytes of one element that are scanned as text."""
PROTOCOL_TEXT = frozenset(
    {0x00081030, 0x0008103E, 0x00181030, 0x00321060, 0x00400007, 0x00400254, 0x00321070, 0x00180015, 0x00081080}
)
"""Study, series, protocol and procedure descriptions, where some scanners write region^protocol."""
MAKER_ROOTS = (
    "1.2.840.113619.",
    "1.3.12.2.1107.",
    "1.3.46.670589.",
    "1.2.840.113704.",
    "1.2.392.200036.",
    "1.2.392.200046.",
)
"""UID roots that scanners write (registered organisation roots; common practice, no source)."""
DUMMY_DATES = frozenset({"", "00010101", "19000101", "18000101", "19010101", "00000000"})
META_IDENTITY = {0x00020016: "SourceApplicationEntityTitle", 0x00020017: "SendingApplicationEntityTitle",
                 0x00020018: "ReceivingApplicationEntityTitle", 0x00020102: "PrivateInformation",
                 0x00020026: "SourcePresentationAddress", 0x00020027: "SendingPresentationAddress",
                 0x00020028: "ReceivingPresentationAddress"}  # fmt: skip


@dataclass(frozen=True, slots=True, order=True)
class Finding:
    """One finding; `tag` is a tag path such as ``(0400,0561)>(0010,0010)``, or a place such as ``folder_name``."""

    tag: str
    keyword: str
    rule: str

    @property
    def severity(self) -> str:
        """error, warning or info."""
        return {"set_aside": "error"}.get(reason(self.rule).severity, reason(self.rule).severity)


@dataclass(frozen=True, slots=True)
class _Options:
    """Option codes of CID 7050 that a header declares."""

    codes: frozenset[str]

    def allow(self, option: str | None) -> bool:
        if option == "113106":
            return bool(self.codes & {"113106", "113107"})
        return option is not None and option in self.codes


@dataclass
class Auditor:
    """Audits headers one by one; `findings` collects them by series UID.

    case_id : the pseudonym of the case, which names and IDs may equal. deepest : nesting of sequences that is audited.
    """

    settings: PrivacySettings
    case_id: str
    deepest: int = 64
    findings: dict[str, set[Finding]] = field(default_factory=lambda: defaultdict(set))
    _seen: dict[str, set[tuple[Any, ...]]] = field(default_factory=lambda: defaultdict(set))
    _flags: dict[tuple[Any, ...], tuple[_Options, tuple[Finding, ...]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._allowed = frozenset(word.casefold() for word in self.settings.allowed_words)

    def audit(self, dataset: Dataset, preamble: bytes, trailer: Dataset | None, series: str, name: str) -> None:
        """Audit one file: header, what follows the pixels, file meta, preamble and its name below the folder."""
        found = self.findings[series]
        try:
            options, flags = self._declared(dataset)
            found.update(flags)
            seen = self._seen[series]
            self._walk(dataset, "", options, found, seen)
            if trailer is not None:
                self._walk(trailer, "", options, found, seen)
            self._age_by_dates(dataset, found, seen)
            self._meta(dataset, found)
            self._preamble(preamble, found, seen)
        except Exception:
            # Damaged elements make pydicom raise nearly any type; what cannot be audited counts against the series.
            found.add(Finding("", "", "unaudited_header"))
        self._path(name, found)

    def of_series(self, series: str, folder: str) -> set[Finding]:
        """Findings of a series, with those of the name of the folder that the study's table names."""
        found = self.findings[series]
        if path_holds_identity(folder, self._allowed):
            found.add(Finding("folder_name", "", "path_identity"))
        return found

    def summary(self, series: str) -> str:
        """error, warning or ok: the gravest finding of a series."""
        severities = {finding.severity for finding in self.findings[series]}
        return next((s for s in ("error", "warning") if s in severities), "ok")

    def _path(self, name: str, found: set[Finding]) -> None:
        for place, part in enumerate(reversed(PurePath(name).parts)):
            where = "file_name" if place == 0 else "folder_name"
            if path_holds_identity(part, self._allowed):
                found.add(Finding(where, "", "path_identity"))
            elif path_holds_date(part):
                found.add(Finding(where, "", "date_present"))

    def _declared(self, dataset: Dataset) -> tuple[_Options, tuple[Finding, ...]]:
        elements = elements_of(dataset)
        removed, methods = text(elements, REMOVED).upper(), tuple(filter(None, texts(elements, METHOD)))
        coded = nested(dataset, METHOD_CODES, 64) if METHOD_CODES in elements else []
        codes = tuple(sorted({text(elements_of(item), 0x00080100) for item in coded} - {""}))
        times, burned, features = (text(elements, t).upper() for t in (TIMES_MODIFIED, BURNED_IN, FEATURES))
        key = (removed, bool(methods), codes, times, burned, features)
        if key not in self._flags:
            findings = _flag_findings(removed, bool(methods), frozenset(codes), times, burned, features)
            self._flags[key] = (_Options(frozenset(codes) & DEIDENTIFICATION_CODES), tuple(findings))
        return self._flags[key]

    def _walk(
        self, dataset: Dataset, path: str, options: _Options, found: set[Finding], seen: set[tuple[Any, ...]]
    ) -> None:
        for element in dataset.values():
            value = element.value
            if isinstance(value, bytes):
                key = (path, element.tag.real, element.VR, value)
                if key in seen:
                    continue
                seen.add(key)
            self._element(dataset, element, path, options, found, seen)

    def _element(
        self,
        dataset: Dataset,
        element: Any,
        path: str,
        options: _Options,
        found: set[Finding],
        seen: set[tuple[Any, ...]],
    ) -> None:
        from pydicom.datadict import dictionary_VR, keyword_for_tag

        tag = int(element.tag)
        vr = element.VR
        if vr in (None, "UN"):
            try:
                vr = dictionary_VR(tag).split(" or ")[0]
            except KeyError:
                vr = "UN"
        name = f"({tag >> 16:04x},{tag & 0xFFFF:04x})"
        where = f"{path}>{name}" if path else name
        private = (tag >> 16) % 2 == 1
        keyword = "" if private else keyword_for_tag(tag)
        value = element.value
        items = _items(dataset, element, vr)
        if items is not None:
            if items and tag != METHOD_CODES:
                self._attribute(tag, vr, where, keyword, b"items", private, options, found, path)
            if items and where.count(">") >= self.deepest:
                raise ValueError("nested too deep")
            for item in items:
                self._walk(item, where, options, found, seen)
            return
        raw = value if isinstance(value, bytes) else str(value or "").encode("utf-8", "replace")
        if raw.strip(b" \0"):
            self._attribute(tag, vr, where, keyword, raw, private, options, found, path)

    def _attribute(
        self,
        tag: int,
        vr: str,
        where: str,
        keyword: str,
        raw: bytes,
        private: bool,
        options: _Options,
        found: set[Finding],
        path: str,
    ) -> None:
        group = tag >> 16
        if private:
            self._private(group, tag, vr, raw, options, found, path)
            return
        words = raw[:LONGEST_TEXT].decode("utf-8", "replace").strip(" \0") if vr in TEXT_VRS or vr == "PN" else ""
        if vr == "PN":
            if not all(self._is_pseudonym(part) for part in words.split("\\")):
                found.add(Finding(where, keyword, "person_name"))
            return
        if keyword in IDENTIFIERS:
            if not all(self._is_pseudonym(part) for part in words.split("\\")):
                found.add(Finding(where, keyword, "patient_identifier"))
            return
        if keyword == "PatientBirthDate":
            self._birth_date(raw, where, keyword, found)
            return
        if keyword == "PatientAge" and age_in_years(words) > self.settings.age_limit_years:
            found.add(Finding(where, keyword, "age_over_limit"))
        repeating = 0x5000 <= group <= 0x50FF or (0x6000 <= group <= 0x60FF and tag & 0xFFFF in (0x3000, 0x4000))
        if repeating and not options.allow("113103"):
            found.add(Finding(where, keyword or "RepeatingGroup", "overlay_present"))
        self._profile(tag, vr, where, keyword, raw, words, options, found)
        if vr in FREE_TEXT_VRS and tag != METHOD and self._text_holds_identity(raw, tag not in PROTOCOL_TEXT):
            found.add(Finding(where, keyword, "identifying_text"))

    def _profile(
        self,
        tag: int,
        vr: str,
        where: str,
        keyword: str,
        raw: bytes,
        words: str,
        options: _Options,
        found: set[Finding],
    ) -> None:
        rule = rule_of(tag, vr)
        if rule is None or options.allow(rule.option):
            return
        if rule.rule == "uid":
            uids = raw.decode("latin-1").split("\\")
            if vr == "UI" and any(uid.strip(" \0").startswith(MAKER_ROOTS) for uid in uids):
                found.add(Finding(where, keyword, "uid_original_root"))
            return
        if rule.rule == "date_present" and raw.decode("latin-1").strip(" \0")[:8] in DUMMY_DATES:
            return
        if rule.rule == "direct_identifier" and words and self._is_placeholder(words):
            return
        found.add(Finding(where, keyword, rule.rule))

    def _private(
        self, group: int, tag: int, vr: str, raw: bytes, options: _Options, found: set[Finding], path: str
    ) -> None:
        name = f"({group:04x},xxxx)"
        where = f"{path}>{name}" if path else name
        if 0x10 <= (tag & 0xFFFF) <= 0xFF:  # a private creator: the name of the block
            creator = raw.decode("latin-1").strip(" \0")
            safe = creator in self.settings.safe_private_creators
            if not safe and not options.allow("113111"):
                found.add(Finding(where, "private", "private_group"))
            if self._text_holds_identity(raw, False):
                found.add(Finding(where, "private", "identifying_text"))
            return
        if vr == "PN" and not all(self._is_pseudonym(p) for p in raw.decode("utf-8", "replace").split("\\")):
            found.add(Finding(where, "private", "person_name"))
        elif self._text_holds_identity(raw, False):
            found.add(Finding(where, "private", "identifying_text"))

    def _birth_date(self, raw: bytes, where: str, keyword: str, found: set[Finding]) -> None:
        date = raw.decode("latin-1").strip(" \0")
        if date in DUMMY_DATES:
            return
        generalised = len(date) <= 4 or date.endswith("0101")
        found.add(Finding(where, keyword, "birth_year" if generalised else "birth_date"))

    def _age_by_dates(self, dataset: Dataset, found: set[Finding], seen: set[tuple[Any, ...]]) -> None:
        elements = elements_of(dataset)
        birth, study = text(elements, BIRTH_DATE), text(elements, STUDY_DATE)
        key = ("age", birth, study)
        if key in seen or not (birth[:4].isdigit() and study[:4].isdigit()) or birth in DUMMY_DATES:
            return
        seen.add(key)
        if int(study[:4]) - int(birth[:4]) > self.settings.age_limit_years:
            found.add(Finding("(0010,0030)", "PatientBirthDate", "age_over_limit"))

    def _is_pseudonym(self, part: str) -> bool:
        return is_pseudonym(part, self.case_id, self.settings.pseudonym_pattern, self._allowed)

    def _is_placeholder(self, words: str) -> bool:
        return is_pseudonym(words, "", None, self._allowed) and not any(c.isdigit() for c in words)

    def _text_holds_identity(self, raw: bytes, caret_names: bool = True) -> bool:
        part = raw[:LONGEST_TEXT]
        printable = part.decode("utf-8", "replace")
        if "\0" in printable or "\ufffd" in printable:
            return any(holds_identity(run, self._allowed, caret_names) for run in _printable_runs(part))
        return holds_identity(printable, self._allowed, caret_names)

    def _meta(self, dataset: Dataset, found: set[Finding]) -> None:
        meta = getattr(dataset, "file_meta", None)
        if meta is None:
            return
        for tag, keyword in META_IDENTITY.items():
            value = meta.get(tag)
            if value is not None and value.value:
                name = f"({tag >> 16:04x},{tag & 0xFFFF:04x})"
                found.add(Finding(name, keyword, "meta_identity"))
                raw = value.value if isinstance(value.value, bytes) else str(value.value).encode("utf-8", "replace")
                if self._text_holds_identity(raw):
                    found.add(Finding(name, keyword, "identifying_text"))

    def _preamble(self, preamble: bytes, found: set[Finding], seen: set[tuple[Any, ...]]) -> None:
        if not preamble.strip(b"\0") or ("preamble", preamble) in seen:
            return
        seen.add(("preamble", preamble))
        has_text = re.search(rb"[A-Za-z]{4,}", preamble) is not None
        found.add(Finding("preamble", "", "preamble_text" if has_text else "preamble_not_empty"))


def _printable_runs(raw: bytes) -> list[str]:
    """Runs of eight or more printable ASCII characters; shorter ones arise in binary data by chance."""
    return re.findall(r"[\x20-\x7e]{8,}", raw.decode("latin-1"))


def _items(dataset: Dataset, element: Any, vr: str) -> list[Dataset] | None:
    """Items of a sequence element, read or not yet read; None for other elements."""
    if vr != "SQ":
        return None
    if isinstance(element.value, bytes | type(None)):
        value = dataset[element.tag].value
        return list(value) if value is not None else []
    return list(element.value)


def age_in_years(words: str) -> float:
    """Years of an AS value such as 091Y; 0 where it is none."""
    digits, unit = words[:3], words[3:4].upper()
    if not digits.isdigit():
        return 0.0
    return int(digits) * {"Y": 1.0, "M": 1 / 12, "W": 1 / 52, "D": 1 / 365}.get(unit, 1.0)


def _flag_findings(
    removed: str, has_method: bool, codes: frozenset[str], times: str, burned: str, features: str
) -> list[Finding]:
    """Consistency of the de-identification flags with the coded options (PS3.15 E.1, PS3.3 C.7.1.1)."""
    flag = ("(0012,0062)", "PatientIdentityRemoved")
    coded = ("(0012,0064)", "DeidentificationMethodCodeSequence")
    time_flag = ("(0028,0303)", "LongitudinalTemporalInformationModified")
    found = []
    if removed != "YES" and not has_method and not codes:
        found.append(Finding(*flag, "not_deidentified"))
    elif removed not in ("YES", ""):
        found.append(Finding(*flag, "flags_contradict"))
    elif removed == "":
        found.append(Finding(*flag, "flag_missing"))
    elif not has_method and not codes:
        found.append(Finding("(0012,0063)", "DeidentificationMethod", "method_missing"))
    if codes - DEIDENTIFICATION_CODES:
        found.append(Finding(*coded, "unknown_method_code"))
    full, modified = "113106" in codes, "113107" in codes
    if full and modified:
        found.append(Finding(*coded, "flags_contradict"))
    if (times == "REMOVED" and (full or modified)) or (times == "UNMODIFIED" and modified and not full):
        found.append(Finding(*time_flag, "flags_contradict"))
    if times == "MODIFIED" and full and not modified:
        found.append(Finding(*time_flag, "flags_contradict"))
    if burned == "YES":
        found.append(Finding("(0028,0301)", "BurnedInAnnotation", "burned_in"))
        if "113101" in codes:
            found.append(Finding(*coded, "flags_contradict"))
    if features == "YES":
        found.append(Finding("(0028,0302)", "RecognizableVisualFeatures", "visual_features"))
    return found
