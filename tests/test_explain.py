"""One home explained: right numbers, formulas that hold, a picture that shows the rules' distances."""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import sqlite3
import xml.etree.ElementTree as ET

import made_up_result
import numpy as np
import pandas as pd
import pytest
import shapely
from matplotlib.colors import to_hex
from PIL import Image

from screening import barrels, colours, sizing, soils, uncertainty, water_balance
from screening.cli.main import main
from screening.errors import InputError, ParameterError
from screening.kernels import ground
from screening.params import RainParams, SoilParams, load_params
from screening.report import garden_facts, picture, water_facts
from screening.report.cautions import CAUTIONS
from screening.report.explain import explain_data, explain_text
from screening.report.quantities import Units, is_missing, wind
from screening.report.recorded import parameter_source, recorded_params, town_soils, year_spans
from screening.report.result_file import read_home
from screening.write import write_package


def write(path, record=None, layers=None):
    layers = made_up_result.layers() if layers is None else layers
    record = made_up_result.record() if record is None else record
    write_package(path, layers, crs=made_up_result.CRS, record=record, overwrite=True)
    return path


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """The made-up result, written once."""
    return write(tmp_path_factory.mktemp("result") / "candidates.gpkg")


def on_soil(name, layers):
    """The made-up result on another soil: its rate and the time in which gardens soak away."""
    rate = soils.soil_class(name, SoilParams()).rate_mm_h
    for layer in ("candidate_homes", "gardens"):
        layers[layer]["soil_class"] = name
        layers[layer]["soil_rate_mm_h"] = rate
        layers[layer]["drawdown_h"] = 100.0 / rate
    return layers


def line_of(text, label, *, part=""):
    """The line of a fact with everything wrapped below it, blanks squeezed."""
    lines = text[text.index(part) if part else 0 :].splitlines()
    start = next(number for number, line in enumerate(lines) if line.strip().startswith(label))
    found = [lines[start]]
    for line in lines[start + 1 :]:
        if not line.startswith(" " * 10):
            break
        found.append(line)
    return " ".join(" ".join(found).split())


# --- the text ---


def test_every_number_of_the_home_stands_in_the_text_with_its_unit(result):
    text = explain_text(read_home(result, "h-0017"))
    home = made_up_result.layers()["candidate_homes"].iloc[0]
    units = Units("metric")
    for column, unit in (
        ("roof_area_m2", "m2"),
        ("parcel_area_m2", "m2"),
        ("open_area_m2", "m2"),
        ("treated_roof_m2", "m2"),
        ("ground_slope_pct", "%"),
        ("downslope_deg", "deg"),
        ("runoff_roof_m3_y", "m3/y"),
        ("diverted_m3_y", "m3/y"),
        ("diverted_low_m3_y", "m3/y"),
        ("diverted_high_m3_y", "m3/y"),
        ("all_likely_m3_y", "m3/y"),
        ("soil_rate_mm_h", "mm/h"),
    ):
        assert units.show(home[column], unit) in text, column
    assert units.span(home["diverted_low_m3_y"], home["diverted_high_m3_y"], "m3/y") in text
    gardens = made_up_result.layers()["gardens"]
    for _, garden in gardens[gardens["home_id"] == "h-0017"].iterrows():
        for column, unit in (
            ("area_m2", "m2"),
            ("slope_pct", "%"),
            ("ponding_depth_mm", "mm"),
            ("own_building_dist_m", "m"),
            ("other_building_dist_m", "m"),
            ("lot_line_dist_m", "m"),
            ("treated_roof_m2", "m2"),
            ("treated_roof_gable_m2", "m2"),
            ("storage_area_m2", "m2"),
            ("storage_m3", "m3"),
            ("drawdown_h", "h"),
            ("all_likely_m3_y", "m3/y"),
            ("diverted_m3_y", "m3/y"),
        ):
            assert units.show(garden[column], unit) in text, column
    assert text.splitlines()[0] == "Home h-0017 · parcel 0017 · 17 Alder Street"
    assert "rank 1 of 2" in text


def test_the_text_of_another_home_stays_out(result):
    text = explain_text(read_home(result, "h-0018"))
    assert "17 Alder" not in text
    assert text.count("Garden g") == 1


def test_formulas_give_the_recorded_numbers(result):
    # 20 % of 116 m2 and so on are checked by the program itself; here that it sees no contradiction in sound numbers.
    for home_id in ("h-0017", "h-0018"):
        assert "as recorded" not in explain_text(read_home(result, home_id))


@pytest.mark.parametrize(
    ("layer", "column", "label", "shown"),
    [
        ("gardens", "storage_m3", "storage  ", "would give 2.63 m³"),
        ("gardens", "storage_area_m2", "storage area", "would give 26.3 m²"),
        ("gardens", "treated_roof_m2", "serves", "would give 53.6 m²"),
        ("gardens", "diverted_m3_y", "likely", "would give 29.3 m³/y"),
        ("gardens", "drawdown_h", "soaks away in", "would give 13.2 h"),
        ("gardens", "ponding_depth_mm", "ponding depth", "would give 100 mm"),
        ("candidate_homes", "runoff_roof_m3_y", "runs off the roof", "would give 71.9 m³/y"),
        ("candidate_homes", "all_likely_m3_y", "all likely", "would give 51.7 m³/y"),
        ("candidate_homes", "diverted_m3_y", "diverted, likely", "would give 46.6 m³/y"),
        ("candidate_homes", "score", "score", "would give 0.900"),
        ("candidate_homes", "confidence_frac", "confidence", "would give 45 %"),
        ("downspouts", "roof_frac", "d1", "would give 27 %"),
    ],
)
def test_a_number_that_does_not_follow_is_not_explained_away(tmp_path, layer, column, label, shown):
    layers = made_up_result.layers()
    layers[layer].loc[0, column] *= 1.5
    text = explain_text(read_home(write(tmp_path / "a.gpkg", layers=layers), "h-0017"))
    assert shown in line_of(text, label)
    assert "as recorded" in line_of(text, label)


def test_worked_numbers_by_hand(result):
    # 7.3 m x 3.6 m = 26.28 m2, 100 mm deep: 2.628 m3; 100 mm / 7.6 mm/h = 13.16 h. Size factor of silty soil at 3-5 in:
    # 0.34 (UW-Extension GWQ037, as read in the URI guide). 0.012 m3 on 620 mm: 116 m2 of roof shed 71.92 m3 a year.
    text = explain_text(read_home(result, "h-0017"))
    assert line_of(text, "storage  ", part="Garden g1") == "storage 2.63 m³ storage area x depth = 26.3 m² x 100 mm"
    assert line_of(text, "soaks away in", part="Garden g1").startswith(
        "soaks away in 13.2 h depth / soil rate = 100 mm / 7.6 mm/h"
    )
    assert "size factor 0.34 (near the house, silty soil, this depth)" in line_of(text, "area", part="Garden g1")
    assert line_of(text, "runs off the roof") == "runs off the roof 71.9 m³/y roof x runoff = 116.0 m² x 620 mm/y"
    assert line_of(text, "to own buildings", part="Garden g1") == (
        "to own buildings 6.00 m at least 3.05 m asked, 2.95 m to spare"
    )
    assert line_of(text, "falls toward") == "falls toward south, 186° clockwise from north"


def test_text_in_us_units(tmp_path):
    record = made_up_result.record(**{"output.display_units": "us", "soil.default": "loam"})
    layers = on_soil("loam", made_up_result.layers())
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record, layers), "h-0017"))
    # 116 m2 = 1,248.6 ft2; 71.92 m3 = 18,999 US gallons; 3.05 m = 10.0 ft (factors of units.py, exact by definition).
    assert line_of(text, "roof").startswith("roof 1,249 ft²")
    assert line_of(text, "runs off the roof").startswith("runs off the roof 18,999 gal/y")
    assert "at least 10 ft asked" in text
    # 0.3 in/h for loam (Minnesota Stormwater Manual); 1.27 mm = 0.05 in; 5 mm = 0.1969 in; 208 L = 54.9 gallons.
    assert line_of(text, "design rate").startswith("design rate 0.3 in/h")
    assert line_of(text, "initial loss").startswith("initial loss 0.05 in")
    assert "0.1969 in/y x 4.5 y" in line_of(text, "in year 5")
    # Sources are quoted as they are printed, and the soil's is one.
    numbers = text.split("Where the numbers come from")[0]
    start, end = numbers.index("  design rate"), numbers.index("  rate may be")
    assert not re.search(r"\bm[²³]?\b|\bmm\b", numbers[:start] + numbers[end:])
    instead = explain_text(read_home(tmp_path / "a.gpkg", "h-0016"))
    assert "barrels of 54.95 gal for every 538.2 ft² of roof" in line_of(instead, "that would divert")


def test_overhang_shortens_the_distance_to_outlines(tmp_path):
    record = made_up_result.record(**{"roof.overhang_m": 0.5})
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    assert "at least 2.55 m asked" in line_of(text, "to own buildings")
    assert "walls lie 0.5 m inside the roof's outline" in line_of(text, "open ground")


def test_flags_keep_away_rain_and_basement_are_told(tmp_path):
    record = made_up_result.record(**{"rules.basement": "no", "rules.foundation_no_basement_m": 0.61})
    record["param.inputs.keep_away"] = "well,15.2,wells.gpkg,;septic,,tanks.gpkg,tanks"
    record["param.rules.septic_m"] = "7.62"
    layers = made_up_result.layers()
    layers["candidate_homes"].loc[0, "flags"] += ";rain_assumed"
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record, layers), "h-0017"))
    assert "keep-away layers: well 15.2 m, septic 7.62 m" in line_of(text, "open ground")
    assert "0.61 m around every building (basement: no)" in line_of(text, "open ground")
    assert line_of(text, "rain").startswith("rain assumed storms no rain record was given: 55 storms a year of 14 mm")
    assert line_of(text, "neighbour_overflow").endswith("the overflow of a garden runs onto a neighbour's lot")


@pytest.mark.parametrize("name", ["h-0017", "h-0016", "0020"])
def test_the_cautions_end_every_text(result, name):
    text = explain_text(read_home(result, name))
    ending = " ".join(text[text.index("\nCautions\n") :].split())
    assert all(caution in ending for caution in CAUTIONS)
    assert ending.endswith(CAUTIONS[-1])
    assert not re.search(r"\b(approved|suitable|compliant)\b", text)
    assert max(len(line) for line in text.splitlines()) <= 115


def test_the_cautions_say_all_that_the_method_asks_for():
    everything = " ".join(CAUTIONS)
    for word in (
        "utilities",
        "foundations",
        "septic",
        "wells",
        "wet basement",
        "water table",
        "rock",
        "how fast water",
    ):
        assert word in everything
    for word in ("Overflow", "neighbour", "Local codes", "licensed"):
        assert word in everything


@pytest.mark.parametrize("name", ["h-0016", "0016"])
def test_a_parcel_that_is_no_candidate_says_why(result, name):
    home = read_home(result, name)
    text = explain_text(home)
    assert not home.is_candidate
    assert line_of(text, "reason") == "reason too_steep where a garden would fit the ground is too steep"
    assert "the gentlest has 14.2 %" in line_of(text, "in numbers")
    assert line_of(text, "tightest rule").startswith("tightest rule slope steepest ground")
    assert "rain barrel" in line_of(text, "look instead at")
    assert line_of(text, "that would divert") == (
        "that would divert 31.4 m³/y of the roof's runoff in a mean year, every cause likely: barrels of 208 L for "
        "every 50 m² of roof begun below a downspout, emptied 48 h after water came in"
    )
    assert line_of(text, "volume of a barrel").startswith("volume of a barrel 208 L 55 gal, within the 50-60 gal")
    assert line_of(text, "emptied after").startswith("emptied after 48 h program default")
    assert line_of(text, "runoff of a roof") == (
        "runoff of a roof 620 mm/y mean of the rain record, 2011 to 2013, 2015"
    )


@pytest.mark.parametrize(
    ("code", "words", "source"),
    [
        # 300 mm of stone with 30 % of voids hold 90 mm of water.
        ("permeable_strip", "300 mm of stone x 30 % voids = 90 mm of water below", "voids in the stone"),
        ("lawn_discharge", "lawn of 10 % of its area, with 8.89 mm of water in the grass", "water in the grass"),
    ],
)
def test_other_alternatives_have_their_figure_and_the_soil_it_rests_on(tmp_path, code, words, source):
    layers = made_up_result.layers()
    layers["other_parcels"].loc[0, "alternative_code"] = code
    text = explain_text(read_home(write(tmp_path / "a.gpkg", layers=layers), "h-0016"))
    assert words in line_of(text, "that would divert")
    assert line_of(text, source)
    assert "7.6 mm/h" in line_of(text, "soil rate")


def test_nothing_to_propose_has_no_figure_and_no_sources(tmp_path):
    layers = made_up_result.layers()
    layers["other_parcels"].loc[0, "alternative_code"] = "none"
    layers["other_parcels"].loc[0, "alternative_m3_y"] = None
    text = explain_text(read_home(write(tmp_path / "a.gpkg", layers=layers), "h-0016"))
    assert "nothing to propose" in line_of(text, "look instead at")
    assert "that would divert" not in text
    assert "Where the numbers come from" not in text


def test_a_margin_is_told_in_its_unit(tmp_path):
    layers = made_up_result.layers()
    layers["other_parcels"].loc[0, "tightest_rule_code"] = "foundation"
    layers["other_parcels"].loc[0, "tightest_margin_m"] = 0.4237
    text = explain_text(read_home(write(tmp_path / "a.gpkg", layers=layers), "h-0016"))
    assert "it would have to give 0.42 m" in line_of(text, "tightest rule")


def test_rows_of_the_same_parcel_are_counted(tmp_path):
    layers = made_up_result.layers()
    layers["other_parcels"].loc[2, "parcel_id"] = "0019"
    text = explain_text(read_home(write(tmp_path / "a.gpkg", layers=layers), "0019"))
    assert line_of(text, "same identifier").startswith("same identifier 1 more")


@pytest.fixture
def stack(tmp_path):
    """A function that writes a result whose parcel 0019 stands for a stack of parcels."""

    def written(*names, kept="0019", reason="shared_stack"):
        layers = made_up_result.layers()
        layers["other_parcels"].loc[1, "reason_code"] = reason
        layers["other_parcels"].loc[1, "reason_text"] = "several parcels have this same outline"
        rows = [
            {"parcel_id": name, "address": f"Flat {name}", "merge_code": "stack", "kept_parcel_id": kept}
            for name in names
        ]
        layers["merged_parcels"] = pd.concat([layers["merged_parcels"], pd.DataFrame(rows)], ignore_index=True)
        return write(tmp_path / "a.gpkg", layers=layers)

    return written


def test_a_merged_parcel_leads_to_the_row_that_stands_for_it(stack, runner):
    path = stack("0019-B", "0019-C", None)
    home = read_home(path, "0019-C")
    assert (home.is_candidate, home.row["parcel_id"], home.asked_for) == (False, "0019", "0019-C")
    text = explain_text(home)
    assert text.startswith("Parcel 0019\n")
    assert "Parcel 0019-C has the same outline as parcel 0019: the result has one row for both, which follows." in text
    assert line_of(text, "reason").startswith("reason shared_stack")
    outline = line_of(text, "same outline")
    assert outline.startswith("same outline 3 other parcels this row stands for them too: 0019-B, 0019-C, one without")
    data = explain_data(home)
    assert data["asked_for"] == "0019-C"
    assert [row["parcel_id"] for row in data["merged_parcels"]] == ["0019-B", "0019-C", None]
    json.dumps(data, allow_nan=False)
    done = runner.invoke(main, ["explain", str(path), "0019-B"])
    assert done.exit_code == 0, done.output
    assert "Parcel 0019-B has the same outline" in done.stdout


def test_the_row_of_a_stack_names_the_others_itself(stack):
    home = read_home(stack(*(f"u{number}" for number in range(30))), "0019")
    assert home.asked_for == ""
    text = explain_text(home)
    assert "has the same outline as" not in text
    outline = line_of(text, "same outline")
    assert "30 other parcels" in outline
    assert outline.endswith("u19 and 10 more")
    assert all(len(line) <= 110 for line in text.splitlines())


def test_merged_parcels_are_among_the_names_that_are_suggested(stack):
    path = stack("0019-B")
    with pytest.raises(ParameterError, match="the nearest names are 0019-B"):
        read_home(path, "0019-b")
    with pytest.raises(ParameterError, match="at that address is 0019-B"):
        read_home(path, "flat 0019-B")


def test_a_merged_parcel_whose_row_is_not_there_is_unknown(stack):
    with pytest.raises(ParameterError, match="there is no home or parcel 'u1'"):
        read_home(stack("u1", kept="gone"), "u1")
    with pytest.raises(ParameterError, match="there is no home or parcel 'u1'"):
        read_home(stack("u1", reason="no_building"), "u1")


def test_a_result_without_merged_parcels_is_explained_all_the_same(tmp_path):
    layers = made_up_result.layers()
    del layers["merged_parcels"]
    path = write(tmp_path / "a.gpkg", layers=layers)
    assert read_home(path, "0018").row["home_id"] == "h-0018"
    with pytest.raises(ParameterError):
        read_home(path, "nobody")


def test_data_are_the_recorded_rows(result):
    data = explain_data(read_home(result, "h-0017"))
    assert data["home"]["parcel_id"] == "0017"
    assert [garden["garden_id"] for garden in data["gardens"]] == ["h-0017-g1", "h-0017-g2"]
    assert data["downspouts"][3]["garden_id"] is None
    assert data["home"]["all_likely_m3_y"] == pytest.approx(51.73, abs=0.01)
    assert data["run"]["rain_years_used"] == "2011;2012;2013;2015"
    assert data["run"]["soil.7.6 mm/h.rate_mm_h"] == "7.6"
    assert not any(key.startswith("param.") for key in data["run"])
    json.dumps(data, allow_nan=False)


# --- the water, number by number ---


def test_rain_and_soil_say_where_they_come_from(result):
    text = explain_text(read_home(result, "h-0017"))
    assert line_of(text, "rain") == "rain 4 years: 2011 to 2013, 2015 rain.csv, hourly; 1.2 % of it missing"
    assert line_of(text, "initial loss") == (
        "initial loss 1.27 mm of rain wets a dry roof and stays there; dry again 12 h after rain"
    )
    assert line_of(text, "runoff of a roof").startswith("runoff of a roof 620 mm/y")
    assert line_of(text, "soil", part="\nSoil\n  soil") == "soil 7.6 mm/h of the whole town; no soil layer was given"
    basis = soils.town_soils(SoilParams()).classes[0].basis
    assert line_of(text, "design rate") == f"design rate 7.6 mm/h {basis}"
    # 7.6 / 1.5 = 5.07; 7.6 x 1.5 = 11.4.
    assert line_of(text, "rate may be").startswith("rate may be 5.1 to 11.4 mm/h rate over and times 1.5:")
    assert line_of(text, "infiltration").startswith("infiltration constant")
    assert "frozen months" not in text


def test_a_daily_record_and_frozen_months_are_told(tmp_path):
    record = made_up_result.record(**{"rain.frozen_months": [12, 1], "rain.daily_rain_h": 4})
    record["rain_step_h"] = "24"
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    assert line_of(text, "rain").endswith("rain.csv, daily; 1.2 % of it missing; a day's rain falls in 4 h")
    assert line_of(text, "frozen months").startswith("frozen months January, December")
    assert line_of(text, "a day's rain falls in") == "a day's rain falls in 4 h set by the run file"


def test_assumed_storms_have_their_formula(tmp_path):
    # N mu exp(-l / mu) = 55 x 14 mm x exp(-1.27 / 14) = 55 x 14 x 0.9133 = 703.2 mm.
    record = made_up_result.record()
    del record["rain_years_used"]
    record["runoff_roof_mm_y"] = "703.23"
    layers = made_up_result.layers()
    layers["candidate_homes"]["flags"] = "rain_assumed"
    layers["candidate_homes"]["runoff_roof_m3_y"] *= 703.23 / made_up_result.RUNOFF_MM_Y
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record, layers), "h-0017"))
    assert line_of(text, "runoff of a roof") == (
        "runoff of a roof 703 mm/y storms x mean x exp(-loss / mean) = 55 x 14 mm x 0.913"
    )
    assert "closed form for such storms" in line_of(text, "keeps, all likely", part="Garden g1")
    # sqrt(2 / (55 x 0.9133)) = 0.1995
    assert line_of(text, "rain year").startswith("rain year varies by 20 % standard deviation of a gamma")
    assert line_of(text, "storms a year").startswith("storms a year 55")
    record["runoff_roof_mm_y"] = "800"
    text = explain_text(read_home(write(tmp_path / "b.gpkg", record, layers), "h-0017"))
    assert "would give 703 mm/y" in line_of(text, "runoff of a roof")


def test_formulas_of_storms_are_those_of_the_stages():
    for months in ((), (1, 2, 12)):
        rain = RainParams(frozen_months=months, storm_mean_mm=9.0, storms_per_y=70.0)
        expected = water_balance.runoff_of_storms_mm_y(rain, 1.9)
        assert water_facts.storm_runoff_mm_y(rain, 1.9) == pytest.approx(expected, rel=1e-12)
    params = load_params(None, {"rain.storm_mean_mm": 9.0})
    expected = uncertainty.storm_year_cv(params.rain.storms_per_y, 9.0, params.roof.initial_loss_mm)
    assert water_facts.year_spread(params) == pytest.approx(expected, rel=1e-12)


def test_what_a_garden_keeps_follows_from_what_arrives(result):
    # d2 and d3 drain 53.6 m2 to g1: 53.6 x 0.620 = 33.2 m3 a year, of which 1 - exp(-8 x 26.28 / 53.6) = 98 % are
    # kept in the made-up result: 32.6 m3; its share of the likely 46.6 m3: 46.6 x 32.6 / 51.7 = 29.3.
    text = explain_text(read_home(result, "h-0017"))
    gardens = made_up_result.layers()["gardens"]
    roof, kept = gardens.loc[0, "treated_roof_m2"], gardens.loc[0, "all_likely_m3_y"]
    units = Units("metric")
    assert line_of(text, "arrives", part="Garden g1") == (
        f"arrives {units.show(0.62 * roof, 'm3/y')} its roof x connected part x runoff = {units.show(roof, 'm2')} x "
        "100 % x 620 mm/y"
    )
    line = line_of(text, "keeps, all likely", part="Garden g1")
    assert line.startswith(f"keeps, all likely {units.show(kept, 'm3/y')}, {100 * kept / (0.62 * roof):.0f} % of what")
    assert f"a bucket of {gardens.loc[0, 'area_m2'] / roof:.3f} area of garden for 1 of roof, 100 mm deep" in line
    assert line_of(text, "likely", part="Garden g1") == (
        f"likely {units.show(0.9 * kept, 'm3/y')} its share of the home's likely volume = 46.6 x "
        f"{units.number(kept, 'm3/y')} / 51.7 m³/y"
    )


def test_connection_barrels_and_own_simulation_are_told(tmp_path):
    text = explain_text(read_home(write(tmp_path / "a.gpkg"), "h-0017"))
    assert "read from simulated curves" in line_of(text, "keeps, all likely")
    changes = {"roof.connection_likely_frac": 0.8, "barrel.is_upstream": True, "barrel.empty_onto": "strip"}
    record = made_up_result.record(**changes)
    text = explain_text(read_home(write(tmp_path / "b.gpkg", record), "h-0017"))
    assert "x 80 % x 620 mm/y" in line_of(text, "arrives")
    assert "barrels (208 L for every 50 m² of roof begun below a downspout, emptied into a permeable strip 48 h" in (
        line_of(text, "keeps, all likely")
    )
    assert line_of(text, "in year 5").endswith("as without barrels")
    assert line_of(text, "largest strip").startswith("largest strip 10 m²")
    # The words are those of the stage: a barrel for every 50 m2 begun.
    params = recorded_params({key.removeprefix("param."): text for key, text in record.items()}).barrel
    assert list(barrels.n_barrels(np.array([49.0, 50.0, 51.0]), params)) == [1, 1, 2]
    record = made_up_result.record(**{"rain.each_garden": True})
    text = explain_text(read_home(write(tmp_path / "c.gpkg", record), "h-0017"))
    assert "these years' rain sent through a bucket" in line_of(text, "keeps, all likely")


def test_low_likely_and_high_say_what_they_are(result):
    text = explain_text(read_home(result, "h-0017"))
    # 51.73 x 0.6, 0.9 and 1.2.
    assert line_of(text, "low", part="Water a year") == (
        "low 31.0 m³/y 10 % point of 1,024 draws of the causes below, for a single year: in one of ten it is less"
    )
    assert line_of(text, "diverted, likely") == (
        "diverted, likely 46.6 m³/y 50 % point: in half of them it is less; sum of the gardens"
    )
    assert line_of(text, "high", part="Water a year") == "high 62.1 m³/y 90 % point: in one of ten it is more"
    assert line_of(text, "range", part="Water a year").startswith("range 31.0 to 62.1 m³/y")
    assert line_of(text, "unsure most of all") == (
        "unsure most of all rain_year, 48 % which year it is: so much of the variance would go if it were known"
    )
    assert line_of(text, "rank may be").startswith("rank may be 1 to 2")
    assert line_of(text, "among the first 100") == "among the first 100 100 % of the draws: the chance to be"


def test_the_range_of_the_mean_year_is_called_so(tmp_path):
    record = made_up_result.record(**{"uncertainty.rain_year": "mean", "roof.form": "hip"})
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    assert "for the mean year" in line_of(text, "low", part="Water a year")
    assert line_of(text, "rain year") == "rain year not varied the range is that of the mean year"
    assert line_of(text, "roof form", part="What may be otherwise") == "roof form hip: known set by the run file"
    assert "if the roof is a gable" not in text


def test_nothing_unsure_is_told_plainly(tmp_path):
    layers = made_up_result.layers()
    layers["candidate_homes"].loc[0, "main_cause_code"] = None
    layers["candidate_homes"].loc[0, "main_cause_frac"] = None
    text = explain_text(read_home(write(tmp_path / "a.gpkg", layers=layers), "h-0017"))
    assert line_of(text, "unsure most of all") == "unsure most of all nothing"


def test_every_cause_says_how_it_was_varied(result):
    text = explain_text(read_home(result, "h-0017"))
    part = "What may be otherwise"
    gardens = made_up_result.layers()["gardens"]
    treated = gardens.loc[gardens["home_id"] == "h-0017", "treated_roof_m2"].sum()
    assert line_of(text, "soil rate", part=part) == (
        "soil rate 7.6 mm/h x or / 1.5 log-normal; 25 % of its log variance shared by the town, 25 % by one soil"
    )
    assert line_of(text, "served roof", part=part).startswith(f"served roof {treated:.1f} m² x or / 1.2 log-normal")
    assert line_of(text, "roof form", part=part) == (
        f"roof form gable: 50 % a gable drains {1.1 * treated:.1f} m² to the gardens, a hip {treated:.1f} m²"
    )
    assert line_of(text, "initial loss", part=part).startswith("initial loss 1.27 to 2.54 mm 10 and 90 % points")
    assert line_of(text, "connected part", part=part).startswith("connected part 70 % to 100 %")
    assert line_of(text, "rain year", part=part).startswith("rain year 4 years each equally likely")
    # The second home has measured downspouts.
    text = explain_text(read_home(result, "h-0018"))
    assert "x or / 1.1 log-normal, downspouts measured" in line_of(text, "served roof", part=part)


def test_the_years_to_come(result):
    # Sediment of 5 mm a year: 100 - 5 x 4.5 = 77.5 mm in the middle of the fifth year, 97 % of 32.6 m3 = 31.6 m3.
    text = explain_text(read_home(result, "h-0017"))
    kept = made_up_result.layers()["gardens"].loc[0, "all_likely_m3_y"]
    assert line_of(text, "in year 5", part="Garden g1") == (
        f"in year 5 97 %, {0.97 * kept:.1f} m³/y of all likely, if nobody digs: depth 100 mm - 5 mm/y x 4.5 y = 78 mm "
        "in its middle"
    )
    assert "5 mm/y x 19.5 y = 2 mm" in line_of(text, "in year 20", part="Garden g1")
    assert line_of(text, "dig out again", part="Garden g1") == (
        "dig out again after 6 years then 5 mm/y of sediment leave less than 90 % of the volume as dug"
    )
    assert line_of(text, "dig out again", part="Garden g2").startswith("dig out again not within 30 years")


def test_years_behind_the_horizon_are_not_shown_and_growing_in_is(tmp_path):
    changes = {"ageing.horizon_y": 10, "ageing.establishment_y": 6, "ageing.establishment_rate_frac": 0.5}
    layers = made_up_result.layers()
    layers["gardens"].loc[0, "dig_out_after_y"] = 0
    text = explain_text(
        read_home(write(tmp_path / "a.gpkg", made_up_result.record(**changes), layers=layers), "h-0017")
    )
    assert "in year 20" not in text
    assert line_of(text, "in year 5").endswith("plants grow in, 50 % of the rate")
    assert "plants grow in" not in line_of(text, "in year 10")
    assert line_of(text, "dig out again").startswith("dig out again in its first year")
    assert line_of(text, "rate meanwhile") == "rate meanwhile 50 % set by the run file"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        # 53.6 m2 x 25.4 mm / 100 mm = 13.6 m2 (the roofs of d2 and d3).
        ({"sizing.method": "capture_depth"}, "53.6 m² of roof x 25.4 mm of rain / depth = 13.6 m²"),
        ({"sizing.method": "fixed_area"}, "target, fixed_area: fixed area of 15 m²"),
        (
            {"sizing.method": "area_ratio", "sizing.ratio_rule": "us-il"},
            "ratio 0.2 (Illinois) x 53.6 m² of roof = 10.7 m²",
        ),
    ],
)
def test_every_sizing_method_has_its_target(tmp_path, changes, words):
    text = explain_text(read_home(write(tmp_path / "a.gpkg", made_up_result.record(**changes)), "h-0017"))
    assert words in line_of(text, "area", part="Garden g1")
    assert line_of(text, "sizing method").startswith(f"sizing method {changes['sizing.method']}")


def test_far_downspouts_take_the_far_factor(tmp_path):
    record = made_up_result.record(**{"sizing.far_factors": True, "sizing.near_limit_m": 8.0})
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    layers = made_up_result.layers()
    runs, spouts = layers["inlet_runs"], layers["downspouts"].set_index("downspout_id")["roof_area_m2"]
    mine = runs[runs["garden_id"] == "h-0017-g1"]
    far = mine.loc[mine["length_m"] > 8.0, "downspout_id"].map(spouts).sum()
    near = mine.loc[mine["length_m"] <= 8.0, "downspout_id"].map(spouts).sum()
    assert min(far, near) > 0
    area = sizing.handbook_area_m2(
        near, far, mine["length_m"].min(), near_factor=0.34, far_factor=0.06, side_ratio=ground.USUAL_RATIO
    )
    line = line_of(text, "area", part="Garden g1")
    assert f"size factor 0.34 x {near:.1f} m² of roof within 8 m + 0.06 x ({far:.1f} m² of roof beyond" in line
    assert f"= {area:.1f} m²" in line
    assert line_of(text, "sizing method").endswith("far factors from memory")
    assert garden_facts.LAWN_SIDE_RATIO == ground.USUAL_RATIO


def test_sides_and_berm_take_room(tmp_path):
    record = made_up_result.record(**{"sizing.side_run_per_rise": 2.0, "sizing.berm_width_m": 0.25})
    layers = made_up_result.layers()
    gardens = layers["gardens"]
    # 7.3 x 3.6 m inside a berm of 0.25 m: 6.8 x 3.1 m; 0.1 m deep with sides 2 : 1:
    # 6.8 x 3.1 - 2 x 0.1 x (6.8 + 3.1) + 4/3 x (2 x 0.1)^2 = 21.08 - 1.98 + 0.053 = 19.15 m2.
    gardens.loc[0, "storage_area_m2"] = 19.153
    gardens.loc[0, "storage_m3"] = 1.9153
    bed = gardens.geometry[1]
    # Steiner's formula for the bed of free form, moved in by the berm, then less what the sides take.
    top, rim = bed.area - 0.25 * bed.length + np.pi * 0.25**2, bed.length - 2 * np.pi * 0.25
    gardens.loc[1, "storage_area_m2"] = top - 0.1 * rim + np.pi / 3 * 0.2**2
    gardens.loc[1, "storage_m3"] = 0.1 * gardens.loc[1, "storage_area_m2"]
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record, layers), "h-0017"))
    assert line_of(text, "storage area", part="Garden g1") == (
        "storage area 19.2 m² storage over depth of an outline of 7.30 x 3.60 m inside a berm of 0.25 m, sides 2 "
        "across for 1 down"
    )
    assert "as recorded" not in line_of(text, "storage area", part="Garden g2")
    assert "m around" in line_of(text, "storage area", part="Garden g2")
    assert "of storage area, and around it what sides and berm take" in line_of(text, "area", part="Garden g1")
    assert line_of(text, "berm", part="Where the numbers") == "berm 0.25 m set by the run file"
    gardens.loc[1, "storage_area_m2"] *= 1.3
    text = explain_text(read_home(write(tmp_path / "b.gpkg", record, layers), "h-0017"))
    assert "as recorded" in line_of(text, "storage area", part="Garden g2")


def test_depth_is_the_smaller_of_band_and_what_soaks_away(tmp_path):
    record = made_up_result.record(**{"sizing.drawdown_limit_h": 10.0})
    layers = made_up_result.layers()
    layers["gardens"]["ponding_depth_mm"] = 76.0
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record, layers), "h-0017"))
    assert line_of(text, "ponding depth", part="Garden g1") == (
        "ponding depth 76 mm the smaller of 100, 150, 200 mm for slopes parted at 4 and 8 %, and of soil rate x "
        "drawdown limit = 7.6 mm/h x 10 h = 76 mm"
    )
    record = made_up_result.record(**{"sizing.method": "drain_in_a_day"})
    layers["gardens"]["ponding_depth_mm"] = 182.4
    text = explain_text(read_home(write(tmp_path / "b.gpkg", record, layers), "h-0017"))
    assert "the smaller of what drains in 24 h, 182 mm, but 200 mm at most" in line_of(text, "ponding depth")
    assert "as recorded" not in line_of(text, "ponding depth")


def test_a_slope_at_a_break_may_have_either_depth_and_no_other_slope(tmp_path):
    layers = made_up_result.layers()
    layers["gardens"]["ponding_depth_mm"] = 150.0
    layers["gardens"].loc[0, "slope_pct"] = 3.98
    layers["gardens"].loc[1, "slope_pct"] = 3.9
    text = explain_text(read_home(write(tmp_path / "a.gpkg", layers=layers), "h-0017"))
    assert "its slope stands at a break" in line_of(text, "ponding depth", part="Garden g1")
    assert "as recorded" not in line_of(text, "ponding depth", part="Garden g1")
    assert "would give 100 mm" in line_of(text, "ponding depth", part="Garden g2")


def test_a_soil_layer_and_green_ampt_are_told(tmp_path):
    changes = {"soil.default": "loam", "soil.infiltration": "green_ampt"}
    record = made_up_result.record(**changes)
    record["param.inputs.soils"] = "soils.gpkg"
    layers = on_soil("loam", made_up_result.layers())
    layers["candidate_homes"].loc[0, "flags"] += ";soil_mixed"
    layers["candidate_homes"].loc[1, "flags"] = "soil_outside"
    path = write(tmp_path / "a.gpkg", record, layers)
    text = explain_text(read_home(path, "h-0017"))
    assert line_of(text, "soil", part="\nSoil\n  soil") == (
        "soil loam from soils.gpkg, by the open ground; the ground lies on several, most of it counts"
    )
    # Rawls, Brakensiek and Miller (1983), Table 2: loam 8.89 cm, 0.34 cm/h, effective porosity 0.434, half filled.
    line = line_of(text, "infiltration  ")
    assert "K 3.4 mm/h, suction 88.9 mm, deficit 0.217; W. J. Rawls" in line
    assert "conductivity x or / 1.5" in line_of(text, "soil rate", part="What may be otherwise")
    assert line_of(text, "soil dries over").startswith("soil dries over 24 h program default")
    text = explain_text(read_home(path, "h-0018"))
    assert "the run file's default: soils.gpkg says nothing" in line_of(text, "soil", part="\nSoil\n  soil")


def test_sources_stand_beside_every_parameter(tmp_path, result):
    text = explain_text(read_home(result, "h-0017"))
    part = "Where the numbers come from"
    assert "Denver UDFCD" in line_of(text, "initial loss", part=part)
    assert "GWQ037" in line_of(text, "sizing method", part=part)
    assert line_of(text, "connected, low", part=part) == "connected, low 70 % program default"
    assert "Minnesota Stormwater Manual" in line_of(text, "spread of the rate", part=part)
    lines = text[text.index(part) : text.index("Cautions")].splitlines()[1:]
    assert all(len(line) > 52 and line[52:].strip() for line in lines if line), "a value without a source"
    record = made_up_result.record(**{"roof.initial_loss_mm": 2.0, "soil.spread_factor": 3.0})
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    assert line_of(text, "initial loss", part=part) == "initial loss 2 mm set by the run file"
    assert line_of(text, "spread of the rate", part=part) == "spread of the rate 3 set by the run file"


def test_a_figure_from_memory_is_marked(tmp_path, result):
    assert "from memory" not in line_of(explain_text(read_home(result, "h-0017")), "sizing method")
    record = made_up_result.record(**{"sizing.soil_class": "clayey"})
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    assert line_of(text, "sizing method").endswith("near factor from memory")
    assert line_of(text, "soil of the factors") == "soil of the factors clayey set by the run file"


def test_the_soil_of_the_size_factors_follows_the_rate(tmp_path, result):
    text = explain_text(read_home(result, "h-0017"))
    assert line_of(text, "soil of the factors") == (
        "soil of the factors silty by the soil's rate: sandy from 20 mm/h on, clayey below 2.5 mm/h (program default)"
    )
    # Minnesota Stormwater Manual: sandy loam 0.8 in/h = 20.3 mm/h. Sandy soil at 3-5 in: 0.19 (GWQ037).
    record = made_up_result.record(**{"soil.default": "sandy loam"})
    path = write(tmp_path / "a.gpkg", record, on_soil("sandy loam", made_up_result.layers()))
    text = explain_text(read_home(path, "h-0017"))
    assert "size factor 0.19 (near the house, sandy soil, this depth)" in line_of(text, "area", part="Garden g1")
    assert line_of(text, "soil of the factors").startswith("soil of the factors sandy by the soil's rate")
    changes = {"sizing.method": "area_ratio", "sizing.ratio_rule": "us-wi-madison", "soil.default": "sandy loam"}
    path = write(tmp_path / "b.gpkg", made_up_result.record(**changes), on_soil("sandy loam", made_up_result.layers()))
    text = explain_text(read_home(path, "h-0017"))
    assert "ratio 0.2 (Madison, Wisconsin)" in line_of(text, "area", part="Garden g1")
    assert line_of(text, "soil of the factors").startswith("soil of the factors sandy")


def test_parameters_come_back_from_the_record_as_they_were():
    changes = {
        "rain.years": [2011, 2013],
        "rain.storm_dry_h": 70.5,
        "soil.drained": True,
        "sizing.method": "area_ratio",
        "sizing.ratio_rule": "us-il",
        "sizing.depths_mm": [80.0, 120.0],
        "sizing.slope_breaks_pct": [5.0],
    }
    for given in ({}, changes):
        params = load_params(None, given)
        assert recorded_params(params.record()) == params
    assert parameter_source(params, "sizing.method") == "set by the run file"
    texts = params.record()
    assert recorded_params({key: text for key, text in texts.items() if key != "roof.initial_loss_mm"}) is None
    assert recorded_params(texts | {"sizing.method": "by_eye"}) is None
    assert recorded_params(texts | {"ageing.horizon_y": "many"}) is None


def test_a_record_of_other_parameters_leaves_out_what_it_cannot_say(tmp_path):
    record = made_up_result.record()
    record["param.sizing.method"] = "by_eye"
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    assert "Where the numbers come from" not in text
    assert line_of(text, "diverted, likely").startswith("diverted, likely 46.6 m³/y")
    assert "Where the numbers come from" not in explain_text(read_home(tmp_path / "a.gpkg", "h-0016"))


@pytest.mark.parametrize(
    ("years", "words"),
    [([2011], "2011"), ([2013, 2011, 2012], "2011 to 2013"), ([2011, 2013, 2014], "2011, 2013 to 2014"), ([], "")],
)
def test_years_in_few_words(years, words):
    assert year_spans(years) == words


def test_the_soils_of_a_run_are_found_in_its_record():
    assert town_soils(made_up_result.record()) == ["7.6 mm/h"]
    assert town_soils({}) == []


# --- finding a home ---


@pytest.mark.parametrize("name", ["h-0018", "0018"])
def test_a_home_is_found_by_its_own_and_its_parcels_identifier(result, name):
    assert read_home(result, name).row["address"] == "19 Alder Street"


def test_identifiers_may_hold_quotes(result):
    assert "an id with a quote" in explain_text(read_home(result, "00'20"))


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("h-0071", "h-0017"),
        ("H-0018", "h-0018"),
        (" 17 ALDER street", "at that address is h-0017"),
        ("?", "its names look like h-0017"),
        ("' OR 1=1 --", "its names look like h-0017"),
    ],
)
def test_an_unknown_name_gets_the_nearest(result, name, hint):
    with pytest.raises(ParameterError) as caught:
        read_home(result, name)
    assert hint in str(caught.value)
    assert "\n" not in str(caught.value)


def test_files_that_are_no_result_are_refused(tmp_path, result):
    with pytest.raises(InputError, match="there is no file"):
        read_home(tmp_path / "nowhere.gpkg", "h")
    text = tmp_path / "text.gpkg"
    text.write_text("not a database")
    with pytest.raises(InputError, match="no readable GeoPackage"):
        read_home(text, "h")
    other = tmp_path / "other.gpkg"
    made_up_result.layers()["gardens"].to_file(other, layer="gardens")
    with pytest.raises(InputError, match="no result of a run, for it has no candidate_homes"):
        read_home(other, "h")


def test_reading_leaves_the_file_alone(tmp_path, result):
    copy = tmp_path / "a.gpkg"
    shutil.copy(result, copy)
    before = copy.read_bytes()
    read_home(copy, "h-0017")
    assert copy.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.gpkg"]


# --- the picture ---


def drawn_lines(figure, colour, *, dashed=None):
    """Lines of the plan in a colour, as shapely lines."""
    axes = figure.axes[0]
    lines = [line for line in axes.get_lines() if to_hex(line.get_color()) == colour and len(line.get_xdata()) > 1]
    if dashed is not None:
        lines = [line for line in lines if (line.get_linestyle() != "-") == dashed]
    return [shapely.LineString(np.column_stack([line.get_xdata(), line.get_ydata()])) for line in lines]


def drawn_text(figure):
    """Everything written on the page."""
    texts = list(figure.texts) + [text for axes in figure.axes for text in axes.texts]
    texts += [text for legend in figure.legends for text in legend.get_texts()]
    return [text.get_text() for text in texts]


@pytest.fixture(scope="module")
def page(result):
    """The picture of the first home, not saved."""
    return picture.draw_picture(read_home(result, "h-0017"))


def test_setbacks_are_drawn_at_the_distances_of_the_run(page):
    lines = drawn_lines(page, colours.SETBACK)
    lot = made_up_result.place(made_up_result.LOT_1)
    buildings = shapely.union_all(
        [
            made_up_result.place(shape)
            for shape in (made_up_result.HOUSE_1, made_up_result.SHED_1, made_up_result.HOUSE_2, made_up_result.HOUSE_3)
        ]
    )
    at_lot_line = [line for line in lines if abs(lot.exterior.distance(line) - made_up_result.LOT_LINE_M) < 1e-6]
    at_buildings = [line for line in lines if line not in at_lot_line]
    assert at_lot_line
    assert at_buildings
    for line in at_lot_line:
        away = shapely.distance(shapely.points(line.coords), lot.exterior)
        np.testing.assert_allclose(away, made_up_result.LOT_LINE_M, atol=1e-6)
    # Circles of 64 corners lie inside the true arc by up to 0.05 %.
    for line in at_buildings:
        away = shapely.distance(shapely.points(line.coords), buildings)
        on_lot_line = shapely.distance(shapely.points(line.coords), lot.exterior) < 1e-6
        np.testing.assert_allclose(away[~on_lot_line], made_up_result.FOUNDATION_M, rtol=5e-3)
        assert lot.buffer(1e-6).covers(line)


def test_everything_a_visitor_needs_is_on_the_page(page):
    text = "\n".join(drawn_text(page))
    for words in ("Home h-0017 · parcel 0017 · 17 Alder Street", "rank 1 of 2", "N", "10 m"):
        assert words in text
    for words in ("g1\n26.3 m²", "7.30 m", "3.60 m", "g2\n15.1 m²", "d1\n27 %", "d4\n27 %"):
        assert words in text
    for words in ("overflow: street", "overflow: neighbour's lot", "3.05 m from buildings", "1.52 m from the lot line"):
        assert words in text
    for words in (
        "46.6 m³/y",
        "31.0 to 62.1 m³/y",
        "downspout, place assumed",
        "downspout, not served",
        "roof part that no garden takes",
    ):
        assert words in text
    assert "Alder Street" in drawn_text(page), "the street has its name, besides the address in the title"
    squeezed = " ".join(text.split()).replace("• ", "")
    assert all(caution in squeezed for caution in CAUTIONS)


def test_measured_downspouts_look_different(result):
    text = "\n".join(drawn_text(picture.draw_picture(read_home(result, "h-0018"))))
    assert "downspout, measured" in text
    assert "downspout, place assumed" not in text


def test_the_water_is_drawn_from_downspout_to_garden_and_on(page, result):
    home = read_home(result, "h-0017")
    drawn = drawn_lines(page, colours.WATER, dashed=False)
    for run in home.layers["inlet_runs"].geometry:
        assert any(shapely.equals_exact(line, run, 1e-6) for line in drawn)
    dashed = drawn_lines(page, colours.WATER, dashed=True) + drawn_lines(page, colours.WATER_WARNING, dashed=True)
    ends = [shapely.Point(line.coords[-1]) for line in dashed]
    for path in home.layers["overflow_paths"].geometry:
        assert any(end.distance(shapely.Point(path.coords[-1])) < 1e-6 for end in ends)


def test_north_is_up_and_the_scale_is_true(page):
    axes = page.axes[0]
    west, east = axes.get_xlim()
    south, north = axes.get_ylim()
    assert east > west
    assert north > south
    box, (width_in, height_in) = axes.get_position(original=True), page.get_size_inches()
    assert (east - west) / (box.width * width_in) == pytest.approx((north - south) / (box.height * height_in))
    bars = [patch for patch in axes.patches if to_hex(patch.get_facecolor()) == colours.INK and hasattr(patch, "xy")]
    widths = [np.ptp(patch.get_xy()[:, 0]) for patch in bars if np.ndim(patch.get_xy()) == 2]
    assert 5.0 in np.round(widths, 6), "half of the 10 m bar is dark"


def test_a_scale_in_feet_is_true(tmp_path):
    record = made_up_result.record(**{"output.display_units": "us"})
    page = picture.draw_picture(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    bars = [patch for patch in page.axes[0].patches if to_hex(patch.get_facecolor()) == colours.INK]
    widths = [np.ptp(patch.get_xy()[:, 0]) for patch in bars if hasattr(patch, "xy") and np.ndim(patch.get_xy()) == 2]
    (label,) = (text for text in drawn_text(page) if re.fullmatch(r"\d+ ft", text))
    assert any(width == pytest.approx(0.5 * float(label.split()[0]) * 0.3048) for width in widths)


def test_lettering_stays_on_the_page(page):
    page.canvas.draw()
    width, height = page.canvas.get_width_height()
    for text in [*page.texts, *page.axes[0].texts]:
        box = text.get_window_extent()
        assert box.x0 >= 0, text
        assert box.y0 >= 0, text
        assert box.x1 <= width, text
        assert box.y1 <= height, text


def test_a_large_lot_is_shown_around_its_gardens_with_the_whole_of_it(tmp_path):
    layers = made_up_result.layers()
    farm = made_up_result.place(shapely.MultiPolygon([shapely.box(-80, -150, 140, 190)]))
    lots = layers["candidate_homes"]
    layers["candidate_homes"] = lots.set_geometry([farm, lots.geometry[1]], crs=made_up_result.CRS)
    page = picture.draw_picture(read_home(write(tmp_path / "a.gpkg", layers=layers), "h-0017"))
    west, east = page.axes[0].get_xlim()
    assert east - west < 80
    (corner,) = page.axes[0].child_axes
    assert corner.get_xlim()[0] < farm.bounds[0]
    assert corner.get_xlim()[1] > farm.bounds[2]


@pytest.mark.parametrize("name", ["h-0017", "h-0016", "0020"])
@pytest.mark.parametrize("ending", ["png", "svg"])
def test_pictures_are_whole_and_the_same_each_time(result, tmp_path, name, ending):
    home = read_home(result, name)
    first, second = tmp_path / f"a.{ending}", tmp_path / f"b.{ending}"
    picture.save_picture(home, first)
    picture.save_picture(home, second)
    assert first.read_bytes() == second.read_bytes()
    if ending == "png":
        with Image.open(first) as image:
            image.load()
            assert image.size == (1650, 1275)
            assert len(image.convert("RGB").getcolors(1 << 20)) > 20
            assert image.info.keys().isdisjoint({"Software", "Creation Time"})
    else:
        root = ET.fromstring(first.read_bytes())  # noqa: S314 - our own text
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert b"dc:date" not in first.read_bytes()


def test_the_readers_own_settings_do_not_change_the_picture(result, tmp_path):
    import matplotlib as mpl

    home = read_home(result, "h-0017")
    picture.save_picture(home, tmp_path / "a.png")
    with mpl.rc_context({"font.size": 30, "axes.facecolor": "black", "figure.facecolor": "red", "lines.linewidth": 9}):
        picture.save_picture(home, tmp_path / "b.png")
        assert mpl.rcParams["font.size"] == 30
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_a_lean_result_still_has_a_picture(tmp_path):
    lean = ("buildings", "roof_parts", "open_ground")
    layers = {name: frame for name, frame in made_up_result.layers().items() if name not in lean}
    home = read_home(write(tmp_path / "a.gpkg", layers=layers), "h-0017")
    picture.save_picture(home, tmp_path / "a.png")
    words = drawn_text(picture.draw_picture(home))
    assert "house" not in words
    assert "candidate garden" in words


# --- the command ---


def test_the_command_prints_and_draws(runner, result, tmp_path):
    output = tmp_path / "home.svg"
    done = runner.invoke(main, ["explain", str(result), "h-0017", "-o", str(output)])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("Home h-0017")
    assert done.stdout.rstrip().endswith(f"Picture: {output}")
    assert done.stderr == ""
    assert output.stat().st_size > 10_000
    again = runner.invoke(main, ["explain", str(result), "h-0018", "-o", str(output)])
    assert (again.exit_code, again.stdout) == (3, "")
    assert "--overwrite" in again.stderr
    over = runner.invoke(main, ["explain", str(result), "h-0018", "-o", str(output), "--overwrite"])
    assert over.exit_code == 0


def test_the_command_gives_json(runner, result):
    done = runner.invoke(main, ["explain", str(result), "h-0016", "--json"])
    assert json.loads(done.stdout)["parcel"]["reason_code"] == "too_steep"


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["RESULT", "h-0019"], 2, "the nearest names are"),
        (["RESULT", "h-0017", "-o", "home.jpg"], 2, "ends in .png or .svg"),
        (["RESULT", "h-0017", "-o", "nowhere/home.png"], 2, "make it first"),
        (["nowhere.gpkg", "h-0017"], 3, "there is no file"),
    ],
)
def test_wrong_arguments_get_one_sentence(runner, result, tmp_path, monkeypatch, arguments, code, words):
    monkeypatch.chdir(tmp_path)
    arguments = [str(result) if argument == "RESULT" else argument for argument in arguments]
    done = runner.invoke(main, ["explain", *arguments])
    assert (done.exit_code, done.stdout) == (code, "")
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


# --- units for people ---


@pytest.mark.parametrize(
    ("display", "value", "unit", "shown"),
    [
        ("metric", 1234.56, "m2", "1,234.6 m²"),
        ("us", 0.3048, "m", "1.0 ft"),
        ("us", 25.4, "mm", "1.0 in"),
        ("us", 3.785411784, "m3", "1,000 gal"),  # 231 cubic inches a gallon, NIST Handbook 44, Appendix C
        ("us", 9.290304, "m2", "100 ft²"),
        ("metric", -0.001, "m", "0.00 m"),
        ("metric", -0.2, "m", "-0.20 m"),
        ("metric", None, "m", "not computed"),
        ("metric", float("nan"), "m", "not computed"),
        ("metric", 186.4, "deg", "186°"),
        ("metric", 0.5, "", "0.50"),
        ("us", 208.0, "L", "55 gal"),
    ],
)
def test_numbers_for_people(display, value, unit, shown):
    assert Units(display).show(value, unit) == shown


@pytest.mark.parametrize(
    ("display", "value", "shown"),
    [
        ("metric", 24_326.6, "24,300 m³/y"),
        ("metric", 136.1, "136 m³/y"),
        ("metric", 89.54, "89.5 m³/y"),
        ("metric", 0.0421, "0.0 m³/y"),
        ("metric", 0.0, "0 m³/y"),
        ("metric", 999.6, "1,000 m³/y"),
        ("us", 15_931.0, "4,210,000 gal/y"),
        ("metric", None, "not computed"),
    ],
)
def test_estimates_are_told_to_three_digits(display, value, shown):
    assert Units(display).rough(value, "m3/y") == shown


def test_a_range_names_its_unit_once():
    assert Units("metric").rough_span(17_016.7, 25_096.2, "m3/y") == "17,000 to 25,100 m³/y"
    assert Units("metric").span(1.0, 2.0, "m") == "1.00 to 2.00 m"
    assert Units("metric").rough_span(None, 2.0, "m3/y") == "not computed"


def test_given_numbers_keep_four_digits():
    assert Units("metric").given(1.27, "mm") == "1.27 mm"
    assert Units("metric").given(9.144, "m") == "9.144 m"
    assert Units("us").given(1.27, "mm") == "0.05 in"
    assert Units("metric").given(5.0, "mm/y") == "5 mm/y"
    assert Units("metric").given(55.0, "1/y") == "55 1/y"
    assert Units("metric").given(12345.6, "m") == "12,350 m"


def test_limits_lose_their_zeros():
    assert Units("metric").limit(15.0, "m") == "15 m"
    assert Units("metric").limit(3.05, "m") == "3.05 m"
    assert Units("metric").limit(100.0, "mm") == "100 mm"
    assert Units("us").limit(30.48, "m") == "100 ft"


@pytest.mark.parametrize(
    ("direction", "name"), [(0, "north"), (22, "north"), (23, "north-east"), (180, "south"), (338, "north")]
)
def test_winds(direction, name):
    assert wind(direction) == name


def test_null_has_many_forms():
    import pandas as pd

    assert [is_missing(value) for value in (None, pd.NA, np.nan, float("nan"), pd.NaT)] == [True] * 5
    assert [is_missing(value) for value in (0, 0.0, "", "nan", False)] == [False] * 5


def test_the_run_record_is_where_parameters_come_from(tmp_path, result):
    copy = tmp_path / "a.gpkg"
    shutil.copy(result, copy)
    with contextlib.closing(sqlite3.connect(copy)) as connection, connection:
        connection.execute("UPDATE run_record SET value = '4.5' WHERE key = 'param.rules.foundation_m'")
    text = explain_text(read_home(copy, "h-0017"))
    assert "at least 4.5 m asked" in line_of(text, "to own buildings")


def test_units_of_the_reader_come_before_those_of_the_run(result):
    metric, us = (explain_text(read_home(result, "h-0017", display_units=units)) for units in ("metric", "us"))
    assert " gal" in us
    assert " gal" not in metric
    assert explain_data(read_home(result, "h-0017", display_units="us")) == explain_data(read_home(result, "h-0017"))
