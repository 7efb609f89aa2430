"""Where the workflow's own files are: Snakefile, rules, profiles, built-in tables.

In a checkout they are at its top level, in an installed wheel inside this package.
"""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).parent
_INSTALLED = _PACKAGE / "workflow"


def workflow_root() -> Path:
    """The folder that holds Snakefile and config."""
    return _INSTALLED if (_INSTALLED / "Snakefile").is_file() else _PACKAGE.parents[1]


def workflow_file(name: str) -> Path:
    """A file below the workflow's root, such as `config/cutoffs.csv`; raises FileNotFoundError."""
    path = workflow_root() / name
    if not path.exists():
        raise FileNotFoundError(f"{name}: not part of this installation of outflow-cohort; install it again")
    return path
