"""The working grid over a raster file, read by windows."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from screening.crs import Reprojector, length_unit, same_crs
from screening.errors import InputError
from screening.raster.file import read_heights

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt
    from pyproj import CRS

    from screening.raster.file import RasterHeader

    FloatArray = npt.NDArray[np.float64]
    Bounds = tuple[float, float, float, float]

HEIGHT_DECIMALS: Final = 5
"""Heights are rounded to 1e-5 m, which takes the noise of the unit conversion away."""

_SQUARE_REL: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class ElevationWindow:
    """A rectangle of heights.

    Attributes
    ----------
    z_m : ndarray of float64, shape (rows, cols)
        Height [m]; row 0 is the northernmost; NaN where nothing is known.
    x0_m, y0_m : float
        North-west corner of the north-west cell [m].
    cell_m : float
        Cell size [m].  The centre of cell (r, c) is at x0 + (c + 0.5) cell, y0 - (r + 0.5) cell.
    """

    z_m: FloatArray
    x0_m: float
    y0_m: float
    cell_m: float


@dataclass(frozen=True, kw_only=True)
class ElevationSource:
    """The elevation of a run, one raster or a mosaic; it can be sent to other processes and is opened by each read.

    Attributes
    ----------
    path : pathlib.Path
        The file; of a mosaic the folder, or the first file of the list.
    crs : pyproj.CRS
        The working CRS: projected, metres, two-dimensional.
    x0_m, y0_m : float
        West and north edge of the grid [m].
    cell_m : float
        Cell size of the square grid [m].
    width, height : int
        Columns and rows of the grid.
    z_factor : float
        Metres in one unit of height [m].
    nodata : tuple of float
        Raw values that stand for "nothing known", beside NaN and the file's mask.
    header : RasterHeader
        The file's own grid.
    is_warped : bool
        Whether heights are sampled from a grid of another CRS or shape.
    """

    path: Path
    crs: CRS
    x0_m: float
    y0_m: float
    cell_m: float
    width: int
    height: int
    z_factor: float
    nodata: tuple[float, ...] = ()
    header: RasterHeader = field(repr=False)
    is_warped: bool = False

    @property
    def name(self) -> str:
        """Name for people: the file's, or the mosaic's."""
        return self.header.name

    @property
    def bounds_m(self) -> Bounds:
        """West, south, east, north of the grid [m]."""
        return (
            self.x0_m,
            self.y0_m - self.height * self.cell_m,
            self.x0_m + self.width * self.cell_m,
            self.y0_m,
        )

    @property
    def rasters_m(self) -> FloatArray:
        """West, south, east, north of the raster, or of each of a mosaic, shape (k, 4) [m]."""
        if not self.header.pieces:
            return np.array([self.bounds_m])
        head = self.header
        boxes = np.array(
            [
                (
                    head.x0 + piece.col * head.x_step,
                    head.y0 + (piece.row + piece.height) * head.y_step,
                    head.x0 + (piece.col + piece.width) * head.x_step,
                    head.y0 + piece.row * head.y_step,
                )
                for piece in head.pieces
            ]
        )
        return np.array([self._to_file.bounds(tuple(box), inverse=True) for box in boxes])

    @cached_property
    def _to_file(self) -> Reprojector:
        return Reprojector(self.crs, self.header.known_crs)

    def read(self, bounds_m: Bounds) -> ElevationWindow:
        """Read every cell that touches a box.

        Parameters
        ----------
        bounds_m : tuple of float
            West, south, east, north in the working CRS [m].

        Returns
        -------
        ElevationWindow
            Clipped to the raster; 0 rows or columns where the box misses it.

        Raises
        ------
        InputError
            If the file breaks off or can't be decoded there.
        """
        west, south, east, north = bounds_m
        cols = _span((west - self.x0_m) / self.cell_m, (east - self.x0_m) / self.cell_m, self.width)
        rows = _span((self.y0_m - north) / self.cell_m, (self.y0_m - south) / self.cell_m, self.height)
        shape = (rows[1] - rows[0], cols[1] - cols[0])
        if 0 in shape:
            z = np.full(shape, np.nan)
        elif self.is_warped:
            z = self._sampled(rows, cols)
        else:
            z = read_heights(self.header, self.nodata, rows, cols)
        if self.z_factor != 1.0:
            z *= self.z_factor
        # np.round in place
        z *= 10.0**HEIGHT_DECIMALS
        np.rint(z, out=z)
        z /= 10.0**HEIGHT_DECIMALS
        return ElevationWindow(
            z_m=z,
            x0_m=self.x0_m + cols[0] * self.cell_m,
            y0_m=self.y0_m - rows[0] * self.cell_m,
            cell_m=self.cell_m,
        )

    def _sampled(self, rows: tuple[int, int], cols: tuple[int, int]) -> FloatArray:
        """Bilinear heights [raster's unit] at cell centres; NaN unless all four neighbours are known."""
        x_m = self.x0_m + (np.arange(*cols) + 0.5) * self.cell_m
        y_m = self.y0_m - (np.arange(*rows) + 0.5) * self.cell_m
        grid_x, grid_y = np.meshgrid(x_m, y_m)
        x, y = self._to_file.xy(grid_x.ravel(), grid_y.ravel())
        head = self.header
        # Fractional index counted from the centre of the file's north-west cell.
        col = (x - head.bounds[0]) / abs(head.x_step) - 0.5
        row = (head.bounds[3] - y) / abs(head.y_step) - 0.5
        z = np.full(col.shape, np.nan)
        # A hair of tolerance keeps cells whose centres coincide with the outermost ones.
        with np.errstate(invalid="ignore"):
            inside = (col > -1e-6) & (row > -1e-6)
            inside &= (col < head.width - 1 + 1e-6) & (row < head.height - 1 + 1e-6)
        if inside.any():
            col, row = col[inside], row[inside]
            block_cols = _span(col.min() - 1.0, col.max() + 2.0, head.width)
            block_rows = _span(row.min() - 1.0, row.max() + 2.0, head.height)
            block = read_heights(head, self.nodata, block_rows, block_cols)
            z[inside] = _bilinear(block, row - block_rows[0], col - block_cols[0])
        return z.reshape(grid_x.shape)


def _span(first: float, last: float, size: int) -> tuple[int, int]:
    """Half-open range of whole cells that covers a fractional range, clipped to 0..size."""
    start = min(max(math.floor(round(first, 6)), 0), size)
    return start, max(min(math.ceil(round(last, 6)), size), start)


def _bilinear(block: FloatArray, row: FloatArray, col: FloatArray) -> FloatArray:
    """Weighted mean of the four cells around fractional (row, col) indices of a block."""
    r0 = np.clip(np.floor(row).astype(np.int64), 0, max(block.shape[0] - 2, 0))
    c0 = np.clip(np.floor(col).astype(np.int64), 0, max(block.shape[1] - 2, 0))
    r1 = np.minimum(r0 + 1, block.shape[0] - 1)
    c1 = np.minimum(c0 + 1, block.shape[1] - 1)
    # 1e-6 of a cell is noise of the transformation: an exact hit must not need its neighbours.
    down = np.round(np.clip(row - r0, 0.0, 1.0), 6)
    right = np.round(np.clip(col - c0, 0.0, 1.0), 6)
    z = np.zeros(row.shape)
    for r, c, weight in (
        (r0, c0, (1 - down) * (1 - right)),
        (r0, c1, (1 - down) * right),
        (r1, c0, down * (1 - right)),
        (r1, c1, down * right),
    ):
        z += np.where(weight > 0.0, weight * block[r, c], 0.0)
    return z


def make_source(
    header: RasterHeader, working_crs: CRS, *, z_factor: float, nodata: tuple[float, ...] = ()
) -> ElevationSource:
    """Lay the working grid over a raster.

    Parameters
    ----------
    header : RasterHeader
        The file, its CRS known.
    working_crs : pyproj.CRS
        Projected, metres.
    z_factor : float
        Metres in one unit of height [m].
    nodata : tuple of float
        Raw values that stand for "nothing known", beside the declared one.

    Raises
    ------
    InputError
        If the raster is rotated, or its place can't be brought into the working CRS.
    """
    name = header.name
    if header.is_rotated:
        msg = f"{name} is rotated or mirrored against its axes; resample it to a north-up grid first."
        raise InputError(msg, code="elevation_without_place")
    to_working = Reprojector(header.known_crs, working_crs)
    is_square = math.isclose(abs(header.x_step), abs(header.y_step), rel_tol=_SQUARE_REL)
    if to_working.scale is not None and is_square:
        west, _, _, north = to_working.bounds(header.bounds)
        return ElevationSource(
            path=header.path,
            crs=working_crs,
            x0_m=west,
            y0_m=north,
            cell_m=abs(header.x_step) * to_working.scale,
            width=header.width,
            height=header.height,
            z_factor=z_factor,
            nodata=nodata,
            header=header,
        )
    west, south, east, north = to_working.bounds(header.bounds)
    if not np.all(np.isfinite((west, south, east, north))):
        msg = f"{name} can't be brought into the working system; check its coordinate system."
        raise InputError(msg, code="crs_doubtful")
    cell_m = cell_size_m(header, working_crs)
    first_col, last_col = math.floor(west / cell_m), math.ceil(east / cell_m)
    first_row, last_row = math.floor(south / cell_m), math.ceil(north / cell_m)
    return ElevationSource(
        path=header.path,
        crs=working_crs,
        x0_m=first_col * cell_m,
        y0_m=last_row * cell_m,
        cell_m=cell_m,
        width=last_col - first_col,
        height=last_row - first_row,
        z_factor=z_factor,
        nodata=nodata,
        header=header,
        is_warped=True,
    )


def cell_size_m(header: RasterHeader, working_crs: CRS) -> float:
    """Size of the raster's cells in the working CRS, the longer side where they aren't square [m].

    For a raster of another CRS it is taken in the raster's middle and rounded to 1 cm, so that no
    detail is invented and the grid is the same for every window.
    """
    file_crs = header.known_crs
    if same_crs(file_crs, working_crs) or Reprojector(file_crs, working_crs).scale is not None:
        return max(abs(header.x_step), abs(header.y_step)) * length_unit(file_crs)[1]
    west, south, east, north = header.bounds
    mid_x, mid_y = (west + east) / 2.0, (south + north) / 2.0
    half_x, half_y = abs(header.x_step) / 2.0, abs(header.y_step) / 2.0
    x, y = Reprojector(file_crs, working_crs).xy(
        np.array([mid_x - half_x, mid_x + half_x, mid_x, mid_x]),
        np.array([mid_y, mid_y, mid_y - half_y, mid_y + half_y]),
    )
    sides_m = np.hypot(x[1::2] - x[::2], y[1::2] - y[::2])
    return max(round(float(sides_m.max()), 2), 0.01)
