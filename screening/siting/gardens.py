"""The gardens of a tile: rectangles first, beds of free form where they do clearly better."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from screening.kernels import city as kernel
from screening.kernels import flow, placement
from screening.kernels.beds import worth_a_trial
from screening.siting.beds import Bed, best_beds
from screening.siting.search import Lots, Placed, SitingRules, city_of, place_gardens

if TYPE_CHECKING:
    from screening.kernels.ground import Ground, TownYield
    from screening.params import SitingParams
    from screening.siting.search import FloatArray, IntArray

ObjectArray = npt.NDArray[Any]

SMALL_FRAC = 0.5
"""A rectangle with less than this part of its wanted area is worth the trial of a free form (program default)."""


class Gardens(NamedTuple):
    """Proposed gardens, sorted by home, the first garden of a home first; arrays are (n,) where nothing else is said.

    Attributes
    ----------
    home : int array
        Row of the home.
    geometry : array of polygons
        Working coordinates [m].
    is_free : bool array
    length_m, width_m, angle_rad : array
        Long and short side [m], direction of the long side [rad, counter-clockwise from east].
    slope_pct, elev_m : array
    band : int array
        Slope band.
    end : int array
        End of the overflow, a code of `screening.kernels.flow`.
    target_m2 : array
        Area the sizing method asks for [m2].
    path : array of (k, 2) arrays
        Way of the overflow [m].
    spout_garden : (spouts,) int array
        Garden of each downspout; -1: none.
    run_end : (spouts, 2) array
        End of each served downspout's run [m].
    run_m, fall_m : (spouts,) array
    """

    home: IntArray
    geometry: ObjectArray
    is_free: npt.NDArray[np.bool_]
    length_m: FloatArray
    width_m: FloatArray
    angle_rad: FloatArray
    slope_pct: FloatArray
    elev_m: FloatArray
    band: IntArray
    end: IntArray
    target_m2: FloatArray
    path: ObjectArray
    spout_garden: IntArray
    run_end: FloatArray
    run_m: FloatArray
    fall_m: FloatArray

    def pick(self, rows: IntArray) -> Gardens:
        """Some of the gardens; downspouts of the others go unserved."""
        new_row = np.full(len(self.home) + 1, -1, dtype=np.int64)
        new_row[rows] = np.arange(len(rows))
        fewer = {name: getattr(self, name)[rows] for name in self._fields[:12]}
        return self._replace(spout_garden=new_row[self.spout_garden], **fewer)


def find_gardens(
    homes: Lots,
    building_edges: tuple[FloatArray, IntArray],
    ground: Ground,
    how: SitingRules,
    gain: TownYield,
    params: SitingParams,
) -> Gardens:
    """Place gardens for homes.

    Parameters
    ----------
    homes : Lots
    building_edges : (edges, first)
        Edges of all footprints.
    ground, how, gain
        As in `screening.siting.search.place_gardens`.
    params : SitingParams
        Whether and when beds of free form are tried.
    """
    city = city_of(homes, building_edges)
    placed = place_gardens(city, ground, how, gain, is_thorough=True)
    beds = _find_beds(homes, city, ground, how, gain, placed, params) if params.free_form else {}
    return _assemble(homes, placed, beds)


def _find_beds(
    homes: Lots,
    city: kernel.City,
    ground: Ground,
    how: SitingRules,
    gain: TownYield,
    placed: Placed,
    params: SitingParams,
) -> dict[int, Bed]:
    """Beds of free form for the homes where no rectangle has room for the wanted area, and a bed keeps more."""
    row = placed.rows[:, 0]
    area = row[:, placement.LENGTH] * row[:, placement.WIDTH]
    found = row[:, placement.FOUND] == 1.0
    small = ~found | (area < SMALL_FRAC * row[:, placement.TARGET])
    small &= shapely.area(homes.open_ground) >= np.maximum(how.rules.min_area_m2, 1.2 * np.where(found, area, 0.0))
    small &= np.diff(homes.spouts_first) > 0
    rows = np.flatnonzero(small)
    rows = rows[worth_a_trial(city, ground, how.rules, rows, 2.0 * how.step_m)]
    # a bed stands in for all rectangles of its home
    kept = placed.rows[:, :, placement.VOLUME].sum(axis=1)
    floor = np.where(found, kept * (1.0 + params.free_form_gain_frac), 0.0)[rows]
    beds = best_beds(city, ground, how.rules, gain, homes.open_ground, rows, floor)
    clean = row[:, placement.END].astype(np.int64)
    return {i: bed for i, bed in beds.items() if not (found[i] and _is_worse(bed.end, int(clean[i])))}


def _is_worse(end: int, other: int) -> bool:
    """Whether a bed's overflow troubles a neighbour while the rectangle's does not."""
    bad = (flow.NEIGHBOUR_LOT, flow.OFF_ELEVATION)
    return end in bad and other not in bad


def _assemble(homes: Lots, placed: Placed, beds: dict[int, Bed]) -> Gardens:
    """One row per garden from the search's results and the beds that replace them."""
    use = placed.rows[:, :, placement.FOUND] == 1.0
    for i in beds:
        use[i] = False
        use[i, 0] = True
    home, turn = np.nonzero(use)
    n = len(home)
    row = placed.rows[home, turn]
    origin = homes.origin[home]
    ux, uy = np.cos(row[:, placement.ANGLE]), np.sin(row[:, placement.ANGLE])
    hl, hw = 0.5 * row[:, placement.LENGTH], 0.5 * row[:, placement.WIDTH]
    corners = []
    for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)):
        x = origin[:, 0] + row[:, placement.CX] + a * hl * ux - b * hw * uy
        y = origin[:, 1] + row[:, placement.CY] + a * hl * uy + b * hw * ux
        corners.append(np.column_stack([x, y]))
    rings = np.stack(corners, axis=1)
    is_bed = np.array([h in beds for h in home], dtype=bool)
    rings[is_bed] = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (0.0, 0.0)]
    geometry = shapely.polygons(rings) if n else np.empty(0, dtype=object)
    path = np.empty(n, dtype=object)
    for g in range(n):
        points = int(placed.path_points[home[g], turn[g]])
        path[g] = placed.paths[home[g], turn[g], :points] + origin[g]
    length = row[:, placement.LENGTH].copy()
    width = row[:, placement.WIDTH].copy()
    angle = row[:, placement.ANGLE].copy()
    slope = placed.ground[home, turn, 0]
    elev = placed.ground[home, turn, 1]
    band = row[:, placement.BAND].astype(np.int64)
    end = row[:, placement.END].astype(np.int64)
    target = row[:, placement.TARGET].copy()

    spout_home = np.repeat(np.arange(len(homes.lot)), np.diff(homes.spouts_first))
    garden_of = np.full((len(homes.lot), placed.rows.shape[1] + 1), -1, dtype=np.int64)
    garden_of[home, turn] = np.arange(n)
    spout_garden = garden_of[spout_home, placed.runs[:, 0].astype(np.int64)]
    run_end = placed.runs[:, 1:3] + homes.origin[spout_home]
    run_m, fall_m = placed.runs[:, 3].copy(), placed.runs[:, 4].copy()
    for g in np.flatnonzero(is_bed).tolist():
        bed = beds[int(home[g])]
        x, y = origin[g]
        geometry[g] = shapely.transform(bed.geometry, lambda xy, x=x, y=y: xy + np.array([x, y]))
        box = shapely.get_coordinates(shapely.oriented_envelope(geometry[g]))
        sides = np.diff(box[:3], axis=0)
        lengths = np.hypot(sides[:, 0], sides[:, 1])
        long = int(np.argmax(np.round(lengths, 6)))
        length[g] = lengths[long]
        circle = shapely.maximum_inscribed_circle(geometry[g], tolerance=0.01)
        width[g] = 2.0 * shapely.length(circle)
        angle[g] = np.arctan2(sides[long, 1], sides[long, 0])
        slope[g], elev[g], band[g], end[g], target[g] = bed.slope_pct, bed.elev_m, bed.band, bed.end, bed.target_m2
        path[g] = bed.path + origin[g]
        spouts = np.arange(homes.spouts_first[home[g]], homes.spouts_first[home[g] + 1])
        spout_garden[spouts] = np.where(bed.runs[:, 0] == 1.0, g, -1)
        run_end[spouts] = bed.runs[:, 1:3] + origin[g]
        run_m[spouts] = bed.runs[:, 3]
        fall_m[spouts] = bed.runs[:, 4]
    return Gardens(
        home.astype(np.int64),
        geometry,
        is_bed,
        length,
        width,
        angle,
        slope,
        elev,
        band,
        end,
        target,
        path,
        spout_garden,
        run_end,
        run_m,
        fall_m,
    )
