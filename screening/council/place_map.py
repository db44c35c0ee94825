"""The map on the page: streets, districts or squares with their numbers on the blocks of the town; no lot."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pyogrio
import shapely

from screening import colours
from screening.report.small_counts import SMALLEST_SHOWN

if TYPE_CHECKING:
    from pathlib import Path

    from screening.council.facts import Facts
    from screening.report.quantities import Units

# Gaps between lots that are closed, and by how much outlines of blocks are simplified: no lot line stays.
_GAP_M: Final = 3.0
_SIMPLE_M: Final = 4.0
_EDGE_FRAC: Final = 0.03
# Parcels beyond which the blocks are left out: they are background, and putting together takes seconds.
_MOST_PARCELS: Final = 60_000

STEPS: Final = (colours.LOT_BEST, colours.LOT_GOOD, colours.LOT_OTHER)
"""Colours of a place's volume: upper, middle and lower third of the places shown."""

_WIDTHS: Final = (5.0, 3.6, 2.4)
# Many streets are drawn thinner.
_MANY: Final = 25
_THINNER: Final = 0.6
STEP_WORDS: Final = ("most water: upper third", "middle third", "lower third of those shown")


@dataclass(frozen=True, slots=True)
class Shape:
    """A mark on the map, in points of the picture, y downward.

    Attributes
    ----------
    parts : list of (n, 2) arrays
        Rings of an area, holes among them, or lines.
    fill : str or None
        Colour of an area; None for lines.
    line : str
    width : float
        Of the line [pt].
    """

    parts: list[npt.NDArray[np.float64]]
    fill: str | None
    line: str
    width: float


@dataclass(frozen=True, slots=True)
class PlaceMap:
    """A map.

    Attributes
    ----------
    wide, tall : float
        Size [pt].
    shapes : list of Shape
        From below to above.
    numbers : list of (float, float, int)
        Where the numbers of the places stand.
    scale : (float, str)
        Length of the scale bar [pt] and what it stands for.
    has_planned : bool
        Whether streets of a plan are marked.
    text : str
        What it shows, for those who don't see it.
    """

    wide: float
    tall: float
    shapes: list[Shape]
    numbers: list[tuple[float, float, int]]
    scale: tuple[float, str]
    has_planned: bool
    text: str


def draw_map(facts: Facts, path: Path, *, wide: float, most_tall: float) -> PlaceMap | None:
    """Draw the places that are shown.

    Parameters
    ----------
    facts : Facts
    path : Path
        The result: the blocks of the town are from its parcels.
    wide, most_tall : float
        Room for it [pt].

    Returns
    -------
    PlaceMap or None
        None where no place is shown that has a shape.
    """
    publication = facts.publication
    rows = [row for row in publication.tables[publication.kind].to_pylist() if row.get("diverted_m3_y") is not None]
    rows = [row for row in rows if row[publication.place] in publication.shapes]
    if not rows:
        return None
    blocks = _blocks(path)
    shapes = {row[publication.place]: publication.shapes[row[publication.place]] for row in rows}
    bounds = shapely.total_bounds(np.array([*shapes.values(), *blocks], dtype=object))
    view = _View(bounds, wide, most_tall)
    drawn = [Shape(view.rings(block), colours.UNSCREENED_LOT, colours.REFUSED_LINE, 0.4) for block in blocks]
    is_area = publication.geometry_type == "MultiPolygon"
    volumes = np.array([row["diverted_m3_y"] for row in rows])
    order = np.argsort(-volumes, kind="stable")
    step = np.empty(len(rows), dtype=int)
    step[order] = np.minimum(3 * np.arange(len(rows)) // max(len(rows), 1), 2)
    widths = [width * (_THINNER if len(rows) > _MANY else 1.0) for width in _WIDTHS]
    # the most water last, so that it lies above
    for k in order[::-1].tolist():
        name, colour = rows[k][publication.place], STEPS[step[k]]
        if is_area:
            drawn.append(Shape(view.rings(shapes[name]), colour, colours.LOT_LINE, 0.6))
        else:
            if name in facts.planned:
                drawn.append(Shape(view.lines(shapes[name]), None, colours.GARDEN_LINE, widths[step[k]] + 5.0))
                drawn.append(Shape(view.lines(shapes[name]), None, colours.GARDEN, widths[step[k]] + 3.4))
            drawn.append(Shape(view.lines(shapes[name]), None, colour, widths[step[k]]))
    if is_area:
        # the squares lie over the blocks, and these show where one is
        drawn += [Shape(view.rings(block), None, colours.LOT_LINE, 0.4) for block in blocks]
    numbers = _numbers(facts, shapes, view)
    length_m = _round_length(0.25 * (bounds[2] - bounds[0]), facts.units)
    label = _length_text(length_m, facts.units)
    return PlaceMap(
        view.wide,
        view.tall,
        drawn,
        numbers,
        (length_m * view.scale, label),
        bool(facts.planned),
        f"Map of the {publication.kind} with 10 candidate homes or more, darker where more water would be kept; "
        f"numbers as in the list. Up is north of the coordinate system.",
    )


class _View:
    """From metres to points of the picture."""

    def __init__(self, bounds_m: Any, wide: float, most_tall: float) -> None:
        west, south, east, north = (float(one) for one in bounds_m)
        edge = _EDGE_FRAC * max(east - west, north - south, 1.0)
        west, south, east, north = west - edge, south - edge, east + edge, north + edge
        self.scale = min(wide / (east - west), most_tall / (north - south))
        self.wide, self.tall = wide, (north - south) * self.scale
        self.x0_m = west - 0.5 * (wide / self.scale - (east - west))
        self.y1_m = north

    def points(self, xy_m: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Turn coordinates into points of the picture."""
        return np.column_stack([(xy_m[:, 0] - self.x0_m) * self.scale, (self.y1_m - xy_m[:, 1]) * self.scale])

    def rings(self, area: Any) -> list[npt.NDArray[np.float64]]:
        """Rings of an area, holes among them."""
        polygons = shapely.get_parts(shapely.get_parts(area))
        rings = shapely.get_rings(polygons)
        return [self.points(shapely.get_coordinates(ring)) for ring in rings]

    def lines(self, lines: Any) -> list[npt.NDArray[np.float64]]:
        """Lines of a street."""
        merged = shapely.line_merge(lines)
        simple = shapely.simplify(shapely.get_parts(merged), 0.3 / self.scale)
        return [self.points(shapely.get_coordinates(line)) for line in simple]


def _blocks(path: Path) -> list[Any]:
    """Blocks of the town: all parcels put together, so that no lot line is left; small groups of lots left out."""
    found = []
    for layer in ("candidate_homes", "other_parcels"):
        if pyogrio.read_info(path, layer=layer)["features"]:
            frame = pyogrio.read_dataframe(path, layer=layer, columns=[], use_arrow=False)
            found.append(frame.geometry.to_numpy())
    lots = np.concatenate(found) if found else np.empty(0, dtype=object)
    lots = lots[~shapely.is_missing(lots) & ~shapely.is_empty(lots)]
    if not 0 < len(lots) <= _MOST_PARCELS:
        return []
    lots = shapely.make_valid(lots)
    grown = shapely.buffer(lots, 0.5 * _GAP_M, quad_segs=1, join_style="mitre", mitre_limit=2.0)
    whole = shapely.simplify(shapely.union_all(grown), _SIMPLE_M)
    parts = shapely.get_parts(whole)
    tree = shapely.STRtree(shapely.point_on_surface(lots))
    inside = np.bincount(tree.query(parts, predicate="intersects")[0], minlength=len(parts))
    return [part for part, n in zip(parts, inside, strict=True) if n >= SMALLEST_SHOWN and part.area > 0.0]


def _numbers(facts: Facts, shapes: dict[str, Any], view: _View) -> list[tuple[float, float, int]]:
    """Where the numbers of the listed places stand: along the longest piece of a street, or inside an area."""
    found: list[tuple[float, float, int]] = []
    publication = facts.publication
    names = publication.tables[publication.kind][publication.place].to_pylist()
    by_label = {bar.number: name for bar, name in zip(facts.places.bars, names, strict=False)}
    for number, name in by_label.items():
        if number is None or name not in shapes:
            continue
        found.append((*_free_spot(shapes[name], view, found), number))
    return found


def _free_spot(shape: Any, view: _View, taken: list[tuple[float, float, int]]) -> tuple[float, float]:
    """Find a place on a shape that keeps away from the numbers that stand already."""
    if shape.geom_type.endswith("Polygon"):
        point = shapely.point_on_surface(max(shapely.get_parts(shape), key=lambda part: part.area))
        spots = [point]
    else:
        pieces = shapely.get_parts(shapely.line_merge(shape))
        longest = max(pieces, key=lambda piece: piece.length)
        spots = [shapely.line_interpolate_point(longest, frac, normalized=True) for frac in (0.5, 0.35, 0.65, 0.2, 0.8)]
    places = [tuple(view.points(shapely.get_coordinates(spot))[0].tolist()) for spot in spots]

    def nearest(place: tuple[float, float]) -> float:
        return min((math.dist(place, one[:2]) for one in taken), default=math.inf)

    free = [place for place in places if nearest(place) >= _APART]
    x, y = free[0] if free else max(places, key=nearest)
    return float(x), float(y)


_APART: Final = 15.0


def _round_length(most_m: float, units: Units) -> float:
    """Longest round length that is not longer than a given one [m]."""
    unit_m = 0.3048 if units.is_us else 1.0
    most = max(most_m / unit_m, 1e-6)
    if units.is_us and most >= 5280.0:
        unit_m, most = 1609.344, most / 5280.0
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most) * unit_m


def _length_text(length_m: float, units: Units) -> str:
    if units.is_us:
        feet = length_m / 0.3048
        return f"{feet / 5280.0:.3g} mi" if feet >= 5280.0 else f"{feet:,.0f} ft"
    return f"{length_m / 1000.0:.3g} km" if length_m >= 1000.0 else f"{length_m:.3g} m"
