"""The committed sample is what its script makes, is small, and holds every odd record its README promises."""

from __future__ import annotations

import importlib.util
import re
import sys
import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import rasterio.features
import shapely

SAMPLE = Path(__file__).resolve().parents[1] / "sample_geodata"
LAYERS = ("parcels", "buildings", "streets", "water", "wells", "trees")
MAX_BYTES = 6_000_000
# Values are rounded to 1 mm (vectors) and 1/1024 m (heights): on another processor the last digit may fall otherwise.
VECTOR_TOLERANCE_M = 0.0015
HEIGHT_TOLERANCE_M = 1.5 / 1024


@pytest.fixture(scope="module")
def make_town():
    spec = importlib.util.spec_from_file_location("make_town", SAMPLE / "make_town.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_town"] = module  # the dataclass decorator looks its module up there
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def layers() -> dict[str, gpd.GeoDataFrame]:
    return {name: gpd.read_file(SAMPLE / f"{name}.gpkg", layer=name) for name in LAYERS}


@pytest.fixture(scope="module")
def parcels(layers) -> gpd.GeoDataFrame:
    return layers["parcels"]


@pytest.fixture(scope="module")
def buildings(layers) -> gpd.GeoDataFrame:
    return layers["buildings"]


@pytest.fixture(scope="module")
def whole_parcels(parcels) -> np.ndarray:
    """Valid parcel geometries, each place once."""
    geometry = parcels.geometry.to_numpy()
    geometry = geometry[shapely.is_valid(geometry) & ~shapely.is_missing(geometry)]
    return shapely.from_wkb(np.unique(shapely.to_wkb(geometry)))


@pytest.fixture(scope="module")
def shares(whole_parcels, buildings) -> pd.DataFrame:
    """One row per building and parcel that holds more than a millionth of it."""
    footprint = buildings.geometry.to_numpy()
    b, p = shapely.STRtree(whole_parcels).query(footprint, predicate="intersects")
    share = shapely.area(shapely.intersection(footprint[b], whole_parcels[p])) / shapely.area(footprint[b])
    frame = pd.DataFrame({"building": b, "parcel": p, "share": share, "type": buildings["building_type"].to_numpy()[b]})
    return frame[frame["share"] > 1e-6]


@pytest.fixture(scope="module")
def elevation() -> tuple[np.ndarray, rasterio.Affine]:
    with rasterio.open(SAMPLE / "elevation.tif") as raster:
        return raster.read(1).astype(np.float64), raster.transform


def test_sample_is_what_its_script_makes(make_town, layers, tmp_path):
    make_town.make_town(tmp_path, make_town.SAMPLE_LOTS, make_town.SAMPLE_SEED)
    for name, committed in layers.items():
        made = gpd.read_file(tmp_path / f"{name}.gpkg", layer=name)
        assert made.crs == committed.crs
        attributes = [c for c in committed.columns if c != "geometry"]
        pd.testing.assert_frame_equal(pd.DataFrame(made[attributes]), pd.DataFrame(committed[attributes]))
        a, b = made.geometry.to_numpy(), committed.geometry.to_numpy()
        missing = shapely.is_missing(a)
        assert np.array_equal(missing, shapely.is_missing(b))
        assert shapely.equals_exact(a[~missing], b[~missing], VECTOR_TOLERANCE_M).all()
    with rasterio.open(SAMPLE / "elevation.tif") as old, rasterio.open(tmp_path / "elevation.tif") as new:
        assert (old.transform, old.crs, old.shape, old.units, old.nodata) == (
            new.transform, new.crs, new.shape, new.units, new.nodata,
        )  # fmt: skip
        difference_m = np.abs(old.read(1).astype(np.float64) - new.read(1))
    assert difference_m.max() <= HEIGHT_TOLERANCE_M
    assert (difference_m > 0).mean() < 0.001
    for name in ("rain.csv", "run.toml"):
        assert (SAMPLE / name).read_bytes() == (tmp_path / name).read_bytes()


def test_same_seed_same_bytes_and_other_seed_other_town(make_town, tmp_path):
    for folder, seed in (("a", 5), ("b", 5), ("c", 6)):
        make_town.make_town(tmp_path / folder, 60, seed, n_rain_years=1)
    for path in sorted((tmp_path / "a").iterdir()):
        same = path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
        assert same, path.name
    assert (tmp_path / "a/parcels.gpkg").read_bytes() != (tmp_path / "c/parcels.gpkg").read_bytes()


def test_sample_is_small():
    data = [p for p in SAMPLE.iterdir() if p.suffix in {".gpkg", ".tif", ".csv", ".toml"}]
    assert len(data) == len(LAYERS) + 3
    assert sum(p.stat().st_size for p in data) < MAX_BYTES


def test_readme_counts_are_current(parcels, buildings):
    text = (SAMPLE / "README.md").read_text(encoding="utf-8")
    assert f"| {len(parcels)} parcels:" in text
    assert f"| {len(buildings)} footprints:" in text


def test_run_file_names_files_that_are_there():
    run = tomllib.loads((SAMPLE / "run.toml").read_text(encoding="utf-8"))
    names = [v for v in run["inputs"].values() if isinstance(v, str)] + [k["path"] for k in run["inputs"]["keep_away"]]
    assert len(names) == 8
    assert all((SAMPLE / name).is_file() for name in names)
    assert {k["kind"] for k in run["inputs"]["keep_away"]} == {"well", "water", "tree"}
    assert run["homes"]["land_use"] == ["Residential"]


def test_coordinates_are_far_from_any_land(layers):
    # The Gulf of Mexico's northern shore lies north of 28.5 N between 90 and 96 W (general geography).
    west, south, east, north = layers["parcels"].to_crs(4326).total_bounds
    assert 26.5 < south < north < 27.5
    assert -93.5 < west < east < -93.0


def test_land_uses(parcels):
    count = parcels["land_use"].value_counts()
    assert {"Residential", "Commercial", "Multi-family", "Civic", "Park", "Open space", "Vacant land"} == set(
        count.index
    )
    assert 400 <= count["Residential"] <= 520


def test_ids_have_leading_zeros_and_one_is_missing(parcels):
    ids = parcels["parcel_id"]
    assert ids.isna().sum() == 1
    assert ids.dropna().str.fullmatch(r"\d{7}").all()
    assert ids.dropna().str.startswith("00").sum() > 400
    assert parcels.geometry[ids.isna()].notna().all()


def test_no_column_could_hold_a_person(layers):
    for frame in layers.values():
        assert not [c for c in frame.columns if re.search(r"owner|person|tax|mail", c, re.IGNORECASE)]


def test_stack_of_identical_condominium_parcels(parcels):
    plain = parcels[parcels.geometry.notna()]
    groups = plain.groupby(shapely.to_wkb(plain.geometry.to_numpy()))
    stack = max((g for _, g in groups), key=len)
    assert len(stack) == 8
    assert stack["parcel_id"].nunique() == 8
    assert set(stack["land_use"]) == {"Residential"}


def test_exact_duplicate_and_null_geometry(parcels):
    key = pd.DataFrame(parcels.drop(columns="geometry")).assign(wkb=parcels.geometry.to_wkb())
    assert key.duplicated().sum() == 1
    assert parcels.geometry.isna().sum() == 1


def test_one_parcel_of_two_parts_and_one_bow_tie(parcels):
    geometry = parcels.geometry.to_numpy()
    parts = shapely.get_num_geometries(geometry)
    assert sorted(parts.tolist())[-2:] == [1, 2]
    two = shapely.get_parts(geometry[parts == 2])
    assert 15.0 < shapely.distance(two[0], two[1]) < 25.0  # a street lies between them
    invalid = geometry[~shapely.is_missing(geometry) & ~shapely.is_valid(geometry)]
    assert len(invalid) == 1
    assert "Self-intersection" in shapely.is_valid_reason(invalid[0])


def test_vacant_lots(parcels, buildings):
    lots = parcels[parcels.geometry.notna() & parcels["land_use"].isin(["Residential", "Vacant land"])]
    built = shapely.STRtree(buildings.geometry.to_numpy()).query(lots.geometry.to_numpy(), predicate="intersects")[0]
    vacant = lots.iloc[np.setdiff1d(np.arange(len(lots)), built)]
    assert len(vacant) == 18
    assert set(vacant["land_use"]) == {"Residential", "Vacant land"}


def test_row_houses_stand_on_four_to_eight_narrow_lots(shares, whole_parcels):
    rows = shares[shares["type"] == "row house"]
    n = rows.groupby("building").size()
    assert n.between(4, 8).all()
    assert n.min() == 4
    assert n.max() == 8
    box = shapely.oriented_envelope(whole_parcels[rows["parcel"].unique()])
    corners = shapely.get_coordinates(box).reshape(-1, 5, 2)
    side_m = np.hypot(*(corners[:, 1:] - corners[:, :-1]).transpose(2, 0, 1))
    assert side_m.min(axis=1).max() < 10.5  # end lots have a side yard


def test_garages_astride_and_slivers_over_a_lot_line(shares):
    single = shares[shares["type"].isin(["garage", "house"])]
    count = single.groupby("building")["share"].transform("size")
    crossing = single[count == 2]
    smaller = crossing.loc[crossing.groupby("building")["share"].idxmin()]
    garage, house = (smaller[smaller["type"] == t]["share"] for t in ("garage", "house"))
    assert len(garage) == 2
    assert garage.between(0.25, 0.5).all()
    assert len(house) == 2
    assert house.between(0.004, 0.06).all()


def test_buildings_are_of_every_kind_and_keep_apart(buildings):
    types = buildings["building_type"]
    assert set(types.dropna()) == {"house", "row house", "garage", "shed", "barn", "shop", "apartments", "school"}
    assert 0 < types.isna().sum() < 0.06 * len(types)
    polygon = buildings.geometry.to_numpy()
    assert shapely.is_valid(polygon).all()
    i, j = shapely.STRtree(polygon).query(polygon, predicate="intersects")
    assert np.array_equal(i, j)
    n_corners = shapely.get_num_coordinates(polygon[types == "house"]) - 1
    assert set(n_corners.tolist()) == {4, 6}  # rectangles and L shapes
    assert 0.2 < (n_corners == 6).mean() < 0.6


def test_houses_stand_at_varied_angles(buildings):
    polygon = buildings.geometry.to_numpy()[buildings["building_type"] == "house"]
    first = shapely.get_coordinates(polygon)
    start = np.concatenate([[0], np.cumsum(shapely.get_num_coordinates(polygon))[:-1]])
    edge = first[start + 1] - first[start]
    angle_deg = np.degrees(np.arctan2(edge[:, 1], edge[:, 0])) % 90.0
    assert len(np.unique(np.round(angle_deg))) > 25


def test_streets_are_gaps_between_the_parcels(layers, whole_parcels):
    streets = layers["streets"]
    assert streets["name"].nunique() >= 10
    middle = streets.geometry.interpolate(0.5, normalized=True).to_numpy()
    gap_m = shapely.distance(middle, shapely.union_all(whole_parcels))
    assert gap_m.min() > 6.0
    # Straight in the grid, bent elsewhere.
    straight = shapely.distance(middle, shapely.centroid(streets.geometry.to_numpy())) < 0.01
    assert 0.2 < straight.mean() < 0.9


def test_rural_lots_are_long(whole_parcels):
    box = shapely.get_coordinates(shapely.oriented_envelope(whole_parcels)).reshape(-1, 5, 2)
    side_m = np.hypot(*(box[:, 1:] - box[:, :-1]).transpose(2, 0, 1))
    long = (side_m.max(axis=1) > 115.0) & (side_m.min(axis=1) < 40.0)
    assert 5 <= long.sum() <= 15


def test_ground_lies_as_the_readme_says(layers, elevation, whole_parcels):
    z_m, transform = elevation

    def ground(geometry) -> np.ndarray:
        mask = rasterio.features.rasterize(geometry, out_shape=z_m.shape, transform=transform).astype(bool)
        return z_m[mask]

    assert np.isfinite(z_m).all()
    assert 190.0 < z_m.min() < z_m.max() < 240.0
    # The creek is lower than its banks, streets lower than the lots beside them.
    creek = layers["water"].geometry
    assert ground(creek).mean() < ground(creek.buffer(15.0).difference(creek.buffer(8.0))).mean() - 1.0
    streets = layers["streets"].geometry
    lots = gpd.GeoSeries(whole_parcels)
    near = shapely.union_all(streets.buffer(18.0).to_numpy())
    front = gpd.GeoSeries(shapely.intersection(lots.to_numpy(), near))
    front = front[~front.is_empty]
    assert ground(streets.buffer(4.0)).mean() < ground(front).mean() - 0.15
    # The ground falls away from houses, and no roof stands in the raster.
    house = layers["buildings"][layers["buildings"]["building_type"] == "house"].geometry
    assert 0.1 < ground(house).mean() - ground(house.buffer(7.0).difference(house.buffer(5.0))).mean() < 0.8
    # The hill makes some lots steep and leaves most of them mild.
    dz_y, dz_x = np.gradient(z_m)
    slope_pct = 100.0 * np.hypot(dz_x, dz_y)
    labels = rasterio.features.rasterize(
        [(g, i + 1) for i, g in enumerate(lots)], out_shape=z_m.shape, transform=transform, dtype="int32"
    )
    size = np.bincount(labels.ravel(), minlength=len(lots) + 1)[1:]
    mean_pct = np.bincount(labels.ravel(), slope_pct.ravel(), minlength=len(lots) + 1)[1:] / np.maximum(size, 1)
    assert 0.02 < (mean_pct > 12.0).mean() < 0.35
    assert np.median(mean_pct) < 6.0


def test_rain_is_whole_and_plausible():
    rain = pd.read_csv(SAMPLE / "rain.csv", parse_dates=["time"])
    assert list(rain.columns) == ["time", "rain_mm"]
    expected = pd.date_range("2011-01-01", "2020-12-31 23:00", freq="h")
    assert np.array_equal(rain["time"].to_numpy(), expected.to_numpy().astype(rain["time"].dtype))
    assert (rain["rain_mm"] >= 0).all()
    yearly_mm = rain.groupby(rain["time"].dt.year)["rain_mm"].sum()
    assert 800.0 < yearly_mm.mean() < 900.0
    assert yearly_mm.between(550.0, 1200.0).all()
    assert 0.03 < (rain["rain_mm"] > 0).mean() < 0.12
