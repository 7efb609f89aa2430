"""Step 3: read each phase's pixels once and hand on a resampled region. LPS, mm; HU as int16.

Writes a `VolumeIndex` and one image a phase.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort import events
from outflow_cohort.files import fresh_folder, write_atomically
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.inventory import Inventory, SeriesPlan, read_inventory
from outflow_cohort.handover.request import Reading, Request, read_request, series_of_row
from outflow_cohort.handover.volumes import MirroredReading, SeriesQuality, VolumeEntry, VolumeIndex, write_index
from outflow_cohort.steps.guard import CRASH_CODE, crash_message, run_guarded

if TYPE_CHECKING:
    import numpy as np

    from outflow_cohort.dicom.landmark_checks import Problem
    from outflow_cohort.dicom.pixels import FrameDecoder, PixelError
    from outflow_cohort.dicom.settings import IntakeSettings
    from outflow_cohort.dicom.volume import Grid, ReadRegion, Region
    from outflow_cohort.phases import PhaseMatch
    from outflow_geometry.base.frames import Volume
    from outflow_geometry.image.orientation import ImageOrientation

STAGE = "volume"


def volume(*, request: Path, inventory: Path, output_dir: Path) -> None:
    """Write the resampled phases of one case; a phase that cannot be read becomes a set_aside row."""
    content = read_request(request)
    with fresh_folder(output_dir) as fresh:
        _fill(content, inventory, fresh)


def _fill(content: Request, inventory: Path, output_dir: Path) -> None:
    """Fill the case's folder, also where the step crashes."""

    def give_up() -> None:
        _write_aside(content, output_dir, CRASH_CODE, crash_message(STAGE))

    run_guarded(lambda: _volume(content, read_inventory(inventory), output_dir), give_up)


def set_case_aside(*, request: Path, output: Path, code: str, message: str) -> None:
    """Write the folder of a case of which no phase could be read, for one reason."""
    with fresh_folder(output) as fresh:
        _write_aside(read_request(request), fresh, code, message)


def _write_aside(content: Request, output_dir: Path, code: str, message: str) -> None:
    from outflow_cohort.dicom.rows import aside_row

    row = aside_row(content.case.case_id, None, STAGE, code, message)
    _write(output_dir, VolumeIndex(set_aside=(row,)))


def _write(output_dir: Path, index: VolumeIndex) -> None:
    write_index(output_dir, index)
    events.set_aside(row.model_dump() for row in index.set_aside)


def _volume(content: Request, found: Inventory, output_dir: Path) -> None:
    from outflow_cohort.dicom.pixels import PixelError, frame_decoder
    from outflow_cohort.dicom.rows import aside_row

    intake = content.study.intake
    volumes: list[VolumeEntry] = []
    quality: list[SeriesQuality] = []
    aside: list[AsideRow] = []
    with ExitStack() as opened, frame_decoder(intake.decode_seconds, intake.decode_megabytes) as decoder:
        folders = _Folders(intake, opened)
        for place, plan in enumerate(found.plans):
            try:
                entry, figures = _one_volume(content, found, plan, place, output_dir, folders, decoder)
            except PixelError as problem:
                message = f"series.csv row {plan.row}, series {plan.series}: {problem.message}"
                aside.append(aside_row(content.case.case_id, plan.phase_pct, STAGE, problem.code, message))
                continue
            volumes.append(entry)
            quality.append(figures)
    _write(
        output_dir,
        VolumeIndex(volumes=tuple(volumes), series_quality=tuple(quality), set_aside=tuple(aside)),
    )


@dataclass
class _Folders:
    """Folders of the case's series; a zip archive is unpacked once, for as long as `opened` lasts."""

    intake: IntakeSettings
    opened: ExitStack
    found: dict[str, Path] = field(default_factory=dict)

    def of(self, name: str) -> Path:
        """The folder that series.csv names; raises PixelError."""
        from outflow_cohort.dicom.archives import opened_folder

        if name not in self.found:
            self.found[name] = self.opened.enter_context(opened_folder(Path(name), self.intake))
        return self.found[name]


def phase_landmarks(content: Request, plans: Sequence[SeriesPlan], place: int, match: PhaseMatch) -> list[Reading]:
    """Readings that belong to the phase of `plans[place]`."""
    phases = [plan.phase_pct for plan in plans]
    return [r for r in content.readings if match.series_of(r.phase_pct, phases) == place]


def _one_volume(
    content: Request,
    found: Inventory,
    plan: SeriesPlan,
    place: int,
    output_dir: Path,
    folders: _Folders,
    decoder: FrameDecoder,
) -> tuple[VolumeEntry, SeriesQuality]:
    from outflow_cohort.dicom.pixels import PixelError
    from outflow_cohort.dicom.quality import image_quality
    from outflow_cohort.dicom.resampling import resample, source_region, target_grid
    from outflow_cohort.dicom.volume import Grid
    from outflow_geometry.image.orientation import shows_lungs

    study = content.study
    settings = study.resample
    readings = phase_landmarks(content, found.plans, place, study.phase.match)
    grid = Grid.of_plan(plan)
    carried = study.carry is not None
    if not readings and not settings.whole_image and not carried:
        raise PixelError("no_landmarks", "no reading of this phase: none was given, or each is set aside itself")
    sound = _sound(readings, grid)
    if readings and not sound and not settings.whole_image:
        raise _explained(readings, grid)
    # landmarks that are carried may come from any phase and move to any: every phase needs the region of all
    points = _points(_sound(content.readings, grid) if carried else sound, settings.margin_mm)
    if points is None and carried and not settings.whole_image:
        raise PixelError("no_landmarks", "no reading of any phase whose landmarks could be carried to this one")
    inside = None if points is None or settings.whole_image else points[_inside(grid, points)]
    target = target_grid(grid, inside, settings, _hull(sound))
    if target is None:
        raise PixelError("landmarks_outside", "the landmarks leave no region inside the image")
    region = source_region(grid, target)
    if region is None:
        raise PixelError("landmarks_outside", "the landmarks leave no region inside the image")
    source = _source(content, plan, folders, decoder)
    hashes: list[str] = []
    seen, view = _orientation(content, plan, readings, grid, source, hashes)
    read = source(region)
    figures = image_quality(read, grid, readings, points, study.quality)
    failed = [code for code in figures.quality_codes.split(";") if code.endswith("_fail")]
    if failed:
        raise PixelError("quality_gate", f"failed the gates {', '.join(failed)} (quality.on_fail)")
    name = f"phase_{place:02d}.nrrd"
    _write_image(output_dir / name, resample(read, grid, target, settings))
    ring = _ring_crop(content, readings, grid, read, settings, output_dir / f"ring_{place:02d}.nrrd")
    entry = VolumeEntry(
        row=plan.row,
        series=plan.series,
        phase_pct=plan.phase_pct,
        phase_source=plan.phase_source,
        file=name,
        ring_file=ring,
        mirrored_readings=_mirrored(readings, seen, view),
        shows_lungs=view is not None and shows_lungs(view),
        pixel_hash=_slice_hash(grid, source),
        slice_hashes=tuple(hashes),
        resampled=target.kept is None,
        patient_position=plan.patient_position,
        supine=None if plan.patient_position is None else plan.patient_position in ("HFS", "FFS"),
        frame_of_reference=plan.frame_of_reference,
        image_origin=plan.origin,
        image_direction=plan.direction,
        image_spacing=plan.spacing,
        image_size=plan.size,
        image_shear=plan.shear,
    )
    quality = SeriesQuality(row=plan.row, series=plan.series, resampled=entry.resampled, **figures.model_dump())
    return entry, quality


def _problems(reading: Reading, grid: Grid) -> list[Problem]:
    import numpy as np

    from outflow_cohort.dicom.landmark_checks import ImageBox, reading_problems

    return reading_problems(reading.structures, ImageBox(grid.origin, grid.matrix, np.asarray(grid.size)))


def _sound(readings: Sequence[Reading], grid: Grid) -> list[Reading]:
    """Readings that can be measured: one reader's slip must not blow up the region of all."""
    from outflow_cohort.dicom.codes import reason

    return [r for r in readings if all(reason(p.code).severity != "set_aside" for p in _problems(r, grid))]


def _explained(readings: Sequence[Reading], grid: Grid) -> PixelError:
    """Why no reading of the phase can be placed, by the mistake they share where they share one."""
    from outflow_cohort.dicom.pixels import PixelError

    first = [problems[0] for problems in (_problems(reading, grid) for reading in readings) if problems]
    codes = sorted({problem.code for problem in first})
    if len(codes) == 1:
        return PixelError(first[0].code, first[0].message)
    return PixelError("landmarks_outside", f"no reading of this phase can be placed ({', '.join(codes)})")


def _points(readings: Sequence[Reading], margin: float) -> np.ndarray | None:
    from outflow_cohort.dicom.heart_region import region_points

    points = region_points((reading.structures for reading in readings), margin)
    return points if len(points) else None


def _hull(readings: Sequence[Reading]) -> np.ndarray:
    """Points around the ventricle of each reading, so that it is whole in the region."""
    import numpy as np

    from outflow_cohort.dicom.heart_region import ventricle_hull

    return np.concatenate([np.empty((0, 3)), *(ventricle_hull(reading.structures) for reading in readings)])


def _inside(grid: Grid, points: np.ndarray) -> np.ndarray:
    import numpy as np

    index = grid.to_index(points)
    result: np.ndarray = np.all((index >= -0.5) & (index <= np.array(grid.size) - 0.5), axis=1)
    return result


def _source(
    content: Request, plan: SeriesPlan, folders: _Folders, decoder: FrameDecoder
) -> Callable[[Region], ReadRegion]:
    """Function that reads a region of the plan's image; raises PixelError where the files have changed."""
    from outflow_cohort.dicom.images import read_image
    from outflow_cohort.dicom.pixels import PixelError
    from outflow_cohort.dicom.scan import list_files, listing_digest
    from outflow_cohort.dicom.volume import read_stack

    entry = series_of_row(content, plan.row)
    if entry.volume:
        return partial(read_image, Path(entry.volume))
    folder = folders.of(entry.dicom_dir or "")
    files, _ = list_files(folder, folders.intake.max_files)
    if listing_digest(files) != plan.listing:
        raise PixelError("changed_since_inventory", "names, sizes or times of the files are not those of the inventory")
    return partial(read_stack, plan, [folder / name for name, _ in files], decoder)


def _slice_hash(grid: Grid, read: Callable[[Region], ReadRegion]) -> str | None:
    """Hash of the middle slice; None for an empty one."""
    from outflow_cohort.dicom.frame_evidence import slice_hash
    from outflow_cohort.dicom.volume import Region

    columns, rows, slices = (int(n) for n in grid.size)
    return slice_hash(read(Region((0, 0, slices // 2), (columns, rows, slices // 2 + 1))).values)


def _orientation(
    content: Request,
    plan: SeriesPlan,
    readings: Sequence[Reading],
    grid: Grid,
    source: Callable[[Region], ReadRegion],
    hashes: list[str],
) -> tuple[ImageOrientation, Volume | None]:
    """How the chest is turned in the image, and the view that says so; `hashes` takes those of the view's slices.

    Raises PixelError where the chest is not turned as the coordinates say, unless a reading's points refute that.
    """
    from outflow_cohort.dicom.frame_evidence import mirrored_as, whole_view
    from outflow_cohort.dicom.pixels import PixelError
    from outflow_geometry.image.orientation import NOTHING_SEEN, image_orientation

    if not content.study.intake.check_orientation:
        return NOTHING_SEEN, None
    view = whole_view(grid, source, by_slice=not series_of_row(content, plan.row).volume, hashes=hashes)
    seen = NOTHING_SEEN if view is None else image_orientation(view)
    found = [mirrored_as(reading.structures, seen, view) for reading in readings]
    if seen.inverted and all(finding is not None and finding.code == "image_orientation" for finding in found):
        axes = ", ".join(seen.inverted)
        raise PixelError(
            "image_orientation", f"the chest is the other way round along {axes}: {seen.reasons(seen.inverted)}"
        )
    return seen, view


def _mirrored(readings: Sequence[Reading], seen: ImageOrientation, view: Volume | None) -> tuple[MirroredReading, ...]:
    """Readings that the image shows to be mirrored."""
    from outflow_cohort.dicom.frame_evidence import mirrored_as

    found = []
    for reading in readings:
        finding = mirrored_as(reading.structures, seen, view)
        if finding is not None:
            found.append(
                MirroredReading(
                    reader_id=reading.reader_id, read_no=reading.read_no, code=finding.code, found=finding.message
                )
            )
    return tuple(found)


def _write_image(path: Path, image: Any) -> None:
    import SimpleITK as sitk

    def write(temporary: Path) -> None:
        writer = sitk.ImageFileWriter()
        writer.SetImageIO("NrrdImageIO")
        writer.SetFileName(str(temporary))
        writer.UseCompressionOff()
        try:
            writer.Execute(image)
        except RuntimeError:
            # The library reports a full disk like any other error; the case is not to blame for it.
            raise OSError(errno.EIO, "an image could not be written whole") from None

    write_atomically(path, write)


def _ring_crop(
    content: Request, readings: Sequence[Reading], grid: Grid, read: ReadRegion, settings: Any, path: Path
) -> str | None:
    """Crop at original resolution around the mitral ring where a prosthesis is in place (metal edges)."""
    import numpy as np

    from outflow_cohort.dicom.resampling import crop_image
    from outflow_cohort.dicom.volume import Region

    rings = [p for reading in readings for p in reading.structures.get("mitral_ring", [])]
    if content.prosthesis is None or not rings or grid.shear.any():
        return None
    box = grid.around(np.array(rings, dtype=np.float64), settings.ring_margin_mm, 0)
    if box is None:
        return None
    start = np.maximum(box.start, read.region.start)
    stop = np.minimum(box.stop, read.region.stop)
    if np.any(stop - start < 2):
        return None
    region = Region(tuple(int(v) for v in start), tuple(int(v) for v in stop))  # type: ignore[arg-type]
    _write_image(path, crop_image(read, grid, region))
    return path.name
