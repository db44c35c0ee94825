"""What the parts of a run were computed from, and which of it each step hangs on."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import version
from typing import TYPE_CHECKING, Final, NamedTuple

import shapely

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.params import Params
    from screening.read import CityInputs

AFTER_THE_TILES: Final = ("ranking", "uncertainty", "ageing", "inputs.districts", "fields.district")
ONLY_SHOWN: Final = ("output.display_units", "rain.each_garden")
"""Sections and parameters on which no row of a tile hangs; ``inputs.NAME`` is the file as well."""

AFTER_THE_GEOMETRY: Final = (
    "inputs.rain",
    "inputs.soils",
    "fields.soil",
    "rain",
    "soil",
    "sizing",
    "siting",
    "barrel",
    "output",
    "rules.max_slope_pct",
    "rules.min_garden_area_m2",
    "rules.max_garden_area_m2",
    "rules.min_garden_width_m",
    "rules.min_fall_pct",
    "roof.initial_loss_mm",
    "roof.connection_low_frac",
    "roof.connection_likely_frac",
    "roof.connection_high_frac",
    "overflow.pit_fill_m",
)
"""Those on which the rows of a tile hang, but not its geometry."""


class Basis(NamedTuple):
    """What the parts of a run hang on.

    Attributes
    ----------
    entries : dict
        Everything the rows of a tile hang on, by names for people.
    geometry : str
        Digest [hex] of the entries on which the geometry of a tile hangs.
    """

    entries: Mapping[str, str]
    geometry: str


def run_basis(params: Params, inputs: CityInputs, bounds_m: tuple[float, ...] | None, limit: int | None) -> Basis:
    """Versions, inputs by SHA-256, parameters, which parcels count."""
    of_all = {f"version of {name}": version(name) for name in ("screening", "numpy", "numba", "pyarrow")}
    of_all["version of GEOS"] = shapely.geos_version_string
    of_all["tile size"] = f"{params.batch.tile_size_m:g}"
    of_all["box"] = "" if bounds_m is None else ",".join(f"{v:.3f}" for v in bounds_m)
    of_all["limit"] = "" if limit is None else str(limit)
    entries, geometry = dict(of_all), dict(of_all)
    named = [
        (f"inputs.{file.role}", f"{file.role} {name}", digest) for file in inputs.files for name, digest in file.sha256
    ]
    named += [(name, f"[{name.replace('.', '] ', 1)}", value) for name, value in params.record().items()]
    for name, for_people, value in named:
        if _is_among(name, AFTER_THE_TILES) or _is_among(name, ONLY_SHOWN):
            continue
        entries[for_people] = value
        if not _is_among(name, AFTER_THE_GEOMETRY):
            geometry[for_people] = value
    return Basis(entries, hashlib.sha256(json.dumps(geometry, sort_keys=True).encode()).hexdigest())


def _is_among(name: str, names: tuple[str, ...]) -> bool:
    """Whether a parameter or its section is named."""
    return name in names or name.split(".", maxsplit=1)[0] in names
