"""Buildings: single valid polygons with unique ids, each once."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from screening.clean.features import Features, in_text_order, text_table
from screening.clean.outlines import repair, unique_ids

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.clean.features import IntArray, ObjectArray


class CleanBuildings(NamedTuple):
    """What `clean_buildings` returns.

    Attributes
    ----------
    kept : GeoDataFrame
        One row per single polygon in order of ``building_id``: ``building_id, building_type, is_repaired``.
    n_unusable, n_merged : int
        Features without a usable outline; features that repeat another's outline.
    repairs : mapping of str to int
        Number of features by what was put right, a code of `screening.columns.TROUBLES`.
    """

    kept: gpd.GeoDataFrame
    n_unusable: int
    n_merged: int
    repairs: Mapping[str, int]


class UsableBuildings(NamedTuple):
    """Buildings that can be used, one row a single outline.

    Attributes
    ----------
    geometry : (n,) array of polygons
        [m]
    features : Features
        Text ``building_id, building_type``.
    row : (n,) int array
        Rows of the frame.
    repairs : mapping of str to int
        Number of features by what was put right or has no outline.
    """

    geometry: ObjectArray
    features: Features
    row: IntArray
    repairs: Mapping[str, int]

    @property
    def n_unusable(self) -> int:
        """Features without a usable outline."""
        return self.repairs["geometry_missing"] + self.repairs["outline_unusable"]


class SettledBuildings(NamedTuple):
    """Which outlines are kept, one of each, under which name.

    Attributes
    ----------
    row : (k,) int array
        In order of ``building_id``.
    building_id : (k,) array of str
    repairs : mapping of str to int
        Number of features by what was put right.
    """

    row: IntArray
    building_id: ObjectArray
    repairs: Mapping[str, int]


def usable_buildings(buildings: gpd.GeoDataFrame) -> UsableBuildings:
    """Single outlines of the buildings that can be used, and what orders them.

    Parameters
    ----------
    buildings : GeoDataFrame
        ``building_id, building_type`` (text or null) and the outline [m]; multipart ones become several.
    """
    given = buildings.geometry.to_numpy()
    geometry, is_repaired, is_unusable = repair(given)
    was_null = shapely.is_missing(given) | shapely.is_empty(given)
    row = np.flatnonzero(~is_unusable)
    parts, owner = shapely.get_parts(geometry[row], return_index=True)
    row = row[owner]
    text = text_table(buildings.iloc[row], ("building_id", "building_type"))
    repairs = {
        "geometry_missing": int(was_null.sum()),
        "outline_unusable": int((is_unusable & ~was_null).sum()),
        "ring_invalid": int(is_repaired.sum()),
    }
    return UsableBuildings(parts, Features.of(parts, text, is_repaired[row]), row, repairs)


def settle_buildings(features: Features) -> SettledBuildings:
    """Choose one of each outline, and name it.

    Parameters
    ----------
    features : Features
        Text ``building_id, building_type``.
    """
    order = features.in_order("building_id", "building_type")
    first = ~pd.Series(features.outline_numbers(order)).duplicated().to_numpy()
    kept = order[first]
    ids = features.words("building_id", kept)
    names = unique_ids(ids, lambda rows: features.point[kept[rows]], "b-")
    by_name = in_text_order(names)
    missing = pd.isna(ids)
    repairs = {
        "buildings_twice": int((~first).sum()),
        # where the run file names no field, ids from the place are no repair
        "id_missing": 0 if missing.all() else int(missing.sum()),
    }
    return SettledBuildings(kept[by_name], names[by_name], repairs)


def clean_buildings(buildings: gpd.GeoDataFrame) -> CleanBuildings:
    """Single valid polygons with unique ids.

    Parameters
    ----------
    buildings : GeoDataFrame
        ``building_id, building_type`` (text or null) and the outline [m]; multipart ones become several.
    """
    usable = usable_buildings(buildings)
    settled = settle_buildings(usable.features)
    frame = gpd.GeoDataFrame(
        {
            "building_id": settled.building_id,
            "building_type": buildings["building_type"].to_numpy(dtype=object)[usable.row[settled.row]],
            "is_repaired": usable.features.is_repaired[settled.row],
        },
        geometry=usable.geometry[settled.row],
        crs=buildings.crs,
    )
    n_merged = len(usable.row) - len(settled.row)
    return CleanBuildings(frame, usable.n_unusable, n_merged, {**usable.repairs, **settled.repairs})
