"""What `screening start` makes of names, values and places: each guess, each doubt, each thing left alone."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import sys

import geopandas as gpd
import numpy as np
import pytest
import shapely
import shapely.affinity
from made_bare_towns import (
    LOT_M,
    N,
    boxes,
    extent,
    house_frame,
    lot_frame,
    parsed,
    road_frame,
    taken_in,
    write_ground,
    write_town,
)
from made_files import write_frame, write_raster

from screening.cli.main import main
from screening.params import load_params
from screening.read import read_city
from screening.survey import find_data, look_at_layer, look_at_rasters, private_name, private_names, private_values
from screening.survey.look import look_around
from screening.survey.propose import propose
from screening.survey.run_file import run_file_text

SCREENED = {"parcels.gpkg", "buildings.gpkg", "roads.gpkg", "dem.tif"}


def look(folder):
    """Survey a folder and propose."""
    return propose(look_around([folder]))


def written(proposal, folder):
    """Text of the run file, which has to load."""
    text = run_file_text(proposal, folder=folder, title="Made in a test.")
    path = folder / "made.toml"
    path.write_text(text, encoding="utf-8")
    load_params(path)
    return text


def value(proposal, section, key):
    guess = proposal.guess(section, key)
    return None if guess is None or guess.is_suggestion else guess.value


def points(n=N, offset=5.0):
    x, y = boxes(0, 0, 1, 1)[0].bounds[:2]
    return shapely.points(x + offset + np.arange(n) * 3.0, y + offset)


def layer(shapes, **columns):
    n = len(shapes)
    return gpd.GeoDataFrame({"NUMBER": np.arange(n)} | columns, geometry=shapes, crs="EPSG:26915")


# --- people ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["OWNER", "Owner1", "OWN_NAME", "OWNNAME", "OwnerName", "CO_OWNER", "own1", "MAIL_ADDR", "MailingAddress", "MADDR1",
     "TAXPAYER", "Grantee", "PHONE", "contact_email", "LASTNAME", "First_Name", "C_O_OWNER", "OWNADDRESS", "OwnCity",
     "eigentuemer", "TENANT", "DEED_HOLDER", "care_of", "OWNERSHIP"],
)  # fmt: skip
def test_names_of_fields_about_people(name):
    assert private_name(name)


@pytest.mark.parametrize(
    "name",
    ["PARCELID", "DOWNSPOUT", "TOWN", "TOWNSHIP", "PROP_ADDRS", "SITE_ADDR", "MATERIAL", "LAND_USE", "OBJECTID",
     "MAP_LOT", "EMAP", "Landmark", "RESIDENTIAL", "SITUS", "STREET_NAME", "NAME", "ADDRESS", "DOWNTOWN", "BROWN"],
)  # fmt: skip
def test_names_of_fields_about_things(name):
    assert not private_name(name)


def test_values_that_look_like_people():
    assert private_values(["SMYTHE, ADA", "BROOK, TOM & UNA", "PELL, IDA R", "QUILL, OTTO", "12 Main St"])
    assert private_values([f"Number {i}" for i in range(40)] + ["Pell Trust", "Brook Family LLC"])
    assert not private_values(["Tern St", "Plover St", "Main St", "Elm Ave", "Oak Rd", "Trustworthy Lane"])
    assert not private_values(["Residential", "Commercial", "Institutional", "Park", "Vacant"])


SCHEMES = {
    # fields of parcel files as states and cities publish them, and those about people; from memory
    "New Jersey": (
        "PAMS_PIN PCL_MUN PROP_CLASS PROP_LOC OWNER_NAME ST_ADDRESS CITY_STATE ZIP_CODE LAND_VAL YR_CONSTR DWELL",
        "OWNER_NAME ST_ADDRESS CITY_STATE ZIP_CODE",
    ),
    "Wisconsin": (
        "STATEID PARCELID OWNERNME1 OWNERNME2 PSTLADRESS SITEADRESS ADDNUM STREETNAME PROPCLASS ASSDACRES",
        "OWNERNME1 OWNERNME2 PSTLADRESS",
    ),
    "Minnesota": (
        "COUNTY_PIN ANUMBER ST_NAME OWNER_NAME OWN_ADD_L1 OWN_ADD_L2 TAX_NAME TAX_ADD_L1 HOMESTEAD USECLASS1",
        "OWNER_NAME OWN_ADD_L1 OWN_ADD_L2 TAX_NAME TAX_ADD_L1",
    ),
    "Florida": (
        "PARCEL_ID DOR_UC JV ACT_YR_BLT OWN_NAME OWN_ADDR1 OWN_CITY OWN_ZIPCD FIDU_NAME PHY_ADDR1 PHY_CITY",
        "OWN_NAME OWN_ADDR1 OWN_CITY OWN_ZIPCD FIDU_NAME",
    ),
    "Massachusetts": (
        "LOC_ID PROP_ID BLDG_VAL USE_CODE SITE_ADDR OWNER1 OWN_ADDR OWN_CITY YEAR_BUILT UNITS RES_AREA",
        "OWNER1 OWN_ADDR OWN_CITY",
    ),
    "North Carolina": (
        "PARNO OWNNAME OWNFRST OWNLAST MAILADD MCITY SITEADD PARUSEDESC STRUCTYEAR",
        "OWNNAME OWNFRST OWNLAST MAILADD",
    ),
    "New York City": (
        "BBL BldgClass LandUse OwnerType OwnerName Address UnitsRes NumFloors YearBuilt",
        "OwnerType OwnerName",
    ),
    "a small town": ("PIN OWNER ADDRESS USE_DESC", "OWNER"),
}  # fmt: skip


@pytest.mark.parametrize("scheme", SCHEMES)
def test_people_in_the_files_of_states(scheme):
    fields, private = (names.split() for names in SCHEMES[scheme])
    assert private_names(fields) >= set(private)
    assert not private_names(fields) - set(private) - {"MCITY"}


# --- which layer is what --------------------------------------------------------------------------------------


def test_names_need_not_say_anything(tmp_path):
    """Layers under names that mean nothing are told apart by fields, shapes, and how they lie in each other."""
    write_frame(lot_frame(), tmp_path / "export_1.gpkg")
    write_frame(house_frame(), tmp_path / "export_2.gpkg")
    write_frame(road_frame(), tmp_path / "export_3.gpkg")
    write_ground(tmp_path / "export_4.tif")
    proposal = look(tmp_path)
    assert {role: one.facts.path.name for role, one in proposal.roles.items() if role != "elevation"} == {
        "parcels": "export_1.gpkg", "buildings": "export_2.gpkg", "streets": "export_3.gpkg",
    }  # fmt: skip
    assert proposal.roles["elevation"].path.name == "export_4.tif"
    assert proposal.missing == []


def test_layers_of_other_things_are_not_taken_for_lots_or_houses(tmp_path):
    write_town(tmp_path)
    write_frame(layer(boxes(2, 30, 8, 5)), tmp_path / "parking_lots.gpkg")
    write_frame(layer(boxes(16, 2, 4, 4)), tmp_path / "Building_Decks.gpkg")
    write_frame(layer(points()), tmp_path / "StreetTrees.gpkg")
    write_frame(layer([shapely.box(*extent())]), tmp_path / "town_boundary.gpkg")
    write_frame(layer(boxes(0, 0, *LOT_M)), tmp_path / "census_blocks.gpkg")
    proposal = look(tmp_path)
    assert proposal.roles["parcels"].facts.path.name == "parcels.gpkg"
    assert proposal.roles["buildings"].facts.path.name == "buildings.gpkg"
    assert proposal.roles["streets"].facts.path.name == "roads.gpkg"
    assert {(one.path.name, one.kind) for one in proposal.keep_away} == {
        ("parking_lots.gpkg", "pavement"), ("Building_Decks.gpkg", "deck"), ("StreetTrees.gpkg", "tree"),
    }  # fmt: skip
    assert {"town_boundary.gpkg", "census_blocks.gpkg"} <= {name for name, _ in proposal.not_used}


def test_the_lake_in_the_name_of_a_county_is_no_water(tmp_path):
    for name, frame in {
        "lake_county_parcels": lot_frame(),
        "lake_county_buildings": house_frame(),
        "lake_county_roads": road_frame(),
        "lake_county_fire_stations": layer(points(3)),
        "lake_county_wells": layer(points(4)),
    }.items():
        write_frame(frame, tmp_path / f"{name}.gpkg")
    write_ground(tmp_path / "lake_county_dem.tif")
    proposal = look(tmp_path)
    assert set(proposal.roles) == {"parcels", "buildings", "streets", "elevation"}
    assert [(one.path.name, one.kind) for one in proposal.keep_away] == [("lake_county_wells.gpkg", "well")]


def test_things_to_keep_away_from(tmp_path):
    write_town(tmp_path)
    things = {
        "septic_systems": ("septic", 7.62), "private_wells": ("well", 15.24), "trees": ("tree", 3.0),
        "retaining_walls": ("retaining_wall", 3.05), "swimming_pools": ("pool", 3.0), "sewer_mains": ("utility", 1.5),
        "nhd_flowlines": ("water", 7.6), "drainage_easements": ("easement", 0.0),
    }  # fmt: skip
    for name in things:
        write_frame(layer(points(5)), tmp_path / f"{name}.gpkg")
    write_frame(layer(boxes(1, 1, 5, 5)), tmp_path / "tree_canopy.gpkg")
    write_frame(layer([shapely.box(*extent())]), tmp_path / "water_supply_district.gpkg")
    proposal = look(tmp_path)
    found = {one.path.stem: one for one in proposal.keep_away}
    for name, (kind, distance_m) in things.items():
        assert (found[name].kind, found[name].distance_m) == (kind, distance_m)
    # the edge of a crown is the dripline already
    assert (found["tree_canopy"].kind, found["tree_canopy"].distance_m) == ("tree", 0.0)
    assert "water_supply_district" not in found
    # what the rule set says is sure, what is ours is to confirm
    assert {name for name, one in found.items() if one.is_sure_distance} == {"septic_systems", "private_wells"}
    params = load_params(_save(proposal, tmp_path))
    assert len(params.inputs.keep_away) == len(proposal.keep_away) == 9
    assert len(read_city(params).keep_away) == 9


def _save(proposal, folder):
    written(proposal, folder)
    return folder / "made.toml"


def test_an_area_over_most_lots_is_only_suggested(tmp_path):
    write_town(tmp_path)
    write_frame(layer([shapely.box(*extent())]), tmp_path / "easements.gpkg")
    proposal = look(tmp_path)
    (kept,) = proposal.keep_away
    assert kept.is_suggestion
    assert "covers 100% of the parcels" in kept.why
    text = written(proposal, tmp_path)
    assert "# [[inputs.keep_away]]" in text
    assert "keep_away" not in parsed(text)["inputs"]
    assert parsed(taken_in(text))["inputs"]["keep_away"][0]["kind"] == "easement"


def test_a_layer_elsewhere_is_not_used(tmp_path):
    write_town(tmp_path)
    far = road_frame()
    far.geometry = far.geometry.translate(0, 90_000)
    (tmp_path / "roads.gpkg").unlink()
    write_frame(far, tmp_path / "roads.gpkg")
    proposal = look(tmp_path)
    assert "streets" not in proposal.roles
    assert ("roads.gpkg", "it lies elsewhere than the parcels") in proposal.not_used


def test_an_empty_layer_is_told(tmp_path):
    write_town(tmp_path)
    write_frame(layer(points(3)).iloc[:0], tmp_path / "wells.gpkg")
    proposal = look(tmp_path)
    assert proposal.keep_away == []
    assert ("wells.gpkg", "it holds no record") in proposal.not_used


# --- systems --------------------------------------------------------------------------------------------------


def test_a_system_that_a_file_does_not_name_is_taken_from_its_neighbours(tmp_path):
    lots = lot_frame().set_crs(None, allow_override=True)
    write_town(tmp_path / "town", lots=lots, suffix=".shp")
    proposal = look(tmp_path / "town")
    guess = proposal.guess("inputs.crs", "parcels")
    assert guess.value == "EPSG:26915"
    assert not guess.is_sure
    assert "names no coordinate system" in guess.why
    city = read_city(load_params(_save(proposal, tmp_path / "town")))
    assert len(city.parcels) == N


def test_degrees_that_are_none_get_the_neighbours_system(tmp_path):
    lots = lot_frame().set_crs("EPSG:4326", allow_override=True)
    write_town(tmp_path / "town", lots=lots)
    proposal = look(tmp_path / "town")
    guess = proposal.guess("inputs.crs", "parcels")
    assert guess.value == "EPSG:26915"
    assert "its coordinates aren't degrees" in guess.why
    assert len(read_city(load_params(_save(proposal, tmp_path / "town"))).parcels) == N


def test_no_layer_names_its_system(tmp_path):
    lots = lot_frame().set_crs(None, allow_override=True)
    write_frame(lots, tmp_path / "parcels.shp")
    houses = house_frame().set_crs(None, allow_override=True)
    write_frame(houses, tmp_path / "buildings.shp")
    write_ground(tmp_path / "dem.tif", crs=None)
    proposal = look(tmp_path)
    assert {"parcels", "buildings"} <= set(proposal.roles)
    assert any("names no coordinate system; write its true system" in one for one in proposal.remarks)
    text = written(proposal, tmp_path)
    assert '# parcels = "EPSG:..."' in text


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:2264"])
def test_lengths_are_true_in_every_system(tmp_path, crs):
    """Degrees, Web Mercator and feet: a lot of 24 m x 36 m is one; the ellipsoid says so, not the map."""
    frame = lot_frame() if crs != "EPSG:2264" else lot_frame().set_crs("EPSG:32617", allow_override=True)
    write_frame(frame.to_crs(crs), tmp_path / "lots.gpkg")
    facts = look_at_layer(tmp_path / "lots.gpkg").facts
    assert facts.shapes.median_area_m2 == pytest.approx(24 * 36, rel=0.01)
    assert facts.shapes.touching_frac == 1.0


# --- elevation ------------------------------------------------------------------------------------------------


def test_the_bare_earth_is_found_among_other_rasters(tmp_path):
    write_town(tmp_path)
    west, south, east, north = extent()
    shape = (int(north - south), int(east - west))
    place = {"west": west, "north": north, "cell": 1.0}
    write_raster(tmp_path / "hillshade.tif", np.full(shape, 120.0) + np.arange(shape[1]) % 50, dtype="uint8", **place)
    write_raster(tmp_path / "orthophoto.tif", np.ones((3, *shape)), dtype="uint8", **place)
    write_ground(tmp_path / "dsm_first_return.tif")
    write_ground(tmp_path / "slope_pct.tif")
    write_ground(tmp_path / "dem_10m.tif", cell=10.0)
    proposal = look(tmp_path)
    assert proposal.roles["elevation"].path.name == "dem.tif"
    reasons = dict(proposal.not_used)
    assert "classes or shades" in reasons["hillshade.tif"]
    assert "3 bands" in reasons["orthophoto.tif"]
    assert reasons["dsm_first_return.tif"] == "is a surface model, with roofs and trees in it, by its name"
    assert reasons["slope_pct.tif"] == "is something made from elevation by its name"
    assert reasons["dem_10m.tif"] == "another raster fits better"


def test_lots_beyond_the_elevation_are_told(tmp_path):
    write_town(tmp_path)
    west, south, east, north = extent()
    half = int(east - west) // 2
    z = np.full((int(north - south), half), 100.0) + np.arange(half) * 0.02
    write_raster(tmp_path / "dem.tif", z, west=west, north=north, cell=1.0, unit="m")
    proposal = look(tmp_path)
    assert any("reaches under 50% of the parcels" in one for one in proposal.remarks)


def test_a_lot_far_out_does_not_hide_that_the_town_is_covered(tmp_path):
    lots = lot_frame()
    lots.geometry = [*lots.geometry[:-1], shapely.affinity.translate(lots.geometry.iloc[-1], 9000, 9000)]
    write_town(tmp_path, lots=lots)
    proposal = look(tmp_path)
    assert proposal.guess("inputs", "elevation").is_sure
    assert any("reaches under 97% of the parcels" in one for one in proposal.remarks)


def quadrants(folder, name, **options):
    """The ground in four tiles."""
    folder.mkdir(exist_ok=True)
    west, south, east, north = extent()
    rows, cols = int(north - south) // 2, int(east - west) // 2
    row, col = np.mgrid[0 : 2 * rows, 0 : 2 * cols]
    z = 100.0 + 0.02 * col + 0.03 * row
    for r in range(2):
        for c in range(2):
            write_raster(folder / name.format(r, c), z[r * rows : (r + 1) * rows, c * cols : (c + 1) * cols],
                         west=west + c * cols, north=north - r * rows, cell=1.0, unit="m", **options)  # fmt: skip
    return folder


def test_tiles_become_one_elevation(tmp_path):
    write_town(tmp_path)
    (tmp_path / "dem.tif").unlink()
    quadrants(tmp_path / "tiles", "be_{}_{}.tif")
    proposal = look(tmp_path)
    guess = proposal.guess("inputs", "elevation")
    assert guess.value == tmp_path / "tiles"
    assert guess.why.startswith("4 tiles")
    city = read_city(load_params(_save(proposal, tmp_path)))
    assert not np.isnan(city.elevation.read(city.elevation.bounds_m).z_m).any()


def test_tiles_beside_other_rasters_are_listed(tmp_path):
    write_town(tmp_path)
    (tmp_path / "dem.tif").unlink()
    quadrants(tmp_path, "dem_{}_{}.tif")
    write_ground(tmp_path / "dsm.tif")
    proposal = look(tmp_path)
    guess = proposal.guess("inputs", "elevation")
    assert [path.name for path in guess.value] == [f"dem_{r}_{c}.tif" for r in range(2) for c in range(2)]
    params = load_params(_save(proposal, tmp_path))
    assert len(params.inputs.elevation) == 4
    assert len(read_city(params).parcels) == N


def test_tiles_by_quarter_of_the_sky_are_tiles_too(tmp_path):
    quadrants(tmp_path, "x{}{}.tif")
    for old, new in {"x00": "north_west", "x01": "north_east", "x10": "south_west", "x11": "south_east"}.items():
        (tmp_path / f"{old}.tif").rename(tmp_path / f"{new}.tif")
    rasters, _ = look_at_rasters(find_data([tmp_path]).rasters)
    assert [len(one.paths) for one in rasters] == [4]


def test_two_versions_of_one_place_are_no_tiles(tmp_path):
    write_ground(tmp_path / "dem_2008.tif")
    write_ground(tmp_path / "dem_2019.tif")
    rasters, _ = look_at_rasters(find_data([tmp_path]).rasters)
    assert [len(one.paths) for one in rasters] == [1, 1]


@pytest.mark.parametrize(
    ("name", "crs", "unit", "factor", "expected"),
    [
        ("dem.tif", "EPSG:26915", "m", 1.0, None),  # the raster says it
        ("dem_ft.tif", "EPSG:26915", None, 1.0, "ft"),  # the name says it
        (
            "dem_1m.tif",
            "EPSG:26915",
            None,
            1.0,
            "m",
        ),  # a cell of 1 m is no height in metres, but nothing speaks for feet
        ("dem_3ft_meters.tif", "EPSG:26915", None, 1.0, "m"),
        ("dem.tif", "EPSG:2264", None, 1.0, "us-ft"),  # lengths in US survey feet
        ("dem.tif", "EPSG:2222", None, 1.0, "ft"),  # lengths in international feet
        ("dem.tif", "EPSG:26915", None, 6.0, "ft"),  # as metres the town would be too steep
    ],
)
def test_the_unit_of_heights(tmp_path, name, crs, unit, factor, expected):
    frames = {"parcels": lot_frame(), "buildings": house_frame()}
    for stem, frame in frames.items():
        write_frame(frame.set_crs(crs, allow_override=True), tmp_path / f"{stem}.gpkg")
    write_ground(tmp_path / name, unit=unit, crs=crs, factor=factor)
    proposal = look(tmp_path)
    guess = proposal.guess("inputs", "elevation_unit")
    if expected is None:
        assert guess is None
    else:
        assert guess.value == expected
        assert not guess.is_sure
        assert "median slope" in guess.why


def test_a_filler_that_nothing_declares(tmp_path):
    write_town(tmp_path)
    west, south, east, north = extent()
    z = 100.0 + 0.03 * np.arange(int(north - south))[:, None] + np.zeros(int(east - west))
    z[:, :4] = -9999.0
    write_raster(tmp_path / "dem.tif", z, west=west, north=north, cell=1.0, unit="m")
    proposal = look(tmp_path)
    guess = proposal.guess("inputs", "elevation_nodata")
    assert guess.value == -9999.0
    assert not guess.is_sure
    assert proposal.roles["elevation"].lowest >= 100.0
    assert np.isnan(read_city(load_params(_save(proposal, tmp_path))).elevation.read(extent()).z_m[:, :4]).all()


# --- fields and values ----------------------------------------------------------------------------------------


def test_fields_worth_telling_of_are_told_and_not_written(tmp_path):
    proposal = look(write_town(tmp_path))
    told = " ".join(proposal.remarks)
    for words in ("YR_BLT (year built)", "LIV_UNITS (number of dwellings)", "HEIGHT (building height)"):
        assert words in told
    assert value(proposal, "fields", "parcel_id") == "APN"
    assert value(proposal, "fields", "address") == "SITUS_ADDR"
    assert value(proposal, "fields", "building_id") == "BLDG_ID"
    assert value(proposal, "fields", "street_name") == "FULLNAME"


@pytest.mark.parametrize(
    "names",
    [
        ("PAMS_PIN", "PROP_LOC", "PROP_CLASS"),
        ("PARCELID", "SITEADRESS", "PROPCLASS"),
        ("COUNTY_PIN", "ST_ADDRESS", "USECLASS1"),
        ("PARCEL_ID", "PHY_ADDR1", "DOR_UC"),
        ("LOC_ID", "SITE_ADDR", "USE_CODE"),
        ("PARNO", "SITEADD", "PARUSEDESC"),
        ("BBL", "Address", "LandUse"),
        ("TAXKEY", "PROPADDRES", "LAND_USE"),  # a shapefile's ten letters
        ("Parcel Number", "Situs Address", "Land Use Description"),
        ("flstkennz", "adresse", "nutzung"),
    ],
)
def test_names_of_fields_in_the_files_of_states(tmp_path, names):
    lots = lot_frame().drop(columns=["OWNER_NAME", "MAIL_ADDR"])
    lots = lots.rename(columns=dict(zip(["APN", "SITUS_ADDR", "USE_DESC"], names, strict=True)))
    proposal = look(write_town(tmp_path, lots=lots))
    found = [proposal.guess("fields", key) for key in ("parcel_id", "address", "land_use")]
    assert [one.value for one in found] == list(names)
    assert all(one.is_sure for one in found)


def test_a_row_number_is_no_sure_identifier(tmp_path):
    lots = lot_frame().drop(columns="APN")
    lots["OBJECTID"] = np.arange(1, N + 1)
    proposal = look(write_town(tmp_path, lots=lots))
    guess = proposal.guess("fields", "parcel_id")
    assert guess.value == "OBJECTID"
    assert not guess.is_sure


def test_a_key_on_two_lots_is_no_sure_identifier(tmp_path):
    lots = lot_frame()
    lots["APN"] = lots["APN"].str[:6]
    proposal = look(write_town(tmp_path, lots=lots))
    guess = proposal.guess("fields", "parcel_id")
    assert guess is None or not guess.is_sure


def test_measures_and_values_are_no_identifiers(tmp_path):
    lots = lot_frame(PARCEL_AREA=np.arange(N) + 0.5, TAX_VALUE=np.arange(N) * 1000).drop(columns="APN")
    proposal = look(write_town(tmp_path, lots=lots))
    assert value(proposal, "fields", "parcel_id") is None


def test_a_number_as_key_survives(tmp_path):
    proposal = look(write_town(tmp_path, lots=lot_frame(APN=np.arange(N) + 400_000.0)))
    assert value(proposal, "fields", "parcel_id") == "APN"
    city = read_city(load_params(_save(proposal, tmp_path)))
    assert city.parcels["parcel_id"].iloc[3] == "400003"


def test_streets_are_known_by_those_of_the_street_layer(tmp_path):
    lots = lot_frame(WHERE=[("Tern St", "Plover St", "Dunlin St", "Knot St", "Ruff St")[i // 6] for i in range(N)])
    proposal = look(write_town(tmp_path, lots=lots))
    guess = proposal.guess("fields", "street")
    assert guess.value == "WHERE"
    assert "names of the street layer" in guess.why


@pytest.mark.parametrize(
    ("values", "chosen"),
    [
        (["Residential", "Commercial", "Non-Residential"], ["Residential"]),
        (["SINGLE FAMILY", "TWO FAMILY", "APARTMENTS 5+ UNITS", "VACANT RESIDENTIAL"], ["SINGLE FAMILY", "TWO FAMILY"]),
        (["1 Family", "Condominium", "Mobile Home Park", "Nursing Home"], ["1 Family"]),
        (["Warehouse", "Detached Dwelling", "Residential - Multi-family"], ["Detached Dwelling"]),
    ],
)
def test_land_uses_of_homes(tmp_path, values, chosen):
    lots = lot_frame(USE_DESC=[values[i % len(values)] for i in range(N)])
    proposal = look(write_town(tmp_path, lots=lots))
    guess = proposal.guess("homes", "land_use")
    assert sorted(guess.value) == sorted(chosen)
    assert not guess.is_sure
    assert not guess.is_suggestion


def test_codes_are_not_guessed_but_what_stands_on_their_lots_is_told(tmp_path):
    """Codes of which nobody knows the meaning: no lot is left out, and the lots with one house each are told."""
    codes = ["101" if i % 3 else "340" for i in range(N)]
    houses = house_frame()
    keep = np.array([i >= N or codes[i] == "101" for i in range(2 * N)])
    lots = lot_frame(USE_CODE=codes).drop(columns="USE_DESC")
    proposal = look(write_town(tmp_path, lots=lots, houses=houses[keep]))
    guess = proposal.guess("homes", "land_use")
    assert guess.is_suggestion
    assert guess.value == ("101",)
    assert '"101": 100% of 20' in guess.why
    assert '"340": 0% of 10' in guess.why
    text = written(proposal, tmp_path)
    assert parsed(text).get("homes", {}).get("land_use") is None
    assert parsed(taken_in(text))["homes"]["land_use"] == ["101"]


@pytest.mark.parametrize(
    ("kinds", "chosen", "in_force"),
    [
        (["PRIMARY"] * N + ["ACCESSORY"] * N, ("PRIMARY",), True),
        (["house"] * N + ["garage"] * N, ("house",), True),
        (["house"] * 20 + [None] * 10 + ["garage"] * N, ("house",), False),  # houses without a kind would be lost
        (["house"] * 5 + ["yes"] * 25 + ["shed"] * N, ("house",), False),  # "yes" says nothing
        (["PRIMARY"] * 25 + [None] * 5 + ["ACCESSORY"] * N, ("PRIMARY",), True),
    ],
)
def test_kinds_of_buildings(tmp_path, kinds, chosen, in_force):
    proposal = look(write_town(tmp_path, houses=house_frame(BLDG_TYPE=kinds)))
    guess = proposal.guess("homes", "principal_values")
    assert guess.value == chosen
    assert guess.is_suggestion != in_force
    assert not guess.is_sure


def test_buildings_without_any_kind(tmp_path):
    proposal = look(write_town(tmp_path))
    assert proposal.guess("homes", "principal_values") is None


def test_text_in_an_old_code_page(tmp_path):
    """A shapefile that says UTF-8 and is not: names of streets survive, as a run reads them."""
    lots = lot_frame(SITUS_ADDR=[f"{i} Müllerstraße" for i in range(N)])
    write_frame(lots, tmp_path / "parcels.shp", encoding="ISO-8859-1")
    (tmp_path / "parcels.cpg").write_text("UTF-8", encoding="ascii")
    facts = look_at_layer(tmp_path / "parcels.shp").facts
    assert facts.notes == ("its text isn't in the encoding it names, so Windows-1252 was taken",)
    assert facts.field("SITUS_ADDR").samples[0] == "0 Müllerstraße"


def test_utf8_that_says_it_is_something_else(tmp_path):
    """What a run reads as UTF-8 in spite of the file's word, the run file has to write so."""
    lots = lot_frame(USE_DESC=["Wohngebäude" if i % 4 else "Café" for i in range(N)])
    write_frame(lots, tmp_path / "parcels.shp", encoding="UTF-8")
    (tmp_path / "parcels.cpg").write_text("ISO-8859-1", encoding="ascii")
    write_frame(house_frame(), tmp_path / "buildings.gpkg")
    write_ground(tmp_path / "dem.tif")
    proposal = look(tmp_path)
    assert value(proposal, "homes", "land_use") == ("Wohngebäude",)
    city = read_city(load_params(_save(proposal, tmp_path)))
    assert "Wohngebäude" in set(city.parcels["land_use"])


def test_text_that_nobody_can_read(tmp_path):
    path = write_frame(lot_frame(), tmp_path / "parcels.gpkg")
    with sqlite3.connect(path) as base:
        for (name,) in base.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            base.execute(f'drop trigger "{name}"')
        base.execute("update parcels set USE_DESC = cast(x'fffe41' as text) where fid = 3")
    facts = look_at_layer(path).facts
    assert facts.field("USE_DESC").kind == "unreadable text"
    assert facts.notes == ("text that isn't UTF-8 in USE_DESC; export the file again as UTF-8",)
    write_frame(house_frame(), tmp_path / "buildings.gpkg")
    write_ground(tmp_path / "dem.tif")
    proposal = look(tmp_path)
    assert value(proposal, "fields", "land_use") is None
    assert value(proposal, "fields", "parcel_id") == "APN"


@pytest.mark.parametrize("form", ["geojson", "gdb", "parquet", "fgb"])
def test_every_form_of_file_leads_to_a_run_file_that_reads(tmp_path, form):
    frames = {"Parcels": lot_frame(), "Bldgs": house_frame(), "Roads": road_frame()}
    for name, frame in frames.items():
        if form == "gdb":
            write_frame(frame, tmp_path / "City.gdb", layer=name, driver="OpenFileGDB")
        else:
            write_frame(frame.to_crs(4326) if form == "geojson" else frame, tmp_path / f"{name}.{form}")
    write_ground(tmp_path / "dem.tif")
    proposal = look(tmp_path)
    city = read_city(load_params(_save(proposal, tmp_path)))
    assert (len(city.parcels), len(city.buildings), len(city.streets)) == (N, 2 * N, 5)
    assert city.parcels["address"].notna().all()


# --- soils, rain, districts -----------------------------------------------------------------------------------


def soil_halves(**columns):
    west, south, east, north = extent(50)
    middle = (west + east) / 2
    shapes = [shapely.box(west, south, middle, north), shapely.box(middle, south, east, north)]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs="EPSG:26915")


def test_a_soil_map_with_groups_is_used(tmp_path):
    write_town(tmp_path)
    write_frame(soil_halves(MUSYM=["AaB", "CdC"], HYDGRP=["B", "C/D"]), tmp_path / "soils.gpkg")
    proposal = look(tmp_path)
    assert value(proposal, "fields", "soil") == "HYDGRP"
    city = read_city(load_params(_save(proposal, tmp_path)))
    assert sorted(city.soils.symbol) == ["B", "C/D"]


def test_a_soil_map_with_symbols_is_a_table_to_fill_in(tmp_path):
    write_town(tmp_path)
    write_frame(soil_halves(MUSYM=["AaB", 'Cd "C"'], MUKEY=["1", "2"]), tmp_path / "soils.gpkg")
    proposal = look(tmp_path)
    text = written(proposal, tmp_path)
    assert "soils" not in parsed(text)["inputs"]
    tables = parsed(taken_in(text))
    assert tables["inputs"]["soils"] == "soils.gpkg"
    assert tables["fields"]["soil"] == "MUSYM"
    assert tables["soil"]["classes"] == {"AaB": "unknown", 'Cd "C"': "unknown"}


@pytest.mark.parametrize(
    ("header", "factor", "words"),
    [
        ("DATE,PRCP", 1.0, ["call its column DATE time", "PRCP rain_mm"]),
        ("time,rain_mm", -1.0, ["line"]),
    ],
)
def test_rain_that_cannot_be_read_yet_is_told(tmp_path, header, factor, words):
    write_town(tmp_path)
    rows = [f"2019-01-{day:02d},{factor * 2.5}" for day in range(1, 29)]
    (tmp_path / "weather.csv").write_text("\n".join([header, *rows]), encoding="utf-8")
    proposal = look(tmp_path)
    guess = proposal.guess("inputs", "rain")
    assert guess.is_suggestion
    for word in words:
        assert word in guess.why
    assert "rain" not in parsed(written(proposal, tmp_path))["inputs"]


def test_rain_in_inches(tmp_path):
    write_town(tmp_path)
    days = np.arange("2018-01-01", "2020-01-01", dtype="datetime64[D]")
    lines = [f"{day},{0.3 if i % 4 == 0 else 0}" for i, day in enumerate(days)]
    (tmp_path / "gauge.csv").write_text("\n".join(["time,rain_in", *lines]), encoding="utf-8")
    proposal = look(tmp_path)
    assert value(proposal, "inputs", "rain").name == "gauge.csv"
    assert value(proposal, "rain", "unit") == "in"
    record = read_city(load_params(_save(proposal, tmp_path))).rain
    assert record.rain_mm.max() == pytest.approx(7.62)


def test_districts_are_suggested(tmp_path):
    write_town(tmp_path)
    write_frame(soil_halves(NAME=["Westside", "Eastside"]), tmp_path / "neighborhoods.gpkg")
    proposal = look(tmp_path)
    tables = parsed(taken_in(written(proposal, tmp_path)))
    assert tables["inputs"]["districts"] == "neighborhoods.gpkg"
    assert tables["fields"]["district"] == "NAME"
    assert "districts" not in parsed(written(proposal, tmp_path))["inputs"]


# --- texts that want to do harm -------------------------------------------------------------------------------


def test_texts_from_files_stay_texts(tmp_path):
    """Line breaks, quotes, brackets, escapes of a terminal, in names and values: nothing of them is obeyed."""
    evil = 'Residential"]\n[rules]\nfoundation_m = 0 #'
    lots = lot_frame(USE_DESC=[evil if i % 3 else "\x1b[31mresidential\x07\u202e" for i in range(N)])
    lots = lots.rename(columns={"APN": 'PARCEL_ID"]\n[rules]'})
    folder = write_town(tmp_path / "a 'town' # [x]", lots=lots)
    proposal = look(folder)
    text = written(proposal, folder)
    tables = parsed(text)
    assert tables["rules"] == {"base": "us-midwest"}
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e]", text)
    from screening.survey.report_text import report_text

    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e]", report_text(proposal))


def test_very_long_values_do_not_flood_the_report(tmp_path):
    lots = lot_frame(NOTE=["residential " + "x" * 20_000] * N)
    proposal = look(write_town(tmp_path, lots=lots))
    from screening.survey.report_text import report_text

    assert max(len(line) for line in report_text(proposal).splitlines()) <= 120
    assert len(written(proposal, tmp_path)) < 20_000


@pytest.mark.skipif(sys.platform != "linux", reason="other systems don't have such names")
def test_a_name_that_is_no_text(tmp_path, runner):
    write_town(tmp_path)
    (tmp_path / "dem.tif").rename(os.fsdecode(os.fsencode(tmp_path) + b"/dem\xff.tif"))
    done = runner.invoke(main, ["start", str(tmp_path), "--json"])
    assert done.exit_code == 3
    assert "Traceback" not in done.output
    assert json.loads(done.stdout)["not_used"] == [
        {"name": "dem?.tif", "why": "has a name that isn't UTF-8 text; rename it"}
    ]


def test_a_folder_that_is_a_disk_is_refused(tmp_path, monkeypatch):
    from screening.errors import InputError
    from screening.survey import find

    monkeypatch.setattr(find, "MAX_FILES", 5)
    for i in range(7):
        (tmp_path / f"{i}.txt").touch()
    with pytest.raises(InputError, match="more than 5 files; name the folder"):
        find_data([tmp_path])


def test_a_file_named_twice_is_looked_at_once(tmp_path):
    write_town(tmp_path)
    found = find_data([tmp_path, tmp_path / "parcels.gpkg", tmp_path / "." / "dem.tif"])
    assert {path.name for path in [*found.layers, *found.rasters]} == SCREENED
    assert len(found.layers) + len(found.rasters) == 4


def test_a_definition_that_nobody_can_parse_is_told(tmp_path):
    """A damaged .prj: pyogrio stumbles over it, a person gets a sentence."""
    write_town(tmp_path, suffix=".shp")
    data = (tmp_path / "parcels.prj").read_bytes()
    (tmp_path / "parcels.prj").write_bytes(data.replace(b"Transverse", b"Tran\xedverse"))
    survey = look_around([tmp_path])
    (told,) = [why for path, why in survey.left_out if path.name == "parcels.shp"]
    assert "coordinate system that can't be understood" in told


def test_names_of_fields_in_no_encoding_are_told(tmp_path):
    write_town(tmp_path, suffix=".shp")
    data = bytearray((tmp_path / "parcels.dbf").read_bytes())
    data[33] = 0x81  # second letter of the first field's name
    (tmp_path / "parcels.dbf").write_bytes(bytes(data))
    survey = look_around([tmp_path])
    (told,) = [why for path, why in survey.left_out if path.name == "parcels.shp"]
    assert "names of fields" in told
