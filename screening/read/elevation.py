"""Opening the elevation raster: band, place, unit, cells and fillers are looked at before any work."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from screening.crs import Reprojector, describe, parse_crs, same_crs, vertical_factor
from screening.errors import InputError
from screening.raster import cell_size_m, make_source, read_header, read_heights
from screening.read.extent import check_overlap

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt
    from pyproj import CRS

    from screening.params import InputParams, SitingParams
    from screening.raster import ElevationSource, RasterHeader

    Bounds = tuple[float, float, float, float]
    FloatArray = npt.NDArray[np.float64]

LOWEST_GROUND_M: Final = -500.0
HIGHEST_GROUND_M: Final = 9000.0
"""No ground lies beyond these: the Dead Sea's shore is at about -430 m, Everest at 8,849 m (from memory)."""

FILLERS: Final = (0.0, -1.0, -99.0, -999.0, -9999.0, -32767.0, -32768.0, -99999.0, 255.0, 9999.0, 32767.0, 65535.0)
"""Values that rasters are filled with where nothing was measured; common practice, no source."""

CLEAR_GAP_M: Final = 30.0
SLIGHT_GAP_M: Final = 5.0
CLEAR_SHARE: Final = 0.0005
SLIGHT_SHARE: Final = 0.01
"""A filler is taken for one if it stands this far from every other height, this often; program defaults."""

SAMPLE_PARTS: Final = 6
SAMPLE_PART_CELLS: Final = 250
SPARSE_CELLS: Final = 2000
"""A large raster is looked at in so many parts along each axis, each so many cells wide."""

CELL_TOLERANCE_REL: Final = 1e-4
"""3.2808 ft is one metre to everybody: cells may be this much larger than a limit [unitless]."""


def look_at_elevation(path: Path, stated_crs: str = "") -> tuple[RasterHeader, tuple[str, ...]]:
    """Read the raster's header and refuse what can't be an elevation model.

    Parameters
    ----------
    path : pathlib.Path
        GeoTIFF, VRT or ASCII grid.
    stated_crs : str
        ``[inputs.crs] elevation`` of the run file; wins over the file's.

    Returns
    -------
    header : RasterHeader
        Its CRS is known.
    notes : tuple of str

    Raises
    ------
    InputError
        If it isn't readable, has several bands, or doesn't say where it lies.
    CRSError
        If neither the file nor the run file says its CRS.
    """
    header = read_header(path)
    notes: tuple[str, ...] = ()
    if stated_crs:
        stated = parse_crs(stated_crs, "[inputs.crs] elevation")
        if header.crs is not None and not same_crs(header.crs, stated):
            notes = (
                f"{path.name} says that it is in {describe(header.crs)}; the run file's {describe(stated)} was taken.",
            )
        header = replace(header, crs=stated)
    if header.n_bands != 1:
        msg = f"{path.name} has {header.n_bands} bands; an elevation raster has one: extract the band with the heights."
        raise InputError(msg)
    if header.dtype.startswith("complex"):
        msg = f"{path.name} holds complex numbers, not heights; check that it is the elevation raster."
        raise InputError(msg)
    if not header.has_place:
        msg = f"{path.name} doesn't say where it lies; give a georeferenced GeoTIFF, VRT or ASCII grid."
        raise InputError(msg)
    _ = header.known_crs
    return header, notes


def open_elevation(
    header: RasterHeader,
    working_crs: CRS,
    parcels_m: Bounds,
    *,
    inputs: InputParams,
    siting: SitingParams,
    parcels_name: str = "parcels",
) -> tuple[ElevationSource, tuple[str, ...]]:
    """Make the elevation source of a run.

    Parameters
    ----------
    header : RasterHeader
        From `look_at_elevation`.
    working_crs : pyproj.CRS
        Projected, metres.
    parcels_m : tuple of float
        Extent of the parcels in the working CRS [m].
    inputs, siting : InputParams, SitingParams
        Unit and filler of the heights; limits of the cell size.
    parcels_name : str
        The parcels' file, for messages.

    Returns
    -------
    source : ElevationSource
    notes : tuple of str

    Raises
    ------
    UnitsError
        If the unit of the heights isn't known or contradictory.
    InputError
        If the cells are too coarse, the raster lies elsewhere, has no heights over the parcels, or
        holds an undeclared filler.
    """
    name = header.path.name
    z_factor = vertical_factor(
        crs=header.crs, band_unit=header.band_unit, stated_unit=inputs.elevation_unit, where=name
    )
    notes: list[str] = []
    _check_cells(name, cell_size_m(header, working_crs), siting, notes)
    nodata = () if inputs.elevation_nodata is None else (float(inputs.elevation_nodata),)
    source = make_source(header, working_crs, z_factor=z_factor, nodata=nodata)
    check_overlap(parcels_name, parcels_m, name, source.bounds_m, working_crs)
    if source.is_warped:
        notes.append(f"{name} is sampled on a grid of {source.cell_m:g} m cells in {describe(working_crs)}.")
    heights = _sample(header, nodata, Reprojector(working_crs, header.known_crs).bounds(parcels_m))
    known = np.isfinite(heights)
    if not known.any():
        msg = f"{name} holds no height over the extent of {parcels_name}; give the raster of this place."
        raise InputError(msg)
    _check_fillers(name, heights[known], z_factor, is_stated=bool(nodata), notes=notes)
    return source, tuple(notes)


def _check_cells(name: str, cell_m: float, siting: SitingParams, notes: list[str]) -> None:
    """Refuse or note elevation cells too large to show a yard."""
    if cell_m > siting.max_cell_m * (1.0 + CELL_TOLERANCE_REL):
        if not siting.allow_coarse:
            msg = (
                f"{name} has cells of {cell_m:.3g} m, and over {siting.max_cell_m:g} m they can't show the ground of a "
                "yard; give a finer elevation model, or set allow_coarse = true under [siting] to see what comes out."
            )
            raise InputError(msg)
        notes.append(
            f"{name} has cells of {cell_m:.3g} m, too coarse to judge a single yard; the run goes on because "
            "allow_coarse says so, and every place needs a look on the ground."
        )
    elif cell_m > siting.warn_cell_m * (1.0 + CELL_TOLERANCE_REL):
        notes.append(f"{name} has cells of {cell_m:.3g} m; slopes within a yard are blurred, confidence is lower.")


def _sample(header: RasterHeader, nodata: tuple[float, ...], bounds: Bounds) -> FloatArray:
    """Heights [raster's unit] in a box of the raster's CRS, evenly spread ones where they are too many."""
    west, south, east, north = bounds
    left, _, _, top = header.bounds
    step_x, step_y = abs(header.x_step), abs(header.y_step)
    cols = _clip((west - left) / step_x, (east - left) / step_x, header.width)
    rows = _clip((top - north) / step_y, (top - south) / step_y, header.height)
    parts = [
        read_heights(header, nodata, part_rows, part_cols)
        for part_rows in _spread(*rows)
        for part_cols in _spread(*cols)
    ]
    sample = np.concatenate([part.ravel() for part in parts])
    if np.isfinite(sample).any():
        return sample
    # a raster with heights in a few corners only: every n-th cell of the whole
    shape = (min(rows[1] - rows[0], SPARSE_CELLS), min(cols[1] - cols[0], SPARSE_CELLS))
    return read_heights(header, nodata, rows, cols, out_shape=shape).ravel()


def _spread(first: int, last: int) -> list[tuple[int, int]]:
    """Even parts of a range of cells that is too long to be read whole."""
    if last - first <= SAMPLE_PARTS * SAMPLE_PART_CELLS:
        return [(first, last)]
    starts = np.linspace(first, last - SAMPLE_PART_CELLS, SAMPLE_PARTS).astype(int)
    return [(int(start), int(start) + SAMPLE_PART_CELLS) for start in starts]


def _clip(first: float, last: float, size: int) -> tuple[int, int]:
    start = int(min(max(np.floor(first), 0), size - 1))
    return start, int(max(min(np.ceil(last), size), start + 1))


def _check_fillers(name: str, heights: FloatArray, z_factor: float, *, is_stated: bool, notes: list[str]) -> None:
    """Look for a value that stands for "nothing known" although nothing says so.

    A height beyond the Earth's is always refused.  A usual filler that lies far from all other
    heights is refused unless the run file states a filler; a nearer one is worth a note.
    """
    lowest, highest = float(heights.min()), float(heights.max())
    for value, beyond in (
        (lowest, lowest * z_factor < LOWEST_GROUND_M),
        (highest, highest * z_factor > HIGHEST_GROUND_M),
    ):
        share = float(np.count_nonzero(heights == value)) / heights.size
        if beyond:
            msg = (
                f"{name} holds the height {value:.10g} ({share:.2%} of its cells over the parcels), which is no "
                f"ground; if it stands for missing heights, set elevation_nodata = {value:.10g} under [inputs]."
            )
            raise InputError(msg)
        if is_stated or value not in FILLERS or share < CLEAR_SHARE:
            continue
        rest = heights[heights != value]
        if not rest.size:
            continue
        gap_m = float(np.abs(rest - value).min()) * z_factor
        spread_m = float(np.ptp(np.percentile(rest, (1.0, 99.0)))) * z_factor
        held = f"{name} holds the height {value:g} in {share:.2%} of its cells, {gap_m:,.0f} m from the next height"
        if gap_m > max(CLEAR_GAP_M, spread_m):
            msg = (
                f"{held}; it seems to stand for missing heights: set elevation_nodata = {value:g} under [inputs], or "
                "any other number there if it is real ground."
            )
            raise InputError(msg)
        if gap_m > SLIGHT_GAP_M and share > SLIGHT_SHARE:
            notes.append(f"{held}; if it stands for missing heights, set elevation_nodata = {value:g} under [inputs].")
