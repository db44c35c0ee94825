"""Looking at a city's files before anything is known about them: what is there, and what it probably is.

`look_at_layer`, `describe_raster` and `look_at_table` describe one file each, `find_data` says what lies at a path.
Nothing here needs a run file, and nothing is changed.
"""

from __future__ import annotations

from screening.survey.facts import FieldFacts, LayerFacts, RasterFacts, ShapeFacts, TableFacts
from screening.survey.find import Found, find_data
from screening.survey.private import private_name, private_names, private_values
from screening.survey.raster import describe_raster, look_at_rasters
from screening.survey.table import look_at_table
from screening.survey.vector import LayerLook, look_at_layer, look_at_layers

__all__ = [
    "FieldFacts",
    "Found",
    "LayerFacts",
    "LayerLook",
    "RasterFacts",
    "ShapeFacts",
    "TableFacts",
    "describe_raster",
    "find_data",
    "look_at_layer",
    "look_at_layers",
    "look_at_rasters",
    "look_at_table",
    "private_name",
    "private_names",
    "private_values",
]
