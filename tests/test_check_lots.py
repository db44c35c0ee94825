"""`check` on towns with one thing wrong with lots, buildings or fields: the code, how grave, where."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from made_trouble import COLUMNS, CRS, LOT_D_M, LOT_W_M, SOUTH_M, USUAL, WEST_M, Town

from screening.checks.shift import measure_shift


def add(frame, geometry, **columns):
    """The frame with one more record; columns that aren't given are empty."""
    row = gpd.GeoDataFrame({name: [value] for name, value in columns.items()}, geometry=[geometry], crs=frame.crs)
    return pd.concat([frame, row], ignore_index=True)


def set_shape(frame, i, geometry):
    shapes = frame.geometry.to_numpy().copy()
    shapes[i] = geometry
    frame.geometry = gpd.GeoSeries(shapes, crs=frame.crs)


def no_shape(town):
    set_shape(town.parcels, 5, None)
    set_shape(town.parcels, 6, None)


def bow_tie(town):
    x0, y0, x1, y1 = town.parcels.geometry[5].bounds
    for i in (5, 6):
        x0, y0, x1, y1 = town.parcels.geometry[i].bounds
        set_shape(town.parcels, i, shapely.Polygon([(x0, y0), (x1, y1), (x1, y0), (x0, y1)]))


def spike(town):
    """A ring that goes out and back along one line: invalid, and repaired without a change of area."""
    x0, y0, x1, y1 = town.parcels.geometry[5].bounds
    ring = [(x0, y0), (x1, y0), (x1, y1), ((x0 + x1) / 2, y1), ((x0 + x1) / 2, y1 + 3), ((x0 + x1) / 2, y1), (x0, y1)]
    set_shape(town.parcels, 5, shapely.Polygon(ring))


def two_parts(town):
    # the lot across the street becomes a part of the first
    set_shape(town.parcels, 14, shapely.MultiPolygon([town.parcels.geometry[14], town.parcels.geometry[26]]))
    town.parcels = town.parcels.drop(index=26).reset_index(drop=True)
    inside = town.buildings.geometry.centroid.within(town.parcels.geometry[14])
    town.buildings = town.buildings[~inside].reset_index(drop=True)


def stack(town):
    for unit in range(4):
        columns = {"PIN": f"001-002-{unit}", "SITE": f"3 South Meadow Lane 1 Unit {unit}", "USE": "Residential"}
        town.parcels = add(town.parcels, town.parcels.geometry[1], **columns)


def twice(town):
    town.parcels = pd.concat([town.parcels, town.parcels.iloc[[3]]], ignore_index=True)


def puzzle(town):
    """Four units cut out of the yard of one lot, as condominiums are."""
    x0, y0, _, _ = town.parcels.geometry[3].bounds
    units = [shapely.box(x0 + 4 + 3 * k, y0 + 4, x0 + 7 + 3 * k, y0 + 9) for k in range(4)]
    set_shape(town.parcels, 3, town.parcels.geometry[3].difference(shapely.union_all(units)))
    for k, unit in enumerate(units):
        town.parcels = add(town.parcels, unit, PIN=f"condo-{k}", SITE=f"7 Meadow Lane Unit {k}", USE="Residential")


def on_ground(town):
    x0, y0, _, _ = town.parcels.geometry[3].bounds
    for k in range(3):
        unit = shapely.box(x0 + 3 + 4 * k, y0 + 4, x0 + 6 + 4 * k, y0 + 9)
        town.parcels = add(town.parcels, unit, PIN=f"condo-{k}", SITE=f"7 Meadow Lane Unit {k}", USE="Residential")


def overlapping(town):
    x0, y0, x1, y1 = town.parcels.geometry[3].bounds
    set_shape(town.parcels, 3, shapely.box(x0, y0, x1 + 6.0, y1))


def road(town):
    y = SOUTH_M + 2 * LOT_D_M
    street = shapely.box(WEST_M, y, WEST_M + COLUMNS * LOT_W_M, y + 16.0)
    town.parcels = add(town.parcels, street, PIN="street", USE="Residential")


def road_with_an_address(town):
    """The run can't be sure that this is no lot."""
    road(town)
    town.parcels.loc[len(town.parcels) - 1, "SITE"] = "99 Meadow Lane"


def linked(town):
    """A lot without a house belongs to the one beside it."""
    own = town.buildings.geometry.centroid.within(town.parcels.geometry[1])
    town.buildings = town.buildings[~own].reset_index(drop=True)
    town.parcels["PARENT"] = None
    town.parcels.loc[1, "PARENT"] = town.parcels.PIN[2]
    town.settings["fields.linked_lot"] = "PARENT"


def water(town):
    far = WEST_M + COLUMNS * LOT_W_M
    town.parcels = add(town.parcels, shapely.box(far, SOUTH_M, far + 20, SOUTH_M + 100), PIN="pond", USE="Water body")


def over_two_lots(town):
    """The only house of two lots stands on their common line."""
    x0, y0, x1, _ = town.parcels.geometry[1].bounds
    own = town.buildings.geometry.intersects(shapely.union_all(town.parcels.geometry[[1, 2]]).buffer(-0.5))
    town.buildings = town.buildings[~own].reset_index(drop=True)
    house = shapely.box(x1 - 6.5, y0 + 20.0, x1 + 3.5, y0 + 29.0)
    assert x0 < house.bounds[0]
    town.buildings = add(town.buildings, house, BID="astride", KIND="MAIN")


def row_houses(town):
    x0, y0, _, _ = town.parcels.geometry[0].bounds
    own = town.buildings.geometry.intersects(shapely.union_all(town.parcels.geometry[:4]).buffer(-0.5))
    town.buildings = town.buildings[~own].reset_index(drop=True)
    row = shapely.box(x0 + 1.0, y0 + 20.0, x0 + 4 * LOT_W_M - 1.0, y0 + 30.0)
    town.buildings = add(town.buildings, row, BID="row", KIND="MAIN")


def few_houses(town):
    town.buildings = town.buildings.iloc[40:].reset_index(drop=True)
    town.settings["homes.land_use"] = ["Residential"]


def only_sheds(town):
    town.buildings.geometry = town.buildings.geometry.scale(0.3, 0.3)


def buildings_twice(town):
    town.buildings = pd.concat([town.buildings, town.buildings.iloc[:5]], ignore_index=True)


def buildings_overlap(town):
    x0, y0, x1, y1 = town.buildings.geometry[1].bounds
    town.buildings = add(town.buildings, shapely.box(x0 + 2, y0 + 2, x1 + 1, y1 + 1), BID="over", KIND="MAIN")


def no_ids(town):
    town.parcels.loc[[4, 9], "PIN"] = None


def ids_repeated(town):
    town.parcels.loc[[4, 9], "PIN"] = "002-001"


def zeros_lost(town):
    numbers = np.arange(len(town.parcels)) * 7919 + 10_200_345
    numbers[:20] = numbers[:20] % 1_000_000 + 1_000_000
    town.parcels["PIN"] = numbers


def tiny(town):
    x0, y0, _, _ = town.parcels.geometry[0].bounds
    for k in range(2):
        sliver = shapely.box(x0 - 1.5 * (k + 1), y0, x0 - 1.5 * k, y0 + 2.0)
        town.parcels = add(town.parcels, sliver, PIN=f"sliver-{k}", SITE="none", USE="Residential")


def cut_addresses(town):
    streets = [
        "Old Meadow Lane North-West",
        "Meadow",
        "Sandy Hill Lane",
        "Oak",
        "Elm Street",
        "Whispering Brook Street",
    ]
    number = np.arange(len(town.parcels))
    town.parcels["SITE"] = [f"{2 * i + 11} {streets[i % len(streets)]}"[:16] for i in number]


def owners(town):
    town.parcels["OWNER_NAME"] = "nobody's business"


def owners_address(town):
    town.parcels["MAIL_ADDR"] = town.parcels["SITE"]
    town.settings["fields.address"] = "MAIL_ADDR"


def dropped(town):
    town.parcels["STATUS"] = ["Active"] * (len(town.parcels) - 3) + ["Dropped", "Retired", "Pending drop"]


def areas_off(town):
    town.parcels["ACRES"] = town.parcels.geometry.area / 4046.86
    town.parcels.loc[:30, "ACRES"] *= 3.0


def areas_scaled(town):
    town.parcels["AREA_M2"] = town.parcels.geometry.area * 1.9


def some_uses(town):
    town.settings["homes.land_use"] = ["Residential", "residental condo"]


def wrong_uses(town):
    town.settings["homes.land_use"] = ["RESIDENTAL"]


def wrong_kinds(town):
    town.settings["homes.principal_values"] = ["HOUSE"]


def some_kinds(town):
    town.settings["homes.principal_values"] = ["MAIN", "VILLA"]


def no_uses(town):
    town.parcels.loc[[4, 9], "USE"] = None


def not_named(town):
    town.settings["fields.parcel_id"] = None


def empty_field(town):
    town.parcels["ALT"] = None
    town.settings["fields.address"] = "ALT"


def with_heights(town):
    town.parcels.geometry = shapely.force_3d(town.parcels.geometry.to_numpy(), 7.0)


CASES = {
    no_shape: {"geometry_missing": "warning"},
    bow_tie: {"outline_unusable": "warning"},
    spike: {"ring_invalid": "note"},
    two_parts: {"lot_in_parts": "note"},
    stack: {"lots_stacked": "note"},
    twice: {"lot_twice": "note"},
    puzzle: {"lots_puzzle": "note"},
    on_ground: {"lots_on_ground_parcel": "note"},
    overlapping: {"lots_overlap": "warning"},
    road: {"road_among_lots": "note"},
    road_with_an_address: {"road_among_lots": "warning"},
    linked: {"lots_linked": "note"},
    water: {"water_among_lots": "warning"},
    over_two_lots: {"home_over_two_lots": "note"},
    row_houses: {"building_over_lots": "note"},
    few_houses: {"building_missing": "warning"},
    only_sheds: {"buildings_all_small": "warning"},
    buildings_twice: {"buildings_twice": "note"},
    buildings_overlap: {"buildings_overlap": "note"},
    no_ids: {"id_missing": "warning"},
    ids_repeated: {"id_repeated": "warning"},
    zeros_lost: {"id_lost_zeros": "warning", "id_from_number": "note"},
    tiny: {"lot_tiny": "note"},
    cut_addresses: {"field_cut_short": "warning"},
    owners: {"owner_field_present": "note"},
    owners_address: {"owner_field_present": "note", "address_of_owner": "warning"},
    dropped: {"status_not_current": "warning"},
    areas_off: {"area_contradicts": "note"},
    areas_scaled: {"area_contradicts": "warning"},
    some_uses: {"land_use_unknown_value": "warning"},
    wrong_uses: {"land_use_unmatched": "error"},
    wrong_kinds: {"building_kind_unmatched": "error"},
    some_kinds: {"building_kind_unknown_value": "warning"},
    no_uses: {"land_use_missing": "note"},
    not_named: {"field_not_named": "note"},
    empty_field: {"field_empty": "warning"},
    with_heights: {"height_in_geometry": "note"},
}


def test_a_sound_town_is_told_nothing_but_what_is_not_given(tmp_path):
    report = Town().check(tmp_path)
    assert {one.code for one in report.findings} == USUAL
    assert report.will_run
    assert (report.n_parcels, report.cell_m) == (96, 1.0)


@pytest.mark.parametrize("spoil", CASES, ids=lambda spoil: spoil.__name__)
def test_one_trouble_is_found_and_nothing_else(spoil, tmp_path):
    town = Town()
    spoil(town)
    found = town.found(tmp_path)
    assert {code: one.severity for code, one in found.items() if code not in USUAL} == CASES[spoil]


def test_a_finding_says_who_and_where(tmp_path):
    town = Town()
    twice(town)
    one = town.found(tmp_path)["lot_twice"]
    assert (one.role, one.file, one.n, one.ids) == ("parcels", "parcels.gpkg", 1, ("001-004",))
    assert town.parcels.geometry[3].contains(shapely.Point(one.places_m[0]))
    # the place in degrees is that place: about 45 N on the central meridian's west side (EPSG:26915, -93)
    assert one.lat_deg == pytest.approx(44.97, abs=0.1)
    assert one.lon_deg == pytest.approx(-93.25, abs=0.1)


def test_the_nearest_value_is_told(tmp_path):
    town = Town()
    some_uses(town)
    assert "'Residential'" in town.found(tmp_path)["land_use_unknown_value"].sentence
    assert town.check(tmp_path).land_use == (("Residential", 96, True),)


def test_owners_names_are_not_read(tmp_path):
    town = Town()
    owners(town)
    report = town.check(tmp_path)
    assert "nobody's business" not in repr(report.findings)


@pytest.mark.parametrize("shift", [(5.0, 0.0), (-5.0, 6.0), (0.0, -13.0)])
def test_a_shift_is_measured(shift, tmp_path):
    town = Town()
    town.buildings.geometry = town.buildings.geometry.translate(*shift)
    one = town.found(tmp_path)["buildings_shifted"]
    assert one.severity == "warning"
    whole, _ = measure_shift(town.parcels.geometry.to_numpy(), town.buildings.geometry.to_numpy())
    # houses stand unevenly on the lots of this town, so that it can't be told to the metre
    assert (whole.x_m, whole.y_m) == pytest.approx(shift, abs=1.5)
    assert len(one.places_m) == one.n > 0


def test_the_shift_of_evenly_placed_houses_is_found_to_less_than_a_cell():
    lots = np.array([shapely.box(20 * i, 30 * j, 20 * i + 20, 30 * j + 30) for i in range(12) for j in range(8)])
    x, y = shapely.bounds(lots).T[:2]
    for east, north, cuts in [(0.0, 0.0, False), (3.1, -1.7, False), (-6.5, 6.0, True)]:
        houses = shapely.box(x + 5 + east, y + 9 + north, x + 15 + east, y + 21 + north)
        whole, _ = measure_shift(lots, houses)
        assert (whole.x_m, whole.y_m) == pytest.approx((east, north), abs=0.5)
        # lot lines only show a shift that is longer than the side yards of 5 m
        assert whole.is_shifted == cuts


def test_without_lot_lines_nearby_nothing_is_said_of_a_shift():
    lots = np.array([shapely.box(0, 0, 2000, 2000)])
    x, y = np.meshgrid(np.arange(300, 900, 40.0), np.arange(300, 900, 40.0))
    houses = shapely.box(x.ravel(), y.ravel(), x.ravel() + 10, y.ravel() + 10)
    assert measure_shift(lots, houses)[0] is None


def test_a_few_among_many_are_a_note(tmp_path):
    town = Town()
    shapes = [shapely.box(WEST_M + 2 * i, SOUTH_M - 30, WEST_M + 2 * i + 2, SOUTH_M - 20) for i in range(130)]
    more = gpd.GeoDataFrame({"PIN": [f"m{i}" for i in range(130)], "USE": "Farm"}, geometry=shapes, crs=CRS)
    town.parcels = pd.concat([town.parcels, more], ignore_index=True)
    town.settings["homes.land_use"] = ["Residential"]
    town.parcels.loc[0, "PIN"] = None
    assert town.found(tmp_path)["id_missing"].severity == "note"
