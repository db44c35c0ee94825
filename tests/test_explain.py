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

from screening import colours
from screening.cli.main import main
from screening.errors import InputError, ParameterError
from screening.report import picture
from screening.report.cautions import CAUTIONS
from screening.report.explain import explain_data, explain_text
from screening.report.quantities import Units, is_missing, wind
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
            ("storage_m3", "m3"),
            ("drawdown_h", "h"),
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
        ("gardens", "storage_m3", "storage", "would give 2.63 m³"),
        ("gardens", "drawdown_h", "soaks away in", "would give 13.2 h"),
        ("gardens", "ponding_depth_mm", "ponding depth", "would give 100 mm"),
        ("candidate_homes", "diverted_m3_y", "diverted", "would give 51.7 m³/y"),
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
    assert line_of(text, "storage", part="Garden g1") == "storage 2.63 m³ area x depth = 26.3 m² x 100 mm"
    assert line_of(text, "soaks away in", part="Garden g1").startswith(
        "soaks away in 13.2 h depth / soil rate = 100 mm / 7.6 mm/h"
    )
    assert "size factor 0.34 (silty soil, this depth)" in line_of(text, "area", part="Garden g1")
    assert line_of(text, "runs off the roof").startswith("runs off the roof 71.9 m³/y roof x 620 mm/y")
    assert line_of(text, "to own buildings", part="Garden g1") == (
        "to own buildings 6.00 m at least 3.05 m asked, 2.95 m to spare"
    )
    assert line_of(text, "falls toward") == "falls toward south, 186° clockwise from north"


def test_text_in_us_units(tmp_path):
    record = made_up_result.record(**{"output.display_units": "us"})
    text = explain_text(read_home(write(tmp_path / "a.gpkg", record), "h-0017"))
    # 116 m2 = 1,248.6 ft2; 71.92 m3 = 18,999 US gallons; 3.05 m = 10.0 ft (factors of units.py, exact by definition).
    assert line_of(text, "roof").startswith("roof 1,249 ft²")
    assert line_of(text, "runs off the roof").startswith("runs off the roof 18,999 gal/y")
    assert "at least 10 ft asked" in text
    assert not re.search(r"\bm[²³]?\b|\bmm\b", text.split("Cautions")[0])


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
    assert "assumed storms" in line_of(text, "runs off the roof")
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
    json.dumps(data, allow_nan=False)


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
    for words in ("51.7 m³/y", "downspout, place assumed", "downspout, not served", "roof part that no garden takes"):
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
        (["RESULT", "h-0017", "-o", "home.jpg"], 2, "must end in .png or .svg"),
        (["RESULT", "h-0017", "-o", "nowhere/home.png"], 2, "folder of the picture"),
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
