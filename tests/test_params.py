"""Parameters: defaults, ranges, run files, overrides and messages."""

from __future__ import annotations

import dataclasses
import math
import pickle

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from screening.errors import ParameterError
from screening.params import (
    INPUT_NAMES,
    SECTIONS,
    HomeParams,
    InputParams,
    KeepAway,
    Params,
    RuleParams,
    SizingParams,
    SoilParams,
    declared,
    load_params,
    params_toml,
)
from screening.rules import OVERRIDABLE, RULE_SETS
from screening.units import FOOT_M, INCH_MM


def write(folder, text):
    path = folder / "run.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems_of(**given_arguments):
    with pytest.raises(ParameterError) as caught:
        load_params(**given_arguments)
    return str(caught.value)


# The contract with users --------------------------------------------------------------------------


def test_the_run_file_of_the_contract_is_understood(tmp_path):
    path = write(
        tmp_path,
        """
        [inputs]
        parcels = "parcels.gpkg"
        buildings = "buildings.gpkg"
        elevation = "elevation.tif"
        elevation_unit = "m"
        elevation_nodata = -9999
        streets = "streets.gpkg"
        rain = "rain.csv"
        downspouts = "downspouts.gpkg"
        [inputs.layers]
        parcels = "lots"
        [inputs.crs]
        elevation = "EPSG:26915"
        [[inputs.keep_away]]
        path = "wells.gpkg"
        kind = "well"
        distance_m = 15.2
        [fields]
        parcel_id = "MAP_LOT"
        address = "PROP_ADDRS"
        land_use = "LAND_USE"
        building_type = "BLDG_TYPE"
        [homes]
        land_use = ["Residential"]
        principal_values = ["PRIMARY"]
        [rules]
        base = "us-midwest"
        foundation_m = 3.05
        lot_line_m = 1.52
        max_slope_pct = 12
        min_garden_area_m2 = 4.6
        max_garden_area_m2 = 27.9
        min_garden_width_m = 1.5
        max_run_m = 15
        min_fall_pct = 1
        [siting]
        allow_coarse = false
        """,
    )
    params = load_params(path)
    assert params.inputs.parcels == tmp_path / "parcels.gpkg"
    assert params.inputs.elevation_nodata == -9999.0
    assert params.inputs.layers == {"parcels": "lots"}
    assert params.inputs.crs == {"elevation": "EPSG:26915"}
    assert params.inputs.keep_away == (KeepAway(path=tmp_path / "wells.gpkg", kind="well", distance_m=15.2),)
    assert params.fields.parcel_id == "MAP_LOT"
    assert params.homes == HomeParams(land_use=("Residential",), principal_values=("PRIMARY",))
    assert params.rules == RuleParams()


def test_defaults_of_the_contract():
    rules = Params().rules
    expected = {
        "foundation_m": 3.05,
        "lot_line_m": 1.52,
        "max_slope_pct": 12.0,
        "min_garden_area_m2": 4.6,
        "max_garden_area_m2": 27.9,
        "min_garden_width_m": 1.5,
        "max_run_m": 15.0,
        "min_fall_pct": 1.0,
    }
    assert {name: getattr(rules, name) for name in expected} == expected


def test_defaults_with_a_published_source():
    params = Params()
    # Denver UDFCD, Drainage Criteria Manual (1984), Table 2-1: sloped roof 0.05 in recommended.
    assert params.roof.initial_loss_mm == pytest.approx(0.05 * INCH_MM)
    # Minnesota Stormwater Manual (2022), design rates: loam 0.3, sandy clay loam 0.2, silty sand 0.45 in/h.
    assert params.soil.rate_mm_h == pytest.approx(0.3 * INCH_MM, abs=0.05)
    assert params.soil.rate_low_mm_h == pytest.approx(0.2 * INCH_MM, abs=0.05)
    assert params.soil.rate_high_mm_h == pytest.approx(0.45 * INCH_MM, abs=0.05)
    # City of Irving TX, Gutters and downspouts: a 2 x 3 in downspout serves 600-700 ft2.
    assert params.roof.area_per_downspout_m2 == pytest.approx(600 * FOOT_M**2, abs=0.05)
    # Trade text (theroofingbrief.com): one downspout per 35 ft.
    assert params.roof.eave_per_downspout_m == pytest.approx(35 * FOOT_M, abs=0.05)
    # STEP/TRCA, Drainage time: events are 12 h apart.
    assert params.rain.dry_spell_h == 12.0
    # From memory: Driscoll et al. (US EPA 1989), zone North Central, mean storm 0.55 in.
    assert params.rain.storm_mean_mm == pytest.approx(0.55 * INCH_MM, abs=0.05)


@pytest.mark.parametrize("section", SECTIONS)
def test_every_parameter_says_what_it_is(section):
    for name, parameter in declared(SECTIONS[section]).items():
        spec = parameter.spec
        assert spec.meaning, name
        is_number = parameter.kind in {int, float, tuple[float, ...], float | None}
        if is_number and name not in {"elevation_nodata", "distance_m"}:
            assert spec.source, name
            assert spec.range_text(), name
        unit = {"m": "m", "m2": "m2", "mm": "mm", "pct": "%", "h": "h"}.get(name.rpartition("_")[2])
        if is_number and unit and not name.endswith("_mm_h"):
            assert spec.unit == unit, name


# Rule sets and overrides --------------------------------------------------------------------------


@pytest.mark.parametrize("base", RULE_SETS)
def test_a_base_rule_set_fills_in_what_is_not_given(base, tmp_path):
    rules = load_params(write(tmp_path, f'[rules]\nbase = "{base}"\nlot_line_m = 2.25')).rules
    assert rules.lot_line_m == 2.25
    for name in OVERRIDABLE:
        if name != "lot_line_m":
            assert getattr(rules, name) == getattr(RULE_SETS[base], name).value


def test_overrides_win_over_the_run_file(tmp_path):
    path = write(tmp_path, '[rules]\nbase = "us-mn"\nlot_line_m = 2\n[soil]\nrate_mm_h = 6')
    by_text = load_params(path, ["rules.lot_line_m=3", "sizing.soil_class=clayey", "homes.land_use=['R1', 'R2']"])
    by_mapping = load_params(
        path, {"rules.lot_line_m": 3.0, "sizing.soil_class": "clayey", "homes.land_use": ("R1", "R2")}
    )
    assert by_text == by_mapping
    assert by_text.rules.lot_line_m == 3.0
    assert by_text.rules.foundation_m == RULE_SETS["us-mn"].foundation_m.value
    assert by_text.sizing.soil_class == "clayey"
    assert by_text.homes.land_use == ("R1", "R2")
    assert by_text.soil.rate_mm_h == 6.0


def test_relative_paths_count_from_the_run_file_and_those_of_overrides_from_here(tmp_path, monkeypatch):
    (tmp_path / "city").mkdir()
    (tmp_path / "here").mkdir()
    path = write(
        tmp_path / "city", '[inputs]\nparcels = "../lots.gpkg"\n[[inputs.keep_away]]\npath="w.gpkg"\nkind="well"'
    )
    monkeypatch.chdir(tmp_path / "here")
    params = load_params(path, ["inputs.buildings=b.gpkg", "inputs.layers.buildings=roofs"])
    assert params.inputs.parcels == tmp_path / "lots.gpkg"
    assert params.inputs.keep_away[0].path == tmp_path / "city" / "w.gpkg"
    assert params.inputs.buildings == tmp_path / "here" / "b.gpkg"
    assert params.inputs.layers == {"buildings": "roofs"}


# What is wrong is said, all at once ---------------------------------------------------------------


def test_every_problem_is_reported_at_once_with_the_nearest_name(tmp_path):
    path = write(
        tmp_path,
        """
        [rules]
        lot_lin_m = 2
        max_slope_pct = 0
        [soil]
        rate_mm_h = "7.6"
        [sizing]
        method = "guess"
        [roofs]
        form = "hip"
        """,
    )
    text = problems_of(path=path, overrides=["terrain.foundation_m=2"])
    assert text.startswith(f"{path} and what overrides it: 6 problems:\n")
    assert "unknown parameter in [rules]: 'lot_lin_m'; did you mean 'lot_line_m'?" in text
    assert "[rules] max_slope_pct = 0: must be > 0, <= 100" in text
    assert '[soil] rate_mm_h = "7.6": must be a number' in text
    assert '[sizing] method = "guess": must be one of "handbook", "capture_depth", "fixed_area"' in text
    assert "[roofs] is no section; did you mean 'roof'?" in text
    overriding = (
        "  - override terrain.foundation_m=2: unknown parameter in [terrain]: 'foundation_m'; it belongs to [rules]"
    )
    assert overriding in text.splitlines()
    assert problems_of(path=path).startswith(f"{path}: 5 problems:\n")


@pytest.mark.parametrize(
    ("setting", "problem"),
    [
        ("rules.lot_line_m=-1", "must be >= 0"),
        ("rules.lot_line_m=nan", "must be >= 0"),
        ("rules.lot_line_m=inf", "must be >= 0"),
        ("rules.lot_line_m=true", "must be a number"),
        ("rules.lot_line_m='2'", "must be a number"),
        ("terrain.max_fill_cells=1.5", "must be a whole number"),
        ("siting.free_form=1", "must be true or false"),
        ("homes.land_use=R1", "must be a list"),
        ("homes.land_use=[1]", "entry 1 must be text"),
        ("rain.frozen_months=[13]", "entry 13 must be >= 1, <= 12"),
        ("siting.shape_ratios=[]", "at least 1"),
        ("sizing.depths_mm=[100]", "one entry more"),
        ("sizing.slope_breaks_pct=[8, 4]", "must rise"),
        ("soil.spread_factor=0.9", "must be >= 1"),
        ("soil.classes.Ab=3", "Ab must be text in quotes"),
        ("roof.connection_low_frac=1.1", "must be > 0, <= 1"),
        ("terrain.ring_inner_m=10", "smaller than ring_outer_m"),
        ("rules.min_garden_area_m2=30", "must not be larger than max_garden_area_m2"),
        ("rules.min_garden_width_m=6", "even a square"),
        ("siting.warn_cell_m=4", "must not be larger than max_cell_m"),
        ("ranking.weight_volume=0", "one of the weights"),
        ("inputs.crs.rain=EPSG:4326", "crs.rain: must be one of"),
        ("inputs.layers=lots", "must be a table"),
        ("inputs.parcels=3", "must be a path"),
        ("lot_line_m=3", "write section.key=value"),
        ("rules.lot_line_m", "write section.key=value"),
        ("rules.base=us-mw", "must be one of"),
    ],
)
def test_a_wrong_value_is_refused_in_words(setting, problem):
    text = problems_of(overrides=[setting])
    assert problem in text
    assert "\n" not in text


@pytest.mark.parametrize(
    ("setting", "problem"),
    [
        ("rules.lot_line_m=abc", "must be a number"),
        ("rules.lot_lin_m=2", "unknown parameter in [rules]: 'lot_lin_m'; did you mean 'lot_line_m'?"),
        ("rule.lot_line_m=2", "[rule] is no section; did you mean 'rules'?"),
        ("lot_line_m=2", '"lot_line_m" is no parameter; write section.key=value'),
        ("rules.lot_line_m 2", "that is no setting; write section.key=value"),
        ("inputs.crs.rain=EPSG:4326", "[inputs] crs.rain: must be one of"),
        ("rules.min_garden_area_m2=30", "[rules] min_garden_area_m2 must not be larger than max_garden_area_m2"),
        ("inputs.keep_away=[{path='w.gpkg'}]", "[inputs.keep_away 1] kind is missing"),
        ("inputs.keep_away=[{path='w.gpkg', kind='well', distance=2}]", "unknown parameter in [inputs.keep_away 1]"),
    ],
)
def test_an_override_is_blamed_for_its_own_mistake_and_not_the_run_file(tmp_path, setting, problem):
    path = write(tmp_path, "[rules]\nmax_garden_area_m2 = 20\n[inputs.crs]\nparcels = 'EPSG:26915'")
    text = problems_of(path=path, overrides=[setting], option_names={setting: f"--set {setting}"})
    assert text.startswith(f"--set {setting}: {problem}")
    assert "run.toml" not in text
    assert problems_of(path=path, overrides=[setting]).startswith(f"override {setting}: ")


def test_a_run_file_is_blamed_for_its_own_mistake_beside_a_sound_override(tmp_path):
    path = write(tmp_path, "[rules]\nmax_slope_pct = 0\n")
    text = problems_of(path=path, overrides=["rules.lot_line_m=2"])
    assert text == f"{path}: [rules] max_slope_pct = 0: must be > 0, <= 100"
    path = write(tmp_path, "[rules]\nmin_garden_area_m2 = 30\n")
    assert problems_of(path=path, overrides=["rules.lot_line_m=2"]).startswith(f"{path}: [rules] min_garden_area_m2")


def test_the_last_of_two_overrides_of_a_parameter_is_blamed():
    text = problems_of(overrides=["rules.lot_line_m=a", "rules.lot_line_m=b"])
    assert text == "override rules.lot_line_m=b: must be a number"
    assert problems_of(overrides={"rules.lot_line_m": "a"}) == "override rules.lot_line_m: must be a number"


def test_bad_run_files_name_the_file_and_the_way_out(tmp_path):
    assert "does not exist" in problems_of(path=tmp_path / "none.toml")
    assert "not valid TOML" in problems_of(path=write(tmp_path, "[rules\n"))
    text = problems_of(path=write(tmp_path, '[inputs]\nparcels = "C:\\city\\lots.gpkg"'))
    assert "single quotes" in text
    (tmp_path / "latin.toml").write_bytes(b'[fields]\naddress = "Stra\xdfe"')
    assert "UTF-8" in problems_of(path=tmp_path / "latin.toml")
    assert "is a folder" in problems_of(path=tmp_path)


def test_keep_away_layers_need_a_distance_from_somewhere(tmp_path):
    text = "[[inputs.keep_away]]\npath = 'x.gpkg'\nkind = '{kind}'\n"
    assert load_params(write(tmp_path, text.format(kind="septic"))).inputs.keep_away[0].distance_m is None
    assert "'pond' needs distance_m" in problems_of(path=write(tmp_path, text.format(kind="pond")))
    given_one = write(tmp_path, text.format(kind="pond") + "distance_m = 3")
    assert load_params(given_one).inputs.keep_away[0].distance_m == 3.0
    no_figure = write(tmp_path, "[rules]\nbase = 'ca-on'\n" + text.format(kind="well"))
    assert "'well' needs distance_m" in problems_of(path=no_figure)
    assert "path is missing" in problems_of(path=write(tmp_path, "[[inputs.keep_away]]\nkind = 'well'"))
    assert "kind is missing" in problems_of(path=write(tmp_path, "[[inputs.keep_away]]\npath = 'x.gpkg'"))
    typo = write(tmp_path, text.format(kind="well") + "distance = 3")
    assert "did you mean 'distance_m'" in problems_of(path=typo)
    assert "[[inputs.keep_away]]" in problems_of(path=write(tmp_path, "[inputs]\nkeep_away = 'x.gpkg'"))


# Objects ------------------------------------------------------------------------------------------


def test_parameters_are_frozen_checked_and_travel_to_workers():
    params = load_params(None, {"inputs.keep_away": [{"path": "w.gpkg", "kind": "well"}], "rules.base": "us-nj"})
    assert pickle.loads(pickle.dumps(params)) == params  # noqa: S301 - our own bytes
    with pytest.raises(dataclasses.FrozenInstanceError):
        params.rules.lot_line_m = 0.0
    with pytest.raises(ParameterError, match="must be >= 0"):
        RuleParams(lot_line_m=-1.0)
    with pytest.raises(TypeError):
        RuleParams("us-nj")
    assert isinstance(SoilParams(rate_mm_h=8).rate_mm_h, float)
    assert SizingParams(depths_mm=[100, 150, 200]) == SizingParams()


def test_the_record_depends_on_the_rules_and_not_on_the_place(tmp_path):
    texts = []
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        path = write(tmp_path / folder, '[inputs]\nparcels = "lots.gpkg"\n[rules]\nlot_line_m = 2')
        texts.append(load_params(path))
    one, other = texts
    assert one != other
    assert one.digest() == other.digest()
    assert one.record()["inputs.parcels"] == "lots.gpkg"
    assert one.record()["rules.lot_line_m"] == "2"
    assert one.record()["rules.foundation_m"] == "3.05"
    tiled = load_params(tmp_path / "a" / "run.toml", ["batch.tile_size_m=500"])
    assert tiled.digest() == one.digest()
    assert not any(key.startswith("batch.") for key in one.record())
    changed = load_params(tmp_path / "a" / "run.toml", ["rules.lot_line_m=2.0000001"])
    assert changed.digest() != one.digest()


def test_the_record_names_every_parameter():
    names = {f"{section}.{name}" for section, kind in SECTIONS.items() if section != "batch" for name in declared(kind)}
    assert set(Params().record()) == names


# The commented run file ---------------------------------------------------------------------------


@pytest.mark.parametrize("section", [None, *SECTIONS])
def test_the_printed_defaults_are_a_run_file(section, tmp_path):
    text = params_toml(section)
    assert load_params(write(tmp_path, text)) == Params()
    for name in declared(SECTIONS[section]) if section else ():
        assert name in text
    assert max(len(line) for line in text.splitlines()) <= 110


def test_the_base_of_the_printed_run_file_can_be_changed(tmp_path):
    text = params_toml("rules").replace('base = "us-midwest"', 'base = "uk-5m"')
    assert load_params(write(tmp_path, text)).rules == RuleParams(base="uk-5m")


texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=12)


@given(
    lot_line_m=st.floats(0, 20),
    rate_mm_h=st.floats(5.1, 11.4),
    address=texts,
    land_use=st.lists(texts, max_size=3),
    years=st.lists(st.integers(1900, 2100), max_size=3),
    base=st.sampled_from(sorted(RULE_SETS)),
    nodata=st.none() | st.floats(allow_nan=False, allow_infinity=False),
    layer=st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=12),
)
@example(lot_line_m=0.0, rate_mm_h=6.0, address="", land_use=[], years=[], base="us-mn", nodata=-0.0, layer="lots")
def test_written_parameters_read_back_as_they_were(
    tmp_path_factory, lot_line_m, rate_mm_h, address, land_use, years, base, nodata, layer
):
    params = load_params(
        None,
        {
            "rules.base": base,
            "rules.lot_line_m": lot_line_m,
            "soil.rate_mm_h": rate_mm_h,
            "fields.address": address,
            "homes.land_use": land_use,
            "rain.years": years,
            "inputs.elevation_nodata": nodata,
            "inputs.parcels": "some folder/lots 'new'.gpkg",
            "inputs.layers.parcels": layer,
            "soil.classes": {layer: layer, "Ab 1": "B/D"},
            "inputs.keep_away": [{"path": "w.gpkg", "kind": "well", "distance_m": 3, "layer": layer}],
        },
    )
    path = write(tmp_path_factory.mktemp("run"), params_toml(params=params))
    assert load_params(path) == params
    assert load_params(path).digest() == params.digest()


@given(st.floats())
def test_no_number_outside_its_range_gets_in(value):
    try:
        rate_mm_h = SoilParams(rate_mm_h=value).rate_mm_h
    except ParameterError:
        assert not 0 < value <= 1000
    else:
        assert math.isfinite(rate_mm_h)
        assert rate_mm_h > 0


def test_inputs_have_no_defaults():
    inputs = InputParams()
    assert {getattr(inputs, name) for name in INPUT_NAMES} == {None}
