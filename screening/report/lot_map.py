"""The plan of one lot: setbacks, roof parts, garden and the water's way, drawn into a matplotlib axes.

Every kind of thing has its own line style, hatch or mark besides its colour, so that the plan reads in grey.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch, Patch, PathPatch
from matplotlib.path import Path as DrawnPath
from matplotlib.patheffects import withStroke

from screening import colours
from screening.report.facts import building_gap_m, short_name
from screening.report.quantities import Units, is_missing, percent

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from matplotlib.axes import Axes

    from screening.report.result_file import HomeResult

# Overflow is followed this far beyond the lot in the picture; what lies farther is said in words.
_BEYOND_M: Final = 9.0
_MARGIN_M: Final = 3.0
# A longer lot is shown around its gardens, with the whole of it in a corner.
_LONGEST_M: Final = 75.0
_CLOSE_M: Final = 14.0
_HALO: Final = 2.4
_LABEL_SIZE: Final = 7.5

# Drawing order.
_GROUND, _SETBACKS, _BUILDINGS, _GARDENS, _WATER, _MARKS, _LABELS = range(1, 8)

_STYLES: Final[Mapping[str, dict[str, Any]]] = {
    "lot": {"facecolor": colours.PAPER, "edgecolor": colours.LOT_LINE, "linewidth": 1.8},
    "around": {"facecolor": colours.UNSCREENED_LOT, "edgecolor": colours.REFUSED_LINE, "linewidth": 0.6},
    "open_ground": {
        "facecolor": colours.OPEN_GROUND,
        "edgecolor": colours.OPEN_GROUND_LINE,
        "linewidth": 0.5,
        "hatch": "..",
    },
    "principal": {"facecolor": colours.HOUSE, "edgecolor": colours.BUILDING_LINE, "linewidth": 1.2},
    "other": {"facecolor": colours.OTHER_BUILDING, "edgecolor": colours.BUILDING_LINE, "linewidth": 0.9},
    "neighbour": {"facecolor": colours.NEIGHBOUR_BUILDING, "edgecolor": colours.BUILDING_LINE, "linewidth": 0.5},
    "served": {"facecolor": "none", "edgecolor": colours.PAPER, "linewidth": 1.1},
    "unserved": {
        "facecolor": colours.NEIGHBOUR_BUILDING,
        "edgecolor": colours.HOUSE,
        "linewidth": 0.8,
        "hatch": "////",
    },
    "garden": {"facecolor": colours.GARDEN, "edgecolor": colours.GARDEN_LINE, "linewidth": 1.6},
}
_LINES: Final[Mapping[str, dict[str, Any]]] = {
    "foundation": {"color": colours.SETBACK, "linewidth": 1.1, "linestyle": (0, (6, 2))},
    "lot_line": {"color": colours.SETBACK, "linewidth": 1.1, "linestyle": (0, (1, 1.6))},
    "run": {"color": colours.WATER, "linewidth": 1.7, "linestyle": "solid"},
    "overflow": {"color": colours.WATER, "linewidth": 1.5, "linestyle": (0, (4, 2))},
    "warning": {"color": colours.WATER_WARNING, "linewidth": 2.2, "linestyle": (0, (2, 1.4))},
}


def draw_lot(axes: Axes, home: HomeResult, units: Units) -> list[Any]:
    """Draw the plan and return what its legend needs.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Where to draw; its limits are set here, north is up.
    home : HomeResult
        A home or another parcel.
    units : Units
        How numbers are written.

    Returns
    -------
    list of artists
        Handles for the legend, with labels, in the order in which a reader meets them.
    """
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(colours.QUIET_INK)
        spine.set_linewidth(0.6)
    if home.outline is None:
        axes.text(0.5, 0.5, "no outline in the input", ha="center", va="center", transform=axes.transAxes)
        return []
    view = _set_view(axes, home)
    _areas(axes, home.around, "around", _GROUND - 1)
    _areas(axes, [home.outline], "lot", _GROUND)
    handles = [_handle("lot", "the lot")]
    handles += _draw_ground(axes, home, units)
    handles += _draw_buildings(axes, home)
    handles += _draw_gardens(axes, home, units)
    handles += _draw_water(axes, home, view)
    _draw_north(axes)
    _draw_scale(axes, units)
    _draw_overview(axes, home, view)
    return handles


def _rows(home: HomeResult, layer: str) -> Iterable[Any]:
    frame = home.layers.get(layer)
    return frame.itertuples(index=False) if frame is not None else ()


def _set_view(axes: Axes, home: HomeResult) -> Any:
    """Show the lot and what belongs to it, in the shape of the axes."""
    west, south, east, north = home.outline.bounds
    shown = [home.outline]
    if home.is_candidate and max(east - west, north - south) > _LONGEST_M:
        close = [row.geometry for layer in ("gardens", "inlet_runs", "downspouts") for row in _rows(home, layer)]
        shown = [shapely.box(*shapely.total_bounds(close)).buffer(_CLOSE_M)]
    near = shown[0].buffer(_BEYOND_M)
    shown += [shapely.intersection(row.geometry, near) for row in _rows(home, "overflow_paths")]
    west, south, east, north = shapely.total_bounds(shapely.buffer(shown, _MARGIN_M))
    width_in, height_in = _size_in(axes)
    wide = max(east - west, (north - south) * width_in / height_in)
    tall = wide * height_in / width_in
    x, y = (west + east) / 2, (south + north) / 2
    axes.set_xlim(x - wide / 2, x + wide / 2)
    axes.set_ylim(y - tall / 2, y + tall / 2)
    return shapely.box(x - wide / 2, y - tall / 2, x + wide / 2, y + tall / 2)


def _size_in(axes: Axes) -> tuple[float, float]:
    """Return width and height of the axes [inch]."""
    # The place given, not the one after fitting the aspect: limits are about to be set to fit it.
    box = axes.get_position(original=True)
    width_in, height_in = axes.figure.get_figure(root=True).get_size_inches()
    return float(width_in * box.width), float(height_in * box.height)


def _draw_overview(axes: Axes, home: HomeResult, view: Any) -> None:
    """Show the whole lot in the lower right corner, where the plan shows only a part of it."""
    if view.covers(home.outline):
        return
    corner = axes.inset_axes((0.78, 0.015, 0.205, 0.205), zorder=_LABELS + 1)
    corner.set_aspect("equal")
    corner.set_xticks([])
    corner.set_yticks([])
    _areas(corner, home.around, "around", 0)
    _areas(corner, [home.outline], "lot", 1)
    _areas(corner, [row.geometry for row in _rows(home, "buildings") if row.role_code == "principal"], "principal", 2)
    corner.plot(*view.exterior.xy, color=colours.INK, linewidth=1.0, linestyle=(0, (3, 1.5)), zorder=3)
    west, south, east, north = shapely.total_bounds([home.outline, view])
    half = 0.52 * max(east - west, north - south)
    corner.set_xlim((west + east) / 2 - half, (west + east) / 2 + half)
    corner.set_ylim((south + north) / 2 - half, (south + north) / 2 + half)
    corner.set_title("whole lot", fontsize=_LABEL_SIZE, color=colours.QUIET_INK, pad=2)


def _draw_ground(axes: Axes, home: HomeResult, units: Units) -> list[Any]:
    """Draw the open ground and the two setbacks that bound it."""
    handles: list[Any] = []
    ground = [row.geometry for row in _rows(home, "open_ground")]
    _areas(axes, ground, "open_ground", _GROUND)
    if ground:
        handles.append(_handle("open_ground", "open ground: the distances allow a garden"))
    gap_m, lot_line_m = building_gap_m(home), home.parameter("rules.lot_line_m")
    buildings = [row.geometry for row in _rows(home, "buildings")]
    if buildings and gap_m:
        ring = shapely.union_all(shapely.buffer(buildings, gap_m, quad_segs=16)).boundary
        _lines(axes, [ring.intersection(home.outline)], "foundation", _SETBACKS)
        handles.append(_line_handle("foundation", f"{units.limit(gap_m, 'm')} from buildings"))
    if lot_line_m:
        _lines(axes, [home.outline.buffer(-lot_line_m).boundary], "lot_line", _SETBACKS)
        handles.append(_line_handle("lot_line", f"{units.limit(lot_line_m, 'm')} from the lot line"))
    return handles


def _draw_buildings(axes: Axes, home: HomeResult) -> list[Any]:
    """Draw house, other buildings, roof parts with their shares."""
    handles: list[Any] = []
    roles = (
        ("neighbour", "building of a neighbour" if home.is_candidate else "building, as far as in the result"),
        ("other", "other building of the lot"),
        ("principal", "house"),
    )
    for role, words in roles:
        # Of a parcel that is no candidate the result doesn't say which building is whose.
        outlines = [
            row.geometry
            for row in _rows(home, "buildings")
            if (row.role_code if home.is_candidate else "neighbour") == role
        ]
        _areas(axes, outlines, role, _BUILDINGS)
        if outlines:
            handles.insert(0, _handle(role, words))
    spouts = {row.downspout_id: row for row in _rows(home, "downspouts")}
    unserved = False
    for part in _rows(home, "roof_parts"):
        spout = spouts.get(part.downspout_id)
        if spout is None:
            continue
        is_served = not is_missing(spout.garden_id)
        unserved |= not is_served
        _areas(axes, [part.geometry], "served" if is_served else "unserved", _BUILDINGS)
        spot = part.geometry.representative_point()
        name = short_name(spout.downspout_id, spout.home_id)
        colour, halo = (colours.PAPER, colours.HOUSE) if is_served else (colours.INK, colours.NEIGHBOUR_BUILDING)
        size_points = math.sqrt(part.geometry.area) / _metres_a_point(axes)
        if size_points > 2 * _LABEL_SIZE:
            lines = f"{name}\n{percent(spout.roof_frac)}" if size_points > 4 * _LABEL_SIZE else name
            _label(axes, spot, lines, colour=colour, halo=halo)
    if unserved:
        handles.append(_handle("unserved", "roof part that no garden takes"))
    return handles


def _draw_gardens(axes: Axes, home: HomeResult, units: Units) -> list[Any]:
    """Draw the gardens with their dimensions."""
    handles: list[Any] = []
    house = [row.geometry for row in _rows(home, "buildings") if row.role_code == "principal"]
    away_from = house[0].centroid if house else home.outline.centroid
    for row in _rows(home, "gardens"):
        _areas(axes, [row.geometry], "garden", _GARDENS)
        is_free = row.shape_code == "free"
        name = short_name(row.garden_id, row.home_id)
        area = units.show(row.area_m2, "m2")
        _label(axes, row.geometry.representative_point(), f"{name}\n{area}", size=_LABEL_SIZE + 0.5)
        _draw_dimensions(axes, row, away_from, units, is_free=is_free)
        handles = [_handle("garden", "candidate garden")]
    return handles


def _draw_dimensions(axes: Axes, row: Any, away_from: Any, units: Units, *, is_free: bool) -> None:
    """Write length and width beside the garden, on the sides away from the house."""
    box = shapely.minimum_rotated_rectangle(row.geometry)
    corners = shapely.get_coordinates(box)[:4]
    if is_free:
        _lines(axes, [box.exterior], "lot_line", _GARDENS, color=colours.GARDEN_LINE, linewidth=0.6)
    sides = [(corners[i], corners[(i + 1) % 4]) for i in range(4)]
    by_length = sorted(sides, key=lambda side: -math.dist(*side))
    metres_a_point = _metres_a_point(axes)
    target = np.array([away_from.x, away_from.y])
    for pair, length_m in ((by_length[:2], row.length_m), (by_length[2:], row.width_m)):
        start, stop = max(pair, key=lambda side: math.dist((side[0] + side[1]) / 2, target))
        along = (stop - start) / math.dist(start, stop)
        outward = np.array([along[1], -along[0]])
        if outward @ ((start + stop) / 2 - corners.mean(axis=0)) < 0:
            outward = -outward
        offset, tick = 7 * metres_a_point, 3 * metres_a_point
        ends = np.array([start, stop]) + outward * offset
        style: dict[str, Any] = {"color": colours.GARDEN_LINE, "linewidth": 0.8, "zorder": _GARDENS}
        axes.plot(*ends.T, **style)
        for end in ends:
            axes.plot(*np.array([end - outward * tick, end + outward * tick]).T, **style)
        angle = math.degrees(math.atan2(along[1], along[0]))
        spot = shapely.Point(ends.mean(axis=0) + outward * 7 * metres_a_point)
        _label(axes, spot, units.show(length_m, "m"), angle=(angle + 90) % 180 - 90)


def _draw_water(axes: Axes, home: HomeResult, view: Any) -> list[Any]:
    """Draw downspouts, runs to the gardens, ways of the overflow with where they end."""
    handles: list[Any] = []
    for row in _rows(home, "inlet_runs"):
        _arrow(axes, shapely.get_coordinates(row.geometry), "run")
        handles = [_line_handle("run", "water to the garden")]
    seen = set()
    for row in _rows(home, "overflow_paths"):
        style = "warning" if row.end_code in colours.WARNING_ENDS else "overflow"
        inside = shapely.get_parts(shapely.intersection(row.geometry, view.buffer(-8 * _metres_a_point(axes))))
        if len(inside) == 0:
            continue
        xy = shapely.get_coordinates(inside[0])
        _arrow(axes, xy, style)
        ends_here = np.array_equal(xy[-1], shapely.get_coordinates(row.geometry)[-1])
        words = f"overflow: {row.end_code}" if ends_here else f"overflow, goes on to: {row.end_code}"
        _label_end(axes, xy, words, colour=_LINES[style]["color"])
        seen.add(style)
    for style, words in (("overflow", "overflow"), ("warning", "overflow to look at on the visit")):
        if style in seen:
            handles.append(_line_handle(style, words))
    marks = {}
    mark: dict[str, Any]
    for row in _rows(home, "downspouts"):
        if is_missing(row.garden_id):
            words = "downspout, not served"
            mark = {"marker": "x", "markersize": 5, "markeredgewidth": 1.4, "color": colours.INK}
        else:
            filled = bool(row.is_measured)
            words = "downspout, measured" if filled else "downspout, place assumed"
            mark = {"marker": "o", "markersize": 5.5, "markeredgewidth": 1.4, "markeredgecolor": colours.WATER}
            mark["markerfacecolor"] = colours.WATER if filled else colours.PAPER
        axes.plot([row.geometry.x], [row.geometry.y], linestyle="none", zorder=_MARKS, **mark)
        marks[words] = Line2D([], [], linestyle="none", label=words, **mark)
    return [*marks.values(), *handles]


def _metres_a_point(axes: Axes) -> float:
    """Return the ground length of one typographic point, 1/72 inch [m]."""
    west, east = axes.get_xlim()
    return float((east - west) / _size_in(axes)[0] / 72.0)


def _areas(axes: Axes, shapes: Iterable[Any], style: str, order: float) -> None:
    """Draw polygons with their holes."""
    for polygon in shapely.get_parts(np.array([shape for shape in shapes if shape is not None], dtype=object)):
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        rings = [np.asarray(ring.coords)[:, :2] for ring in (polygon.exterior, *polygon.interiors)]
        path = DrawnPath.make_compound_path(*(DrawnPath(ring, closed=True) for ring in rings))
        axes.add_patch(PathPatch(path, zorder=order, **_STYLES[style]))


def _lines(axes: Axes, shapes: Iterable[Any], style: str, order: float, **changes: Any) -> None:
    """Draw lines."""
    for line in shapely.get_parts(np.array(list(shapes), dtype=object)):
        if line.geom_type in {"LineString", "LinearRing"}:
            axes.plot(*np.asarray(line.coords)[:, :2].T, zorder=order, **{**_LINES[style], **changes})


def _arrow(axes: Axes, xy: Any, style: str) -> None:
    """Draw a line with a head at its end and, where it is long, one on the way, over a light casing."""
    look = _LINES[style]
    casing = {"color": colours.PAPER, "linewidth": look["linewidth"] + 2, "alpha": 0.8, "zorder": _WATER - 0.1}
    axes.plot(*xy.T, solid_capstyle="butt", **casing)
    axes.plot(*xy.T, zorder=_WATER, **look)
    line = shapely.LineString(xy)
    head_m = 9 * _metres_a_point(axes)
    for stop_m in (line.length, *((line.length / 2,) if line.length > 5 * head_m else ())):
        tail, head = line.interpolate(max(stop_m - head_m, 0.0)), line.interpolate(stop_m)
        axes.add_patch(
            FancyArrowPatch(
                (tail.x, tail.y),
                (head.x, head.y),
                arrowstyle="-|>",
                mutation_scale=9,
                shrinkA=0,
                shrinkB=0,
                linewidth=0,
                color=look["color"],
                zorder=_WATER,
            )
        )


def _label(
    axes: Axes,
    spot: Any,
    text: str,
    *,
    colour: str = colours.INK,
    halo: str = colours.PAPER,
    size: float = _LABEL_SIZE,
    angle: float = 0.0,
    offset: tuple[float, float] = (0.0, 0.0),
    align: str = "center",
) -> None:
    """Write at a place, with a halo so that lines below don't cut the letters."""
    axes.annotate(
        text,
        (spot.x, spot.y),
        xytext=offset,
        textcoords="offset points",
        ha=align,
        va="center",
        rotation=angle,
        rotation_mode="anchor",
        fontsize=size,
        color=colour,
        linespacing=1.1,
        path_effects=[withStroke(linewidth=_HALO, foreground=halo)],
        zorder=_LABELS,
        annotation_clip=True,
    )


def _label_end(axes: Axes, xy: Any, text: str, *, colour: str) -> None:
    """Write beyond the end of a line, on the side where it points, but inside the picture."""
    (x0, y0), (x1, y1) = xy[-2], xy[-1]
    spot = shapely.Point(x1, y1)
    if abs(y1 - y0) > abs(x1 - x0):
        # Below or above, with half the text to each side: moved in where that would leave the picture.
        half_m = 0.3 * _LABEL_SIZE * len(text) * _metres_a_point(axes)
        west, east = axes.get_xlim()
        inside = shapely.Point(min(max(x1, west + half_m), east - half_m), y1)
        _label(axes, inside, text, colour=colour, offset=(0, 9 if y1 > y0 else -9))
        return
    wide_m = (0.6 * _LABEL_SIZE * len(text) + 6) * _metres_a_point(axes)
    goes_east = x1 > x0
    fits = x1 + wide_m < axes.get_xlim()[1] if goes_east else x1 - wide_m > axes.get_xlim()[0]
    if fits:
        _label(
            axes, spot, text, colour=colour, offset=(6 if goes_east else -6, 0), align="left" if goes_east else "right"
        )
    else:
        _label(axes, spot, text, colour=colour, offset=(0, 9), align="right" if goes_east else "left")


def _draw_north(axes: Axes) -> None:
    """Draw an arrow to grid north in the upper left corner."""
    at: dict[str, Any] = {"xycoords": "axes fraction", "zorder": _LABELS}
    arrow = {"arrowstyle": "-|>", "color": colours.INK, "linewidth": 1.2, "mutation_scale": 14}
    axes.annotate("", xy=(0.045, 0.965), xytext=(0.045, 0.885), arrowprops=arrow, **at)
    axes.annotate("N", xy=(0.045, 0.872), ha="center", va="top", fontsize=9, color=colours.INK, **at)


def _draw_scale(axes: Axes, units: Units) -> None:
    """Draw a bar of a round length, about a fifth of the picture's width, in the lower left corner."""
    west, east = axes.get_xlim()
    south, north = axes.get_ylim()
    unit_m = 1.0 / float(units.number(1.0, "m", decimals=9))
    longest = 0.22 * (east - west) / unit_m
    power = 10.0 ** math.floor(math.log10(longest))
    length = max(step * power for step in (1, 2, 5) if step * power <= longest)
    x, y = west + 0.03 * (east - west), south + 0.03 * (north - south)
    height = 0.012 * (north - south)
    for half, colour in ((0, colours.INK), (1, colours.PAPER)):
        left = x + half * length * unit_m / 2
        corners = [
            (left, y),
            (left + length * unit_m / 2, y),
            (left + length * unit_m / 2, y + height),
            (left, y + height),
        ]
        axes.fill(*zip(*corners, strict=True), facecolor=colour, edgecolor=colours.INK, linewidth=0.8, zorder=_LABELS)
    spot = shapely.Point(x + length * unit_m / 2, y + height + 7 * _metres_a_point(axes))
    _label(axes, spot, f"{length:g} {units.sign('m')}", size=8)


def _handle(style: str, words: str) -> Patch:
    look = dict(_STYLES[style])
    if style == "served":
        look["facecolor"] = colours.HOUSE
    return Patch(label=words, **look)


def _line_handle(style: str, words: str) -> Line2D:
    return Line2D([], [], label=words, **_LINES[style])
