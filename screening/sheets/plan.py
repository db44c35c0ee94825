"""The plan of a lot on its sheet, to scale: house, roof parts, gardens with pegs and corners, the water's way.

It is drawn to be read in a black-and-white print in poor light and to be written on: paper stays white where it can,
and each kind of thing has its own line, hatch or mark besides its colour.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening import colours
from screening.sheets.plan_labels import Places
from screening.sheets.view import choose_view

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from screening.sheets.gather import SheetHome
    from screening.sheets.pen import Pen
    from screening.sheets.prepare import Bed, Setting
    from screening.sheets.view import View

FOUNDATION_DASH: Final = "5 2"
LOT_LINE_DASH: Final = "0.8 1.8"
OVERFLOW_DASH: Final = "3.5 1.8"
STREET_DASH: Final = "9 3 1.5 3"
SPOUT_RADIUS: Final = 2.3
_HATCH_STEP: Final = 4.0
# Shapes are cut to the view and a little beyond before they are drawn: lots may reach far.
_BEYOND_FRAC: Final = 0.5


class Plan:
    """The plan of one home in a rectangle of the page.

    Parameters
    ----------
    pen : Pen
    setting : Setting
    home : SheetHome
    beds : sequence of Bed
    x, y, wide, tall : float
        The rectangle. [pt]
    """

    def __init__(
        self,
        pen: Pen,
        setting: Setting,
        home: SheetHome,
        beds: Sequence[Bed],
        *,
        x: float,
        y: float,
        wide: float,
        tall: float,
    ) -> None:
        self.pen, self.setting, self.home, self.beds = pen, setting, home, beds
        self.x, self.y, self.wide, self.tall = x, y, wide, tall
        self.view: View = choose_view(home.lot, self._close(), self._paths(), wide, tall, is_us=setting.units.is_us)
        self.places = Places(pen.letters, x, y, wide, tall)
        bounds = np.array(self.view.box.bounds)
        beyond_m = _BEYOND_FRAC * max(self.view.wide_m, self.view.tall_m) * np.array([-1.0, -1.0, 1.0, 1.0])
        self._shown = shapely.box(*(bounds + beyond_m))
        self._far = bounds + 2.0 * beyond_m

    def _close(self) -> list[Any]:
        shapes = [one.geometry for layer in ("gardens", "inlet_runs") for one in self.home.of(layer)]
        shapes += [shapely.multipoints(bed.tapes.corners_m) for bed in self.beds if bed.tapes is not None]
        return shapes

    def _paths(self) -> list[Any]:
        return [path.geometry for path in self.home.of("overflow_paths")]

    def draw(self) -> None:
        """Draw what is on the ground, and the frame; names come later."""
        pen = self.pen
        pen.begin_clip(self.x, self.y, self.wide, self.tall)
        self._ground()
        self._houses()
        self._gardens()
        self._water()
        pen.end_clip()
        pen.box(self.x, self.y, self.wide, self.tall, line=colours.INK, width=0.7)

    # from the ground to the page

    def on_page(self, xy: Any) -> Any:
        """Put ground coordinates onto the page, shape (n, 2) both."""
        view = self.view
        return (np.asarray(xy, dtype=float) - (view.west_m, view.south_m)) * view.points_per_m + (self.x, self.y)

    def _areas(self, shapes: Iterable[Any], **look: Any) -> None:
        """Draw polygons with their holes."""
        for parts in self._clipped(shapes):
            polygons = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
            rings, owner = shapely.get_rings(polygons, return_index=True)
            lines = self._on_page_each(rings)
            for number in range(len(polygons)):
                self.pen.rings([lines[index] for index in np.flatnonzero(owner == number)], **look)

    def _strokes(self, shapes: Iterable[Any], **look: Any) -> None:
        """Draw lines."""
        found: list[Any] = []
        for parts in self._clipped(shapes):
            found += self._on_page_each(parts[shapely.get_dimensions(parts) == 1])
        self.pen.lines(found, **look)

    def _clipped(self, shapes: Iterable[Any]) -> Iterator[Any]:
        """Parts of shapes, those that reach far beyond the view cut to it."""
        whole = np.array(list(shapes), dtype=object)
        if not len(whole):
            return
        far = self._far
        bounds = shapely.bounds(whole)
        is_far = (bounds[:, :2] < far[:2]).any(axis=1) | (bounds[:, 2:] > far[2:]).any(axis=1)
        if is_far.any():
            whole[is_far] = shapely.intersection(whole[is_far], self._shown)
        parts = shapely.get_parts(whole)
        parts = parts[~shapely.is_empty(parts)]
        if len(parts):
            yield parts

    def _on_page_each(self, lines: Any) -> list[Any]:
        """Put the points of several lines onto the page."""
        xy, owner = shapely.get_coordinates(lines, return_index=True)
        return np.split(self.on_page(xy), np.flatnonzero(np.diff(owner)) + 1) if len(xy) else []

    # from the ground up

    def _ground(self) -> None:
        home, rules = self.home, self.setting.rules
        self._areas(home.around, line=colours.REFUSED_LINE, width=0.5)
        self._areas([home.lot], fill=colours.PAPER)
        self._areas([one.geometry for one in home.of("open_ground")], fill=colours.OPEN_GROUND)
        buildings = [one.geometry for one in home.of("buildings")]
        if buildings and rules.building_gap_m:
            grown = shapely.union_all(shapely.buffer(np.array(buildings), rules.building_gap_m, quad_segs=6))
            line = shapely.intersection(shapely.boundary(grown), home.lot)
            self._strokes([line], line=colours.SETBACK, width=0.9, dash=FOUNDATION_DASH)
        if rules.lot_line_m:
            inside = shapely.boundary(shapely.buffer(home.lot, -rules.lot_line_m, join_style="mitre"))
            self._strokes([inside], line=colours.SETBACK, width=0.9, dash=LOT_LINE_DASH)
        self._strokes([street.geometry for street in home.streets], line=colours.STREET, width=0.9, dash=STREET_DASH)
        self._areas([home.lot], line=colours.LOT_LINE, width=1.7)

    def _houses(self) -> None:
        looks = {
            "neighbour": {"fill": colours.UNSCREENED_LOT, "line": colours.BUILDING_LINE, "width": 0.4},
            "other": {"fill": colours.NEIGHBOUR_BUILDING, "line": colours.BUILDING_LINE, "width": 0.8},
            "principal": {"fill": colours.NEIGHBOUR_BUILDING, "line": colours.INK, "width": 1.5},
        }
        for role, look in looks.items():
            self._areas([one.geometry for one in self.home.of("buildings") if one.row["role_code"] == role], **look)
        served = {spout.row["downspout_id"]: spout.row["garden_id"] for spout in self.home.of("downspouts")}
        for part in self.home.of("roof_parts"):
            if served.get(part.row["downspout_id"]) is None:
                self._hatch(part.geometry)
        parts = [part.geometry for part in self.home.of("roof_parts")]
        self._areas(parts, line=colours.INK, width=0.5, dash="2 1.2")

    def _hatch(self, shape: Any) -> None:
        """Draw slanting lines over an area."""
        inside = shapely.intersection(shape, self._shown)
        if inside.is_empty:
            return
        west, south, east, north = inside.bounds
        step = _HATCH_STEP * math.sqrt(2.0) / self.view.points_per_m
        tall = north - south
        # lines x + t, y + t through points a step apart, at the same places on every part
        first = math.floor((west - north) / step) * step
        shifts = np.arange(first, east - south + step, step)
        ends = np.stack(
            [
                np.column_stack([shifts + south, np.full_like(shifts, south)]),
                np.column_stack([shifts + north, np.full_like(shifts, south + tall)]),
            ],
            axis=1,
        )
        self._strokes([shapely.intersection(inside, shapely.multilinestrings(ends))], line=colours.HOUSE, width=0.5)

    def _gardens(self) -> None:
        for bed in self.beds:
            self._areas([bed.outline], fill=colours.GARDEN, line=colours.GARDEN_LINE, width=1.5)
            if bed.row["shape_code"] == "free":
                ring = np.concatenate([bed.pegs_m, bed.pegs_m[:1]])
                self._strokes([shapely.linestrings(ring)], line=colours.GARDEN_LINE, width=0.5, dash="1.5 1")

    def _water(self) -> None:
        for run in self.home.of("inlet_runs"):
            self.pen.arrow(self.on_page(shapely.get_coordinates(run.geometry)), line=colours.WATER, width=1.2)
        for path in self.home.of("overflow_paths"):
            xy = self.inside(path.geometry)
            if xy is None:
                continue
            draw_overflow(self.pen, xy, is_warning=path.row["end_code"] in colours.WARNING_ENDS)

    def inside(self, line: Any) -> Any:
        """The first piece of a way that is in the frame, on the page; None where none is."""
        west, south, east, north = self.view.box.bounds
        margin = 6.0 / self.view.points_per_m
        frame = shapely.box(west + margin, south + margin, east - margin, north - margin)
        pieces = shapely.get_parts(shapely.intersection(line, frame))
        if not len(pieces) or pieces[0].length == 0.0:
            return None
        return self.on_page(shapely.get_coordinates(pieces[0]))


def draw_overflow(pen: Pen, xy: Any, *, is_warning: bool) -> None:
    """Draw the way of an overflow, doubled where the visit has to look at it."""
    if not is_warning:
        pen.arrow(xy, line=colours.WATER, width=1.2, dash=OVERFLOW_DASH, head=7.0)
        return
    line = colours.WATER_WARNING
    pen.line(xy, line=line, width=3.4)
    pen.line(xy, line=colours.PAPER, width=1.7)
    pen.arrow(xy, line=line, width=0.0, head=8.0)


def draw_spout(pen: Pen, x: float, y: float, *, is_served: bool, is_measured: bool) -> None:
    """Mark a downspout: a cross where no garden takes its water, a full disc where its place is measured."""
    if not is_served:
        r = SPOUT_RADIUS
        pen.lines([[(x - r, y - r), (x + r, y + r)], [(x - r, y + r), (x + r, y - r)]], width=1.3)
        return
    pen.disc(x, y, SPOUT_RADIUS, fill=colours.WATER if is_measured else colours.PAPER, line=colours.WATER, width=1.2)
