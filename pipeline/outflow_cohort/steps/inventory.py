"""Step 2: what is in the folders of a case, judged from headers. Lengths mm, angles deg; phase % of R-R.

Writes an `Inventory`.
"""

from __future__ import annotations

import logging
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from outflow_cohort import events
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.inventory import Inventory, PrivacyRow, SeriesPlan, SeriesRow, write_inventory
from outflow_cohort.handover.request import Request, SeriesEntry, read_request
from outflow_cohort.steps.guard import CRASH_CODE, crash_message, run_guarded

if TYPE_CHECKING:
    from outflow_cohort.dicom.frames import FolderScan
    from outflow_cohort.dicom.pixels import FrameDecoder, PixelError
    from outflow_cohort.dicom.privacy import Auditor, Finding
    from outflow_cohort.dicom.settings import IntakeSettings, PhaseSettings, PrivacySettings, QualitySettings
    from outflow_cohort.dicom.verify import JudgedSeries

    Scans = dict[Path, tuple[FolderScan, Auditor]]
    """Folders already read, since several rows of series.csv may name one."""

STAGE = "inventory"


@dataclass
class _Case:
    """Settings and findings of the case."""

    case_id: str
    study_id: str
    intake: IntakeSettings
    phase: PhaseSettings
    privacy: PrivacySettings
    quality: QualitySettings
    series: list[SeriesRow] = field(default_factory=list)
    findings: list[PrivacyRow] = field(default_factory=list)
    set_aside: list[AsideRow] = field(default_factory=list)
    plans: list[SeriesPlan] = field(default_factory=list)


def inventory(*, request: Path, output: Path) -> None:
    """Judge every series a case names; whatever the files hold, this ends in verdicts."""
    content = read_request(request)
    run_guarded(
        lambda: _inventory(content, output), lambda: _write_aside(content, output, CRASH_CODE, crash_message(STAGE))
    )


def set_case_aside(*, request: Path, output: Path, code: str, message: str) -> None:
    """Write the file of a case whose series could not be judged, for one reason."""
    _write_aside(read_request(request), output, code, message)


def _write_aside(content: Request, output: Path, code: str, message: str) -> None:
    from outflow_cohort.dicom.rows import aside_row

    row = aside_row(content.case.case_id, None, STAGE, code, message)
    write_inventory(output, Inventory(set_aside=(row,)))
    events.set_aside([row.model_dump()])


def _inventory(content: Request, output: Path) -> None:
    case = _case(content)
    judged = _judge_rows(case, content)
    table_codes = _audit_tables(case, content)
    for one in judged:
        one.series.codes.update(table_codes)
    _finish(case, judged, table_codes)
    write_inventory(
        output,
        Inventory(
            series=tuple(case.series),
            privacy=tuple(case.findings),
            set_aside=tuple(case.set_aside),
            plans=tuple(case.plans),
        ),
    )
    for plan in case.plans:
        place = events.Place(case.case_id, plan.phase_pct)
        events.event("accepted", f"series.csv row {plan.row} accepted", place=place, level=logging.DEBUG)
    events.set_aside(row.model_dump() for row in case.set_aside)


def _case(content: Request) -> _Case:
    study = content.study
    return _Case(
        case_id=content.case.case_id,
        study_id=study.study_id,
        intake=study.intake,
        phase=study.phase,
        privacy=study.privacy,
        quality=study.quality,
    )


@dataclass
class _RowSeries:
    """One judged series of one row of series.csv."""

    row: int
    name: str
    series: JudgedSeries
    listing: str
    chosen: bool


def _judge_rows(case: _Case, content: Request) -> list[_RowSeries]:
    from outflow_cohort.dicom.pixels import frame_decoder

    judged: list[_RowSeries] = []
    scans: Scans = {}
    with ExitStack() as opened, frame_decoder(case.intake.decode_seconds, case.intake.decode_megabytes) as decoder:
        folders: dict[str, Path | PixelError] = {}
        for entry in content.series:
            if entry.volume:
                _judge_image(case, entry)
                continue
            found = _judge_folder(case, entry, _opened(case, entry, folders, opened), scans, decoder)
            judged += found
            if not any(f.chosen for f in found):
                case.set_aside.append(_row_aside(case, entry, found))
    return judged


def _opened(
    case: _Case, entry: SeriesEntry, folders: dict[str, Path | PixelError], opened: ExitStack
) -> Path | PixelError:
    """The folder of a row, a zip archive unpacked once for all rows that name it; else why it is missing."""
    from outflow_cohort.dicom.archives import opened_folder
    from outflow_cohort.dicom.pixels import PixelError

    name = entry.dicom_dir or ""
    if name not in folders:
        try:
            folders[name] = opened.enter_context(opened_folder(Path(name), case.intake))
        except PixelError as problem:
            folders[name] = problem
    return folders[name]


def _judge_folder(
    case: _Case,
    entry: SeriesEntry,
    folder: Path | PixelError,
    scans: dict[Path, tuple[FolderScan, Auditor]],
    decoder: FrameDecoder,
) -> list[_RowSeries]:
    from outflow_cohort.dicom.privacy import Auditor
    from outflow_cohort.dicom.privacy_texts import privacy_codes
    from outflow_cohort.dicom.rows import folder_row, other_rows, series_names
    from outflow_cohort.dicom.scan import list_files, scan_folder
    from outflow_cohort.dicom.selection import choose
    from outflow_cohort.dicom.verify import judge_frames, roughness

    row = entry.row
    if not isinstance(folder, Path):
        case.series.append(folder_row(case.case_id, row, folder.code, folder.message))
        return []
    if folder not in scans:
        auditor = Auditor(case.privacy, case.case_id, case.intake.max_sequence_depth)
        scans[folder] = scan_folder(folder, case.intake, case.phase, auditor.audit), auditor
    scan, auditor = scans[folder]
    for code, message in scan.problems:
        case.series.append(folder_row(case.case_id, row, code, message))
    case.series += other_rows(case.case_id, row, scan.others, case.study_id)
    names, _ = list_files(folder, case.intake.max_files)
    paths = {ordinal: folder / name for ordinal, (name, _) in enumerate(names)}
    series = judge_frames(scan.frames, paths, case.intake, case.phase, case.quality, decoder)
    if len({f.patient for f in scan.frames}) > 1:
        for one in series:
            one.codes["several_patients"] = "files of more than one patient in one folder"
    for one in series:
        one.codes.update(
            privacy_codes(auditor.of_series(one.first.series, Path(entry.dicom_dir or "").name), case.privacy)
        )
        one.figures["privacy"] = auditor.summary(one.first.series)
    _add_findings(case, row, auditor)
    named = [(one, name) for one, name in zip(series, series_names(series, case.study_id), strict=True)]
    chosen = choose(named, entry.phase_pct, case.phase, lambda one: roughness(one, paths, decoder))
    return [_RowSeries(row, name, one, scan.listing_digest, any(one is c for c in chosen)) for one, name in named]


def _add_findings(case: _Case, row: int, auditor: Auditor) -> None:
    from outflow_cohort.dicom.rows import fingerprint

    for series in sorted(auditor.findings):
        name = fingerprint(case.study_id, series) if series else ""
        case.findings += [
            _finding_row(case.case_id, f"{row} {name}".strip(), f) for f in sorted(auditor.findings[series])
        ]


def _finding_row(case_id: str, series: str, finding: Finding) -> PrivacyRow:
    return PrivacyRow(
        case_id=case_id,
        series=series,
        tag=finding.tag,
        keyword=finding.keyword,
        rule=finding.rule,
        severity=finding.severity,
    )


def _audit_tables(case: _Case, content: Request) -> dict[str, str]:
    """What the plan step found in the study's tables for this case; codes that set the whole case aside."""
    from outflow_cohort.dicom.privacy import Finding
    from outflow_cohort.dicom.privacy_texts import privacy_codes

    found = {Finding(row.tag, "", row.rule) for row in content.table_findings}
    case.findings += [_finding_row(case.case_id, "", f) for f in sorted(found)]
    return privacy_codes(found, case.privacy)


def _judge_image(case: _Case, entry: SeriesEntry) -> None:
    """A NIfTI, MetaImage or NRRD file: its grid is judged, its header text scanned."""
    from outflow_cohort.dicom.codes import reason
    from outflow_cohort.dicom.identity_text import path_holds_identity
    from outflow_cohort.dicom.images import header_texts, image_plan, read_image_header
    from outflow_cohort.dicom.pixels import PixelError
    from outflow_cohort.dicom.privacy import Finding
    from outflow_cohort.dicom.privacy_texts import audit_header_texts, privacy_codes
    from outflow_cohort.dicom.rows import aside_row, fingerprint, folder_row, image_row

    row, path = entry.row, Path(entry.volume or "")
    name = fingerprint(case.study_id, f"{case.case_id} {row}")
    codes: dict[str, str] = {}
    if entry.phase_pct is None:
        codes["phase_unknown"] = "no source states the phase"
    try:
        if not path.is_file():
            raise PixelError("folder_missing", "no file of this name")
        header = read_image_header(path, case.intake)
    except PixelError as problem:
        case.series.append(folder_row(case.case_id, row, problem.code, problem.message))
        message = f"series.csv row {row}: {problem.message}"
        case.set_aside.append(aside_row(case.case_id, entry.phase_pct, STAGE, problem.code, message))
        return
    if any(case.phase.match.same(plan.phase_pct, entry.phase_pct) for plan in case.plans):
        codes["phase_repeated"] = "another row of series.csv already has this phase"
    found = audit_header_texts(list(header_texts(path)), case.privacy)
    if path_holds_identity(path.name, frozenset(w.casefold() for w in case.privacy.allowed_words)):
        found.add(Finding("file_name", "", "path_identity"))
    case.findings += [_finding_row(case.case_id, f"{row} {name}", f) for f in sorted(found)]
    codes.update(privacy_codes(found, case.privacy))
    case.series.append(image_row(case.case_id, row, name, header, entry.phase_pct, codes))
    grave = sorted(code for code in codes if reason(code).severity == "set_aside")
    for code in grave:
        message = f"series.csv row {row}: {codes[code]}"
        case.set_aside.append(aside_row(case.case_id, entry.phase_pct, STAGE, code, message))
    if not grave:
        case.plans.append(image_plan(row, name, header, entry.phase_pct, codes))


def _finish(case: _Case, judged: list[_RowSeries], table_codes: dict[str, str]) -> None:
    """Judge the case as a whole, then write rows, plans and what was set aside."""
    from outflow_cohort.dicom.rows import aside_row, series_plan, series_row
    from outflow_cohort.dicom.selection import judge_case

    chosen = [one for one in judged if one.chosen]
    judge_case([one.series for one in chosen], case.phase)
    for one in judged:
        case.series.append(series_row(case.case_id, one.row, one.name, one.series, case.study_id))
    for one in chosen:
        own = [code for code in _set_aside_codes(one.series) if code not in table_codes]
        if own:
            case.set_aside.append(_series_aside(case, one, own))
        elif not table_codes:
            case.plans.append(series_plan(one.row, one.name, one.series, case.study_id, one.listing))
    for code in sorted(table_codes):
        case.plans.clear()
        case.set_aside.append(aside_row(case.case_id, None, STAGE, code, f"study table: {table_codes[code]}"))


def _series_aside(case: _Case, one: _RowSeries, codes: list[str]) -> AsideRow:
    """One set_aside row of a series: the first grave code, the numbers of all."""
    from outflow_cohort.dicom.rows import aside_row

    found = "; ".join(f"{code}: {one.series.codes[code]}" for code in codes)
    message = f"series.csv row {one.row}, series {one.name}: {found}"
    return aside_row(case.case_id, one.series.phase.phase_pct, STAGE, codes[0], message)


def _row_aside(case: _Case, entry: SeriesEntry, found: list[_RowSeries]) -> AsideRow:
    """Set_aside row of a row of series.csv that yields nothing: what is wrong with its largest series."""
    from outflow_cohort.dicom.rows import aside_row

    ranked = sorted(found, key=lambda one: ("localizer" in one.series.codes, -len(one.series.stack.frames), one.name))
    if ranked:
        row = _series_aside(case, ranked[0], _set_aside_codes(ranked[0].series))
        return row.model_copy(update={"phase_pct": entry.phase_pct})
    kinds = sorted({row.reason_codes for row in case.series if row.row == entry.row})
    message = f"series.csv row {entry.row}: no CT series among its files ({', '.join(kinds) or 'no files'})"
    whole: list[str] = [
        c for c in ("folder_missing", "archive_unsafe", "archive_unreadable", "too_many_files") if c in kinds
    ]
    return aside_row(case.case_id, entry.phase_pct, STAGE, (whole or ["no_series_found"])[0], message)


def _set_aside_codes(series: JudgedSeries) -> list[str]:
    """Grave codes in the order of the table of codes."""
    from outflow_cohort.dicom.codes import reasons

    return [r.code for r in reasons().values() if r.severity == "set_aside" and r.code in series.codes]
