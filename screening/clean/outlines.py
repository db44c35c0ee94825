"""Outlines of parcels and buildings: repaired, and named."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

if TYPE_CHECKING:
    from collections.abc import Callable

ObjectArray = npt.NDArray[Any]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

MAX_AREA_CHANGE_FRAC = 0.01
"""A repair that changes the area by more is no repair: nobody knows which outline was meant."""


def repair(geometry: ObjectArray) -> tuple[ObjectArray, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Make polygons valid; which were repaired, and which cannot be used.

    Parameters
    ----------
    geometry : (n,) array of polygons or multipolygons
        None and empty geometries are allowed.

    Returns
    -------
    geometry : (n,) array
        Valid polygons and multipolygons, None where unusable.
    is_repaired, is_unusable : (n,) bool array
    """
    out = np.array(geometry, dtype=object)
    kind = shapely.get_type_id(out)
    is_area = np.isin(kind, (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    out[~is_area | shapely.is_empty(out)] = None
    is_repaired = np.zeros(len(out), dtype=bool)
    bad = np.flatnonzero(~shapely.is_missing(out) & ~shapely.is_valid(out))
    if len(bad):
        before = shapely.area(out[bad])
        mended = shapely.make_valid(out[bad], method="structure", keep_collapsed=False)
        after = shapely.area(mended)
        kind = shapely.get_type_id(mended)
        fine = np.isin(kind, (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
        fine &= (after > 0) & (np.abs(after - before) <= MAX_AREA_CHANGE_FRAC * after)
        mended[~fine] = None
        out[bad] = mended
        is_repaired[bad] = fine
    is_unusable = shapely.is_missing(out)
    out[shapely.area(out) <= 0.0] = None
    is_unusable = shapely.is_missing(out)
    return out, is_repaired, is_unusable


def unique_ids(ids: ObjectArray, points: Callable[[IntArray], FloatArray], prefix: str) -> ObjectArray:
    """Unique text ids: the given ones, numbered where they repeat, made from the place where null.

    Rows have to stand in their final order. A repeated id keeps its first row's name; the next are ``id~2``,
    ``id~3``. A null id becomes the prefix and the whole metres of a point inside the outline.

    Parameters
    ----------
    ids : (n,) array of str or None
    points : callable
        Gives the points (k, 2) of some rows [m].
    prefix : str
    """
    names = np.array(ids, dtype=object)
    null = np.flatnonzero(pd.isna(names))
    if len(null):
        names[null] = [f"{prefix}{x:.0f}-{y:.0f}" for x, y in points(null)]
    repeated = pd.Series(names, dtype=object).duplicated().to_numpy()
    if repeated.any():
        _number_repeated(names, repeated)
    return names


def _number_repeated(names: ObjectArray, repeated: BoolArray) -> None:
    """Give every row after the first of a name a number."""
    taken = set(names.tolist())
    often: dict[str, int] = {}
    for i in np.flatnonzero(repeated):
        name = names[i]
        k = often[name] = often.get(name, 1) + 1
        while f"{name}~{k}" in taken:
            k += 1
        names[i] = f"{name}~{k}"
        taken.add(names[i])
