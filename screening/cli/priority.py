"""Reading the priority areas that a command is given."""

from __future__ import annotations

import difflib
import logging
from typing import TYPE_CHECKING, Any

from screening.errors import InputError, ParameterError

if TYPE_CHECKING:
    from pathlib import Path

    import pyproj

logger = logging.getLogger(__name__)


def read_areas(path: Path, layer: str, crs: pyproj.CRS) -> Any:
    """Read polygons into the working CRS.

    Parameters
    ----------
    path : Path
        Any vector file that the inputs of a run may be.
    layer : str
        Name of the layer; "" where the file has one only.
    crs : pyproj.CRS
        Working CRS.

    Returns
    -------
    ndarray of polygons
        Valid, none of them empty. [m]

    Raises
    ------
    InputError
        No such file, no polygons, no coordinate system.
    ParameterError
        No such layer, or several and none named.
    """
    import numpy as np
    import shapely

    from screening.crs import Reprojector
    from screening.paths import why_unreadable
    from screening.read.layers import layer_info, list_layers
    from screening.read.vector import read_records

    role = "priority"
    if why_unreadable(path, may_be_folder=True):
        raise InputError(f"there is no file '{path}': name the file with the priority areas")
    names = [name for name, _ in list_layers(path)]
    if layer and layer not in names:
        near = difflib.get_close_matches(layer, names, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"there are: {', '.join(names)}"
        raise ParameterError(f"{path.name} has no layer '{layer}'; {hint}")
    if not layer and len(names) > 1:
        raise ParameterError(f"{path.name} has several layers ({', '.join(names)}): name one with --priority-layer")
    info = layer_info(path, layer, role=role, kinds=("polygon",))
    data = read_records(info, role=role)
    for note in data.notes:
        logger.warning("%s", note)
    shapes = Reprojector(info.known_crs(role), crs).geometries(data.geometry, info.where)
    shapes = shapes[~shapely.is_missing(shapes) & ~shapely.is_empty(shapes)]
    shapes = np.where(shapely.is_valid(shapes), shapes, shapely.make_valid(shapes))
    shapes = shapes[shapely.area(shapes) > 0.0]
    if not len(shapes):
        raise InputError(f"{info.where} holds no areas: check that it is the right file and layer")
    return shapes
