"""Paths of a study: links that lead back on themselves, and trees walked without running round such a link."""

from __future__ import annotations

import os
from collections.abc import Iterator
from functools import cache
from pathlib import Path


def leads_back(path: Path) -> bool:
    """Whether a link on the way along `path` leads to itself, or to a folder that holds the link."""
    return _leads_back(os.path.abspath(path))


@cache
def _leads_back(path: str) -> bool:
    parent = os.path.dirname(path)
    if parent != path and _leads_back(parent):
        return True
    if not os.path.islink(path):
        return False
    try:
        target = os.path.realpath(path, strict=True)
    except FileNotFoundError:
        return False
    except OSError:  # too many links: they point at each other
        return True
    home = os.path.realpath(parent)
    return os.path.isdir(target) and (home == target or home.startswith(target.rstrip(os.sep) + os.sep))


def walk_once(tree: Path) -> Iterator[tuple[str, list[str], list[str]]]:
    """Like os.walk through links, but each real folder once, so that a link back ends the way there."""
    seen: set[str] = set()
    for root, folders, files in os.walk(tree, followlinks=True):
        real = os.path.realpath(root)
        if real in seen:
            folders.clear()
            continue
        seen.add(real)
        folders.sort()
        yield root, folders, files
