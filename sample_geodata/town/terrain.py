"""The ground of an invented town as a bare-earth elevation raster."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import rasterio
import rasterio.features
import shapely
from rasterio.windows import Window

from town.plan import HALF_STREET_M, Plan

if TYPE_CHECKING:
    from pathlib import Path

BASE_M = 200.0
MARGIN_M = 40.0  # ground mapped around the outermost parcels
VALLEY_SLOPE = 0.022  # fall of the ground towards the creeks [m/m]
TOWN_FALL = 0.004  # fall of the whole town along u [m/m]
CREEK_DEPTH_M = 1.7
PAD_M = 0.75  # height of the graded pad under a large building
STEP_M = 1.0 / 1024.0  # heights are rounded to this: about 1 mm, and exact in binary so that the file packs well
BLUR_RADIUS_CELLS, BLUR_TIMES = 3, 3
# Cross-section of a street, from the middle [m] to the lots: crown, gutter, kerb, footway, front yard [m].
_SECTION_AT_M = np.array([0.0, 4.4, 4.7, 7.5, HALF_STREET_M, 22.0])
_SECTION_M = np.array([-0.46, -0.56, -0.42, -0.37, -0.32, 0.0])
_BAND_ROWS = 512
_COARSE_M = 8.0  # the inverse mapping is smooth: it is computed on this grid and interpolated


def _stretch(coarse: np.ndarray, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """Bilinear values of a coarse grid at fractional node positions ``rows`` (r,) and ``cols`` (c,)."""
    i = np.clip(rows.astype(int), 0, coarse.shape[0] - 2)
    j = np.clip(cols.astype(int), 0, coarse.shape[1] - 2)
    f, g = (rows - i)[:, None], (cols - j)[None, :]
    across = coarse[i] * (1 - f) + coarse[i + 1] * f
    return across[:, j] * (1 - g) + across[:, j + 1] * g


def _to_nearest(value: np.ndarray, centres: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance to the nearest of the sorted ``centres`` and its index."""
    if len(centres) == 1:
        return np.abs(value - centres[0]), np.zeros(value.shape, dtype=int)
    at = np.searchsorted((centres[1:] + centres[:-1]) / 2, value)
    return np.abs(value - centres[at]), at


def _box_blur(a: np.ndarray) -> np.ndarray:
    """Blur by a box of ``BLUR_RADIUS_CELLS``, several times over, zero outside."""
    size = 2 * BLUR_RADIUS_CELLS + 1
    for _ in range(BLUR_TIMES):
        for axis in (0, 1):
            pad = [(0, 0), (0, 0)]
            pad[axis] = (BLUR_RADIUS_CELLS + 1, BLUR_RADIUS_CELLS)
            total = np.cumsum(np.pad(a, pad), axis=axis, dtype=np.float64)
            n = a.shape[axis]
            a = (np.take(total, range(size, size + n), axis=axis) - np.take(total, range(n), axis=axis)) / size
    return a


def _beyond(value: np.ndarray, streets: np.ndarray) -> np.ndarray:
    return (value < streets[0] - HALF_STREET_M) | (value > streets[-1] + HALF_STREET_M)


def _hills(plan: Plan, n_lots: int, rng: np.random.Generator) -> np.ndarray:
    """Hills as rows (x, y, height, radius) [m]; the first stands in the north-east."""
    n = max(1, round(n_lots / 700))
    size_u, size_v = plan.street_u_m[-1], plan.street_v_m[-1]
    u, v = size_u * (0.08 + 0.84 * rng.random(n)), size_v * (0.08 + 0.84 * rng.random(n))
    u[0], v[0] = 0.74 * size_u, 0.80 * size_v
    x, y = plan.warp.to_map(u, v)
    return np.column_stack([x, y, 22.0 + 10.0 * rng.random(n), 105.0 + 35.0 * rng.random(n)])


def _ground(plan: Plan, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Height [m] of the graded town without hills and pads."""
    to_creek, creek = _to_nearest(v, plan.creek_v_m)
    to_creek = np.abs(v - plan.creek_line_v_m(creek, u))
    z = BASE_M - TOWN_FALL * u + VALLEY_SLOPE * (np.hypot(to_creek, 15.0) - 15.0)
    z -= CREEK_DEPTH_M * np.exp(-((to_creek / 4.5) ** 2))
    across_v = _to_nearest(v, plan.street_v_m)[0]
    across_u = _to_nearest(u, plan.street_u_m)[0]
    # Streets end at the outermost crossings.
    across_u[_beyond(v, plan.street_v_m)] = 1e3
    across_v[_beyond(u, plan.street_u_m)] = 1e3
    section = np.minimum(np.interp(across_v, _SECTION_AT_M, _SECTION_M), np.interp(across_u, _SECTION_AT_M, _SECTION_M))
    return z + section


def write_elevation(
    path: Path,
    plan: Plan,
    extent: tuple[float, float, float, float],
    built: np.ndarray,
    *,
    n_lots: int,
    crs: str,
    cell_m: float,
    rng: np.random.Generator,
) -> None:
    """Write the bare-earth raster, band of rows by band of rows.

    Parameters
    ----------
    path
        GeoTIFF to write.
    plan
        The town.
    extent
        Bounds (west, south, east, north) of the parcels [m].
    built
        Building footprints: the ground falls away from them; their roofs are not in the raster.
    n_lots
        Size of the town, which sets the number of hills.
    crs
        Horizontal reference system.
    cell_m
        Cell size [m].
    rng
        Source of the hills and of the small unevenness.
    """
    west = math.floor((extent[0] - MARGIN_M) / 10.0) * 10.0
    north = math.ceil((extent[3] + MARGIN_M) / 10.0) * 10.0
    width = math.ceil((extent[2] + MARGIN_M - west) / cell_m)
    height = math.ceil((north - extent[1] + MARGIN_M) / cell_m)
    hills = _hills(plan, n_lots, rng)
    node_x = west + np.arange(-1, math.ceil(width * cell_m / _COARSE_M) + 2) * _COARSE_M
    node_y = north - np.arange(-1, math.ceil(height * cell_m / _COARSE_M) + 2) * _COARSE_M
    grid = np.meshgrid(node_x, node_y)
    coarse_u, coarse_v = plan.warp.to_plan(*grid)
    # Hills and gentle unevenness are smooth enough for the coarse grid too.
    smooth = 0.05 * rng.standard_normal(coarse_u.shape)
    wide = 0.12 * rng.standard_normal((len(node_y) // 4 + 2, len(node_x) // 4 + 2))
    smooth += _stretch(wide, np.arange(len(node_y)) / 4, np.arange(len(node_x)) / 4)
    for x, y, high_m, radius_m in hills:
        smooth += high_m * np.exp(-((grid[0] - x) ** 2 + (grid[1] - y) ** 2) / (2 * radius_m**2))
    tree = shapely.STRtree(built)
    reach = BLUR_TIMES * BLUR_RADIUS_CELLS + 1
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "count": 1,
        "width": width,
        "height": height,
        "crs": crs,
        "transform": rasterio.Affine(cell_m, 0.0, west, 0.0, -cell_m, north),
        "nodata": -9999.0,
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "predictor": 3,
        "zlevel": 9 if height < 3000 else 6,
    }
    cols = (np.arange(width) + 0.5) * cell_m / _COARSE_M + 1
    with rasterio.open(path, "w", **profile) as out:
        out.set_band_unit(1, "m")
        for top in range(0, height, _BAND_ROWS):
            n = min(_BAND_ROWS, height - top)
            rows = (top + np.arange(n) + 0.5) * cell_m / _COARSE_M + 1
            z = _ground(plan, _stretch(coarse_u, rows, cols), _stretch(coarse_v, rows, cols))
            z += _stretch(smooth, rows, cols)
            y_top = north - (top - reach) * cell_m
            y_low = y_top - (n + 2 * reach) * cell_m
            inside = built[np.sort(tree.query(shapely.box(west, y_low, west + width * cell_m, y_top)))]
            if len(inside):
                mask = rasterio.features.rasterize(
                    inside,
                    out_shape=(n + 2 * reach, width),
                    transform=rasterio.Affine(cell_m, 0.0, west, 0.0, -cell_m, y_top),
                    fill=0,
                    default_value=1,
                    dtype="uint8",
                )
                z += PAD_M * _box_blur(mask.astype(np.float64))[reach:-reach]
            z += 0.008 * rng.standard_normal(z.shape)
            out.write((np.round(z / STEP_M) * STEP_M).astype(np.float32), 1, window=Window(0, top, width, n))
