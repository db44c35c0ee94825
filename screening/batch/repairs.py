"""What was put right in the inputs: what it is judged by, how it is counted, and how it is told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from screening.clean import Surroundings
from screening.notes import Note
from screening.outlines import as_boxes
from screening.overflow import DRAINAGE_KINDS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import geopandas as gpd
    import numpy.typing as npt

    from screening.params import Params
    from screening.read import CityInputs

    ObjectArray = npt.NDArray[Any]
    BoolArray = npt.NDArray[np.bool_]

BOXES_AT_A_TIME: Final = 16_384
"""Lots whose boxes are in memory at a time."""

HOUSES_LOOKED_AT: Final = 400
FEWEST_HOUSES: Final = 30
CUT_DEPTH_M: Final = 0.5
MANY_CUT_FRAC: Final = 0.20
"""Houses looked at for a shift of the layers, and so many at least; a lot line cuts one if it runs deeper inside than
this [m]; the part of them from which it is told (program defaults)."""


def repair_counts(read: Mapping[str, int], parcels: Mapping[str, int], buildings: Mapping[str, int]) -> dict[str, int]:
    """Number of features by input and code of what was put right in them, in alphabetical order; none with 0.

    Parameters
    ----------
    read : mapping of str to int
        By input and code, from the reading.
    parcels, buildings : mapping of str to int
        By code, from the cleaning.
    """
    counts = dict(read)
    for role, found in (("parcels", parcels), ("buildings", buildings)):
        for code, n in found.items():
            key = f"{role}.{code}"
            # what can't be read comes to the cleaning as an outline that is missing
            counts[key] = n - read.get(f"{role}.outline_unusable", 0) if code == "geometry_missing" else n
            if code == "outline_unusable":
                counts[key] = n + read.get(key, 0)
    return {key: counts[key] for key in sorted(counts) if counts[key] > 0}


def houses_among(building_type: pa.Array, area_m2: npt.NDArray[np.float64], params: Params) -> BoolArray:
    """Which buildings count as houses: by their kind where the run file names kinds, else by their area [m2]."""
    if params.homes.principal_values:
        return np.asarray(pc.is_in(building_type, value_set=pa.array(params.homes.principal_values)), dtype=bool)
    return np.asarray(area_m2 >= params.homes.min_principal_area_m2)


def surroundings(inputs: CityInputs, buildings: gpd.GeoDataFrame, params: Params) -> Surroundings:
    """What parcels are compared with, to tell lots from streets, water, and units on common ground."""
    footprints = buildings.geometry.to_numpy()
    kinds = pa.array(buildings["building_type"], type=pa.string(), from_pandas=True)
    is_house = houses_among(kinds, shapely.area(footprints), params)
    water = [things.geometry for things in inputs.keep_away if things.kind in DRAINAGE_KINDS]
    return Surroundings.of(
        footprints[is_house],
        footprints,
        None if inputs.streets is None else inputs.streets.geometry.to_numpy(),
        np.concatenate(water) if water else None,
    )


def repair_notes(n: Mapping[str, int]) -> list[Note]:
    """Sentences about repairs of parcels that change which lots are judged."""
    said = (
        (
            "road_among_lots",
            "{0} of the parcels are streets or railways; overflow that reaches them counts as arrived.",
        ),
        ("water_among_lots", "{0} of the parcels are water; overflow that reaches them counts as arrived."),
        ("lots_puzzle", "{0} parcels are units cut out of common ground; each ground is one place without a home."),
        ("lots_on_ground_parcel", "{0} parcels are units on a ground parcel; each ground is one place without a home."),
        ("lots_linked", "{0} parcels were joined to the lot to which the city's data link them."),
        (
            "lots_overlap",
            "{0} parcels lie over or under another; candidates among them are flagged lot_overlapped.",
        ),
    )
    return [Note(text.format(f"{n[code]:,}"), code, "parcels") for code, text in said if n[code]]


def houses_looked_at(n: int) -> npt.NDArray[np.int64]:
    """Rows of the houses that are looked at for a shift of the layers, evenly spread over a list of all."""
    return np.unique(np.linspace(0, n - 1, min(HOUSES_LOOKED_AT, n)).astype(np.int64))


def cut_houses_note(
    boxes: npt.NDArray[np.float64],
    outlines: Callable[[npt.NDArray[np.int64]], ObjectArray],
    houses: ObjectArray,
    least_house_m2: float,
) -> list[Note]:
    """Say that lot lines cut many houses that are no row houses; nothing is moved.

    Parameters
    ----------
    boxes : (n, 4) array
        Of the lots; streets and water are none [m].
    outlines : callable
        Gives the outlines of some lots [m].
    houses : (n,) array of polygons
        Buildings that count as houses, in a fixed order [m].
    least_house_m2 : float
        Smallest house [m2]; a house with two such parts is a row house.
    """
    if len(houses) < FEWEST_HOUSES:
        return []
    even = houses_looked_at(len(houses))
    core = shapely.buffer(houses[even], -CUT_DEPTH_M, quad_segs=1)
    tree = shapely.STRtree(core)
    near = np.unique(
        np.concatenate(
            [
                begin + tree.query(as_boxes(boxes[begin : begin + BOXES_AT_A_TIME]))[0]
                for begin in range(0, max(len(boxes), 1), BOXES_AT_A_TIME)
            ]
        )
    )
    lots = outlines(near)
    house, lot = shapely.STRtree(lots).query(core, predicate="intersects")
    n_lots = np.bincount(house, minlength=len(even))
    several = n_lots[house] > 1
    house, lot = house[several], lot[several]
    part = shapely.area(shapely.intersection(houses[even[house]], lots[lot]))
    is_row = np.bincount(house[part >= least_house_m2], minlength=len(even)) > 1
    share = float(np.mean((n_lots > 1) & ~is_row))
    if share <= MANY_CUT_FRAC:
        return []
    text = (
        f"lot lines cut {share:.0%} of {len(even):,} houses looked at: the buildings may lie shifted against the "
        "parcels, and then setbacks and yards are off; nothing is moved, and `screening check` measures the shift."
    )
    return [Note(text, "buildings_shifted", "buildings")]
