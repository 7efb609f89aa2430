"""What was measured of one reading, for general viewers: label map, DICOM SEG, surfaces, lines, planes. LPS, mm."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.files import write_csv, write_json, write_text
from outflow_cohort.handover.drawing import read_drawings
from outflow_cohort.handover.inventory import Inventory, SeriesPlan, read_inventory, write_inventory
from outflow_cohort.handover.request import Reading, Request, read_request, series_of_row
from outflow_cohort.handover.volumes import read_index
from outflow_cohort.interchange.concepts import ReadingLabel
from outflow_cohort.phases import PhaseMatch
from outflow_cohort.study.keys import case_key
from outflow_geometry.base.drawn import Line, ReadingDrawing

if TYPE_CHECKING:
    from pydicom import Dataset

    from outflow_cohort.interchange.shapes import Mesh
    from outflow_geometry.base.frames import Volume

READ_ME = """\
For research only, not for treating a patient.

All coordinates: DICOM patient frame LPS, mm. NIfTI files carry their own frame (RAS) and overlay as they are; STL
and VTP files have none: where a viewer takes them for RAS, turn x and y round.

labels_PLAN.nii.gz   1 = outflow lumen that the device leaves free, 2 = device
labels_PLAN.dcm      the same as DICOM Segmentation, in the study and frame of reference of the CT
lumen_PLAN.stl       surface of label 1 along the sub-voxel blood edge; .vtp is the same in double precision
device_PLAN.stl      surface of the device; .vtp is the same in double precision
lines.csv            ring, annulus, paths, smallest sections as points, in the columns of landmarks.csv
planes.csv           ring, aortic and three-chamber plane: point and unit normal
volumes.json         volumes in ml of each label and surface
"""


class ExportError(Exception):
    """A reading that cannot be exported; the text says why and what to do."""


@dataclass(frozen=True)
class Wanted:
    """Which reading of which case: key as in the file names; phase None = the case's only phase."""

    key: str
    phase_pct: float | None
    reader_id: str
    read_no: int
    solid: str = "full_frame"


def export_reading(*, results: Path, wanted: Wanted, output: Path) -> list[str]:
    """Write the files of one reading into `output`; returns their names.

    Raises ExportError where the reading, its image or its lumen is missing.
    """
    request_path = results / "work" / "requests" / f"{wanted.key}.json"
    inventory_path = results / "work" / "inventory" / f"{wanted.key}.json"
    for path in (request_path, inventory_path):
        if not path.is_file():
            place = f"{path.parent.name}/{path.name} is missing in {results.name}"
            raise ExportError(f"{place}: run the study first, name its results folder, or correct the key")
    request, inventory = read_request(request_path), read_inventory(inventory_path)
    match = request.study.phase.match
    reading = _reading(request, wanted, match)
    plan = _series_plan(inventory, reading.phase_pct, match)
    phase = reading.phase_pct if reading.phase_pct is not None else plan.phase_pct
    label = ReadingLabel(request.case.case_id, wanted.reader_id, wanted.read_no, phase)
    evidence = _evidence(request, plan, label)
    with tempfile.TemporaryDirectory(prefix="outflow_") as name:
        volume = _image(request_path, inventory.model_copy(update={"plans": (plan,)}), Path(name))
    written = _shapes(request, reading, volume, wanted, label, evidence, output)
    written += _lines(results, wanted, plan.phase_pct, label, output)
    write_text(output / "README.txt", READ_ME)
    return [*written, "README.txt"]


def _reading(request: Request, wanted: Wanted, match: PhaseMatch) -> Reading:
    own = [r for r in request.readings if r.who == (wanted.reader_id, wanted.read_no)]
    found = match.series_of(wanted.phase_pct, [r.phase_pct for r in own])
    if found is None:
        known = sorted({(r.phase_pct or 0.0, *r.who) for r in request.readings})
        listed = "; ".join(f"phase {p:g} reader {r} read {n}" for p, r, n in known[:20])
        raise ExportError(f"no such reading of {wanted.key}; needed --phase, --reader and --read of one of these: "
                          f"{listed or 'it has none'}")  # fmt: skip
    return own[found]


def _series_plan(inventory: Inventory, phase: float | None, match: PhaseMatch) -> SeriesPlan:
    plans = inventory.plans
    found = match.series_of(phase, [p.phase_pct for p in plans])
    if found is None:
        raise ExportError("the series of this phase was set aside or is not there; see tables/set_aside.parquet")
    return plans[found]


def _image(request_path: Path, inventory: Inventory, folder: Path) -> Volume:
    """The phase's volume as the volume step hands it on, so that the export sees what was measured."""
    from outflow_cohort.steps.volume import volume
    from outflow_cohort.volumes import load_volume

    write_inventory(folder / "inventory.json", inventory)
    volume(request=request_path, inventory=folder / "inventory.json", output_dir=folder / "volumes")
    index = read_index(folder / "volumes")
    if not index.volumes:
        raise ExportError("; ".join(row.message for row in index.set_aside) or "the image cannot be read")
    return load_volume(folder / "volumes" / index.volumes[0].file)


def _shapes(
    request: Request,
    reading: Reading,
    volume: Volume,
    wanted: Wanted,
    label: ReadingLabel,
    evidence: Dataset,
    output: Path,
) -> list[str]:
    from outflow_cohort.interchange import shape_writers, shapes
    from outflow_cohort.study import core_inputs
    from outflow_geometry.base.errors import GeometryError
    from outflow_geometry.image.phase_image import PhaseImage
    from outflow_geometry.landmarks.anatomy import build_anatomy
    from outflow_geometry.outflow.image_findings import PhaseFindings
    from outflow_geometry.outflow.plan_sections import PlanSections
    from outflow_geometry.outflow.reading_lumen import ReadingLumen

    definitions = core_inputs.definitions(request, {})
    prosthesis = core_inputs.prosthesis(request)
    anatomy = build_anatomy(core_inputs.landmarks(reading.structures))
    findings = ReadingLumen(PhaseFindings(PhaseImage(volume), anatomy, prosthesis))
    written, volumes = [], {}
    plans = core_inputs.plans(request) or (None,)
    for plan in plans:
        sections = None if plan is None else PlanSections(plan, prosthesis, definitions, findings)
        try:
            solid = None if sections is None else sections.solid(wanted.solid)
            if anatomy.has("outflow_path"):
                path = findings.reader_path
            elif sections is not None:
                path = sections.path("automatic_path")
            else:
                raise GeometryError("missing_outflow_path", "a case without plan needs outflow_path points")
            depth = shapes.blood_depth(findings.lumen(path.method), anatomy, definitions.beyond_aortic_plane, path)
        except GeometryError as error:
            raise ExportError(f"{error.code}: {error}") from error
        name = "no_plan" if plan is None else case_key(plan.plan_id)
        labels = shapes.label_map(depth, volume, solid)
        shape_writers.write_label_image(output / f"labels_{name}.nii.gz", labels, volume)
        shape_writers.write_segmentation(output / f"labels_{name}.dcm", labels, volume, label, name, evidence)
        free = shapes.lumen_mesh(depth, solid)
        written += [f"labels_{name}.nii.gz", f"labels_{name}.dcm", *_surface(output, f"lumen_{name}", free)]
        voxel = float(np.prod(volume.spacing)) / 1000.0
        volumes[name] = {
            "lumen_voxels_ml": round(float((labels == shapes.LUMEN).sum()) * voxel, 4),
            "device_voxels_ml": round(float((labels == shapes.DEVICE).sum()) * voxel, 4),
            "lumen_surface_ml": round(shapes.mesh_volume(free) / 1000.0, 4),
        }
        if solid is not None:
            mesh = shapes.solid_mesh(solid)
            written += _surface(output, f"device_{name}", mesh)
            volumes[name]["device_surface_ml"] = round(shapes.mesh_volume(mesh) / 1000.0, 4)
    write_json(output / "volumes.json", volumes)
    return [*written, "volumes.json"]


def _surface(output: Path, name: str, mesh: Mesh) -> list[str]:
    """Write a surface in both forms; returns their names."""
    from outflow_cohort.interchange.shape_writers import write_stl, write_vtp

    write_stl(output / f"{name}.stl", mesh)
    write_vtp(output / f"{name}.vtp", mesh)
    return [f"{name}.stl", f"{name}.vtp"]


def _evidence(request: Request, plan: SeriesPlan, label: ReadingLabel) -> Dataset:
    """Stand-in header with the study and frame of reference of the CT, so that viewers join what belongs together.

    Only UIDs are taken over; a volume file has none, and an enhanced image is joined by study and frame alone.
    """
    from outflow_cohort.dicom.archives import opened_folder
    from outflow_cohort.dicom.pixels import PixelError
    from outflow_cohort.dicom.scan import list_files
    from outflow_cohort.interchange.landmark_writers import evidence_of

    header = evidence_of(label)
    header.Rows, header.Columns = plan.size[1], plan.size[0]
    directions = np.asarray(plan.direction, dtype=np.float64)
    header.ImagePositionPatient = [round(float(v), 6) for v in plan.origin]
    header.ImageOrientationPatient = [round(float(v), 9) for v in directions.T[:2].ravel()]
    header.PixelSpacing = [round(float(v), 6) for v in (plan.spacing[1], plan.spacing[0])]
    header.SliceThickness = round(float(plan.spacing[2]), 6)
    entry = series_of_row(request, plan.row)
    if entry.volume:
        return header
    import pydicom

    intake = request.study.intake
    try:
        with opened_folder(Path(entry.dicom_dir or ""), intake) as folder:
            files, _ = list_files(folder, intake.max_files)
            source = pydicom.dcmread(folder / files[plan.slices[0].file][0], stop_before_pixels=True, force=True)
    except (PixelError, IndexError) as problem:
        raise ExportError(f"the series of row {plan.row} of series.csv is not there as it was: {problem}") from None
    joined = ["StudyInstanceUID", "FrameOfReferenceUID"]
    if source.get("NumberOfFrames") is None and source.get("SOPClassUID") == header.SOPClassUID:
        joined += ["SeriesInstanceUID", "SOPInstanceUID"]
    for name in joined:
        if source.get(name):
            setattr(header, name, source.get(name))
    return header


def _lines(results: Path, wanted: Wanted, phase: float | None, label: ReadingLabel, output: Path) -> list[str]:
    """Lines and planes of the drawing that the measure step left."""
    own = [
        d.drawn
        for d in read_drawings(results / "work" / "measured" / wanted.key)
        if (d.reader_id, d.read_no) == (wanted.reader_id, wanted.read_no) and d.phase_pct == phase
    ]
    if len(own) != 1:
        return []
    import pandas as pd

    place = {
        "case_id": label.case_id,
        "phase_pct": label.phase_pct,
        "reader_id": label.reader_id,
        "read_no": label.read_no,
    }
    rows = [
        {**place, "structure": name, "point_no": number, "x_mm": x, "y_mm": y, "z_mm": z}
        for name, points in _named_lines(own[0]).items()
        for number, (x, y, z) in enumerate(points, start=1)
    ]
    write_csv(output / "lines.csv", pd.DataFrame(rows))
    planes = []
    ring, aorta, chamber = own[0].ring, own[0].aorta, own[0].three_chamber
    for name, numbers in (
        ("ring_plane", [] if ring is None else ring.center + ring.normal),
        ("aortic_plane", [] if aorta is None else aorta.center + aorta.normal),
        ("three_chamber_plane", [] if chamber is None else chamber.point + chamber.normal),
    ):
        if numbers:
            columns = ("x_mm", "y_mm", "z_mm", "normal_x", "normal_y", "normal_z")
            planes.append({**place, "plane": name, **dict(zip(columns, numbers, strict=True))})
    write_csv(output / "planes.csv", pd.DataFrame(planes))
    return ["lines.csv", "planes.csv"]


def _named_lines(drawing: ReadingDrawing) -> dict[str, Line]:
    """Closed curves and paths by name; outlines of a section are lifted from (u, v) of its plane."""
    lines: dict[str, Line | None] = {}
    if drawing.ring is not None:
        lines["ring_contour"] = drawing.ring.contour
        lines["ring_d_contour"] = drawing.ring.d_contour
    if drawing.aorta is not None:
        lines["aortic_contour"] = drawing.aorta.contour
    lines |= drawing.paths
    for plan_id, plan in drawing.plans.items():
        for place, section in plan.sections.items():
            axes = np.array([section.u, section.v])
            for number, outline in enumerate(section.residual, start=1):
                points = np.asarray(section.point) + np.asarray(outline) @ axes
                lines[f"smallest_section|{plan_id}|{place}|{number}"] = np.round(points, 3).tolist()
    return {name: points for name, points in lines.items() if points}
