"""Errors and warnings of the package, each with the exit code the command line ends with.

An unusable file or parameter is a :class:`ScreeningError` whose message is one clear text: what,
where, and the way out.  A parcel that cannot be used is never an error but a row with a reason.
Anything else that escapes is a bug and keeps its traceback.
"""

from __future__ import annotations


class ScreeningError(Exception):
    """Root of every error a person can act on.

    Attributes
    ----------
    exit_code : int
        Status the command line ends with.
    code : str
        Code of the trouble (`screening.columns.TROUBLES`); "" where none is told.
    """

    exit_code: int = 1

    def __init__(self, message: str = "", *, code: str = "") -> None:
        super().__init__(message)
        self.code = code


class ParameterError(ScreeningError):
    """A wrong parameter, option or run file; the message lists every problem found."""

    exit_code = 2


class InputError(ScreeningError):
    """An input file, layer or column that cannot be used."""

    exit_code = 3


class CRSError(InputError):
    """A missing, unprojected or unsuitable coordinate reference system."""


class UnitsError(InputError):
    """A length or height unit that is unknown or contradicts itself."""


class SchemaError(InputError):
    """Columns that are missing or of the wrong kind; the message lists all of them."""


class OutputExistsError(ScreeningError):
    """The output is already there and overwriting was not asked for."""

    exit_code = 3


class TilesFailedError(ScreeningError):
    """The run ended, but some tiles failed; the message says which and why."""

    exit_code = 4


class ScreeningWarning(UserWarning):
    """Something a person should know about although the run goes on."""
