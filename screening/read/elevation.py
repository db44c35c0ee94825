"""Opening the elevation raster: band, place, unit, cells and fillers are looked at before any work."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from screening.crs import Reprojector, describe, parse_crs, same_crs, stated_heights_m, vertical_factor
from screening.errors import InputError
from screening.notes import Note
from screening.raster import (
    cell_size_m,
    join_headers,
    make_source,
    near_pieces,
    read_header,
    read_heights,
    tile_files,
    tile_names,
)
from screening.read.extent import check_overlap
from screening.read.seams import check_seams

if TYPE_CHECKING:
    from collections.abc import Sequence

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

NEAR_M: Final = 500.0
"""Rasters of a mosaic that lie farther from every parcel are left alone: no water is followed so far [m]."""

MOST_NOTES: Final = 5
"""Notes on single rasters of a mosaic; further ones say the same."""

SMALLEST_CELL_M: Final = 0.02
"""Finer elevation models than this are not made of towns [m]."""

CELL_TOLERANCE_REL: Final = 1e-4
"""3.2808 ft is one metre to everybody: cells may be this much larger than a limit [unitless]."""


def look_at_elevation(elevation: Path | Sequence[Path], stated_crs: str = "") -> tuple[RasterHeader, tuple[Note, ...]]:
    """Read the headers of the elevation's rasters and refuse what can't be an elevation model.

    Parameters
    ----------
    elevation : pathlib.Path or sequence of pathlib.Path
        GeoTIFF, VRT or ASCII grid; a folder of them; or a list.
    stated_crs : str
        ``[inputs.crs] elevation`` of the run file; wins over the file's.

    Returns
    -------
    header : RasterHeader
        Its CRS is known. Of several rasters it is that of their mosaic.
    notes : tuple of Note

    Raises
    ------
    InputError
        If it isn't readable, has several bands, or doesn't say where it lies; if several rasters don't share a grid.
    CRSError
        If neither the file nor the run file says its CRS.
    UnitsError
        If several rasters name different height units.
    """
    files = tile_files(elevation)
    if len(files) == 1:
        return _look_at_one(files[0], stated_crs)
    headers = []
    notes: list[Note] = []
    for file, name in zip(files, tile_names(files), strict=True):
        header, said = _look_at_one(file, stated_crs)
        headers.append(replace(header, label=name))
        notes.extend(said)
    if isinstance(elevation, Path):
        path, label = elevation, f"{elevation.name} ({len(files)} rasters)"
    else:
        path, label = files[0], f"{headers[0].name} and {len(files) - 1} more"
    joined = join_headers(headers, path=path, label=label)
    note = _height_unit_note(headers, joined)
    return joined, (*notes[:MOST_NOTES], *note)


def _height_unit_note(headers: Sequence[RasterHeader], joined: RasterHeader) -> tuple[Note, ...]:
    """Say that some rasters don't name a height unit and others do."""
    silent = [header.name for header in headers if not stated_heights_m(header.crs, header.band_unit)]
    if not silent or not stated_heights_m(joined.crs, joined.band_unit):
        return ()
    others = f" and {len(silent) - 1} more" if len(silent) > 1 else ""
    text = (
        f"{silent[0]}{others} of {joined.name} doesn't say in which unit its heights are; that of the others is taken "
        "for it, and the levels along the seams are compared."
    )
    return (Note(text, "vertical_unit_missing", "elevation"),)


def _look_at_one(path: Path, stated_crs: str) -> tuple[RasterHeader, tuple[Note, ...]]:
    """Read a raster's header and refuse what can't be an elevation model."""
    header = read_header(path)
    notes: tuple[Note, ...] = ()
    if stated_crs:
        stated = parse_crs(stated_crs, "[inputs.crs] elevation")
        if header.crs is not None and not same_crs(header.crs, stated):
            text = (
                f"{path.name} says that it is in {describe(header.crs)}; the run file's {describe(stated)} was taken."
            )
            notes = (Note(text, "crs_overruled", "elevation"),)
        header = replace(header, crs=stated)
    if header.n_bands != 1:
        msg = f"{path.name} has {header.n_bands} bands; an elevation raster has one: extract the band with the heights."
        raise InputError(msg, code="elevation_not_heights")
    if header.dtype.startswith("complex"):
        msg = f"{path.name} holds complex numbers, not heights; check that it is the elevation raster."
        raise InputError(msg, code="elevation_not_heights")
    if not header.has_place:
        msg = f"{path.name} doesn't say where it lies; give a georeferenced GeoTIFF, VRT or ASCII grid."
        raise InputError(msg, code="elevation_without_place")
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
    town_m: Bounds | None = None,
) -> tuple[ElevationSource, tuple[Note, ...]]:
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
    town_m : tuple of float, optional
        Extent of all parcels where `parcels_m` is that of some: of a mosaic the rasters near it are taken.

    Returns
    -------
    source : ElevationSource
    notes : tuple of Note

    Raises
    ------
    UnitsError
        If the unit of the heights isn't known or contradictory.
    InputError
        If the cells are too coarse, the raster lies elsewhere, has no heights over the parcels, or
        holds an undeclared filler; if rasters of a mosaic differ in level.
    """
    name = header.name
    z_factor = vertical_factor(
        crs=header.crs, band_unit=header.band_unit, stated_unit=inputs.elevation_unit, where=name
    )
    notes: list[Note] = []
    _check_cells(name, cell_size_m(header, working_crs), siting, notes)
    nodata = () if inputs.elevation_nodata is None else (float(inputs.elevation_nodata),)
    to_file = Reprojector(working_crs, header.known_crs)
    if header.pieces:
        header = near_pieces(header, to_file.bounds(_grown(town_m or parcels_m, NEAR_M)))
    source = make_source(header, working_crs, z_factor=z_factor, nodata=nodata)
    check_overlap(parcels_name, parcels_m, name, source.bounds_m, working_crs)
    if source.is_warped:
        text = f"{name} is sampled on a grid of {source.cell_m:g} m cells in {describe(working_crs)}."
        notes.append(Note(text, "elevation_resampled", "elevation"))
    notes.extend(check_seams(header, nodata, z_factor))
    heights = _sample(header, nodata, to_file.bounds(parcels_m))
    known = np.isfinite(heights)
    if not known.any():
        msg = f"{name} holds no height over the extent of {parcels_name}; give the raster of this place."
        raise InputError(msg, code="elevation_empty")
    _check_fillers(name, heights[known], z_factor, is_stated=bool(nodata), notes=notes)
    return source, tuple(notes)


def _grown(bounds: Bounds, by: float) -> Bounds:
    return bounds[0] - by, bounds[1] - by, bounds[2] + by, bounds[3] + by


def _check_cells(name: str, cell_m: float, siting: SitingParams, notes: list[Note]) -> None:
    """Refuse or note elevation cells too large to show a yard, or too small to be meant."""
    if not cell_m >= SMALLEST_CELL_M:
        msg = (
            f"{name} has cells of {cell_m * 1000.0:.3g} mm, which no elevation model has; check its place and its "
            "coordinate system."
        )
        raise InputError(msg, code="crs_doubtful")
    if cell_m > siting.max_cell_m * (1.0 + CELL_TOLERANCE_REL):
        if not siting.allow_coarse:
            msg = (
                f"{name} has cells of {cell_m:.3g} m, and over {siting.max_cell_m:g} m they can't show the ground of a "
                "yard; give a finer elevation model, or set allow_coarse = true under [siting] to see what comes out."
            )
            raise InputError(msg, code="cells_coarse")
        text = (
            f"{name} has cells of {cell_m:.3g} m, too coarse to judge a single yard; the run goes on because "
            "allow_coarse says so, and every place needs a look on the ground."
        )
        notes.append(Note(text, "cells_coarse", "elevation"))
    elif cell_m > siting.warn_cell_m * (1.0 + CELL_TOLERANCE_REL):
        text = f"{name} has cells of {cell_m:.3g} m; slopes within a yard are blurred, confidence is lower."
        notes.append(Note(text, "cells_coarse", "elevation"))


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


def _check_fillers(name: str, heights: FloatArray, z_factor: float, *, is_stated: bool, notes: list[Note]) -> None:
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
            raise InputError(msg, code="nodata_undeclared")
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
            raise InputError(msg, code="nodata_undeclared")
        if gap_m > SLIGHT_GAP_M and share > SLIGHT_SHARE:
            text = f"{held}; if it stands for missing heights, set elevation_nodata = {value:g} under [inputs]."
            notes.append(Note(text, "nodata_undeclared", "elevation"))
