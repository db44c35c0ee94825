"""Measuring whether the buildings as a whole lie shifted against the parcels.

Lot lines run between houses, not through them.  Moved over the map in every direction, the buildings therefore cover
the least length of lot line where they belong: at no move at all, if the layers fit.  The covered length is counted
for all moves at once, as the correlation of two drawn images, window by window.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import shapely
from affine import Affine
from rasterio.features import rasterize
from scipy import ndimage
from scipy.signal import fftconvolve

if TYPE_CHECKING:
    import numpy.typing as npt

    ObjectArray = npt.NDArray[np.object_]
    FloatArray = npt.NDArray[np.float64]

CELL_M: Final = 0.5
REACH_M: Final = 20.0
"""Cells of the drawn images, and the longest move looked at [m]."""

WINDOW_M: Final = 200.0
MAX_WINDOWS: Final = 80
"""Size of a window [m]; of a larger city so many are looked at, evenly spread."""

AREA_M: Final = 1000.0
"""Neighbouring windows of an area of this width are also judged by themselves: shifts may differ over a city [m]."""

LOW_FRAC: Final = 0.10
"""A move counts as fitting where it covers at most this much of the difference between the best and a random one."""

WRONG_FRAC: Final = 0.05
"""The buildings are shifted if they cover more than this much more where they are."""

CLEAR_FRAC: Final = 0.70
"""The best move must cover less than this part of a random one's length; else nothing can be told."""

FEWEST_HOUSES: Final = 25
SMALLEST_M: Final = 0.75
"""Houses needed for a statement, and the shortest shift that is told [m].  All program defaults."""


class Shift(NamedTuple):
    """A systematic shift of buildings against lots.

    Attributes
    ----------
    x_m, y_m : float
        How far the buildings lie east and north of where they fit best [m].
    is_shifted : bool
        Whether they fit clearly better elsewhere than where they are.
    covered_frac, best_frac : float
        Length of lot line under buildings, as part of that after a random move: where they are, and at best.
    n_houses : int
        Houses looked at.
    """

    x_m: float
    y_m: float
    is_shifted: bool
    covered_frac: float
    best_frac: float
    n_houses: int

    @property
    def length_m(self) -> float:
        """Length of the shift [m]."""
        return float(np.hypot(self.x_m, self.y_m))


class Area(NamedTuple):
    """A part of the city with its own shift: its middle [m] and the shift."""

    place_m: tuple[float, float]
    shift: Shift


def measure_shift(lots: ObjectArray, houses: ObjectArray) -> tuple[Shift | None, list[Area]]:
    """Estimate by how much buildings lie shifted against lots.

    Parameters
    ----------
    lots : (n,) array of polygons
        Outlines of lots [m].
    houses : (m,) array of polygons
        Outlines of houses [m].

    Returns
    -------
    whole : Shift or None
        Of the city; None where too little can be seen.
    areas : list of Area
        Of its parts, where that can be seen.

    Notes
    -----
    Of a town of detached houses many moves cover no line at all: the middle of them is taken, at which the yards on
    both sides are equal on average.  A shift smaller than the narrowest side yards moves that middle, but is no
    harm that lot lines show; it isn't told.
    """
    centre = shapely.get_coordinates(shapely.centroid(houses))
    windows, counts = np.unique(np.floor(centre / WINDOW_M).astype(np.int64), axis=0, return_counts=True)
    if not len(windows):
        return None, []
    # of a large city the fullest windows say most; of these some all over it
    full = windows if len(windows) <= MAX_WINDOWS else windows[counts >= np.percentile(counts, 50.0)]
    picked = full[np.unique(np.linspace(0, len(full) - 1, min(MAX_WINDOWS, len(full))).astype(np.int64))]
    lines = shapely.boundary(lots)
    line_tree, house_tree = shapely.STRtree(lines), shapely.STRtree(houses)
    whole, n_houses = _nothing(), 0
    parts: dict[tuple[int, int], tuple[FloatArray, int]] = {}
    n_in = {(int(col), int(row)): int(n) for (col, row), n in zip(windows, counts, strict=True)}
    for col, row in picked:
        corner = (float(col) * WINDOW_M, float(row) * WINDOW_M)
        # a house on the edge of a window is drawn in part here and in part there
        inside = house_tree.query(shapely.box(*corner, corner[0] + WINDOW_M, corner[1] + WINDOW_M))
        near = line_tree.query(
            shapely.box(
                corner[0] - REACH_M,
                corner[1] - REACH_M,
                corner[0] + WINDOW_M + REACH_M,
                corner[1] + WINDOW_M + REACH_M,
            )
        )
        if not len(inside) or not len(near):
            continue
        covered = _covered(houses[inside], lines[near], corner)
        whole += covered
        n = n_in[int(col), int(row)]
        n_houses += n
        key = (int(corner[0] // AREA_M), int(corner[1] // AREA_M))
        so_far, n_so_far = parts.get(key, (_nothing(), 0))
        parts[key] = so_far + covered, n_so_far + n
    areas = []
    for (col, row), (covered, n) in sorted(parts.items()):
        found = _best(covered, n)
        if found is not None:
            areas.append(Area(((col + 0.5) * AREA_M, (row + 0.5) * AREA_M), found))
    return _best(whole, n_houses), areas


def _steps() -> int:
    return round(REACH_M / CELL_M)


def _nothing() -> FloatArray:
    return np.zeros((2 * _steps() + 1, 2 * _steps() + 1))


def _covered(houses: ObjectArray, lines: ObjectArray, corner: tuple[float, float]) -> FloatArray:
    """Cells of lot line under the houses for every move; row 0 is the longest move to the north."""
    n = _steps()
    size = round(WINDOW_M / CELL_M)
    north = corner[1] + WINDOW_M

    def draw(shapes: ObjectArray, cells: int, west: float, top: float) -> Any:
        grid = Affine(CELL_M, 0.0, west, 0.0, -CELL_M, top)
        return rasterize(((shape, 1) for shape in shapes), (cells, cells), transform=grid, dtype="uint8")

    house = draw(houses, size, corner[0], north).astype(np.float32)
    line = draw(lines, size + 2 * n, corner[0] - REACH_M, north + REACH_M).astype(np.float32)
    covered: FloatArray = fftconvolve(line, house[::-1, ::-1], mode="valid").astype(np.float64)
    return covered


def _best(covered: FloatArray, n_houses: int) -> Shift | None:
    """Find the middle of the moves that cover least."""
    n = _steps()
    down, right = np.mgrid[-n : n + 1, -n : n + 1] * CELL_M
    random = float(covered[np.hypot(down, right) > 0.6 * REACH_M].mean()) if n_houses else 0.0
    lowest = float(covered.min())
    if n_houses < FEWEST_HOUSES or random <= 0.0 or lowest > CLEAR_FRAC * random:
        return None
    fits = covered <= lowest + LOW_FRAC * (random - lowest)
    # lots of one width look the same a lot farther on: the shortest move that fits is meant
    patch, _ = ndimage.label(fits)
    nearest = np.argmin(np.where(fits, np.hypot(down, right), np.inf))
    fits = patch == patch.ravel()[nearest]
    move_x, move_y = float(right[fits].mean()), float(-down[fits].mean())
    if np.hypot(move_x, move_y) > REACH_M - 2.0:
        return None
    here = float(covered[n, n])
    is_shifted = here > lowest + WRONG_FRAC * (random - lowest) and np.hypot(move_x, move_y) >= SMALLEST_M
    # the buildings lie where a move back would bring them home
    return Shift(-move_x + 0.0, -move_y + 0.0, bool(is_shifted), here / random, lowest / random, n_houses)
