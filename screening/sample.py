"""Where the sample town is: inside an installed package, or beside the package in a checkout."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from screening.errors import InputError

RUN_FILE: Final = "run.toml"
"""Run file of the sample town."""


def sample_folder() -> Path:
    """Return the folder of the sample data.

    Returns
    -------
    Path
        Folder that holds ``run.toml`` and the files it names.

    Raises
    ------
    InputError
        If the package was installed without its sample data.
    """
    package = Path(__file__).resolve().parent
    places = (package / "sample_geodata", package.parent / "sample_geodata")
    for place in places:
        if (place / RUN_FILE).is_file():
            return place
    raise InputError(
        f"the sample data are neither in {places[0]} nor in {places[1]}; install the package again with its data"
    )
