"""With `pytest -n 2` (pytest-xdist) tests of one file share a process, and so do the files that share the small study.

What a file or the small study sets up is then made once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from xdist.scheduler import LoadScopeScheduling

SMALL_STUDY = (
    "test_distributed",
    "test_faults",
    "test_hostile_names",
    "test_object_storage",
    "test_pdf_run",
    "test_slurm",
    "test_status",
    "test_story",
    "test_workflow",
)
"""Files of tests/pipeline whose tests use its `scanned_study` and `finished_study`, which take a minute to set up."""


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> LoadScopeScheduling:
    """Hand out the tests by file; a mark per test does not do it (pytest-xdist 3.8 with pytest 9.2)."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.split("::", 1)[0]
            return "small study" if file.rpartition("/")[2].removesuffix(".py") in SMALL_STUDY else file

    # in the order of collection: the small study's tests, which take longest, come first
    config.option.loadscopereorder = False
    return ByFile(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests of the workflow first, those of the small study before all others."""
    items.sort(key=lambda item: (item.path.stem not in SMALL_STUDY, item.path.parent.name != "pipeline"))
