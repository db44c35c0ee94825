"""Reading: from a city's files to metres, text identifiers and NaN, with every fault in one sentence.

`read_city` does the whole; `read_layer`, `layer_info`, `list_layers`, `look_at_elevation` and
`read_rain` look at one file each.
"""

from __future__ import annotations

from screening.read.city import read_city
from screening.read.elevation import look_at_elevation, open_elevation
from screening.read.extent import check_overlap
from screening.read.files import digests
from screening.read.inputs import CityInputs, InputFile, KeepAwayLayer, RainRecord
from screening.read.layers import LayerInfo, layer_info, list_layers
from screening.read.rain import read_rain
from screening.read.vector import LayerData, read_layer

__all__ = [
    "CityInputs",
    "InputFile",
    "KeepAwayLayer",
    "LayerData",
    "LayerInfo",
    "RainRecord",
    "check_overlap",
    "digests",
    "layer_info",
    "list_layers",
    "look_at_elevation",
    "open_elevation",
    "read_city",
    "read_layer",
    "read_rain",
]
