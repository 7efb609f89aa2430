"""Label maps and surfaces to files that general viewers read: NIfTI, DICOM SEG, STL. All points LPS, mm.

NIfTI itself is RAS; SimpleITK turns the axes. STL and VTP have no frame: coordinates are LPS, as their headers say.
"""

from __future__ import annotations

import base64
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.files import write_atomically
from outflow_cohort.interchange.concepts import LOCAL_SCHEME, ReadingLabel
from outflow_cohort.interchange.landmark_writers import declare_scheme, uid, undate
from outflow_cohort.interchange.shapes import DEVICE, LUMEN, Mesh

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pydicom import Dataset

    from outflow_geometry.base.frames import Volume

SEGMENTS = (
    (LUMEN, "outflow lumen", ("91723000", "Anatomical Structure"), ("13418002", "Left ventricle outflow tract")),
    (DEVICE, "device", ("260787004", "Physical object"), ("25510005", "Heart valve prosthesis")),
)
"""Number, label, category and type (SNOMED CT, in pydicom's concept dictionary after PS3.16)."""
STL_HEADER = b"outflow-cohort, LPS, mm, for research only"
STL_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def write_label_image(path: Path, labels: NDArray[np.uint8], grid: Volume) -> None:
    """Write labels [k, j, i] on `grid` as .nii.gz, .mha or .nrrd, by the ending of `path`."""
    import SimpleITK as sitk

    image = sitk.GetImageFromArray(labels)
    image.SetOrigin(grid.origin.tolist())
    image.SetSpacing(grid.spacing.tolist())
    image.SetDirection(grid.direction.ravel().tolist())

    def write(temporary: Path) -> None:
        # SimpleITK chooses the format by the ending, which the temporary name does not have
        named = temporary.with_name(f"{temporary.name}{''.join(path.suffixes)}")
        try:
            sitk.WriteImage(image, str(named), useCompression=True)
            named.replace(temporary)
        finally:
            named.unlink(missing_ok=True)

    write_atomically(path, write)


def write_segmentation(
    path: Path, labels: NDArray[np.uint8], grid: Volume, label: ReadingLabel, plan_id: str, evidence: Dataset
) -> None:
    """Write labels [k, j, i] on `grid` as a binary DICOM Segmentation (PS3.3 A.51), one segment a label in use.

    evidence : header of an image of the same study; gives UIDs and pseudonym. Raises ValueError without any label.
    """
    import highdicom as hd
    from pydicom.sr.coding import Code
    from pydicom.uid import ExplicitVRLittleEndian

    import outflow_geometry

    used = [entry for entry in SEGMENTS if (labels == entry[0]).any()]
    if not used:
        raise ValueError("nothing to write: neither lumen nor device is in the image")
    affine = np.eye(4)
    for axis, column in enumerate((2, 1, 0)):  # array axes k, j, i
        affine[:3, axis] = grid.direction[:, column] * grid.spacing[column]
    affine[:3, 3] = grid.origin
    numbered = np.zeros_like(labels)  # segments count from 1 without gaps
    for place, (number, *_) in enumerate(used, start=1):
        numbered[labels == number] = place
    volume = hd.Volume(numbered, affine, "PATIENT", evidence.FrameOfReferenceUID)
    algorithm = hd.AlgorithmIdentificationSequence(
        "outflow-cohort", Code("LUMEN", LOCAL_SCHEME, "Outflow lumen and device"), outflow_geometry.__version__
    )
    descriptions = [
        hd.seg.SegmentDescription(
            place,
            name,
            Code(category[0], "SCT", category[1]),
            Code(kind[0], "SCT", kind[1]),
            hd.seg.SegmentAlgorithmTypeValues.AUTOMATIC,
            algorithm,
            tracking_uid=uid(label, plan_id, name, "tracking"),
            tracking_id=f"{name}, reader {label.reader_id}, read {label.read_no}",
        )
        for place, (_, name, category, kind) in enumerate(used, start=1)
    ]
    segmentation = hd.seg.Segmentation(
        [evidence],
        volume,
        hd.seg.SegmentationTypeValues.BINARY,
        descriptions,
        uid(label, plan_id, "segmentation series"),
        1,
        uid(label, plan_id, "segmentation"),
        1,
        "outflow-cohort",
        "outflow-cohort",
        outflow_geometry.__version__,
        "1",
        transfer_syntax_uid=ExplicitVRLittleEndian,
        content_label="OUTFLOW",
        content_description="for research only",
    )
    for element in segmentation.iterall():
        if element.keyword == "DimensionOrganizationUID":  # made up anew by the library each time
            element.value = uid(label, plan_id, "dimensions")
    declare_scheme(segmentation)
    undate(segmentation)
    write_atomically(path, lambda p: segmentation.save_as(p, enforce_file_format=True))


def write_stl(path: Path, mesh: Mesh) -> None:
    """Write a mesh as binary STL (80-byte header, count, 50 bytes a triangle; little-endian float32)."""
    corners = mesh.vertices[mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    records = np.zeros(len(corners), dtype=STL_TRIANGLE)
    records["normal"] = normals / np.where(length > 0.0, length, 1.0)
    records["corners"] = corners
    content = STL_HEADER.ljust(80) + len(records).to_bytes(4, "little") + records.tobytes()
    write_atomically(path, lambda p: p.write_bytes(content))


def write_vtp(path: Path, mesh: Mesh) -> None:
    """Write a mesh as XML PolyData (VTK file formats, "XML file formats"): float64 points, base64, not compressed."""
    offsets = 3 * np.arange(1, len(mesh.triangles) + 1)
    lines = [
        '<?xml version="1.0"?>',
        f"<!-- {STL_HEADER.decode()} -->",
        '<VTKFile type="PolyData" version="1.0" byte_order="LittleEndian" header_type="UInt64">',
        f'<PolyData><Piece NumberOfPoints="{len(mesh.vertices)}" NumberOfVerts="0" NumberOfLines="0" '
        f'NumberOfStrips="0" NumberOfPolys="{len(mesh.triangles)}">',
        "<Points>",
        _data_array("Points", "Float64", mesh.vertices.astype("<f8"), components=3),
        "</Points><Polys>",
        _data_array("connectivity", "Int64", mesh.triangles.astype("<i8")),
        _data_array("offsets", "Int64", offsets.astype("<i8")),
        "</Polys></Piece></PolyData></VTKFile>",
    ]
    content = "\n".join(lines) + "\n"
    write_atomically(path, lambda p: p.write_text(content, encoding="ascii"))


def _data_array(name: str, kind: str, values: NDArray[np.generic], components: int = 1) -> str:
    """A DataArray element: the number of bytes as UInt64, then the bytes, together in base64."""
    content = values.tobytes()
    encoded = base64.b64encode(len(content).to_bytes(8, "little") + content).decode("ascii")
    return (
        f'<DataArray type="{kind}" Name="{name}" NumberOfComponents="{components}" format="binary">'
        f"{encoded}</DataArray>"
    )
