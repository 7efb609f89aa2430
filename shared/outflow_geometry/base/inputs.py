"""What a reading brings to the core: devices, plans, prostheses, targets and the chosen definitions.

All points LPS, mm; percentages as in 10 for 10 %.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from outflow_geometry.base.frames import FloatArray, Volume


@dataclass(frozen=True)
class Device:
    """A catheter-borne valve; stations from the inflow end (0) to the outflow end (height), mm."""

    device_id: str
    nominal_diameter: float
    height: float
    covered_from: float | None = None
    covered_to: float | None = None
    profile: tuple[tuple[float, float], ...] = ()
    """(station, diameter) pairs, mm, linear between; empty = cylinder of the nominal diameter."""


@dataclass(frozen=True)
class Plan:
    """Where a virtual device sits (contract, plans.csv)."""

    plan_id: str
    device: Device
    ventricular_depth: float | None = None
    """mm from the ring plane to the outflow end; None = the inflow end is in the ring plane."""
    anchor: str = "ring"
    """`ring` or `post_tips`."""
    tilt_ap: float = 0.0
    tilt_ic: float = 0.0
    offset_ap: float = 0.0
    offset_ic: float = 0.0


@dataclass(frozen=True)
class Placement:
    """How far an implant may land from where it was planned: standard deviations, mm and degrees; 0 = held."""

    depth_sd: float = 0.0
    tilt_sd: float = 0.0
    """Of tilt_ap and of tilt_ic."""
    offset_sd: float = 0.0
    """Of offset_ap and of offset_ic."""


@dataclass(frozen=True)
class ImplantGrid:
    """Implants that are tried in a reading: every device at every depth, mm, and tilt, degrees.

    solids : the solid variants that are cut.
    """

    devices: tuple[Device, ...]
    depths: tuple[float, ...]
    tilts_ap: tuple[float, ...] = (0.0,)
    tilts_ic: tuple[float, ...] = (0.0,)
    solids: tuple[str, ...] = ("full_frame",)
    placement: Placement = Placement()


@dataclass(frozen=True)
class Prosthesis:
    """A surgical valve or ring in place (contract, prostheses.csv), mm."""

    prosthesis_id: str
    labelled_size: float | None = None
    true_inner_diameter: float | None = None
    wall: float | None = None
    post_height: float | None = None
    leaflet_height: float | None = None


@dataclass(frozen=True)
class Cutoff:
    """A cut-off of the neo-LVOT area with its endpoint, n and source (config/cutoffs.csv)."""

    cutoff_id: str
    area: float


@dataclass(frozen=True)
class GantryBox:
    """What a C-arm can reach, degrees; common practice, no source."""

    lao_rao_limit: float = 60.0
    cra_cau_limit: float = 40.0


@dataclass(frozen=True)
class RepeatShift:
    """A structure's common shift, from repeat reads: sum of squares, mm2, and its degrees of freedom."""

    squares: float
    freedom: float


@dataclass(frozen=True)
class Definitions:
    """The named choices of a study; defaults are the contract's."""

    section_rule: str = "aortic_side"
    search_upstream: float = 30.0
    station_step: float = 0.5
    beyond_aortic_plane: float = 8.0
    solids: tuple[str, ...] = ("full_frame", "skirt", "leaflet_limited", "prosthesis_leaflet", "prosthesis_post")
    systolic_window: tuple[float, float] = (10.0, 40.0)
    """Percent of the R-R interval, both ends included, over which `mean_systole` averages (Meduri 2019)."""
    draws: int = 200
    seed: int = 20240229
    cutoffs: tuple[Cutoff, ...] = ()
    landmark_sd: Mapping[str, float] = field(default_factory=dict)
    """Standard deviation of one coordinate by structure, mm; see redrawing.landmark_sd."""
    repeat_shifts: Mapping[str, RepeatShift] = field(default_factory=dict)
    """Common shifts by structure between repeat reads; see redrawing.repeat_shifts."""
    gantry: GantryBox = GantryBox()


CONTRACT = Definitions()
"""The contract's choices, for callers that name none."""


@dataclass(frozen=True)
class LandmarkOrigin:
    """Where the landmarks of a phase come from: marked there by the reader, or carried from a marked phase.

    carried_from : the marked phase, % of R-R; None = marked, or carried from a phase that is not known.
    error : expected error of one coordinate of the carried ring, mm; None where marked. doubt : status code of why the
    carried landmarks may be wrong; empty = no reason found.
    """

    name: str = "marked"
    carried_from: float | None = None
    error: float | None = None
    doubt: str = ""

    @property
    def carried(self) -> bool:
        """Whether no reader marked this phase."""
        return self.name == "carried"

    def columns(self) -> dict[str, str | float | None]:
        """The columns of the tables (study contract)."""
        return {
            "landmark_origin": self.name,
            "carried_from_pct": self.carried_from,
            "carry_error_mm": self.error,
        }


MARKED = LandmarkOrigin()


@dataclass(frozen=True)
class SharedMove:
    """Standard deviations of an error that all points of some structures share, mm.

    shift : each coordinate in the body's plane. tilt : at the rim, about each of the two axes in the plane. radial :
    outward at the rim. lift : along the body's normal; None = as `shift`. oval : at the rim, of a stretch one way in
    the plane with a narrowing across, about each of two such ways 45 degrees apart.
    """

    structures: tuple[str, ...]
    shift: float
    tilt: float
    radial: float
    lift: float | None = None
    oval: float = 0.0

    def times(self, factor: float) -> SharedMove:
        """The same errors, `factor` as large."""
        return SharedMove(
            structures=self.structures,
            shift=factor * self.shift,
            tilt=factor * self.tilt,
            radial=factor * self.radial,
            lift=None if self.lift is None else factor * self.lift,
            oval=factor * self.oval,
        )

    def rounded(self, decimals: int) -> SharedMove:
        """The same errors to so many decimals, mm."""
        return SharedMove(
            structures=self.structures,
            shift=round(self.shift, decimals),
            tilt=round(self.tilt, decimals),
            radial=round(self.radial, decimals),
            lift=None if self.lift is None else round(self.lift, decimals),
            oval=round(self.oval, decimals),
        )


@dataclass(frozen=True)
class ReadingInput:
    """One reading of one phase: landmarks by structure ((n, 3) arrays, mm), image, plans and definitions."""

    landmarks: Mapping[str, FloatArray]
    volume: Volume | None
    plans: tuple[Plan, ...] = ()
    prosthesis: Prosthesis | None = None
    definitions: Definitions = Definitions()
    supine: bool | None = True
    """Patient position: no views where False; None = not known, views hold for a supine patient."""
    implants: ImplantGrid | None = None
    """Implants to try besides the plans."""
    sides_doubtful: bool = False
    """Left and right or front and back of the landmarks may be interchanged: no views."""
    ring_volume: Volume | None = None
    """The image around the ring at the scanner's own resolution, for edges of metal; None = use `volume`."""
    origin: LandmarkOrigin = MARKED
    shared_moves: tuple[SharedMove, ...] = ()
    """Errors of carried landmarks beside the reader's own scatter."""
