"""Inner diameter of a surgical ring or stented valve from the image, blooming taken out.

All points LPS, mm, float64; image values HU. Radii are measured about the reader's ring centre, in the metal's own
plane near the reader's ring plane; a diameter is that of the circle of equal area.

- half_maximum: on each ray, where the image is half-way between lumen and the wall's peak. Blooming makes it too
  small, by about sqrt(w2 + FWHM2) - w for a thin wall.
- ridge: the radius of the peak minus half the known wall.
- model_fit: a wall of known thickness between lumen and outside, convolved with a Gaussian blur, fitted to the
  voxels themselves; blur, metal and outside brightness are free. For a wall thinner than the blur only the product
  of brightness and thickness is seen, so the thickness must be known. Voxels at the scanner's largest value are
  censored: they only say "at least this bright".

Sources: blurred-edge fitting of the blur, Phys Med Biol 2004 49(10) doi 10.1088/0031-9155/49/10/003; model-based
widths below the blur, Med Phys 2002, doi 10.1118/1.1488603; censored (Tobit) residuals, Tobin 1958, Econometrica
26:24.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.base.frames import FloatArray, Plane, Volume
from outflow_geometry.image.levels import BloodLevel, blood_level
from outflow_geometry.image.ring_wall_fit import (
    CENSORED_FROM,
    RADIUS_HARMONICS,
    RingBox,
    fitted_wall,
    fourier,
    ring_box,
)
from outflow_geometry.landmarks.anatomy import Anatomy

RAYS = 90
"""Directions around the ring, one every 4 degrees: 0.9 mm on a ring of 26 mm, below the blur."""

RAY_REACH = (5.0, 7.0)
"""mm inside and outside the reader's ring that are searched for the wall: reader's error plus wall and blooming."""

RAY_STEP = 0.05
"""mm between samples of a ray; crossings and peaks are refined between them."""

HEIGHT_REACH, HEIGHT_STEP = 3.0, 0.5
"""mm before and behind the reader's ring plane that are searched for the metal's own plane."""

LEAST_METAL = 250.0
"""HU above blood that makes a wall metal or radiopaque polymer; common practice, no source."""

LEAST_SHARE_SEEN = 0.6
"""Share of the rays that must meet the wall: open rings cover three quarters, calcium alone less."""

PLATEAU_SHARE = 0.35
"""Share of the bright voxels that hold the very largest value of a saturated image: noise spreads the top of any
other, and a blurred thin wall has few voxels near its peak."""

STORED_LIMIT = 3071.0
"""HU; largest value of 12 stored bits with the usual offset of -1024 (DICOM PS3.3 C.11.1, rescale)."""

OVERSHOOT = 1.14
"""Resampling a clipped image with a spline or sinc overshoots the limit by up to a seventh of it."""

CLEARLY_BRIGHTER = 1.05
"""A wall whose fitted peak is that much above the image's brightest voxel was clipped."""


@dataclass(frozen=True)
class RingEdges:
    """Inner diameters, mm, by method; None where missing.

    saturated : whether metal reaches the largest value the image can store.
    blur_fwhm : fitted blur, mm; None without fit.
    share_seen : share of the rays that meet the wall.
    status : `ok`, `saturated`, `missing_wall` (ridge and model_fit need it), `ring_not_seen`, `fit_failed`.
    """

    half_maximum: float | None
    ridge: float | None
    model_fit: float | None
    saturated: bool
    blur_fwhm: float | None
    share_seen: float
    status: str

    def status_of(self, variant: str) -> str:
        """Status of one method's value: a missing wall or failed fit does not touch the others."""
        if self.status == "ring_not_seen":
            return self.status
        if self.status == "saturated":
            # the plateau moves the half maximum and blunts the peak; the censored fit takes it into account
            return "ok" if variant == "model_fit" else "saturated"
        needs_wall = variant in ("ridge", "model_fit")
        if (self.status == "missing_wall" and needs_wall) or (self.status == "fit_failed" and variant == "model_fit"):
            return self.status
        return "saturated" if self.saturated and variant != "model_fit" else "ok"


def half_crossing(radii: FloatArray, profile: FloatArray, peak: int, level: float) -> float:
    """Radius, mm, where `profile` (n,) last rises through `level` before index `peak`; nan where it does not.

    >>> half_crossing(np.array([10.0, 11, 12, 13]), np.array([0.0, 100, 300, 400]), 3, 200.0)
    11.5
    """
    below = np.flatnonzero(profile[: peak + 1] < level)
    if len(below) == 0 or below[-1] >= peak:
        return float("nan")
    k = int(below[-1])
    share = (level - profile[k]) / (profile[k + 1] - profile[k])
    return float(radii[k] + share * (radii[k + 1] - radii[k]))


def equal_area_diameter(angles: FloatArray, radii: FloatArray) -> float:
    """Diameter, mm, of the circle of equal area, of a smooth outline given by `radii` (n,) at even or uneven `angles`.

    Fourier series of the radius fitted with outliers clipped; area = half the mean square of the radius times 2 pi.

    >>> angles = np.radians(np.arange(0, 360, 5))
    >>> round(equal_area_diameter(angles, np.full(72, 14.0)), 6)
    28.0
    """
    design = fourier(angles, RADIUS_HARMONICS)
    kept = np.isfinite(radii)
    coefficients: FloatArray = np.zeros(design.shape[1], dtype=np.float64)
    for _ in range(5):
        coefficients = np.asarray(np.linalg.lstsq(design[kept], radii[kept], rcond=None)[0], dtype=np.float64)
        residual = np.abs(design @ coefficients - radii)
        limit = 4.0 * 1.4826 * float(np.median(residual[kept])) + 1e-6
        kept = np.isfinite(radii) & (residual <= limit)
    even = fourier(np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False), RADIUS_HARMONICS) @ coefficients
    return 2.0 * float(np.sqrt(np.mean(even**2)))


def _metal_plane(box: RingBox, anatomy: Anatomy, angles: FloatArray, rim: FloatArray, metal_hu: float) -> Plane:
    """The metal's own plane near the ring plane: a plane through the middle heights of the bright wall."""
    plane = anatomy.ring_plane
    heights = np.arange(-HEIGHT_REACH, HEIGHT_REACH + 0.5 * HEIGHT_STEP, HEIGHT_STEP)
    steps = np.arange(-RAY_REACH[0], RAY_REACH[1], 0.5)
    radii = rim[:, None] + steps
    flat = radii[..., None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)[:, None, :]
    center = anatomy.ring_contour.centroid
    points = plane.lift(flat + center)[:, None] + heights[None, :, None, None] * plane.normal
    peaks = box.at(points).max(axis=2)
    strongest = peaks.max(axis=1)
    seen = strongest > metal_hu
    if seen.sum() < 8:
        return plane
    weight = np.where(peaks > 0.5 * (strongest[:, None] + metal_hu), peaks - metal_hu, 0.0)
    total = weight.sum(axis=1)
    seen &= total > 0.0
    middle = (weight * heights).sum(axis=1)[seen] / total[seen]
    place = rim[seen, None] * np.stack([np.cos(angles[seen]), np.sin(angles[seen])], axis=1)
    design = np.column_stack([np.ones(len(middle)), place])
    offset, slope_u, slope_v = np.linalg.lstsq(design, middle, rcond=None)[0]
    offset = float(np.clip(offset, -HEIGHT_REACH, HEIGHT_REACH))
    tilt = np.hypot(slope_u, slope_v)
    limit = np.tan(np.radians(12.0))
    scale = 1.0 if tilt <= limit else limit / tilt
    normal = plane.normal - scale * (slope_u * plane.u + slope_v * plane.v)
    return Plane.from_normal(plane.lift(center) + offset * plane.normal, normal, toward=plane.u)


def _plateau(values: FloatArray, metal_hu: float) -> bool:
    """Whether most bright voxels of (n,) hold the largest value."""
    top = float(values.max())
    bright = values[values > metal_hu + 0.8 * (top - metal_hu)]
    return len(bright) >= 20 and float(np.mean(bright >= top - 1.0)) >= PLATEAU_SHARE


def ring_inner_diameter(
    volume: Volume, anatomy: Anatomy, wall_mm: float | None = None, level: BloodLevel | None = None
) -> RingEdges:
    """Inner diameter of the ring or stent at the reader's mitral ring, by each method.

    Parameters
    ----------
    volume : the image; the original resolution is best, since resampling adds its own blur (the fit sees it).
    wall_mm : thickness of the radiopaque wall; None leaves half_maximum alone.
    level : blood level; estimated where None.

    Raises GeometryError `ring_outside_image`, and what the level raises. A native annulus is `ring_not_seen`.

    An invented ring: a metal wall of 2 mm around a bore of 24 mm, sampled sharply in steps of 0.5 mm:

    >>> from outflow_geometry import build_anatomy
    >>> axis = np.arange(-20.0, 20.5, 0.5)
    >>> z, y, x = np.meshgrid(np.arange(-6.0, 6.5, 0.5), axis, axis, indexing="ij")
    >>> hu = np.select([np.hypot(x, y) < 12.0, np.hypot(x, y) < 14.0], [350.0, 2000.0], 110.0)
    >>> volume = Volume(hu, np.array([-20.0, -20.0, -6.0]), np.eye(3), np.full(3, 0.5))
    >>> t = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    >>> ring = 12.0 * np.stack([np.cos(t), np.sin(t), 0.0 * t], axis=1)
    >>> anatomy = build_anatomy({"mitral_ring": ring, "lv_apex": np.array([[0.0, 0.0, -70.0]])})
    >>> level = BloodLevel(350.0, 110.0, 230.0, 10.0, 24.0, "samples", "ok")
    >>> found = ring_inner_diameter(volume, anatomy, wall_mm=2.0, level=level)
    >>> bool(abs(found.half_maximum - 24.0) < 0.5), bool(abs(found.ridge - 24.0) < 0.5)
    (True, True)
    """
    level = blood_level(volume, anatomy) if level is None else level
    contour = anatomy.ring_contour
    angles = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    rim = contour.radii(angles)
    box = ring_box(volume, contour.outline, RAY_REACH[1] + HEIGHT_REACH)
    metal_hu = level.blood_hu + max(LEAST_METAL, 6.0 * level.noise_hu)
    plane = _metal_plane(box, anatomy, angles, rim, metal_hu)

    steps = np.arange(-RAY_REACH[0], RAY_REACH[1] + 0.5 * RAY_STEP, RAY_STEP)
    radii = np.maximum(rim[:, None] + steps, 0.0)
    direction = np.cos(angles)[:, None] * plane.u + np.sin(angles)[:, None] * plane.v
    profiles = box.at(plane.point + radii[..., None] * direction[:, None, :])
    # the wall nearest the lumen: the first ridge that reaches half of the ray's brightest
    strongest = profiles.max(axis=1)
    peaks = np.empty(RAYS, dtype=np.int64)
    for ray, profile in enumerate(profiles):
        crests = np.flatnonzero((profile[1:-1] >= profile[:-2]) & (profile[1:-1] > profile[2:])) + 1
        tall = crests[profile[crests] >= 0.5 * (strongest[ray] + level.blood_hu)]
        peaks[ray] = tall[0] if len(tall) else np.argmax(profile)
    tops = profiles[np.arange(RAYS), peaks]
    seen = (tops > metal_hu) & (peaks > 1) & (peaks < len(steps) - 2)
    share = float(seen.mean())
    if share < LEAST_SHARE_SEEN:
        return RingEdges(
            half_maximum=None,
            ridge=None,
            model_fit=None,
            saturated=False,
            blur_fwhm=None,
            share_seen=share,
            status="ring_not_seen",
        )

    values = box.values.ravel()[
        np.abs(np.linalg.norm(plane.project(box.points()), axis=1) - float(np.mean(rim))) < RAY_REACH[1]
    ]
    top = float(values.max())
    ceiling = top if _plateau(values, metal_hu) else None
    inner, middle = _ray_edges(radii, profiles, np.where(seen, peaks, -1), level.blood_hu, ceiling)
    found = None
    if wall_mm is not None:
        near = STORED_LIMIT * CENSORED_FROM <= top <= STORED_LIMIT * OVERSHOOT
        found = fitted_wall(
            box, plane, (angles, middle), wall_mm, level, STORED_LIMIT if near and ceiling is None else ceiling
        )
        if near and ceiling is None:
            if found is not None and found[2] > CLEARLY_BRIGHTER * top:
                ceiling = STORED_LIMIT
                inner, middle = _ray_edges(radii, profiles, np.where(seen, peaks, -1), level.blood_hu, ceiling)
            else:
                found = fitted_wall(box, plane, (angles, middle), wall_mm, level, None)
    saturated = ceiling is not None
    half_maximum = equal_area_diameter(angles, inner)
    if wall_mm is None:
        return RingEdges(
            half_maximum=half_maximum,
            ridge=None,
            model_fit=None,
            saturated=saturated,
            blur_fwhm=None,
            share_seen=share,
            status="missing_wall",
        )
    ridge = equal_area_diameter(angles, middle) - wall_mm
    if found is None:
        return RingEdges(
            half_maximum=half_maximum,
            ridge=ridge,
            model_fit=None,
            saturated=saturated,
            blur_fwhm=None,
            share_seen=share,
            status="fit_failed",
        )
    status = "saturated" if saturated else "ok"
    return RingEdges(
        half_maximum=half_maximum,
        ridge=ridge,
        model_fit=found[0],
        saturated=saturated,
        blur_fwhm=found[1],
        share_seen=share,
        status=status,
    )


def _ray_edges(
    radii: FloatArray, profiles: FloatArray, peaks: NDArray[np.int64], blood_hu: float, ceiling: float | None
) -> tuple[FloatArray, FloatArray]:
    """Radii (n,), mm, of the half-maximum crossing and of the wall's middle on rays (n, m); nan where peak is -1."""
    inner, middle = np.full(len(radii), np.nan), np.full(len(radii), np.nan)
    for n in np.flatnonzero(peaks >= 0):
        profile, peak = profiles[n], int(peaks[n])
        if ceiling is not None:
            profile = np.minimum(profile, ceiling)
        inner[n] = half_crossing(radii[n], profile, peak, 0.5 * (blood_hu + profile[peak]))
        before, at, after = profile[peak - 1], profile[peak], profile[peak + 1]
        curvature = before - 2.0 * at + after
        shift = 0.0 if curvature >= 0.0 else 0.5 * (before - after) / curvature
        middle[n] = radii[n, peak] + shift * RAY_STEP
        if ceiling is not None:
            # a plateau has no peak: the middle between both crossings of eight tenths of its height
            high = blood_hu + 0.8 * (profile[peak] - blood_hu)
            left = half_crossing(radii[n], profile, peak, high)
            right = -half_crossing(-radii[n][::-1], profile[::-1], len(profile) - 1 - peak, high)
            middle[n] = 0.5 * (left + right)
    return inner, middle
