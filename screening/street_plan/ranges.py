"""Low, likely and high of some of a street's homes, from the homes' own ranges and that of the whole street."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class Volumes(NamedTuple):
    """What homes divert a year, (n,) arrays.

    Attributes
    ----------
    low, likely, high : array
        10, 50 and 90 % points [m3/y].
    """

    low: FloatArray
    likely: FloatArray
    high: FloatArray


class Range(NamedTuple):
    """What several homes divert a year together: 10, 50 and 90 % points [m3/y]."""

    low: float
    likely: float
    high: float


def shared_frac(spread: FloatArray, spread_of_sum: float) -> float:
    """Part of the homes' variance that they share, from how far their sum spreads.

    Parameters
    ----------
    spread : (n,) array
        Spread of each home, in any one measure of it.
    spread_of_sum : float
        Spread of their sum in the same measure.

    Returns
    -------
    float
        r of s^2 = r (sum of s_i)^2 + (1 - r) (sum of s_i^2); between 0 and 1. 1 where it cannot be told.
    """
    together, apart = float(spread.sum() ** 2), float((spread**2).sum())
    if together - apart <= 1e-12 * together:
        return 1.0
    return float(np.clip((spread_of_sum**2 - apart) / (together - apart), 0.0, 1.0))


def range_of(homes: Volumes, street: Range | None, rows: IntArray) -> Range:
    """Sum over some homes of a street.

    Parameters
    ----------
    homes : Volumes
        All homes of the street.
    street : Range or None
        Sum over all of them as the run computed it; None where it is not known.
    rows : (k,) int array
        Homes to sum over.

    Notes
    -----
    Shared causes (rain, soil tables) move all homes together, others each home by itself: ends of homes don't add
    up. How much they share is read from the street's own range (`shared_frac`), once below and once above the likely
    value, and used for the part. All homes of the street get exactly the street's range, one home exactly its own but
    for the ratio below. Without a street's range the ends are added, as if all homes moved together: never narrower.

    Medians don't add up exactly either, so likely values are in the ratio of the street's to the sum of its homes'.
    """
    total = float(homes.likely.sum())
    ratio = 1.0 if street is None or total <= 0.0 else street.likely / total
    likely = ratio * float(homes.likely[rows].sum())
    ends = []
    for of_home, of_street, sign in (
        (homes.low, None if street is None else street.low, -1.0),
        (homes.high, None if street is None else street.high, 1.0),
    ):
        spread = np.maximum(sign * (of_home - homes.likely), 0.0)
        if street is None or of_street is None:
            ends.append(likely + sign * float(spread[rows].sum()))
            continue
        whole = max(sign * (of_street - street.likely), 0.0)
        frac = shared_frac(spread, whole)
        as_told = _spread_of_sum(spread, frac)
        # where the part is out of reach (clipped) the whole street still gets its own range
        scale = whole / as_told if as_told > 0.0 else 0.0
        ends.append(likely + sign * scale * _spread_of_sum(spread[rows], frac))
    return Range(max(ends[0], 0.0), likely, ends[1])


def _spread_of_sum(spread: FloatArray, frac: float) -> float:
    return float(np.sqrt(frac * spread.sum() ** 2 + (1.0 - frac) * (spread**2).sum()))


def widest(parts: list[Range]) -> Range:
    """Add up streets as if all had their good and their bad years together: the widest that the sum can be.

    Notes
    -----
    The standard deviation of a sum is never more than the sum of the standard deviations. Of 10 and 90 % points that
    is so as far as the distributions are alike in shape; for streets, each of them a sum of many homes under the same
    rain, they are.
    """
    return Range(sum(part.low for part in parts), sum(part.likely for part in parts), sum(part.high for part in parts))
