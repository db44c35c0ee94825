"""Where the layers lie: plausible coordinates, a town's size, and whether they meet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NoReturn

import numpy as np
import shapely

from screening.crs import Reprojector, describe, length_unit, lonlat
from screening.errors import CRSError, InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt
    from pyproj import CRS

    Bounds = tuple[float, float, float, float]

MAX_WIDTH_DEG: Final = 3.0
"""A town is never wider than this; a layer that is lies astride the antimeridian or in a wrong CRS."""


def check_coordinates(bounds: Bounds, crs: CRS, where: str, role: str) -> None:
    """Refuse coordinates that can't belong to their CRS.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east, north [unit of `crs`].
    crs : pyproj.CRS
        The CRS the file or the run file names.
    where, role : str
        File and input name, for the message.

    Raises
    ------
    CRSError
        If a geographic CRS has coordinates that aren't degrees, or a projected one has coordinates
        that look like degrees.
    """
    west, south, east, north = bounds
    way_out = f'it is in another system: state the true one as {role} = "EPSG:..." under [inputs.crs]'
    spread = f"({west:.6g}, {south:.6g}) to ({east:.6g}, {north:.6g})"
    fits_degrees = max(abs(west), abs(east)) <= 360.0 and max(abs(south), abs(north)) <= 90.0
    if crs.is_geographic and not fits_degrees:
        msg = f"{where} is said to be in {describe(crs)}, but its coordinates {spread} aren't degrees; {way_out}."
        raise CRSError(msg, code="crs_doubtful")
    # A single well may well lie within 3 m; lots and buildings never do.
    is_tiny = role in ("parcels", "buildings") and max(east - west, north - south) < MAX_WIDTH_DEG
    if crs.is_projected and fits_degrees and is_tiny:
        unit = length_unit(crs)[0]
        msg = (
            f"{where} is said to be in {describe(crs)}, whose unit is {unit}, but its coordinates "
            f"{spread} look like degrees; {way_out}."
        )
        raise CRSError(msg, code="crs_doubtful")


def spans_deg(bounds: Bounds, crs: CRS) -> tuple[float, float]:
    """Degrees of longitude and latitude that an extent spans; infinite where it leaves the Earth."""
    base = crs.geodetic_crs
    if base is None:
        return (0.0, 0.0)
    west, south, east, north = Reprojector(crs, base).bounds(bounds)
    if not np.isfinite((west, south, east, north)).all():
        return (float("inf"), float("inf"))
    # Of a box across the antimeridian PROJ gives west > east.
    return (east - west) % 360.0 if east < west else east - west, north - south


def check_width(bounds: Bounds, crs: CRS, where: str, shapes: Callable[[], npt.NDArray[np.object_]]) -> None:
    """Refuse a layer that is wider or higher than any town.

    Parameters
    ----------
    bounds : tuple of float
        Its extent [unit of `crs`].
    crs : pyproj.CRS
        Its CRS.
    where : str
        File, for the message.
    shapes : callable
        Gives its shapes, shape (n,), in `crs`; called only to name the record farthest out.

    Raises
    ------
    CRSError
        If it spans more than 3 degrees of longitude or latitude.
    """
    width_deg, height_deg = spans_deg(bounds, crs)
    if max(width_deg, height_deg) <= MAX_WIDTH_DEG:
        return
    geometry = shapes()
    there = np.flatnonzero(~shapely.is_missing(geometry))
    if not len(there):
        msg = (
            f"{where} says that it spans {width_deg:.3g} degrees, and holds no shape that can be read; export it again."
        )
        raise InputError(msg, code="file_unreadable")
    centre = shapely.get_coordinates(shapely.centroid(geometry[there]))
    away = np.abs(centre - np.median(centre, axis=0)).max(axis=1)
    msg = (
        f"{where} spans {width_deg:.3g} degrees of longitude and {height_deg:.3g} of latitude, more than a town: it "
        f"lies across the antimeridian, names a wrong system, or holds misplaced records (record "
        f"{int(there[np.argmax(away)]) + 1} lies farthest out); correct the file, or state its system under "
        "[inputs.crs]."
    )
    raise CRSError(msg, code="crs_doubtful")


def in_words(bounds_m: Bounds, crs: CRS) -> str:
    """Extent in whole metres, with the place of its middle, for people."""
    west, south, east, north = bounds_m
    lon, lat = lonlat(crs, (west + east) / 2.0, (south + north) / 2.0)
    place = ""
    if np.isfinite(lon) and np.isfinite(lat):
        place = f", around {abs(lat):.3f} {'N' if lat >= 0 else 'S'} {abs(lon):.3f} {'E' if lon >= 0 else 'W'}"
    return f"x {west:,.0f} to {east:,.0f} m and y {south:,.0f} to {north:,.0f} m{place}"


def touch(one: Bounds, other: Bounds) -> bool:
    """Whether two extents share any ground."""
    return one[0] <= other[2] and other[0] <= one[2] and one[1] <= other[3] and other[1] <= one[3]


def check_overlap(one: str, one_m: Bounds, other: str, other_m: Bounds, crs: CRS) -> None:
    """Refuse two layers that lie apart.

    Parameters
    ----------
    one, other : str
        Their files, for the message.
    one_m, other_m : tuple of float
        Their extents in the working CRS [m].
    crs : pyproj.CRS
        The working CRS.

    Raises
    ------
    InputError
        With both extents in words.
    """
    if touch(one_m, other_m):
        return
    msg = (
        f"{one} and {other} don't overlap: {one} covers {in_words(one_m, crs)}, {other} covers "
        f"{in_words(other_m, crs)}; they show different places, or one of them names a wrong system (state the true "
        "one under [inputs.crs])."
    )
    raise InputError(msg, code="layers_apart")


def box_text(bounds: Bounds) -> str:
    """The four numbers of a box as a person types them."""
    return ",".join(f"{value:.15g}" for value in bounds)


def refuse_box(box_m: Bounds, where: str, parcels_m: Bounds, crs: CRS) -> NoReturn:
    """Say that no parcel lies in the box that was asked for, as it was asked for.

    Parameters
    ----------
    box_m, parcels_m : tuple of float
        The box, and the extent of all parcels, in the working CRS [m].
    where : str
        File of the parcels.
    crs : pyproj.CRS
        The working CRS.

    Raises
    ------
    InputError
        Always.
    """
    msg = (
        f"{where} has no parcel in the box {box_text(box_m)}; its parcels lie in {in_words(parcels_m, crs)}: give "
        f"west, south, east, north in metres of {describe(crs)}."
    )
    raise InputError(msg)


def outside_note(
    boxes: npt.NDArray[np.float64], parcels_name: str, rasters_m: npt.NDArray[np.float64], raster_name: str
) -> str:
    """Say how many parcels the elevation leaves out; "" if it has them all.

    Parameters
    ----------
    boxes : (n, 4) array
        West, south, east, north of the parcels in the working CRS, NaN where there is no outline [m].
    parcels_name, raster_name : str
        Their files.
    rasters_m : (k, 4) array
        West, south, east, north of each raster [m].
    """
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    if len(rasters_m) == 1:
        west, south, east, north = rasters_m[0]
        is_outside = (boxes[:, 0] >= east) | (boxes[:, 2] <= west) | (boxes[:, 1] >= north) | (boxes[:, 3] <= south)
        is_inside = (boxes[:, 0] >= west) & (boxes[:, 2] <= east) & (boxes[:, 1] >= south) & (boxes[:, 3] <= north)
    else:
        # mosaics may have missing corners, so their common extent says little
        # a millimetre: neighbours must not part by the rounding of a change of units
        more = np.array([-1e-3, -1e-3, 1e-3, 1e-3])
        ground = shapely.union_all(shapely.box(*(rasters_m + more).T))
        shapely.prepare(ground)
        is_outside = np.asarray(~shapely.intersects(ground, shapely.box(*(boxes - 2.0 * more).T)))
        is_inside = np.asarray(shapely.covers(ground, shapely.box(*boxes.T)))
    n_outside, n_partly = int(is_outside.sum()), int((~is_outside & ~is_inside).sum())
    said = []
    if n_outside:
        said.append(f"{n_outside:,} of {len(boxes):,} parcels lie outside {raster_name}")
    if n_partly:
        said.append(f"{n_partly:,} of {len(boxes):,} parcels reach beyond the edge of {raster_name}")
    return f"{parcels_name}: {', and '.join(said)}." if said else ""
