"""What is put right in the inputs: every parcel still counts once, and every repair is counted by its code."""

from __future__ import annotations

import re
import sqlite3

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from made_files import lots, parcels_frame, write_frame
from made_lots import NORTH_M, WEST_M, buildings_of, one_home, parcels_of, plane

import screening
from screening import terrain
from screening.batch.repairs import cut_houses_note
from screening.clean import Surroundings, clean_buildings, clean_parcels
from screening.columns import TROUBLES
from screening.params import HomeParams, load_params
from screening.read import read_layer
from screening.report.explain import explain_text
from screening.report.result_file import read_home

HOUSE = shapely.box(10, 11, 20, 19)
NO_SHAPES = np.empty(0, dtype=object)


def parcels(*rows, **columns):
    """Parcels of (parcel_id, address, outline); further columns by name."""
    frame = pd.DataFrame([row[:2] for row in rows], columns=["parcel_id", "address"], dtype=object)
    for name in ("street", "land_use", "lot_kind", "linked_lot"):
        frame[name] = pd.Series(columns.get(name, [None] * len(rows)), dtype=object)
    return gpd.GeoDataFrame(frame, geometry=[row[2] for row in rows], crs="EPSG:26915")


def around(*buildings, streets=None, water=None):
    """Surroundings of some buildings."""
    shapes = np.array(buildings, dtype=object) if buildings else NO_SHAPES
    as_array = [None if one is None else np.array(one, dtype=object) for one in (streets, water)]
    return Surroundings.of(shapes[shapely.area(shapes) >= 40.0] if len(shapes) else shapes, shapes, *as_array)


def cleaned(frame, surroundings=None, **settings):
    """Clean parcels in the given and in another order; both have to agree, and every feature has to count once."""
    surroundings = surroundings or around()
    params = HomeParams(**settings)
    found = clean_parcels(frame, surroundings, params)
    again = clean_parcels(frame.sample(frac=1.0, random_state=3), surroundings, params)
    assert found.kept.drop(columns="geometry").equals(again.kept.drop(columns="geometry"))
    assert shapely.equals_exact(found.kept.geometry.to_numpy(), again.kept.geometry.to_numpy()).all()
    assert sorted(map(tuple, found.merged.astype(str).to_numpy())) == sorted(
        map(tuple, again.merged.astype(str).to_numpy())
    )
    assert found.repairs == again.repairs
    assert len(found.kept) + len(found.broken) + len(found.merged) == len(frame)
    assert int(found.kept["n_features"].sum()) + len(found.broken) == len(frame)
    assert set(found.repairs) <= set(TROUBLES)
    return found


def row(found, name):
    return found.kept.set_index("home_id").loc[name]


# --- units on common ground ---------------------------------------------------------------------


def puzzle():
    """Common ground with four houses cut out of it, each house a parcel of its own; and a plain lot beside it."""
    units = [shapely.box(x, y, x + 12, y + 9) for x in (10, 40) for y in (10, 40)]
    common = shapely.difference(shapely.box(0, 0, 70, 60), shapely.union_all(units))
    named = [(f"U{k}", f"{k} Elm Court", unit) for k, unit in enumerate(units)]
    frame = parcels(("COMMON", None, common), *named, ("9", "9 Elm Road", shapely.box(70, 0, 100, 60)))
    return frame, units


def test_pieces_cut_out_of_common_ground_are_one_place():
    frame, units = puzzle()
    found = cleaned(frame, around(*units, shapely.box(80, 20, 90, 30)))
    assert found.kept["home_id"].tolist() == ["9", "COMMON"]
    ground = row(found, "COMMON")
    assert (ground["is_stack"], ground["n_units"], ground["n_features"]) == (True, 4, 5)
    assert ground["geometry"].equals(shapely.box(0, 0, 70, 60))
    assert not row(found, "9")["is_stack"]
    assert set(found.merged["merge_code"]) == {"unit"}
    assert set(found.merged["home_id"]) == {"COMMON"}
    assert (found.repairs["lots_puzzle"], found.repairs["lots_on_ground_parcel"]) == (4, 0)


def test_lots_in_the_holes_of_a_park_are_lots():
    frame, _ = puzzle()
    # small houses: the pieces have yards of their own
    small = [shapely.box(x + 3, y + 2, x + 8, y + 6) for x in (10, 40) for y in (10, 40)]
    found = cleaned(frame, around(*small))
    assert len(found.kept) == 6
    assert not found.kept["is_stack"].any()


def test_blocks_in_a_net_of_streets_are_no_units_of_it():
    blocks = [shapely.box(x, y, x + 40, y + 40) for x in (5, 55) for y in (5, 55)]
    net = shapely.difference(shapely.box(0, 0, 100, 100), shapely.union_all(blocks))
    frame = parcels(("NET", "x", net), *((f"B{k}", f"{k} Main", block) for k, block in enumerate(blocks)))
    found = cleaned(frame, around(*blocks))
    assert len(found.kept) == 5
    assert not found.kept["is_stack"].any()


@pytest.mark.parametrize(
    "unit",
    [lambda k: shapely.box(5 + k, 1, 5.4 + k, 20), lambda k: shapely.box(5 + 12 * k, 5, 15 + 12 * k, 12)],
    ids=["strips", "footprints"],
)
def test_units_on_a_ground_parcel_are_one_place(unit):
    units = [unit(k) for k in range(3)]
    frame = parcels(
        ("GROUND", "1 Oak Road", shapely.box(0, 0, 60, 40)),
        *((f"GROUND-{k}", "1 Oak Road", shape) for k, shape in enumerate(units)),
    )
    found = cleaned(frame, around(*(shapely.box(5 + 12 * k, 5, 15 + 12 * k, 12) for k in range(3))))
    assert found.kept["home_id"].tolist() == ["GROUND"]
    assert found.kept["is_stack"].tolist() == [True]
    assert found.repairs["lots_on_ground_parcel"] == 3
    assert not found.kept["is_overlapped"].any()


def test_units_that_are_stacks_themselves_lead_to_the_ground():
    unit = shapely.box(5, 5, 15, 12)
    frame = parcels(("G", None, shapely.box(0, 0, 60, 40)), ("U1", "1 Oak", unit), ("U2", "2 Oak", unit))
    found = cleaned(frame, around(unit))
    assert found.kept["home_id"].tolist() == ["G"]
    assert found.kept["n_features"].tolist() == [3]
    assert found.merged[["kept_parcel_id", "home_id"]].drop_duplicates().to_numpy().tolist() == [["G", "G"]]


def test_one_strip_or_nameless_scraps_make_no_stack():
    lot = shapely.box(0, 0, 30, 30)
    strip, scrap = shapely.box(1, 1, 1.5, 20), shapely.box(20, 1, 20.2, 20)
    found = cleaned(parcels(("1", "a", lot), ("2", "b", strip), (None, None, scrap)), around(HOUSE))
    assert not found.kept["is_stack"].any()
    assert row(found, "1")["is_overlapped"]
    assert found.repairs["lots_overlap"] == 3


def test_old_and_new_outlines_in_one_file_are_told_not_merged():
    old = ("OLD", "1 Elm", shapely.box(0, 0, 60, 30))
    new = [("N1", "1 Elm", shapely.box(0, 0, 30, 30)), ("N2", "3 Elm", shapely.box(30, 0, 60, 30))]
    found = cleaned(parcels(old, *new), around(HOUSE, shapely.box(40, 11, 50, 19)))
    assert found.kept["is_overlapped"].all()
    assert len(found.merged) == 0


# --- streets and water among the parcels ----------------------------------------------------------


def street_town(*, address=None, parcel_id=None, length=300.0):
    """Ten lots on either side of a street that is a parcel."""
    houses, rows = [], [(parcel_id, address, shapely.box(0, 0, length, 12))]
    for k in range(10):
        for y in (12, -30):
            lot = shapely.box(30 * k, y, 30 * k + 30, y + 30)
            rows.append((f"{k}{y}", f"{k} {y} Elm", lot))
            houses.append(shapely.box(30 * k + 10, y + 10, 30 * k + 20, y + 20))
    return parcels(*rows), houses


LINE = [shapely.LineString([(0, 6), (300, 6)])]
ELSEWHERE = [shapely.LineString([(0, 500), (300, 500)])]


@pytest.mark.parametrize(
    ("layers", "code"),
    [
        ({}, "street"),
        ({"streets": LINE}, "street"),
        ({"streets": [shapely.box(0, 1, 300, 11)]}, "street"),
        ({"streets": ELSEWHERE}, None),
        ({"water": LINE}, "drainage"),
        ({"streets": ELSEWHERE, "water": LINE}, "drainage"),
    ],
    ids=["alone", "line", "area", "no street there", "brook", "brook, streets elsewhere"],
)
def test_a_long_nameless_strip_is_a_street_or_water(layers, code):
    frame, houses = street_town()
    found = cleaned(frame, around(*houses, **layers))
    ground = found.kept["ground_code"]
    assert ground.notna().sum() == (code is not None)
    assert ground.dropna().tolist() == [code] * (code is not None)
    counted = {"street": "road_among_lots", "drainage": "water_among_lots"}
    for which, name in counted.items():
        assert found.repairs[name] == (which == code)


@pytest.mark.parametrize(
    "why",
    ["an address", "a house", "short"],
)
def test_what_is_no_street(why):
    frame, houses = street_town(
        address="7 Elm" if why == "an address" else None, length=30.0 if why == "short" else 300.0
    )
    if why == "a house":
        houses.append(shapely.box(100, 1, 110, 11))
    found = cleaned(frame, around(*houses, streets=LINE))
    assert found.kept["ground_code"].isna().all()


def test_the_city_s_own_word_decides_the_kind():
    kinds = ["ROW", "RAIL", "LAKE", "LOT"]
    shapes = [shapely.box(40 * k, 0, 40 * k + 40, 40) for k in range(4)]
    frame = parcels(*((str(k), "an address", shape) for k, shape in enumerate(shapes)), lot_kind=kinds)
    found = cleaned(frame, street_values=("ROW", "RAIL"), water_values=("LAKE",))
    assert found.kept["ground_code"].astype(object).where(found.kept["ground_code"].notna(), None).tolist() == [
        "street",
        "street",
        "drainage",
        None,
    ]
    assert (found.repairs["road_among_lots"], found.repairs["water_among_lots"]) == (2, 1)


# --- one home on several lots ---------------------------------------------------------------------


def side_by_side(*keys, houses=(HOUSE,), gap=0.0):
    rows = [(str(k), f"{k} Elm", shapely.box(k * (30 + gap), 0, k * (30 + gap) + 30, 30)) for k in range(len(keys))]
    return parcels(*rows, linked_lot=list(keys)), around(*houses)


@pytest.mark.parametrize("keys", [("0", "0", None), ("A", "A", None), (None, "0", None)])
def test_linked_lots_that_touch_become_one(keys):
    found = cleaned(*side_by_side(*keys))
    assert found.kept["home_id"].tolist() == ["0", "2"]
    joined = row(found, "0")
    assert joined["geometry"].equals(shapely.box(0, 0, 60, 30))
    assert (joined["n_joined"], joined["n_features"], joined["is_stack"]) == (1, 2, False)
    assert found.merged[["parcel_id", "merge_code", "home_id"]].to_numpy().tolist() == [["1", "linked", "0"]]
    assert found.repairs["lots_linked"] == 1


def test_linked_lots_with_two_houses_or_apart_stay_two():
    two_houses = (HOUSE, shapely.box(40, 11, 50, 19))
    assert len(cleaned(*side_by_side("A", "A", houses=two_houses)).kept) == 2
    assert len(cleaned(*side_by_side("A", "A", gap=10.0)).kept) == 2
    assert len(cleaned(*side_by_side("A", "A", houses=())).kept) == 2


# --- in a whole run -------------------------------------------------------------------------------


def record_of(path):
    with sqlite3.connect(path) as base:
        return dict(base.execute("SELECT key, value FROM run_record"))


def run(made, folder, **overrides):
    """Layers and record of a run."""
    params = load_params(made.write(folder), {key.replace("__", "."): value for key, value in overrides.items()})
    summary = screening.run(params, output=folder / "out.gpkg", jobs=1)
    layers = {name: gpd.read_file(folder / "out.gpkg", layer=name) for name in ("candidate_homes", "other_parcels")}
    record = record_of(folder / "out.gpkg")
    read, homes, others, merged = (
        int(record[f"n_{name}"]) for name in ("parcels_read", "candidate_homes", "other_parcels", "parcels_merged")
    )
    assert read == homes + others + merged == len(made.parcels)
    assert summary.repairs == {
        key.removeprefix("repairs."): int(value) for key, value in record.items() if key.startswith("repairs.")
    }
    return layers, record


def town_on_a_street(*, street_is_a_parcel):
    """Ten lots in a row whose ground falls to a street in the north, which is a parcel or a gap."""
    x0, y0 = WEST_M, NORTH_M
    shapes = [shapely.box(x0 + 35 + 25 * k, y0 - 90, x0 + 60 + 25 * k, y0 - 50) for k in range(10)]
    houses = [shapely.box(x0 + 42 + 25 * k, y0 - 80, x0 + 52 + 25 * k, y0 - 72) for k in range(10)]
    frame = parcels_of(shapes)
    if street_is_a_parcel:
        street = parcels_of([shapely.box(x0 + 35, y0 - 50, x0 + 285, y0 - 38)])
        street[["parcel_id", "address", "street", "land_use"]] = None
        frame = pd.concat([frame, street], ignore_index=True)
    z = plane(x0, y0, 160, 330, 1.0, 0.0, -0.03)
    return one_home(lot=shapes[0]).__class__(parcels=frame, buildings=buildings_of(houses), z=z, x0=x0, y0=y0, cell=1.0)


def test_overflow_onto_a_street_that_is_a_parcel_has_arrived(tmp_path):
    gap, record = run(town_on_a_street(street_is_a_parcel=False), tmp_path / "gap")
    assert "repairs.parcels.road_among_lots" not in record
    parcel, record = run(town_on_a_street(street_is_a_parcel=True), tmp_path / "parcel")
    assert record["repairs.parcels.road_among_lots"] == "1"
    assert any("are streets or railways" in value for key, value in record.items() if key.startswith("note."))
    others = parcel["other_parcels"]
    street = others[others["reason_code"] == "not_a_lot"]
    assert street["reason_text"].tolist() == ["the polygon is a street or railway"]
    assert set(parcel["candidate_homes"]["overflow_code"]) == {"street"}
    columns = ["home_id", "garden_area_m2", "diverted_m3_y", "overflow_code"]
    assert parcel["candidate_homes"][columns].equals(gap["candidate_homes"][columns])
    assert len(gap["candidate_homes"]) == 10


def test_a_street_taken_for_a_lot_would_be_a_neighbour(tmp_path):
    made = town_on_a_street(street_is_a_parcel=True)
    made.parcels.loc[10, ["parcel_id", "address"]] = ["9999", "9 Elm"]
    layers, record = run(made, tmp_path)
    assert set(layers["candidate_homes"]["overflow_code"]) == {"neighbour_lot"}
    assert "repairs.parcels.road_among_lots" not in record


def test_units_on_common_ground_get_one_row_with_its_reason(tmp_path):
    x0, y0 = WEST_M, NORTH_M
    units = [shapely.box(x0 + 75 + 20 * k, y0 - 80, x0 + 85 + 20 * k, y0 - 72) for k in range(2)]
    ground = shapely.box(x0 + 65, y0 - 90, x0 + 120, y0 - 50)
    made = one_home()
    made = made.__class__(
        parcels=parcels_of([made.parcels.geometry[0], ground, *units]),
        buildings=buildings_of([made.buildings.geometry[0], *units]),
        z=made.z, x0=x0, y0=y0, cell=1.0,
    )  # fmt: skip
    layers, record = run(made, tmp_path)
    others = layers["other_parcels"]
    assert others[["parcel_id", "reason_code"]].to_numpy().tolist() == [["0001", "shared_stack"]]
    assert others["reason_text"].item().startswith("2 units lie on this ground")
    assert record["repairs.parcels.lots_on_ground_parcel"] == "2"
    text = explain_text(read_home(tmp_path / "out.gpkg", "0003"))
    assert "Parcel 0003 is a unit on the ground of parcel 0001" in text
    assert re.search(r"units on it +2 other parcels", text)
    assert len(layers["candidate_homes"]) == 1


def test_a_house_that_reaches_onto_the_next_lot_is_flagged(tmp_path):
    x0, y0 = WEST_M, NORTH_M
    made = one_home()
    beside = shapely.box(x0 + 65, y0 - 90, x0 + 95, y0 - 50)
    house = shapely.box(x0 + 55, y0 - 78, x0 + 68, y0 - 70)
    made = made.__class__(
        parcels=parcels_of([made.parcels.geometry[0], beside]),
        buildings=buildings_of([house]),
        z=made.z, x0=x0, y0=y0, cell=1.0,
    )  # fmt: skip
    layers, record = run(made, tmp_path)
    assert "house_over_lots" in layers["candidate_homes"]["flags"].item()
    assert record["flagged.house_over_lots"] == "1"
    linked = made.parcels.assign(linked_lot=["0000", "0000"])
    made = made.__class__(parcels=linked, buildings=made.buildings, z=made.z, x0=x0, y0=y0, cell=1.0)
    layers, record = run(made, tmp_path / "linked", fields__linked_lot="linked_lot")
    home = layers["candidate_homes"].iloc[0]
    assert "lots_joined" in home["flags"]
    assert "house_over_lots" not in home["flags"]
    assert home["parcel_area_m2"] == pytest.approx(2400.0)
    assert record["n_parcels_merged"] == "1"
    text = explain_text(read_home(tmp_path / "linked" / "out.gpkg", "0001"))
    assert "Parcel 0001 is joined to the lot of parcel 0000: the result has one row for both" in text
    assert re.search(r"joined with it +1 other parcel +this row stands for them too: 0001", text)


def test_a_remnant_of_the_house_in_the_elevation_is_flagged(tmp_path):
    made = one_home()
    plain, _ = run(made, tmp_path / "plain")
    assert "house_in_elevation" not in plain["candidate_homes"]["flags"].item()
    z = made.z.copy()
    z[70:78, 45:55] += 1.5
    bulged, record = run(made.__class__(
        parcels=made.parcels, buildings=made.buildings, z=z, x0=made.x0, y0=made.y0, cell=1.0
    ), tmp_path / "bulged")  # fmt: skip
    assert "house_in_elevation" in bulged["candidate_homes"]["flags"].item()
    assert record["flagged.house_in_elevation"] == "1"


@pytest.mark.parametrize("slope", [0.0, 0.2])
@pytest.mark.parametrize("bulge", [0.0, 1.5])
def test_a_bulge_is_measured_against_the_slope(slope, bulge):
    z = plane(0.0, 100.0, 100, 100, 1.0, slope, -0.5 * slope)
    houses = np.array([shapely.box(20, 30, 32, 40), shapely.box(33, 30, 45, 40)], dtype=object)
    z[60:70, 20:32] += bulge
    ground = terrain.measure(z, np.array([0.0, 100.0, 0.0, 0.0, 1.0]), houses, load_params(None).terrain)
    assert terrain.bulges_m(ground, houses, 4.0) == pytest.approx([bulge, 0.0], abs=1e-6)


def test_houses_that_lot_lines_cut_are_told_unless_they_stand_in_rows():
    shapes = [shapely.box(20 * k, 0, 20 * k + 20, 40) for k in range(50)]
    found = clean_parcels(parcels(*((str(k), f"{k} Elm", shape) for k, shape in enumerate(shapes))))

    def told(move, width=10.0, n=50):
        houses = [shapely.box(20 * k + 5 + move, 10, 20 * k + 5 + move + width, 18) for k in range(n)]
        lots = found.kept.geometry.to_numpy()
        return cut_houses_note(shapely.bounds(lots), lambda rows: lots[rows], np.array(houses, dtype=object), 40.0)

    assert told(0.0) == []
    assert told(5.3) == []
    (note,) = told(8.0)
    assert note.code == "buildings_shifted"
    assert "lot lines cut 98% of 50 houses" in note
    # parts as large as a house: row houses
    assert told(10.0, width=20.0) == []
    assert told(8.0, n=20) == []


def test_every_kind_of_broken_record_is_counted(tmp_path):
    made = one_home()
    x0, y0 = WEST_M, NORTH_M
    bow = shapely.Polygon([(x0, y0 - 40), (x0 + 10, y0 - 30), (x0 + 10, y0 - 40), (x0, y0 - 30)])
    touching = shapely.Polygon(
        [(x0 + 70, y0 - 90), (x0 + 80, y0 - 90), (x0 + 80, y0 - 80), (x0 + 75, y0 - 90), (x0 + 70, y0 - 80)]
    )
    extra = parcels_of([None, bow, touching, made.parcels.geometry[0], shapely.MultiPolygon([
        shapely.box(x0 + 5, y0 - 20, x0 + 9, y0 - 10), shapely.box(x0 + 15, y0 - 20, x0 + 19, y0 - 10)])])  # fmt: skip
    extra["parcel_id"] = ["a", "b", "c", "0000", "0000"]
    extra.loc[3, "address"] = "1 Meadow Lane"
    frame = pd.concat([made.parcels, extra], ignore_index=True)
    houses = buildings_of([*made.buildings.geometry, made.buildings.geometry[0]])
    _, record = run(made.__class__(
        parcels=frame, buildings=houses, z=made.z, x0=x0, y0=y0, cell=1.0), tmp_path)  # fmt: skip
    found = {key.removeprefix("repairs."): int(value) for key, value in record.items() if key.startswith("repairs.")}
    assert found == {
        "buildings.buildings_twice": 1,
        "parcels.geometry_missing": 1,
        "parcels.id_repeated": 1,
        # the repaired one falls into two
        "parcels.lot_in_parts": 2,
        "parcels.lot_twice": 1,
        "parcels.outline_unusable": 1,
        "parcels.ring_invalid": 1,
    }
    assert {key.split(".")[1] for key in found} <= set(TROUBLES)


def test_buildings_are_counted():
    bow = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    frame = buildings_of([HOUSE, HOUSE, bow, None])
    frame["building_id"] = ["1", "2", None, "4"]
    found = clean_buildings(frame.set_crs("EPSG:26915"))
    assert {code: n for code, n in found.repairs.items() if n} == {
        "geometry_missing": 1,
        "outline_unusable": 1,
        "buildings_twice": 1,
    }


# --- while reading --------------------------------------------------------------------------------


def test_utf8_under_another_name_is_read_as_utf8(tmp_path):
    frame = parcels_frame()
    frame["PIN"] = [f"Łódź {k} Straße" for k in range(9)]
    path = write_frame(frame, tmp_path / "lots.shp", encoding="utf-8")
    path.with_suffix(".cpg").write_text("ISO-8859-1")
    data = read_layer(path, columns=("PIN",))
    assert data.text["PIN"].tolist() == frame["PIN"].tolist()
    assert data.repairs == {"text_garbled": 9}
    assert (data.notes[0].code, "UTF-8 was taken" in data.notes[0]) == ("text_garbled", True)


def test_text_in_the_code_page_it_names_is_left_alone(tmp_path):
    frame = parcels_frame()
    frame["PIN"] = "Cañon é"
    path = write_frame(frame, tmp_path / "lots.shp", encoding="cp1252")
    data = read_layer(path, columns=("PIN",))
    assert data.text["PIN"][0] == "Cañon é"
    assert data.repairs == {}


def test_cut_names_heights_and_numbers_are_counted(tmp_path):
    frame = parcels_frame(geometry=shapely.force_3d(lots(), 7.0)).rename(columns={"USE": "LAND_USE_CODE"})
    frame["PIN"] = range(9)
    data = read_layer(write_frame(frame, tmp_path / "lots.shp"), columns=("PIN", "LAND_USE_CODE"))
    assert data.repairs == {"field_name_cut": 1, "height_in_geometry": 9}
    assert data.number_fields == {"PIN"}
    assert data.text["PIN"].tolist() == [str(k) for k in range(9)]
