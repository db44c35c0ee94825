"""Which street a home counts to, and what each street holds."""

from __future__ import annotations

import re
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

ObjectArray = npt.NDArray[Any]

NEAR_STREET_M = 60.0
"""A lot counts to no street line that is farther away (program default)."""

_HOUSE_NUMBER = re.compile(r"^\s*\d+[A-Za-z]?(?:\s*[-/]\s*\d+[A-Za-z]?)?(?:\s+1/2)?\s+")


def street_from_address(address: str | None) -> str | None:
    """Street part of an address: what follows the house number."""
    if not address:
        return None
    name = _HOUSE_NUMBER.sub("", address.split(",")[0]).strip()
    return name or None


def street_of(
    given: ObjectArray, address: ObjectArray, lots: ObjectArray, streets: gpd.GeoDataFrame | None
) -> ObjectArray:
    """Street of each lot: the given one, else that of the address, else the nearest street with a name.

    Parameters
    ----------
    given, address : (n,) array of str or None
    lots : (n,) array of polygons
    streets : GeoDataFrame or None
        ``street_name`` and geometry [m].
    """
    out = np.array([g if isinstance(g, str) else None for g in given], dtype=object)
    for i in np.flatnonzero(pd.isna(out)):
        out[i] = street_from_address(address[i] if isinstance(address[i], str) else None)
    rest = np.flatnonzero(pd.isna(out))
    if streets is not None and len(rest):
        named = streets[streets["street_name"].notna() & ~streets.geometry.is_empty & streets.geometry.notna()]
        if len(named):
            named = named.sort_values("street_name", kind="stable")
            names = named["street_name"].to_numpy(dtype=object)
            tree = shapely.STRtree(named.geometry.to_numpy())
            lot, line = tree.query_nearest(lots[rest], max_distance=NEAR_STREET_M, all_matches=True)
            # of equally near lines the first in the alphabet
            order = np.lexsort((line, lot))
            first = np.ones(len(order), dtype=bool)
            first[1:] = lot[order][1:] != lot[order][:-1]
            out[rest[lot[order][first]]] = names[line[order][first]]
    return out


def street_totals(homes: pd.DataFrame, streets: gpd.GeoDataFrame | None, crs: Any) -> gpd.GeoDataFrame:
    """Totals of every street with a candidate, the street with the largest volume first.

    Parameters
    ----------
    homes : DataFrame
        ``street, n_gardens, diverted_m3_y, diverted_low_m3_y, diverted_high_m3_y`` of the candidates.
    streets : GeoDataFrame or None
        ``street_name`` and lines [m].
    crs : CRS
        Working coordinate system.
    """
    named = homes[homes["street"].notna()]
    totals = (
        named.groupby("street", sort=True)
        .agg(
            n_candidates=("street", "size"),
            n_gardens=("n_gardens", "sum"),
            diverted_m3_y=("diverted_m3_y", "sum"),
            diverted_low_m3_y=("diverted_low_m3_y", "sum"),
            diverted_high_m3_y=("diverted_high_m3_y", "sum"),
        )
        .reset_index()
    )
    order = np.lexsort((totals["street"].astype(str), -np.round(totals["diverted_m3_y"].to_numpy(dtype=float), 6)))
    totals = totals.iloc[order].reset_index(drop=True)
    geometry = np.full(len(totals), None, dtype=object)
    totals["length_m"] = np.nan
    if streets is not None:
        lines = streets[streets["street_name"].isin(totals["street"])]
        for i, name in enumerate(totals["street"]):
            parts = shapely.get_parts(lines.geometry[lines["street_name"] == name].to_numpy())
            parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING]
            if len(parts):
                # in an order that does not depend on the file's
                parts = shapely.normalize(parts)
                parts = parts[np.argsort(shapely.to_wkb(parts), kind="stable")]
                geometry[i] = shapely.multilinestrings(parts)
                totals.loc[i, "length_m"] = float(shapely.length(parts).sum())
    return gpd.GeoDataFrame(totals, geometry=geometry, crs=crs)
