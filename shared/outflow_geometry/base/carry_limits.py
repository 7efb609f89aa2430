"""What of two phases is compared when landmarks are carried, and how far these are believed. Lengths mm.

The defaults of the study's settings come from here, so this imports nothing that takes time.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ComparisonSettings:
    """What of two phases is compared, mm."""

    spacing: float = 1.0
    """Voxel edge; a grid of 1.5 mm takes a third of the time and errs by half more on moving hearts."""
    margin: float = 24.0
    """About the landmarks: the base moves by up to 15 mm, and the coarse steps need surroundings."""
    reach: float = 20.0
    """About the landmarks, within which images are compared."""
    without_leaflets: bool = True


@dataclass(frozen=True)
class CarryBounds:
    """When carried landmarks are doubted, and when they are set aside."""

    doubt_disagreement: float = 0.55
    """mm; departure of the motion from the shape that ring or annulus keep, from which `ok` is not said any more. Of 72
    sound pairs of moving hearts all but two were below (0.54, the two 0.61 and 0.62), with a step of 5 mm through the
    valves or with streaks it was 0.68 and more, in a heart of the demonstration with such a step 0.57 to 0.62."""
    doubt_error: float = 0.50
    """mm; expected error of a coordinate of ring or annulus from which `ok` is not said any more."""
    largest_error: float = 1.0
    """mm; expected error beyond which the phase is set aside."""
    ring_change: float = 0.10
    """Share of the ring's area."""
    least_likeness: float = 0.80
    """Correlation of the registered images about ring and annulus."""
    prediction: float = 3.0
    """mm; root mean square miss of the marks of another marked phase."""
    largest_prediction: float = 8.0
    unsteady: float = 4.0
    """mm; how far the ring's centre may be from the course of the neighbouring phases."""
    out_of_turn: float = 1.5
    """mm; how far a ring may be on the wrong side of another phase: carrying errs by 0.5 mm along the beat."""
    slab_step: float = 2.5
    """Largest step between neighbouring slices of either image, as a multiple of the usual one: 1.3 to 2.0 in moving
    hearts, 3.1 and more with a step of 5 mm between two slabs."""
    centers_apart: float = 3.0
    """mm; how far the distance of ring and annulus centres may change."""
