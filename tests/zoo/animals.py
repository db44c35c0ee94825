"""The animals, by topic: what is wrong, what `check` says, what comes of the run, what `start` guesses."""

from __future__ import annotations

import test_check_inputs as inputs
import test_check_lots as lots

from zoo import files
from zoo.animal import ABSENT, Animal, Goes, Refused

SAME = Goes()
"""Every lot is judged as in the sound town."""

GUESSED = {"fields.parcel_id": "PIN", "fields.address": "SITE", "fields.land_use": "USE"}

FILES = (
    Animal("nothing", files.sound, {}, SAME, GUESSED, start_runs=True),
    Animal("shapefile in a zip archive, in a folder", files.zipped, {}, SAME, GUESSED, start_runs=True),
    Animal(
        "inputs that aren't named",
        inputs.no_parcels_named,
        {"input_not_named": "error"},
        Refused("doesn't name parcels", 2),
        {"": "~found no parcels"},
    ),
    Animal(
        "value that isn't allowed",
        files.no_value_allowed,
        {"parameter_wrong": "error"},
        Refused("lot_line_m: must be >= 0", 2),
    ),
    Animal(
        "file that isn't there",
        inputs.missing_file,
        {"file_missing": "error"},
        Refused("nowhere.gpkg (buildings) doesn't exist"),
        {"": "~nowhere.gpkg doesn't exist"},
    ),
    Animal(
        "noise under the name of a GeoPackage",
        inputs.unreadable,
        {"file_unreadable": "error"},
        Refused("can't be read as a GeoPackage"),
        {"": "~name another file with --buildings"},
    ),
    Animal(
        "web page saved as data",
        files.page_instead_of_data,
        {"file_unreadable": "error"},
        Refused("can't be read as a GeoPackage"),
        {"": "~name another file with --parcels"},
    ),
    Animal(
        "archive without data",
        files.letter_in_an_archive,
        {"archive_unclear": "error"},
        Refused("holds no shapefile"),
        {"": "~name another file with --parcels"},
    ),
    Animal(
        "archive that unpacks to a thousand times its size",
        files.bomb_in_an_archive,
        {"file_unreadable": "error"},
        Refused("that is no data"),
        {"": "~name another file with --parcels"},
    ),
    Animal(
        "raster that breaks off",
        inputs.cut_raster,
        {"file_unreadable": "error"},
        Refused("can't be read as an elevation raster"),
        {"": "~can't be read as an elevation raster"},
    ),
    Animal(
        "shapefile without its table",
        files.shapefile_without_table,
        {"file_part_missing": "error"},
        Refused("lacks its lots.dbf"),
        {"": "~name another file with --parcels"},
    ),
    Animal(
        "shapefile that breaks off",
        files.shapefile_cut_short,
        {"file_cut_short": "error"},
        Refused("breaks off"),
        {"": "~name another file with --parcels"},
    ),
    Animal("two layers in one file", inputs.several_layers, {"layer_unclear": "error"}, Refused("has several layers")),
    Animal(
        "points where buildings should be",
        inputs.points_for_houses,
        {"shapes_of_wrong_kind": "error"},
        Refused("needs polygon shapes"),
    ),
    Animal("layer without records", inputs.empty_buildings, {"layer_empty": "error"}, Refused("holds no record")),
)

PLACES = (
    Animal(
        "layer without a coordinate system",
        inputs.no_system,
        {"crs_missing": "error"},
        Refused("names no coordinate system"),
    ),
    Animal(
        "shapefile without .prj",
        files.shapefile_without_system,
        {"crs_missing": "error"},
        Refused("names no coordinate system"),
    ),
    Animal("metres said to be degrees", inputs.wrong_system, {"crs_doubtful": "error"}, Refused("aren't degrees")),
    Animal(
        "one lot in another state", files.lot_in_another_state, {"crs_doubtful": "error"}, Refused("more than a town")
    ),
    Animal(
        "system that PROJ doesn't know",
        files.unknown_system,
        {"crs_unknown": "error"},
        Refused("not a coordinate reference system"),
    ),
    Animal("working system in degrees", files.working_in_degrees, {"crs_unfit": "error"}, Refused("counts in degrees")),
    Animal("buildings of another town", inputs.far_away, {"layers_apart": "error"}, Refused("don't overlap")),
    Animal("elevation of another town", inputs.elsewhere, {"layers_apart": "error"}, Refused("don't overlap")),
    Animal("parcels in degrees", inputs.in_degrees, {"crs_in_degrees": "note"}, SAME, GUESSED, start_runs=True),
    Animal(
        "parcels in Web Mercator",
        inputs.web_mercator,
        {"crs_stretched": "note", "crs_shift_unsure": "warning"},
        SAME,
        GUESSED,
        start_runs=True,
    ),
    Animal("another system stated than the file's", inputs.stated_system, {"crs_overruled": "note"}, SAME),
    Animal(
        "state plane in US survey feet, heights too",
        files.in_feet,
        {},
        SAME,
        {**GUESSED, "inputs.elevation_unit": ABSENT},
        start_runs=True,
    ),
    Animal("two kinds of feet", files.two_kinds_of_feet, {"feet_mixed": "note"}, SAME),
)

FIELDS = (
    Animal(
        "fields that aren't there",
        inputs.missing_fields,
        {"field_missing": "error"},
        Refused("did you mean 'PIN'"),
        GUESSED,
        start_runs=True,
    ),
    Animal(
        "text in a number field",
        files.text_among_numbers,
        {"field_not_text": "error"},
        Refused("'10004-A' in record 4"),
    ),
    Animal(
        "Windows letters in a file that says UTF-8",
        files.wrong_encoding,
        {"text_garbled": "warning"},
        Goes(repairs={"parcels.text_garbled": 36}),
        GUESSED,
        start_runs=True,
    ),
    Animal(
        "field names cut to ten characters",
        files.long_names_cut,
        {"field_name_cut": "note"},
        Goes(repairs={"parcels.field_name_cut": 1}),
    ),
    Animal("identifiers as decimal numbers", files.ids_as_decimals, {}, Goes(repairs={"parcels.id_from_number": 36})),
    Animal(
        "empty identifiers",
        lots.no_ids,
        {"id_missing": "warning"},
        Goes(repairs={"parcels.id_missing": 2}),
        GUESSED,
        start_runs=True,
    ),
    Animal(
        "one identifier on several lots",
        lots.ids_repeated,
        {"id_repeated": "warning"},
        Goes(repairs={"parcels.id_repeated": 2}),
    ),
    Animal(
        "field that is empty",
        lots.empty_field,
        {"field_empty": "warning"},
        SAME,
        {"fields.address": "SITE"},
        start_runs=True,
    ),
    Animal("owners' names", lots.owners, {"owner_field_present": "note"}, SAME, GUESSED, start_runs=True),
    Animal(
        "owners' mailing addresses",
        lots.owners_address,
        {"address_of_owner": "warning", "owner_field_present": "note"},
        SAME,
        {"fields.address": "SITE"},
        start_runs=True,
    ),
    Animal(
        "land use that no lot has",
        lots.wrong_uses,
        {"land_use_unmatched": "error"},
        Refused("did you mean 'Residential'"),
        GUESSED,
        start_runs=True,
    ),
    Animal("one land use of two that no lot has", lots.some_uses, {"land_use_unknown_value": "warning"}, SAME),
    Animal("lots without a land use", lots.no_uses, {"land_use_missing": "note"}, SAME),
    Animal(
        "kind of building that none has",
        lots.wrong_kinds,
        {"building_kind_unmatched": "error"},
        Refused("no building has such a kind"),
    ),
    Animal("records that say they are dropped", lots.dropped, {"status_not_current": "warning"}, SAME),
    Animal(
        "areas that contradict the outlines",
        lots.areas_scaled,
        {"area_contradicts": "warning"},
        SAME,
        GUESSED,
        start_runs=True,
    ),
)

LOTS = (
    Animal(
        "lots without a shape",
        lots.no_shape,
        {"geometry_missing": "warning"},
        Goes(34, {"bad_geometry": 2}, repairs={"parcels.geometry_missing": 2}),
        GUESSED,
        start_runs=True,
    ),
    Animal(
        "outlines like a bow tie",
        lots.bow_tie,
        {"outline_unusable": "warning"},
        Goes(34, {"bad_geometry": 2}, repairs={"parcels.outline_unusable": 2}),
    ),
    Animal(
        "outline that goes out and back",
        lots.spike,
        {"ring_invalid": "note"},
        Goes(flags={"geometry_repaired": 1}, repairs={"parcels.ring_invalid": 1}),
    ),
    Animal(
        "lot on both sides of the street",
        lots.two_parts,
        {"lot_in_parts": "note"},
        Goes(34, {"no_building": 1}, repairs={"parcels.lot_in_parts": 1}),
    ),
    Animal(
        "shapes with heights",
        lots.with_heights,
        {"height_in_geometry": "note"},
        Goes(repairs={"parcels.height_in_geometry": 36}),
        GUESSED,
        start_runs=True,
    ),
    Animal(
        "front line that is an arc", files.curved, {"curved_lines": "note"}, Goes(repairs={"parcels.curved_lines": 1})
    ),
    Animal("lot with a hole", files.pond_in_a_lot, {}, SAME),
    Animal(
        "condominium: units of one outline",
        lots.stack,
        {"lots_stacked": "note"},
        Goes(35, {"shared_stack": 1}, {"stack": 4}, {"parcels.lots_stacked": 4}),
        GUESSED,
        start_runs=True,
    ),
    Animal(
        "condominium: units cut out of the yard",
        lots.puzzle,
        {"lots_puzzle": "note"},
        Goes(35, {"shared_stack": 1}, {"unit": 4}, {"parcels.lots_puzzle": 4}),
    ),
    Animal(
        "condominium: units on a ground parcel",
        lots.on_ground,
        {"lots_on_ground_parcel": "note"},
        Goes(35, {"shared_stack": 1}, {"unit": 3}, {"parcels.lots_on_ground_parcel": 3}),
    ),
    Animal(
        "the same lot twice",
        lots.twice,
        {"lot_twice": "note"},
        Goes(merged={"duplicate": 1}, repairs={"parcels.lot_twice": 1}),
        GUESSED,
        start_runs=True,
    ),
    Animal("lot drawn over its neighbour", lots.overlapping, {"lots_overlap": "warning"}, SAME),
    Animal(
        "street among the lots",
        lots.road,
        {"road_among_lots": "note"},
        Goes(reasons={"not_a_lot": 1}, repairs={"parcels.road_among_lots": 1}),
    ),
    Animal(
        "streets by the city's own field",
        files.ways_by_kind,
        {},
        Goes(34, {"not_a_lot": 2}, repairs={"parcels.road_among_lots": 2}),
    ),
    Animal("pond among the lots", lots.water, {"water_among_lots": "warning"}, Goes(reasons={"no_building": 1})),
    Animal("slivers between lots", lots.tiny, {"lot_tiny": "note"}, Goes(reasons={"no_building": 2})),
    Animal(
        "one home over two lots",
        lots.over_two_lots,
        {"home_over_two_lots": "warning"},
        Goes(35, {"no_building": 1}, flags={"house_over_lots": 1}),
    ),
    Animal(
        "two lots billed as one",
        files.linked,
        {"lots_linked": "note"},
        Goes(35, {}, {"linked": 1}, {"parcels.lots_linked": 1}, {"lots_joined": 1}),
    ),
)

BUILDINGS = (
    Animal(
        "row houses as one footprint",
        lots.row_houses,
        {"building_over_lots": "note"},
        Goes(flags={"split_building": 4}),
        GUESSED,
        start_runs=True,
    ),
    Animal("old building layer", lots.few_houses, {"building_missing": "warning"}, Goes(6, {"no_building": 30})),
    Animal("layer of sheds", lots.only_sheds, {"buildings_all_small": "warning"}, Goes(0, {"building_too_small": 36})),
    Animal(
        "buildings twice",
        lots.buildings_twice,
        {"buildings_twice": "note"},
        Goes(repairs={"buildings.buildings_twice": 5}),
        GUESSED,
        start_runs=True,
    ),
    Animal("buildings that overlap", lots.buildings_overlap, {"buildings_overlap": "note"}, SAME),
    Animal(
        "buildings shifted as a whole",
        files.shifted,
        {"buildings_shifted": "warning"},
        SAME,
    ),
)

ELEVATIONS = (
    Animal(
        "heights without a unit",
        inputs.no_unit,
        {"vertical_unit_missing": "error"},
        Refused("doesn't say in which unit"),
    ),
    Animal(
        "two height units for one raster",
        inputs.two_units,
        {"vertical_unit_doubtful": "error"},
        Refused("its band says m"),
        {"inputs.elevation_unit": ABSENT},
        start_runs=True,
    ),
    Animal(
        "feet taken for metres", inputs.feet_read_as_metres, {"slope_doubtful": "warning"}, Goes(0, {"too_steep": 36})
    ),
    Animal("flat as a table", inputs.flat, {"slope_doubtful": "warning"}, Goes(0, {"no_downhill_place": 36})),
    Animal(
        "picture without a place",
        files.raster_without_place,
        {"elevation_without_place": "error"},
        Refused("doesn't say where it lies"),
    ),
    Animal("coloured shading", files.picture_as_elevation, {"elevation_not_heights": "error"}, Refused("has 3 bands")),
    Animal(
        "raster in degrees",
        files.elevation_in_degrees,
        {"elevation_resampled": "note", "crs_in_degrees": "note", "cells_coarse": "warning"},
        Goes((30, 36)),
    ),
    Animal("folder of tiles", files.folder_of_tiles, {}, SAME, GUESSED, start_runs=True),
    Animal(
        "tiles of two levels",
        files.tiles_of_two_levels,
        {"elevation_tiles_disagree": "error"},
        Refused("steps by 2.00 m"),
    ),
    Animal(
        "tiles of two cell sizes",
        files.tiles_of_two_cells,
        {"elevation_tiles_disagree": "error"},
        Refused("one cell size"),
    ),
    Animal(
        "tiles in metres and feet",
        files.tiles_of_two_units,
        {"vertical_units_mixed": "error"},
        Refused("into one unit"),
    ),
    Animal("step along a seam", inputs.seam, {"elevation_seam": "warning"}, Goes((30, 36))),
    Animal("strip of missing cells between tiles", inputs.strip, {"elevation_holes": "warning"}, Goes((30, 36))),
    Animal(
        "missing heights under a block",
        files.holes_under_lots,
        {"elevation_holes": "warning"},
        Goes((30, 35), {"elevation_gap": 2}),
    ),
    Animal(
        "raster that ends in the town",
        inputs.half,
        {"elevation_partial": "warning", "elevation_holes": "warning"},
        Goes(18, {"outside_elevation": 18}),
    ),
    Animal(
        "undeclared filler -9999",
        files.undeclared_filler,
        {"nodata_undeclared": "error"},
        Refused("set elevation_nodata = -9999"),
    ),
    Animal("undeclared filler -3.4e38", files.far_below_zero, {"elevation_holes": "warning"}, Goes((30, 36))),
    Animal("surface model with roofs", inputs.roofs, {"surface_model": "error"}, Refused("shows roofs")),
    Animal(
        "remnants of houses",
        inputs.remnants,
        {"house_remnants": "warning"},
        Goes((30, 36), flags={"house_in_elevation": 8}),
    ),
    Animal("cells of 5 m", inputs.coarse, {"cells_coarse": "error"}, Refused("cells of 5 m")),
    Animal(
        "heights in whole metres",
        inputs.whole_metres,
        {"heights_in_steps": "warning"},
        Goes((20, 30), {"no_downhill_place": 11}),
    ),
)

OTHERS = (
    Animal("rain of two years", inputs.short_rain, {"rain_short": "warning"}, SAME),
    Animal("rain with some days missing", inputs.gappy_rain, {"rain_gaps": "warning"}, SAME),
    Animal("rain with a year missing", inputs.gone_rain, {"rain_gaps": "error"}, Refused("lacks 18.3%")),
    Animal(
        "rain in another unit",
        inputs.rain_of_another_unit,
        {"rain_unit_doubtful": "error"},
        Refused("more than any town"),
    ),
    Animal("rain with semicolons", inputs.no_rain_table, {"rain_unreadable": "error"}, Refused("save it with commas")),
    Animal("hourly rain in summer time", files.hourly_summer_time, {"rain_clock": "note"}, SAME),
    Animal(
        "ponds without a distance",
        files.pond_without_distance,
        {"parameter_wrong": "error"},
        Refused("'pond' needs distance_m", 2),
    ),
    Animal("wells of another town", inputs.wells_elsewhere, {"keep_away_far": "warning"}, SAME),
    Animal("wells outside the town", inputs.wells_nowhere, {"keep_away_empty": "warning"}, SAME),
    Animal("a well on every lot", inputs.wells_everywhere, {"keep_away_everywhere": "warning"}, SAME),
    Animal("street without a name", inputs.streets, {"street_without_name": "warning"}, SAME),
    Animal("downspouts away from buildings", inputs.downspouts_off, {"downspouts_off": "warning"}, SAME),
    Animal(
        "districts without a named field",
        files.districts_without_field,
        {"district_unclear": "error"},
        Refused("names the districts"),
    ),
)

ANIMALS = {
    "file": FILES,
    "place": PLACES,
    "field": FIELDS,
    "lot": LOTS,
    "building": BUILDINGS,
    "elevation": ELEVATIONS,
    "other": OTHERS,
}
"""Animals by the registry's topics."""
