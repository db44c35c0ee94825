"""A fixed grid of tiles over the working coordinates, anchored at (0, 0), so that data never move it.

Where homes stand close a tile is cut into quarters, where few stand four are joined: a tile's work, and the memory it
takes, follow the number of homes rather than the area.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

MOST_HOMES = 1500
"""A tile with more parcels is cut in four."""

FEW_HOMES = 300
"""Four tiles with no more parcels together are joined."""

MOST_CELLS = 2500
"""No tile is wider than so many cells of the elevation, for its memory: a finer raster has smaller tiles."""

MOST_CUTS = 5
MOST_JOINS = 1
"""How often over that is done at most; a joined tile needs more of the elevation in memory."""


@dataclass(frozen=True, slots=True, order=True)
class Tile:
    """One square of the grid; its core is half open: ``x0 <= x < x0 + size``.

    Attributes
    ----------
    row, col : int
        Place in the grid of its size; (0, 0) has its lower-left corner at the origin.
    size_m : float
        Side of the core [m].
    """

    row: int
    col: int
    size_m: float

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east, north [m]."""
        west, south = self.col * self.size_m, self.row * self.size_m
        return west, south, west + self.size_m, south + self.size_m

    def owns(self, point: FloatArray) -> npt.NDArray[np.bool_]:
        """Which points (n, 2) lie in the core."""
        return np.asarray((_cells(point, self.size_m) == (self.row, self.col)).all(axis=1))


def _cells(point: FloatArray, size_m: float) -> IntArray:
    """Row and column (n, 2) of the square in which each point lies."""
    return np.floor(point[:, ::-1] / size_m).astype(np.int64)


def balanced_tiles(point: FloatArray, size_m: float, cell_m: float) -> list[tuple[Tile, int]]:
    """Tiles that own some points, each with about as many as the others where that can be.

    Parameters
    ----------
    point : (n, 2) array
        One point for each parcel [m].
    size_m : float
        Side of a tile that is neither cut nor joined [m].
    cell_m : float
        Cell size of the elevation [m].

    Returns
    -------
    list of (Tile, int)
        Each tile with its number of points, in the order of the grid. Every point lies in exactly one.
    """
    if not len(point):
        return []
    joined_m = size_m * 2.0**MOST_JOINS
    found: list[tuple[Tile, int]] = []
    waiting = [(joined_m, np.arange(len(point)))]
    while waiting:
        side_m, rows = waiting.pop()
        cells, member, count = np.unique(_cells(point[rows], side_m), axis=0, return_inverse=True, return_counts=True)
        most = FEW_HOMES if side_m > size_m else MOST_HOMES
        is_cut = (count > most) | (side_m > MOST_CELLS * cell_m)
        is_cut &= side_m > size_m / 2.0**MOST_CUTS
        found.extend((Tile(int(cells[k, 0]), int(cells[k, 1]), side_m), int(count[k])) for k in np.flatnonzero(~is_cut))
        inside = rows[is_cut[member.ravel()]]
        if len(inside):
            waiting.append((side_m / 2.0, inside))
    return sorted(found, key=lambda one: (one[0].bounds_m[1], one[0].bounds_m[0]))
