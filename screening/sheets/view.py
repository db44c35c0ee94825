"""What a plan shows and how large: round scales, the part of the lot that fits, the length of the scale bar."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening.units import FOOT_M, INCH_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

POINT_M: Final = INCH_M / 72.0
"""Typographic point of PDF: 1/72 inch. [m]"""

# One to so many, as drawing offices use them; in feet an inch stands for so many feet.
_METRIC_SCALES: Final = (100, 125, 150, 200, 250, 300, 400, 500, 600, 750, 1000, 1250, 1500, 2000, 2500, 4000, 5000)
_FEET_TO_THE_INCH: Final = (8, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200, 300, 400, 500)
# A plan of the whole lot at a smaller scale than this is no use with a tape in the hand.
_SMALLEST_WHOLE: Final = 600.0
# The overflow is followed this far beyond the lot; streets and neighbours are seen so far as well.
_BEYOND_M: Final = 6.0
_MARGIN_M: Final = 1.0
_CLOSE_M: Final = 5.0
_BAR_FRAC: Final = 0.28


@dataclass(frozen=True, slots=True)
class View:
    """A part of the ground on a part of the page.

    Attributes
    ----------
    west_m, south_m : float
        Its lower left corner on the ground.
    wide_m, tall_m : float
        Its extent on the ground.
    scale : float
        Lengths on the ground over lengths on paper.
    scale_text : str
        The same as people say it.
    is_whole : bool
        Whether the whole lot is in it.
    """

    west_m: float
    south_m: float
    wide_m: float
    tall_m: float
    scale: float
    scale_text: str
    is_whole: bool

    @property
    def points_per_m(self) -> float:
        """Points on paper for a metre on the ground."""
        return 1.0 / (self.scale * POINT_M)

    @property
    def box(self) -> Any:
        """The ground that is seen, as a shapely Polygon."""
        return shapely.box(self.west_m, self.south_m, self.west_m + self.wide_m, self.south_m + self.tall_m)


def scale_text(scale: float, *, is_us: bool) -> str:
    """Say a scale: 1 : 250, or 1 in = 20 ft."""
    if is_us:
        return f"1 in = {scale * INCH_M / FOOT_M:,.0f} ft"
    return f"1 : {scale:,.0f}"


def round_scale(wide_m: float, tall_m: float, width_pt: float, height_pt: float, *, is_us: bool) -> float:
    """Return the largest round scale at which some ground fits on some paper.

    Parameters
    ----------
    wide_m, tall_m : float
        The ground. [m]
    width_pt, height_pt : float
        The paper. [pt]
    is_us : bool
        Whether scales are feet to the inch.
    """
    least = max(wide_m / (width_pt * POINT_M), tall_m / (height_pt * POINT_M))
    scales = [feet * FOOT_M / INCH_M for feet in _FEET_TO_THE_INCH] if is_us else [float(n) for n in _METRIC_SCALES]
    for scale in scales:
        if scale >= least * (1.0 - 1e-12):
            return scale
    # Beyond the list: whole thousands.
    unit = 100 * FOOT_M / INCH_M if is_us else 1000.0
    return math.ceil(least / unit) * unit


def choose_view(
    lot: Any, close: Sequence[Any], paths: Sequence[Any], width_pt: float, height_pt: float, *, is_us: bool
) -> View:
    """Choose what a plan shows.

    Parameters
    ----------
    lot : shapely geometry
        [m]
    close : sequence of shapely geometries
        What has to be seen large: gardens, runs, the corners that tapes start from.
    paths : sequence of shapely geometries
        Ways of the overflow, followed a little beyond the lot.
    width_pt, height_pt : float
        The paper. [pt]
    is_us : bool
        Whether the scale is feet to the inch.

    Returns
    -------
    View
        The whole lot, or where that would be too small the surroundings of `close`.
    """
    near = lot.buffer(_BEYOND_M, quad_segs=2)
    seen = shapely.total_bounds(np.array([lot, *(near.intersection(path) for path in paths)], dtype=object))
    west, south, east, north = seen + np.array([-1.0, -1.0, 1.0, 1.0]) * _MARGIN_M
    scale = round_scale(east - west, north - south, width_pt, height_pt, is_us=is_us)
    is_whole = scale <= _SMALLEST_WHOLE or not close
    if not is_whole:
        bounds = shapely.total_bounds(np.array(list(close), dtype=object))
        west, south, east, north = bounds + np.array([-1.0, -1.0, 1.0, 1.0]) * _CLOSE_M
        scale = round_scale(east - west, north - south, width_pt, height_pt, is_us=is_us)
    wide_m, tall_m = width_pt * POINT_M * scale, height_pt * POINT_M * scale
    return View(
        west_m=0.5 * (west + east - wide_m),
        south_m=0.5 * (south + north - tall_m),
        wide_m=wide_m,
        tall_m=tall_m,
        scale=scale,
        scale_text=scale_text(scale, is_us=is_us),
        is_whole=is_whole,
    )


def bar_length(wide_m: float, *, unit_m: float) -> float:
    """Return a round length for a scale bar, at most about a quarter of what is seen.

    Parameters
    ----------
    wide_m : float
        Width of what is seen. [m]
    unit_m : float
        The unit in which the length is round. [m]

    Returns
    -------
    float
        1, 2, 5, 10, 20, ... of that unit.
    """
    longest = _BAR_FRAC * wide_m / unit_m
    power = 10.0 ** math.floor(math.log10(longest))
    return max(step * power for step in (1, 2, 5) if step * power <= longest)
