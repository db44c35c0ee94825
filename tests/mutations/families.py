"""The families of mutations, with how often each is drawn."""

from __future__ import annotations

from mutations import archive_faults, path_faults, raster_faults, result_faults, text_faults, vector_faults
from mutations.scramble import scramble


def _bytes_of(*names):
    """Make the family that scrambles one of some files of a town."""

    def bytes_of_a_file(trial):
        name = trial.one_of(names)
        stem = name.rpartition(".")[0]
        if stem == "run":
            for file in ("parcels.gpkg", "buildings.gpkg", "elevation.tif", "streets.gpkg", "rain.csv", "wells.gpkg"):
                trial.take(file)
            path = trial.take(name)
        elif stem == "rain":
            trial.town(head='rain = "rain.csv"\n')
            path = trial.take(name)
        elif stem in {"elevation", "tiled"}:
            trial.town(elevation=name)
            trial.take("elevation.prj")
            path = trial.inputs / name
        else:
            role = stem
            trial.town(**{role: name})
            path = trial.inputs / name
            if name.endswith(".shp"):
                path = path.with_suffix(trial.one_of((".shp", ".shp", ".shx", ".dbf", ".dbf", ".prj", ".cpg")))
        others = [trial.good / one for one in ("parcels.gpkg", "buildings.shp", "elevation.tif", "parcels.geojson")]
        scramble(trial, path, others)
        trial.screen()
        if trial.chance(0.15) and stem in {"parcels", "buildings", "elevation"}:
            trial.start(**{"parcels": "parcels.gpkg", stem: name})

    return bytes_of_a_file


FAMILIES = {
    "bytes of a GeoPackage": (6, _bytes_of("parcels.gpkg", "parcels.gpkg", "buildings.gpkg")),
    "bytes of a shapefile": (6, _bytes_of("parcels.shp", "buildings.shp")),
    "bytes of a zip": (4, _bytes_of("parcels.zip")),
    "bytes of a GeoJSON": (4, _bytes_of("parcels.geojson", "buildings.geojson")),
    "bytes of a FlatGeobuf": (5, _bytes_of("parcels.fgb", "buildings.fgb")),
    "bytes of a GeoParquet": (5, _bytes_of("parcels.parquet", "buildings.parquet")),
    "bytes of a TIFF": (6, _bytes_of("elevation.tif", "tiled.tif")),
    "bytes of a text grid": (2, _bytes_of("elevation.asc")),
    "bytes of a rain table": (3, _bytes_of("rain.csv")),
    "bytes of a run file": (4, _bytes_of("run.toml")),
    "bytes of a result": (6, result_faults.bytes_of_a_result),
    "odd coordinates": (3, vector_faults.odd_coordinates),
    "odd shapes": (4, vector_faults.odd_shapes),
    "payloads in values": (4, vector_faults.odd_values),
    "payloads in every output": (1, vector_faults.every_reader),
    "odd names": (3, vector_faults.odd_names),
    "many fields": (1, vector_faults.many_fields),
    "tables of a GeoPackage": (5, vector_faults.tables_of_a_geopackage),
    "GeoJSON": (4, vector_faults.json_text),
    "parts of a shapefile": (4, vector_faults.parts_of_a_shapefile),
    "GeoParquet": (4, vector_faults.metadata_of_parquet),
    "foreign content": (3, vector_faults.foreign_content),
    "archives": (4, archive_faults.archive),
    "odd cells": (3, raster_faults.odd_cells),
    "odd place": (3, raster_faults.odd_place),
    "huge raster": (2, raster_faults.huge_raster),
    "tags of a TIFF": (4, raster_faults.tags_of_a_tiff),
    "text grid": (3, raster_faults.text_grid),
    "foreign raster": (3, raster_faults.foreign_raster),
    "beside the raster": (2, raster_faults.beside_the_raster),
    "rain table": (4, text_faults.rain_table),
    "run file": (4, text_faults.run_file),
    "absurd parameters": (6, text_faults.absurd_parameters),
    "ends of parameters": (4, text_faults.within_bounds),
    "options": (4, text_faults.options),
    "odd input": (5, path_faults.odd_input),
    "odd output": (4, path_faults.odd_output),
    "changing input": (4, path_faults.changing_input),
    "leftovers": (2, path_faults.stale_leftovers),
    "values of a result": (5, result_faults.values_of_a_result),
    "tables of a result": (5, result_faults.tables_of_a_result),
    "no result": (1, result_faults.no_result),
    "plans": (3, result_faults.plans),
}


def draw_family(rng):
    """Name of a family, by weight."""
    names = list(FAMILIES)
    weights = [FAMILIES[name][0] for name in names]
    return names[int(rng.choice(len(names), p=[w / sum(weights) for w in weights]))]
