"""Soils, rain, barrels and sums through whole runs of a small invented town."""

from __future__ import annotations

import sqlite3

import geopandas as gpd
import numpy as np
import pytest
import shapely
from made_lots import make_town_module, read_town
from made_rain import hourly_rain

from screening.batch import run
from screening.errors import InputError, ParameterError
from screening.params import load_params

CRS = "EPSG:26915"


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """Folder and run file of a town of forty lots with two years of rain."""
    folder = tmp_path_factory.mktemp("town")
    make_town_module().make_town(folder / "made", 40, 11, n_rain_years=1)
    city = read_town(folder / "made", rain_mm=hourly_rain(2, 11))
    return city.write(folder / "town")


def screened(run_file, output, **overrides):
    """Layers of a run, and its summary; overrides are ``section__key=value``."""
    params = load_params(run_file, {key.replace("__", "."): value for key, value in overrides.items()})
    summary = run(params, output=output, jobs=1, overwrite=True)
    with sqlite3.connect(output) as db:
        record = dict(db.execute("SELECT key, value FROM run_record"))
        names = {row[0] for row in db.execute("SELECT table_name FROM gpkg_contents")}
    layers = {name: gpd.read_file(output, layer=name) for name in names if name not in {"run_record", "column_guide"}}
    return layers, summary, record


@pytest.fixture(scope="module")
def plain(town, tmp_path_factory):
    """The town without anything special."""
    return screened(town, tmp_path_factory.mktemp("plain") / "out.gpkg")


def halves(run_file):
    """Western and eastern half of the town."""
    west, south, east, north = gpd.read_file(run_file.parent / "parcels.gpkg").total_bounds
    middle = 0.5 * (west + east)
    return shapely.box(west - 99, south - 99, middle, north + 99), shapely.box(
        middle, south - 99, east + 99, north + 99
    )


def written(folder, name, column, values, shapes):
    """A polygon layer."""
    path = folder / name
    gpd.GeoDataFrame({column: values}, geometry=list(shapes), crs=CRS).to_file(path, engine="pyogrio")
    return path


def test_every_figure_belongs_together(plain):
    layers, summary, record = plain
    homes, gardens = layers["candidate_homes"], layers["gardens"]
    assert len(homes) >= 20
    sums = gardens.groupby("home_id")[["diverted_m3_y", "all_likely_m3_y"]].sum().loc[homes["home_id"]]
    np.testing.assert_allclose(sums["diverted_m3_y"], homes["diverted_m3_y"], rtol=1e-9)
    np.testing.assert_allclose(sums["all_likely_m3_y"], homes["all_likely_m3_y"], rtol=1e-9)
    assert homes["diverted_m3_y"].is_monotonic_decreasing
    assert (homes["rank_best"] <= homes["rank_worst"]).all()
    assert (homes["first_n_chance_frac"] == 1.0).all()  # fewer homes than n_first
    assert summary.diverted_low_m3_y < summary.diverted_m3_y < summary.diverted_high_m3_y
    # what homes have for themselves evens out in the sum
    assert summary.diverted_low_m3_y > homes["diverted_low_m3_y"].sum()
    assert summary.diverted_high_m3_y < homes["diverted_high_m3_y"].sum()
    assert sum(summary.cause_frac.values()) == pytest.approx(1.0, abs=1e-6)
    assert float(record["total_diverted_m3_y"]) == pytest.approx(summary.diverted_m3_y, abs=1e-3)
    assert record["soil.7.6 mm/h.rate_mm_h"] == "7.6"
    assert record["rain_years_used"] == "2015"


def test_soils_come_from_the_map(town, plain, tmp_path):
    west, east = halves(town)
    path = written(tmp_path, "soils.gpkg", "MUSYM", ["12A", "40C"], (west, east))
    soil = {"inputs__soils": path, "fields__soil": "MUSYM", "soil__classes": {"12A": "sandy loam", "40C": "clay loam"}}
    layers, _, record = screened(town, tmp_path / "out.gpkg", **soil)
    gardens = layers["gardens"]
    middle = shapely.centroid(gardens.geometry.to_numpy())
    in_west = shapely.contains_properly(west.buffer(-15.0), middle)
    in_east = shapely.contains_properly(east.buffer(-15.0), middle)
    assert in_west.sum() > 5
    assert in_east.sum() > 5
    # Minnesota Stormwater Manual (2022): sandy loam 0.8 in/h, clay loam 0.06 in/h
    assert set(gardens["soil_class"][in_west]) == {"sandy loam"}
    assert gardens["soil_rate_mm_h"][in_west].to_numpy() == pytest.approx(20.3, abs=0.05)
    assert set(gardens["soil_class"][in_east]) == {"clay loam"}
    assert gardens["soil_rate_mm_h"][in_east].to_numpy() == pytest.approx(1.5, abs=0.05)
    # what soaks away in a day caps the depth
    assert gardens["ponding_depth_mm"][in_east].max() == pytest.approx(24.0 * gardens["soil_rate_mm_h"][in_east].max())
    before = plain[0]["candidate_homes"].set_index("home_id")["all_likely_m3_y"]
    after = layers["candidate_homes"].set_index("home_id")
    slow = after.index[after["soil_class"] == "clay loam"].intersection(before.index)
    assert (after.loc[slow, "all_likely_m3_y"] < before.loc[slow]).mean() > 0.95
    assert "Minnesota" in record["soil.clay loam.basis"]


def test_homes_off_the_soil_map_have_no_silent_soil(town, plain, tmp_path):
    west, _ = halves(town)
    path = written(tmp_path, "soils.gpkg", "texture", ["loam"], (west,))
    soil = {"inputs__soils": path, "fields__soil": "texture"}
    layers, summary, _ = screened(town, tmp_path / "out.gpkg", **soil)
    lost = layers["other_parcels"].query("reason_code == 'soil_unknown'")
    assert len(lost) > 5
    # a barrel needs no soil
    assert set(lost["alternative_code"]) <= {"barrel", "none"}
    assert summary.n_candidate_homes + summary.n_other_parcels + summary.n_parcels_merged == summary.n_parcels_read
    layers, _, _ = screened(town, tmp_path / "out.gpkg", **soil, soil__default="silt")
    homes = layers["candidate_homes"]
    outside = homes["flags"].fillna("").str.contains("soil_outside")
    assert set(homes["soil_class"][outside]) == {"silt"}
    assert set(homes["soil_class"][~outside]) == {"loam"}
    assert len(homes) == len(plain[0]["candidate_homes"])


def test_unknown_soils_are_refused_by_name(town, tmp_path):
    west, east = halves(town)
    path = written(tmp_path, "soils.gpkg", "texture", ["loam", "sandy lome"], (west, east))
    with pytest.raises(ParameterError, match="sandy loam"):
        screened(town, tmp_path / "out.gpkg", inputs__soils=path, fields__soil="texture")
    with pytest.raises(ParameterError, match="group_scale"):
        screened(town, tmp_path / "out.gpkg", soil__default="B")
    assert not (tmp_path / "out.gpkg").exists()


def test_districts_have_sums_with_intervals(town, plain, tmp_path):
    west, east = halves(town)
    path = written(tmp_path, "areas.gpkg", "NAME", ["Upper town", "Lower town"], (west, east))
    layers, summary, _ = screened(town, tmp_path / "out.gpkg", inputs__districts=path, fields__district="NAME")
    districts, homes = layers["districts"].set_index("district"), layers["candidate_homes"]
    assert districts.index.tolist() == ["Lower town", "Upper town"]
    assert districts["n_candidates"].sum() == len(homes) == len(plain[0]["candidate_homes"])
    for name, row in districts.iterrows():
        inside = homes[homes["district"] == name]
        assert len(inside) == row["n_candidates"]
        assert row["runoff_roof_m3_y"] == pytest.approx(inside["runoff_roof_m3_y"].sum())
        assert inside["diverted_low_m3_y"].sum() < row["diverted_low_m3_y"] < row["diverted_m3_y"]
        assert row["diverted_m3_y"] < row["diverted_high_m3_y"] < inside["diverted_high_m3_y"].sum()
        assert row["diverted_m3_y"] == pytest.approx(inside["diverted_m3_y"].sum(), rel=0.05)
    assert summary.diverted_m3_y == pytest.approx(plain[1].diverted_m3_y, rel=1e-12)


def test_every_garden_by_itself_is_what_the_curves_say(town, plain, tmp_path):
    layers, _, _ = screened(town, tmp_path / "out.gpkg", rain__each_garden=True)
    curves = plain[0]["gardens"].set_index("garden_id")
    ours = layers["gardens"].set_index("garden_id")["all_likely_m3_y"].loc[curves.index]
    runoff = float(plain[2]["runoff_roof_mm_y"]) / 1000.0 * curves["treated_roof_m2"]
    # at most 0.5 % of the inflow
    assert (np.abs(ours - curves["all_likely_m3_y"]) <= 0.005 * runoff).all()
    assert not np.array_equal(ours, curves["all_likely_m3_y"])


def test_barrels_upstream_hold_back_more(town, plain, tmp_path):
    layers, summary, _ = screened(town, tmp_path / "out.gpkg", barrel__is_upstream=True)
    before = plain[0]["gardens"].set_index("garden_id")["all_likely_m3_y"]
    after = layers["gardens"].set_index("garden_id")["all_likely_m3_y"].loc[before.index]
    assert (after >= before - 0.005 * before.max()).all()
    assert summary.diverted_m3_y > 1.005 * plain[1].diverted_m3_y
    with pytest.raises(InputError, match="constant"):
        screened(town, tmp_path / "no.gpkg", barrel__is_upstream=True, soil__default="loam",
                 soil__infiltration="green_ampt")  # fmt: skip


def test_leaning_sides_and_a_berm_hold_less(town, plain, tmp_path):
    layers, _, _ = screened(town, tmp_path / "out.gpkg", sizing__side_run_per_rise=3.0, sizing__berm_width_m=0.3)
    gardens = layers["gardens"]
    assert (gardens["storage_area_m2"] < gardens["area_m2"]).all()
    assert (gardens["area_m2"] <= 27.9 + 1e-6).all()
    before, after = (one["candidate_homes"].set_index("home_id")["all_likely_m3_y"] for one in (plain[0], layers))
    both = before.index.intersection(after.index)
    assert after[both].sum() < before[both].sum()


def test_a_target_over_the_greatest_area_is_divided(town, tmp_path):
    layers, _, _ = screened(town, tmp_path / "out.gpkg", rules__max_garden_area_m2=8.0)
    homes, spouts = layers["candidate_homes"], layers["downspouts"]
    twice = set(homes.loc[homes["n_gardens"] == 2, "home_id"])
    served = spouts[spouts["garden_id"].notna() & spouts["home_id"].isin(twice)]
    of_first = served.groupby("home_id")["garden_id"].nunique()
    assert len(twice) > 0.4 * len(homes)
    assert (of_first == 2).all()
    single, _, _ = screened(town, tmp_path / "single.gpkg", rules__max_garden_area_m2=8.0, siting__second_garden=False)
    before = single["candidate_homes"].set_index("home_id")["all_likely_m3_y"]
    after = homes.set_index("home_id")["all_likely_m3_y"]
    assert after.sum() > 1.2 * before.sum()


def test_gardens_silt_up(plain):
    gardens = plain[0]["gardens"]
    due = gardens["dig_out_after_y"].dropna()
    assert len(due)
    assert (due >= 1).all()
    years = gardens[["year_5_frac", "year_10_frac", "year_20_frac"]].to_numpy()
    assert (np.diff(years, axis=1) <= 1e-12).all()
    # keep_frac 0.9: where the 10th year keeps less, digging is due before
    early = gardens[gardens["year_10_frac"] < 0.89]
    assert (early["dig_out_after_y"] <= 10).all()


def test_what_stands_in_for_a_garden_has_a_figure(plain):
    others = plain[0]["other_parcels"]
    homes = others[others["alternative_code"].notna()]
    assert len(homes)
    named = homes["alternative_code"] != "none"
    assert homes.loc[named, "alternative_m3_y"].gt(0.0).all()
    assert homes.loc[~named, "alternative_m3_y"].isna().all()
