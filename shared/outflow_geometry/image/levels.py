"""Blood and muscle levels, noise and contrast.

All points LPS, mm, float64; image values HU. The level of the blood edge is half-way between the local blood
and the local muscle (study contract, "Blood").
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import Anatomy

LEAST_CONTRAST_TO_NOISE = 5.0
"""Below this the level cannot be trusted (image-quality gate of the study: CNR 10 wanted, 5 the least)."""

LEAST_BLOOD = 60.0
"""HU; unenhanced blood, common practice, no source: nothing darker is taken for contrast-filled blood."""

MUSCLE_RANGE = (-20.0, 220.0)
"""HU; leaves out fat and lung below, calcium and metal above; common practice, no source."""

BIN = 4.0
"""HU; histogram bin of the mode search, smoothed by two bins."""

CLIP = 2.5
"""Standard deviations kept by the clipped mean: a Gaussian loses 1.2 % of its values, symmetrically."""

SAMPLE_RADII = (2.0, 3.0, 4.0)
"""mm; surroundings of a sample point grow through these radii while they stay one tissue."""

NOISE_GRAIN = 1.5
"""mm3 over which noise is one value: a grain of 1.1 mm FWHM; sets the standard error of a sample's mean."""

REGION_ERROR = 1.0
"""HU; standard error granted to the region's own estimate when it is pooled with the samples': on invented hearts it
errs by 0.3 HU, and streaks or uneven mixing add to that."""

MIXED_SPREAD = 1.6
"""Times the calmest sample's spread from which a sample straddles an edge: the spread of 33 voxels of one tissue, a
tenth of them independent, is known to a quarter, that of an edge is twice the noise at a contrast to noise of 5."""

STRAY_SHARE = 0.25
"""Share of the median of three or more samples by which one of them may depart and still be the same tissue."""

SAME_TISSUE = 5.0
"""Standard errors within which samples and region are taken for one tissue and pooled; beyond, samples decide."""


@dataclass(frozen=True)
class BloodLevel:
    """Levels of one reading, HU.

    method : `samples`, `two_class`, or `blood_samples` / `muscle_samples` where only one kind was given.
    status : `ok` or `low_contrast` (contrast-to-noise below LEAST_CONTRAST_TO_NOISE).
    """

    blood_hu: float
    muscle_hu: float
    threshold_hu: float
    noise_hu: float
    contrast_to_noise: float
    method: str
    status: str

    @property
    def contrast_hu(self) -> float:
        """Blood minus muscle, HU."""
        return self.blood_hu - self.muscle_hu

    @property
    def ceiling_hu(self) -> float:
        """HU above which a voxel is calcium or metal rather than blood."""
        return self.blood_hu + max(self.contrast_hu, 5.0 * self.noise_hu)


def flow_axis(anatomy: Anatomy) -> FloatArray:
    """Points (n, 3), mm, surely near blood: from the ventricle to just beyond the aortic annulus."""
    downstream = anatomy.aortic_center + 5.0 * anatomy.aortic_plane.normal
    upstream = anatomy.aortic_center - 12.0 * anatomy.aortic_plane.normal
    into = anatomy.apex - anatomy.ring_center if anatomy.has("lv_apex") else 30.0 * anatomy.ring_plane.normal
    return np.stack([downstream, upstream, anatomy.ring_center + 0.45 * into, anatomy.ring_center + 0.2 * into])


def _mode(values: NDArray[np.float32], low: float, high: float) -> float:
    counts, edges = np.histogram(values, bins=max(2, int((high - low) / BIN)), range=(low, high))
    smooth = ndimage.gaussian_filter1d(counts.astype(np.float64), 2.0, mode="constant")
    return float(edges[int(np.argmax(smooth))] + BIN / 2.0)


def clipped_mean(values: NDArray[np.float32], center: float, spread: float) -> tuple[float, float]:
    """Mean and standard deviation of the values (n,) about `center`, far ones clipped; HU."""
    for _ in range(20):
        kept = values[np.abs(values - center) <= CLIP * spread]
        if len(kept) < 8:
            break
        before = center
        # a Gaussian cut at 2.5 standard deviations keeps 0.9515 of its standard deviation
        center, spread = float(kept.mean(dtype=np.float64)), max(float(kept.std(dtype=np.float64)) / 0.9515, 1.0)
        if abs(center - before) < 0.01:
            break
    return center, spread


def _peak(values: NDArray[np.float32], center: float, spread: float) -> float:
    """Peak, HU, of a class near `center`: mean shift with a window of 1.5 known `spread`, blind to a shoulder."""
    for _ in range(50):
        kept = values[np.abs(values - center) <= 1.5 * spread]
        if len(kept) < 8:
            break
        before, center = center, float(kept.mean(dtype=np.float64))
        if abs(center - before) < 0.01:
            break
    return center


def _sample_level(volume: Volume, samples: FloatArray, name: str) -> tuple[float, float, float]:
    """Mean, its standard error and noise, HU, around sample points (n, 3); raises `sample_outside_image`."""
    points = np.atleast_2d(np.asarray(samples, dtype=np.float64))
    if not np.all(volume.contains(points)):
        raise GeometryError("sample_outside_image", f"a {name} is outside the image; move it or drop it")
    means, weights, spreads = [], [], []
    reach = np.ceil(SAMPLE_RADII[-1] / volume.spacing[::-1]).astype(int)
    grain = max(NOISE_GRAIN / float(np.prod(volume.spacing)), 1.0)
    for point in points:
        center = np.round(volume.to_index(point)).astype(int)
        low = np.maximum(center - reach, 0)
        high = np.minimum(center + reach + 1, volume.values.shape)
        box = volume.values[low[0] : high[0], low[1] : high[1], low[2] : high[2]].astype(np.float32)
        grid = np.stack(np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij"), axis=-1)
        distance = np.linalg.norm(volume.to_points(grid) - point, axis=-1)
        radius = max(SAMPLE_RADII[0], 1.01 * float(volume.spacing.max()))
        kept = box[distance <= radius]
        for wider in SAMPLE_RADII[1:]:
            shell = box[(distance > radius) & (distance <= wider)]
            if len(shell) < 8:
                continue
            spread = max(float(kept.std()), 1.0)
            error = 2.0 * spread * np.sqrt(grain * (1.0 / len(kept) + 1.0 / len(shell)))
            if abs(float(shell.mean() - kept.mean())) > error or float(shell.std()) > 1.15 * spread:
                break
            kept, radius = box[distance <= wider], wider
        mean, spread = clipped_mean(kept, float(np.median(kept)), max(float(kept.std()), 1.0))
        means.append(mean)
        spreads.append(spread)
        weights.append(len(kept))
    kept = _one_tissue(np.asarray(means), np.asarray(spreads))
    noise = float(np.median(np.asarray(spreads)[kept]))
    error = noise * float(np.sqrt(grain / np.sum(np.asarray(weights)[kept])))
    return float(np.average(np.asarray(means)[kept], weights=np.asarray(weights)[kept])), error, noise


def _one_tissue(means: FloatArray, spreads: FloatArray) -> NDArray[np.bool_]:
    """Which samples (n,) to keep: not those across an edge (a papillary muscle in the way), nor one of three or more
    that is in another tissue than most."""
    kept = spreads <= MIXED_SPREAD * max(float(spreads.min()), 1.0)
    if int(kept.sum()) >= 3:
        middle = float(np.median(means[kept]))
        kept &= np.abs(means - middle) <= STRAY_SHARE * max(abs(middle), LEAST_BLOOD)
    return kept


def _pooled_level(sample: float, error: float, region: float | None) -> float:
    """The samples' level, HU, sharpened by the region's where both see one tissue."""
    if region is None or abs(sample - region) > SAME_TISSUE * np.hypot(error, REGION_ERROR):
        return sample
    share = error**2 / (error**2 + REGION_ERROR**2)
    return (1.0 - share) * sample + share * region


def _region(phase: PhaseImage, anatomy: Anatomy) -> tuple[tuple[slice, slice, slice], NDArray[np.float32]]:
    """Coarse box around the flow axis and the distance, mm, of its voxels from that axis."""
    coarse = phase.coarse
    axis = flow_axis(anatomy)
    shape = np.asarray(coarse.values.shape)
    index = coarse.to_index(axis)
    margin = 30.0 / coarse.spacing[::-1]
    low = np.clip(np.floor(index.min(axis=0) - margin), 0, shape - 1).astype(int)
    high = np.clip(np.ceil(index.max(axis=0) + margin) + 1, low + 1, shape).astype(int)
    k, j, i = (slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    box = k, j, i
    return box, phase.line_distance(axis, box)


def _two_class(phase: PhaseImage, anatomy: Anatomy) -> tuple[float, float, float]:
    """Blood, muscle and noise, HU, from the region around the flow axis; raises `no_blood_found`, `no_muscle_found`."""
    box, distance = _region(phase, anatomy)
    values = phase.coarse.values[box]
    if min(values.shape) < 3:
        raise GeometryError("region_outside_image", "the image holds no region around the outflow tract; check frames")
    gradient = np.sqrt(sum(np.square(g) for g in np.gradient(values)))
    core = (distance < 8.0) & (values > LEAST_BLOOD)
    if int(core.sum()) < 50:
        raise GeometryError("no_blood_found", "no contrast-filled blood along the outflow tract; give blood_sample")
    mode = _mode(values[core], LEAST_BLOOD, 1200.0)
    near = core & (np.abs(values - mode) < 0.3 * mode)
    flat = gradient <= 2.0 * float(np.median(gradient[near])) if near.any() else np.ones_like(core)
    inside = (distance < 12.0) & flat
    blood, spread = clipped_mean(values[inside], mode, max(0.06 * mode, 10.0))

    raw = phase.volume.values[:: phase.factors[0], :: phase.factors[1], :: phase.factors[2]]
    raw = raw[tuple(slice(0, n) for n in phase.coarse.values.shape)][box]
    same = inside & (np.abs(values - blood) <= CLIP * spread)
    noise_raw = clipped_mean(raw[same].astype(np.float32), blood, max(3.0 * spread, 10.0))[1]
    noise = max(noise_raw, 1.0)

    # muscle: flat tissue two to seven millimetres outside bright blood, on the way from ventricle to aorta
    bright = values > blood - 0.4 * (blood - min(100.0, 0.5 * blood))
    step = float(phase.coarse.spacing.mean())
    outside = ndimage.distance_transform_cdt(~bright, metric="chessboard") * step
    top = min(MUSCLE_RANGE[1], blood - 0.3 * abs(blood))
    shell = (outside > 2.0) & (outside <= 7.0) & (distance < 30.0) & (values > MUSCLE_RANGE[0]) & (values < top)
    shell &= gradient <= 2.5 * float(np.median(gradient[same])) if same.any() else True
    if int(shell.sum()) < 30:
        raise GeometryError("no_muscle_found", "no muscle around the outflow tract; give muscle_sample")
    mode = _mode(values[shell], MUSCLE_RANGE[0], top)
    muscle = _peak(values[shell], mode, max(spread, 6.0))
    return blood, muscle, noise


def blood_level(
    volume: Volume | PhaseImage,
    anatomy: Anatomy,
    blood_samples: FloatArray | None = None,
    muscle_samples: FloatArray | None = None,
) -> BloodLevel:
    """HU of blood and of muscle in one reading, and the level half-way between them.

    Parameters
    ----------
    blood_samples, muscle_samples : (n, 3) points, mm, whose surroundings give the level; None = the anatomy's own
        `blood_sample` and `muscle_sample`, and without those the robust two-class estimate around the flow axis:
        mode, then clipped mean, of flat blood near the axis and of flat tissue two to seven millimetres outside it.
        Where samples and region agree within their errors both are pooled (a few hundred voxels of correlated
        noise give a level to some HU only); where they differ the samples decide.

    Raises GeometryError `no_blood_found`, `no_muscle_found`, `sample_outside_image`, `region_outside_image`.

    The image is made with blood at 380 HU and muscle at 110 HU:

    >>> from outflow_geometry import build_anatomy, straight_tract
    >>> landmarks, volume = straight_tract()
    >>> level = blood_level(volume, build_anatomy(landmarks))
    >>> round(level.blood_hu), round(level.muscle_hu), level.method, level.status
    (380, 110, 'two_class', 'ok')
    """
    phase = volume if isinstance(volume, PhaseImage) else PhaseImage(volume)
    if blood_samples is None and anatomy.has("blood_sample"):
        blood_samples = anatomy.structure("blood_sample")
    if muscle_samples is None and anatomy.has("muscle_sample"):
        muscle_samples = anatomy.structure("muscle_sample")
    key = (
        tuple((name, value.tobytes()) for name, value in sorted(anatomy.landmarks.items())),
        None if blood_samples is None else np.asarray(blood_samples, dtype=np.float64).tobytes(),
        None if muscle_samples is None else np.asarray(muscle_samples, dtype=np.float64).tobytes(),
    )
    if phase.last_level is None or phase.last_level[0] != key:
        phase.last_level = (key, _found_level(phase, anatomy, blood_samples, muscle_samples))
    level: BloodLevel = phase.last_level[1]
    return level


def _found_level(
    phase: PhaseImage, anatomy: Anatomy, blood_samples: FloatArray | None, muscle_samples: FloatArray | None
) -> BloodLevel:
    try:
        region = _two_class(phase, anatomy)
    except GeometryError:
        if blood_samples is None or muscle_samples is None:
            raise
        region = None
    noise = 0.0
    if blood_samples is not None:
        sample, error, noise = _sample_level(phase.volume, blood_samples, "blood_sample")
        blood = _pooled_level(sample, error, None if region is None else region[0])
    elif region is not None:
        blood = region[0]
    if muscle_samples is not None:
        sample, error, muscle_noise = _sample_level(phase.volume, muscle_samples, "muscle_sample")
        muscle = _pooled_level(sample, error, None if region is None else region[1])
        noise = noise or muscle_noise
    elif region is not None:
        muscle = region[1]
    noise = region[2] if region is not None else noise
    given = blood_samples is not None, muscle_samples is not None
    method = {(True, True): "samples", (True, False): "blood_samples", (False, True): "muscle_samples"}.get(
        given, "two_class"
    )
    ratio = (blood - muscle) / max(noise, 1e-6)
    status = "ok" if ratio >= LEAST_CONTRAST_TO_NOISE else "low_contrast"
    return BloodLevel(
        blood_hu=blood,
        muscle_hu=muscle,
        threshold_hu=0.5 * (blood + muscle),
        noise_hu=noise,
        contrast_to_noise=ratio,
        method=method,
        status=status,
    )
