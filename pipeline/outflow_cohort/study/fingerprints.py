"""Whether files changed, by names, sizes and times. Light: jobs and the workflow's start use it."""

from __future__ import annotations

import hashlib
import os
from functools import cache
from pathlib import Path


def real_path(path: Path) -> str:
    """The path without links, as `fingerprint` takes it."""
    return os.path.realpath(path)


@cache
def fingerprint(path: str) -> str:
    """A hash of names, sizes and times of the files under `path`: changes when an input changes."""
    digest = hashlib.sha256()
    if os.path.isfile(path):
        stat = os.stat(path)
        digest.update(f"{stat.st_size} {stat.st_mtime_ns}".encode())
    for root, folders, files in os.walk(path):
        folders.sort()
        for name in sorted(files):
            try:
                stat = os.stat(os.path.join(root, name))
            except OSError:
                continue
            digest.update(
                f"{os.path.relpath(root, path)}/{name} {stat.st_size} {stat.st_mtime_ns}\n".encode(errors="replace")
            )
    return digest.hexdigest()[:16]
