"""Blinded invented scans of known truth for readers who want to read a study. Points LPS, mm; HU.

    FOLDER/readers/READER/   what that reader receives: reading_list.csv, READING_ID/ (DICOM), how_to_file.txt,
                             protocol.html
    FOLDER/keep_back/        key.csv, hearts.yaml, scans.csv, truth.csv, settings.json: not for readers

The hearts are the demonstration's, drawn from a seed that only keep_back knows; the scans have the pixels, slices,
thickness and contrast to noise of scans of the study, drawn from its results.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import yaml

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.render import FWHM_TO_SD, Scanner
from outflow_cohort.files import write_csv, write_json, write_text
from outflow_cohort.study.problems import StudyError

if TYPE_CHECKING:
    from outflow_cohort.demo.anatomy import HeartPhase
    from outflow_cohort.demo.render import Grid
    from outflow_cohort.demo.settings import DemoCase, DemoSettings
    from outflow_cohort.demo.shapes import Array
    from outflow_cohort.study.config import Study

READERS, KEEP_BACK = "readers", "keep_back"
PHASES = (40.0, 75.0)
"""% R-R: end-systole and diastole, in turn."""
FIELD_MM, LENGTH_MM = 165.0, 125.0
"""Width and length of the scans: the whole heart."""
BLUR = 0.8
"""mm; full width at half maximum in the slice."""
TYPICAL = {"pixel": 0.6, "slice": 0.8, "thickness": 0.8, "contrast_to_noise": 14.0}
"""Scan where no study is given; invented."""
SCAN_COLUMNS = {
    "pixel": "column_spacing_mm",
    "slice": "slice_spacing_mm",
    "thickness": "slice_thickness_mm",
    "contrast_to_noise": "contrast_to_noise",
}
BOUNDS = {"pixel": (0.33, 1.5), "slice": (0.3, 3.0), "thickness": (0.3, 5.0), "contrast_to_noise": (2.0, 40.0)}
"""Within these the generator draws hearts well."""
HOW_TO_FILE = """\
File one CSV table of all your readings with these columns:
case_id, reader_id, structure, point_no, x_mm, y_mm, z_mm

case_id    the reading's name in reading_list.csv, such as {reader}-001
reader_id  {reader}
structure  the names of the protocol, such as mitral_ring
point_no   1, 2, 3 ... within a structure
x, y, z    millimetres in the image's own DICOM patient frame (LPS)

Read in the order of the list. The hearts are invented; nobody was scanned.
"""


@dataclass(frozen=True)
class ThickScanner(Scanner):
    """A scanner whose slices are thicker than the blur within them."""

    thickness: float = 0.0
    """mm, full width at half maximum along z."""

    def clean(self, heart: HeartPhase, grid: Grid) -> Array:
        """Noise-free HU, blurred along z to the slice thickness."""
        from scipy.ndimage import gaussian_filter1d

        image = super().clean(heart, grid)
        more = np.sqrt(max(self.thickness**2 - self.blur_fwhm**2, 0.0)) * FWHM_TO_SD / grid.spacing[2]
        return image if more < 0.05 else gaussian_filter1d(image, more, axis=0, mode="nearest")


def deal(
    *,
    readers: list[str],
    cases: int,
    repeat_share: float,
    output: Path,
    study_file: Path | None = None,
    seed: int | None = None,
) -> int:
    """Write FOLDER (see the module) and return the number of readings.

    seed : None = a secret one. Raises ValueError for bad names, shares or a folder in use, StudyError for a broken
    study.
    """
    from outflow_cohort.demo.cohort import heart_case
    from outflow_cohort.demo.ct import scan_grid, scanned, write_slices
    from outflow_cohort.interchange.blinding import blinded_lists

    for reader in readers:
        if not reader.replace("_", "").replace("-", "").isalnum():
            raise ValueError("a reader's name may hold letters, digits, - and _ only, since a folder is named after it")
    if output.exists() and any(output.iterdir()):
        raise ValueError(f"{output.name} is not empty; name a new folder")
    if not 1 <= cases <= 200:
        raise ValueError(f"{cases} cases; needed 1 to 200")
    study = _study(study_file)
    chosen = secrets.randbelow(2**31) if seed is None else seed
    hearts = _hearts(cases, chosen, _groups(study_file, study))
    scans = _scans(study_file, study, cases, chosen)
    series = pd.DataFrame({"case_id": [h.case_id for h in hearts], "phase_pct": [_phase(i) for i in range(cases)]})
    blinded = blinded_lists(series, readers, repeat_share=repeat_share, seed=chosen)
    for case, scan in zip(hearts, scans, strict=True):
        demo = _settings([case], scan, chosen, readers)
        phase = float(series.loc[series["case_id"] == case.case_id, "phase_pct"].iloc[0])
        heart = heart_case(case)
        grid = scan_grid(demo.scan, _at(case, phase))
        noise = (heart.levels.left_blood - heart.levels.muscle) / scan["contrast_to_noise"]
        hu = scanned(demo, case, phase, grid, ThickScanner(BLUR, noise, 1, thickness=scan["thickness"]))
        for row in blinded.key[blinded.key["case_id"] == case.case_id].to_dict("records"):
            named = case.model_copy(update={"case_id": row["reading_id"]})
            target = output / READERS / row["reader_id"] / row["reading_id"]
            write_slices(target, demo.model_copy(update={"cases": (named,)}), named, phase, grid, hu)
    _write_for_readers(output / READERS, blinded.lists, study)
    _write_key(output / KEEP_BACK, blinded.key, hearts, scans, chosen, study)
    return len(blinded.key)


def _study(study_file: Path | None) -> Study:
    from outflow_cohort.study.config import Study, load_study

    if study_file is None:
        return Study(study_id="qualification")
    study, problems = load_study(study_file)
    if study is None:
        raise StudyError(problems)
    return study


def _phase(number: int) -> float:
    return PHASES[number % len(PHASES)]


def _at(case: DemoCase, phase: float) -> HeartPhase:
    from outflow_cohort.demo.cohort import heart_case

    return HeartPhase(heart_case(case), phase)


def _groups(study_file: Path | None, study: Study) -> tuple[Any, ...]:
    """Kinds of hearts in turn: native ones, calcified ones, and surgical valves where the study has such."""
    prostheses = None if study_file is None else study_file.parent / study.prostheses
    if prostheses is not None and prostheses.is_file() and len(prostheses.read_text("utf-8-sig").splitlines()) > 1:
        return ("native", "annular_calcification", "native", "failed_bioprosthesis")
    return ("native", "native", "annular_calcification", "native")


def _hearts(cases: int, seed: int, groups: tuple[Any, ...]) -> list[DemoCase]:
    from outflow_cohort.demo.settings import DemoCase

    seeds = np.random.default_rng([seed, 16]).choice(10**6, size=cases, replace=False)
    return [
        DemoCase(case_id=f"Q{i + 1:03d}", group=groups[(i // 2) % len(groups)], seed=int(s))
        for i, s in enumerate(seeds)
    ]


def _scans(study_file: Path | None, study: Study, cases: int, seed: int) -> list[dict[str, float]]:
    """Pixel, slice, thickness (mm) and contrast to noise of each case: those of a scan of the study drawn at random."""
    table = None if study_file is None else study_file.parent / study.results / "tables" / "series.parquet"
    if table is None:
        return [dict(TYPICAL)] * cases
    if not table.is_file():
        raise ValueError(
            "no tables/series.parquet in the study's results; needed its scans. Run the study or leave --study out"
        )
    known = pd.read_parquet(table, columns=["verdict", *SCAN_COLUMNS.values()])
    known = known[known["verdict"] != "set_aside"].dropna()
    if known.empty:
        raise ValueError("the study has no accepted scan whose spacing, thickness and noise are known")
    drawn = known.sample(cases, replace=True, random_state=seed % 2**32)
    return [
        {name: float(np.clip(row[column], *BOUNDS[name])) for name, column in SCAN_COLUMNS.items()}
        for row in drawn.to_dict("records")
    ]


def _settings(hearts: list[DemoCase], scan: dict[str, float], seed: int, readers: list[str]) -> DemoSettings:
    """The generator's settings for one scan."""
    from outflow_cohort.demo.settings import DemoScan, DemoSettings

    pixel, step = round(scan["pixel"], 4), round(scan["slice"], 4)
    return DemoSettings(
        study_id="qualification",
        title="Invented scans of known truth",
        seed=seed,
        phases_pct=PHASES,
        readers=tuple(readers),
        sites=("invented",),
        cases=tuple(hearts),
        scan=DemoScan(
            matrix=min(int(np.ceil(FIELD_MM / pixel)), 512),
            pixel_mm=pixel,
            slice_mm=step,
            slices=min(max(int(np.ceil(LENGTH_MM / step)), 20), 600),
        ),
    )


def _write_for_readers(folder: Path, lists: dict[str, pd.DataFrame], study: Study) -> None:
    from outflow_cohort.corelab.protocol import protocol_page

    page = protocol_page(study)
    for reader, listed in lists.items():
        write_csv(folder / reader / "reading_list.csv", listed)
        write_text(folder / reader / "how_to_file.txt", HOW_TO_FILE.format(reader=reader))
        write_text(folder / reader / "protocol.html", page)


def _write_key(
    folder: Path,
    key: pd.DataFrame,
    hearts: list[DemoCase],
    scans: list[dict[str, float]],
    seed: int,
    study: Study,
) -> None:
    """Everything that says what is true."""
    from outflow_cohort.demo.landmarks import true_landmarks

    write_csv(folder / "key.csv", key)
    write_text(folder / "hearts.yaml", yaml.safe_dump([h.model_dump(mode="json") for h in hearts], sort_keys=False))
    drawn = [{"case_id": h.case_id, "group": h.group} | scan for h, scan in zip(hearts, scans, strict=True)]
    write_csv(folder / "scans.csv", pd.DataFrame(drawn))
    rows = [
        (case.case_id, _phase(i), name, n + 1, *(round(float(v), 3) for v in point))
        for i, case in enumerate(hearts)
        for name, points in true_landmarks(_at(case, _phase(i))).items()
        for n, point in enumerate(points)
    ]
    columns = ["case_id", "phase_pct", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    write_csv(folder / "truth.csv", pd.DataFrame(rows, columns=columns))
    settings = {"seed": seed, "study_id": study.study_id, "qualification": study.qualification.model_dump(mode="json")}
    write_json(folder / "settings.json", settings)
    write_text(folder / "README.txt", "Keep this folder from the readers: it holds the key and the true places.\n")


def known_hearts(folder: Path) -> dict[str, tuple[DemoCase, float]]:
    """Case and phase of each invented heart of a qualification folder."""
    from outflow_cohort.demo.settings import DemoCase

    listed = yaml.safe_load((folder / KEEP_BACK / "hearts.yaml").read_text(encoding="utf-8"))
    hearts = [DemoCase.model_validate(row) for row in listed]
    return {case.case_id: (case, _phase(i)) for i, case in enumerate(hearts)}
