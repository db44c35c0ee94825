"""Outlines and lines as few bytes: whole centimetres, each point as the step from the one before.

Three runs of numbers for a layer, one after the other: rings of each shape, points of each ring, and the steps east and
north of each point. A ring begins with the step from where the ring before began. Numbers are unsigned LEB128 (seven
bits a byte, the lowest first, the eighth bit says that more follow); steps are folded to 0, -1, 1, -2 ... first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

if TYPE_CHECKING:
    import numpy.typing as npt

GRID_M: Final = 0.01
"""Step of the coordinates. [m]"""

# Seven bits a byte: five bytes hold more centimetres than the earth is long.
_MOST_BYTES: Final = 5


@dataclass(frozen=True, slots=True)
class PackedShapes:
    """The shapes of one layer.

    Attributes
    ----------
    n_shapes, n_rings, n_points : int
        Counts; a row without geometry is a shape without rings.
    data : bytes
        The three runs of numbers.
    """

    n_shapes: int
    n_rings: int
    n_points: int
    data: bytes


def pack_shapes(geometry: npt.NDArray[Any], origin_m: tuple[float, float], *, tolerance_m: float = 0.0) -> PackedShapes:
    """Pack the geometry of a layer.

    Parameters
    ----------
    geometry : (n,) array of shapely geometries or None
        Of one kind: points, lines or polygons, of one or several parts.
    origin_m : tuple of float
        Point that becomes (0, 0). [m]
    tolerance_m : float
        Points that change an outline by less are left out. [m]

    Returns
    -------
    PackedShapes
        Outer rings run counterclockwise, holes clockwise; the last point of a ring, which is the first, is left out.
    """
    if tolerance_m:
        geometry = shapely.simplify(geometry, tolerance_m)
    parts, shape_of_part = shapely.get_parts(geometry, return_index=True)
    is_area = bool(len(parts)) and bool(np.all(shapely.get_type_id(parts) == shapely.GeometryType.POLYGON))
    if is_area:
        rings, part_of_ring = shapely.get_rings(shapely.orient_polygons(parts), return_index=True)
        shape_of_ring = shape_of_part[part_of_ring]
    else:
        rings, shape_of_ring = parts, shape_of_part
    xy, ring_of_point = shapely.get_coordinates(rings, return_index=True)
    grid = np.rint((xy - np.asarray(origin_m)) / GRID_M).astype(np.int64)
    grid, ring_of_point = _without_repeats(grid, ring_of_point, is_closed=is_area)
    # a ring whose points were all one keeps it, so every ring has a first point
    starts = np.flatnonzero(np.diff(ring_of_point, prepend=-1))
    steps = np.diff(grid, axis=0, prepend=np.zeros((1, 2), dtype=np.int64)) if len(grid) else grid
    steps[starts] = np.diff(grid[starts], axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    n_shapes = len(geometry)
    runs = (
        np.bincount(shape_of_ring, minlength=n_shapes),
        np.bincount(ring_of_point, minlength=len(rings)),
        _folded(steps).ravel(),
    )
    return PackedShapes(n_shapes, len(rings), len(grid), b"".join(leb128(run) for run in runs))


def _without_repeats(
    grid: npt.NDArray[np.int64], ring_of_point: npt.NDArray[np.int64], *, is_closed: bool
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Leave out points that are the one before on the grid, and the last of a closed ring."""
    if not len(grid):
        return grid, ring_of_point
    is_first = np.diff(ring_of_point, prepend=-1) != 0
    is_kept = is_first | np.any(np.diff(grid, axis=0, prepend=grid[:1] - 1) != 0, axis=1)
    grid, ring_of_point, is_first = grid[is_kept], ring_of_point[is_kept], is_first[is_kept]
    if is_closed:
        firsts = grid[np.flatnonzero(is_first)[np.cumsum(is_first) - 1]]
        is_last = np.append(is_first[1:], True) & ~is_first
        is_kept = ~(is_last & np.all(grid == firsts, axis=1))
        grid, ring_of_point = grid[is_kept], ring_of_point[is_kept]
    return grid, ring_of_point


def _folded(steps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Whole numbers as whole numbers from 0 on, small ones small."""
    return np.where(steps < 0, -2 * steps - 1, 2 * steps)


def leb128(numbers: npt.NDArray[np.int64]) -> bytes:
    """Write whole numbers from 0 on, each in as few bytes as it needs.

    Parameters
    ----------
    numbers : (n,) array of int

    Returns
    -------
    bytes

    Raises
    ------
    ValueError
        A number is negative or needs more than five bytes.

    Examples
    --------
    >>> leb128(np.array([0, 127, 128, 300])).hex(" ")
    '00 7f 80 01 ac 02'
    """
    values = np.asarray(numbers, dtype=np.int64)
    if len(values) and (values.min() < 0 or values.max() >= 1 << (7 * _MOST_BYTES)):
        raise ValueError("a number is negative or too large to be packed")
    lengths = np.ones(len(values), dtype=np.int64)
    for more in range(1, _MOST_BYTES):
        lengths += values >= 1 << (7 * more)
    ends = np.cumsum(lengths)
    out = np.zeros(int(ends[-1]) if len(ends) else 0, dtype=np.uint8)
    starts = ends - lengths
    for place in range(_MOST_BYTES):
        has = lengths > place
        goes_on = np.where(lengths[has] > place + 1, 0x80, 0)
        out[starts[has] + place] = ((values[has] >> (7 * place)) & 0x7F) | goes_on
    return out.tobytes()
