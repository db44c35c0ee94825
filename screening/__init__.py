"""Where in a city could a rain garden take a roof's water?  Screening of every home from map data.

The names below are imported when they are first used; importing the package does no work.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from screening.batch.whole_run import run
    from screening.params import load_params
    from screening.pipeline import screen_tile

    __version__: str

__all__ = ["__version__", "load_params", "run", "screen_tile"]

_HOMES = {
    "load_params": "screening.params",
    "run": "screening.batch",
    "screen_tile": "screening.pipeline",
}


def __getattr__(name: str) -> object:
    """Import a public name from its module."""
    if name == "__version__":
        from importlib.metadata import version

        return version("screening")
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
