"""Loops over an elevation window: slope and aspect, samples, and the plane around a house.

A window is ``z_m`` (rows, cols) [m] with NaN where elevation is missing, row 0 in the north;
``ground`` (rows, cols) is True where the cell shows ground (it is neither missing nor under a
building). ``grid`` (5,) says where it lies: ``x0, y0`` of the whole raster's upper-left corner [m], row
and column of the window's first cell in it, cell size [m]. Positions are always reckoned from the whole
raster's corner, so that a cell has the same coordinates, to the last bit, in every window.
"""

from __future__ import annotations

import math

import numpy as np

from screening.kernels.compiled import kernel, leaf
from screening.kernels.plane import distance_to_edges, inside

Array = np.ndarray


@leaf
def _descent_deg(gx: float, gy: float) -> float:
    """Direction of descent [deg clockwise from north]; NaN on the level. ``gy`` grows southwards."""
    if gx == 0.0 and gy == 0.0:
        return np.nan
    a = math.degrees(math.atan2(-gx, gy))
    return a + 360.0 if a < 0.0 else a


@kernel
def horn(z: Array, ground: Array, cell_m: float, aspect: Array) -> Array:
    """Slope [%] of every ground cell by Horn's window.

    The aspect [deg clockwise from north] is filled into ``aspect`` (rows, cols), or left out where that is (0, 0).

    Where all eight neighbours are ground this is Horn (1981): the difference of the two outer
    columns (rows), the middle weighted twice, over eight cells. A missing neighbour is replaced along
    its own row (column) through the middle cell, and the weights are taken over the rows (columns)
    that remain, so a plane keeps its slope beside a wall. NaN where no row or no column serves.

    References
    ----------
    B. K. P. Horn (1981), Hill shading and the reflectance map, Proc. IEEE 69(1):14-47.
    """
    rows, cols = z.shape
    slope = np.full((rows, cols), np.nan)
    has_aspect = aspect.shape[0] > 0
    for r in range(rows):
        for c in range(cols):
            if has_aspect:
                aspect[r, c] = np.nan
            if not ground[r, c]:
                continue
            whole = 0 < r < rows - 1 and 0 < c < cols - 1
            if whole:
                for k in range(-1, 2):
                    whole &= ground[r + k, c - 1] and ground[r + k, c] and ground[r + k, c + 1]
            gx = 0.0
            wx = 0.0
            gy = 0.0
            wy = 0.0
            if whole:
                # the common case, written out
                west = z[r - 1, c - 1] + 2.0 * z[r, c - 1] + z[r + 1, c - 1]
                east = z[r - 1, c + 1] + 2.0 * z[r, c + 1] + z[r + 1, c + 1]
                north = z[r - 1, c - 1] + 2.0 * z[r - 1, c] + z[r - 1, c + 1]
                south = z[r + 1, c - 1] + 2.0 * z[r + 1, c] + z[r + 1, c + 1]
                gx = (east - west) / (8.0 * cell_m)
                gy = (south - north) / (8.0 * cell_m)
                slope[r, c] = 100.0 * math.sqrt(gx * gx + gy * gy)
                if has_aspect:
                    aspect[r, c] = _descent_deg(gx, gy)
                continue
            for k in range(-1, 2):
                weight = 2.0 if k == 0 else 1.0
                # west and east ends of row r + k, through its middle
                rr = r + k
                if 0 <= rr < rows:
                    west = c > 0 and ground[rr, c - 1]
                    east = c + 1 < cols and ground[rr, c + 1]
                    if west and east:
                        gx += weight * (z[rr, c + 1] - z[rr, c - 1]) / (2.0 * cell_m)
                        wx += weight
                    elif ground[rr, c] and (west or east):
                        d = z[rr, c] - z[rr, c - 1] if west else z[rr, c + 1] - z[rr, c]
                        gx += weight * d / cell_m
                        wx += weight
                # north and south ends of column c + k
                cc = c + k
                if 0 <= cc < cols:
                    north = r > 0 and ground[r - 1, cc]
                    south = r + 1 < rows and ground[r + 1, cc]
                    if north and south:
                        gy += weight * (z[r + 1, cc] - z[r - 1, cc]) / (2.0 * cell_m)
                        wy += weight
                    elif ground[r, cc] and (north or south):
                        d = z[r, cc] - z[r - 1, cc] if north else z[r + 1, cc] - z[r, cc]
                        gy += weight * d / cell_m
                        wy += weight
            if wx == 0.0 or wy == 0.0:
                continue
            gx /= wx
            gy /= wy
            slope[r, c] = 100.0 * math.sqrt(gx * gx + gy * gy)
            if has_aspect:
                aspect[r, c] = _descent_deg(gx, gy)
    return slope


@leaf
def sample(z: Array, ground: Array, grid: Array, x: float, y: float) -> float:
    """Ground elevation [m] at a point; NaN where no ground lies near.

    Bilinear between the four cell centres where all are ground. Beside a house or a gap some are
    not: then the value of the least-squares plane through the ground cells of the 5 x 5 (at most
    9 x 9) block around the point, which is exact on a plane as the bilinear value is.
    """
    rows, cols = z.shape
    fc = (x - grid[0]) / grid[4] - 0.5 - grid[3]
    fr = (grid[1] - y) / grid[4] - 0.5 - grid[2]
    c = int(math.floor(fc))
    r = int(math.floor(fr))
    if r < -1 or c < -1 or r >= rows or c >= cols:
        return np.nan
    if (
        r >= 0
        and r + 1 < rows
        and c >= 0
        and c + 1 < cols
        and ground[r, c]
        and ground[r, c + 1]
        and ground[r + 1, c]
        and ground[r + 1, c + 1]
    ):
        u = fc - c
        v = fr - r
        return (1.0 - v) * ((1.0 - u) * z[r, c] + u * z[r, c + 1]) + v * ((1.0 - u) * z[r + 1, c] + u * z[r + 1, c + 1])
    rc = int(math.floor(fr + 0.5))
    cc = int(math.floor(fc + 0.5))
    for reach in range(2, 5):
        value = _plane_value(z, ground, rc, cc, reach, fr, fc)
        if not math.isnan(value):
            return value
    return np.nan


@leaf
def _plane_value(z: Array, ground: Array, rc: int, cc: int, reach: int, fr: float, fc: float) -> float:
    """Value at ``(fr, fc)`` of the plane through the ground cells around ``(rc, cc)``; NaN if under-determined."""
    rows, cols = z.shape
    n = 0
    sr = 0.0
    sc = 0.0
    sz = 0.0
    for r in range(max(0, rc - reach), min(rows, rc + reach + 1)):
        for c in range(max(0, cc - reach), min(cols, cc + reach + 1)):
            if ground[r, c]:
                n += 1
                sr += r - fr
                sc += c - fc
                sz += z[r, c]
    if n < 5:
        return np.nan
    mr = sr / n
    mc = sc / n
    mz = sz / n
    srr = 0.0
    scc = 0.0
    src = 0.0
    srz = 0.0
    scz = 0.0
    for r in range(max(0, rc - reach), min(rows, rc + reach + 1)):
        for c in range(max(0, cc - reach), min(cols, cc + reach + 1)):
            if ground[r, c]:
                a = r - fr - mr
                b = c - fc - mc
                d = z[r, c] - mz
                srr += a * a
                scc += b * b
                src += a * b
                srz += a * d
                scz += b * d
    det = srr * scc - src * src
    # cells all in one line say nothing about the slope across it
    if det < 0.05 * srr * scc or det < 1e-9:
        return np.nan
    gr = (srz * scc - scz * src) / det
    gc = (scz * srr - srz * src) / det
    return mz - gr * mr - gc * mc


@kernel
def ring_plane(
    z: Array,
    ground: Array,
    grid: Array,
    house: Array,
    lot: Array,
    inner_m: float,
    outer_m: float,
) -> Array:
    """Least-squares plane through the ground cells around a house, inside its lot.

    Parameters
    ----------
    house, lot : (n, 4) array
        Edges of the house outline and of the lot [m].
    inner_m, outer_m : float
        Nearest and farthest distance of a cell centre from the house [m].

    Returns
    -------
    (6,) array
        Gradient east and north [m/m], R2 of the fit (1 on level ground) [0-1], number of cells, mean
        rise with the distance from the house [m/m] (positive: the ground falls towards it), residual
        standard deviation [m]. NaN gradient where fewer than six cells or all in one line.
    """
    rows, cols = z.shape
    out = np.full(6, np.nan)
    xmin = np.inf
    xmax = -np.inf
    ymin = np.inf
    ymax = -np.inf
    for i in range(house.shape[0]):
        xmin = min(xmin, house[i, 0])
        xmax = max(xmax, house[i, 0])
        ymin = min(ymin, house[i, 1])
        ymax = max(ymax, house[i, 1])
    # about one sample a metre is enough for a plane
    cell = grid[4]
    step = max(1, int(1.0 / cell))
    # rows and columns of the whole raster that are multiples of the step: the same in any window
    row0 = int(grid[2])
    col0 = int(grid[3])
    r_first = max(0, int(math.floor((grid[1] - ymax - outer_m) / cell)) - row0)
    r_last = min(rows, int(math.ceil((grid[1] - ymin + outer_m) / cell)) + 1 - row0)
    c_first = max(0, int(math.floor((xmin - outer_m - grid[0]) / cell)) - col0)
    c_last = min(cols, int(math.ceil((xmax + outer_m - grid[0]) / cell)) + 1 - col0)
    r_first += (-(r_first + row0)) % step
    c_first += (-(c_first + col0)) % step
    size = max(0, r_last - r_first) * max(0, c_last - c_first)
    xs = np.empty(size)
    ys = np.empty(size)
    zs = np.empty(size)
    ds = np.empty(size)
    n = 0
    mx = 0.5 * (xmin + xmax)
    my = 0.5 * (ymin + ymax)
    for r in range(r_first, r_last, step):
        y = grid[1] - (row0 + r + 0.5) * cell
        for c in range(c_first, c_last, step):
            if not ground[r, c]:
                continue
            x = grid[0] + (col0 + c + 0.5) * cell
            if not inside(lot, x, y):
                continue
            d = distance_to_edges(house, x, y)
            if d < inner_m or d > outer_m or inside(house, x, y):
                continue
            xs[n] = x - mx
            ys[n] = y - my
            zs[n] = z[r, c]
            ds[n] = d
            n += 1
    out[3] = n
    if n < 6:
        return out
    ax = xs[:n].mean()
    ay = ys[:n].mean()
    az = zs[:n].mean()
    ad = ds[:n].mean()
    sxx = 0.0
    syy = 0.0
    sxy = 0.0
    sxz = 0.0
    syz = 0.0
    szz = 0.0
    sdd = 0.0
    sdz = 0.0
    for i in range(n):
        dx = xs[i] - ax
        dy = ys[i] - ay
        dz = zs[i] - az
        dd = ds[i] - ad
        sxx += dx * dx
        syy += dy * dy
        sxy += dx * dy
        sxz += dx * dz
        syz += dy * dz
        szz += dz * dz
        sdd += dd * dd
        sdz += dd * dz
    det = sxx * syy - sxy * sxy
    if det < 1e-3 * sxx * syy:
        return out
    gx = (sxz * syy - syz * sxy) / det
    gy = (syz * sxx - sxz * sxy) / det
    residual = max(0.0, szz - gx * sxz - gy * syz)
    out[0] = gx
    out[1] = gy
    out[2] = 1.0 - residual / szz if szz > 1e-9 * n else 1.0
    out[4] = sdz / sdd if sdd > 0.0 else 0.0
    out[5] = math.sqrt(residual / n)
    return out


@kernel
def sample_many(z: Array, ground: Array, grid: Array, xy: Array) -> Array:
    """Ground elevation [m] at points (n, 2)."""
    out = np.empty(xy.shape[0])
    for i in range(xy.shape[0]):
        out[i] = sample(z, ground, grid, xy[i, 0], xy[i, 1])
    return out
