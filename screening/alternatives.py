"""What could stand in for a garden where none fits: a barrel, a permeable strip, a discharge onto the lawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from screening.units import MM_PER_M

if TYPE_CHECKING:
    from screening.params import BarrelParams

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ObjectArray = npt.NDArray[Any]

CODES: Final = ("lawn_discharge", "permeable_strip", "barrel")
"""Codes in the order in which equals are preferred: what costs a household least comes first."""

NONE: Final = "none"

SAME_FRAC: Final = 1e-9


class Keeps(Protocol):
    """What ground keeps of the runoff that roofs send onto it: the run's own water balance."""

    def __call__(self, rows: IntArray, area_ratio: FloatArray, depth_mm: float) -> FloatArray:
        """Part of the yearly runoff kept, (k,).

        Parameters
        ----------
        rows : (k,) int array
            Which homes: their soil is the caller's business.
        area_ratio : (k,) array
            Wetted ground over roof area.
        depth_mm : float
            Water that can stand on or in the ground [mm].
        """


class BarrelKeeps(Protocol):
    """What barrels keep: `screening.barrels.BarrelCurve`."""

    def kept(self, depth_mm: FloatArray) -> FloatArray:
        """Part of the yearly runoff kept by barrels of a volume over their roof [mm]."""


class Homes(NamedTuple):
    """Homes without a garden; fields are (n,) where nothing else is said.

    Attributes
    ----------
    open_ground_m2 : array
        Ground on which the distance rules allow a garden [m2].
    slope_pct : array
        Slope of the ground around the house [%]; NaN where unknown.
    falls_toward_house : bool array
        Whether that ground falls toward the house.
    spout_home : (spouts,) int array
        Home of each downspout.
    spout_roof_m2 : (spouts,) array
        Connected roof of each downspout [m2].
    barrel_l : (spouts,) array
        Volume of the barrels that may stand below it [L].
    """

    open_ground_m2: FloatArray
    slope_pct: FloatArray
    falls_toward_house: BoolArray
    spout_home: IntArray
    spout_roof_m2: FloatArray
    barrel_l: FloatArray


class Setbacks(NamedTuple):
    """Distances that the open ground keeps in any case.

    Attributes
    ----------
    foundation_m : (n,) array
        From buildings [m].
    lot_line_m : float
        From lot lines [m].
    retaining_wall_m : float or None
        From retaining walls [m]; None where no layer shows any.
    """

    foundation_m: FloatArray
    lot_line_m: float
    retaining_wall_m: float | None


class Alternatives(NamedTuple):
    """What each alternative would divert, and the one to look at; fields are (n,).

    Attributes
    ----------
    code : array of str
        "lawn_discharge", "permeable_strip", "barrel" or "none".
    diverted_m3_y : array
        What that one diverts in a mean year [m3/y]; NaN for "none".
    lawn_m3_y, strip_m3_y, barrel_m3_y : array
        What each would divert [m3/y]; NaN where map data speak against it.
    """

    code: ObjectArray
    diverted_m3_y: FloatArray
    lawn_m3_y: FloatArray
    strip_m3_y: FloatArray
    barrel_m3_y: FloatArray


def find_alternatives(
    homes: Homes, setbacks: Setbacks, runoff_mm_y: float, keeps: Keeps, barrel: BarrelKeeps, params: BarrelParams
) -> Alternatives:
    """Look for what could stand in for a garden.

    Parameters
    ----------
    homes : Homes
    setbacks : Setbacks
    runoff_mm_y : float
        Runoff of a roof in a mean year [mm].
    keeps : Keeps
        Part of the runoff that ground keeps.
    barrel : BarrelKeeps
        Part that barrels keep.
    params : BarrelParams

    Notes
    -----
    A strip is as large as the open ground allows, up to ``strip_area_m2``. A discharge wets a tenth of the roof's area
    and no more, for water runs over a lawn in a plume. Both take the whole roof. The one that diverts most is the one
    to look at; of equals the one that costs least.
    """
    n = len(homes.open_ground_m2)
    roof = np.bincount(homes.spout_home, weights=homes.spout_roof_m2, minlength=n).astype(float)
    volume = runoff_mm_y / MM_PER_M * roof

    def kept_by(may: BoolArray, area_m2: FloatArray, depth_mm: float) -> FloatArray:
        """Volume that ground keeps where it may be used."""
        out = np.full(n, np.nan)
        rows = np.flatnonzero(may & (roof > 0.0) & (area_m2 > 0.0))
        out[rows] = volume[rows] * keeps(rows, area_m2[rows] / roof[rows], depth_mm)
        return out

    strip_area: FloatArray = np.minimum(homes.open_ground_m2, params.strip_area_m2)
    lawn = kept_by(
        may_discharge(homes, setbacks, roof, params), params.lawn_area_per_roof * roof, params.lawn_storage_mm
    )
    strip = kept_by(
        (homes.slope_pct <= params.strip_max_slope_pct) & ~homes.falls_toward_house, strip_area, params.strip_storage_mm
    )
    figures = np.array([lawn, strip, _kept_by_barrels(homes, n, runoff_mm_y, barrel)])
    known = np.nan_to_num(figures, nan=-1.0)
    # the first of equals: whatever comes within a billionth of the best counts as equal
    best = np.argmax(known >= known.max(axis=0) * (1.0 - SAME_FRAC), axis=0) if n else np.empty(0, dtype=np.int64)
    most = known[best, np.arange(n)]
    code = np.where(most > 0.0, np.array(CODES, dtype=object)[best], NONE).astype(object)
    return Alternatives(code, np.where(most > 0.0, most, np.nan), *figures)


def may_discharge(homes: Homes, setbacks: Setbacks, roof_m2: FloatArray, params: BarrelParams) -> BoolArray:
    """Whether a downspout could be turned onto the lawn of each home, as far as map data tell, (n,).

    Parameters
    ----------
    homes : Homes
    setbacks : Setbacks
    roof_m2 : (n,) array
        Roof of each home [m2].
    params : BarrelParams

    Notes
    -----
    The lawn is the open ground of the gardens' rules. Where these keep less distance than a discharge needs, nobody
    knows how much of it would do, and no discharge is proposed.
    """
    n = len(homes.open_ground_m2)
    largest = np.zeros(n)
    np.maximum.at(largest, homes.spout_home, homes.spout_roof_m2)
    # distances of the rules are feet rounded to centimetres, and so are these
    far_enough = setbacks.foundation_m >= params.lawn_wall_m - 0.005
    if setbacks.lot_line_m < params.lawn_lot_line_m - 0.005:
        far_enough = np.zeros(n, dtype=bool)
    if setbacks.retaining_wall_m is not None and setbacks.retaining_wall_m < params.lawn_retaining_wall_m - 0.005:
        far_enough = np.zeros(n, dtype=bool)
    slope_fits = (homes.slope_pct >= params.lawn_min_slope_pct) & (homes.slope_pct <= params.lawn_max_slope_pct)
    has_room = homes.open_ground_m2 >= params.lawn_area_per_roof * roof_m2
    return np.asarray(
        far_enough & slope_fits & has_room & (largest <= params.lawn_max_roof_m2) & ~homes.falls_toward_house
    )


def _kept_by_barrels(homes: Homes, n: int, runoff_mm_y: float, barrel: BarrelKeeps) -> FloatArray:
    """Volume that a home's barrels keep in a mean year [m3/y], (n,); NaN where there is none to stand anywhere."""
    roof = homes.spout_roof_m2
    some = (roof > 0.0) & (homes.barrel_l > 0.0)
    # a litre on a square metre is a millimetre
    kept = barrel.kept(homes.barrel_l[some] / roof[some])
    home = homes.spout_home[some]
    total = np.bincount(home, weights=runoff_mm_y / MM_PER_M * roof[some] * kept, minlength=n)
    return np.where(np.bincount(home, minlength=n) > 0, total, np.nan)
