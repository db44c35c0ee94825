"""Choosing the system a run measures in: projected, in metres, true to length at the parcels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from screening.crs.system import (
    describe,
    geodetic,
    horizontal,
    length_unit,
    measuring_fault,
    metric_twin,
    parse_crs,
    transformer,
)
from screening.errors import CRSError

MAX_LENGTH_ERROR_FRAC: Final = 0.01
"""A CRS whose lengths are off by more than this at the parcels is not measured in [unitless].

A program default: the usual national, state and UTM grids stay under 0.004; Web Mercator has 0.56
at 50 degrees of latitude."""


def length_scale(crs: CRS, x: float, y: float) -> tuple[float, float]:
    """Length on the map over true length, along x and along y, at one place.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected CRS.
    x, y : float
        Place in that CRS [its unit].

    Returns
    -------
    tuple of float
        Scale along x and along y [unitless]; 1 is true, NaN is off the map.
    """
    flat = horizontal(crs)
    half_m = 50.0
    half = half_m / length_unit(flat)[1]
    to_lonlat = transformer(flat, geodetic(flat))
    lon, lat = to_lonlat.transform([x - half, x + half, x, x], [y, y, y - half, y + half])
    if not np.all(np.isfinite(lon)):
        return (float("nan"), float("nan"))
    geod = flat.get_geod()
    if geod is None:
        return (float("nan"), float("nan"))
    along = geod.inv([lon[0], lon[2]], [lat[0], lat[2]], [lon[1], lon[3]], [lat[1], lat[3]])[2]
    return (2.0 * half_m / float(along[0]), 2.0 * half_m / float(along[1]))


def lonlat(crs: CRS, x: float, y: float) -> tuple[float, float]:
    """Longitude and latitude [deg] of a place of a CRS, on the CRS's own datum."""
    flat = horizontal(crs)
    lon, lat = transformer(flat, geodetic(flat)).transform(x, y)
    return float(lon), float(lat)


def length_fault(crs: CRS, centre: tuple[float, float], centre_crs: CRS) -> str:
    """Why lengths can't be measured in a CRS at a place, as words after its name, or ``""``.

    Parameters
    ----------
    crs : pyproj.CRS
        The CRS in question.
    centre : tuple of float
        A place amid the data, in `centre_crs`.
    centre_crs : pyproj.CRS
        CRS of the place.
    """
    fault = measuring_fault(crs)
    if fault:
        return fault
    x, y = transformer(horizontal(centre_crs), horizontal(crs)).transform(*centre)
    if not (np.isfinite(x) and np.isfinite(y)):
        return "does not reach the parcels"
    worst = max(length_scale(crs, float(x), float(y)), key=lambda k: abs(k - 1.0))
    if not abs(worst - 1.0) <= MAX_LENGTH_ERROR_FRAC:
        return f"makes lengths wrong by a factor of {worst:.3g} there"
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingCRS:
    """The CRS a run measures in, and the reason for it in words.

    Attributes
    ----------
    crs : pyproj.CRS
        Projected, metre, two-dimensional.
    why : str
        Where it comes from, as a sentence for people.
    """

    crs: CRS
    why: str


def choose_working_crs(
    *, elevation_crs: CRS, parcels_crs: CRS, centre: tuple[float, float], stated: str = ""
) -> WorkingCRS:
    """Choose the CRS of a run.

    The run file's entry decides; else the elevation raster's own projection in metres, so that the
    raster is never resampled; else, where lengths can't be measured in that (degrees, Web Mercator,
    any projection that distorts by over 1 % there), the parcels' projection in metres; else the
    UTM zone of the parcels.

    Parameters
    ----------
    elevation_crs, parcels_crs : pyproj.CRS
        CRS of the two files.
    centre : tuple of float
        Middle of the parcels in `parcels_crs`.
    stated : str
        ``[inputs] working_crs`` of the run file; empty if not given.

    Raises
    ------
    CRSError
        If the stated CRS can't be measured in, or the parcels' place is not on the Earth.
    """
    if stated:
        crs = parse_crs(stated, "[inputs] working_crs")
        fault = length_fault(crs, centre, parcels_crs)
        if fault:
            msg = (
                f"[inputs] working_crs: {describe(crs)} {fault}; name a projected system that is "
                "true to length at the parcels, or leave the entry out."
            )
            raise CRSError(msg, code="crs_unfit")
        return WorkingCRS(crs=metric_twin(crs), why="The run file names the working system.")
    fault = length_fault(elevation_crs, centre, parcels_crs)
    if not fault:
        twin = metric_twin(elevation_crs)
        return WorkingCRS(crs=twin, why="The working system is the elevation raster's, in metres.")
    why = f"The elevation raster's system, {describe(elevation_crs)}, {fault}"
    fault = length_fault(parcels_crs, centre, parcels_crs)
    if not fault:
        twin = metric_twin(parcels_crs)
        return WorkingCRS(crs=twin, why=f"{why}; the parcels' system in metres is used.")
    zone = utm_zone(parcels_crs, centre)
    why = f"{why}; the parcels' system, {describe(parcels_crs)}, {fault}; {describe(zone)} is used."
    return WorkingCRS(crs=zone, why=why)


def utm_zone(crs: CRS, centre: tuple[float, float]) -> CRS:
    """UTM zone of a place, on the place's own datum where one is registered, else on WGS 84."""
    lon, lat = lonlat(crs, *centre)
    if not (abs(lon) <= 180.0 and abs(lat) <= 84.0):
        msg = (
            f"{describe(crs)}: the parcels' middle ({centre[0]:.6g}, {centre[1]:.6g}) is not a place "
            "that a UTM zone covers; check the parcels' system, or name [inputs] working_crs."
        )
        raise CRSError(msg, code="crs_doubtful")
    here = AreaOfInterest(lon, lat, lon, lat)
    for datum in (geodetic(horizontal(crs)).name, "WGS 84"):
        found = query_utm_crs_info(datum_name=datum, area_of_interest=here, contains=True)
        if found:
            best = min(found, key=lambda info: int(info.code))
            return CRS.from_authority(best.auth_name, best.code)
    base = 32600 if lat >= 0 else 32700
    return CRS.from_epsg(base + min(int((lon + 180.0) // 6.0) + 1, 60))
