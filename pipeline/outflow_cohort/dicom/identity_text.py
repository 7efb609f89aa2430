"""Whether a text is a pseudonym, and whether free text holds what looks like an identity.

Both lean to suspicion: what cannot be shown to be a code is not one.
"""

from __future__ import annotations

import re
from functools import lru_cache

from outflow_cohort.dicom.names import words

_UID = re.compile(r"[0-2](?:\.(?:0|[1-9]\d*)){2,}")
_HASH = re.compile(r"(?i)[0-9a-f]{16,128}|[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_REGISTER_WORDS = frozenset({"mrn", "ssn", "nhs", "kvnr", "bsn", "dob", "chi", "hkid", "nhi", "cpf", "hospno", "pid"})
_SPEAKING = ("anonym", "phantom", "pseudonym", "synthetic", "deident", "simulat", "testcase", "testpat")
"""Parts of words that say themselves that no person is meant."""
LONGEST_DIGIT_RUN = 6
"""Digits of a study's running number; hospital numbers and dates of birth have more (common practice, no source)."""
LONGEST_BARE_NUMBER = 5
LONGEST_CODE_WORD = 12


def is_pseudonym(text: str, case_id: str, pattern: str | None, allowed: frozenset[str]) -> bool:
    """Whether `text` is empty, the case_id, or looks like a code rather than a name or a hospital number."""
    stripped = text.strip(" ^=\0")
    if not stripped or stripped.casefold() == case_id.casefold() or stripped.casefold() in allowed:
        return True
    if says_removed(stripped):
        return True
    if pattern is not None:
        return re.fullmatch(pattern, stripped) is not None
    return len(stripped) <= 128 and _is_code(stripped, allowed)


_REMOVED = re.compile(
    r"(?i)(?:value |name |data |phi |identity |patient )?"
    r"(?:removed|deleted|cleared|erased|blanked|redacted|masked|hidden|hashed|encrypted|scrubbed|suppressed|replaced"
    r"|withheld|anonymi[sz]ed|pseudonymi[sz]ed|de[ -]?identified|not (?:available|provided|applicable))"
    r"(?: (?:by|with|for|during|in|at|from|per|after|the|a|policy|hash|code|dummy|value|pseudonym|privacy|export"
    r"|research|anonymi[sz]er|anonymi[sz]ation|de[ -]?identification))*"
)
"""What tools write in place of a value; common practice, no source. One short word in capitals may follow: the tool."""
_TOOL = re.compile(r"[A-Z][A-Z0-9]{1,5}")


def says_removed(text: str) -> bool:
    """Whether a text says that a value was removed, and by which tool perhaps, and nothing else."""
    plain = re.sub(r"[\s^=_\[\]()<>*.,;:-]+", " ", text).strip()
    first, _, last = plain.rpartition(" ")
    if first.casefold().endswith(" by") and _TOOL.fullmatch(last):
        named = last.casefold() in words("given_name") or last.casefold() in words("surname")
        return not named and _REMOVED.fullmatch(first) is not None
    return _REMOVED.fullmatch(plain) is not None


def _is_code(text: str, allowed: frozenset[str]) -> bool:
    if _UID.fullmatch(text) or (_HASH.fullmatch(text) and not text.isdigit()):
        return True
    if not text.isascii():
        return False
    if text.isdigit():
        return len(text) <= LONGEST_BARE_NUMBER
    spaced = re.split(r"[\^=\s,;]+", text)
    tokens = [t for t in re.split(r"[\^=\s,;_\-./#()\[\]:]+", text) if t]
    known = words("placeholder") | allowed
    if all(t.casefold() in known or len(t) == 1 or any(w in t.casefold() for w in _SPEAKING) for t in tokens):
        return True
    has_digit = any(c.isdigit() for c in text)
    return has_digit and all(_is_code_token(t, t in spaced and len(spaced) > 1, known) for t in tokens)


def _is_code_token(token: str, stands_alone: bool, known: frozenset[str]) -> bool:
    lowered = token.casefold()
    letters = re.sub(r"\d", "", lowered)
    if any(word in letters for word in _SPEAKING):
        return all(len(run) <= LONGEST_DIGIT_RUN for run in re.findall(r"\d+", token))
    if letters in known or lowered in known:
        return all(len(run) <= LONGEST_DIGIT_RUN for run in re.findall(r"\d+", token))
    if letters in _REGISTER_WORDS or letters in words("given_name") or letters in words("surname"):
        return False
    if any(len(run) > LONGEST_DIGIT_RUN for run in re.findall(r"\d+", token)):
        return False
    if token.isalpha():
        return len(token) == 1 or (not stands_alone and len(token) <= LONGEST_CODE_WORD)
    # A long word with a capital and digits behind it reads like a surname with a year.
    return not re.match(r"[A-Z][a-z]{4,}", token)


_LETTER = "A-Za-zÀ-ÖØ-öø-ÿĀ-ž"
_CARET = re.compile(rf"([{_LETTER}]{{2,}})\^+([{_LETTER}]{{2,}})")
_MAIL = re.compile(r"[\w.+-]+@[\w-]+\.\w{2,}")
_PHONE = re.compile(r"\+\d[\d ()/-]{7,}\d|\b\(?\d{3}\)?[- ]\d{3}[- ]\d{4}\b")
_SOCIAL = re.compile(r"\b\d{3}-\d{2}-\d{4}\b")
_BIRTH = re.compile(r"(?i)\b(?:dob|d\.o\.b|born|birth|birthdate|birthday|geb|geboren|née? le|nato il|nacido)\b")
_REGISTER = re.compile(
    r"(?i)\b(?:mrn|ssn|nhs|med(?:ical)?\s*rec(?:ord)?|hospital\s*(?:no|number|id)|pat(?:ient)?[\s_]*(?:id|no|name))\b"
    r"[\s:#=.]*[\w-]*\d{4,}"
)
_TITLE = re.compile(rf"\b(?:Mr|Mrs|Ms|Miss|Dr|Prof|Herr|Frau|Mme|Señora?|Sig)\.?\s+[A-ZÀ-Ý][{_LETTER}]+")
_NEIGHBOURS = re.compile(rf"(?<![{_LETTER}])([{_LETTER}]{{2,}})[ ,^]{{1,3}}(?=([{_LETTER}]{{2,}}))")
"""Neighbouring words with nothing but blanks, commas or carets between them."""
_DATE_LIKE = re.compile(
    r"(?<!\d)(?:(?:19|20)[0-9]{2}[-_./]?(?:0[1-9]|1[0-2])[-_./]?(?:0[1-9]|[12]\d|3[01])"
    r"|(?:0?[1-9]|[12]\d|3[01])([-_./])(?:0?[1-9]|[12]\d|3[01])\1(?:19|20)[0-9]{2})(?!\d)"
)
"""Year first with or without separators, or day and month in either order before the year."""


@lru_cache(maxsize=20_000)
def holds_identity(text: str, allowed: frozenset[str] = frozenset(), caret_names: bool = True) -> bool:
    """Whether free text holds what looks like a name, a date of birth, a hospital number, an address or a phone.

    caret_names : whether any two words joined by a caret count as a name; false where scanners write
    region^protocol, so that there one of the words must be a known name.
    """
    if any(p.search(text) for p in (_MAIL, _PHONE, _SOCIAL, _BIRTH, _REGISTER, _TITLE)):
        return True
    for first, second in _CARET.findall(text):
        pair = {first.casefold(), second.casefold()}
        if not caret_names and not pair & (words("given_name") | words("surname")) - allowed:
            continue
        if not pair <= (words("placeholder") | words("clinical") | allowed):
            return True
    return any(_is_name_pair(a, b, allowed) for a, b in _NEIGHBOURS.findall(text))


def _is_name_pair(first: str, second: str, allowed: frozenset[str]) -> bool:
    a, b = first.casefold(), second.casefold()
    if a in allowed or b in allowed:
        return False
    given, surnames = words("given_name"), words("surname")
    if (a in given and b in surnames) or (a in surnames and b in given):
        return True
    if a in given or b in given:
        other = second if a in given else first
        known = other.casefold() in words("clinical") | words("placeholder")
        return not known and len(other) > 2 and first[0].isupper() and second[0].isupper()
    return False


_UID_LIKE = re.compile(r"\d+(?:\.\d+){3,}")
_PLAIN_FILE_NAME = re.compile(
    r"(?i)(?:im|img|image|slice|ct|mr|dcm|i|z|e|s|se|ser|series|st|pa)?[\W_\d]*(?:\.?(?:dcm|ima|dicom|img))?"
)


@lru_cache(maxsize=20_000)
def path_holds_identity(part: str, allowed: frozenset[str] = frozenset()) -> bool:
    """Whether a file or folder name holds what looks like a name."""
    if _PLAIN_FILE_NAME.fullmatch(part):
        return False
    return holds_identity(part, allowed) or holds_identity(re.sub(r"[_.\-+,]+", " ", part), allowed)


def path_holds_date(part: str) -> bool:
    """Whether a cell, file or folder name holds a full date of 1900 to 2099, other than inside a UID."""
    return bool(_DATE_LIKE.search(_UID_LIKE.sub("", part)))


def column_is_identity(name: str) -> bool:
    """Whether a column's name promises an identity (patient_name, birth_date, mrn, …)."""
    split = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name)
    tokens = [t for t in re.split(r"[^a-zA-Z]+", split.casefold()) if t]
    joined = "".join(tokens)
    if joined in words("column") or any(t in words("column") for t in tokens):
        return True
    owner = {"patient", "first", "last", "family", "given", "full", "subject", "middle"}
    if "name" in tokens and (len(tokens) == 1 or owner & set(tokens)):
        return True
    return "birth" in tokens and bool({"date", "day", "month"} & set(tokens) or len(tokens) == 1)
