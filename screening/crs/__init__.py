"""Coordinate systems: choosing the working one, its metric twin, and bringing geometries into it.

The working coordinate reference system (CRS) is projected, in metres, with axes east and north, and
true to length where the parcels lie.  Unit factors come from the CRS itself, never from its name.
Every transformation is done with PROJ's network access off and with coordinates in the order
x (east or longitude), y (north or latitude).
"""

from __future__ import annotations

from screening.crs.choice import WorkingCRS, choose_working_crs, length_fault, length_scale, lonlat, utm_zone
from screening.crs.reproject import COORDINATE_DECIMALS, Reprojector
from screening.crs.system import (
    describe,
    horizontal,
    is_web_mercator,
    length_unit,
    metric_twin,
    parse_crs,
    require_projected_metric,
    same_crs,
)
from screening.crs.vertical import stated_heights_m, unit_size_m, vertical_factor

__all__ = [
    "COORDINATE_DECIMALS",
    "Reprojector",
    "WorkingCRS",
    "choose_working_crs",
    "describe",
    "horizontal",
    "is_web_mercator",
    "length_fault",
    "length_scale",
    "length_unit",
    "lonlat",
    "metric_twin",
    "parse_crs",
    "require_projected_metric",
    "same_crs",
    "stated_heights_m",
    "unit_size_m",
    "utm_zone",
    "vertical_factor",
]
