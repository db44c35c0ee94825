"""Two tapes to every peg: the house corners to measure from, and the lengths that set a garden out on the ground.

Two circles around two corners meet in two points, mirrored by the line through the corners; the plan shows which one is
meant. Where no two corners see a whole garden well a third one helps, and each peg has its two.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening.units import INCH_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

MOST_PEGS: Final = 8
"""Pegs of a bed of free form at most; a rectangle has four."""

# A vertex of an outline is a corner of a house, and not a bend of a wall, from this turn on.
_LEAST_TURN_SIN: Final = math.sin(math.radians(25.0))
_LEAST_SIDE_M: Final = 0.4
# Vertices no farther than this from a straight wall are bends of it.
_BEND_M: Final = 0.2
_MOST_CORNERS: Final = 16
# Closer corners can't be told by two tapes.
_LEAST_BASE_M: Final = 1.5
# A tape along a wall touches it.
_TOUCH_M: Final = 0.02
# With lengths read to half a centimetre pegs then lie within one.
_GOOD_STRENGTH: Final = 0.5
# Below this a third corner is worth the trouble; what is weaker still is not measured at all.
_FAIR_STRENGTH: Final = 0.35
_LEAST_STRENGTH: Final = 0.1
_LEAST_PEGS: Final = 4
_WORTH_A_PEG_M2: Final = 0.05


@dataclass(frozen=True, slots=True)
class Tapes:
    """How the pegs of one garden are found.

    Attributes
    ----------
    corners_m : ndarray, shape (c, 2)
        Two or three house corners.
    pegs_m : ndarray, shape (n, 2)
        The pegs, clockwise.
    lengths_m : ndarray, shape (n, c)
        From each corner to each peg; two in a row, where there is a third corner the other is not a number.
    strength : float
        How well the tapes cross at the worst peg: an error ``e`` in both lengths moves the peg by at most
        ``e / strength``. [unitless]
    """

    corners_m: FloatArray
    pegs_m: FloatArray
    lengths_m: FloatArray
    strength: float


def pegs_of(garden: Any, *, is_free: bool) -> FloatArray:
    """Return where pegs go: the corners of a rectangle, or of the simplest outline that is much like a free bed.

    Parameters
    ----------
    garden : shapely Polygon
        [m]
    is_free : bool
        Whether it is a bed of free form.

    Returns
    -------
    ndarray, shape (n, 2)
        Clockwise, without the first again. [m]

    Notes
    -----
    Of a free bed the vertex goes first that takes the smallest triangle with it (M. Visvalingam and J. D. Whyatt, Line
    generalisation by repeated elimination of points, Cartographic Journal 30(1), 1993), until eight are left, and on
    while that triangle is smaller than a spade cares about.
    """
    ring = np.asarray(garden.exterior.coords, dtype=float)[:-1, :2]
    if shapely.is_ccw(garden.exterior):
        ring = ring[::-1].copy()
    while is_free and len(ring) > _LEAST_PEGS:
        before, after = np.roll(ring, 1, axis=0) - ring, np.roll(ring, -1, axis=0) - ring
        off_m2 = 0.5 * np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])
        least = int(np.argmin(off_m2))
        if len(ring) <= MOST_PEGS and off_m2[least] > _WORTH_A_PEG_M2:
            break
        ring = np.delete(ring, least, axis=0)
    return ring


def house_corners(house: Any) -> FloatArray:
    """Return the corners of a house that stick out, where a tape can be held.

    Parameters
    ----------
    house : shapely Polygon or MultiPolygon
        Its outline. [m]

    Returns
    -------
    ndarray, shape (n, 2)
        [m]
    """
    found = []
    for part in shapely.get_parts(shapely.simplify(house, _BEND_M)):
        ring = np.asarray(part.exterior.coords, dtype=float)[:-1, :2]
        if not shapely.is_ccw(part.exterior):
            ring = ring[::-1]
        before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
        long_before, long_after = np.hypot(*before.T), np.hypot(*after.T)
        turn = (before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]) / np.maximum(long_before * long_after, 1e-12)
        sides = np.minimum(long_before, long_after)
        found.append(ring[(turn > _LEAST_TURN_SIN) & (sides > _LEAST_SIDE_M)])
    return np.concatenate(found) if found else np.empty((0, 2))


def insides(buildings: Sequence[Any]) -> Any:
    """Return what a tape cannot cross: buildings less a little along their walls, for a tape may touch those.

    Parameters
    ----------
    buildings : sequence of shapely geometries
        [m]

    Returns
    -------
    ndarray of shapely geometries
        Prepared. [m]
    """
    shrunk = shapely.buffer(np.array(list(buildings), dtype=object), -_TOUCH_M, join_style="mitre")
    shapely.prepare(shrunk)
    return shrunk


def find_tapes(house: Any, pegs_m: FloatArray, obstacles: Any) -> Tapes | None:
    """Choose the corners from which the pegs of a garden are found best.

    Parameters
    ----------
    house : shapely Polygon or MultiPolygon
        [m]
    pegs_m : ndarray, shape (n, 2)
        From `pegs_of`.
    obstacles : ndarray of shapely geometries
        From `insides`, of all buildings around, the house among them.

    Returns
    -------
    Tapes or None
        None where the corners of the house don't see every peg.

    Notes
    -----
    Among corners with a strength of at least 0.5 the longest tape is kept short; where there are none, the strength is
    made as large as it can be. Tapes whose angle at a peg is a have the strength ``min(sin(a / 2), cos(a / 2))``: the
    shift d of a peg obeys ``u . d = e1`` and ``v . d = e2`` with the unit vectors u and v along the tapes, and is
    longest where the errors are both at their limit.
    """
    corners = house_corners(house)
    away = np.hypot(*(corners - pegs_m.mean(axis=0)).T)
    corners = corners[np.argsort(away, kind="stable")[:_MOST_CORNERS]]
    if len(corners) < 2:
        return None
    lengths = np.hypot(*(pegs_m[None] - corners[:, None]).transpose(2, 0, 1))
    first, second = np.array(list(itertools.combinations(range(len(corners)), 2))).T
    strengths = _strengths(corners, pegs_m, lengths, _is_seen(corners, pegs_m, obstacles), first, second)
    longest = np.maximum(lengths[first], lengths[second]).max(axis=1)
    worst = strengths.min(axis=1)
    # shortest among the good ones, strongest among the others
    pair = int(np.lexsort((longest, -np.minimum(worst, _GOOD_STRENGTH)))[0])
    if worst[pair] >= _FAIR_STRENGTH or len(corners) == 2:
        return _with_two(corners, pegs_m, lengths, (int(first[pair]), int(second[pair])), float(worst[pair]))
    third = _with_three(corners, pegs_m, lengths, strengths)
    if third is not None and third.strength > worst[pair]:
        return third
    return _with_two(corners, pegs_m, lengths, (int(first[pair]), int(second[pair])), float(worst[pair]))


def _strengths(
    corners: FloatArray, pegs_m: FloatArray, lengths: FloatArray, is_seen: Any, first: Any, second: Any
) -> FloatArray:
    """Strength of every pair of corners at every peg; 0 where one of them doesn't see the peg."""
    along = (pegs_m[None] - corners[:, None]) / np.maximum(lengths, 1e-9)[..., None]
    half = 0.5 * np.arccos(np.clip((along[first] * along[second]).sum(axis=2), -1.0, 1.0))
    base = np.hypot(*(corners[second] - corners[first]).T)
    possible = is_seen[first] & is_seen[second] & (base >= _LEAST_BASE_M)[:, None]
    return np.asarray(np.where(possible, np.minimum(np.sin(half), np.cos(half)), 0.0))


def _with_two(
    corners: FloatArray, pegs_m: FloatArray, lengths: FloatArray, pair: tuple[int, int], strength: float
) -> Tapes | None:
    if strength < _LEAST_STRENGTH:
        return None
    one, other = pair
    base, aside = corners[other] - corners[one], pegs_m.mean(axis=0) - corners[one]
    # The garden is to the left of the way from the first to the second.
    if base[0] * aside[1] - base[1] * aside[0] < 0.0:
        one, other = other, one
    return Tapes(corners[[one, other]], pegs_m, lengths[[one, other]].T, strength)


def _with_three(corners: FloatArray, pegs_m: FloatArray, lengths: FloatArray, strengths: FloatArray) -> Tapes | None:
    """Three corners, of which each peg takes the two that cross best."""
    n_corners = len(corners)
    number = np.zeros((n_corners, n_corners), dtype=int)
    number[np.triu_indices(n_corners, 1)] = np.arange(len(strengths))
    triples = np.array(list(itertools.combinations(range(n_corners), 3)))
    sides = np.stack([number[triples[:, i], triples[:, j]] for i, j in ((0, 1), (0, 2), (1, 2))], axis=1)
    by_side = strengths[sides]
    worst = by_side.max(axis=1).min(axis=1)
    best = int(np.argmax(worst))
    if worst[best] < _LEAST_STRENGTH:
        return None
    taken = lengths[triples[best]].T.copy()
    # the corner that a side leaves out
    taken[np.arange(len(pegs_m)), 2 - by_side[best].argmax(axis=0)] = np.nan
    return Tapes(corners[triples[best]], pegs_m, taken, float(worst[best]))


def _is_seen(corners: FloatArray, pegs_m: FloatArray, obstacles: Any) -> Any:
    """Whether a straight line from a corner to a peg crosses no building, shape (corners, pegs)."""
    n_corners, n_pegs = len(corners), len(pegs_m)
    ends = np.empty((n_corners, n_pegs, 2, 2))
    ends[:, :, 0] = corners[:, None]
    ends[:, :, 1] = pegs_m[None]
    lines = shapely.linestrings(ends.reshape(-1, 2, 2))
    is_crossed = np.zeros(len(lines), dtype=bool)
    bounds, reach = shapely.bounds(obstacles), shapely.total_bounds(lines)
    is_near = (bounds[:, :2] <= reach[2:]).all(axis=1) & (bounds[:, 2:] >= reach[:2]).all(axis=1)
    for inside in obstacles[is_near]:
        is_crossed |= shapely.intersects(inside, lines)
    return ~is_crossed.reshape(n_corners, n_pegs)


def locate(one_m: FloatArray, other_m: FloatArray, length_1_m: float, length_2_m: float) -> FloatArray:
    """Find a peg from two tapes: the one to the left of the way from the first to the second corner.

    Parameters
    ----------
    one_m, other_m : ndarray, shape (2,)
        The corners.
    length_1_m, length_2_m : float
        The tapes. [m]

    Returns
    -------
    ndarray, shape (2,)
        [m]

    Examples
    --------
    >>> locate(np.array([0.0, 0.0]), np.array([4.0, 0.0]), 5.0, 3.0)
    array([4., 3.])
    """
    base = other_m - one_m
    base_m = math.hypot(*base)
    along_m = (length_1_m**2 - length_2_m**2 + base_m**2) / (2.0 * base_m)
    off_m = math.sqrt(max(0.0, length_1_m**2 - along_m**2))
    unit = base / base_m
    return np.asarray(one_m + along_m * unit + off_m * np.array([-unit[1], unit[0]]))


_QUARTERS: Final = ("", "¼", "½", "¾")


def tape_text(length_m: float, *, is_us: bool) -> str:
    """Write a length as tapes are marked: metres with centimetres, or feet and inches with quarters.

    Parameters
    ----------
    length_m : float
        [m]
    is_us : bool
        Whether in feet.

    Examples
    --------
    >>> tape_text(3.456, is_us=False), tape_text(3.456, is_us=True)
    ('3.46', '11′ 4″')
    """
    if not is_us:
        return f"{length_m:.2f}"
    quarters = round(4.0 * length_m / INCH_M)
    feet, rest = divmod(quarters, 48)
    return f"{feet}′ {rest // 4}{_QUARTERS[rest % 4]}″"
