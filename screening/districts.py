"""Totals by area: neighbourhoods, sewersheds or whatever a polygon layer divides the town into."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

if TYPE_CHECKING:
    import pandas as pd

    ObjectArray = npt.NDArray[Any]


def district_of(lots: ObjectArray, districts: gpd.GeoDataFrame) -> ObjectArray:
    """District in which each lot lies by a point of its own; None outside all of them.

    Parameters
    ----------
    lots : (n,) array of polygons
    districts : GeoDataFrame
        ``district`` and outlines [m]; rows without a name count as outside.

    Notes
    -----
    Where districts overlap, the first in the alphabet has the lot.
    """
    out = np.full(len(lots), None, dtype=object)
    named = districts[districts["district"].notna() & districts.geometry.notna()].sort_values("district", kind="stable")
    if not len(named) or not len(lots):
        return out
    names = named["district"].to_numpy(dtype=object)
    outlines = _valid(named.geometry.to_numpy())
    lot, area = shapely.STRtree(outlines).query(shapely.point_on_surface(lots), predicate="intersects")
    order = np.lexsort((area, lot))
    lot, area = lot[order], area[order]
    first = np.flatnonzero(np.diff(lot, prepend=-1) != 0)
    out[lot[first]] = names[area[first]]
    return out


def district_totals(
    homes: pd.DataFrame, volumes: pd.DataFrame, districts: gpd.GeoDataFrame, crs: Any
) -> gpd.GeoDataFrame:
    """Totals of every district, also of those without a candidate, in the order of their names.

    Parameters
    ----------
    homes : DataFrame
        ``district, n_gardens, runoff_roof_m3_y`` of the candidates.
    volumes : DataFrame
        By district: sums of what is diverted, with their range and main cause.
    districts : GeoDataFrame
        ``district`` and outlines [m].
    crs : CRS
        Working coordinate system.
    """
    named = districts[districts["district"].notna() & districts.geometry.notna()]
    names = sorted(set(named["district"]))
    inside = homes[homes["district"].notna()]
    counts = inside.groupby("district").agg(
        n_candidates=("district", "size"), n_gardens=("n_gardens", "sum"), runoff_roof_m3_y=("runoff_roof_m3_y", "sum")
    )
    totals = counts.reindex(names, fill_value=0).join(volumes).rename_axis("district").reset_index()
    for name in ("diverted_m3_y", "diverted_low_m3_y", "diverted_high_m3_y"):
        totals[name] = totals[name].fillna(0.0)
    outlines = _valid(named.geometry.to_numpy())
    owner = named["district"].to_numpy(dtype=object)
    geometry = np.empty(len(names), dtype=object)
    for k, name in enumerate(names):
        parts = shapely.get_parts(shapely.normalize(shapely.union_all(outlines[owner == name])))
        geometry[k] = shapely.multipolygons(parts[shapely.get_dimensions(parts) == 2])
    return gpd.GeoDataFrame(totals, geometry=geometry, crs=crs)


def _valid(outlines: ObjectArray) -> ObjectArray:
    """Outlines without self-crossings."""
    out = outlines.copy()
    broken = ~shapely.is_valid(out)
    out[broken] = shapely.make_valid(out[broken], method="structure", keep_collapsed=False)
    return out
