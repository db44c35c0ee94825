"""The parts of all tiles put together: ranks, streets, and every layer in its final order."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from screening.columns import GEOMETRY_NAME, LAYERS, empty, layer, pack
from screening.ranking import RANK_COLUMNS, rank_homes
from screening.streets import street_totals

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.batch.prepare import Prepared
    from screening.params import Params
    from screening.pipeline import TileResult
    from screening.read import CityInputs
    from screening.tiles import Tile

HOMES = "candidate_homes"
OTHERS = "other_parcels"

ORDER: Mapping[str, tuple[str, ...]] = {
    "gardens": ("garden_id",),
    "downspouts": ("downspout_id",),
    "inlet_runs": ("downspout_id",),
    "overflow_paths": ("garden_id",),
    "buildings": ("building_id", "area_m2"),
    "roof_parts": ("downspout_id",),
    "open_ground": (),
}
"""Layers of the candidates, and by what their rows are ordered after the rank of their home."""


class TilePart(NamedTuple):
    """Rows of a tile by layer name, in the registry's types."""

    tile: Tile
    tables: dict[str, pa.Table]


def part_of(result: TileResult) -> TilePart:
    """Pack what a tile came to; empty layers are left out."""
    tables = {
        name: pack(frame, name, later=RANK_COLUMNS if name == HOMES else ())
        for name, frame in result.layers.items()
        if len(frame)
    }
    return TilePart(result.tile, tables)


def merge(
    parts: list[TilePart], prepared: Prepared, inputs: CityInputs, params: Params, *, whole: bool
) -> dict[str, pa.Table]:
    """Put the tiles' rows together, rank the homes, add the streets.

    Parameters
    ----------
    parts : list of TilePart
        In the order of the grid.
    prepared : Prepared
    inputs : CityInputs
    params : Params
    whole : bool
        Whether every parcel of the input counts, also those without a place.

    Returns
    -------
    dict
        Tables by layer name, rows in their final order.
    """
    layers: dict[str, pa.Table] = {}
    for name in (HOMES, *ORDER, OTHERS):
        found = [part.tables[name] for part in parts if name in part.tables]
        if found:
            layers[name] = pa.concat_tables(found)
    if HOMES in layers:
        homes, ranked = _ranked(layers[HOMES], params)
        layers[HOMES] = homes
        layers["streets"] = pack(street_totals(ranked, inputs.streets, inputs.crs), "streets")
        for name, keys in ORDER.items():
            if name in layers:
                layers[name] = _by_rank(layers[name], homes["home_id"], keys)
    others = _others(layers.get(OTHERS), prepared, inputs, whole=whole)
    if others is not None:
        layers[OTHERS] = others
    layers["merged_parcels"] = pack(_merged_parcels(prepared), "merged_parcels")
    lean = params.output.detail == "lean"
    for one in LAYERS:
        if one.name not in layers and one.geometry_type is not None and not (one.is_detail and lean):
            layers[one.name] = pack(empty(one.name, inputs.crs), one.name)
    return layers


def _ranked(homes: pa.Table, params: Params) -> tuple[pa.Table, pd.DataFrame]:
    """Homes in rank order, as a table with all columns and as a frame without geometry."""
    frame = homes.drop_columns([GEOMETRY_NAME]).to_pandas()
    frame["row"] = np.arange(len(frame))
    ranked = rank_homes(frame, params.ranking)
    table = homes.take(pa.array(ranked["row"]))
    for name in RANK_COLUMNS:
        table = table.append_column(name, pa.array(ranked[name]))
    return table.select([*layer(HOMES).column_names, GEOMETRY_NAME]), ranked


def _by_rank(table: pa.Table, ranked_ids: pa.ChunkedArray, keys: tuple[str, ...]) -> pa.Table:
    """Rows in the order of their homes' ranks, then by keys."""
    sorter = table.select(list(keys)).append_column("rank", pc.index_in(table["home_id"], value_set=ranked_ids))
    return table.take(pc.sort_indices(sorter, sort_keys=[(name, "ascending") for name in ("rank", *keys)]))


def _others(table: pa.Table | None, prepared: Prepared, inputs: CityInputs, *, whole: bool) -> pa.Table | None:
    """Rows of other parcels with those that have no usable outline, in order of parcel id and place."""
    tables = [] if table is None else [table]
    broken = prepared.cleaned.broken
    if whole and len(broken):
        extra = pd.DataFrame(
            {
                "parcel_id": broken["parcel_id"],
                "address": broken["address"],
                "reason_code": "bad_geometry",
                "reason_text": broken["reason_text"],
            }
        )
        for name in ("tightest_rule_code", "alternative_code", "home_id"):
            extra[name] = pd.Series([None] * len(extra), dtype=object)
        for name in ("tightest_margin_m", "area_m2"):
            extra[name] = np.nan
        nowhere = np.full(len(extra), None, dtype=object)
        tables.append(pack(gpd.GeoDataFrame(extra, geometry=nowhere, crs=inputs.crs), OTHERS))
    if not tables:
        return None
    both = pa.concat_tables(tables)
    keys = ["parcel_id", "address", "reason_code"]
    sorter = both.select(keys)
    bounds = shapely.bounds(shapely.from_wkb(both[GEOMETRY_NAME].to_numpy()))
    # what has no place has no bounds: null, and last
    for name, values in zip(("x", "y", "x1", "y1"), bounds.T, strict=True):
        sorter = sorter.append_column(name, pa.array(values, from_pandas=True))
        keys.append(name)
    sorter = sorter.append_column("area_m2", both["area_m2"])
    return both.take(pc.sort_indices(sorter, sort_keys=[(name, "ascending") for name in (*keys, "area_m2")]))


def _merged_parcels(prepared: Prepared) -> pd.DataFrame:
    """Parcels that another row stands for, in the order of that row's parcel id."""
    parcels, merged = prepared.city.parcels, prepared.cleaned.merged
    counted = parcels.loc[parcels["is_counted"], "home_id"]
    rows = merged[merged["home_id"].isin(counted)]
    keys = ["kept_parcel_id", "home_id", "parcel_id", "address", "merge_code"]
    ordered: pd.DataFrame = rows.sort_values(keys, kind="stable", na_position="last").drop(columns="home_id")
    return ordered.reset_index(drop=True)
