"""A real neighbourhood in feet, as a city gave it away: every parcel accounted for, every garden within the rules.

What is expected here is worked out from the raw files with shapely, rasterio and sqlite3, not with the program.
Origin and licence: tests/data/maine_neighbourhood/README.md.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

import screening
from screening.cli.main import main
from screening.errors import InputError

FOLDER = Path(__file__).resolve().parent / "data" / "maine_neighbourhood"
RUN_FILE = FOLDER / "run.toml"
FOOT_M = 1200 / 3937  # US survey foot: NIST Special Publication 811 (2008), B.6
TOLERANCE_M = 1e-3
MAX_BYTES = 2_000_000

# The rules of the run: us-midwest (10 ft, 5 ft as the program rounds them) and the run file's keep-away distances.
FOUNDATION_M, LOT_LINE_M = 3.05, 1.52
KEEP_AWAY_M = {"retaining_walls": 3.0, "decks": 1.5, "streams": 7.6}
LEAST_AREA_M2, LARGEST_AREA_M2, LONGEST_RUN_M, STEEPEST_PCT = 4.6, 27.9, 15.0, 12.0


class Result(NamedTuple):
    path: Path
    summary: object
    layers: dict[str, gpd.GeoDataFrame]
    record: dict[str, str]


def in_metres(name):
    """A raw layer with flat outlines in metres of the same projection."""
    frame = gpd.read_file(FOLDER / f"{name}.gpkg")
    flat = shapely.force_2d(frame.geometry.to_numpy())
    return pd.DataFrame(frame.drop(columns="geometry")), shapely.transform(flat, lambda feet: feet * FOOT_M)


@pytest.fixture(scope="module")
def raw_parcels():
    table, outline = in_metres("parcels")
    table["outline"] = outline
    table["place"] = pd.factorize(pd.Series(shapely.to_wkb(shapely.normalize(outline)), dtype=object))[0]
    table["n_here"] = table["place"].map(table["place"].value_counts())
    return table


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    output = tmp_path_factory.mktemp("real") / "candidates.gpkg"
    summary = screening.run(screening.load_params(RUN_FILE, {}), output=output, jobs=1)
    names = ("candidate_homes", "gardens", "downspouts", "inlet_runs", "overflow_paths", "other_parcels")
    layers = {name: gpd.read_file(output, layer=name) for name in names}
    record = gpd.read_file(output, layer="run_record")
    return Result(output, summary, layers, dict(zip(record["key"], record["value"], strict=True)))


@pytest.fixture(scope="module")
def home_lots(result, raw_parcels):
    """Raw outlines of the candidates by home id; an id on two lots is found by its place."""
    tree = shapely.STRtree(raw_parcels["outline"].to_numpy())
    homes = result.layers["candidate_homes"]
    found, row = tree.query(shapely.point_on_surface(homes.geometry.to_numpy()), predicate="within")
    same = (raw_parcels["MAP_LOT"].to_numpy()[row] == homes["parcel_id"].to_numpy()[found]).astype(bool)
    return {homes["home_id"][i]: raw_parcels["outline"][k] for i, k in zip(found[same], row[same], strict=True)}


def least_distance(geometry, things):
    """Distance of each geometry to the nearest thing within 50 m [m]."""
    one, other = shapely.STRtree(things).query(geometry, predicate="dwithin", distance=50.0)
    out = np.full(len(geometry), np.inf)
    np.minimum.at(out, one, shapely.distance(geometry[one], things[other]))
    return out


def test_data_is_small_and_has_its_licence_and_origin():
    assert sum(file.stat().st_size for file in FOLDER.iterdir()) < MAX_BYTES
    assert "Permission is hereby granted" in (FOLDER / "LICENSE.md").read_text(encoding="utf-8")
    assert "mainehackerclub/bangor" in (FOLDER / "README.md").read_text(encoding="utf-8")


def test_every_parcel_is_counted_once(result, raw_parcels):
    n_candidates = len(result.layers["candidate_homes"])
    n_others = len(result.layers["other_parcels"])
    n_merged = int((raw_parcels.drop_duplicates("place")["n_here"] - 1).sum())
    assert n_merged == 40
    assert n_candidates + n_others + n_merged == len(raw_parcels) == 240
    for key, value in (
        ("n_parcels_read", 240),
        ("n_candidate_homes", n_candidates),
        ("n_other_parcels", n_others),
        ("n_parcels_merged", n_merged),
    ):
        assert int(result.record[key]) == getattr(result.summary, key) == value
    assert sum(result.summary.reasons.values()) == n_others


def test_every_place_is_in_exactly_one_layer(result, raw_parcels):
    rows = pd.concat([result.layers["candidate_homes"], result.layers["other_parcels"]], ignore_index=True)
    inside = shapely.point_on_surface(raw_parcels.drop_duplicates("place")["outline"].to_numpy())
    place, row = shapely.STRtree(rows.geometry.to_numpy()).query(inside, predicate="within")
    assert np.array_equal(np.sort(place), np.arange(200))
    assert len(np.unique(row)) == len(rows) == 200


def test_list_is_sensible(result, raw_parcels):
    """No golden number: in a town of detached houses most eligible lots with a house have room, and not all."""
    single = raw_parcels[(raw_parcels["n_here"] == 1) & (raw_parcels["LAND_USE"] == "Residential")]
    assert 0.6 * len(single) < len(result.layers["candidate_homes"]) < 0.97 * len(single)
    homes = result.layers["candidate_homes"]
    assert homes["rank"].tolist() == list(range(1, len(homes) + 1))
    assert homes["diverted_m3_y"].is_monotonic_decreasing
    assert (homes["diverted_low_m3_y"] <= homes["diverted_m3_y"]).all()
    assert (homes["diverted_m3_y"] <= homes["diverted_high_m3_y"]).all()


def test_no_home_keeps_more_than_its_roof_sheds(result):
    homes = result.layers["candidate_homes"]
    assert (homes["all_likely_m3_y"] <= homes["runoff_roof_m3_y"] + 1e-9).all()
    # in a wet year more may be kept than runs off in a mean one, but not half as much again of all there is
    assert (homes["diverted_high_m3_y"] <= 1.5 * homes["runoff_roof_m3_y"]).all()


def test_condominiums_are_one_place_and_no_home(result, raw_parcels):
    """Features of one outline with different ids or addresses: one row, `shared_stack`, never a candidate."""
    others = result.layers["other_parcels"]
    homes = result.layers["candidate_homes"]
    stacks = 0
    for _, stack in raw_parcels[raw_parcels["n_here"] > 1].groupby("place"):
        who = stack[["MAP_LOT", "PROP_ADDRS", "LAND_USE"]].astype(object).fillna("").drop_duplicates()
        inside = shapely.point_on_surface(stack["outline"].iloc[0])
        as_other = others[shapely.contains_xy(others.geometry.to_numpy(), inside.x, inside.y)]
        as_home = homes[shapely.contains_xy(homes.geometry.to_numpy(), inside.x, inside.y)]
        if len(who) == 1:  # twice the same record: an ordinary lot
            assert len(as_other) + len(as_home) == 1
            assert "shared_stack" not in set(as_other["reason_code"])
            continue
        assert len(as_home) == 0
        assert len(as_other) == 1
        if (stack["LAND_USE"] == "Residential").all():
            stacks += 1
            assert as_other["reason_code"].item() == "shared_stack"
            assert f"{len(stack)} parcels" in as_other["reason_text"].item()
    assert stacks == 7


def test_a_stack_with_one_other_land_use_is_still_a_stack(result):
    """22 condominiums and a mobile-home record share one outline; that record's id sorts first."""
    others = result.layers["other_parcels"]
    row = others[others["parcel_id"].isin(["R41-040", "B39-002"])]
    assert row["reason_code"].tolist() == ["shared_stack"]


def test_no_building_is_what_the_footprints_say(result, raw_parcels):
    """A lot has no building where none has its largest part on it."""
    _, footprints = in_metres("buildings")
    places = raw_parcels.drop_duplicates("place").reset_index(drop=True)
    outline = places["outline"].to_numpy()
    building, lot = shapely.STRtree(outline).query(footprints, predicate="intersects")
    part = shapely.area(shapely.intersection(footprints[building], outline[lot]))
    order = np.lexsort((-part, building))
    first = np.append(True, building[order][1:] != building[order][:-1])
    owner = lot[order][first][part[order][first] > 0]
    eligible = (places["LAND_USE"] == "Residential") & (places["n_here"] == 1)
    empty = places[eligible & ~places.index.isin(owner)]
    others = result.layers["other_parcels"]
    assert len(empty) >= 10
    assert sorted(others.loc[others["reason_code"] == "no_building", "parcel_id"]) == sorted(empty["MAP_LOT"])


def test_no_garden_breaks_a_distance_rule(result, home_lots):
    gardens = result.layers["gardens"]
    bed = gardens.geometry.to_numpy()
    assert len(bed) > 150
    lot = np.array([home_lots[home] for home in gardens["home_id"]], dtype=object)
    assert shapely.covers(lot, bed).all()
    to_line = shapely.distance(shapely.boundary(lot), bed)
    assert to_line.min() >= LOT_LINE_M - TOLERANCE_M
    to_building = least_distance(bed, in_metres("buildings")[1])
    assert to_building.min() >= FOUNDATION_M - TOLERANCE_M
    for name, distance_m in KEEP_AWAY_M.items():
        assert least_distance(bed, in_metres(name)[1]).min() >= distance_m - TOLERANCE_M, name
    # what the columns say is what a ruler says
    near = np.fmin(gardens["own_building_dist_m"], gardens["other_building_dist_m"])
    assert np.allclose(near, to_building, atol=TOLERANCE_M)
    assert np.allclose(gardens["lot_line_dist_m"], to_line, atol=TOLERANCE_M)
    assert np.allclose(gardens["area_m2"], shapely.area(bed), rtol=1e-6)
    assert shapely.area(bed).min() >= LEAST_AREA_M2 - 1e-3
    assert shapely.area(bed).max() <= LARGEST_AREA_M2 + 1e-3


def test_the_rules_bite(result, home_lots):
    """The same ruler finds gardens hard at the limit, so it would see one that is over it."""
    gardens = result.layers["gardens"]
    bed = gardens.geometry.to_numpy()
    lot = np.array([home_lots[home] for home in gardens["home_id"]], dtype=object)
    assert shapely.distance(shapely.boundary(lot), bed).min() < LOT_LINE_M + 0.05
    assert least_distance(bed, in_metres("buildings")[1]).min() < FOUNDATION_M + 0.05
    assert least_distance(bed, in_metres("decks")[1]).min() < KEEP_AWAY_M["decks"] + 0.5


def test_runs_stay_on_the_lot_and_off_the_buildings(result, home_lots):
    runs = result.layers["inlet_runs"]
    line = runs.geometry.to_numpy()
    assert shapely.length(line).max() <= LONGEST_RUN_M + TOLERANCE_M
    lot = np.array([home_lots[home] for home in runs["home_id"]], dtype=object)
    assert shapely.length(shapely.difference(line, lot)).max() < 0.01
    _, footprints = in_metres("buildings")
    one, other = shapely.STRtree(footprints).query(line, predicate="intersects")
    within = shapely.buffer(footprints[other], -0.01)
    assert shapely.length(shapely.intersection(line[one], within)).max(initial=0.0) < 0.01
    assert (runs["fall_m"] >= 0.01 * runs["length_m"] - 1e-6).all()


def test_feet_become_metres_once(result, home_lots):
    """Areas are square feet times 0.3048006^2, heights feet times 0.3048006, slopes the same in either unit."""
    homes = result.layers["candidate_homes"]
    lot = np.array([home_lots[home] for home in homes["home_id"]], dtype=object)
    assert np.allclose(homes["parcel_area_m2"], shapely.area(lot), rtol=1e-6)
    gardens = result.layers["gardens"]
    middle = shapely.get_coordinates(shapely.point_on_surface(gardens.geometry.to_numpy()))
    with rasterio.open(FOLDER / "elevation_ft.tif") as raster:
        z_ft = raster.read(1)
        rows, cols = rasterio.transform.rowcol(raster.transform, *(middle.T / FOOT_M))
        cell_ft = raster.res[0]
    z_m = z_ft[rows, cols] * FOOT_M
    # the cell's height, not the bed's mean: at most 12 % over a few metres between them
    assert np.abs(gardens["elev_m"] - z_m).max() < 0.12 * 6.0
    rise, run = np.gradient(z_ft, cell_ft)
    slope_pct = 100.0 * np.hypot(rise, run)[rows, cols]
    assert np.abs(np.median(gardens["slope_pct"]) - np.median(slope_pct)) < 0.3
    assert gardens["slope_pct"].max() <= STEEPEST_PCT
    assert result.record["crs_code"] == "EPSG:26983"  # the metre twin of EPSG:26847
    assert gardens.crs.to_epsg() == 26983


def test_ids_are_text_and_none_is_made_up(result, raw_parcels):
    known = set(raw_parcels["MAP_LOT"].dropna())
    with closing(sqlite3.connect(result.path)) as db:
        for layer in ("candidate_homes", "other_parcels"):
            kinds = {kind for (kind,) in db.execute(f"SELECT DISTINCT typeof(parcel_id) FROM {layer}")}  # noqa: S608
            assert kinds <= {"text", "null"}
            given = {name for (name,) in db.execute(f"SELECT parcel_id FROM {layer} WHERE parcel_id IS NOT NULL")}  # noqa: S608
            assert given <= known
    # the parcels without an id: a stack of seven features without any, a corner, a piece of road
    nameless = result.layers["other_parcels"]["parcel_id"].isna()
    assert nameless.sum() == raw_parcels[raw_parcels["MAP_LOT"].isna()]["place"].nunique() == 3
    assert result.layers["candidate_homes"]["parcel_id"].notna().all()
    assert result.layers["candidate_homes"]["home_id"].is_unique


def test_buildings_without_an_id_belong_to_the_lot_they_stand_on(result, home_lots):
    """`MAP_LOT` of the buildings is null for more than half; nothing may hang on it."""
    table, footprints = in_metres("buildings")
    is_house = (table["BLDG_TYPE"] == "PRIMARY").to_numpy()
    homes = result.layers["candidate_homes"]
    lot = np.array([home_lots[home] for home in homes["home_id"]], dtype=object)
    house, row = shapely.STRtree(lot).query(shapely.centroid(footprints[is_house]), predicate="within")
    largest = pd.Series(shapely.area(footprints[is_house][house])).groupby(row).max()
    assert np.allclose(
        homes["roof_area_m2"].iloc[largest.index], largest, rtol=0.11
    )  # a sliver over the line may be off
    assert len(largest) > 0.98 * len(homes)
    assert table["MAP_LOT"].isna().sum() > 0.5 * len(table)


def test_house_of_a_lot_in_two_parts(result):
    """10 Sherman Avenue has two parts; gardens lie on the one with the house."""
    homes = result.layers["candidate_homes"].set_index("home_id")
    gardens = result.layers["gardens"]
    parts = shapely.get_parts(homes.geometry["K42-055"])
    assert len(parts) == 2
    _, footprints = in_metres("buildings")
    built = [shapely.area(shapely.intersection(part, footprints)).sum() for part in parts]
    part = parts[int(np.argmax(built))]
    beds = gardens.loc[gardens["home_id"] == "K42-055"].geometry.to_numpy()
    assert len(beds) > 0
    assert shapely.contains(part, beds).all()


def test_what_is_assumed_is_flagged(result):
    homes = result.layers["candidate_homes"]
    for flag in ("coarse_elevation", "rain_assumed", "downspouts_assumed"):
        assert homes["flags"].str.split(";").map(lambda flags, flag=flag: flag in flags).all(), flag
    assert homes["confidence_frac"].max() < 0.5
    assert any("too coarse" in note for note in result.summary.notes)
    assert any("no rain record" in note for note in result.summary.notes)


def test_coarse_cells_are_refused_unless_asked_for(runner, tmp_path):
    output = tmp_path / "out.gpkg"
    ended = runner.invoke(main, ["run", str(RUN_FILE), "-o", str(output), "--set", "siting.allow_coarse=false"])
    assert ended.exit_code == 3
    last = ended.stderr.strip().splitlines()[-1]
    assert last.startswith("screening: elevation_ft.tif has cells of 3.05 m")
    assert "allow_coarse = true under [siting]" in last
    assert list(tmp_path.iterdir()) == []


def test_height_unit_is_asked_for(runner, tmp_path):
    ended = runner.invoke(
        main, ["run", str(RUN_FILE), "-o", str(tmp_path / "out.gpkg"), "--set", 'inputs.elevation_unit=""']
    )
    assert ended.exit_code == 3
    assert "elevation_ft.tif doesn't say in which unit its heights are" in ended.stderr


def test_unknown_kind_of_house_names_the_known_ones(tmp_path):
    params = screening.load_params(RUN_FILE, {"homes.principal_values": ["MAIN"]})
    with pytest.raises(InputError, match=r"no building has such a kind; the most common are 'ACCESSORY', 'PRIMARY'"):
        screening.run(params, output=tmp_path / "out.gpkg", jobs=1)


def test_without_a_kind_the_largest_building_is_the_house(result, tmp_path):
    params = screening.load_params(RUN_FILE, {"homes.principal_values": [], "fields.building_type": ""})
    bounds_m = (277_000.0, 128_150.0, 277_250.0, 128_350.0)
    screening.run(params, output=tmp_path / "out.gpkg", jobs=1, bounds_m=bounds_m)
    without = gpd.read_file(tmp_path / "out.gpkg", layer="candidate_homes").set_index("home_id")
    with_kind = result.layers["candidate_homes"].set_index("home_id")
    both = without.index.intersection(with_kind.index)
    assert len(both) > 10
    # the house is the largest building on nearly every lot
    assert (without.loc[both, "roof_area_m2"] == with_kind.loc[both, "roof_area_m2"]).mean() > 0.9


def test_a_box_gives_the_same_homes_as_the_whole(result, tmp_path):
    bounds_m = (277_050.0, 128_300.0, 277_150.0, 128_400.0)
    params = screening.load_params(RUN_FILE, {})
    screening.run(params, output=tmp_path / "part.gpkg", jobs=1, bounds_m=bounds_m)
    part = gpd.read_file(tmp_path / "part.gpkg", layer="gardens").set_index("garden_id")
    whole = result.layers["gardens"].set_index("garden_id").loc[part.index]
    assert len(part) > 5
    pd.testing.assert_frame_equal(pd.DataFrame(part), pd.DataFrame(whole))


@pytest.mark.slow
def test_other_tiles_and_shuffled_rows_give_the_same_bytes(result, tmp_path):
    for name in ("parcels", "buildings", "decks", "roads", "retaining_walls", "streams"):
        frame = gpd.read_file(FOLDER / f"{name}.gpkg")
        frame.sample(frac=1.0, random_state=1).to_file(tmp_path / f"{name}.gpkg", layer=name)
    (tmp_path / "elevation_ft.tif").write_bytes((FOLDER / "elevation_ft.tif").read_bytes())
    (tmp_path / "run.toml").write_bytes(RUN_FILE.read_bytes())
    params = screening.load_params(tmp_path / "run.toml", {"batch.tile_size_m": 200.0})
    screening.run(params, output=tmp_path / "shuffled.gpkg", jobs=2)
    shuffled = {name: gpd.read_file(tmp_path / "shuffled.gpkg", layer=name) for name in result.layers}
    for name, frame in result.layers.items():
        pd.testing.assert_frame_equal(pd.DataFrame(shuffled[name]), pd.DataFrame(frame))
    tiles = tmp_path / "tiles.gpkg"
    screening.run(screening.load_params(RUN_FILE, {"batch.tile_size_m": 200.0}), output=tiles, jobs=2)
    assert tiles.read_bytes() == result.path.read_bytes()
