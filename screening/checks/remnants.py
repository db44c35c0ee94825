"""Remnants of houses in a bare-earth model: ground that bulges under houses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening.checks.words import count

if TYPE_CHECKING:
    import numpy.typing as npt

    from screening.checks.finding import Findings
    from screening.raster import ElevationWindow

    ObjectArray = npt.NDArray[np.object_]

HOUSES: Final = 400
BULGE_M: Final = 1.2
BULGES_FRAC: Final = 0.05
RING_M: Final = 8.0
FEWEST_INSIDE: Final = 6
FEWEST_AROUND: Final = 12
FEWEST_HOUSES: Final = 10
"""Houses looked at; a bulge so high over the plane through the ground so far around; so many of the houses are told.
A graded pad under a house is lower.  Cells needed in and around a house.  All program defaults."""


class Remnants:
    """A look at houses all over a city, block by block.

    Parameters
    ----------
    footprints : (n,) array of polygons
        All buildings [m].
    smallest_m2 : float
        Size of a house [m2].
    """

    def __init__(self, footprints: ObjectArray, smallest_m2: float) -> None:
        large = footprints[shapely.area(footprints) >= smallest_m2]
        pick = np.unique(np.linspace(0, len(large) - 1, min(HOUSES, len(large))).astype(np.int64))
        self._houses = large[pick] if len(large) else large
        self._bulge_m = np.full(len(self._houses), np.nan)
        self._boxes = shapely.bounds(self._houses) + np.array([-1.0, -1.0, 1.0, 1.0]) * RING_M
        self._footprints = footprints
        self._tree = shapely.STRtree(footprints)

    def look(self, part: ElevationWindow) -> None:
        """Measure the houses that lie in a block with the ground around them."""
        if not part.z_m.size or not len(self._houses):
            return
        rows, cols = part.z_m.shape
        west, north, cell = part.x0_m, part.y0_m, part.cell_m
        box = self._boxes
        inside = (box[:, 0] >= west) & (box[:, 2] <= west + cols * cell)
        inside &= (box[:, 1] >= north - rows * cell) & (box[:, 3] <= north)
        for k in np.flatnonzero(inside & np.isnan(self._bulge_m)):
            left, right = int((box[k, 0] - west) / cell), int(np.ceil((box[k, 2] - west) / cell))
            top, bottom = int((north - box[k, 3]) / cell), int(np.ceil((north - box[k, 1]) / cell))
            z = part.z_m[top:bottom, left:right]
            x = west + (np.arange(left, left + z.shape[1]) + 0.5) * cell
            y = north - (np.arange(top, top + z.shape[0]) + 0.5) * cell
            near = self._footprints[self._tree.query(shapely.box(*box[k]))]
            self._bulge_m[k] = _bulge_m(
                z, *np.meshgrid(x, y), self._houses[k], shapely.buffer(near, 1.5 * cell, quad_segs=2)
            )

    def tell(self, name: str, findings: Findings) -> None:
        """Tell where the ground of the raster of this name bulges under more than a few houses."""
        known = np.isfinite(self._bulge_m)
        high = known & (self._bulge_m > BULGE_M)
        if known.sum() < FEWEST_HOUSES or high.sum() <= BULGES_FRAC * known.sum():
            return
        findings.say(
            "house_remnants",
            f"under {high.sum():,} of {count(int(known.sum()), 'house')} looked at the ground of {name} bulges by "
            f"{np.median(self._bulge_m[high]):.1f} m (median).",
            role="elevation",
            n=int(high.sum()),
            of=int(known.sum()),
            places_m=shapely.get_coordinates(shapely.centroid(self._houses[high])),
        )


def _bulge_m(z: Any, x: Any, y: Any, house: Any, built: ObjectArray) -> float:
    """How far the highest tenth of a house's cells lies over the plane through the ground around it [m].

    `built` are all footprints nearby, with the cells beside their walls, which may be part of a remnant.
    """
    known = np.isfinite(z)
    inside = known & shapely.contains_xy(house, x, y)
    around = known.copy()
    for one in built:
        around &= ~shapely.contains_xy(one, x, y)
    if inside.sum() < FEWEST_INSIDE or around.sum() < FEWEST_AROUND:
        return float("nan")
    x0, y0 = float(x.flat[0]), float(y.flat[0])
    design = np.column_stack([np.ones(int(around.sum())), x[around] - x0, y[around] - y0])
    plane = np.linalg.lstsq(design, z[around], rcond=None)[0]
    over = z[inside] - (plane[0] + plane[1] * (x[inside] - x0) + plane[2] * (y[inside] - y0))
    return float(np.percentile(over, 90.0))
