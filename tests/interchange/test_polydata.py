"""Surfaces as XML PolyData: decoded by the letter of the format, and read back by VTK where it is installed."""

from __future__ import annotations

import base64
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
from test_shapes import FACETING, barrel, frustums

from outflow_cohort.interchange.shape_writers import write_vtp
from outflow_cohort.interchange.shapes import Mesh, solid_mesh

EMPTY = Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
TYPES = {"Float64": "<f8", "Int64": "<i8"}


def arrays_of(path: Path) -> tuple[ElementTree.Element, dict[str, np.ndarray]]:
    """Root and arrays by name, as "VTK file formats, XML file formats" lays them out: byte count, then the bytes."""
    root = ElementTree.parse(path).getroot()
    arrays = {}
    for element in root.iter("DataArray"):
        assert element.get("format") == "binary"
        content = base64.b64decode(element.text or "", validate=True)
        assert int.from_bytes(content[:8], "little") == len(content) - 8
        arrays[element.get("Name", "")] = np.frombuffer(content[8:], TYPES[element.get("type", "")])
    return root, arrays


def test_the_file_holds_the_mesh_exactly(tmp_path: Path):
    mesh = solid_mesh(barrel())
    write_vtp(tmp_path / "device.vtp", mesh)
    root, arrays = arrays_of(tmp_path / "device.vtp")
    assert (root.get("type"), root.get("byte_order"), root.get("header_type")) == (
        "PolyData", "LittleEndian", "UInt64",
    )  # fmt: skip
    piece = root.find("PolyData/Piece")
    assert piece is not None
    assert (int(piece.get("NumberOfPoints", -1)), int(piece.get("NumberOfPolys", -1))) == (
        len(mesh.vertices), len(mesh.triangles),
    )  # fmt: skip
    np.testing.assert_array_equal(arrays["Points"].reshape(-1, 3), mesh.vertices)
    np.testing.assert_array_equal(arrays["connectivity"].reshape(-1, 3), mesh.triangles)
    np.testing.assert_array_equal(arrays["offsets"], 3 * np.arange(1, len(mesh.triangles) + 1))
    assert "LPS, mm" in (tmp_path / "device.vtp").read_text(encoding="ascii")


def test_the_reference_library_reads_it(tmp_path: Path):
    """Oracle: VTK's own reader, its volume of the closed surface and its count of open edges."""
    vtk = pytest.importorskip("vtk", reason="VTK is not installed (pip install '.[viewers]')")
    from vtk.util.numpy_support import vtk_to_numpy

    mesh = solid_mesh(barrel())
    write_vtp(tmp_path / "device.vtp", mesh)
    reader = vtk.vtkXMLPolyDataReader()
    reader.SetFileName(str(tmp_path / "device.vtp"))
    reader.Update()
    surface = reader.GetOutput()
    np.testing.assert_array_equal(vtk_to_numpy(surface.GetPoints().GetData()), mesh.vertices)
    assert surface.GetNumberOfPolys() == len(mesh.triangles)
    figures = vtk.vtkMassProperties()
    figures.SetInputData(surface)
    assert figures.GetVolume() == pytest.approx(frustums(barrel()), rel=FACETING)
    edges = vtk.vtkFeatureEdges()
    edges.SetInputData(surface)
    edges.FeatureEdgesOff()
    edges.ManifoldEdgesOff()
    edges.Update()
    assert edges.GetOutput().GetNumberOfCells() == 0


def test_an_empty_surface_is_a_whole_file(tmp_path: Path):
    write_vtp(tmp_path / "none.vtp", EMPTY)
    _, arrays = arrays_of(tmp_path / "none.vtp")
    assert {name: len(values) for name, values in arrays.items()} == {"Points": 0, "connectivity": 0, "offsets": 0}


def test_the_same_mesh_gives_the_same_bytes(tmp_path: Path):
    for name in "ab":
        write_vtp(tmp_path / f"{name}.vtp", solid_mesh(barrel()))
    assert (tmp_path / "a.vtp").read_bytes() == (tmp_path / "b.vtp").read_bytes()
