"""Troubles with lots, buildings, the elevation and the other inputs."""

from __future__ import annotations

from typing import Final

from screening.columns.trouble import group

ROWS: Final = (
    *group(
        "lot",
        "warning",
        (
            "geometry_missing",
            "Records have no shape.",
            "A parcel becomes a row with the reason bad_geometry; other records are left out.",
            "Get the missing shapes if they matter.",
        ),
        (
            "outline_unusable",
            "Outlines can't be read, or are so broken that no repair keeps their area.",
            "A parcel becomes a row with the reason bad_geometry; a building is left out.",
            "Redraw the named records.",
        ),
        (
            "lots_overlap",
            "Lots overlap each other by more than drawing errors.",
            "The same ground is counted for two lots; candidates among them are flagged lot_overlapped.",
            "Look at the named records; old and new outlines may be in one file.",
        ),
        (
            "road_among_lots",
            "Parcels are long and thin like streets or railways.",
            "Sure ones are no lots (not_a_lot), and overflow may run onto them; the rest count as neighbours' lots.",
            "Name the field as [fields] lot_kind and its values as [homes] street_values, or give [inputs] streets.",
        ),
        (
            "water_among_lots",
            "Parcels seem to be water.",
            "Sure ones are no lots (not_a_lot), and overflow may run onto them; the rest count as neighbours' lots.",
            "Name the field as [fields] lot_kind and its values as [homes] water_values.",
        ),
        (
            "home_over_two_lots",
            "A house stands on two or more lots.",
            "It counts for the lot that holds most of it; the yard is judged too small (flag house_over_lots).",
            "Name the field that links such lots under [fields] linked_lot, or join them in the parcel file.",
        ),
    ),
    *group(
        "lot",
        "note",
        (
            "ring_invalid",
            "Outlines crossed themselves and were repaired without changing their area.",
            "They are used; homes carry the flag geometry_repaired.",
            "Nothing to do.",
        ),
        (
            "lot_in_parts",
            "Parcels consist of several parts.",
            "The part that holds the house is judged.",
            "Nothing to do.",
        ),
        (
            "height_in_geometry",
            "Shapes carry heights or measures.",
            "They are dropped; only the ground plan counts.",
            "Nothing to do.",
        ),
        (
            "curved_lines",
            "Outlines have arcs.",
            "Arcs are replaced by short chords.",
            "Nothing to do.",
        ),
        (
            "lot_twice",
            "The same parcel is in the file more than once.",
            "It counts once; the others are listed as merged (duplicate).",
            "Nothing to do.",
        ),
        (
            "lots_stacked",
            "Several parcels share one outline, as condominiums do.",
            "They are one place with several owners and no home (shared_stack); the others are listed as merged.",
            "Nothing to do.",
        ),
        (
            "lots_linked",
            "Lots belong to one home, as the city's own field says.",
            "Those that touch and hold one house between them are joined; candidates are flagged lots_joined.",
            "Nothing to do.",
        ),
        (
            "lots_puzzle",
            "Lots that buildings fill lie in holes of another lot, as units cut out of common ground do.",
            "Ground and units are one place with several owners and no home (shared_stack); units count as merged.",
            "Nothing to do; look at a few if there are many.",
        ),
        (
            "lots_on_ground_parcel",
            "Small lots lie on top of a larger one, as units on a ground parcel do.",
            "Ground and units are one place with several owners and no home (shared_stack); units count as merged.",
            "Nothing to do; look at a few if there are many.",
        ),
        (
            "lot_tiny",
            "Parcels are smaller than the smallest garden.",
            "They are no candidates.",
            "Nothing to do; many of them are leftovers of drawing.",
        ),
    ),
    *group(
        "building",
        "warning",
        (
            "buildings_shifted",
            "The buildings as a whole lie shifted against the parcels.",
            "Setbacks and yards are off by the shift, and lot lines cut houses; nothing is moved by the program.",
            "Find out which layer is right and move the other, or get layers of one survey.",
        ),
        (
            "building_missing",
            "Many eligible parcels hold no building.",
            "They are no candidates (no_building); a stale building layer loses whole streets of homes.",
            "Look at the named places in a recent aerial photograph; get newer outlines if houses are missing.",
        ),
        (
            "buildings_all_small",
            "Hardly any building is as large as a house.",
            "Most homes end as building_too_small; a wrong unit or a layer of sheds has this look.",
            "Check the layer and its coordinate system; see [homes] min_principal_area_m2.",
        ),
    ),
    *group(
        "building",
        "note",
        (
            "building_over_lots",
            "Buildings stretch over several lots, as row houses do.",
            "They are divided along the lot lines; a shared wall is neither eave nor place for a downspout.",
            "Nothing to do.",
        ),
        (
            "buildings_twice",
            "Buildings repeat the outline of another.",
            "Each is used once.",
            "Nothing to do.",
        ),
        (
            "buildings_overlap",
            "Buildings overlap each other.",
            "Both are kept away from; the roof of the house may be counted too large.",
            "Look at the named records if there are many.",
        ),
    ),
    *group(
        "elevation",
        "error",
        (
            "vertical_unit_missing",
            "The elevation raster doesn't say whether its heights are metres or feet.",
            "The run can't start: every slope hangs on it.",
            'Set elevation_unit = "m", "ft" or "us-ft" under [inputs]; the source of the data says which.',
        ),
        (
            "vertical_unit_doubtful",
            "The file and the run file, or two places in the file, name different height units.",
            "The run can't start.",
            "Take elevation_unit out of the run file, or correct the file.",
        ),
        (
            "vertical_units_mixed",
            "The rasters of the elevation have heights in different units.",
            "A step would run along every seam.",
            "Bring all rasters into one unit.",
        ),
        (
            "elevation_without_place",
            "The raster doesn't say where it lies, or is rotated against its axes.",
            "The run can't start.",
            "Give a north-up, georeferenced GeoTIFF, VRT or ASCII grid.",
        ),
        (
            "elevation_not_heights",
            "The raster isn't one band of heights: several bands, a picture, or values that are no ground.",
            "The run can't start.",
            "Give the bare-earth elevation model.",
        ),
        (
            "elevation_empty",
            "The raster holds no height over the parcels.",
            "The run can't start.",
            "Give the raster of this place.",
        ),
        (
            "elevation_tiles_disagree",
            "The rasters of the elevation differ in coordinate system, cell size or level.",
            "Steps along the seams would look like steep ground.",
            "Use rasters of one survey, or bring them to one grid and level.",
        ),
        (
            "nodata_undeclared",
            "A value stands for missing heights, but nothing says so.",
            "The ground would have pits or towers; the run stops where it is clear.",
            "Set elevation_nodata under [inputs] to that value.",
        ),
        (
            "surface_model",
            "The raster shows roofs and trees, not the ground.",
            "The run can't start: slopes and flow would follow the roofs.",
            "Give a bare-earth model (terrain model).",
        ),
        (
            "cells_coarse",
            "The elevation cells are too large to show the ground of a yard.",
            "Slopes within a yard are blurred; over the limit the run stops unless it is told to go on.",
            "Give a finer elevation model, or set allow_coarse = true under [siting] to see what comes out.",
        ),
    ),
    *group(
        "elevation",
        "warning",
        (
            "elevation_partial",
            "The raster doesn't reach over all parcels.",
            "Parcels beyond it are no candidates (outside_elevation).",
            "Give a raster of the whole city, or leave it so.",
        ),
        (
            "elevation_holes",
            "Heights are missing over parts of the lots.",
            "Homes there are no candidates (elevation_gap); small holes are filled.",
            "Get the missing tiles, or fill the holes with another model of the same survey.",
        ),
        (
            "elevation_seam",
            "The ground makes a step along a straight line across the raster.",
            "Lots on the line look steep, or water seems to stop there.",
            "Get tiles of one survey and level.",
        ),
        (
            "heights_in_steps",
            "Heights are stored in whole units or coarse steps.",
            "Yards look flat with sudden steps; fall and slope within a yard mean little.",
            "Get the model with decimals.",
        ),
        (
            "house_remnants",
            "The ground bulges under part of the houses: remnants of buildings in the model.",
            "Cells under houses are left out, but the ground beside them may look steeper than it is.",
            "Nothing to do for single houses; get another model if there are many.",
        ),
        (
            "slope_doubtful",
            "The yards are steeper than in almost any town, or dead flat.",
            "Steep yards are refused; a wrong height unit has this look.",
            "Check elevation_unit under [inputs] against the source of the data.",
        ),
    ),
    *group(
        "elevation",
        "note",
        (
            "elevation_resampled",
            "The raster is not in a metric system of square cells, and is sampled on a grid that is.",
            "Heights are interpolated between its cells.",
            "Nothing to do; a raster in the local projected system is a little more exact.",
        ),
    ),
    *group(
        "other",
        "error",
        (
            "rain_unreadable",
            "The rain table has no columns or lines that can be understood.",
            "The run can't start.",
            "Give a CSV with the header time,rain_mm and one line an hour or a day.",
        ),
        (
            "rain_gaps",
            "The rain record lacks hours or days.",
            "Missing steps count as dry, so volumes come out small; the run stops if too many are missing.",
            "Fill the gaps, write dry steps as 0, or choose complete years under [rain].",
        ),
        (
            "rain_unit_doubtful",
            "The depths of the rain record don't fit its unit, or any town's climate.",
            "The run stops where it is clear: all volumes hang on it.",
            'Check the depths, and [rain] unit = "mm" or "in".',
        ),
        (
            "keep_away_distance_missing",
            "Neither the run file nor the rules say how far a garden stays away from a layer.",
            "The run can't start.",
            "Add distance_m to that layer.",
        ),
        (
            "district_unclear",
            "The run file doesn't say which field names the districts.",
            "The run can't start.",
            "Name it under [fields] district.",
        ),
        (
            "soil_unclear",
            "The soil map can't be joined to soils, for want of a field, a table or known symbols.",
            "The run can't start, or unknown soils are taken as the run file's default.",
            "See the keys of [soil].",
        ),
    ),
    *group(
        "other",
        "warning",
        (
            "rain_missing",
            "No rain record is given.",
            "Yearly volumes rest on assumed storms (flag rain_assumed).",
            "Give hourly rain of ten years or so as [inputs] rain.",
        ),
        (
            "rain_short",
            "The rain record has few years.",
            "The yearly mean may be that of wet or dry years, and the range is too narrow.",
            "Give ten years or more.",
        ),
        (
            "keep_away_empty",
            "A keep-away layer holds nothing near the parcels.",
            "Gardens keep away from nothing of that kind.",
            "Check the layer if there should be something.",
        ),
        (
            "keep_away_far",
            "A keep-away layer lies elsewhere.",
            "Gardens keep away from nothing of that kind.",
            "Check its coordinate system under [inputs.crs], or the file.",
        ),
        (
            "keep_away_everywhere",
            "A keep-away layer covers most of the lots with its distance.",
            "Hardly any ground is left for gardens.",
            "Check distance_m and whether the layer is what it should be.",
        ),
        (
            "street_without_name",
            "Streets have no name.",
            "Homes there are counted under the street of their address, or none.",
            "Name the field under [fields] street_name, or fill it.",
        ),
        (
            "downspouts_off",
            "Measured downspouts lie away from every building.",
            "They serve no roof.",
            "Check their coordinate system under [inputs.crs].",
        ),
    ),
    *group(
        "other",
        "note",
        (
            "streets_missing",
            "No street layer is given.",
            "Streets are taken from the parcels' field or address; ground outside every parcel counts as street.",
            "Give [inputs] streets for a plan of visits by street.",
        ),
        (
            "rain_clock",
            "The clock of the rain record has summer time, or seems to.",
            "It is brought to standard time where that is clear.",
            "Nothing to do.",
        ),
        (
            "records_left_out",
            "Some records of an input can't be used, or aren't needed.",
            "They are left out.",
            "Nothing to do if they are few.",
        ),
    ),
)
"""Rows of the registry; see `screening.columns.troubles`."""
