"""The parts of all tiles put together: ranks, streets, and every layer in its final order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from screening.batch.parts import read_part, tiles_in_order
from screening.batch.spread import spread_town
from screening.columns import GEOMETRY_NAME, LAYERS, complete, empty, pack
from screening.districts import district_of, district_totals
from screening.errors import ScreeningError
from screening.pipeline.tables import other_parcels
from screening.ranking import rank_homes
from screening.streets import street_totals

if TYPE_CHECKING:
    from collections.abc import Mapping

    from screening.batch.divide import TileTask
    from screening.batch.parts import PartFolder
    from screening.batch.prepare import Prepared
    from screening.batch.spread import TownSpread
    from screening.batch.water import RunWater
    from screening.params import Params
    from screening.read import CityInputs

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


def merge(
    folder: PartFolder,
    failed: list[tuple[TileTask, str]],
    prepared: Prepared,
    inputs: CityInputs,
    water: RunWater,
    params: Params,
    *,
    whole: bool,
) -> tuple[dict[str, pa.Table], TownSpread | None]:
    """Put the tiles' rows together, follow what is uncertain, rank the homes, add the streets.

    Parameters
    ----------
    folder : PartFolder
        The tiles' parts.
    failed : list of (TileTask, str)
        Tiles without a part, and why.
    prepared : Prepared
    inputs : CityInputs
    water : RunWater
    params : Params
    whole : bool
        Whether every parcel of the input counts, also those without a place.

    Returns
    -------
    layers : dict
        Tables by layer name, rows in their final order.
    spread : TownSpread or None
        None where there is no candidate.
    """
    layers: dict[str, pa.Table] = {}
    spread = None
    parts = [_part(folder, name) for name in tiles_in_order(folder.done)]
    parts += [{OTHERS: _rows_of_failed(task, reason)} for task, reason in failed]
    for name in (HOMES, *ORDER, OTHERS):
        found = [part[name] for part in parts if name in part]
        if found:
            layers[name] = pa.concat_tables(found)
    if HOMES in layers:
        spread = spread_town(
            _homes_frame(layers[HOMES], inputs), layers["gardens"], layers["downspouts"], water, params
        )
        homes, ranked = _ranked(layers[HOMES], spread.homes, params)
        layers[HOMES] = homes
        layers["gardens"] = complete(layers["gardens"], spread.gardens, "gardens", ["all_likely_m3_y"])
        layers["streets"] = pack(street_totals(ranked, spread.streets, inputs.streets, inputs.crs), "streets")
        if inputs.districts is not None:
            totals = district_totals(ranked, spread.districts, inputs.districts, inputs.crs)
            layers["districts"] = pack(totals, "districts")
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
    if inputs.districts is None:
        layers.pop("districts", None)
    return layers, spread


def _part(folder: PartFolder, name: str) -> dict[str, pa.Table]:
    """Tables of a tile's part."""
    tables = read_part(folder.path, name)
    if tables is None:
        msg = f"The part '{name}' in '{folder.path}' was damaged after it had been written: go on with --resume."
        raise ScreeningError(msg)
    return tables


def _rows_of_failed(task: TileTask, reason: str) -> pa.Table:
    """Rows of the parcels of a tile that could not be screened."""
    owned = task.parcels["is_owned"].to_numpy(dtype=bool)
    code = np.full(len(owned), None, dtype=object)
    code[owned] = "tile_failed"
    text = np.full(len(code), f"the tile could not be screened: {reason}", dtype=object)
    return pack(other_parcels(task.parcels, code, text, owned), OTHERS)


def _homes_frame(homes: pa.Table, inputs: CityInputs) -> pd.DataFrame:
    """Homes without geometry, with their districts."""
    frame: pd.DataFrame = homes.drop_columns([GEOMETRY_NAME]).to_pandas()
    frame["district"] = pd.Series([None] * len(frame), dtype=object)
    if inputs.districts is not None:
        frame["district"] = district_of(shapely.from_wkb(homes[GEOMETRY_NAME].to_numpy()), inputs.districts)
    return frame


def _ranked(homes: pa.Table, frame: pd.DataFrame, params: Params) -> tuple[pa.Table, pd.DataFrame]:
    """Homes in rank order, as a table with all columns and as a frame without geometry."""
    ranked = rank_homes(frame.assign(row=np.arange(len(frame))), params.ranking)
    return complete(homes.take(pa.array(ranked["row"])), ranked, HOMES, ["all_likely_m3_y"]), ranked


def _by_rank(table: pa.Table, ranked_ids: pa.ChunkedArray, keys: tuple[str, ...]) -> pa.Table:
    """Rows in the order of their homes' ranks, then by keys."""
    sorter = table.select(list(keys)).append_column("rank", pc.index_in(table["home_id"], value_set=ranked_ids))
    return table.take(pc.sort_indices(sorter, sort_keys=[(name, "ascending") for name in ("rank", *keys)]))


def _others(table: pa.Table | None, prepared: Prepared, inputs: CityInputs, *, whole: bool) -> pa.Table | None:
    """Rows of other parcels with those that have no usable outline, in order of parcel id and place."""
    tables = [] if table is None else [table]
    broken = prepared.cleaned.broken
    if whole and len(broken):
        nowhere = np.full(len(broken), None, dtype=object)
        seen = gpd.GeoDataFrame(broken[["parcel_id", "address"]], geometry=nowhere, crs=inputs.crs)
        code = np.full(len(seen), "bad_geometry", dtype=object)
        text = broken["reason_text"].to_numpy(dtype=object)
        tables.append(pack(other_parcels(seen, code, text, np.ones(len(seen), dtype=bool)), OTHERS))
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
