"""North arrow, scale bar and, where a plan shows only a part of the lot, the whole of it small in a corner."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening import colours
from screening.sheets.plan_names import SIZE
from screening.sheets.view import bar_length
from screening.units import FOOT_M

if TYPE_CHECKING:
    from collections.abc import Callable

    from screening.sheets.plan import Plan

_INSET: Final = 76.0


def draw_furniture(plan: Plan) -> None:
    """Draw north arrow, scale bar and, where only a part of the lot is seen, the whole of it."""
    pen, words, view = plan.pen, plan.setting.words, plan.view
    hidden = _hiding(plan)
    if not view.is_whole:
        _overview(plan, *plan.places.corner(_INSET, _INSET, hidden))
    is_us = plan.setting.units.is_us
    unit_m = FOOT_M if is_us else 1.0
    length = bar_length(view.wide_m, unit_m=unit_m)
    bar = length * unit_m * view.points_per_m
    text = f"{view.scale_text}  {words.print_full_size}"
    wide = max(bar + 34.0, pen.letters.width(text, SIZE) + 8.0)
    x, y = plan.places.corner(wide, 27.0, hidden)
    pen.box(x, y, wide, 27.0, fill=colours.PAPER)
    for half, colour in ((0, colours.INK), (1, colours.PAPER)):
        pen.box(x + 4.0 + half * bar / 2, y + 13.0, bar / 2, 4.0, fill=colour, line=colours.INK, width=0.7)
    sign = plan.setting.units.sign("m")
    for at, number in ((0.0, "0"), (0.5, f"{length / 2:g}"), (1.0, f"{length:g} {sign}")):
        align = 0.5 if at < 1.0 else 0.5 * pen.letters.width(f"{length:g}", SIZE) / pen.letters.width(number, SIZE)
        pen.text(x + 4.0 + at * bar, y + 19.5, number, SIZE, align=align if at else 0.0)
    pen.text(x + 4.0, y + 4.0, text, SIZE)
    x, y = plan.places.corner(20.0, 38.0, hidden)
    pen.box(x, y, 20.0, 38.0, fill=colours.PAPER)
    tip = [(x + 10.0, y + 36.0), (x + 15.0, y + 14.0), (x + 10.0, y + 18.0), (x + 5.0, y + 14.0)]
    pen.rings([[*tip, tip[0]]], line=colours.INK, width=0.8)
    pen.rings([[tip[0], tip[1], tip[2], tip[0]]], fill=colours.INK)
    pen.bold(x + 10.0, y + 3.0, words.north, 9.0, align=0.5)


def _hiding(plan: Plan) -> Callable[[Any], Any]:
    """A function that tells how much of the lot rectangles on the page would hide, the gardens above all."""
    view = plan.view
    gardens = shapely.union_all(shapely.buffer(np.array([bed.outline for bed in plan.beds], dtype=object), 1.5))

    def hidden(boxes: Any) -> Any:
        page = np.array([plan.x, plan.y, plan.x, plan.y])
        corner_m = np.array([view.west_m, view.south_m, view.west_m, view.south_m])
        ground = shapely.box(*((np.asarray(boxes) - page) / view.points_per_m + corner_m).T)
        lot, beds = (shapely.area(shapely.intersection(ground, shape)) for shape in (plan.home.lot, gardens))
        return lot + 20.0 * beds

    return hidden


def _overview(plan: Plan, x: float, y: float) -> None:
    """Draw the whole lot small, with what the plan shows of it."""
    pen, lot = plan.pen, plan.home.lot
    west, south, east, north = shapely.total_bounds(np.array([lot, plan.view.box], dtype=object))
    room = _INSET - 12.0
    points = min(room / (east - west), room / (north - south))
    middle = np.array([(west + east) / 2, (south + north) / 2])
    at = np.array([x + _INSET / 2, y + _INSET / 2 - 3.0])

    def put(xy: Any) -> Any:
        return (np.asarray(xy, dtype=float) - middle) * points * 0.92 + at

    pen.box(x, y, _INSET, _INSET, fill=colours.PAPER, line=colours.INK, width=0.5)
    for part in shapely.get_parts(shapely.simplify(lot, 0.5 / points)):
        pen.rings([put(ring.coords) for ring in (part.exterior, *part.interiors)], line=colours.LOT_LINE, width=1.0)
    for building in plan.home.of("buildings"):
        if building.row["role_code"] == "principal":
            for part in shapely.get_parts(building.geometry):
                pen.rings([put(part.exterior.coords)], fill=colours.HOUSE)
    pen.line(put(plan.view.box.exterior.coords), width=0.8, dash="3 1.5")
    pen.text(x + _INSET / 2, y + _INSET - 7.5, plan.setting.words.whole_lot, 6.5, align=0.5)
