"""Slope, aspect and directions of flow against published windows and grids; the source stands beside each."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from made_lots import cell_centres
from scipy import ndimage

from screening import terrain
from screening.kernels import elevation, flow
from screening.params import load_params

# B. K. P. Horn (1981), Hill shading and the reflectance map, Proc. IEEE 69(1):14-47: the formula. The windows and their
# answers are printed in vendors' and libraries' documentation of that formula. Window, cell, slope [deg], slope [%],
# aspect [deg clockwise from north].
WINDOWS = [
    # printed as 75.25762 from rounded intermediates; dz/dx 0.05, dz/dy -3.8, rise over run 3.80032 are printed
    ([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5.0, 75.25766, 380.033, 180.754),
    # aspect printed 92.64; the slope is computed here from the printed differences -8.125 and -0.375
    ([[101, 92, 85], [101, 92, 85], [101, 91, 84]], 10.0, 39.1237, 81.336, 92.6426),
    ([[42, 45, 47], [40, 44, 49], [44, 48, 52]], 10.0, 22.79182, 42.019, 292.751),
    # a plane of one in ten
    ([[3, 3, 3], [2, 2, 2], [1, 1, 1]], 10.0, 5.71059, 10.0, 180.0),
]


@pytest.mark.parametrize(("window", "cell_m", "slope_deg", "slope_pct", "aspect_deg"), WINDOWS)
def test_windows_of_horn(window, cell_m, slope_deg, slope_pct, aspect_deg):
    z = np.array(window, dtype=float)
    aspect = np.empty(z.shape)
    slope = elevation.horn(z, np.ones(z.shape, dtype=bool), cell_m, aspect)
    assert slope[1, 1] == pytest.approx(slope_pct, abs=6e-4)
    assert np.degrees(np.arctan(slope[1, 1] / 100.0)) == pytest.approx(slope_deg, abs=6e-5)
    assert aspect[1, 1] == pytest.approx(aspect_deg, abs=6e-4)


def test_printed_slope_of_the_first_window():
    """75.25762 degrees is widely printed; it rests on rounded intermediates, hence the tolerance."""
    window, cell_m = WINDOWS[0][:2]
    z = np.array(window, dtype=float)
    slope = elevation.horn(z, np.ones(z.shape, dtype=bool), cell_m, np.empty((0, 0)))
    assert np.degrees(np.arctan(slope[1, 1] / 100.0)) == pytest.approx(75.25762, abs=1e-4)


# J. F. O'Callaghan and D. M. Mark (1984), The extraction of drainage networks from digital elevation data, Computer
# Vision, Graphics and Image Processing 28:323-344: the method. Grid, directions and accumulation as printed in the
# package test of R's terra and in vendors' documentation; directions E 1, SE 2, S 4, SW 8, W 16, NW 32, N 64, NE 128,
# 0 in the pit.
D8_ELEVATION = """
78 72 69 71 58 49
74 67 56 49 46 50
69 53 44 37 38 48
64 58 55 22 31 24
68 61 47 21 16 19
74 53 34 12 11 12
"""
D8_DIRECTION = """
2   2   2 4 4 8
2   2   2 4 4 8
1   1   2 4 8 4
128 128 1 2 4 8
2   2   1 4 4 4
1   1   1 1 0 16
"""
D8_ACCUMULATION = """
1 1 1 1  1 1
1 2 2 3  3 1
1 4 8 6  5 1
1 1 1 21 1 2
1 1 1 2 25 1
1 3 5 8 36 2
"""


def table(text, dtype):
    return np.array([line.split() for line in text.strip().splitlines()], dtype=dtype)


def accumulation(direction):
    """Cells that drain through each cell, itself counted: every cell is followed to its end."""
    out = np.zeros(direction.shape, dtype=int)
    steps = {1: (0, 1), 2: (1, 1), 4: (1, 0), 8: (1, -1), 16: (0, -1), 32: (-1, -1), 64: (-1, 0), 128: (-1, 1)}
    for start in np.ndindex(direction.shape):
        r, c = start
        while True:
            out[r, c] += 1
            if direction[r, c] == 0:
                break
            dr, dc = steps[int(direction[r, c])]
            r, c = r + dr, c + dc
    return out


def test_directions_of_steepest_descent_and_what_gathers():
    got = flow.d8(table(D8_ELEVATION, float))
    np.testing.assert_array_equal(got, table(D8_DIRECTION, int))
    gathered = accumulation(got)
    np.testing.assert_array_equal(gathered, table(D8_ACCUMULATION, int))
    # all of the 6 x 6 cells leave through the outlet
    assert gathered[got == 0].tolist() == [36]


def test_a_trace_follows_the_printed_directions():
    """From the north-west corner along the printed directions to the pit."""
    z = table(D8_ELEVATION, float)
    direction = table(D8_DIRECTION, int)
    # a frame of high ground, so that the pit is one and not the edge of the raster
    framed = np.pad(z, 2, constant_values=200.0)
    path = np.empty((100, 2))
    code, n = flow.trace(
        framed, np.array([0.0, 0.0, 0.0, 0.0, 1.0]), np.ones(framed.shape, dtype=np.int32),
        np.zeros(framed.shape, dtype=bool), np.zeros(framed.shape, dtype=bool), 1, np.empty((0, 4)), 3.0, 0.1, 90.0,
        2, 2, path, np.empty((0, 0), dtype=np.int8),
    )  # fmt: skip
    way = [(round(-y - 0.5) - 2, round(x - 0.5) - 2) for x, y in path[:n]]
    wanted, (r, c) = [(0, 0)], (0, 0)
    steps = {1: (0, 1), 2: (1, 1), 4: (1, 0), 8: (1, -1), 16: (0, -1), 32: (-1, -1), 64: (-1, 0), 128: (-1, 1)}
    while direction[r, c]:
        dr, dc = steps[int(direction[r, c])]
        r, c = r + dr, c + dc
        wanted.append((r, c))
    assert way == wanted
    assert code == flow.OWN_LOW_SPOT


def real_heights():
    """Heights [m] at the Jacksboro fault, Tennessee, a sample that matplotlib carries, and its cell size [m]."""
    from matplotlib import cbook

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = cbook.get_sample_data("jacksboro_fault_dem.npz")
    # 0.00083333 degrees of latitude are about 92.6 m; square cells are enough for the comparison
    return data["elevation"].astype("float64"), float(data["dy"]) * 111_200.0


def test_slope_of_real_ground_against_a_general_purpose_library():
    """The weights 1 2 1 are those of scipy's Sobel filter; over eight cells they are Horn's formula."""
    z, cell_m = real_heights()
    assert z.shape == (344, 403)
    aspect = np.empty(z.shape)
    slope = elevation.horn(z, np.ones(z.shape, dtype=bool), cell_m, aspect)
    east = ndimage.sobel(z, axis=1) / (8.0 * cell_m)
    south = ndimage.sobel(z, axis=0) / (8.0 * cell_m)
    inner = np.s_[1:-1, 1:-1]
    np.testing.assert_allclose(slope[inner], 100.0 * np.hypot(east, south)[inner], rtol=1e-9, atol=1e-9)
    falls = np.degrees(np.arctan2(-east, south)) % 360.0
    # whole metres make level ground common; there the sums of the two differ by rounding alone
    sloping = slope[inner] > 1e-6
    off = np.abs(aspect[inner] - falls[inner])[sloping]
    assert np.minimum(off, 360.0 - off).max() < 1e-6
    assert 0.95 < sloping.mean() < 1.0
    assert np.nanmax(slope) > 30.0


def test_directions_on_real_ground_against_plain_arrays():
    """Largest of the eight drops per cell, the first of equals; the ground is in whole metres, so there are many."""
    z, _ = real_heights()
    padded = np.pad(z, 1, constant_values=np.inf)
    moves = [(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)]
    rows, cols = z.shape
    drops = np.array(
        [(z - padded[1 + r : 1 + r + rows, 1 + c : 1 + c + cols]) / np.sqrt(r * r + c * c) for r, c in moves]
    )
    wanted = np.where(drops.max(axis=0) > 1e-9, 2 ** np.argmax(drops > drops.max(axis=0) - 1e-9, axis=0), 0)
    np.testing.assert_array_equal(flow.d8(z), wanted)


@pytest.mark.parametrize("azimuth", [0.0, 37.0, 90.0, 180.0, 271.5, 359.0])
def test_a_plane_has_its_own_slope_direction_and_perfect_fit(azimuth):
    """A plane must give exactly its slope and aspect: what it is, needs no source."""
    import shapely

    from screening.outlines import edges_of

    steep = 0.07
    east, north = -steep * np.sin(np.radians(azimuth)), -steep * np.cos(np.radians(azimuth))
    x, y = cell_centres(0.0, 0.0, 60, 60, 1.0)
    house = np.array([shapely.box(25, -35, 36, -24)], dtype=object)
    lot = np.array([shapely.box(12, -50, 48, -10)], dtype=object)
    params = load_params().terrain
    land = terrain.measure(30.0 + east * x + north * y, np.array([0.0, 0.0, 0.0, 0.0, 1.0]), house, params)
    np.testing.assert_allclose(land.slope_pct[land.ground], 7.0, rtol=1e-9)
    aspect = np.empty(land.z_m.shape)
    elevation.horn(land.z_m, land.ground, 1.0, aspect)
    off = np.abs(aspect[land.ground] - azimuth)
    assert np.minimum(off, 360.0 - off).max() < 1e-6
    plane = terrain.house_planes(land, edges_of(house), edges_of(lot), params)
    assert plane.slope_pct[0] == pytest.approx(7.0, rel=1e-9)
    assert min(abs(plane.downslope_deg[0] - a) for a in (azimuth, azimuth + 360.0)) < 1e-6
    assert plane.fit_frac[0] == pytest.approx(1.0)


def test_small_holes_take_the_plane_of_their_rim_and_large_ones_stay():
    x, y = cell_centres(0.0, 0.0, 30, 30, 1.0)
    z = 12.0 + 0.05 * x + 0.02 * y
    holed = z.copy()
    holed[5:7, 5] = np.nan
    holed[12:14, 20:22] = np.nan
    holed[20:23, 4] = np.nan
    holed[0, 10] = np.nan
    filled, which = terrain.fill_holes(holed, 2)
    np.testing.assert_allclose(filled[which], z[which], rtol=1e-12)
    assert which.sum() == 2 + 4
    assert np.isnan(filled[20:23, 4]).all()
    assert np.isnan(filled[0, 10])
