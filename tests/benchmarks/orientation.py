"""How often the anatomy says which way image and landmarks lie, with the heart at the isocentre.

    python tests/benchmarks/orientation.py --hearts 60

Invented chests drawn coarsely (2 x 2 x 5 mm, noise 15 to 40 HU); landmarks with a scatter of 0.7 mm (honest: 1.3 mm).
"""

from __future__ import annotations

import argparse

import numpy as np

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.random_cases import random_case
from outflow_cohort.demo.render import Grid, Scanner
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.orientation import image_orientation
from outflow_geometry.image.pose import pose_finding

FIELDS = ((150.0, 130.0, 0.0), (180.0, 130.0, 10.0), (220.0, 140.0, 20.0), (350.0, 220.0, 15.0))
"""Width, length, and how far behind the heart the middle of the field is, mm."""
SPACING = (2.0, 2.0, 5.0)


def scan(seed: int, width: float, length: float, behind: float) -> tuple[Volume, dict[str, np.ndarray]]:
    """A chest and its true landmarks, the heart's middle at x = y = 0."""
    rng = np.random.default_rng([seed, 5])
    case = random_case(seed)
    heart = HeartPhase(case.heart, case.phase_pct)
    points = {name: np.atleast_2d(p) for name, p in true_landmarks(heart).items()}
    middle = np.mean([points["mitral_ring"].mean(axis=0), points["lv_apex"][0], points["aortic_hinge_left"][0]], axis=0)
    origin = middle + np.array([-0.5 * width, behind - 0.5 * width, -0.5 * length])
    grid = Grid(tuple(origin), SPACING, (int(width / 2), int(width / 2), int(length / 5)))
    image = Scanner(0.8, 0.0, 1).clean(heart, grid)
    image += rng.normal(0.0, rng.uniform(15.0, 40.0), image.shape)
    shift = middle * [1.0, 1.0, 0.0]
    volume = Volume(image.astype(np.int16), origin - shift, np.eye(3), np.array(SPACING))
    return volume, {name: p - shift for name, p in points.items()}


def main() -> None:
    """Print a table: per field of view, the share of images and readings judged right."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hearts", type=int, default=60)
    hearts = parser.parse_args().hearts
    print("| field, mm | upright images seen | upright called inverted | turned images found | mirrored images found "
          "| honest readings flagged | RAS readings found | x-mirrored readings found |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|")
    for width, length, behind in FIELDS:
        counts = np.zeros(7)
        for seed in range(hearts):
            volume, points = scan(seed, width, length, behind)
            rng = np.random.default_rng([seed, 6])
            image = image_orientation(volume)
            turned = image_orientation(Volume(volume.values[:, ::-1, ::-1], volume.origin, np.eye(3), volume.spacing))
            mirrored = image_orientation(Volume(volume.values[:, :, ::-1], volume.origin, np.eye(3), volume.spacing))
            counts[:4] += [
                {"x", "y"} <= set(image.upright), bool(image.inverted), turned.inverted == ("x", "y"),
                mirrored.inverted == ("x",),
            ]  # fmt: skip
            for place, (signs, sd) in enumerate((((1, 1, 1), 1.3), ((-1, -1, 1), 0.7), ((-1, 1, 1), 0.7)), start=4):
                read = {n: (p + rng.normal(0.0, sd, p.shape)) * np.array(signs) for n, p in points.items()}
                counts[place] += pose_finding(read, image, volume) is not None
        shares = " | ".join(f"{100 * c / hearts:.0f} %" for c in counts)
        print(f"| {width:g} x {width:g} x {length:g} | {shares} |", flush=True)


if __name__ == "__main__":
    main()
