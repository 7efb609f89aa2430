"""The demonstration study on disk: tables, CT series and readers."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest
import SimpleITK as sitk

from outflow_cohort.demo import ct, study, truth
from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import heart_case
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.readers import Noise, agreement_rows, read, readers
from outflow_cohort.demo.settings import load_settings
from outflow_cohort.demo.true_sections import SKETCH
from outflow_cohort.study.checks import load_tables
from outflow_cohort.study.config import load_study
from outflow_geometry.measures.registry import REGISTRY

SETTINGS = Path(__file__).parents[2] / "config" / "demo.yaml"
SMALL_SCAN = """\
scan:
  matrix: 64
  pixel_mm: 2.0
  slice_mm: 3.0
  slices: 24
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The study's tables, with scans of few large voxels."""
    base = tmp_path_factory.mktemp("demo")
    lines = SETTINGS.read_text(encoding="utf-8").splitlines()
    start = lines.index("scan:")
    stop = next(i for i in range(start + 1, len(lines)) if not lines[i].startswith(" "))
    settings = base / "small.yaml"
    settings.write_text("\n".join(lines[:start] + SMALL_SCAN.splitlines() + lines[stop:]) + "\n", encoding="utf-8")
    study.write_tables(folder=base / "study", settings=settings)
    return base / "study"


def _digest(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def test_tables_pass_the_study_check_without_a_remark(folder: Path) -> None:
    settings, problems = load_study(folder / "study.yaml")
    assert problems == []
    assert settings is not None
    tables, problems = load_tables(settings, folder)
    assert problems == []
    assert tables.refused.empty
    assert len(tables.cases) == 12
    assert set(tables.cases["group"]) == {"native", "annular_calcification", "failed_bioprosthesis", "failed_ring"}
    assert tables.series.groupby("case_id").size().eq(3).all()
    assert tables.plans.groupby("case_id").size().max() >= 2
    assert tables.cases["obstruction"].nunique() == 2


def test_tables_are_the_same_bytes_again(folder: Path, tmp_path: Path) -> None:
    study.write_tables(folder=tmp_path / "again", settings=folder / "demo.yaml")
    first = {
        name: digest
        for name, digest in _digest(folder).items()
        if name.endswith((".csv", ".yaml", ".schema.json")) and "/" not in name
    }
    assert _digest(tmp_path / "again") == first


def test_some_cells_are_missing_on_purpose(folder: Path) -> None:
    marks = pd.read_csv(folder / "landmarks.csv")
    marks_again = marks[marks["phase_pct"] == 40]
    reads = marks_again.groupby(["case_id", "phase_pct", "reader_id"])["read_no"].nunique()
    assert set(reads[reads < 2].index.get_level_values("case_id")) == {"D06"}
    with_path = marks[marks["structure"] == "outflow_path"]["case_id"].unique()
    assert set(marks["case_id"]) - set(with_path) == {"D12"}


def test_one_case_is_marked_in_two_of_its_three_phases_and_carried_to_the_third(folder: Path) -> None:
    settings, _ = load_study(folder / "study.yaml")
    assert settings is not None
    assert settings.carry is not None
    marks = pd.read_csv(folder / "landmarks.csv")
    marked = marks.groupby("case_id")["phase_pct"].unique().map(sorted)
    assert {case: phases for case, phases in marked.items() if phases != [20, 40, 75]} == {"D06": [40, 75]}


def test_series_read_back_by_a_reference_reader(folder: Path) -> None:
    """SimpleITK (GDCM) sees the grid and the HU that were drawn."""
    demo = load_settings(folder / "demo.yaml")
    case = demo.case("D02")
    target = folder / "one"
    ct.write_series(folder=target, demo=demo, case=case, phase_pct=40.0)
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(target)))
    image = reader.Execute()
    heart = HeartPhase(heart_case(case), 40.0)
    grid = ct.scan_grid(demo.scan, heart)
    assert image.GetSize() == grid.shape
    assert image.GetOrigin() == pytest.approx(grid.origin, abs=1e-6)
    assert image.GetSpacing() == pytest.approx(grid.spacing, abs=1e-6)
    values = sitk.GetArrayFromImage(image)
    inside = image.TransformPhysicalPointToIndex(true_landmarks(heart)["blood_sample"][0].tolist())
    assert values[inside[::-1]] == pytest.approx(heart.case.levels.left_blood, abs=120)
    assert values.min() >= -1024


def test_headers_are_those_of_a_deidentified_ct(folder: Path) -> None:
    demo = load_settings(folder / "demo.yaml")
    frames, instances, series = set(), [], set()
    for phase in demo.phases_pct:
        ct.write_series(folder=folder / f"headers_{phase:g}", demo=demo, case=demo.case("D01"), phase_pct=phase)
        for path in sorted((folder / f"headers_{phase:g}").glob("*.dcm")):
            d = pydicom.dcmread(path)
            assert d.SOPClassUID == pydicom.uid.CTImageStorage
            assert d.PatientID == d.PatientName == "D01"
            assert d.PatientIdentityRemoved == "YES"
            assert {c.CodeValue for c in d.DeidentificationMethodCodeSequence} == {"113100", "113105", "113108"}
            assert d.NominalPercentageOfCardiacPhase == phase
            # both statements of the phase agree within rounding to whole milliseconds
            assert 100 * float(d.TriggerTime) / float(d.NominalInterval) == pytest.approx(phase, abs=0.1)
            assert d.RescaleIntercept == -1024
            assert d.file_meta.MediaStorageSOPInstanceUID == d.SOPInstanceUID
            assert all(u.startswith("2.25.") and len(u) <= 64 for u in (d.SOPInstanceUID, d.StudyInstanceUID))
            frames.add(d.FrameOfReferenceUID)
            series.add(d.SeriesInstanceUID)
            instances.append(d.SOPInstanceUID)
    assert len(frames) == 1
    assert len(series) == len(demo.phases_pct)
    assert len(set(instances)) == len(instances)


def test_faults_are_in_place(folder: Path) -> None:
    demo = load_settings(folder / "demo.yaml")
    faults = {case.fault: case for case in demo.cases if case.fault != "none"}
    lost, bare = folder / "lost", folder / "bare"
    ct.write_series(folder=lost, demo=demo, case=faults["lost_slice"], phase_pct=20.0)
    positions = sorted(float(pydicom.dcmread(p).ImagePositionPatient[2]) for p in lost.glob("*.dcm"))
    gaps = np.diff(positions)
    assert gaps.max() == pytest.approx(2 * gaps.min())
    ct.write_series(folder=bare, demo=demo, case=faults["no_deidentification"], phase_pct=20.0)
    header = pydicom.dcmread(next(bare.glob("*.dcm")))
    for keyword in ("PatientIdentityRemoved", "DeidentificationMethod", "DeidentificationMethodCodeSequence"):
        assert keyword not in header


def test_compressed_series_holds_the_same_pixels_and_bytes_repeat(folder: Path) -> None:
    demo = load_settings(folder / "demo.yaml")
    case = next(c for c in demo.cases if c.compressed)
    plain = case.model_copy(update={"compressed": False})
    # the case's place in the list decides its site and so its scanner
    changed = demo.model_copy(update={"cases": tuple(plain if c is case else c for c in demo.cases)})
    ct.write_series(folder=folder / "rle", demo=demo, case=case, phase_pct=20.0)
    ct.write_series(folder=folder / "rle2", demo=demo, case=case, phase_pct=20.0)
    ct.write_series(folder=folder / "plain", demo=changed, case=plain, phase_pct=20.0)
    assert _digest(folder / "rle") == _digest(folder / "rle2")
    for path in sorted((folder / "rle").glob("*.dcm")):
        packed, open_ = pydicom.dcmread(path), pydicom.dcmread(folder / "plain" / path.name)
        assert packed.file_meta.TransferSyntaxUID == pydicom.uid.RLELossless
        assert np.array_equal(packed.pixel_array, open_.pixel_array)


def test_many_reads_recover_the_stated_agreement() -> None:
    heart = HeartPhase(heart_case(load_settings(SETTINGS).case("D01")), 40.0)
    marks = {name: p for name, p in true_landmarks(heart).items() if name in ("mitral_ring", "lv_apex")}
    noise, who = Noise(), readers(("one", "two", "three"))
    stated = {(row["reader_id"], row["part"]): row for row in agreement_rows(who, noise, len(marks["mitral_ring"]))}
    rng = np.random.default_rng(3)
    for reader in who:
        sizes = []
        for _ in range(800):
            local = heart.to_local(read(marks, reader, noise, rng)["mitral_ring"])[:, :2]
            after = np.roll(local, -1, axis=0)
            sizes.append(np.sqrt(2 / np.pi * abs(np.sum(local[:, 0] * after[:, 1] - local[:, 1] * after[:, 0]))))
        ring = heart.to_local(marks["mitral_ring"])[:, :2]
        after = np.roll(ring, -1, axis=0)
        still = np.sqrt(2 / np.pi * abs(np.sum(ring[:, 0] * after[:, 1] - ring[:, 1] * after[:, 0])))
        row = stated[reader.reader_id, "mitral_diameter/area"]
        assert np.std(sizes) == pytest.approx(row["sd_within"], rel=0.1)
        # four standard errors, and the second-order gain of a noisy outline
        assert np.mean(sizes) - still == pytest.approx(row["bias"], abs=0.12)


def test_truth_speaks_of_registered_measures_only(folder: Path) -> None:
    demo = load_settings(folder / "demo.yaml").model_copy(update={"phases_pct": (40.0,)})
    rows = truth.case_truth(demo, demo.case("D12"), SKETCH)
    known = {m.id: m for m in REGISTRY}
    for _, phase, _, measure, variant, value, unit in rows:
        assert np.isfinite(value), (measure, variant)
        if measure.startswith("view:"):
            continue
        entry = known[measure]
        assert unit == entry.unit, measure
        generic = "/".join(["SOLID", *variant.split("/")[1:]]) if measure in _sectional() else variant
        allowed = entry.case_variants if phase is None else entry.variants
        assert generic in allowed, (measure, variant)
    seen = {row[3] for row in rows}
    assert {"neo_lvot_area", "lv_volume", "ring_inner_diameter", "oversizing", "aorto_mitral_angle"} <= seen


def _sectional() -> set[str]:
    return {m.id for m in REGISTRY if any("SOLID" in v for v in m.variants)}
