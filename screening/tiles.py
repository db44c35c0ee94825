"""A fixed grid of tiles over the working coordinates, anchored at (0, 0), so that data never move it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, order=True)
class Tile:
    """One cell of the grid; its core is half open: ``x0 <= x < x0 + size``.

    Attributes
    ----------
    row, col : int
        Place in the grid; (0, 0) has its lower-left corner at the origin.
    size_m : float
        Side of the core [m].
    """

    row: int
    col: int
    size_m: float


def owners(geometry: npt.NDArray[Any], size_m: float) -> npt.NDArray[np.int64]:
    """Row and column (n, 2) of the tile that owns each outline, by a point inside it.

    Parameters
    ----------
    geometry : (n,) array of polygons
        Outlines [m].
    size_m : float
        Side of the tiles [m].
    """
    point = shapely.point_on_surface(geometry)
    row = np.floor(shapely.get_y(point) / size_m)
    col = np.floor(shapely.get_x(point) / size_m)
    return np.column_stack([row, col]).astype(np.int64)
