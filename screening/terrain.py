"""The ground: slope without the cells under buildings, and the plane around each house."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.kernels import elevation as kernel
from screening.kernels import outlines as drawn
from screening.outlines import edges_of

if TYPE_CHECKING:
    from screening.outlines import IntArray
    from screening.params import TerrainParams

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[Any]


FEWEST_RING_CELLS = 8
MOST_LEVERAGE = 0.25
"""Ground cells around a house, and their leverage on the height in its middle, by which a bulge is told: four cells
right around have a leverage of 0.25 (program defaults)."""


class Terrain(NamedTuple):
    """The ground of a tile; arrays are (rows, cols), row 0 in the north.

    Attributes
    ----------
    z_m : array
        Elevation [m], NaN where missing.
    ground : bool array
        Neither missing nor under a building.
    slope_pct : array
        Horn's slope [%]; NaN where unknown.
    filled : bool array
        Cells of small holes that were filled.
    grid : (5,) array
        The whole raster's upper-left corner x, y [m], the window's first row and column in it, cell size [m].
    """

    z_m: FloatArray
    ground: BoolArray
    slope_pct: FloatArray
    filled: BoolArray
    grid: FloatArray


def draw(
    geometry: ObjectArray,
    values: npt.NDArray[Any],
    grid: FloatArray,
    shape: tuple[int, ...],
    *,
    all_touched: bool = False,
) -> npt.NDArray[Any]:
    """Draw outlines onto the window: each cell has the value of the outline that holds its centre, else 0.

    Parameters
    ----------
    geometry : (n,) array of geometries
        Of lines and points, which hold no centre, the cells they pass through are drawn.
    values : (n,) int array
        Value of each; where outlines overlap the last one is seen.
    grid : (5,) array
    shape : (int, int)
    all_touched : bool
        Whether every cell that an outline passes through is drawn too.
    """
    out = np.zeros(shape, dtype=np.int32)
    # a point has no edge to draw: a speck of a millimetre has
    dots = shapely.get_dimensions(geometry) == 0
    if dots.any():
        geometry = geometry.copy()
        geometry[dots] = shapely.buffer(geometry[dots], 1e-3, quad_segs=1)
    is_area = (shapely.get_dimensions(geometry) == 2) & ~dots
    drawn.draw_all(*edges_of(geometry), is_area, values.astype(np.int64), grid, all_touched, out)
    return out


def fill_holes(z_m: FloatArray, max_cells: int) -> tuple[FloatArray, BoolArray]:
    """Fill holes of at most ``max_cells`` cells in width and height, from their rims inward.

    Parameters
    ----------
    z_m : (rows, cols) array
        Elevation [m] with NaN.
    max_cells : int
        Largest extent of a hole that is filled, in cells.

    Returns
    -------
    z_m, filled : arrays of the same shape
    """
    out = z_m.copy()
    filled = np.zeros(z_m.shape, dtype=bool)
    missing = np.isnan(z_m)
    if max_cells < 1 or not missing.any():
        return out, filled
    from scipy import ndimage  # noqa: PLC0415 - takes a tenth of a second in every worker, and few rasters have holes

    labels, _ = ndimage.label(missing, structure=np.ones((3, 3), dtype=int))
    for number, box in enumerate(ndimage.find_objects(labels), start=1):
        rows, cols = box
        if rows.stop - rows.start > max_cells or cols.stop - cols.start > max_cells:
            continue
        # a hole on the raster's edge is no hole
        if rows.start == 0 or cols.start == 0 or rows.stop == z_m.shape[0] or cols.stop == z_m.shape[1]:
            continue
        around = (slice(rows.start - 1, rows.stop + 1), slice(cols.start - 1, cols.stop + 1))
        block = out[around]
        rim = ~np.isnan(block)
        r, c = np.nonzero(rim)
        # the plane through the rim keeps a slope going across the hole
        design = np.column_stack([np.ones(len(r)), r - r.mean(), c - c.mean()])
        plane = np.linalg.lstsq(design, block[rim], rcond=None)[0]
        hole_r, hole_c = np.nonzero(labels[around] == number)
        block[hole_r, hole_c] = plane[0] + plane[1] * (hole_r - r.mean()) + plane[2] * (hole_c - c.mean())
        filled[around][hole_r, hole_c] = True
    return out, filled


def measure(z_m: FloatArray, grid: FloatArray, buildings: ObjectArray, params: TerrainParams) -> Terrain:
    """Slope of the ground of a window.

    Parameters
    ----------
    z_m : (rows, cols) array
        Elevation [m], NaN where missing.
    grid : (5,) array
        Where the window lies.
    buildings : (n,) array of polygons
        Every footprint that reaches into the window [m].
    params : TerrainParams

    Notes
    -----
    A bare-earth model is made up under buildings, so a cell whose centre lies in one shows no ground.
    """
    z, filled = fill_holes(z_m, params.max_fill_cells)
    under = draw(buildings, np.ones(len(buildings), dtype=np.int64), grid, z.shape) > 0
    ground = ~under & ~np.isnan(z)
    slope = kernel.horn(z, ground, float(grid[4]), np.empty((0, 0)))
    return Terrain(z, ground, slope, filled, grid)


class HousePlane(NamedTuple):
    """The plane around each house; arrays are (n,).

    Attributes
    ----------
    slope_pct, downslope_deg : array
        Slope [%] and direction of descent [deg clockwise from north]; NaN where there is too little ground.
    fit_frac : array
        R2 of the plane.
    falls_toward_house : bool array
        The ground rises with the distance from the house.
    """

    slope_pct: FloatArray
    downslope_deg: FloatArray
    fit_frac: FloatArray
    falls_toward_house: BoolArray

    def pick(self, keep: BoolArray) -> HousePlane:
        """Those of some houses."""
        return HousePlane(
            self.slope_pct[keep], self.downslope_deg[keep], self.fit_frac[keep], self.falls_toward_house[keep]
        )


def _box_around(edges: FloatArray, margin_m: float) -> FloatArray:
    """Edges (4, 4) of the box around edges, with a margin [m]."""
    x0, y0 = edges[:, :2].min(axis=0) - margin_m
    x1, y1 = edges[:, :2].max(axis=0) + margin_m
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    return np.hstack([corners, np.roll(corners, -1, axis=0)])


def house_planes(
    terrain: Terrain,
    house: tuple[FloatArray, IntArray],
    lot: tuple[FloatArray, IntArray],
    params: TerrainParams,
) -> HousePlane:
    """Least-squares plane through the ground in a ring around each house, inside its lot where that has enough cells.

    Parameters
    ----------
    terrain : Terrain
    house, lot : (edges, first)
        Outlines as `screening.outlines.edges_of` gives them, in working coordinates [m].
    params : TerrainParams
    """
    n = len(house[1]) - 1
    out = np.full((n, 6), np.nan)
    for i in range(n):
        outline = house[0][house[1][i] : house[1][i + 1]]
        ring = (outline, lot[0][lot[1][i] : lot[1][i + 1]], params.ring_inner_m, params.ring_outer_m)
        out[i] = kernel.ring_plane(terrain.z_m, terrain.ground, terrain.grid, *ring)
        if np.isnan(out[i, 0]):
            # a tight lot shows too few cells of its own: the ground beyond it has to do
            everywhere = _box_around(outline, 2.0 * params.ring_outer_m)
            ring = (outline, everywhere, params.ring_inner_m, params.ring_outer_m)
            out[i] = kernel.ring_plane(terrain.z_m, terrain.ground, terrain.grid, *ring)
    east, north = out[:, 0], out[:, 1]
    direction = np.degrees(np.arctan2(-east, -north)) % 360.0
    direction[np.hypot(east, north) == 0.0] = 0.0
    return HousePlane(100.0 * np.hypot(east, north), direction, out[:, 2], out[:, 4] > 0.0)


def roof_heights_m(z_m: FloatArray, grid: FloatArray, buildings: ObjectArray, ring_m: float) -> FloatArray:
    """How much higher the cells of each footprint lie than the ground around it [m]; NaN where unknown.

    In a bare-earth model this is about zero, in a surface model the height of the roof.
    """
    from scipy import ndimage  # noqa: PLC0415 - see above

    rows = np.arange(1, len(buildings) + 1)
    footprint = draw(buildings, rows, grid, z_m.shape)
    around = draw(shapely.buffer(buildings, ring_m), rows, grid, z_m.shape)
    around[footprint > 0] = 0
    have = ~np.isnan(z_m)
    heights = np.full(len(buildings), np.nan)
    inner = ndimage.median(z_m, labels=np.where(have, footprint, 0), index=rows)
    outer = ndimage.median(z_m, labels=np.where(have, around, 0), index=rows)
    present = np.isin(rows, footprint[have]) & np.isin(rows, around[have])
    heights[present] = (np.asarray(inner) - np.asarray(outer))[present]
    return heights


def bulges_m(terrain: Terrain, houses: ObjectArray, ring_m: float) -> FloatArray:
    """How much higher the model lies under each house than the plane of the ground around it [m]; NaN where unknown.

    Remnants of a building in a bare-earth model show here, whatever the slope.

    Parameters
    ----------
    terrain : Terrain
    houses : (n,) array of polygons
        [m]
    ring_m : float
        Width of the ring of ground that is looked at [m].
    """
    n = len(houses)
    x0, y0, row, col, cell = terrain.grid
    numbers = np.arange(1, n + 1)
    under = draw(houses, numbers, terrain.grid, terrain.z_m.shape)
    around = draw(shapely.buffer(houses, ring_m, quad_segs=2), numbers, terrain.grid, terrain.z_m.shape)
    under[np.isnan(terrain.z_m)] = 0
    around[~terrain.ground] = 0
    bounds = shapely.bounds(houses)
    middle = 0.5 * (bounds[:, :2] + bounds[:, 2:])

    def cells(labels: npt.NDArray[Any]) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
        """House, place from its middle, and height of each cell that belongs to one."""
        index = np.flatnonzero(labels)
        r, q = np.divmod(index, labels.shape[1])
        house = labels.ravel()[index].astype(np.int64) - 1
        x = x0 + (col + q + 0.5) * cell - middle[house, 0]
        y = y0 - (row + r + 0.5) * cell - middle[house, 1]
        return house, x, y, terrain.z_m.ravel()[index]

    def sums(house: IntArray, values: FloatArray) -> FloatArray:
        """Sum of values over the cells of each house."""
        return np.asarray(np.bincount(house, weights=values, minlength=n))

    house, x, y, z = cells(around)
    one, sx, sy = np.bincount(house, minlength=n), sums(house, x), sums(house, y)
    sxy = sums(house, x * y)
    normal = np.array([[one, sx, sy], [sx, sums(house, x * x), sxy], [sy, sxy, sums(house, y * y)]]).transpose(2, 0, 1)
    right = np.column_stack([sums(house, z), sums(house, x * z), sums(house, y * z)])
    house, x, y, z = cells(under)
    count = np.bincount(house, minlength=n)
    inner, height = np.column_stack([count, sums(house, x), sums(house, y)]), sums(house, z)
    out = np.full(n, np.nan)
    enough = np.flatnonzero((count > 0) & (normal[:, 0, 0] >= FEWEST_RING_CELLS))
    inverse = np.linalg.pinv(normal[enough])
    mean = inner[enough] / count[enough, None]
    plane = np.einsum("nij,nj->ni", inverse, right[enough])
    # a ring on one side only does not say how high the ground under the house would be
    leverage = np.einsum("ni,nij,nj->n", mean, inverse, mean)
    sure = leverage <= MOST_LEVERAGE
    out[enough[sure]] = (height[enough] / count[enough] - (plane * mean).sum(axis=1))[sure]
    return out
