"""Points of general viewers through study.yaml's `landmark_files`: tables of any columns, JSON lists, VTK polydata, and
DICOM files that name their series. Truth: the ring that each file was written from."""

from __future__ import annotations

import base64
import json
import sys
import zlib
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest
import yaml

sys.path.insert(0, str(Path(__file__).parents[1] / "dicom"))

from series_files import uid, write_series

from outflow_cohort.steps.plan import plan
from outflow_cohort.study.landmark_sources import LandmarkFiles
from outflow_cohort.study.problems import StudyError

TURN = 2 * np.pi * np.arange(8) / 8
RING = np.stack([16 * np.cos(TURN) + 3, 14 * np.sin(TURN) - 20, 0.5 * TURN], axis=1)
"""LPS, mm."""
RAS = RING * [-1, -1, 1]
RT_UTILS = Path(__file__).parent / "data" / "rt_utils_ellipse.dcm"


def study(folder: Path, groups: list[dict], series: str = "C1,img,30\n") -> Path:
    (folder / "cases.csv").write_text("case_id\nC1\nC2\n", encoding="utf-8")
    (folder / "series.csv").write_text(f"case_id,dicom_dir,phase_pct\n{series}", encoding="utf-8")
    path = folder / "study.yaml"
    path.write_text(yaml.safe_dump({"study_id": "viewers", "landmark_files": groups}), encoding="utf-8")
    return path


def readings(path: Path) -> pd.DataFrame:
    plan(study_file=path)
    return pd.read_parquet(path.parent / "results/work/readings.parquet")


def messages(path: Path) -> list[str]:
    with pytest.raises(StudyError) as caught:
        plan(study_file=path)
    return [str(p) for p in caught.value.problems if p.severity == "error"]


def is_the_ring(frame: pd.DataFrame, within: float = 1e-9) -> None:
    ring = frame[frame["structure"] == "mitral_ring"].sort_values("point_no")
    np.testing.assert_allclose(ring[["x_mm", "y_mm", "z_mm"]].to_numpy(), RING, atol=within)
    assert set(zip(ring["case_id"], ring["phase_pct"], ring["reader_id"], ring["read_no"], strict=True)) == {
        ("C1", 30.0, "ash", 1)
    }


FOREIGN_COLUMNS = {
    "case_id": "Case", "reader_id": "Who", "structure": "What", "x_mm": "R", "y_mm": "A", "z_mm": "S",
}  # fmt: skip


@pytest.mark.parametrize("kind", ["csv", "semicolons and commas", "tsv", "utf-16", "latin-1", "xlsx"])
def test_a_table_by_its_mapping(tmp_path: Path, kind: str) -> None:
    """Columns of other names, RAS, centimetres, other signs and encodings; points in the order of the file."""
    frame = pd.DataFrame(RAS / 10, columns=["R", "A", "S"])
    frame.insert(0, "Case", "C1")
    frame = frame.assign(Who="ash", What="Ring é" if kind == "latin-1" else "Ring", Note="x")
    group: dict = {
        "files": "exports/*", "coordinates": "RAS", "unit": "cm", "columns": FOREIGN_COLUMNS, "phase_pct": 30,
        "structures": {"Ring": "mitral_ring", "Ring é": "mitral_ring"},
    }  # fmt: skip
    (tmp_path / "exports").mkdir()
    file = tmp_path / f"exports/a.{kind if kind in ('tsv', 'xlsx') else 'csv'}"
    if kind == "xlsx":
        frame.to_excel(file, index=False)
    elif kind == "semicolons and commas":
        frame.to_csv(file, index=False, sep=";", decimal=",")
        group["decimal"] = ","
    else:
        encoding = kind if "-" in kind else "utf-8"
        group["encoding"] = encoding
        frame.to_csv(file, index=False, sep="\t" if kind == "tsv" else ",", encoding=encoding)
    is_the_ring(readings(study(tmp_path, [group])))


def test_a_list_of_control_points_that_states_its_coordinate_system(tmp_path: Path) -> None:
    content = {
        "lists": [
            {
                "name": "mitral ring", "coordinateSystem": "RAS", "coordinateUnits": "mm",
                "controlPoints": [{"label": f"r-{i}", "position": p.tolist()} for i, p in enumerate(RAS, start=1)],
            },
            {
                "coordinateSystem": "RAS", "coordinateUnits": "mm",
                "controlPoints": [
                    {"label": "LV apex-1", "position": [-80.0, 50.0, -60.0]}, {"label": "septum-1", "position": None},
                ],
            },
        ]
    }  # fmt: skip
    (tmp_path / "C1_30_ash.json").write_text(json.dumps(content), encoding="utf-8")
    pattern = r"(?P<case_id>C\d+)_(?P<phase_pct>\d+)_(?P<reader_id>\w+)"
    frame = readings(study(tmp_path, [{"files": "*.json", "name_pattern": pattern}]))
    is_the_ring(frame)
    apex = frame[frame["structure"] == "lv_apex"]
    assert apex[["x_mm", "y_mm", "z_mm"]].to_numpy().tolist() == [[80.0, -50.0, -60.0]]
    assert "septum" not in set(frame["structure"])


def vtp(kind: str) -> bytes:
    """XML polydata of the ring by the letter of the format."""
    raw = RAS.astype("<f8").tobytes()
    head, data = "", ""
    if kind == "ascii":
        data = " ".join(repr(float(v)) for v in RAS.ravel())
    elif kind == "binary":
        data = base64.b64encode(len(raw).to_bytes(8, "little") + raw).decode()
    else:
        head = ' compressor="vtkZLibDataCompressor"'
        blocks = [zlib.compress(raw[:100]), zlib.compress(raw[100:])]
        sizes = np.array([2, 100, len(raw) - 100, len(blocks[0]), len(blocks[1])], "<u8").tobytes()
        data = base64.b64encode(sizes).decode() + base64.b64encode(b"".join(blocks)).decode()
    form = "ascii" if kind == "ascii" else "binary"
    return (
        f'<?xml version="1.0"?><VTKFile type="PolyData" byte_order="LittleEndian" header_type="UInt64"{head}><PolyData>'
        f'<Piece NumberOfPoints="8"><Points><DataArray type="Float64" NumberOfComponents="3" format="{form}">{data}'
        "</DataArray></Points></Piece></PolyData></VTKFile>"
    ).encode()


def legacy(binary: bool) -> bytes:
    head = f"# vtk DataFile Version 3.0\nring\n{'BINARY' if binary else 'ASCII'}\nDATASET POLYDATA\nPOINTS 8 double\n"
    body = RAS.astype(">f8").tobytes() if binary else " ".join(repr(float(v)) for v in RAS.ravel()).encode()
    return head.encode() + body + b"\nLINES 0 0\n"


@pytest.mark.parametrize("kind", ["ascii", "binary", "compressed", "legacy ascii", "legacy binary"])
def test_polydata_whose_file_name_says_what_it_holds(tmp_path: Path, kind: str) -> None:
    is_legacy = kind.startswith("legacy")
    content = legacy(kind == "legacy binary") if is_legacy else vtp(kind)
    (tmp_path / f"C1_mitral_ring.{'vtk' if is_legacy else 'vtp'}").write_bytes(content)
    group = {
        "files": "C*_*.vt*", "coordinates": "RAS", "reader_id": "ash", "phase_pct": 30,
        "name_pattern": r"(?P<case_id>C\d+)_(?P<structure>.+)",
    }  # fmt: skip
    is_the_ring(readings(study(tmp_path, [group])))


@pytest.mark.parametrize("kind", ["ascii", "compressed", "legacy binary"])
def test_polydata_of_the_reference_library(tmp_path: Path, kind: str) -> None:
    """Oracle: VTK's own writers."""
    vtk = pytest.importorskip("vtk", reason="VTK is not installed (pip install '.[viewers]')")
    from vtk.util.numpy_support import numpy_to_vtk

    points = vtk.vtkPoints()
    points.SetData(numpy_to_vtk(RAS, deep=True))
    data = vtk.vtkPolyData()
    data.SetPoints(points)
    file = tmp_path / f"C1_mitral_ring.{'vtk' if 'legacy' in kind else 'vtp'}"
    if "legacy" in kind:
        writer = vtk.vtkPolyDataWriter()
        writer.SetFileTypeToBinary()
    else:
        writer = vtk.vtkXMLPolyDataWriter()
        (writer.SetDataModeToAscii if kind == "ascii" else writer.SetDataModeToBinary)()
    writer.SetFileName(str(file))
    writer.SetInputData(data)
    writer.Write()
    group = {
        "files": file.name, "coordinates": "RAS", "case_id": "C1", "reader_id": "ash", "structure": "mitral_ring",
    }  # fmt: skip
    is_the_ring(readings(study(tmp_path, [group])), 1e-5)


@pytest.mark.parametrize("referred", ["series", "frame"])
@pytest.mark.parametrize("stated", ["30", ""])
def test_a_structure_set_is_placed_by_the_series_it_refers_to(tmp_path: Path, referred: str, stated: str) -> None:
    """PatientID is no case_id and no phase is named: case and phase are those of the series, stated or by its header."""

    def phase_of(ds, k):
        ds.NominalPercentageOfCardiacPhase = 30 if ds.SeriesNumber == 1 else 70
        if ds.SeriesNumber == 2:
            ds.FrameOfReferenceUID = uid(44)

    write_series(tmp_path / "one", phase_of, series=1)
    write_series(tmp_path / "two", phase_of, series=2)
    document = pydicom.dcmread(RT_UTILS)
    document.PatientID, document.StructureSetLabel = "somebody", "ash"
    frame = pydicom.Dataset()
    if referred == "series":
        series, inner = pydicom.Dataset(), pydicom.Dataset()
        series.SeriesInstanceUID = uid(3, 1)
        inner.RTReferencedSeriesSequence = [series]
        frame.RTReferencedStudySequence = [inner]
    frame.FrameOfReferenceUID = uid(4) if referred == "frame" else uid(99)
    document.FrameOfReferenceUID = frame.FrameOfReferenceUID
    document.ReferencedFrameOfReferenceSequence = [frame]
    (tmp_path / "landmarks").mkdir()
    document.save_as(tmp_path / "landmarks/one.dcm")
    path = study(tmp_path, [], f"C1,one,{stated}\nC1,two,{'70' if stated else ''}\nC2,two,70\n")
    path.write_text("study_id: viewers\nlandmarks: landmarks\n", encoding="utf-8")
    frame_of_points = readings(path)
    assert set(frame_of_points["case_id"]) == {"C1"}
    assert set(frame_of_points["phase_pct"]) == {30.0}
    frame.FrameOfReferenceUID = document.FrameOfReferenceUID = uid(1234)
    frame.RTReferencedStudySequence = []
    document.save_as(tmp_path / "landmarks/one.dcm")
    (message,) = messages(path)
    assert "no reference to a series of series.csv" in message
    assert "landmark_files" in message
    assert "somebody" not in message
    text = "study_id: viewers\nlandmark_files: [{files: landmarks/*.dcm, case_id: C1, phase_pct: 70, reader_id: elm}]\n"
    path.write_text(text, encoding="utf-8")
    assert set(readings(path)["phase_pct"]) == {70.0}


GOOD_JSON = {"coordinateSystem": "LPS", "name": "mitral ring", "points": RING.tolist()}
WRONG = {
    "no coordinate system": (
        "a.json", {**GOOD_JSON, "coordinateSystem": ""}, {"case_id": "C1", "reader_id": "ash"},
        ["a.json: found points without a coordinate system", "LPS or RAS"],
    ),
    "two coordinate systems": (
        "a.json", GOOD_JSON, {"case_id": "C1", "reader_id": "ash", "coordinates": "RAS"},
        ["a.json: found the coordinate system LPS beside coordinates: RAS"],
    ),
    "no case": (
        "a.json", GOOD_JSON, {"reader_id": "ash"}, ["a.json: found points without a case_id", "name_pattern (?P<case_id>"],
    ),
    "no reader": ("a.json", GOOD_JSON, {"case_id": "C1"}, ["points without a reader_id", "reader_id: VALUE"]),
    "no list": ("a.json", {"x": 1}, {"case_id": "C1"}, ["a.json: found no list of points"]),
    "no column": (
        "a.csv", "R,A\n1,2\n", {"coordinates": "RAS", "columns": {"x_mm": "R", "y_mm": "A"}},
        ["a.csv, row 1, z_mm: found no column", "columns: {z_mm: ITS NAME}"],
    ),
    "column of another name": (
        "a.csv", "R,A,S\n1,2,3\n", {"coordinates": "RAS", "columns": {"x_mm": "X", "y_mm": "A", "z_mm": "S"}},
        ['a.csv, row 1, x_mm: found no column "X" among "R", "A", "S"'],
    ),
    "no ending known": ("a.bin", "x", {"case_id": "C1"}, ["a.bin: found"]),
    "no file": ("b.json", GOOD_JSON, {"files": "c*.json"}, ["landmark_files.0.files: found no file"]),
    "bad number": (
        "a.csv", "case_id,reader_id,structure,x_mm,y_mm,z_mm\nC1,ash,lv_apex,1,NaN,3\n", {"coordinates": "LPS"},
        ['a.csv, row 2, y_mm: found "NaN"'],
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", WRONG)
def test_the_message_names_the_mapping_that_is_missing(tmp_path: Path, kind: str) -> None:
    name, content, group, expected = WRONG[kind]
    text = content if isinstance(content, str) else json.dumps(content)
    (tmp_path / name).write_text(text, encoding="utf-8")
    found = messages(study(tmp_path, [{"files": name, **group}]))
    assert len(found) == 1, found
    for part in [*expected, "needed", "Remedy"]:
        assert part in found[0]


def test_a_point_file_in_the_landmark_folder_without_an_entry_names_the_key(tmp_path: Path) -> None:
    (tmp_path / "landmarks").mkdir()
    (tmp_path / "landmarks/a.json").write_text(json.dumps(GOOD_JSON), encoding="utf-8")
    path = study(tmp_path, [])
    path.write_text("study_id: viewers\nlandmarks: landmarks\n", encoding="utf-8")
    (found,) = messages(path)
    assert "a.json: found a .json file that no entry of landmark_files names" in found


def test_the_keys_of_the_entry_are_closed(tmp_path: Path) -> None:
    for group, expected in (
        ({"files": "a", "colums": {}}, 'did you mean "columns"?'),
        ({"files": "a", "columns": {"x": "R"}}, "landmark_files.0.columns"),
        ({"files": "a", "name_pattern": "(C1)"}, "named groups among case_id"),
        ({"files": "a", "encoding": "klingon"}, "the name of an encoding"),
    ):
        assert any(expected in m for m in messages(study(tmp_path, [group]))), expected


def test_the_examples_of_the_handbook_are_entries_that_the_schema_takes() -> None:
    text = resources.files("outflow_cohort.handbook").joinpath("texts", "viewers.md").read_text(encoding="utf-8")
    blocks = [block.split("```")[0] for block in text.split("```yaml\n")[1:]]
    assert len(blocks) == 4
    groups = [
        LandmarkFiles.model_validate(entry) for block in blocks for entry in yaml.safe_load(block)["landmark_files"]
    ]
    assert groups[1].labels_of("C012_40_ash_1") == {
        "case_id": "C012", "phase_pct": "40", "reader_id": "ash", "read_no": "1",
    }  # fmt: skip
    assert groups[2].labels_of("C012_mitral_ring")["structure"] == "mitral_ring"
