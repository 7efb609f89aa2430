"""The one way the core refuses an input."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar, cast

Found = TypeVar("Found")


class GeometryError(ValueError):
    """A measure cannot be computed from this input.

    Parameters
    ----------
    code : str
        Short status word (snake_case) that ends in the `status` column, e.g. ``too_few_points``.
    message : str
        Found, needed and remedy, for the reader of a log.
    """

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message

    def __str__(self) -> str:
        return f"{self.code}: {self.message}"


def tried_once(store: dict[Hashable, object], key: Hashable, function: Callable[[], Found]) -> Found:
    """The result of `function`, kept in `store` under `key`; a GeometryError is kept and raised again.

    What failed once fails again: a lumen that leaks out of the image is not searched for each row.
    """
    if key not in store:
        try:
            store[key] = function()
        except GeometryError as error:
            store[key] = error
    return cast(Found, kept_or_raised(store[key]))


def kept_or_raised(found: object) -> object:
    """What was kept, or raised where that is why there is nothing."""
    if isinstance(found, GeometryError):
        raise found
    return found
