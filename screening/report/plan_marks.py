"""The marks a plan is made of: areas, lines, arrows and letters, each kind of thing with its own look.

Every kind has its own line style, hatch or weight besides its colour, so that the plan reads in grey.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch, Patch, PathPatch
from matplotlib.path import Path as DrawnPath
from matplotlib.patheffects import withStroke

from screening import colours

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from matplotlib.axes import Axes

HALO: Final = 2.4
LABEL_SIZE: Final = 7.5

# Drawing order.
GROUND, SETBACKS, BUILDINGS, GARDENS, WATER, MARKS, LABELS = range(1, 8)

AREA_STYLES: Final[Mapping[str, dict[str, Any]]] = {
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
LINE_STYLES: Final[Mapping[str, dict[str, Any]]] = {
    "foundation": {"color": colours.SETBACK, "linewidth": 1.1, "linestyle": (0, (6, 2))},
    "lot_line": {"color": colours.SETBACK, "linewidth": 1.1, "linestyle": (0, (1, 1.6))},
    "street": {"color": colours.STREET, "linewidth": 1.0, "linestyle": (0, (8, 3, 1, 3))},
    "run": {"color": colours.WATER, "linewidth": 1.7, "linestyle": "solid"},
    "overflow": {"color": colours.WATER, "linewidth": 1.5, "linestyle": (0, (4, 2))},
    "warning": {"color": colours.WATER_WARNING, "linewidth": 2.2, "linestyle": (0, (2, 1.4))},
}


def size_in(axes: Axes) -> tuple[float, float]:
    """Return width and height of the axes [inch]."""
    # The place given, not the one after fitting the aspect: limits are about to be set to fit it.
    box = axes.get_position(original=True)
    width_in, height_in = axes.figure.get_figure(root=True).get_size_inches()
    return float(width_in * box.width), float(height_in * box.height)


def metres_a_point(axes: Axes) -> float:
    """Return the ground length of one typographic point, 1/72 inch [m]."""
    west, east = axes.get_xlim()
    return float((east - west) / size_in(axes)[0] / 72.0)


def draw_areas(axes: Axes, shapes: Iterable[Any], style: str, order: float) -> None:
    """Draw polygons with their holes."""
    for polygon in shapely.get_parts(np.array([shape for shape in shapes if shape is not None], dtype=object)):
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        rings = [np.asarray(ring.coords)[:, :2] for ring in (polygon.exterior, *polygon.interiors)]
        path = DrawnPath.make_compound_path(*(DrawnPath(ring, closed=True) for ring in rings))
        axes.add_patch(PathPatch(path, zorder=order, **AREA_STYLES[style]))


def draw_lines(axes: Axes, shapes: Iterable[Any], style: str, order: float, **changes: Any) -> None:
    """Draw lines."""
    for line in shapely.get_parts(np.array(list(shapes), dtype=object)):
        if line.geom_type in {"LineString", "LinearRing"}:
            axes.plot(*np.asarray(line.coords)[:, :2].T, zorder=order, **{**LINE_STYLES[style], **changes})


def draw_arrow(axes: Axes, xy: Any, style: str) -> None:
    """Draw a line with a head at its end and, where it is long, one on the way, over a light casing."""
    look = LINE_STYLES[style]
    casing = {"color": colours.PAPER, "linewidth": look["linewidth"] + 2, "alpha": 0.8, "zorder": WATER - 0.1}
    axes.plot(*xy.T, solid_capstyle="butt", **casing)
    axes.plot(*xy.T, zorder=WATER, **look)
    line = shapely.LineString(xy)
    head_m = 9 * metres_a_point(axes)
    for stop_m in (line.length, *((line.length / 2,) if line.length > 5 * head_m else ())):
        tail, head = line.interpolate(max(stop_m - head_m, 0.0)), line.interpolate(stop_m)
        axes.add_patch(
            FancyArrowPatch(
                (tail.x, tail.y),
                (head.x, head.y),
                arrowstyle="-|>",
                mutation_scale=9 + 2 * (style == "warning"),
                shrinkA=0,
                shrinkB=0,
                linewidth=0,
                color=look["color"],
                zorder=WATER,
            )
        )


def label(
    axes: Axes,
    spot: Any,
    text: str,
    *,
    colour: str = colours.INK,
    halo: str = colours.PAPER,
    size: float = LABEL_SIZE,
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
        path_effects=[withStroke(linewidth=HALO, foreground=halo)],
        zorder=LABELS,
        annotation_clip=True,
    )


def label_end(axes: Axes, xy: Any, text: str, *, colour: str) -> None:
    """Write beyond the end of a line, on the side where it points, but inside the picture."""
    (x0, y0), (x1, y1) = xy[-2], xy[-1]
    spot = shapely.Point(x1, y1)
    if abs(y1 - y0) > abs(x1 - x0):
        # Below or above, with half the text to each side: moved in where that would leave the picture.
        half_m = 0.3 * LABEL_SIZE * len(text) * metres_a_point(axes)
        west, east = axes.get_xlim()
        inside = shapely.Point(min(max(x1, west + half_m), east - half_m), y1)
        label(axes, inside, text, colour=colour, offset=(0, 9 if y1 > y0 else -9))
        return
    wide_m = (0.6 * LABEL_SIZE * len(text) + 6) * metres_a_point(axes)
    goes_east = x1 > x0
    fits = x1 + wide_m < axes.get_xlim()[1] if goes_east else x1 - wide_m > axes.get_xlim()[0]
    if fits:
        label(
            axes, spot, text, colour=colour, offset=(6 if goes_east else -6, 0), align="left" if goes_east else "right"
        )
    else:
        label(axes, spot, text, colour=colour, offset=(0, 9), align="right" if goes_east else "left")


def area_handle(style: str, words: str) -> Patch:
    """Make the legend's entry for a kind of area."""
    return Patch(label=words, **AREA_STYLES[style])


def line_handle(style: str, words: str) -> Line2D:
    """Make the legend's entry for a kind of line."""
    return Line2D([], [], label=words, **LINE_STYLES[style])
