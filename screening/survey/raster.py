"""Describing rasters: header, heights in a few windows, and tiles that together are one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np

from screening.crs import describe, length_unit, same_crs, vertical_factor
from screening.errors import InputError, UnitsError
from screening.raster import RasterHeader, read_header, read_heights
from screening.read.elevation import CLEAR_GAP_M, CLEAR_SHARE, FILLERS, HIGHEST_GROUND_M, LOWEST_GROUND_M
from screening.survey.facts import RasterFacts
from screening.survey.place import lonlat_bounds, metres_per_unit
from screening.units import FOOT_M

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

WINDOWS: Final = 4
WINDOW_CELLS: Final = 200
"""A large raster is looked at in so many windows along each axis, each so many cells wide."""

TILES_LOOKED_AT: Final = 9
"""Of many tiles only so many, evenly spread, are looked into; the headers of all are read."""

CELL_TOLERANCE_REL: Final = 1e-6

MOST_SHARED: Final = 0.25
"""Rasters that share more of their ground are two versions of it, not two tiles.  Program default."""


def look_at_rasters(paths: Iterable[Path]) -> tuple[list[RasterFacts], list[tuple[Path, str]]]:
    """Describe rasters; tiles of one grid become one.

    Parameters
    ----------
    paths : iterable of pathlib.Path
        Raster files.

    Returns
    -------
    rasters : list of RasterFacts
        Tiles that agree in system, cell, type, band and unit, and don't lie over each other, are one.
    left_out : list of (pathlib.Path, str)
        Files that can't be read, with the reason.
    """
    headers: list[RasterHeader] = []
    left_out: list[tuple[Path, str]] = []
    for path in paths:
        try:
            headers.append(read_header(path))
        except InputError as error:
            left_out.append((path, str(error).removeprefix(f"{path.name} ").rstrip(".")))
    # the sources of a virtual mosaic are part of it
    parts = {part.resolve() for header in headers for part in header.files if part != header.path}
    headers = [header for header in headers if header.path.resolve() not in parts]
    return [describe_rasters(group) for group in _groups(headers)], left_out


def describe_raster(path: Path) -> RasterFacts:
    """Describe a single raster.

    Raises
    ------
    InputError
        If it can't be read.
    """
    return describe_rasters([read_header(path)])


def describe_rasters(headers: Sequence[RasterHeader]) -> RasterFacts:
    """Describe a raster, or the tiles of one.

    Raises
    ------
    InputError
        If its cells can't be read.
    """
    first = headers[0]
    bounds = _union(headers)
    scale = metres_per_unit(first.crs, bounds)
    cell_m = None if scale is None else max(abs(first.x_step) * scale[0], abs(first.y_step) * scale[1])
    chosen = np.unique(np.linspace(0, len(headers) - 1, min(TILES_LOOKED_AT, len(headers))).astype(int))
    notes: list[str] = []
    windows: list[FloatArray] = []
    if not first.dtype.startswith("complex"):
        windows = [window for k in chosen for window in _windows(headers[k])]
    heights = np.concatenate([window.ravel() for window in windows]) if windows else np.empty(0)
    known = heights[np.isfinite(heights)]
    unit = ""
    try:
        unit = unit_text(vertical_factor(crs=first.crs, band_unit=first.band_unit, stated_unit="", where=""))
    except UnitsError as error:
        if "contradicts" in str(error):
            notes.append(f"it{str(error).rstrip('.')}")
    filler = _suspected_filler(known)
    if filler is not None:
        windows = [np.where(window == filler, np.nan, window) for window in windows]
        known = known[known != filler]
    return RasterFacts(
        paths=tuple(header.path for header in headers),
        header=first,
        crs_text="" if first.crs is None else describe(first.crs),
        length_unit="" if first.crs is None else length_unit(first.crs)[0],
        cell_m=cell_m,
        height_unit=unit,
        bounds=bounds,
        lonlat_bounds=lonlat_bounds(first.crs, bounds),
        lowest=float(known.min()) if len(known) else None,
        highest=float(known.max()) if len(known) else None,
        missing_frac=1.0 - len(known) / max(len(heights), 1),
        rise_over_run=_median_slope(windows, cell_m),
        filler=filler,
        notes=tuple(notes),
    )


def unit_text(size_m: float) -> str:
    """Name of a height unit as the run file writes it; its size in metres for any other."""
    if size_m == 1.0:
        return "m"
    if abs(size_m - FOOT_M) < 1e-9:
        return "ft"
    return "us-ft" if abs(size_m - FOOT_M) < 1e-6 else f"{size_m:g} m"


def _groups(headers: list[RasterHeader]) -> list[list[RasterHeader]]:
    """Rasters that together are one, each group in order of name."""
    groups: list[list[RasterHeader]] = []
    for header in sorted(headers, key=lambda one: str(one.path)):
        for group in groups:
            if _same_grid(group[0], header) and _fits_beside(group, header):
                group.append(header)
                break
        else:
            groups.append([header])
    return groups


def _fits_beside(group: list[RasterHeader], header: RasterHeader) -> bool:
    """Whether a raster is a further tile: over none of the others, and next to one or named like one."""
    if any(_shared_frac(other, header) > MOST_SHARED for other in group):
        return False
    return any(_stem(other.path) == _stem(header.path) or _abut(other, header) for other in group)


def _same_grid(one: RasterHeader, other: RasterHeader) -> bool:
    """Whether two rasters are alike in system, cell, type, band and unit, and lie in one folder."""
    if one.crs is not None and other.crs is not None:
        same_system = same_crs(one.crs, other.crs)
    else:
        same_system = one.crs is other.crs
    return (
        same_system
        and one.has_place
        and other.has_place
        and (one.n_bands, one.dtype, one.band_unit) == (other.n_bands, other.dtype, other.band_unit)
        and bool(np.isclose((one.x_step, one.y_step), (other.x_step, other.y_step), rtol=CELL_TOLERANCE_REL).all())
        and one.path.parent == other.path.parent
    )


def _stem(path: Path) -> tuple[str, str]:
    """Name without the parts that count tiles, and ending."""
    return (re.sub(r"\d+|(?<![a-z])[a-z]\d|(?<=\d)[nsew](?![a-z])", "#", path.stem.lower()), path.suffix.lower())


def _shared_frac(one: RasterHeader, other: RasterHeader) -> float:
    """Part of the smaller raster that lies over the other."""
    shared = 1.0
    for low, high in ((0, 2), (1, 3)):
        width = min(one.bounds[high] - one.bounds[low], other.bounds[high] - other.bounds[low])
        shared *= max(min(one.bounds[high], other.bounds[high]) - max(one.bounds[low], other.bounds[low]), 0.0) / width
    return shared


def _abut(one: RasterHeader, other: RasterHeader) -> bool:
    """Whether two rasters share an edge, or would but for two cells."""
    reach_x, reach_y = 2.0 * abs(one.x_step), 2.0 * abs(one.y_step)
    over_x = min(one.bounds[2], other.bounds[2]) - max(one.bounds[0], other.bounds[0])
    over_y = min(one.bounds[3], other.bounds[3]) - max(one.bounds[1], other.bounds[1])
    return over_x > -reach_x and over_y > -reach_y and (over_x > reach_x or over_y > reach_y)


def _union(headers: Sequence[RasterHeader]) -> tuple[float, float, float, float]:
    boxes = np.array([header.bounds for header in headers])
    west, south = boxes[:, :2].min(axis=0)
    east, north = boxes[:, 2:].max(axis=0)
    return float(west), float(south), float(east), float(north)


def _windows(header: RasterHeader) -> list[FloatArray]:
    """Heights in a few windows of a raster, in its own unit."""
    return [read_heights(header, (), rows, cols) for rows in _ranges(header.height) for cols in _ranges(header.width)]


def _ranges(size: int) -> list[tuple[int, int]]:
    if size <= WINDOWS * WINDOW_CELLS:
        return [(0, size)]
    starts = np.linspace(0, size - WINDOW_CELLS, WINDOWS).astype(int)
    return [(int(start), int(start) + WINDOW_CELLS) for start in starts]


def _median_slope(windows: list[FloatArray], cell_m: float | None) -> float | None:
    """Median rise over run, were the heights metres; level ground (water) left out."""
    if cell_m is None:
        return None
    slopes = []
    for window in windows:
        if min(window.shape) >= 2:
            per_row, per_col = np.gradient(window, cell_m)
            slope = np.hypot(per_row, per_col)
            slopes.append(slope[np.isfinite(slope) & (slope > 0.0)])
    both = np.concatenate(slopes) if slopes else np.empty(0)
    return float(np.median(both)) if len(both) else None


def _suspected_filler(known: FloatArray) -> float | None:
    """Find a value that no ground has, or a usual filler far from every other height."""
    if not len(known):
        return None
    for value in (float(known.min()), float(known.max())):
        rest = known[known != value]
        if not len(rest):
            continue
        # in feet the limits are wider; a run looks again with the unit known
        if value < LOWEST_GROUND_M / FOOT_M or value > HIGHEST_GROUND_M / FOOT_M:
            return value
        is_usual = value in FILLERS and (len(known) - len(rest)) / len(known) >= CLEAR_SHARE
        spread = float(np.ptp(np.percentile(rest, (1.0, 99.0))))
        if is_usual and float(np.abs(rest - value).min()) > max(CLEAR_GAP_M / FOOT_M, spread):
            return value
    return None
