"""Buildings: single valid polygons with unique ids, each once."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import geopandas as gpd
import pandas as pd
import shapely

from screening.clean.outlines import in_fixed_order, outline_numbers, repair, unique_ids

if TYPE_CHECKING:
    from collections.abc import Mapping


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


def clean_buildings(buildings: gpd.GeoDataFrame) -> CleanBuildings:
    """Single valid polygons with unique ids.

    Parameters
    ----------
    buildings : GeoDataFrame
        ``building_id, building_type`` (text or null) and the outline [m]; multipart ones become several.
    """
    geometry, is_repaired, is_unusable = repair(buildings.geometry.to_numpy())
    frame = buildings[["building_id", "building_type"]].copy()
    frame["is_repaired"] = is_repaired
    good = gpd.GeoDataFrame(
        frame[~is_unusable].reset_index(drop=True), geometry=geometry[~is_unusable], crs=buildings.crs
    )
    parts, owner = shapely.get_parts(good.geometry.to_numpy(), return_index=True)
    single = gpd.GeoDataFrame(good.drop(columns="geometry").iloc[owner], geometry=parts, crs=buildings.crs)
    single = in_fixed_order(single.reset_index(drop=True), ["building_id", "building_type"])
    first = ~pd.Series(outline_numbers(single.geometry.to_numpy())).duplicated().to_numpy()
    kept = single[first].reset_index(drop=True)
    kept["building_id"] = unique_ids(kept["building_id"].to_numpy(dtype=object), kept.geometry.to_numpy(), "b-")
    kept = kept.sort_values("building_id", kind="stable").reset_index(drop=True)
    given = buildings.geometry.to_numpy()
    was_null = shapely.is_missing(given) | shapely.is_empty(given)
    ids = single["building_id"][first]
    repairs = {
        "geometry_missing": int(was_null.sum()),
        "outline_unusable": int((is_unusable & ~was_null).sum()),
        "ring_invalid": int(is_repaired.sum()),
        "buildings_twice": int((~first).sum()),
        # where the run file names no field, ids from the place are no repair
        "id_missing": int(ids.isna().sum()) if ids.notna().any() else 0,
    }
    return CleanBuildings(kept, int(is_unusable.sum()), int((~first).sum()), repairs)
