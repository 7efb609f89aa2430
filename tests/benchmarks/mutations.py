"""Plants one mistake at a time in a copy of the program and sees whether the tests of that part notice.

    python tests/benchmarks/mutations.py --output results_demo/mutations.md [--only SUBSTRING]

A mistake is one changed line: a threshold moved by more than its use allows, a wrong sign, a wrong factor. A mistake that
every named test passes has survived. The tests run are those of the part, not the whole suite.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
COPIED = ("shared", "pipeline", "tests", "config", "pyproject.toml", "Snakefile")
CORE, KERNELS = "shared/outflow_geometry", "pipeline/outflow_cohort/stats/kernels"
GEOMETRY, STATS = "tests/geometry", "tests/stats"
LONGEST_SECONDS = 420


@dataclass(frozen=True)
class Mutation:
    """One planted mistake: the line's text before and after, and the tests that should notice."""

    file: str
    before: str
    after: str
    tests: tuple[str, ...]

    @property
    def name(self) -> str:
        """Where, and what is changed."""
        return f"{Path(self.file).name}: `{self.before.strip()}` → `{self.after.strip()}`"


def _core(file: str, before: str, after: str, *tests: str) -> Mutation:
    return Mutation(f"{CORE}/{file}", before, after, tuple(f"{GEOMETRY}/{t}.py" for t in tests))


def _kernel(file: str, before: str, after: str, *tests: str) -> Mutation:
    return Mutation(f"{KERNELS}/{file}", before, after, tuple(f"{STATS}/{t}.py" for t in tests))


WORKED = ("test_worked_examples",)
MUTATIONS = (
    # those that survived an earlier, manual round
    _core("outflow/sections.py", "LEAST_PART = 5.0", "LEAST_PART = 6.0", "test_thresholds"),
    _core("base/contours.py", "CROSSING_SHARE = 0.01", "CROSSING_SHARE = 0.014", "test_thresholds"),
    _core("landmarks/anatomy.py", "SHORTEST_CURTAIN = 0.1", "SHORTEST_CURTAIN = 0.2", "test_thresholds"),
    _core("landmarks/aortic.py", "JAGGED_RATIO = 1.25", "JAGGED_RATIO = 1.4", "test_thresholds"),
    _core("landmarks/aortic.py", "SIDEWAYS_AZIMUTH = 90.0", "SIDEWAYS_AZIMUTH = 100.0", "test_thresholds"),
    _core("scatter/redrawing.py", "PRIOR_WEIGHT = 10.0", "PRIOR_WEIGHT = 8.0", "test_thresholds"),
    # further thresholds
    _core("outflow/sections.py", "BEYOND_PART = 1.0", "BEYOND_PART = 3.0", "test_thresholds"),
    _core("outflow/sections.py", "beyond <= 0.5 * area", "beyond <= 0.8 * area", "test_thresholds"),
    _core("base/planes.py", "HINGE_ANGLE_MIN = 20.0", "HINGE_ANGLE_MIN = 28.0", "test_planes", "test_thresholds"),
    _core("base/planes.py", "HINGE_SIDE_MIN = 8.0", "HINGE_SIDE_MIN = 10.0", "test_planes", "test_thresholds"),
    _core("landmarks/mitral.py", "TRIGONE_REACH = 10.0", "TRIGONE_REACH = 14.0", "test_landmark_measures", "test_thresholds"),
    _core("landmarks/mitral.py", "FEWEST_SPLINE_POINTS = 6", "FEWEST_SPLINE_POINTS = 5", "test_landmark_measures", "test_thresholds"),
    _core("scatter/redrawing.py", "PRIOR_SD = 0.7", "PRIOR_SD = 0.8", "test_landmark_scatter", "test_thresholds"),
    _core("measures/phases.py", "FEWEST_SYSTOLIC = 3", "FEWEST_SYSTOLIC = 2", "test_phases"),
    # formulas of the core
    _core("landmarks/aortic.py", "return 180.0 - opening_angle(anatomy)", "return 90.0 - opening_angle(anatomy)", "test_landmark_measures"),
    _core("landmarks/views.py", "math.atan2(d[0], -d[1])", "math.atan2(d[0], d[1])", "test_c_arm_views"),
    _core("landmarks/views.py", "n[0] * np.sin(a)) / n[2]", "n[0] * np.cos(a)) / n[2]", "test_c_arm_views"),
    _core("landmarks/views.py", "abs(lao_rao) <= box.lao_rao_limit", "abs(lao_rao) < box.lao_rao_limit", "test_c_arm_views", "test_thresholds"),
    _core("landmarks/sizing.py", "100.0 * (device / ring - 1.0)", "100.0 * (1.0 - ring / device)", "test_landmark_measures"),
    _core("landmarks/sizing.py", "math.pi * device_diameter**2 / 4.0", "math.pi * device_diameter**2 / 2.0", "test_landmark_measures"),
    _core("base/planes.py", "COLLINEAR_RATIO = 0.01", "COLLINEAR_RATIO = 0.05", "test_planes", "test_thresholds"),
    _core("scatter/redrawing.py", "(PRIOR_WEIGHT + freedom)", "(PRIOR_WEIGHT + freedom + 1)", "test_landmark_scatter"),
    # kernels of the statistics
    _kernel("proportions.py", "beta.ppf(tail, x + 0.5", "beta.ppf(tail, x + 1.0", *WORKED),
    _kernel("proportions.py", "tail = (1 - confidence) / 2", "tail = 1 - confidence", *WORKED),
    _kernel("lin.py", "estimate = 2 * covariance /", "estimate = covariance /", *WORKED),
    _kernel("lin.py", ") / (n - 2)", ") / n", *WORKED),
    _kernel("kappa.py", "return 1 - step**2", "return 1 - step", *WORKED),
    _kernel("kappa.py", "(observed - chance) / (1 - chance)", "(observed - chance) / (1 + chance)", *WORKED),
    _kernel("kappa.py", "null_se = float(np.sqrt(max(null, 0.0) / n)", "null_se = float(np.sqrt(max(null, 0.0) / (n - 1))", *WORKED),
    _kernel("limits_of_agreement.py", "z = _normal_quantile(0.975)", "z = _normal_quantile(0.95)", *WORKED),
    _kernel("intraclass.py", "(f - 1.0) / (f + readers - 1.0)", "(f - 1.0) / (f + readers)", *WORKED),
    _kernel("method_comparison.py", "n * (n - 1) * (2 * n + 5) / 18", "n * (n - 1) * (2 * n + 5) / 9", *WORKED),
    _kernel("survival.py", "survival <= 0.5 + 1e-12", "survival <= 0.4 + 1e-12", "test_time_to_event"),
    _kernel("cox.py", "+ 0.5 * float((risk[i] == risk[later]).sum())", "+ 1.0 * float((risk[i] == risk[later]).sum())", "test_time_to_event"),
    _kernel("firth.py", "return value + 0.5 * float(logarithm)", "return value + 0.4 * float(logarithm)", "test_time_to_event"),
    Mutation("pipeline/outflow_cohort/stats/data/implant_phases.py", "na_position=\"first\"", "na_position=\"last\"", (f"{STATS}/test_implant_tables.py", "tests/report/test_implant_figures.py")),
    Mutation("pipeline/outflow_cohort/stats/data/implant_phases.py", "share.fillna(0.0) >= 0.5", "share.fillna(0.0) > 0.5", (f"{STATS}/test_implant_tables.py", "tests/report/test_implant_figures.py")),
    # paths, placing, judging, carrying: seven of these had survived before tests were written for them
    _core("outflow/path_spread.py", "EITHER_FLOW = 1.0 / math.sqrt(2.0)", "EITHER_FLOW = 1.0", "test_path_spread"),
    _core("outflow/placing.py", "math.cos(ic) * normal + math.sin(ic) * across", "math.cos(ic) * normal - math.sin(ic) * across", "test_solids"),
    _core("outflow/placing.py", "start = min(max(ring_station, 0.0), device.height)", "start = 0.0", "test_solids"),
    _core("outflow/placing.py", "abs(across_tips) < 0.5", "abs(across_tips) < 0.2", "test_solids"),
    Mutation("pipeline/outflow_cohort/registration/course.py", "MOST_DEPARTURE = 0.145, 1.0, 2.0", "MOST_DEPARTURE = 0.2, 1.0, 2.0", ("tests/registration/test_blending.py",)),
    Mutation("pipeline/outflow_cohort/registration/course.py", "LEAST_WAY + toward_apex", "LEAST_WAY - toward_apex", ("tests/registration/test_blending.py",)),
    Mutation("pipeline/outflow_cohort/registration/course.py", "TOWARD, AWAY = (2.0, 35.0), (40.0, 95.0)", "TOWARD, AWAY = (2.0, 35.0), (60.0, 95.0)", ("tests/registration/test_blending.py",)),
    Mutation("pipeline/outflow_cohort/registration/course.py", "FARTHEST_NEIGHBOUR = 15.0", "FARTHEST_NEIGHBOUR = 25.0", ("tests/registration/test_blending.py",)),
    Mutation("pipeline/outflow_cohort/steps/study_findings.py", "if content != before.get(key, []) and", "if before and content != before.get(key, []) and", ("tests/study/test_study_findings_on_sheets.py",)),
    Mutation("pipeline/outflow_cohort/steps/study_findings.py", "    write_json(told, said)", "    write_json(told, before)", ("tests/study/test_study_findings_on_sheets.py",)),
    _core("landmarks/judging_surfaces.py", "SURFACE, SURFACE_SCATTERS = 3.7,", "SURFACE, SURFACE_SCATTERS = 5.5,", "test_judging_bounds"),
    _core("landmarks/judging_surfaces.py", "low = 0.4 * f.radius - f.slack", "low = 0.0 * f.radius - f.slack", "test_judging_bounds"),
    _core("landmarks/judging_surfaces.py", "LEAFLET_GAP = 2.5", "LEAFLET_GAP = 4.0", "test_judging_bounds"),
    _core("landmarks/judging_surfaces.py", "POSTS_UNEVEN, POSTS_SCATTERS = 4.0", "POSTS_UNEVEN, POSTS_SCATTERS = 7.0", "test_judging_bounds"),
    _core("landmarks/foretelling.py", "right[:, places, places] -= 1.0 / low + 1.0 / high", "right[:, places, places] -= 1.0 / low - 1.0 / high", "test_scattered_readers"),
    _core("landmarks/foretelling.py", "np.sqrt(1.0 + np.sum(weights[row, nearest] ** 2, axis=1))", "np.sqrt(2.0 + 0.0 * np.sum(weights[row, nearest] ** 2, axis=1))", "test_scattered_readers"),
    _core("outflow/path_course.py", "SQUARE = 5.0", "SQUARE = 9.0", "test_path_course"),
    _core("outflow/path_course.py", "CURVATURE, CURVATURE_LENGTH = 1.0 / 30.0", "CURVATURE, CURVATURE_LENGTH = 1.0 / 50.0", "test_path_course"),
    _core("outflow/path_course.py", "lacks[np.vecdot(slope, normals) <= 0.0] = 0.0", "lacks[np.vecdot(slope, normals) <= -9.0] = 0.0", "test_path_course"),
    _core("outflow/sparse_clicks.py", "FEWEST_CLICKS = 4", "FEWEST_CLICKS = 3", "test_path_course"),
    _core("outflow/sparse_clicks.py", "MOST_OPEN = 0.06", "MOST_OPEN = 0.12", "test_path_course"),
    _core("outflow/sparse_clicks.py", "FAR_APART = 2.0", "FAR_APART = 6.0", "test_path_course"),
)  # fmt: skip


def survives(mutation: Mutation, folder: Path) -> bool:
    """Whether all named tests pass with the mistake in place; raises ValueError where its line is not there once."""
    path = folder / mutation.file
    text = path.read_text(encoding="utf-8")
    if text.count(mutation.before) != 1:
        raise ValueError(f"{mutation.name}: found {text.count(mutation.before)} times, needed once")
    path.write_text(text.replace(mutation.before, mutation.after), encoding="utf-8")
    environment = os.environ | {"PYTHONPATH": f"{folder / 'shared'}{os.pathsep}{folder / 'pipeline'}"}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *mutation.tests]
    try:
        done = subprocess.run(
            command, cwd=folder, env=environment, capture_output=True, timeout=LONGEST_SECONDS, check=False
        )
    finally:
        path.write_text(text, encoding="utf-8")
    if done.returncode not in (0, 1):
        raise RuntimeError(f"{mutation.name}: pytest ended with {done.returncode}\n{done.stdout.decode()[-2000:]}")
    return done.returncode == 0


def report(results: dict[str, bool | None]) -> str:
    """The table of all mistakes."""
    told = {False: "noticed", True: "**survived**", None: "not run"}
    ran = [alive for alive in results.values() if alive is not None]
    killed = sum(not alive for alive in ran)
    lines = [
        "# Planted mistakes",
        "",
        f"{killed} of {len(ran)} planted mistakes were noticed by the tests of their part "
        f"({100 * killed / max(len(ran), 1):.0f} %). Made by `python tests/benchmarks/mutations.py`; chosen by hand: "
        "thresholds and formulas of the core, kernels of the statistics.",
        "",
        "| mistake | |",
        "|---|---|",
        *(f"| {name.replace('|', chr(92) + '|')} | {told[alive]} |" for name, alive in results.items()),
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Plant all mistakes, or those of which the name holds a text."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--output", type=Path, required=True)
    parser.add_argument("--only", default="", metavar="TEXT")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="begin no mistake after this time")
    args = parser.parse_args()
    begun = time.monotonic()
    results: dict[str, bool | None] = {}
    with tempfile.TemporaryDirectory(prefix="mutations_") as name:
        folder = Path(name)
        for part in COPIED:
            source = ROOT / part
            if source.is_dir():
                shutil.copytree(source, folder / part, ignore=shutil.ignore_patterns("__pycache__", "*.nbi", "*.nbc"))
            else:
                shutil.copy(source, folder / part)
        for mutation in MUTATIONS:
            if args.only not in mutation.name:
                continue
            late = time.monotonic() - begun > args.seconds
            results[mutation.name] = None if late else survives(mutation, folder)
            print(mutation.name, results[mutation.name], flush=True)
    args.output.write_text(report(results), encoding="utf-8")


if __name__ == "__main__":
    main()
