"""Shapes of which boxes and places are at hand, and outlines only where they are asked for."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
import shapely

from screening.outlines import as_boxes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ObjectArray = npt.NDArray[Any]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

AT_A_TIME: Final = 8192
"""Outlines that are in memory at a time: all at once would be a second city."""

BOXES_AT_A_TIME: Final = 65_536
"""Boxes and points that are in memory as shapes at a time."""

SQUARE_M: Final = 500.0
"""Outlines of a square of this side are looked at one after another [m]."""

LARGE_M: Final = 1000.0
"""Outlines wider than this are looked at by themselves: the boxes of the others are then small [m]."""


class Shapes(Protocol):
    """Shapes that may lie elsewhere.

    Attributes
    ----------
    point : (n, 2) array
        A point inside each [m].
    """

    @property
    def point(self) -> FloatArray:
        """Points."""
        ...

    def hits(self, boxes: FloatArray) -> IntArray:
        """Rows whose boxes touch any of some boxes (k, 4), in a fixed order."""
        ...

    def outlines(self, rows: IntArray) -> ObjectArray:
        """Outlines of rows [m]."""
        ...


class ShapesInMemory:
    """Shapes at hand."""

    def __init__(self, geometry: ObjectArray) -> None:
        """Take shapes; what is missing or empty is never found."""
        self._geometry = geometry

    @cached_property
    def _boxes(self) -> tuple[IntArray, shapely.STRtree]:
        """Rows that have a place, and their boxes."""
        bounds = shapely.bounds(self._geometry).reshape(-1, 4)
        rows = np.flatnonzero(np.isfinite(bounds).all(axis=1))
        return rows, shapely.STRtree(as_boxes(bounds[rows]))

    @cached_property
    def point(self) -> FloatArray:
        """Points inside (n, 2) [m]."""
        return points_inside(self._geometry)

    def hits(self, boxes: FloatArray) -> IntArray:
        """Rows whose boxes touch any of some boxes (k, 4), in a fixed order."""
        rows, tree = self._boxes
        return np.asarray(rows[np.unique(tree.query(as_boxes(boxes))[1])])

    def outlines(self, rows: IntArray) -> ObjectArray:
        """Outlines of rows [m]."""
        return self._geometry[rows]


class Chosen:
    """Some of other shapes, under the numbers that they have there."""

    def __init__(self, shapes: Shapes, is_chosen: BoolArray) -> None:
        """Say which."""
        self._shapes, self._is_chosen = shapes, is_chosen

    @property
    def point(self) -> FloatArray:
        """Points inside (n, 2) [m]."""
        return self._shapes.point

    def hits(self, boxes: FloatArray) -> IntArray:
        """Rows whose boxes touch any of some boxes (k, 4), in a fixed order."""
        rows = self._shapes.hits(boxes)
        return rows[self._is_chosen[rows]]

    def outlines(self, rows: IntArray) -> ObjectArray:
        """Outlines of rows [m]."""
        return self._shapes.outlines(rows)


class Outlines(NamedTuple):
    """Different outlines, in an order that does not depend on the file.

    Attributes
    ----------
    bounds : (n, 4) array
        [m]
    point : (n, 2) array
        A point inside [m].
    area_m2, perimeter_m : (n,) arrays
    get : callable
        Gives the outlines of some rows [m].
    """

    bounds: FloatArray
    point: FloatArray
    area_m2: FloatArray
    perimeter_m: FloatArray
    get: Callable[[IntArray], ObjectArray]

    def by_place(self, rows: IntArray) -> Iterator[IntArray]:
        """The rows a few at a time, near each other; large ones at the end."""
        size_m = (self.bounds[rows, 2:] - self.bounds[rows, :2]).max(axis=1, initial=0.0)
        square = np.floor(self.point[rows] / SQUARE_M)
        order = np.lexsort((square[:, 0], square[:, 1], size_m > LARGE_M))
        n_small = int(np.count_nonzero(size_m <= LARGE_M))
        for first, end in ((0, n_small), (n_small, len(rows))):
            for begin in range(first, end, AT_A_TIME):
                yield rows[order[begin : min(begin + AT_A_TIME, end)]]


def points_inside(geometry: ObjectArray) -> FloatArray:
    """A point inside each outline (n, 2) [m]."""
    inside = shapely.point_on_surface(geometry)
    return np.column_stack([shapely.get_x(inside), shapely.get_y(inside)])
