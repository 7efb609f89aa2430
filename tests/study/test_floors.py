"""Which way imports may run: each floor imports only those below it."""

import ast
from pathlib import Path

import pytest

import outflow_cohort
import outflow_geometry

CORE_FLOORS = ("base", "landmarks", "image", "outflow", "scatter", "measures")
STATISTICS_FLOORS = ("data", "kernels", "agreement", "cohort", "outcome")

CORE = Path(outflow_geometry.__file__).parent
BATCH = Path(outflow_cohort.__file__).parent


def imports(folder: Path, package: str) -> list[tuple[str, str]]:
    """(module, imported module) within `package`, function-level imports included."""
    found = []
    for file in sorted(folder.rglob("*.py")):
        module = ".".join((package, *file.relative_to(folder).with_suffix("").parts)).removesuffix(".__init__")
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.ImportFrom) and node.module:
                found += [(module, f"{node.module}.{name.name}") for name in node.names]
            elif isinstance(node, ast.Import):
                found += [(module, name.name) for name in node.names]
    return found


@pytest.mark.parametrize(
    ("folder", "package", "floors"),
    [
        (CORE, "outflow_geometry", CORE_FLOORS),
        (BATCH / "stats", "outflow_cohort.stats", STATISTICS_FLOORS),
    ],
)
def test_each_floor_imports_only_those_below(folder: Path, package: str, floors: tuple[str, ...]) -> None:
    level = {f"{package}.{floor}": n for n, floor in enumerate(floors)}

    def floor_of(module: str) -> int | None:
        return level.get(".".join(module.split(".")[: package.count(".") + 2]))

    placed = {m for m, _ in imports(folder, package) if floor_of(m) is not None}
    assert len(placed) > 30
    backward = [
        f"{module} imports {other}"
        for module, other in imports(folder, package)
        if (here := floor_of(module)) is not None and (there := floor_of(other)) is not None and there > here
    ]
    assert backward == []


def test_every_module_of_the_core_is_on_a_floor() -> None:
    assert {p.name for p in CORE.glob("*.py")} == {"__init__.py"}
    assert {p.name for p in CORE.iterdir() if p.is_dir() and p.name != "__pycache__"} == set(CORE_FLOORS)


def test_the_core_imports_nothing_of_the_batch_side_or_its_libraries() -> None:
    foreign = {"outflow_cohort", "pandas", "dask", "pydicom", "pyarrow", "snakemake", "pydantic"}
    assert [(m, o) for m, o in imports(CORE, "outflow_geometry") if o.split(".")[0] in foreign] == []


def test_the_batch_side_imports_one_way() -> None:
    # what a lower room must not know of: rules -> cli -> steps -> (dicom, stats, report) -> core
    forbidden = {
        "handover": ("steps", "cli", "report", "stats"),
        "dicom": ("steps", "cli", "report", "stats"),
        "stats": ("steps", "cli", "report", "dicom"),
        "report": ("steps", "cli"),
        "study": ("steps", "cli", "report"),
    }
    wrong = []
    for module, other in imports(BATCH, "outflow_cohort"):
        room, parts = module.split(".")[1:2], other.split(".")
        if room and parts[0] == "outflow_cohort" and len(parts) > 1 and parts[1] in forbidden.get(room[0], ()):
            wrong.append(f"{module} imports {other}")
    # study.yaml's schema is put together from the settings that each room keeps
    assert [w for w in wrong if ".settings." not in w.split(" imports ")[1]] == []
