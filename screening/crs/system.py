"""What a coordinate system is: its unit, its name, its faults, its twin in metres."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyproj.network
from pyproj import CRS, Transformer
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError as ProjCRSError
from pyproj.exceptions import ProjError

from screening.errors import CRSError

if TYPE_CHECKING:
    Bounds = tuple[float, float, float, float]

TWIN_TOLERANCE_M: Final = 1e-6
"""A registered CRS stands in for a computed metric twin where coordinates agree this well [m]."""

_WEB_MERCATOR_METHODS: Final = frozenset({"Popular Visualisation Pseudo Mercator"})


def network_off() -> None:
    """Keep PROJ from fetching grid files: a run depends on its arguments only."""
    pyproj.network.set_network_enabled(active=False)  # type: ignore[attr-defined]  # pyproj's stub lacks it


def transformer(src: CRS, dst: CRS) -> Transformer:
    """PROJ's operation between two CRS, coordinates in x, y order, without network.

    Raises
    ------
    CRSError
        If there is none: one of them has no horizontal place, or lies on another body.
    """
    network_off()
    try:
        return Transformer.from_crs(src, dst, always_xy=True)
    except ProjError as error:
        msg = f"PROJ knows no way from {describe(src)} to {describe(dst)}; state the true system under [inputs.crs]."
        raise CRSError(msg, code="crs_unfit") from error


def geodetic(crs: CRS) -> CRS:
    """Longitude-latitude system that a CRS is built on.

    Raises
    ------
    CRSError
        If it is a local system without a place on the Earth.
    """
    base = crs.geodetic_crs
    if base is None:
        msg = f"{describe(crs)} is not tied to the Earth; state the true system under [inputs.crs]."
        raise CRSError(msg, code="crs_unknown")
    return base.to_2d()


def parse_crs(text: str, where: str) -> CRS:
    """Read a CRS from text such as ``EPSG:26915``, or fail with a sentence that names `where`."""
    try:
        return CRS.from_user_input(text)
    except ProjCRSError:
        msg = f'{where}: {text!r} is not a coordinate reference system that PROJ knows; write it like "EPSG:26915".'
        raise CRSError(msg, code="crs_unknown") from None


def horizontal(crs: CRS) -> CRS:
    """Two-dimensional part of a CRS, without a vertical part and without a bound datum shift."""
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
        if crs.is_bound and crs.source_crs is not None:
            crs = crs.source_crs
    return crs.to_2d() if len(crs.axis_info) > 2 else crs


def same_crs(one: CRS, other: CRS) -> bool:
    """Whether two CRS give the same horizontal coordinates in x, y order."""
    return bool(horizontal(one).equals(horizontal(other), ignore_axis_order=True))


def is_web_mercator(crs: CRS) -> bool:
    """Whether a CRS is Web Mercator, whose lengths grow with 1/cos(latitude).

    References
    ----------
    IOGP Guidance Note 7-2, Coordinate Conversions and Transformations, "Popular Visualisation
    Pseudo-Mercator" (EPSG method 1024).
    """
    operation = horizontal(crs).coordinate_operation
    return operation is not None and operation.method_name in _WEB_MERCATOR_METHODS


def length_unit(crs: CRS) -> tuple[str, float]:
    """Name of the horizontal axis unit, and its size in metres (in radians for degrees)."""
    axis = horizontal(crs).axis_info[0]
    return axis.unit_name, float(axis.unit_conversion_factor)


def describe(crs: CRS) -> str:
    """Name of a CRS for people, with its registered code if it has one."""
    flat = horizontal(crs)
    authority = flat.to_authority(min_confidence=100)
    return f"{flat.name} ({':'.join(authority)})" if authority else str(flat.name)


def measuring_fault(crs: CRS) -> str:
    """Why nothing can be measured in a CRS, or ``""``; distortion is looked at elsewhere."""
    flat = horizontal(crs)
    if flat.is_geographic:
        return "counts in degrees"
    if not flat.is_projected:
        return "is not a projected system"
    if is_web_mercator(flat):
        return "is Web Mercator, whose lengths are wrong away from the equator"
    if {axis.direction.lower() for axis in flat.axis_info} != {"east", "north"}:
        return "has axes that don't point east and north"
    return ""


def require_projected_metric(crs: CRS, where: str) -> CRS:
    """Give back the horizontal part of a CRS that lengths can be measured in, else raise.

    Raises
    ------
    CRSError
        If it is geographic, Web Mercator, not in metres, or its axes are not east and north.
    """
    fault = measuring_fault(crs)
    unit, factor = length_unit(crs)
    if not fault and factor != 1.0:
        fault = f"counts in the unit {unit!r}"
    if fault:
        msg = f"{where}: {describe(crs)} {fault}; a projected system in metres is needed."
        raise CRSError(msg, code="crs_unfit")
    return horizontal(crs)


@lru_cache(maxsize=64)
def metric_twin(crs: CRS) -> CRS:
    """Find the same projection with metre axes.

    A registered code is used where its coordinates agree to 1e-6 m with the exact twin, so that
    other programs know the CRS by its number; otherwise the twin carries its full definition.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected CRS in any length unit; a vertical part is dropped.

    Returns
    -------
    pyproj.CRS
        Two-dimensional CRS in metres.

    Raises
    ------
    CRSError
        If the CRS is not projected.
    """
    flat = horizontal(crs)
    if not flat.is_projected:
        msg = f"{describe(crs)} is not projected, so it has no twin in metres."
        raise CRSError(msg, code="crs_unfit")
    if length_unit(flat)[1] == 1.0:
        return flat
    definition: dict[str, Any] = flat.to_json_dict()
    for key in ("id", "ids", "scope", "remarks", "usages"):
        definition.pop(key, None)
    plain_name = _without_unit(flat.name)
    definition["name"] = f"{plain_name} (metre)"
    definition["conversion"].pop("id", None)
    for axis in definition["coordinate_system"]["axis"]:
        axis["unit"] = "metre"
    exact = CRS.from_json_dict(definition)
    return _registered_equal(flat, exact, plain_name) or exact


def _without_unit(name: str) -> str:
    for ending in (" (ftUS)", " (ft)", " (US feet)", "_Feet_Intl", "_FtUS", "_Feet", "_Ft"):
        if name.endswith(ending):
            return name.removesuffix(ending)
    return name


def _registered_equal(feet: CRS, exact: CRS, plain_name: str) -> CRS | None:
    """Find the registered metric CRS of the same name whose coordinates equal those of `exact`, if any."""
    # Definitions without a code (WKT of a .prj file) are looked up loosely, then compared exactly.
    for registered in feet.list_authority("EPSG", min_confidence=25):
        known = CRS.from_authority(registered.auth_name, registered.code)
        if same_crs(known, feet):
            plain_name = _without_unit(known.name)
            break
    for info in query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS):
        if info.name == plain_name and info.area_of_use is not None:
            candidate = CRS.from_authority(info.auth_name, info.code)
            area = info.area_of_use
            if length_unit(candidate)[1] == 1.0 and _agree(
                exact, candidate, (area.west, area.south, area.east, area.north)
            ):
                return candidate
    return None


def _agree(one: CRS, other: CRS, lonlat_bounds: Bounds) -> bool:
    if not same_crs(geodetic(one), geodetic(other)):
        return False
    west, south, east, north = lonlat_bounds
    lon, lat = (a.ravel() for a in np.meshgrid(np.linspace(west, east, 5), np.linspace(south, north, 5)))
    both = [np.array(transformer(geodetic(one), crs).transform(lon, lat)) for crs in (one, other)]
    return bool(np.all(np.abs(both[0] - both[1]) < TWIN_TOLERANCE_M))
