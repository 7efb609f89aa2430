"""The one way the core refuses an input."""


class GeometryError(ValueError):
    """A measure cannot be had from this input.

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
