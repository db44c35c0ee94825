"""Looks at the other inputs: rain, streets, downspouts, layers to keep away from, soils, room on the disk."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from screening.batch.water import run_water
from screening.checks.words import count

if TYPE_CHECKING:
    from screening.checks.finding import Findings
    from screening.checks.lots import CleanLots
    from screening.checks.seen import Seen
    from screening.clean import CleanBuildings

FEW_YEARS: Final = 5
"""Fewer years of rain may all be wet or dry (common practice, no source)."""

BYTES_PER_PARCEL: Final = 15_000
"""Twice what the output of a town of 20,000 lots takes a parcel: its parts lie beside it for a while [byte]."""

EVERYWHERE_FRAC: Final = 0.80
OFF_M: Final = 5.0
OFF_FRAC: Final = 0.20
"""Lots covered by one keep-away layer, and measured downspouts farther than this from any building, that are told;
program defaults."""


def look_at_others(seen: Seen, lots: CleanLots | None, buildings: CleanBuildings | None, findings: Findings) -> None:
    """Look at everything but lots, buildings and elevation."""
    inputs = seen.params.inputs
    if inputs.streets is None:
        findings.say("streets_missing", "no street layer is given.", role="streets")
    if inputs.rain is None:
        rain = seen.params.rain
        findings.say(
            "rain_missing",
            f"no rain record is given; {rain.storms_per_y:g} storms a year of {rain.storm_mean_mm:g} mm are assumed.",
            role="rain",
        )
    elif seen.rain is not None and len(seen.rain.years) < FEW_YEARS:
        n = len(seen.rain.years)
        sentence = f"{inputs.rain.name} has {count(n, 'year')} of rain."
        findings.say("rain_short", sentence, role="rain", n=n)
    _room(seen, findings)
    _keep_away(seen, lots, findings)
    if seen.downspouts is not None and buildings is not None and len(seen.downspouts) and len(buildings.kept):
        tree = shapely.STRtree(buildings.kept.geometry.to_numpy())
        near, _ = tree.query(seen.downspouts, predicate="dwithin", distance=OFF_M)
        off = np.ones(len(seen.downspouts), dtype=bool)
        off[np.unique(near)] = False
        if off.mean() > OFF_FRAC:
            findings.say(
                "downspouts_off",
                f"{off.sum():,} of {len(off):,} downspouts lie more than {OFF_M:g} m from every building.",
                role="downspouts",
                n=int(off.sum()),
                of=len(off),
                places_m=shapely.get_coordinates(seen.downspouts[off]),
            )
    if seen.city is not None:
        # soils and rain are put together as the run does it; what that refuses, it refuses there
        with findings.catching("soils" if inputs.soils is not None else ""):
            run_water(seen.city, seen.params)


def _room(seen: Seen, findings: Findings) -> None:
    """Tell where the folder in which the command was started has little room; the run may write elsewhere."""
    if seen.parcels is None:
        return
    here = Path.cwd()
    needed = len(seen.parcels) * BYTES_PER_PARCEL
    free = shutil.disk_usage(here).free
    if free < needed:
        findings.say(
            "disk_space_short",
            f"the disk of {here} has {free / 1e6:,.0f} MB free; a run of {len(seen.parcels):,} parcels needs about "
            f"{needed / 1e6:,.0f} MB.",
        )


def _keep_away(seen: Seen, lots: CleanLots | None, findings: Findings) -> None:
    """Layers that leave no ground."""
    if lots is None:
        return
    points = shapely.points(lots.places_m)
    for role, layer in seen.keep_away:
        if not len(layer.geometry):
            continue
        hit, _ = shapely.STRtree(layer.geometry).query(points, predicate="dwithin", distance=layer.distance_m)
        n = len(np.unique(hit))
        if n > EVERYWHERE_FRAC * len(points):
            findings.say(
                "keep_away_everywhere",
                f"the middle of {n:,} of {len(points):,} lots lies within {layer.distance_m:g} m of the layer "
                f"{layer.kind!r}.",
                role=role,
                n=n,
                of=len(points),
            )
