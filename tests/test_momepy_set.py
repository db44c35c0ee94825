"""Real footprints and plots that a package carries: momepy's `bubenec` data, declared in Web Mercator.

In Web Mercator lengths at Prague are too long by 1.56 and areas by 2.43. The tool must not measure there. The ground is
a made plane; only the outlines are real.
"""

from __future__ import annotations

import sqlite3
from collections import Counter

import fiona
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from judge import read_layers
from pyproj import CRS, Geod, Transformer

from screening.batch import run
from screening.checks import check_city
from screening.params import load_params

momepy = pytest.importorskip("momepy")

MERCATOR_STRETCH = 1.0 / np.cos(np.radians(50.10))
"""Length on the Web Mercator map over true length at the set's latitude: 1.559 (the projection's own formula)."""


@pytest.fixture(scope="module")
def bubenec():
    """Path of the set."""
    return momepy.datasets.get_path("bubenec")


def outlines(path, layer):
    with fiona.open(path, layer=layer) as rows:
        assert CRS.from_user_input(rows.crs_wkt).to_epsg() == 3857
        return np.array([shapely.geometry.shape(r.geometry.__geo_interface__) for r in rows], dtype=object)


def write_plane(path, bounds, crs, cell):
    """A plane that falls by 3 % to the east of the map."""
    west, south, east, north = bounds
    cols, rows = int((east - west) / cell) + 1, int((north - south) / cell) + 1
    z = np.broadcast_to(200.0 - 0.03 * cell * np.arange(cols), (rows, cols)).astype("float32")
    with rasterio.open(path, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float32", crs=crs,
                       transform=Affine(cell, 0.0, west, 0.0, -cell, north)) as raster:  # fmt: skip
        raster.write(z, 1)
    return path


@pytest.fixture(scope="module", params=["EPSG:3857", "EPSG:32633"])
def result(request, bubenec, tmp_path_factory):
    """Layers of a run with the elevation in Web Mercator as well, and with the elevation in UTM."""
    folder = tmp_path_factory.mktemp("bubenec")
    bounds = shapely.total_bounds(shapely.buffer(outlines(bubenec, "plots"), 60.0))
    if request.param != "EPSG:3857":
        bounds = Transformer.from_crs(3857, request.param, always_xy=True).transform_bounds(*bounds, densify_pts=21)
    cell = 1.4 if request.param == "EPSG:3857" else 0.9
    raster = write_plane(folder / "plane.tif", bounds, request.param, cell)
    params = load_params(None, {
        "inputs.parcels": str(bubenec), "inputs.buildings": str(bubenec), "inputs.streets": str(bubenec),
        "inputs.layers": {"parcels": "plots", "buildings": "buildings", "streets": "streets"},
        "inputs.elevation": str(raster), "inputs.elevation_unit": "m", "fields.parcel_id": "ID",
        "fields.building_id": "uID",
    })  # fmt: skip
    summary = run(params, output=folder / "out.gpkg", jobs=1)
    return summary, read_layers(folder / "out.gpkg"), folder / "out.gpkg"


def test_every_plot_is_accounted_for(result, bubenec):
    summary, layers, _ = result
    n = len(outlines(bubenec, "plots"))
    assert n == 407
    assert summary.n_parcels_read == n
    rows = len(layers["candidate_homes"]) + len(layers["other_parcels"])
    assert rows + summary.n_parcels_merged == n
    assert all(row["reason_code"] for row in layers["other_parcels"])
    reasons = Counter(row["reason_code"] for row in layers["other_parcels"])
    # the plane has no gaps, and reaches beyond every plot
    assert not {"elevation_gap", "outside_elevation"} & set(reasons), reasons
    print(f"\n{len(layers['candidate_homes'])} candidates of {n} plots; others {dict(reasons.most_common())}")  # noqa: T201


def test_nothing_is_measured_in_web_mercator(result):
    _, layers, path = result
    record = {row["key"]: row["value"] for row in layers["run_record"]}
    working = CRS.from_wkt(record["crs_wkt"])
    assert working.is_projected
    assert "Mercator" not in working.name.replace("Transverse Mercator", "")
    assert working.to_epsg() == 32633
    connection = sqlite3.connect(path)
    try:
        used = {row[0] for row in connection.execute("SELECT DISTINCT srs_id FROM gpkg_geometry_columns")}
    finally:
        connection.close()
    assert 3857 not in used


def test_areas_are_those_on_the_ground(result, bubenec):
    """Against the ellipsoid (pyproj's geodesic area): UTM is true to 0.1 % here, Web Mercator wrong by 2.43."""
    _, layers, _ = result
    geod = Geod(ellps="WGS84")
    to_lonlat = Transformer.from_crs(3857, 4326, always_xy=True)
    drawn = {}
    with fiona.open(bubenec, layer="plots") as rows:
        for row in rows:
            drawn[str(row.properties["ID"])] = shapely.geometry.shape(row.geometry.__geo_interface__)
    found = [*layers["candidate_homes"], *layers["other_parcels"]]
    compared = 0
    for row in found:
        area = row.get("parcel_area_m2") or row.get("area_m2")
        shape = drawn[row["parcel_id"]]
        true = abs(geod.geometry_area_perimeter(shapely.transform(shape, to_lonlat.transform, interleaved=False))[0])
        assert area == pytest.approx(true, rel=2e-3)
        assert shape.area / area == pytest.approx(MERCATOR_STRETCH**2, rel=5e-3)
        compared += 1
    assert compared > 350


def test_setbacks_are_kept_on_the_ground(result, bubenec):
    """Footprints brought to UTM by pyproj and shapely alone; 3.05 m there, not 3.05 m of map."""
    _, layers, _ = result
    to_utm = Transformer.from_crs(3857, 32633, always_xy=True)
    houses = shapely.transform(outlines(bubenec, "buildings"), to_utm.transform, interleaved=False)
    tree = shapely.STRtree(houses)
    gardens = np.array([row["geometry"] for row in layers["gardens"]], dtype=object)
    assert len(gardens) >= 5
    distance = tree.query_nearest(gardens, return_distance=True, all_matches=False)[1]
    assert distance.min() >= 3.05 - 1e-3
    # and no more than asked for: ground near the houses is used
    assert distance.min() <= 3.3


@pytest.mark.parametrize("crs", ["EPSG:3857", "EPSG:32633"])
def test_check_copes_with_web_mercator(bubenec, tmp_path, crs):
    """No error, and of the real blocks only what is so."""
    bounds = shapely.total_bounds(shapely.buffer(outlines(bubenec, "plots"), 60.0))
    if crs != "EPSG:3857":
        bounds = Transformer.from_crs(3857, crs, always_xy=True).transform_bounds(*bounds, densify_pts=21)
    report = check_city(load_params(None, {
        "inputs.parcels": str(bubenec), "inputs.buildings": str(bubenec), "inputs.streets": str(bubenec),
        "inputs.layers": {"parcels": "plots", "buildings": "buildings", "streets": "streets"},
        "inputs.elevation": str(write_plane(tmp_path / "plane.tif", bounds, crs, 1.0)), "inputs.elevation_unit": "m",
        "fields.parcel_id": "ID", "fields.building_id": "uID",
    }))  # fmt: skip
    codes = {one.code: one.severity for one in report.findings}
    assert report.will_run
    assert codes["crs_stretched"] == "note"
    assert ("elevation_resampled" in codes) == (crs == "EPSG:3857")
    assert "buildings_shifted" not in codes
    # the set's plots are those of a land register: streets have plots too, and most plots hold no building of the set
    warnings = {code for code, severity in codes.items() if severity == "warning"}
    assert warnings == {"road_among_lots", "building_missing", "rain_missing"}
