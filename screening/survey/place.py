"""Where layers lie: degrees, true lengths, and how much of each other they cover."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from screening.crs import Reprojector, length_unit
from screening.crs.choice import MAX_LENGTH_ERROR_FRAC
from screening.errors import CRSError

if TYPE_CHECKING:
    from pyproj import CRS

    Bounds = tuple[float, float, float, float]


def lonlat_bounds(crs: CRS | None, bounds: Bounds | None) -> Bounds | None:
    """Extent in degrees of longitude and latitude, None where that can't be told."""
    if crs is None or bounds is None or crs.geodetic_crs is None:
        return None
    try:
        box = Reprojector(crs, crs.geodetic_crs).bounds(bounds)
    except CRSError:
        return None
    if not np.isfinite(box).all() or max(abs(box[1]), abs(box[3])) > 90.0 or max(abs(box[0]), abs(box[2])) > 360.0:
        return None
    return tuple(round(value, 6) for value in box)  # type: ignore[return-value]


def metres_per_unit(crs: CRS | None, bounds: Bounds | None) -> tuple[float, float] | None:
    """True metres in one unit along x and along y amid an extent.

    Works in any system, degrees and Web Mercator too, since it asks the ellipsoid; where a projected system is true to
    length, as a run takes it, its own unit is the answer.

    Parameters
    ----------
    crs : pyproj.CRS or None
        System of the extent.
    bounds : tuple of float or None
        West, south, east, north in that system.

    Returns
    -------
    tuple of float or None
        None where the place isn't known or isn't on the Earth.
    """
    if crs is None or bounds is None or crs.geodetic_crs is None:
        return None
    geod = crs.get_geod()
    if geod is None:
        return None
    x, y = (bounds[0] + bounds[2]) / 2.0, (bounds[1] + bounds[3]) / 2.0
    # about ten metres; a system in degrees has 111 km in one
    half = 5e-5 if crs.is_geographic else 5.0
    lon, lat = Reprojector(crs, crs.geodetic_crs).xy(
        np.array([x - half, x + half, x, x]), np.array([y, y, y - half, y + half])
    )
    if not (np.isfinite(lon).all() and np.isfinite(lat).all() and np.abs(lat).max() <= 90.0):
        return None
    apart_m = np.asarray(geod.inv([lon[0], lon[2]], [lat[0], lat[2]], [lon[1], lon[3]], [lat[1], lat[3]])[2])
    along_x, along_y = apart_m / (2.0 * half)
    unit_m = length_unit(crs)[1]
    if crs.is_projected and max(abs(along_x / unit_m - 1.0), abs(along_y / unit_m - 1.0)) < MAX_LENGTH_ERROR_FRAC:
        return unit_m, unit_m
    return (float(along_x), float(along_y)) if along_x > 0.0 and along_y > 0.0 else None


def lies_elsewhere(one: Bounds | None, other: Bounds | None) -> bool:
    """Whether two known extents share no ground; one without width (a single well) may lie in the other."""
    if one is None or other is None:
        return False
    return any(one[low] > other[high] or other[low] > one[high] for low, high in ((0, 2), (1, 3)))


def covered_frac(inner: Bounds | None, outer: Bounds | None) -> float | None:
    """Part of an extent that lies in another, None where one isn't known.

    An extent without width (a single well) counts as inside or outside.
    """
    if inner is None or outer is None:
        return None
    part = 1.0
    for low, high in ((0, 2), (1, 3)):
        shared = min(inner[high], outer[high]) - max(inner[low], outer[low])
        if shared < 0.0:
            return 0.0
        width = inner[high] - inner[low]
        part *= shared / width if width > 0.0 else 1.0
    return part
