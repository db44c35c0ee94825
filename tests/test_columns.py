"""The registry of layers and columns, and bringing frames to it."""

from __future__ import annotations

import sqlite3

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from screening import columns

# The promise to users and to other programs: layers, geometry types and columns. Further ones may be added.
PROMISED = {
    "candidate_homes": (
        "MultiPolygon",
        (
            "rank home_id parcel_id address street building_id roof_area_m2 n_downspouts ground_slope_pct "
            "downslope_deg parcel_area_m2 open_area_m2 n_gardens garden_area_m2 treated_roof_m2 treated_roof_frac "
            "storage_m3 drawdown_h runoff_roof_m3_y diverted_m3_y diverted_low_m3_y diverted_high_m3_y "
            "overflow_code score confidence_frac flags"
        ),
    ),
    "gardens": (
        "Polygon",
        (
            "garden_id home_id shape_code area_m2 length_m width_m long_axis_deg slope_pct ponding_depth_mm "
            "own_building_dist_m other_building_dist_m lot_line_dist_m n_downspouts treated_roof_m2 fall_m run_m "
            "storage_m3 drawdown_h diverted_m3_y"
        ),
    ),
    "downspouts": ("Point", "downspout_id home_id is_measured roof_area_m2 roof_frac garden_id"),
    "inlet_runs": ("LineString", "home_id downspout_id garden_id length_m fall_m"),
    "overflow_paths": ("LineString", "home_id garden_id end_code length_m"),
    "buildings": ("MultiPolygon", "building_id home_id role_code area_m2"),
    "roof_parts": ("MultiPolygon", "downspout_id home_id area_m2"),
    "open_ground": ("MultiPolygon", "home_id area_m2"),
    "other_parcels": (
        "MultiPolygon",
        "parcel_id address reason_code reason_text tightest_rule_code tightest_margin_m alternative_code",
    ),
    "streets": ("MultiLineString", "street n_candidates n_gardens diverted_m3_y diverted_low_m3_y diverted_high_m3_y"),
    "districts": (
        "MultiPolygon",
        (
            "district n_candidates n_gardens runoff_roof_m3_y diverted_m3_y diverted_low_m3_y diverted_high_m3_y "
            "main_cause_code main_cause_frac"
        ),
    ),
    "run_record": (None, "key value"),
    "column_guide": (None, "layer column type unit meaning"),
}

PROMISED_CODES = {
    "REASON_CODES": "not_residential no_building building_too_small shared_stack no_open_ground too_narrow too_steep "
    "no_downhill_place run_too_long overflow_to_building elevation_gap outside_elevation soil_unknown bad_geometry",
    "END_CODES": "street drainage own_low_spot neighbour_lot building_setback off_elevation",
    "SHAPE_CODES": "rectangle free",
    "ROLE_CODES": "principal other neighbour",
    "CAUSE_CODES": "soil_rate roof_share roof_form initial_loss connection rain_year own_differences",
    "ALTERNATIVE_CODES": "barrel permeable_strip lawn_discharge none",
}

# Added to the promise by the water; behind the columns above, in no promised order.
PROMISED_LATER = {
    "candidate_homes": "soil_class soil_rate_mm_h district all_likely_m3_y rank_best rank_worst first_n_chance_frac "
    "main_cause_code main_cause_frac",
    "gardens": "all_likely_m3_y storage_area_m2 treated_roof_gable_m2 soil_class soil_rate_mm_h dig_out_after_y "
    "year_5_frac year_10_frac year_20_frac",
    "other_parcels": "alternative_m3_y",
    "streets": "main_cause_code main_cause_frac",
}

UNITS_BY_ENDING = {
    "m": "m",
    "mm": "mm",
    "m2": "m2",
    "m3": "m3",
    "pct": "%",
    "deg": "deg",
    "h": "h",
    "y": "m3/y",
    "frac": "",
}


def test_layers_and_columns_of_the_contract_stand_first_and_in_order():
    assert [layer.name for layer in columns.LAYERS if layer.name != "merged_parcels"] == list(PROMISED)
    for name, (geometry_type, names) in PROMISED.items():
        layer = columns.layer(name)
        assert layer.geometry_type == geometry_type
        assert list(layer.column_names[: len(names.split())]) == names.split()


@pytest.mark.parametrize("name", PROMISED_LATER)
def test_columns_of_the_water_are_there(name):
    names = columns.layer(name).column_names
    assert set(PROMISED_LATER[name].split()) <= set(names)
    # a garden has its share of the home's likely volume and no range of its own: the ranges of parts do not add up
    assert ("diverted_low_m3_y" in names) == (name in {"candidate_homes", "streets"})


@pytest.mark.parametrize("name", PROMISED_CODES)
def test_codes_of_the_contract(name):
    assert set(PROMISED_CODES[name].split()) <= set(getattr(columns, name))


def test_lean_output_leaves_out_three_layers():
    assert {layer.name for layer in columns.LAYERS if layer.is_detail} == {"roof_parts", "open_ground", "buildings"}


@pytest.mark.parametrize("layer", columns.LAYERS, ids=lambda layer: layer.name)
def test_names_carry_units_and_meet_no_reserved_word(layer):
    assert len({name.lower() for name in layer.column_names}) == len(layer.columns)
    for column in layer.columns:
        assert column.meaning
        assert column.name == column.name.lower()
        assert column.name not in {"fid", "ogc_fid", "geom", "geometry", "rowid"}
        if column.dtype == "float" and column.name != "score":
            expected = "mm/h" if column.name.endswith("_mm_h") else UNITS_BY_ENDING[column.name.rpartition("_")[2]]
            assert column.unit == expected, column.name
        elif column.dtype == "int" and column.name.endswith("_y"):
            assert column.unit == "y"
        else:
            assert column.unit == ""
        if column.name.endswith("_id"):
            assert column.dtype == "str"
        if column.name.startswith("n_"):
            assert column.dtype == "int"
        if column.name.startswith("is_"):
            assert column.dtype == "bool"
        assert (column.codes is not None) == column.name.endswith("_code") or column.name == "flags"


def sample_value(column, index):
    if column.codes is not None:
        return list(column.codes)[index % len(column.codes)]
    return {"str": f"{column.name} {index:03d}", "int": index, "float": index + 0.5, "bool": index % 2 == 0}[
        column.dtype
    ]


def sample_geometry(geometry_type, index):
    line = shapely.linestrings([(index, 0), (index, 1)])
    box = shapely.box(index, 0, index + 1, 1)
    return {
        "Point": shapely.points(index, 0),
        "LineString": line,
        "MultiLineString": shapely.multilinestrings([line]),
        "Polygon": box,
        "MultiPolygon": shapely.multipolygons([box]),
    }[geometry_type]


def sample(layer, n=3):
    """A frame of a layer with its columns in reverse order and an odd index."""
    data = {column.name: [sample_value(column, index) for index in range(n)] for column in reversed(layer.columns)}
    index = range(100, 100 + n)
    if layer.geometry_type is None:
        return pd.DataFrame(data, index=index)
    geometry = [sample_geometry(layer.geometry_type, row) for row in range(n)]
    return gpd.GeoDataFrame(data, index=index, geometry=geometry, crs="EPSG:26915")


@pytest.mark.parametrize("layer", columns.LAYERS, ids=lambda layer: layer.name)
def test_conform_fixes_order_types_and_index(layer):
    frame = sample(layer)
    before = frame.copy()
    result = columns.conform(frame, layer.name)
    assert [name for name in result.columns if name != "geometry"] == list(layer.column_names)
    assert list(result.index) == [0, 1, 2]
    assert result.drop(columns="geometry", errors="ignore").dtypes.equals(
        columns.empty(layer.name).drop(columns="geometry", errors="ignore").dtypes
    )
    for column in layer.columns:
        assert list(result[column.name]) == list(frame[column.name])
    if layer.geometry_type is not None:
        assert result.crs == frame.crs
        assert set(result.geom_type) == {layer.geometry_type}
    pd.testing.assert_frame_equal(pd.DataFrame(frame), pd.DataFrame(before))
    again = columns.conform(result, layer.name)
    pd.testing.assert_frame_equal(pd.DataFrame(again), pd.DataFrame(result))


@pytest.mark.parametrize("layer", columns.LAYERS, ids=lambda layer: layer.name)
def test_an_empty_layer_conforms_and_keeps_its_types(layer):
    frame = columns.empty(layer.name, "EPSG:26915")
    assert len(frame) == 0
    result = columns.conform(frame, layer.name)
    assert result.dtypes.equals(frame.dtypes)
    if layer.geometry_type is not None:
        assert result.crs == "EPSG:26915"


def test_a_column_of_nulls_keeps_its_type_and_whole_numbers_stay_whole():
    layer = columns.layer("gardens")
    frame = sample(layer)
    frame["own_building_dist_m"] = None
    frame["n_downspouts"] = [1.0, np.nan, 3.0]
    frame["overflow_code"] = [None, np.nan, pd.NA]
    result = columns.conform(frame, "gardens")
    assert result["own_building_dist_m"].dtype == pd.Float64Dtype()
    assert result["own_building_dist_m"].isna().all()
    assert result["n_downspouts"].dtype == pd.Int64Dtype()
    assert list(result["n_downspouts"].dropna()) == [1, 3]
    assert result["overflow_code"].isna().all()


def test_single_parts_become_multi_parts_where_the_layer_has_these():
    frame = sample(columns.layer("open_ground"), 2)
    polygon, many = shapely.box(0, 0, 2, 1), shapely.multipolygons([shapely.box(0, 0, 1, 1), shapely.box(5, 5, 6, 6)])
    frame.geometry = [polygon, many]
    result = columns.conform(frame, "open_ground")
    assert list(shapely.get_num_geometries(result.geometry.to_numpy())) == [1, 2]
    assert shapely.equals(result.geometry[0], polygon)
    assert frame.geometry.iloc[0] is polygon


def test_streets_may_come_as_a_table_and_parcels_without_outline():
    streets = sample(columns.layer("streets")).drop(columns="geometry")
    assert not isinstance(columns.conform(pd.DataFrame(streets), "streets"), gpd.GeoDataFrame)
    parcels = sample(columns.layer("other_parcels"))
    parcels.geometry = [None, *parcels.geometry[1:]]
    assert list(columns.conform(parcels, "other_parcels").geometry.isna()) == [True, False, False]


def without(frame):
    return frame.drop(columns="area_m2")


def set_value(name, values):
    def change(frame):
        return frame.assign(**{name: values})

    return change


def set_geometry(*geometry):
    def change(frame):
        return frame.set_geometry(gpd.GeoSeries(geometry, index=frame.index, crs=frame.crs))

    return change


BOX = shapely.box(0, 0, 1, 1)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (without, "missing columns: area_m2"),
        (set_value("extra", 1), "does not list: extra"),
        (set_value("area_m2", [1.0, np.inf, 2.0]), "area_m2: infinite"),
        (set_value("area_m2", ["1", "2", "3"]), "area_m2: must be numbers"),
        (set_value("area_m2", [True, False, True]), "area_m2: must be numbers"),
        (set_value("n_downspouts", [1.5, 1.0, 2.0]), "n_downspouts: "),
        (set_value("home_id", ["a", "b", None]), "home_id: null"),
        (set_value("home_id", [1, 2, 3]), "1 is no text"),
        (set_value("garden_id", ["a", "b", "a"]), "'a' stands in more than one row"),
        (set_value("shape_code", ["rectangle", "round", "free"]), "'round' is not in the list"),
        (set_geometry(BOX, None, BOX), "1 rows without geometry"),
        (set_geometry(BOX, shapely.points(0, 0), BOX), "no Polygon but for example Point"),
        (set_geometry(BOX, shapely.Polygon(), BOX), "empty geometries"),
        (pd.DataFrame, "the geometry is missing"),
    ],
)
def test_conform_refuses_what_does_not_fit(change, problem):
    frame = change(sample(columns.layer("gardens")))
    if type(frame) is pd.DataFrame:
        frame = frame.drop(columns="geometry")
    with pytest.raises(ValueError, match="layer gardens: ") as caught:
        columns.conform(frame, "gardens")
    assert problem in str(caught.value)


def test_flags_are_a_list_of_codes():
    frame = sample(columns.layer("candidate_homes"))
    frame["flags"] = ["", "rain_assumed;steep_ground", None]
    result = columns.conform(frame, "candidate_homes")
    assert list(result["flags"][:2]) == ["", "rain_assumed;steep_ground"]
    assert result["flags"].isna()[2]
    frame["flags"] = ["", "rain_assumed;steep", None]
    with pytest.raises(ValueError, match="'steep' is not in the list"):
        columns.conform(frame, "candidate_homes")


@given(st.permutations(range(6)), st.lists(st.none() | st.floats(-1e6, 1e6), min_size=6, max_size=6))
def test_values_stay_with_their_rows(order, values):
    frame = sample(columns.layer("open_ground"), 6)
    frame["area_m2"] = pd.array(values, dtype="Float64")
    shuffled = columns.conform(frame.iloc[list(order)], "open_ground")
    for row, source in enumerate(order):
        assert shuffled["home_id"][row] == frame["home_id"].iloc[source]
        value = shuffled["area_m2"][row]
        assert (pd.isna(value) and values[source] is None) or value == values[source]


def test_the_guide_covers_every_column_of_every_layer():
    guide = columns.guide()
    listed = set(zip(guide["layer"], guide["column"], strict=True))
    for layer in columns.LAYERS:
        assert {(layer.name, name) for name in layer.column_names} <= listed
        assert ((layer.name, "geom") in listed) == (layer.geometry_type is not None)
    assert len(columns.conform(guide, "column_guide")) == len(listed)
    assert ("streets", "geom") not in {
        tuple(row) for row in columns.guide(["streets"], tables=["streets"])[["layer", "column"]].to_numpy()
    }
    assert set(columns.guide(["gardens"])["layer"]) == {"gardens"}


def test_the_guide_agrees_with_a_written_file_read_by_sqlite(tmp_path):
    path = tmp_path / "out.gpkg"
    for layer in columns.LAYERS:
        frame = columns.conform(sample(layer), layer.name)
        pyogrio.write_dataframe(frame, path, layer=layer.name, driver="GPKG", append=path.exists())
    guide = columns.guide()
    connection = sqlite3.connect(path)
    try:
        for name, rows in guide.groupby("layer"):
            in_file = [row[1] for row in connection.execute(f"PRAGMA table_info({name})")]
            assert sorted(in_file) == sorted(rows["column"]), name
    finally:
        connection.close()


def test_an_unknown_layer_is_a_key_error():
    with pytest.raises(KeyError):
        columns.layer("homes")
    with pytest.raises(AttributeError):
        _ = columns.nothing
