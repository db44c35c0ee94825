"""Places that somebody names: streets to lock, areas, the start of a walk."""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from screening.crs import Reprojector, lonlat
from screening.errors import ParameterError
from screening.streets import street_key

if TYPE_CHECKING:
    from collections.abc import Sequence

ObjectArray = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]

FAR_M: Final = 50_000.0
"""A start farther from every candidate than this is a slip (program default)."""

_PAIR: Final = re.compile(r"^\s*(-?\d+(?:\.\d+)?)\s*[,; ]\s*(-?\d+(?:\.\d+)?)\s*$")
_LONLAT: Final = CRS.from_epsg(4326)


def named_sides(wanted: Sequence[str], names: Sequence[str], streets: Sequence[str | None]) -> BoolArray:
    """Which street sides somebody means: a side by its whole name, both sides by the street's.

    Parameters
    ----------
    wanted : sequence of str
        As typed; case, dots and usual abbreviations don't count.
    names : sequence of str
        Names of the sides.
    streets : sequence of str or None
        Their streets.

    Raises
    ------
    ParameterError
        No such street; the message names the nearest.
    """
    found = np.zeros(len(names), dtype=bool)
    by_key: dict[str, list[int]] = {}
    for i, (name, street) in enumerate(zip(names, streets, strict=True)):
        for key in {_key(name), _key(street or name)}:
            by_key.setdefault(key, []).append(i)
    for text in wanted:
        rows = by_key.get(_key(text))
        if rows is None:
            raise ParameterError(f"there is no street '{text}' with candidate homes{_nearest(text, names, streets)}")
        found[rows] = True
    return found


def _key(text: str) -> str:
    street, comma, side = text.partition(",")
    return street_key(street) + comma + " ".join(side.upper().split())


def _nearest(text: str, names: Sequence[str], streets: Sequence[str | None]) -> str:
    """What comes near to a name, as the end of a sentence."""
    known = {_key(name): name for name in (*names, *(street for street in streets if street))}
    close = difflib.get_close_matches(_key(text), known, n=3, cutoff=0.5)
    if close:
        return f"; the nearest names are {', '.join(repr(known[key]) for key in close)}"
    return f"; the names look like {', '.join(repr(name) for name in sorted(set(names))[:3])}"


def in_areas(lots: ObjectArray, areas: ObjectArray) -> BoolArray:
    """Which lots lie in any of some areas, by a point inside the lot."""
    out = np.zeros(len(lots), dtype=bool)
    if len(areas):
        out[shapely.STRtree(areas).query(shapely.point_on_surface(lots), predicate="intersects")[0]] = True
    return out


def find_start(
    text: str, home_id: ObjectArray, address: ObjectArray, lots: ObjectArray, crs: CRS
) -> tuple[float, float]:
    """Find the place where days begin.

    Parameters
    ----------
    text : str
        "LONGITUDE,LATITUDE" in degrees, "X,Y" in the working CRS [m], the identifier of a candidate home, or its
        address.
    home_id, address : (n,) object array
    lots : (n,) array of polygons
        Of the candidates [m].
    crs : pyproj.CRS
        Working CRS.

    Returns
    -------
    tuple of float
        In the working CRS [m].

    Raises
    ------
    ParameterError
        No such place, or one far away.
    """
    pair = _PAIR.match(text)
    if pair is None:
        return _home_place(text, home_id, address, lots)
    x, y = float(pair[1]), float(pair[2])
    centre = shapely.get_coordinates(shapely.centroid(lots)).mean(axis=0)
    is_lonlat = abs(x) <= 180.0 and abs(y) <= 90.0
    if is_lonlat:
        x, y = _projected(x, y, crs)
    away_m = float(np.hypot(x - centre[0], y - centre[1]))
    if away_m <= FAR_M + float(np.ptp(shapely.total_bounds(lots)[[0, 2]])):
        return x, y
    middle = ",".join(f"{degrees:.3f}" for degrees in lonlat(crs, *centre.tolist()))
    hint = f"their middle is {middle} (longitude, latitude)"
    other = _projected(float(pair[2]), float(pair[1]), crs)
    if np.hypot(other[0] - centre[0], other[1] - centre[1]) <= FAR_M:
        hint = f"longitude comes first, so write {pair[2]},{pair[1]}"
    far = f"{away_m / 1000.0:,.0f} km" if np.isfinite(away_m) else "far"
    raise ParameterError(f"the start '{text}' lies {far} away from the candidate homes: {hint}")


def _projected(lon: float, lat: float, crs: CRS) -> tuple[float, float]:
    if abs(lon) > 180.0 or abs(lat) > 90.0:
        return float("inf"), float("inf")
    x, y = Reprojector(_LONLAT, crs).xy(np.array([lon]), np.array([lat]))
    return float(x[0]), float(y[0])


def _home_place(text: str, home_id: ObjectArray, address: ObjectArray, lots: ObjectArray) -> tuple[float, float]:
    wanted = " ".join(text.casefold().split())
    for names in (home_id, address):
        for i, name in enumerate(names):
            if name is not None and " ".join(str(name).casefold().split()) == wanted:
                x, y = shapely.get_coordinates(shapely.point_on_surface(lots[i]))[0]
                return float(x), float(y)
    known = {str(name).casefold(): str(name) for name in (*home_id, *address) if name is not None}
    close = difflib.get_close_matches(wanted, known, n=3, cutoff=0.6)
    near = f"; the nearest names are {', '.join(known[key] for key in close)}" if close else ""
    raise ParameterError(
        f"the start '{text}' is no candidate home{near}: give LONGITUDE,LATITUDE in degrees, X,Y in metres, a home "
        "or its address"
    )
