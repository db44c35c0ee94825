"""Levels along the seams of a mosaic: rasters of two surveys or units make a step that looks like steep ground."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import shapely

from screening.errors import InputError
from screening.notes import Note
from screening.raster import read_piece, tile_names

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from screening.raster import RasterHeader, RasterPiece

    FloatArray = npt.NDArray[np.float64]

NOTED_STEP_M: Final = 0.10
"""A smaller step is within the error of airborne surveys: the vertical error of a usual one is 0.10 m (root mean
square; USGS Lidar Base Specification, quality level 2, from memory) [m]."""

REFUSED_STEP_M: Final = 0.50
"""A step this high along most of a seam is another datum, unit or place, not a survey's error (program default) [m]."""

ORDINARY_TIMES: Final = 5.0
"""A step counts if it is so many times the ordinary difference from cell to cell beside the seam (program default)."""

DEPTH_CELLS: Final = 6
"""How far from the seam heights are taken; tiles often have an empty frame of a few cells [cells]."""

STRETCHES: Final = 5
STRETCH_CELLS: Final = 200
FEWEST_CELLS: Final = 20
"""A long seam is looked at in so many stretches, each so many cells long; with fewer known cells nothing is said."""


class Step(NamedTuple):
    """What was measured along a seam.

    Attributes
    ----------
    one, other : str
        The rasters.
    median_m : float
        Median step from the first to the second, beyond the slope of the ground [m].
    quarter_m : float
        Least step of the three quarters of the cells that step most in that direction [m].
    ordinary_m : float
        Median difference from cell to cell beside the seam; 0 where the rasters overlap [m].
    """

    one: str
    other: str
    median_m: float
    quarter_m: float
    ordinary_m: float

    @property
    def is_told(self) -> bool:
        """Whether it is worth a note."""
        return abs(self.median_m) > max(NOTED_STEP_M, ORDINARY_TIMES * self.ordinary_m)

    @property
    def is_refused(self) -> bool:
        """Whether the rasters can't serve together."""
        return self.is_told and abs(self.median_m) > REFUSED_STEP_M and self.quarter_m > 0.5 * REFUSED_STEP_M


def check_seams(header: RasterHeader, nodata: tuple[float, ...], z_factor: float) -> tuple[Note, ...]:
    """Compare the levels of neighbouring rasters of a mosaic.

    Parameters
    ----------
    header : RasterHeader
        Nothing is looked at where it is a single raster.
    nodata : tuple of float
        Raw values that stand for missing, beside the declared ones.
    z_factor : float
        Metres in one unit of height.

    Raises
    ------
    InputError
        If two rasters differ by a step that no survey's error makes; both are named.
    """
    if not header.pieces:
        return ()
    steps = list(_steps(header, nodata, z_factor))
    for step in steps:
        if step.is_refused:
            msg = (
                f"along the seam of {step.one} and {step.other} the ground steps by {abs(step.median_m):.2f} m "
                f"({'up' if step.median_m > 0 else 'down'} to the second), which is no ground: one of them is in "
                "another height unit or level, or of another place; bring them to one level, or leave one out."
            )
            raise InputError(msg, code="elevation_tiles_disagree")
    told = [step for step in steps if step.is_told]
    if not told:
        return ()
    worst = max(told, key=lambda step: (abs(step.median_m), step.one, step.other))
    text = (
        f"{header.name}: along {len(told)} of {len(steps)} seams between rasters the ground makes a step of over "
        f"{NOTED_STEP_M:g} m, the highest of {abs(worst.median_m):.2f} m between {worst.one} and {worst.other}; slopes "
        "and flow of the lots there are wrong by it."
    )
    return (Note(text, "elevation_seam", "elevation"),)


def _steps(header: RasterHeader, nodata: tuple[float, ...], z_factor: float) -> Iterator[Step]:
    """Steps of all neighbours of which enough is known, in the order of the rasters."""
    pieces = header.pieces
    names = tile_names([piece.path for piece in pieces])
    edges = np.array([(p.col, p.row, p.col + p.width, p.row + p.height) for p in pieces], dtype=float)
    # half a cell: rasters that share a side touch, whatever rounding does
    boxes = shapely.box(*(edges + np.array([-0.5, -0.5, 0.5, 0.5])).T)
    found = shapely.STRtree(boxes).query(boxes, predicate="intersects").T
    for i, j in sorted((int(i), int(j)) for i, j in found if i < j):
        one, other = pieces[i], pieces[j]
        excess, ordinary = _measure(one, other, nodata)
        if len(excess) < FEWEST_CELLS:
            continue
        excess = excess * z_factor
        median = float(np.median(excess))
        quarter = float(np.percentile(excess * np.sign(median), 25.0))
        slope = float(np.median(ordinary)) * z_factor if len(ordinary) else 0.0
        yield Step(names[i], names[j], median, quarter, slope)


def _measure(one: RasterPiece, other: RasterPiece, nodata: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Steps over the seam of two rasters and ordinary differences beside it [raster's unit]."""
    top, bottom = max(one.row, other.row), min(one.row + one.height, other.row + other.height)
    left, right = max(one.col, other.col), min(one.col + one.width, other.col + other.width)
    if bottom - top > 0 and right - left > 0:
        parts = [
            (_cells(other, r, c, nodata) - _cells(one, r, c, nodata)).ravel()
            for r in _stretches(top, bottom)
            for c in _stretches(left, right)
        ]
        step = np.concatenate(parts)
        return step[np.isfinite(step)], np.empty(0)
    sides: list[tuple[FloatArray, FloatArray]] = []
    if bottom - top > 0:
        first, second = (one, other) if one.col < other.col else (other, one)
        seam = second.col
        for r in _stretches(top, bottom):
            before = _cells(first, r, (max(seam - DEPTH_CELLS, first.col), seam), nodata)
            after = _cells(second, r, (seam, min(seam + DEPTH_CELLS, second.col + second.width)), nodata)
            sides.append((before[:, ::-1], after))
    elif right - left > 0:
        first, second = (one, other) if one.row < other.row else (other, one)
        seam = second.row
        for c in _stretches(left, right):
            before = _cells(first, (max(seam - DEPTH_CELLS, first.row), seam), c, nodata)
            after = _cells(second, (seam, min(seam + DEPTH_CELLS, second.row + second.height)), c, nodata)
            sides.append((before[::-1].T, after.T))
    else:
        return np.empty(0), np.empty(0)
    sign = 1.0 if first is one else -1.0
    measured = [_across(before, after) for before, after in sides]
    return sign * np.concatenate([step for step, _ in measured]), np.concatenate([slope for _, slope in measured])


def _across(before: FloatArray, after: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Steps beyond the slope, and differences from cell to cell.

    Both sides are (n, depth) arrays whose first column lies at the seam.
    """
    if min(before.shape[1], after.shape[1]) < 2:
        return np.empty(0), np.empty(0)
    height, slope, away = [], [], []
    for side in (before, after):
        known = np.isfinite(side)
        both = known[:, :-1] & known[:, 1:]
        there = both.any(axis=1)
        at = np.argmax(both, axis=1)
        row = np.arange(len(side))
        height.append(np.where(there, side[row, at], np.nan))
        # downhill away from the seam is positive on either side
        slope.append(np.where(there, side[row, at] - side[row, at + 1], np.nan))
        away.append(at)
    per_cell = 0.5 * (slope[0] - slope[1])
    cells = away[0] + away[1] + 1
    step = height[1] - height[0] - cells * per_cell
    fine = np.isfinite(step)
    return step[fine], np.concatenate([np.abs(one[fine]) for one in slope])


def _cells(piece: RasterPiece, rows: tuple[int, int], cols: tuple[int, int], nodata: tuple[float, ...]) -> FloatArray:
    """Heights of one raster in a block of the common grid."""
    own = (rows[0] - piece.row, rows[1] - piece.row), (cols[0] - piece.col, cols[1] - piece.col)
    return read_piece(piece, nodata, own[0], own[1])


def _stretches(first: int, last: int) -> list[tuple[int, int]]:
    """Even parts of a range that is too long to be read whole."""
    if last - first <= STRETCHES * STRETCH_CELLS:
        return [(first, last)]
    starts = np.linspace(first, last - STRETCH_CELLS, STRETCHES).astype(int)
    return [(int(start), int(start) + STRETCH_CELLS) for start in starts]
