"""Invented hearts with what real scans have and smooth hearts lack, for tests and benchmarks. LPS, mm; HU.

    from outflow_cohort.demo.rough_hearts import rough_heart

    case = rough_heart(7)                # the same seed gives the same heart, device and scan
    case = rough_heart(7, spacing=0.7, contrast_to_noise=6.0, grain=0.9, valve="open", streaks=0.0, steps=0.0)
    clean = case.image()                 # Volume, int16 HU, without noise and streaks: the reference
    noisy = case.image(noise_seed=3)     # the same with noise and streaks
    marks = case.landmarks               # {structure: (n, 3) LPS}, exact; the reader's path is the true one
    plan = case.plan                     # outflow_geometry.base.inputs.Plan of the one device
    section = case.true_section()        # smallest section of the whole frame along the true path, closed form
    volume = case.true_volume()          # ml of blood in the ventricle, closed form

`measure_reading(ReadingInput(marks, noisy, (plan,), definitions=...), PhaseImage(noisy))` measures it.

What is in them: a septum turned 10 to 30 degrees out of the plane of ring axis and aortic centre, an oval annulus
(ratio 1.2 to 1.5), trabeculae, papillary muscles, chordae, leaflets of 0.8 to 1.2 mm, a valve that stands open
(atrium and ventricle one pool) or is closed, a curtain one voxel thick, a right heart of any brightness beside a
membranous septum of 1 to 2 mm, in some a lead with streaks, in some steps between slabs; CT noise whose power rises
with frequency and falls with the kernel. Ranges: common practice, no source.

Noise-free images are kept in the folder of `CACHE_VARIABLE` (default: beside the temporary files) under a key that
changes with the drawing code: a heart costs 1 to 15 s the first time and 0.1 s after.
With steps, `true_section` and `true_volume` are those of the heart that did not move.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy import fft, ndimage
from scipy.special import ndtr

from outflow_cohort.demo import true_device, true_planes, true_sections
from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.random_cases import RandomCase, random_case
from outflow_cohort.demo.render import FWHM_TO_SD, Grid, Scanner, landmark_box
from outflow_cohort.demo.shapes import Array
from outflow_geometry.base.frames import Volume
from outflow_geometry.base.inputs import Device, Plan

CACHE_VARIABLE = "OUTFLOW_HEART_CACHE"

GRAIN_CUTOFF = 1.102
"""Grain (full width at half maximum of the noise's autocorrelation) times the kernel's cut-off frequency."""

SPACINGS = (0.5, 0.7, 0.4, 0.6, 1.0, 0.7, 0.8, 1.25, 0.5, 0.7, 1.5, 0.6)
"""mm, taken in turn by seed."""

MARGIN = 24.0
"""mm of image around ring, annulus and apex: the ventricle is whole."""

LEAD_RADIUS = 1.0
LEAD_HU = 3000.0
STREAK_WIDTH, STREAK_REACH, STREAKS = 1.2, 35.0, 9
"""mm wide (standard deviation), mm along which they fade, and how many from each point of metal."""

SLAB = (12.0, 20.0)
"""mm of slabs between steps."""


@dataclass(frozen=True)
class RoughHeart:
    """One heart, device and scan; see the module.

    grain : mm, full width at half maximum of the noise's autocorrelation in the slice; streaks : HU at the lead, 0 =
    no lead; steps : largest shift between slabs, mm; supersample : of the drawing (`render`), 1 is quick.
    """

    case: RandomCase
    seed: int
    grain: float
    contrast_to_noise: float
    streaks: float = 0.0
    steps: float = 0.0
    supersample: int = 2

    @cached_property
    def heart(self) -> HeartPhase:
        """The heart at its phase."""
        return HeartPhase(self.case.heart, self.case.phase_pct)

    @property
    def contrast_hu(self) -> float:
        """Blood minus muscle, HU."""
        return self.case.heart.levels.left_blood - self.case.heart.levels.muscle

    @property
    def noise_sd(self) -> float:
        """HU."""
        return self.contrast_hu / self.contrast_to_noise

    @cached_property
    def landmarks(self) -> dict[str, Array]:
        """Exact landmarks, without points that sample the blood and muscle level."""
        return {name: p for name, p in true_landmarks(self.heart).items() if not name.endswith("_sample")}

    @property
    def plan(self) -> Plan:
        """Where the device sits."""
        device, plan = self.case.device, self.case.plan
        return Plan(
            plan.plan_id,
            Device(device.device_id, device.nominal_diameter, device.height, profile=device.profile),
            ventricular_depth=plan.depth,
            tilt_ap=plan.tilt_ap,
            offset_ap=plan.offset_ap,
        )

    def true_section(self, steps: true_sections.Steps = true_sections.EXACT) -> true_sections.TrueSection:
        """The smallest section of the whole frame along the true path."""
        solid = true_device.true_solids(self.heart, self.case.device, self.case.plan, None)["full_frame"]
        return true_sections.TrueOutflow(self.heart).smallest(solid, steps)

    def true_volume(self) -> float:
        """Blood of the ventricle, ml."""
        return true_planes.ventricle_volume(self.heart)

    @cached_property
    def grid(self) -> Grid:
        """Grid of the scan."""
        return Grid.around(*landmark_box(self.heart, MARGIN), self.case.spacing)

    def image(self, noise_seed: int | None = None) -> Volume:
        """The scan, int16 HU; None = without noise and streaks."""
        image = self._clean()
        if noise_seed is not None:
            if self.streaks > 0.0:
                image = image + self._streaks()
            image = image + ramp_noise(self.grid, self.noise_sd, self.grain, noise_seed)
        origin, spacing = np.asarray(self.grid.origin, dtype=float), np.asarray(self.grid.spacing, dtype=float)
        return Volume(np.clip(np.rint(image), -1024.0, 3071.0).astype(np.int16), origin, np.eye(3), spacing)

    def _clean(self) -> Array:
        drawn = (self.case, self.streaks > 0.0, self.steps, MARGIN, self.supersample)
        key = hashlib.sha256((repr(drawn) + _drawing_code()).encode())
        folder = Path(os.environ.get(CACHE_VARIABLE) or Path(tempfile.gettempdir()) / f"rough_hearts_{os.getuid()}")
        path = folder / f"{key.hexdigest()[:24]}.npy"
        if path.exists():
            result: Array = np.load(path).astype(np.float32)
            return result
        image = Scanner(self.case.blur_fwhm, 0.0, self.supersample).clean(self.heart, self.grid)
        if self.streaks > 0.0:
            self._add_lead(image)
        if self.steps > 0.0:
            self._step(image)
        folder.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}.part")
        with part.open("wb") as file:
            np.save(file, np.rint(image).astype(np.int16))
        part.replace(path)
        result = np.rint(image)
        return result

    # ------------------------------------------------------------------ lead, streaks, steps
    @cached_property
    def _lead(self) -> Array:
        """Ends (2, 3), LPS, of a straight lead from the right atrium to the right ventricle's apex."""
        ends = self.heart.from_ventricle([[14.0, 33.0, -12.0], [27.0, 38.0, 58.0]])
        return self.heart.to_patient(ends)

    def _add_lead(self, image: Array) -> None:
        (a, b), sigma = self._lead, self.case.blur_fwhm * FWHM_TO_SD
        x, y, z = (self.grid.axis(d) for d in range(3))
        for k, height in enumerate(z):
            p = np.stack(np.broadcast_arrays(x, y[:, None], height), axis=-1)
            t = np.clip((p - a) @ (b - a) / ((b - a) @ (b - a)), 0.0, 1.0)
            distance = np.linalg.norm(p - a - t[..., None] * (b - a), axis=-1) - LEAD_RADIUS
            image[k] += ndtr(-distance / sigma) * (LEAD_HU - image[k])

    def _streaks(self) -> Array:
        """Bright and dark streaks in the slice, from where the lead crosses it; each holds over some 2 mm of slices."""
        (a, b), image = self._lead, np.zeros(self.grid.shape[::-1], np.float32)
        x, y, z = (self.grid.axis(d) for d in range(3))
        for k, height in enumerate(z):
            share = (height - a[2]) / (b[2] - a[2])
            if not 0.0 <= share <= 1.0:
                continue
            cross = a + share * (b - a)
            rng = np.random.default_rng([self.seed, 9, int(np.floor(height / 2.0)) + 10_000])
            dx, dy = (x - cross[0])[None], (y - cross[1])[:, None]
            fade = np.exp(-np.hypot(dx, dy) / STREAK_REACH)
            for angle, strength in zip(rng.uniform(0.0, np.pi, STREAKS), rng.normal(0.0, 1.0, STREAKS), strict=True):
                away = dx * np.sin(angle) - dy * np.cos(angle)
                image[k] += self.streaks * strength * fade * np.exp(-0.5 * (away / STREAK_WIDTH) ** 2)
        return image

    def _step(self, image: Array) -> None:
        """Shift slabs within their slices, each by its own vector."""
        rng = np.random.default_rng([self.seed, 8])
        k = 0
        while k < len(image):
            last = k + max(2, round(rng.uniform(*SLAB) / self.grid.spacing[2]))
            angle, size = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.0, 0.5 * self.steps)
            shift = size * np.array([np.sin(angle), np.cos(angle)]) / self.grid.spacing[0]
            for slice_ in image[k:last]:
                slice_[:] = ndimage.shift(slice_, shift, order=3, mode="nearest")
            k = last


def _drawing_code() -> str:
    """Hash of the code that draws hearts, so that no image of older code is taken."""
    names = ("anatomy", "chambers", "render", "ring_shape", "rough_hearts", "shapes", "thorax", "tissue")
    files = (Path(__file__).with_name(f"{name}.py").read_bytes() for name in names)
    return hashlib.sha256(b"".join(files)).hexdigest()


def ramp_noise(grid: Grid, sd: float, grain: float, seed: int) -> Array:
    """CT noise (nk, nj, ni), float32, HU, of standard deviation `sd` and `grain` mm.

    In the slice its power is f W(f)^2, W the Hann window up to the kernel's cut-off (Kijewski & Judy 1987, Phys Med
    Biol 32:565: ramp filter and kernel); along z a Gaussian slice profile gives neighbours the same grain.
    """
    ni, nj, nk = grid.shape
    cutoff = GRAIN_CUTOFF / grain
    # a grid coarser than the grain sees the noise of its points: draw on a finer one and leave points out
    finer = max(1, int(np.ceil(2.0 * cutoff * grid.spacing[0])))
    step = grid.spacing[0] / finer
    rows, columns = (fft.next_fast_len(n * finer, real=True) for n in (nj, ni))
    f = np.hypot(fft.fftfreq(rows, step)[:, None], fft.rfftfreq(columns, step)) / cutoff
    gain = np.where(f < 1.0, np.sqrt(f) * 0.5 * (1.0 + np.cos(np.pi * np.minimum(f, 1.0))), 0.0).astype(np.float32)
    rng = np.random.Generator(np.random.SFC64(seed))
    noise = np.empty((nk, nj, ni), np.float32)
    for k in range(nk):
        white = fft.rfft2(rng.standard_normal((rows, columns), dtype=np.float32))
        noise[k] = fft.irfft2(white * gain, (rows, columns))[: nj * finer : finer, : ni * finer : finer]
    # a Gaussian of s correlates as one of s sqrt(2)
    width = grain * FWHM_TO_SD / np.sqrt(2.0) / grid.spacing[2]
    noise = ndimage.gaussian_filter1d(noise, width, axis=0, mode="wrap")
    noise *= sd / float(noise.std())
    result: Array = noise
    return result


def rough_heart(
    seed: int,
    *,
    spacing: float | None = None,
    contrast_to_noise: float | None = None,
    grain: float | None = None,
    valve: str | None = None,
    streaks: float | None = None,
    steps: float | None = None,
    kind: str | None = None,
) -> RoughHeart:
    """A random rough heart; what is given replaces what is drawn, and leaves the rest as it is.

    valve : `open` or `closed`; kind : of `random_cases.KINDS`; streaks : HU, steps : mm, 0 = none.
    """
    rng = np.random.default_rng([seed, 1987])
    drawn = {
        "turn": rng.uniform(10.0, 30.0) * rng.choice([-1.0, 1.0]),
        "longer": rng.uniform(0.09, 0.20),
        "trabeculae": rng.uniform(1.0, 2.0),
        "chordae": rng.uniform(0.5, 1.0),
        "leaflet": rng.uniform(0.8, 1.2),
        "membranous": rng.uniform(1.0, 2.0),
        "right": rng.uniform(50.0, 600.0),
        "blood": rng.uniform(350.0, 550.0),
        "muscle": rng.uniform(80.0, 130.0),
    }
    cnr, size, blur = rng.uniform(5.0, 12.0), rng.uniform(0.5, 1.5), rng.uniform(0.7, 1.1)
    open_valve, closed_phase = rng.random() < 0.6, rng.choice([20.0, 40.0])
    lead, streak, stepped, step = (
        rng.random() < 0.25,
        rng.uniform(30.0, 100.0),
        rng.random() < 0.25,
        rng.uniform(0.5, 3),
    )
    side = SPACINGS[seed % len(SPACINGS)] if spacing is None else spacing
    base = random_case(seed, kind, spacing=(side, side, side), blur_fwhm=max(blur, side), noise_sd=0.0)
    heart = replace(
        base.heart,
        septal_turn=float(drawn["turn"]),
        annulus_longer=float(drawn["longer"]),
        trabeculae=float(drawn["trabeculae"]),
        chordae=float(drawn["chordae"]),
        leaflet_thickness=float(drawn["leaflet"]),
        membranous_septum=float(drawn["membranous"]),
        curtain_wall=max(side, 1.0),
        path_depth=8.5 + 1.75 * max(0.0, 1.25 * base.heart.bulge - 2.0),
        levels=replace(
            base.heart.levels,
            left_blood=float(drawn["blood"]),
            right_blood=float(drawn["right"]),
            muscle=float(drawn["muscle"]),
            wall=float(drawn["muscle"]),
        ),
    )
    is_open = open_valve if valve is None else valve == "open"
    return RoughHeart(
        case=replace(base, heart=heart, phase_pct=75.0 if is_open else float(closed_phase)),
        seed=seed,
        grain=size if grain is None else grain,
        contrast_to_noise=cnr if contrast_to_noise is None else contrast_to_noise,
        streaks=(streak if lead else 0.0) if streaks is None else streaks,
        steps=(step if stepped else 0.0) if steps is None else steps,
    )
