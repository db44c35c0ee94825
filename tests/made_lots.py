"""Small made-up cities on ground of known shape: in memory, moved, turned, brought to feet, written, or screened."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine

from screening.clean import clean_buildings, clean_parcels
from screening.params import load_params
from screening.pipeline import KeepAwayThings, TileInputs, TownWater, screen_tile, town_water
from screening.soils import town_soils
from screening.tiles import Tile

METRE_CRS = "EPSG:26915"
"""NAD83 / UTM zone 15N, in metres."""

FEET_CRS = "+proj=utm +zone=15 +datum=NAD83 +units=us-ft +no_defs +type=crs"
"""The same projection with axes in US survey feet, as state-plane systems have them."""

US_SURVEY_FOOT_M = 1200.0 / 3937.0

WEST_M, NORTH_M = 480_000.0, 4_980_000.0

SAMPLE = Path(__file__).resolve().parents[1] / "sample_geodata"

NO_AREAS = np.empty(0, dtype=object)


@dataclass(frozen=True, kw_only=True)
class MadeCity:
    """A city in memory, in metres; ``unit_m`` is only used where it is written to files.

    ``parcels`` has parcel_id, address, street, land_use; ``buildings`` has building_id, building_type; ``keep_away``
    holds (kind, distance in metres, geometries); ``z`` [m] has row 0 in the north and its corner at (``x0``, ``y0``).
    """

    parcels: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    z: np.ndarray
    x0: float
    y0: float
    cell: float
    streets: gpd.GeoDataFrame | None = None
    downspouts: np.ndarray | None = None
    keep_away: tuple = ()
    rain_mm: np.ndarray | None = None
    crs: str = METRE_CRS
    unit_m: float = 1.0
    settings: str = ""
    names: dict = field(default_factory=dict)

    def layers(self):
        """Every vector layer with its name."""
        yield "parcels", self.parcels
        yield "buildings", self.buildings
        if self.streets is not None:
            yield "streets", self.streets
        if self.downspouts is not None:
            yield "downspouts", gpd.GeoDataFrame(geometry=self.downspouts)
        for k, (_, _, things) in enumerate(self.keep_away):
            yield f"keep_{k}", gpd.GeoDataFrame(geometry=things)

    def mapped(self, function, **changes):
        """The city with every coordinate (n, 2) sent through a function."""

        def moved(geometry):
            return shapely.transform(np.array(geometry, dtype=object), function)

        def frame(layer):
            return None if layer is None else layer.set_geometry(moved(layer.geometry.to_numpy()), crs=None)

        return replace(
            self,
            parcels=frame(self.parcels),
            buildings=frame(self.buildings),
            streets=frame(self.streets),
            downspouts=None if self.downspouts is None else moved(self.downspouts),
            keep_away=tuple((kind, distance, moved(things)) for kind, distance, things in self.keep_away),
            **changes,
        )

    def shifted(self, cols, rows):
        """The city moved by whole cells to the east and north."""
        by = np.array([cols * self.cell, rows * self.cell])
        return self.mapped(lambda xy: np.round(xy + by, 5), x0=self.x0 + by[0], y0=self.y0 + by[1])

    def turned(self):
        """The city turned by 90 degrees counter-clockwise about the north-west corner of its raster."""
        # np.rot90 sends the raster's north-east corner to the north-west one
        width = self.z.shape[1] * self.cell
        x0, y0 = self.x0, self.y0

        def turn(xy):
            return np.column_stack([np.round(x0 + (y0 - xy[:, 1]), 5), np.round(y0 - width + (xy[:, 0] - x0), 5)])

        # a point at (x0 + width, y0) comes to (x0, y0): the north-west corner again
        return self.mapped(turn, z=np.rot90(self.z))

    def in_feet(self):
        """The same city, to be written in US survey feet."""
        return replace(self, crs=FEET_CRS, unit_m=US_SURVEY_FOOT_M)

    def shuffled(self, seed):
        """The same rows in another order."""
        rng = np.random.default_rng(seed)

        def mixed(layer):
            return None if layer is None else layer.iloc[rng.permutation(len(layer))].reset_index(drop=True)

        return replace(
            self,
            parcels=mixed(self.parcels),
            buildings=mixed(self.buildings),
            streets=mixed(self.streets),
            downspouts=None if self.downspouts is None else rng.permutation(self.downspouts),
            keep_away=tuple((kind, distance, rng.permutation(things)) for kind, distance, things in self.keep_away),
        )

    def write(self, folder: Path) -> Path:
        """Write every file and the run file; returns the path of the run file."""
        folder.mkdir(parents=True, exist_ok=True)
        unit = self.unit_m
        scaled = self if unit == 1.0 else self.mapped(lambda xy: xy / unit)
        for name, frame in scaled.layers():
            path = folder / f"{name}.gpkg"
            frame.set_crs(self.crs, allow_override=True).to_file(path, layer=name, engine="pyogrio", driver="GPKG")
        rows, cols = self.z.shape
        cell = self.cell / unit
        with rasterio.open(
            folder / "elevation.tif", "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float64",
            crs=self.crs, transform=Affine(cell, 0.0, self.x0 / unit, 0.0, -cell, self.y0 / unit),
        ) as raster:  # fmt: skip
            raster.write(self.z / unit, 1)
        lines = ["[inputs]", 'parcels = "parcels.gpkg"', 'buildings = "buildings.gpkg"', 'elevation = "elevation.tif"']
        lines.append(f'elevation_unit = "{"m" if unit == 1.0 else "us-ft"}"')
        if self.streets is not None:
            lines.append('streets = "streets.gpkg"')
        if self.downspouts is not None:
            lines.append('downspouts = "downspouts.gpkg"')
        if self.rain_mm is not None:
            lines.append('rain = "rain.csv"')
            start = np.datetime64("2015-01-01T00:00")
            times = start + np.arange(len(self.rain_mm)).astype("timedelta64[h]")
            text = "\n".join(f"{t}:00,{mm:.2f}" for t, mm in zip(times.astype(str), self.rain_mm, strict=True))
            (folder / "rain.csv").write_text(f"time,rain_mm\n{text}\n", encoding="utf-8")
        for k, (kind, distance, _) in enumerate(self.keep_away):
            lines += ["[[inputs.keep_away]]", f'path = "keep_{k}.gpkg"', f'kind = "{kind}"', f"distance_m = {distance}"]
        lines.append("[fields]")
        present = {"parcel_id", "address", "street", "land_use"} & set(self.parcels.columns)
        present |= {"building_id", "building_type"} & set(self.buildings.columns)
        lines += [f'{name} = "{name}"' for name in sorted(present)]
        if self.streets is not None and "name" in self.streets.columns:
            lines.append('street_name = "name"')
        run_file = folder / "run.toml"
        run_file.write_text("\n".join(lines) + "\n" + self.settings, encoding="utf-8")
        return run_file

    def tile_inputs(self, params) -> TileInputs:
        """The city as one tile, every parcel owned; yields rest on assumed storms."""
        parcels = self.parcels.copy()
        buildings = self.buildings.copy()
        for frame, names in ((parcels, ("parcel_id", "address", "street", "land_use")),
                             (buildings, ("building_id", "building_type"))):  # fmt: skip
            for name in names:
                if name not in frame.columns:
                    frame[name] = None
        kept = clean_parcels(parcels.set_crs(METRE_CRS, allow_override=True)).kept
        kept["is_owned"] = True
        footprints = clean_buildings(buildings.set_crs(METRE_CRS, allow_override=True)).kept
        downspouts = NO_AREAS if self.downspouts is None else np.array(self.downspouts, dtype=object)
        return TileInputs(
            Tile(0, 0, 1000.0), kept, footprints, downspouts,
            tuple(KeepAwayThings(kind, distance, np.array(g, dtype=object)) for kind, distance, g in self.keep_away),
            NO_AREAS, self.z, np.array([self.x0, self.y0, 0.0, 0.0, self.cell]), storm_water(params),
        )  # fmt: skip

    def screened(self, **overrides):
        """Layers of `screen_tile` for the whole city as one tile; overrides are ``section__key=value``."""
        params = load_params(None, {key.replace("__", "."): value for key, value in overrides.items()})
        return dict(screen_tile(self.tile_inputs(params), params).layers)


def storm_water(params) -> TownWater:
    """Water of a town of one soil under the assumed storms."""
    return town_water(town_soils(params.soil), None, None, None, params)


def cell_centres(x0, y0, rows, cols, cell):
    """Easting and northing (rows, cols) of the middles of a raster's cells."""
    return np.meshgrid(x0 + (np.arange(cols) + 0.5) * cell, y0 - (np.arange(rows) + 0.5) * cell)


def plane(x0, y0, rows, cols, cell, east, north, level=100.0):
    """Heights of a plane that rises by ``east`` and ``north`` [m/m], ``level`` in the raster's north-west corner."""
    x, y = cell_centres(x0, y0, rows, cols, cell)
    return level + east * (x - x0) + north * (y - y0)


def parcels_of(shapes, land_use=None):
    """A parcel layer without a coordinate system."""
    n = len(shapes)
    return gpd.GeoDataFrame(
        {
            "parcel_id": [f"{i:04d}" for i in range(n)],
            "address": [f"{i + 1} Meadow Lane" for i in range(n)],
            "street": ["Meadow Lane"] * n,
            "land_use": ["Residential"] * n if land_use is None else list(land_use),
        },
        geometry=np.array(shapes, dtype=object),
    )


def buildings_of(shapes, kinds=None):
    """A building layer without a coordinate system."""
    n = len(shapes)
    return gpd.GeoDataFrame(
        {
            "building_id": [f"B{i:04d}" for i in range(n)],
            "building_type": ["house"] * n if kinds is None else list(kinds),
        },
        geometry=np.array(shapes, dtype=object),
    )


def one_home(*, lot=None, buildings=None, downspouts=None, east=0.0, north=-0.03, cell=1.0, **more) -> MadeCity:
    """A home on a plane: a lot of 30 x 40 m with a house of 10 x 8 m, the ground falling by 3 % to the north."""
    x0, y0 = WEST_M, NORTH_M
    lot = shapely.box(x0 + 35, y0 - 90, x0 + 65, y0 - 50) if lot is None else lot
    if buildings is None:
        buildings = [shapely.box(x0 + 45, y0 - 78, x0 + 55, y0 - 70)]
    size = int(140 / cell)
    return MadeCity(
        parcels=parcels_of([lot]),
        buildings=buildings_of(buildings),
        z=plane(x0, y0, size, size, cell, east, north),
        x0=x0,
        y0=y0,
        cell=cell,
        downspouts=None if downspouts is None else shapely.points(np.array(downspouts, dtype=float)),
        **more,
    )


def make_town_module():
    """The script that makes the sample town, as a module."""
    if "make_town" not in sys.modules:
        spec = importlib.util.spec_from_file_location("make_town", SAMPLE / "make_town.py")
        module = importlib.util.module_from_spec(spec)
        sys.modules["make_town"] = module  # the dataclass decorator looks its module up there
        spec.loader.exec_module(module)
    return sys.modules["make_town"]


def read_town(folder: Path, *, rain_mm=None, settings="") -> MadeCity:
    """The layers that `make_town` wrote, in memory; heights to a tenth of a millimetre."""
    with rasterio.open(folder / "elevation.tif") as raster:
        z = np.round(raster.read(1).astype("float64"), 4)
        transform = raster.transform
    names = ("parcels", "buildings", "streets", "water", "wells", "trees")
    bare = {name: gpd.read_file(folder / f"{name}.gpkg").set_crs(None, allow_override=True) for name in names}
    return MadeCity(
        parcels=bare["parcels"],
        buildings=bare["buildings"],
        streets=bare["streets"],
        keep_away=tuple(
            (kind, distance, bare[name].geometry.to_numpy())
            for name, kind, distance in (("wells", "well", 15.24), ("water", "water", 7.6), ("trees", "tree", 3.0))
        ),
        z=z,
        x0=transform.c,
        y0=transform.f,
        cell=transform.a,
        rain_mm=rain_mm,
        settings=settings or '[homes]\nland_use = ["Residential"]\n',
    )
