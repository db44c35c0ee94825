"""Several raster files as one elevation: they have to share one grid, and keep their own cells."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from screening.crs import describe, same_crs, stated_heights_m
from screening.errors import CRSError, InputError, UnitsError
from screening.paths import why_unreadable
from screening.raster.file import RasterPiece

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.raster.file import RasterHeader

    Bounds = tuple[float, float, float, float]

GRID_TOLERANCE_CELLS: Final = 0.01
"""Files may lie this far off the common grid: corners are written with few digits (program default) [cells]."""

SAME_UNIT_REL: Final = 1e-5
"""The two feet differ by 2 parts in a million, which no height of a town shows [unitless]."""

RASTER_SUFFIXES: Final = (".tif", ".tiff", ".asc", ".img", ".dem", ".flt", ".bil")
"""Endings of the files that are taken from a folder of tiles; a VRT there mostly lists the others."""


def is_tile_folder(path: Path) -> bool:
    """Whether a path is a folder of tiles; an Esri grid is a folder too, but one raster."""
    return not why_unreadable(path, may_be_folder=True) and path.is_dir() and not (path / "hdr.adf").exists()


def tile_files(elevation: Path | Sequence[Path]) -> tuple[Path, ...]:
    """The raster files that ``[inputs] elevation`` means, in the order in which they count.

    Parameters
    ----------
    elevation : pathlib.Path or sequence of pathlib.Path
        A file; a folder, of which every raster is taken, also those in folders within; or a list of both.

    Returns
    -------
    tuple of pathlib.Path
        In order of file names; a single file as it is.

    Raises
    ------
    InputError
        If a folder holds no raster, or a file is named twice.
    """
    if isinstance(elevation, Path) and not is_tile_folder(elevation):
        return (elevation,)
    found: list[Path] = []
    for path in (elevation,) if isinstance(elevation, Path) else elevation:
        if not is_tile_folder(path):
            found.append(path)
            continue
        inside = [
            file
            for file in path.rglob("*")
            if file.suffix.lower() in RASTER_SUFFIXES and not file.name.startswith(".") and file.is_file()
        ]
        if not inside:
            msg = (
                f"{path.name} (elevation) is a folder without rasters; it should hold tiles ending in "
                f"{', '.join(RASTER_SUFFIXES)}."
            )
            raise InputError(msg, code="file_unreadable")
        found.extend(inside)
    twice = next((path for i, path in enumerate(found) if path in found[:i]), None)
    if twice is not None:
        msg = f"{twice.name} is named twice among the rasters of the elevation; name it once."
        raise InputError(msg, code="parameter_wrong")
    return tuple(sorted(found, key=lambda path: (path.name, path.as_posix())))


def tile_names(files: Sequence[Path]) -> tuple[str, ...]:
    """Names of a mosaic's files that tell them apart: without folders where that will do."""
    names = [path.name for path in files]
    if len(set(names)) == len(names):
        return tuple(names)
    base = Path(os.path.commonpath(files))
    return tuple(path.relative_to(base).as_posix() for path in files)


def join_headers(headers: Sequence[RasterHeader], *, path: Path, label: str) -> RasterHeader:
    """Lay several rasters into one grid.

    Parameters
    ----------
    headers : sequence of RasterHeader
        The files in the order in which they count: where they overlap, the first that knows a height gives it.
    path : pathlib.Path
        What stands for them all.
    label : str
        Their common name for people.

    Returns
    -------
    RasterHeader
        Its CRS and height unit are those that the files name.

    Raises
    ------
    CRSError, UnitsError, InputError
        If two files differ in coordinate system, height unit, cell size or grid; both are named.
    """
    first = headers[0]
    for header in headers:
        if header.is_rotated:
            msg = f"{header.name} is rotated or mirrored against its axes; resample it to a north-up grid first."
            raise InputError(msg, code="elevation_without_place")
        # texts first: comparing systems takes long, and a county has a thousand tiles
        if header.known_crs.srs != first.known_crs.srs and not same_crs(header.known_crs, first.known_crs):
            msg = (
                f"{first.name} is in {describe(first.known_crs)}, {header.name} in {describe(header.known_crs)}; bring "
                "all rasters of the elevation into one system."
            )
            raise CRSError(msg, code="elevation_tiles_disagree")
    step_x, step_y = abs(first.x_step), abs(first.y_step)
    west = min(header.bounds[0] for header in headers)
    north = max(header.bounds[3] for header in headers)
    pieces = []
    for header in headers:
        _require_grid(first, header)
        pieces.append(
            RasterPiece(
                path=header.path,
                row=round((north - header.bounds[3]) / step_y),
                col=round((header.bounds[0] - west) / step_x),
                height=header.height,
                width=header.width,
                runs_north=header.y_step > 0,
                band_scale=header.band_scale,
                band_offset=header.band_offset,
                files=header.files,
            )
        )
    spoken = _with_height_unit(headers)
    return replace(
        spoken,
        path=path,
        files=_files(pieces),
        x_step=step_x,
        y_step=-step_y,
        x0=west,
        y0=north,
        width=max(piece.col + piece.width for piece in pieces),
        height=max(piece.row + piece.height for piece in pieces),
        is_rotated=False,
        band_scale=1.0,
        band_offset=0.0,
        nodata=None,
        pieces=tuple(pieces),
        label=label,
    )


def _require_grid(first: RasterHeader, other: RasterHeader) -> None:
    """Refuse a file whose cells don't coincide with the first one's."""
    away = 0.0
    for step, other_step, size, start, other_start in (
        (first.x_step, other.x_step, max(first.width, other.width), first.bounds[0], other.bounds[0]),
        (first.y_step, other.y_step, max(first.height, other.height), first.bounds[3], other.bounds[3]),
    ):
        step, other_step = abs(step), abs(other_step)  # noqa: PLW2901 - rows may run either way
        if abs(step - other_step) * size > GRID_TOLERANCE_CELLS * step:
            msg = (
                f"{first.name} has cells of {step:.10g}, {other.name} of {other_step:.10g}; resample the rasters of "
                "the elevation to one cell size, or give those of one survey only."
            )
            raise InputError(msg, code="elevation_tiles_disagree")
        cells = (other_start - start) / step
        away = max(away, abs(cells - round(cells)))
    if away > GRID_TOLERANCE_CELLS:
        msg = (
            f"the cells of {other.name} lie {away:.2g} of a cell beside those of {first.name}; resample the rasters of "
            "the elevation to one grid."
        )
        raise InputError(msg, code="elevation_tiles_disagree")


def _with_height_unit(headers: Sequence[RasterHeader]) -> RasterHeader:
    """The first file that names a height unit, else the first; refuses files that name different ones."""
    speaks: RasterHeader | None = None
    for header in headers:
        sizes_m = stated_heights_m(header.crs, header.band_unit)
        if not sizes_m:
            continue
        if speaks is None:
            speaks = header
            continue
        before_m = stated_heights_m(speaks.crs, speaks.band_unit)
        if abs(sizes_m[0] - before_m[0]) > SAME_UNIT_REL * before_m[0]:
            msg = (
                f"{speaks.name} has heights in units of {before_m[0]:.6g} m, {header.name} in units of "
                f"{sizes_m[0]:.6g} m; bring all rasters of the elevation into one unit."
            )
            raise UnitsError(msg, code="vertical_units_mixed")
    return speaks or headers[0]


def near_pieces(header: RasterHeader, box: Bounds) -> RasterHeader:
    """The mosaic with only the files that touch a box [unit of its CRS]; its grid stays the same.

    The first file stays where none touches it, for the messages that follow.
    """
    west, south, east, north = box
    step_x, step_y = abs(header.x_step), abs(header.y_step)
    left, right = (west - header.x0) / step_x, (east - header.x0) / step_x
    top, bottom = (header.y0 - north) / step_y, (header.y0 - south) / step_y
    near = tuple(
        piece
        for piece in header.pieces
        if piece.col <= right and piece.col + piece.width >= left and piece.row <= bottom
        and piece.row + piece.height >= top
    )  # fmt: skip
    pieces = near or header.pieces[:1]
    return replace(header, pieces=pieces, files=_files(pieces))


def _files(pieces: Sequence[RasterPiece]) -> tuple[Path, ...]:
    return tuple(sorted({file for piece in pieces for file in piece.files}))
