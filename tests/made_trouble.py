"""A small sound town of invented lots, to be spoilt by one trouble at a time."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely
from made_files import write_frame, write_raster

from screening.checks import check_city
from screening.params import load_params

if TYPE_CHECKING:
    from pathlib import Path

    from screening.checks import Finding, Report

CRS = "EPSG:26915"
WEST_M, SOUTH_M = 480_000.0, 4_980_000.0
LOT_W_M, LOT_D_M, STREET_M = 22.0, 40.0, 16.0
COLUMNS, ROWS = 12, 8
"""Lots stand in rows back to back, with streets between the pairs."""


def _corner(row: int, col: int) -> tuple[float, float]:
    return WEST_M + col * LOT_W_M, SOUTH_M + row * LOT_D_M + (row // 2) * STREET_M


def sound_parcels() -> gpd.GeoDataFrame:
    """96 lots with ids, addresses and land use."""
    boxes, ids, addresses = [], [], []
    for row in range(ROWS):
        for col in range(COLUMNS):
            x, y = _corner(row, col)
            boxes.append(shapely.box(x, y, x + LOT_W_M, y + LOT_D_M))
            ids.append(f"0{row + 1:02d}-{col + 1:03d}")
            addresses.append(f"{2 * col + 1} {'North' if row % 2 else 'South'} Meadow Lane {row // 2 + 1}")
    data = {"PIN": ids, "SITE": addresses, "USE": ["Residential"] * len(ids)}
    return gpd.GeoDataFrame(data, geometry=boxes, crs=CRS)


def sound_buildings() -> gpd.GeoDataFrame:
    """A house on every lot, of changing size and place, and some sheds."""
    rng = np.random.default_rng(1)
    boxes, kinds = [], []
    for row in range(ROWS):
        for col in range(COLUMNS):
            x, y = _corner(row, col)
            width, depth = rng.uniform(10.0, 13.0), rng.uniform(8.0, 11.0)
            left = rng.uniform(2.5, LOT_W_M - 2.5 - width)
            front = 8.0 if row % 2 else LOT_D_M - 8.0 - depth
            boxes.append(shapely.box(x + left, y + front, x + left + width, y + front + depth))
            kinds.append("MAIN")
            if col % 3 == 0:
                back = LOT_D_M - 6.0 if row % 2 else 3.0
                boxes.append(shapely.box(x + 2, y + back, x + 5, y + back + 3.0))
                kinds.append("SHED")
    data = {"BID": [f"B{i:04d}" for i in range(len(boxes))], "KIND": kinds}
    return gpd.GeoDataFrame(data, geometry=boxes, crs=CRS)


def sound_ground() -> np.ndarray:
    """Heights of a gentle, slightly wavy slope with cells of 1 m, row 0 in the north; 30 m around the lots."""
    height = int(ROWS * LOT_D_M + (ROWS // 2) * STREET_M + 60)
    width = int(COLUMNS * LOT_W_M + 60)
    row, col = np.mgrid[0:height, 0:width]
    rng = np.random.default_rng(2)
    return 100.0 + 0.03 * col + 0.02 * row + 0.3 * np.sin(col / 17.0 + row / 29.0) + rng.normal(0, 0.01, row.shape)


NORTH_M = SOUTH_M - 30.0 + int(ROWS * LOT_D_M + (ROWS // 2) * STREET_M + 60)


@dataclass
class Town:
    """A town on its way to a run file; change what is to be wrong, then `check` it."""

    parcels: Any = field(default_factory=sound_parcels)
    buildings: Any = field(default_factory=sound_buildings)
    z: Any = field(default_factory=sound_ground)
    raster: dict[str, Any] = field(default_factory=lambda: {"west": WEST_M - 30.0, "north": NORTH_M, "cell": 1.0})
    settings: dict[str, Any] = field(default_factory=dict)
    suffix: str = ".gpkg"

    def write(self, folder: Path) -> dict[str, Any]:
        """Write the files; what `load_params` needs to find them."""
        write_frame(self.parcels, folder / f"parcels{self.suffix}")
        write_frame(self.buildings, folder / "buildings.gpkg")
        write_raster(folder / "elevation.tif", self.z, **{"unit": "m", **self.raster})
        named = {
            "inputs.parcels": folder / f"parcels{self.suffix}",
            "inputs.buildings": folder / "buildings.gpkg",
            "inputs.elevation": folder / "elevation.tif",
            "fields.parcel_id": "PIN",
            "fields.address": "SITE",
            "fields.land_use": "USE",
            "fields.building_id": "BID",
            "fields.building_type": "KIND",
        }
        return {key: value for key, value in (named | self.settings).items() if value is not None}

    def check(self, folder: Path) -> Report:
        """Write the files and check them."""
        return check_city(load_params(None, self.write(folder)))

    def found(self, folder: Path) -> dict[str, Finding]:
        """Findings of the check by code."""
        return {one.code: one for one in self.check(folder).findings}


USUAL = {"streets_missing", "rain_missing"}
"""What a sound town of this kind is told nevertheless."""
