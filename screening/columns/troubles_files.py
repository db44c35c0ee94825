"""Troubles with files, places, fields and the machine."""

from __future__ import annotations

from typing import Final

from screening.columns.trouble import group

ROWS: Final = (
    *group(
        "file",
        "error",
        (
            "parameter_wrong",
            "The run file can't be understood, or a value in it is not allowed.",
            "Nothing is read.",
            "Correct the named line of the run file; `screening params` prints every key with its range.",
        ),
        (
            "input_not_named",
            "The run file doesn't name the parcels, the buildings or the elevation.",
            "The run can't start.",
            "Add the path under [inputs].",
        ),
        (
            "file_missing",
            "A file isn't where the run file says.",
            "The run can't start.",
            "Correct the path under [inputs]; paths are relative to the run file.",
        ),
        (
            "file_part_missing",
            "A shapefile lacks one of its files.",
            "The run can't start.",
            "Copy all files of the shapefile: .shp, .shx, .dbf, and .prj.",
        ),
        (
            "file_unreadable",
            "A file is there, but can't be opened, decoded or understood.",
            "The run can't start.",
            "Copy, download or export the file again, and check that it is of the kind its name says.",
        ),
        (
            "file_cut_short",
            "A file breaks off before its end.",
            "The run can't start: nobody knows which records are gone.",
            "Copy, download or export the file again.",
        ),
        (
            "archive_unclear",
            "A zip archive holds no data set, or several.",
            "The run can't start.",
            "Unpack the archive and name one of the files in it.",
        ),
        (
            "layer_unclear",
            "A file has several layers, and it isn't clear which is meant; or the named layer isn't there.",
            "The run can't start.",
            "Name the layer under [inputs.layers].",
        ),
        (
            "layer_empty",
            "A layer holds no record, or no record with a shape.",
            "The run can't start without parcels, buildings and elevation; other layers then change nothing.",
            "Check that it is the right file and layer.",
        ),
        (
            "shapes_of_wrong_kind",
            "A layer holds points or lines where outlines are needed, or is a plain table.",
            "The run can't start.",
            "Name the layer that holds the right kind of shapes.",
        ),
    ),
    *group(
        "place",
        "error",
        (
            "crs_missing",
            "Nothing says in which coordinate system a file is.",
            "The run can't start: the layers can't be laid over each other.",
            'State it under [inputs.crs], for example parcels = "EPSG:26919"; the source of the data names it.',
        ),
        (
            "crs_doubtful",
            "The coordinates of a file can't belong to the coordinate system it names, or it spans more than a town.",
            "The run can't start: lengths and places would be wrong.",
            "State the true system under [inputs.crs], or take the misplaced records out.",
        ),
        (
            "crs_unknown",
            "A coordinate system is named that PROJ doesn't know, or that isn't tied to the Earth.",
            "The run can't start.",
            'Write it like "EPSG:26919".',
        ),
        (
            "crs_unfit",
            "The working system named in the run file distorts lengths, isn't projected, or doesn't reach the city.",
            "The run can't start: distances and areas would be wrong.",
            "Name a projected system made for this region, or leave working_crs out.",
        ),
        (
            "layers_apart",
            "Two layers don't share any ground.",
            "The run can't start.",
            "Check that both show the same place, and their systems under [inputs.crs].",
        ),
    ),
    *group(
        "place",
        "warning",
        (
            "crs_shift_unsure",
            "The step between two coordinate systems is only known roughly, for want of a correction grid.",
            "A layer may lie off by the stated distance, and gardens and setbacks with it.",
            "Bring all layers into one system with a program that has the grid, and give those files.",
        ),
        (
            "layer_far",
            "An additional layer (streets, soils, downspouts, districts) lies elsewhere.",
            "It is as if it weren't given.",
            "Check its coordinate system under [inputs.crs], or the file.",
        ),
    ),
    *group(
        "place",
        "note",
        (
            "crs_in_degrees",
            "A layer is in degrees.",
            "It is brought into the working system; nothing is measured in degrees.",
            "Nothing to do; state [inputs] working_crs if you want another one.",
        ),
        (
            "crs_stretched",
            "A layer is in a system that distorts lengths here, such as Web Mercator.",
            "It is brought into the working system; areas and distances are those on the ground.",
            "Nothing to do; an original in the local system is a little more exact.",
        ),
        (
            "crs_overruled",
            "The run file states another coordinate system than the file.",
            "The run file's is taken.",
            "Take the entry under [inputs.crs] out if the file is right.",
        ),
        (
            "feet_mixed",
            "Some layers are in international feet and others in US survey feet.",
            "Each is read by its own unit; a layer that names the wrong foot lies a metre or so off.",
            "Ask the source if layers look shifted against each other.",
        ),
    ),
    *group(
        "field",
        "error",
        (
            "field_missing",
            "A field named in the run file isn't in the layer.",
            "The run can't start.",
            "Correct the name under [fields].",
        ),
        (
            "field_not_text",
            "A named field holds lists, pictures or the like, or text among numbers.",
            "The run can't start.",
            "Name another field, or make it a text field.",
        ),
        (
            "text_garbled",
            "Text isn't in the encoding the file names.",
            "Addresses and ids may show wrong letters, and filters miss values; the run stops if nothing can be read.",
            "Export the file again as UTF-8, best as a GeoPackage.",
        ),
        (
            "land_use_unmatched",
            "No parcel has any of the eligible land-use values.",
            "The run can't start: there would be no home.",
            "Take the values under [homes] land_use from the list of those that are there.",
        ),
        (
            "building_kind_unmatched",
            "No building has any of the values that mark a house.",
            "The run can't start: there would be no house.",
            "Take the values under [homes] principal_values from the list of those that are there.",
        ),
    ),
    *group(
        "field",
        "warning",
        (
            "field_empty",
            "A named field is empty in every record.",
            "It is as if it weren't named.",
            "Name another field under [fields].",
        ),
        (
            "field_cut_short",
            "Texts end at the width of the field, so their ends are probably gone.",
            "Addresses are cut, and ids that differ at the end look the same.",
            "Get the data in another format than shapefile, or with a wider field.",
        ),
        (
            "id_missing",
            "Parcels have no id.",
            "Their id is made from their place (at-X-Y); lists can't be joined to the city's own.",
            "Name the field with the ids under [fields] parcel_id, or fill it.",
        ),
        (
            "id_repeated",
            "Several parcels of different outline have the same id.",
            "The second becomes id~2 and so on, in a fixed order.",
            "Check whether the field is the key of the parcel, or whether lots of one owner are billed as one.",
        ),
        (
            "id_lost_zeros",
            "Ids look like numbers that have lost their leading zeros.",
            "Lists can't be joined to the city's own.",
            "Get the ids as text, and never pass them through a spreadsheet.",
        ),
        (
            "address_of_owner",
            "The field named for addresses seems to hold the owners' mailing addresses.",
            "Sheets and lists would send people to the wrong house, and print what is private.",
            "Name the field with the address of the lot itself.",
        ),
        (
            "land_use_unknown_value",
            "Some of the eligible land-use values aren't in the data.",
            "They let nothing through; homes may be missing.",
            "Compare the values under [homes] land_use with those that are there.",
        ),
        (
            "building_kind_unknown_value",
            "Some of the values that mark a house aren't in the data.",
            "They let nothing through; houses may be missing.",
            "Compare the values under [homes] principal_values with those that are there.",
        ),
        (
            "status_not_current",
            "Records say of themselves that they are dropped, pending or retired.",
            "Lots that don't exist are counted, or existing ones twice.",
            "Filter the file by its status field before the run.",
        ),
        (
            "area_contradicts",
            "An area field of the parcels doesn't agree with the drawn outlines.",
            "The drawn outlines count; a contradiction shows a wrong unit, a wrong system, or an old field.",
            "Find out which is right; if all areas are off by one factor, a unit or system is wrong.",
        ),
    ),
    *group(
        "field",
        "note",
        (
            "field_name_cut",
            "A long field name was found under the first ten letters that a shapefile keeps.",
            "The field is read.",
            "Nothing to do.",
        ),
        (
            "id_from_number",
            "Ids come from a field of numbers.",
            "They are written as whole numbers; leading zeros, if the city's own keys have any, are gone.",
            "Get the ids as text if lists have to be joined by them.",
        ),
        (
            "field_not_named",
            "The run file names no field for the ids or the addresses of the parcels.",
            "Ids are made from the place, sheets and lists are without addresses.",
            "Name the fields under [fields].",
        ),
        (
            "land_use_missing",
            "Parcels have no land use.",
            "With a land-use filter they are no homes (not_residential).",
            "Nothing to do if they are streets or water; else get the values.",
        ),
        (
            "owner_field_present",
            "The parcels have fields that seem to hold owners' names.",
            "They are never read, and never written.",
            "Nothing to do; leave them out of files you pass on.",
        ),
    ),
    *group(
        "machine",
        "warning",
        (
            "disk_space_short",
            "The disk has too little room for the output and the parts of a run.",
            "The run would break off before its end.",
            "Make room, or give an output on another disk.",
        ),
    ),
    *group(
        "machine",
        "error",
        (
            "output_exists",
            "The output file is already there.",
            "It is kept, and the run stops.",
            "Give another name, or --overwrite.",
        ),
    ),
)
"""Rows of the registry; see `screening.columns.troubles`."""
