"""Results of towns with many streets, made of a few numbers: what planning a season needs, and nothing else."""

from __future__ import annotations

import numpy as np
import shapely
from made_up_result import frame, record
from pyproj import CRS

from screening import columns
from screening.write import write_package

WORKING_CRS = CRS.from_epsg(26915)
X0_M, Y0_M = 480_000.0, 4_980_000.0
LOT_M, DEPTH_M, HALF_STREET_M = 20.0, 30.0, 8.0


class Town:
    """Straight streets that run east, one above another, with lots on both sides; homes are added side by side."""

    def __init__(self, *, gap_m=150.0):
        self.gap_m = gap_m
        self.homes, self.lots, self.streets, self.lines = [], [], [], []

    def street(self, name, south=(), north=(), *, line=True, addresses=True, home_name=None, text=None):
        """Add a street; `south` and `north` are the volumes [m3/y] of its homes from west to east."""
        number = len(self.streets)
        y = Y0_M + number * self.gap_m
        volumes = []
        for sign, side in ((-1, south), (1, north)):
            for place, volume in enumerate(side):
                x = X0_M + place * LOT_M
                near, far = y + sign * HALF_STREET_M, y + sign * (HALF_STREET_M + DEPTH_M)
                lot = shapely.box(x, min(near, far), x + LOT_M, max(near, far))
                k = len(self.homes)
                house_number = 100 + 2 * place + (sign > 0)
                self.homes.append(
                    {
                        "home_id": f"h{k:05d}" if home_name is None else home_name(k),
                        "parcel_id": f"p{k:05d}",
                        "address": (f"{house_number} {text or name}" if addresses else None),
                        "street": name,
                        "building_id": f"b{k:05d}",
                        "diverted_m3_y": float(volume),
                        "diverted_low_m3_y": 0.75 * volume,
                        "diverted_high_m3_y": 1.25 * volume,
                        "confidence_frac": 0.5,
                        "n_gardens": 1,
                    }
                )
                self.lots.append(shapely.MultiPolygon([lot]))
                volumes.append(float(volume))
        self.streets.append((name, volumes))
        length = max(len(south), len(north), 1) * LOT_M
        self.lines.append(shapely.MultiLineString([[(X0_M - 20, y), (X0_M + length + 20, y)]]) if line else None)
        return self

    def layers(self, *, shuffle=None, range_frac=0.2):
        """The layers; rows of homes and streets in another order if a random generator is given."""
        order = np.arange(len(self.homes)) if shuffle is None else shuffle.permutation(len(self.homes))
        rank = np.empty(len(order), dtype=int)
        rank[
            np.lexsort(([home["home_id"] for home in self.homes], [-home["diverted_m3_y"] for home in self.homes]))
        ] = np.arange(1, len(order) + 1)
        homes = frame(
            "candidate_homes",
            [self.homes[k] | {"rank": int(rank[k])} for k in order],
            [self.lots[k] for k in order],
        )
        rows = [
            {
                "street": name,
                "n_candidates": len(volumes),
                "n_gardens": len(volumes),
                "diverted_m3_y": sum(volumes),
                "diverted_low_m3_y": (1 - range_frac) * sum(volumes),
                "diverted_high_m3_y": (1 + range_frac) * sum(volumes),
            }
            for name, volumes in self.streets
            if name is not None
        ]
        lines = [line for (name, _), line in zip(self.streets, self.lines, strict=True) if name is not None]
        by_row = np.arange(len(rows)) if shuffle is None else shuffle.permutation(len(rows))
        streets = frame("streets", [rows[k] for k in by_row], [lines[k] for k in by_row])
        return {
            "candidate_homes": homes,
            "gardens": columns.empty("gardens", WORKING_CRS),
            "other_parcels": columns.empty("other_parcels", WORKING_CRS),
            "streets": streets,
        }

    def write(self, path, **settings):
        """Write the result."""
        write_package(path, self.layers(**settings), crs=WORKING_CRS, record=record(), overwrite=True)
        return path
