"""A city read and cleaned piece by piece: the same lots, repairs and notes as from layers in memory."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from made_files import SOUTH_M, WEST_M, city_params, plane, write_frame, write_raster

from screening.batch.divide import open_layers, parcels_frame
from screening.batch.gather import gather
from screening.batch.repairs import repair_counts, repair_notes, surroundings
from screening.clean import clean_buildings, clean_parcels
from screening.read import read_city

NUMBERS = ("n_features", "n_units", "n_joined", "is_repaired", "is_stack", "is_overlapped")


def box(*corners):
    """A rectangle in the working system."""
    return shapely.box(*(np.array(corners) + np.tile([WEST_M, SOUTH_M], 2)))


LINKED = box(200, 100, 230, 130)


def records():
    """Lots of every kind that another lot, a building or a street decides about: id, address, link, outline."""
    units = [box(x, y, x + 12, y + 9) for x in (10, 40) for y in (10, 40)]
    common = shapely.difference(box(0, 0, 70, 60), shapely.union_all(units))
    on_top = [box(105 + 12 * k, 5, 115 + 12 * k, 12) for k in range(3)]
    bow = shapely.Polygon([(WEST_M, SOUTH_M + 300), (WEST_M + 9, SOUTH_M + 310), (WEST_M + 9, SOUTH_M + 300),
                           (WEST_M, SOUTH_M + 310)])  # fmt: skip
    rows = [
        (None, None, None, common),
        *((f"U{k}", f"{k} Elm Court", None, unit) for k, unit in enumerate(units)),
        ("GROUND", "1 Oak Road", None, box(100, 0, 160, 40)),
        *((f"GROUND-{k}", "1 Oak Road", None, unit) for k, unit in enumerate(on_top)),
        ("GROUND-2", "1 Oak Road", None, on_top[2]),
        ("L0", "7 Ash Road", "A", box(170, 100, 200, 130)),
        ("L1", None, "A", LINKED),
        ("S0", "9 Ash Road", None, box(240, 100, 270, 130)),
        ("S1", "9 Ash Road", None, box(240, 100, 270, 130)),
        ("S0", "11 Ash Road", None, box(240, 100, 270, 160)),
        ("D", "13 Ash Road", None, box(280, 100, 300, 130)),
        ("D", "13 Ash Road", None, box(280, 100, 300, 130)),
        (None, None, None, box(0, 80, 300, 92)),
        ("X", "1 Far Road", None, bow),
        ("Y", "2 Far Road", None, None),
    ]
    return rows, [*units, *on_top, box(180, 111, 190, 119), box(250, 111, 260, 119), box(250, 111, 260, 119)]


@pytest.fixture
def city(tmp_path):
    """Parameters of a city of such lots, in two orders of the file."""

    def written(*, is_turned=False):
        rows, houses = records()
        rows = rows[::-1] if is_turned else rows
        frame = pd.DataFrame([row[:3] for row in rows], columns=["PIN", "ADDRESS", "LINK"], dtype=object)
        place = {"crs": "EPSG:26915"}
        write_frame(gpd.GeoDataFrame(frame, geometry=[row[3] for row in rows], **place), tmp_path / "parcels.gpkg")
        write_frame(gpd.GeoDataFrame(geometry=houses, **place), tmp_path / "buildings.gpkg")
        middle = shapely.LineString([(WEST_M, SOUTH_M + 86), (WEST_M + 300, SOUTH_M + 86)])
        write_frame(gpd.GeoDataFrame({"NAME": ["Main"]}, geometry=[middle], **place), tmp_path / "streets.gpkg")
        corner = {"west": WEST_M - 20, "north": SOUTH_M + 330, "cell": 1.0}
        write_raster(tmp_path / "elevation.tif", plane(350, 350), **corner)
        return city_params(
            tmp_path,
            fields__address="ADDRESS",
            fields__linked_lot="LINK",
            inputs__streets=tmp_path / "streets.gpkg",
        )

    return written


def laid_down(params, folder, **part):
    """What `gather` says, and the lots that it has laid down, in order."""
    folder.mkdir()
    found = gather(params, part.get("bounds_m"), None, folder)
    layers = open_layers(folder, 0, has_soil_map=False)
    rows = layers.parcels.in_order(np.arange(len(layers.parcels)))
    return found, parcels_frame(layers, rows, found.city), layers.parcels.bounds[rows], layers.point[rows]


@pytest.mark.parametrize("is_turned", [False, True])
@pytest.mark.parametrize("size", [1, 4, 1000])
def test_pieces_are_cleaned_as_the_whole(size, is_turned, city, tmp_path, monkeypatch):
    params = city()
    inputs = read_city(params)
    buildings = clean_buildings(inputs.buildings)
    whole = clean_parcels(inputs.parcels, surroundings(inputs, buildings.kept, params), params.homes)
    monkeypatch.setattr("screening.read.city.PIECE", size)
    found, lots, bounds, point = laid_down(city(is_turned=is_turned), tmp_path / "laid")
    kept = whole.kept
    for name in ("home_id", "parcel_id", "address", "ground_code"):
        assert lots[name].astype(str).tolist() == kept[name].astype(str).tolist()
    for name in NUMBERS:
        assert lots[name].tolist() == kept[name].tolist(), name
    assert shapely.equals(lots.geometry.to_numpy(), kept.geometry.to_numpy()).all()
    assert (bounds == shapely.bounds(lots.geometry.to_numpy())).all()
    assert shapely.contains_xy(lots.geometry.to_numpy(), *point.T).all()
    assert found.repairs == repair_counts(inputs.repairs, whole.repairs, buildings.repairs)
    assert [str(note) for note in found.notes[:-1]] == [str(note) for note in repair_notes(whole.repairs)]
    assert found.notes[-1] == "1 buildings repeat the outline of another and were left out."
    keys = ["parcel_id", "address", "merge_code", "kept_parcel_id"]
    assert sorted(map(str, found.merged[keys].to_numpy().tolist())) == sorted(
        map(str, whole.merged[keys].to_numpy().tolist())
    )
    assert found.n_features == len(kept) + len(whole.merged) + len(whole.broken)
    # what the comparison is about is there
    assert found.repairs == {
        "buildings.buildings_twice": 1,
        "parcels.geometry_missing": 1,
        "parcels.id_missing": 2,
        "parcels.id_repeated": 1,
        "parcels.lot_twice": 1,
        "parcels.lots_linked": 1,
        "parcels.lots_on_ground_parcel": 3,
        "parcels.lots_overlap": 2,
        "parcels.lots_puzzle": 4,
        "parcels.lots_stacked": 1,
        "parcels.outline_unusable": 1,
        "parcels.road_among_lots": 1,
    }


def test_a_box_that_touches_a_joined_lot_counts_the_home(city, tmp_path):
    params = city()
    west, south, east, north = LINKED.bounds
    _, lots, *_ = laid_down(params, tmp_path / "laid", bounds_m=(west + 5, south + 5, east - 5, north - 5))
    assert lots.loc[lots["is_counted"], "home_id"].tolist() == ["L0"]
