"""What stands on lots of each land use: tells codes of houses from codes of shops."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from screening.crs import Reprojector
from screening.errors import ScreeningError
from screening.read import layer_info
from screening.read.vector import read_records
from screening.survey.place import metres_per_unit

if TYPE_CHECKING:
    from screening.survey.vector import LayerLook

HOUSE_AREA_M2: Final = (50.0, 450.0)
"""Footprints that are most likely houses.  Program default."""

FEWEST_LOTS: Final = 10
MOST_CODES: Final = 12


def house_shares(lots: LayerLook, buildings: LayerLook, field: str) -> list[tuple[str, int, float]]:
    """Find for each value of a field how many lots have it, and how many of these hold one house-sized building.

    Parameters
    ----------
    lots, buildings : LayerLook
        Parcels and buildings, both of known system.
    field : str
        Field of the parcels.

    Returns
    -------
    list of (str, int, float)
        Value, number of lots, and part of them with exactly one building of 50 to 450 m2; the most frequent first,
        values of fewer than ten lots left out. Empty where it can't be told.
    """
    scale = metres_per_unit(buildings.facts.crs, buildings.facts.bounds)
    if scale is None or lots.facts.crs is None or buildings.facts.crs is None:
        return []
    try:
        data = read_records(layer_info(lots.facts.path, lots.facts.layer), (field,))
        houses = buildings.geometry[~shapely.is_missing(buildings.geometry)]
        area_m2 = shapely.area(houses) * scale[0] * scale[1]
        houses = houses[(area_m2 >= HOUSE_AREA_M2[0]) & (area_m2 <= HOUSE_AREA_M2[1])]
        points = Reprojector(buildings.facts.crs, lots.facts.crs).geometries(shapely.point_on_surface(houses))
    except ScreeningError:
        return []
    outlines = data.geometry
    lot = shapely.STRtree(outlines).query(points, predicate="intersects")[1]
    n_houses = np.bincount(lot, minlength=len(outlines))
    values, code, count = np.unique(
        np.array(["" if value is None else value for value in data.text[field]], dtype="U64"),
        return_inverse=True,
        return_counts=True,
    )
    with_one = np.bincount(code, weights=n_houses == 1, minlength=len(values))
    order = np.argsort(-count, kind="stable")
    return [
        (str(values[i]), int(count[i]), float(with_one[i] / count[i]))
        for i in order
        if values[i] and count[i] >= FEWEST_LOTS
    ][:MOST_CODES]
