"""The plan of one lot: setbacks, roof parts, garden and the water's way, drawn into a matplotlib axes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from matplotlib.lines import Line2D

from screening import colours
from screening.report.facts import building_gap_m, short_name
from screening.report.plan_marks import (
    BUILDINGS,
    GARDENS,
    GROUND,
    LABEL_SIZE,
    LABELS,
    LINE_STYLES,
    MARKS,
    SETBACKS,
    area_handle,
    draw_areas,
    draw_arrow,
    draw_lines,
    label,
    label_end,
    line_handle,
    metres_a_point,
    size_in,
)
from screening.report.quantities import Units, is_missing, percent

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matplotlib.axes import Axes

    from screening.report.result_file import HomeResult

_END_WORDS: Final = {
    "drainage": "drainage feature",
    "own_low_spot": "low spot of the lot",
    "own_ground": "ground of the lot",
    "neighbour_lot": "neighbour's lot",
    "building_setback": "setback of a building",
    "off_elevation": "off the elevation",
}

# Overflow is followed this far beyond the lot in the picture; what lies farther is said in words.
_BEYOND_M: Final = 9.0
_MARGIN_M: Final = 3.0
# A longer lot is shown around its gardens, with the whole of it in a corner.
_LONGEST_M: Final = 75.0
_CLOSE_M: Final = 14.0


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
    draw_areas(axes, home.around, "around", GROUND - 1)
    draw_areas(axes, [home.outline], "lot", GROUND)
    handles = [area_handle("lot", "the lot")]
    handles += _draw_ground(axes, home, units)
    _draw_streets(axes, home, view)
    handles += _draw_buildings(axes, home)
    handles += _draw_gardens(axes, home, units)
    handles += _draw_water(axes, home, view)
    _draw_north(axes)
    _draw_scale(axes, units, home, view)
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
    width_in, height_in = size_in(axes)
    wide = max(east - west, (north - south) * width_in / height_in)
    tall = wide * height_in / width_in
    x, y = (west + east) / 2, (south + north) / 2
    axes.set_xlim(x - wide / 2, x + wide / 2)
    axes.set_ylim(y - tall / 2, y + tall / 2)
    return shapely.box(x - wide / 2, y - tall / 2, x + wide / 2, y + tall / 2)


def _draw_overview(axes: Axes, home: HomeResult, view: Any) -> None:
    """Show the whole lot in the lower right corner, where the plan shows only a part of it."""
    if view.covers(home.outline):
        return
    corner = axes.inset_axes((0.78, 0.015, 0.205, 0.205), zorder=LABELS + 1)
    corner.set_aspect("equal")
    corner.set_xticks([])
    corner.set_yticks([])
    draw_areas(corner, home.around, "around", 0)
    draw_areas(corner, [home.outline], "lot", 1)
    draw_areas(
        corner, [row.geometry for row in _rows(home, "buildings") if row.role_code == "principal"], "principal", 2
    )
    corner.plot(*view.exterior.xy, color=colours.INK, linewidth=1.0, linestyle=(0, (3, 1.5)), zorder=3)
    west, south, east, north = shapely.total_bounds([home.outline, view])
    half = 0.52 * max(east - west, north - south)
    corner.set_xlim((west + east) / 2 - half, (west + east) / 2 + half)
    corner.set_ylim((south + north) / 2 - half, (south + north) / 2 + half)
    corner.set_title("whole lot", fontsize=LABEL_SIZE, color=colours.QUIET_INK, pad=2)


def _draw_ground(axes: Axes, home: HomeResult, units: Units) -> list[Any]:
    """Draw the open ground and the two setbacks that bound it."""
    handles: list[Any] = []
    ground = [row.geometry for row in _rows(home, "open_ground")]
    draw_areas(axes, ground, "open_ground", GROUND)
    if ground:
        handles.append(area_handle("open_ground", "open ground: the distances allow a garden"))
    gap_m, lot_line_m = building_gap_m(home), home.parameter("rules.lot_line_m")
    buildings = [row.geometry for row in _rows(home, "buildings")]
    if buildings and gap_m:
        ring = shapely.union_all(shapely.buffer(buildings, gap_m, quad_segs=16)).boundary
        draw_lines(axes, [ring.intersection(home.outline)], "foundation", SETBACKS)
        handles.append(line_handle("foundation", f"{units.limit(gap_m, 'm')} from buildings"))
    if lot_line_m:
        draw_lines(axes, [home.outline.buffer(-lot_line_m).boundary], "lot_line", SETBACKS)
        handles.append(line_handle("lot_line", f"{units.limit(lot_line_m, 'm')} from the lot line"))
    return handles


def _draw_streets(axes: Axes, home: HomeResult, view: Any) -> None:
    """Draw the centre lines of streets, each with its name."""
    for row in home.streets.itertuples(index=False):
        lines = [line for line in shapely.get_parts(shapely.intersection(row.geometry, view)) if line.length > 0]
        draw_lines(axes, lines, "street", GROUND)
        if not lines or is_missing(row.street):
            continue
        longest = max(lines, key=lambda line: line.length)
        before, after = (longest.interpolate(share, normalized=True) for share in (0.45, 0.55))
        angle = math.degrees(math.atan2(after.y - before.y, after.x - before.x))
        if longest.length > 0.6 * LABEL_SIZE * len(row.street) * metres_a_point(axes):
            middle = longest.interpolate(0.5, normalized=True)
            label(axes, middle, row.street, colour=colours.QUIET_INK, angle=(angle + 90) % 180 - 90)


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
        draw_areas(axes, outlines, role, BUILDINGS)
        if outlines:
            handles.insert(0, area_handle(role, words))
    spouts = {row.downspout_id: row for row in _rows(home, "downspouts")}
    unserved = False
    for part in _rows(home, "roof_parts"):
        spout = spouts.get(part.downspout_id)
        if spout is None:
            continue
        is_served = not is_missing(spout.garden_id)
        unserved |= not is_served
        draw_areas(axes, [part.geometry], "served" if is_served else "unserved", BUILDINGS)
        spot = part.geometry.representative_point()
        name = short_name(spout.downspout_id, spout.home_id)
        colour, halo = (colours.PAPER, colours.HOUSE) if is_served else (colours.INK, colours.NEIGHBOUR_BUILDING)
        size_points = math.sqrt(part.geometry.area) / metres_a_point(axes)
        if size_points > 2 * LABEL_SIZE:
            lines = f"{name}\n{percent(spout.roof_frac)}" if size_points > 4 * LABEL_SIZE else name
            label(axes, spot, lines, colour=colour, halo=halo)
    if unserved:
        handles.append(area_handle("unserved", "roof part that no garden takes"))
    return handles


def _draw_gardens(axes: Axes, home: HomeResult, units: Units) -> list[Any]:
    """Draw the gardens with their dimensions."""
    handles: list[Any] = []
    house = [row.geometry for row in _rows(home, "buildings") if row.role_code == "principal"]
    away_from = house[0].centroid if house else home.outline.centroid
    for row in _rows(home, "gardens"):
        draw_areas(axes, [row.geometry], "garden", GARDENS)
        is_free = row.shape_code == "free"
        name = short_name(row.garden_id, row.home_id)
        # In a small bed only its name; the area stands beside the plan as a sum, and in the text.
        has_room = math.sqrt(row.area_m2) / metres_a_point(axes) > 4 * LABEL_SIZE
        words = f"{name}\n{units.show(row.area_m2, 'm2')}" if has_room else name
        label(axes, row.geometry.representative_point(), words, size=LABEL_SIZE + 0.5)
        _draw_dimensions(axes, row, away_from, units, is_free=is_free)
        handles = [area_handle("garden", "candidate garden")]
    return handles


def _draw_dimensions(axes: Axes, row: Any, away_from: Any, units: Units, *, is_free: bool) -> None:
    """Write length and width beside the garden, on the sides away from the house."""
    box = shapely.minimum_rotated_rectangle(row.geometry)
    corners = shapely.get_coordinates(box)[:4]
    if is_free:
        draw_lines(axes, [box.exterior], "lot_line", GARDENS, color=colours.GARDEN_LINE, linewidth=0.6)
    sides = [(corners[i], corners[(i + 1) % 4]) for i in range(4)]
    by_length = sorted(sides, key=lambda side: -math.dist(*side))
    point_m = metres_a_point(axes)
    target = np.array([away_from.x, away_from.y])
    for pair, length_m in ((by_length[:2], row.length_m), (by_length[2:], row.width_m)):
        start, stop = max(pair, key=lambda side: math.dist((side[0] + side[1]) / 2, target))
        along = (stop - start) / math.dist(start, stop)
        outward = np.array([along[1], -along[0]])
        if outward @ ((start + stop) / 2 - corners.mean(axis=0)) < 0:
            outward = -outward
        offset, tick = 7 * point_m, 3 * point_m
        ends = np.array([start, stop]) + outward * offset
        style: dict[str, Any] = {"color": colours.GARDEN_LINE, "linewidth": 0.8, "zorder": GARDENS}
        axes.plot(*ends.T, **style)
        for end in ends:
            axes.plot(*np.array([end - outward * tick, end + outward * tick]).T, **style)
        angle = math.degrees(math.atan2(along[1], along[0]))
        spot = shapely.Point(ends.mean(axis=0) + outward * 7 * point_m)
        label(axes, spot, units.show(length_m, "m"), angle=(angle + 90) % 180 - 90)


def _draw_water(axes: Axes, home: HomeResult, view: Any) -> list[Any]:
    """Draw downspouts, runs to the gardens, ways of the overflow with where they end."""
    handles: list[Any] = []
    for row in _rows(home, "inlet_runs"):
        draw_arrow(axes, shapely.get_coordinates(row.geometry), "run")
        handles = [line_handle("run", "water to the garden")]
    seen = set()
    for row in _rows(home, "overflow_paths"):
        style = "warning" if row.end_code in colours.WARNING_ENDS else "overflow"
        inside = shapely.get_parts(shapely.intersection(row.geometry, view.buffer(-8 * metres_a_point(axes))))
        if len(inside) == 0:
            continue
        xy = shapely.get_coordinates(inside[0])
        draw_arrow(axes, xy, style)
        ends_here = np.array_equal(xy[-1], shapely.get_coordinates(row.geometry)[-1])
        end = _END_WORDS.get(row.end_code, row.end_code)
        words = f"overflow: {end}" if ends_here else f"overflow, goes on to: {end}"
        label_end(axes, xy, words, colour=LINE_STYLES[style]["color"])
        seen.add(style)
    for style, words in (("overflow", "overflow"), ("warning", "overflow to look at on the visit")):
        if style in seen:
            handles.append(line_handle(style, words))
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
        axes.plot([row.geometry.x], [row.geometry.y], linestyle="none", zorder=MARKS, **mark)
        marks[words] = Line2D([], [], linestyle="none", label=words, **mark)
    return [*marks.values(), *handles]


def _draw_north(axes: Axes) -> None:
    """Draw an arrow to grid north in the upper left corner."""
    at: dict[str, Any] = {"xycoords": "axes fraction", "zorder": LABELS}
    arrow = {"arrowstyle": "-|>", "color": colours.INK, "linewidth": 1.2, "mutation_scale": 14}
    axes.annotate("", xy=(0.045, 0.965), xytext=(0.045, 0.885), arrowprops=arrow, **at)
    axes.annotate("N", xy=(0.045, 0.872), ha="center", va="top", fontsize=9, color=colours.INK, **at)


def _draw_scale(axes: Axes, units: Units, home: HomeResult, view: Any) -> None:
    """Draw a bar of a round length, about a fifth of the picture's width, in the emptier of the lower corners."""
    west, east = axes.get_xlim()
    south, north = axes.get_ylim()
    unit_m = 1.0 / float(units.number(1.0, "m", decimals=9))
    longest = 0.22 * (east - west) / unit_m
    power = 10.0 ** math.floor(math.log10(longest))
    length = max(step * power for step in (1, 2, 5) if step * power <= longest)
    y, height = south + 0.03 * (north - south), 0.012 * (north - south)
    x = west + 0.03 * (east - west)
    in_use = shapely.union_all([home.outline, *(row.geometry.buffer(2.0) for row in _rows(home, "overflow_paths"))])
    corners = [
        shapely.box(at, south, at + 0.25 * (east - west), south + 0.1 * (north - south))
        for at in (west, east - 0.25 * (east - west))
    ]
    covered = [corner.intersection(in_use).area for corner in corners]
    # The right one only where the whole lot isn't shown there.
    if covered[1] < covered[0] and view.covers(home.outline):
        x = east - 0.03 * (east - west) - length * unit_m
    for half, colour in ((0, colours.INK), (1, colours.PAPER)):
        left = x + half * length * unit_m / 2
        corners = [
            (left, y),
            (left + length * unit_m / 2, y),
            (left + length * unit_m / 2, y + height),
            (left, y + height),
        ]
        axes.fill(*zip(*corners, strict=True), facecolor=colour, edgecolor=colours.INK, linewidth=0.8, zorder=LABELS)
    spot = shapely.Point(x + length * unit_m / 2, y + height + 7 * metres_a_point(axes))
    label(axes, spot, f"{length:g} {units.sign('m')}", size=8)
