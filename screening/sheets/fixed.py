"""The parts that are the same on every sheet: legend, checks, upkeep table, fields to fill, sketch grid, cautions.

Each is drawn once into the document and shown on every page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from screening import colours
from screening.sheets.blocks import LEAST_SIZE, SIZE, TITLE_SIZE, paragraph, thickness, title
from screening.sheets.letters import BOLD
from screening.sheets.materials import MULCH_DEPTH_M
from screening.sheets.plan import FOUNDATION_DASH, LOT_LINE_DASH, draw_overflow, draw_spout
from screening.sheets.words import SEASONS

if TYPE_CHECKING:
    from screening.sheets.pen import Pen
    from screening.sheets.prepare import Setting

_SMALL: Final = 6.7
_SQUARE: Final = 9.0
# 8 in: Show Me Raingardens, Garden Guide.
_TEST_HOLE_M: Final = 8 * 0.0254


def legend(pen: Pen, setting: Setting, *, x: float, y: float, wide: float, tall: float) -> None:
    """Draw what the marks of the plan mean, in three columns."""
    units, rules = setting.units, setting.rules
    texts = dict(setting.words.legend)
    for key, distance_m in (("foundation", rules.building_gap_m), ("lot_line", rules.lot_line_m)):
        if distance_m:
            texts[key] = texts[key].format(units.limit(distance_m, "m"))
        else:
            del texts[key]
    n_rows = -(-len(texts) // 3)
    column, row = wide / 3, min(9.6, tall / n_rows)
    for number, (key, text) in enumerate(texts.items()):
        left, middle = x + number // n_rows * column, y - (number % n_rows + 0.5) * row
        _sample(pen, key, left, middle)
        shown, size = pen.letters.fit(text, column - 25.0, _SMALL, least=5.0)
        pen.text(left + 22.0, middle - 0.36 * size, shown, size)


def _sample(pen: Pen, key: str, x: float, y: float) -> None:
    """Draw one mark of the plan, 19 points wide."""
    right = x + 19.0
    if key in {"lot", "open_ground", "house", "garden"}:
        fill = {
            "lot": colours.PAPER,
            "open_ground": colours.OPEN_GROUND,
            "house": colours.NEIGHBOUR_BUILDING,
            "garden": colours.GARDEN,
        }[key]
        line = {"lot": colours.LOT_LINE, "garden": colours.GARDEN_LINE}.get(key, colours.INK)
        width = {"open_ground": 0.0, "lot": 1.7}.get(key, 1.4)
        pen.box(x + 1.0, y - 3.0, 17.0, 6.0, fill=fill, line=line if width else None, width=width)
        if key == "house":
            pen.line([(x + 9.5, y - 3.0), (x + 9.5, y + 3.0)], width=0.5, dash="2 1.2")
    elif key == "unserved":
        pen.box(x + 1.0, y - 3.0, 17.0, 6.0, fill=colours.NEIGHBOUR_BUILDING, line=colours.INK)
        pen.lines(
            [
                [(x + 1.0 + 4.0 * k, y - 3.0), (x + min(7.0 + 4.0 * k, 18.0), y + min(3.0, 14.0 - 4.0 * k))]
                for k in range(4)
            ],
            line=colours.HOUSE,
        )
    elif key == "foundation":
        pen.line([(x, y), (right, y)], line=colours.SETBACK, width=0.9, dash=FOUNDATION_DASH)
    elif key == "lot_line":
        pen.line([(x, y), (right, y)], line=colours.SETBACK, width=0.9, dash=LOT_LINE_DASH)
    elif key == "corner":
        pen.disc(x + 9.5, y, 3.9, fill=colours.INK)
        pen.middle(x + 9.5, y, "1", 6.0, font=BOLD, colour=colours.PAPER)
    elif key == "spout":
        for number, (is_served, is_measured) in enumerate(((True, False), (True, True), (False, False))):
            draw_spout(pen, x + 3.0 + 6.6 * number, y, is_served=is_served, is_measured=is_measured)
    elif key == "run":
        pen.arrow([(x, y), (right, y)], line=colours.WATER, width=1.2)
    else:
        draw_overflow(pen, [(x, y), (right, y)], is_warning=key == "warning")


def checks(pen: Pen, setting: Setting, *, x: float, y: float, wide: float, tall: float) -> None:
    """Write what to check, with boxes to tick and lines to fill, and the soil test."""
    words, floor = setting.words, y - tall
    units = setting.units
    y = title(pen, x, y, wide, words.check_title)
    soil = 12.4 + 3 * 15.0 + 2 * 8.4
    step = min(14.0, (y - floor - soil - 14.0) / len(words.checks))
    for line in words.checks:
        shown, size = pen.letters.fit(line, wide, SIZE, least=LEAST_SIZE)
        pen.text(x, y - 0.72 * step, shown, size)
        if line.endswith(":"):
            start = x + pen.letters.width(shown, size) + 3.0
            pen.line([(start, y - 0.84 * step), (x + wide, y - 0.84 * step)], width=0.4)
        y -= step
    y = paragraph(pen, x, y - 3.0, wide, words.soil_title.format(thickness(_TEST_HOLE_M, units)), size=7.2, font=BOLD)
    y -= 1.5
    label, row = 41.0, 15.0
    column = (wide - label) / (len(words.soil_columns) - 1)
    pen.line([(x, y - 8.5 - row), (x + wide, y - 8.5 - row)], width=0.5)
    pen.box(x, y - 2 * row - 8.5, wide, 2 * row + 8.5, width=0.7, line=colours.INK)
    edges = [x + label + k * column for k in range(len(words.soil_columns) - 1)]
    pen.lines([[(edge, y), (edge, y - 2 * row - 8.5)] for edge in edges], width=0.5)
    for edge, text in zip(edges, words.soil_columns[1:], strict=True):
        shown, size = pen.letters.fit(text, column - 3.0, 6.3, least=4.5)
        pen.text(edge + 1.5, y - 6.4, shown, size)
    pen.line([(x, y - 8.5), (x + wide, y - 8.5)], width=0.5)
    for number, text in enumerate(words.soil_rows):
        shown, size = pen.letters.fit(text, label - 3.0, 6.8, least=5.0)
        pen.text(x + 1.5, y - 8.5 - (number + 0.65) * row, shown, size)
    paragraph(pen, x, y - 2 * row - 10.5, wide, words.soil_note, size=6.7)


def upkeep(pen: Pen, setting: Setting, *, x: float, y: float, wide: float) -> float:
    """Draw the calendar of the first three years; return its lower end."""
    words = setting.words
    y = title(pen, x, y, wide, words.upkeep_title)
    label = 0.40 * wide
    column = (wide - label) / 12
    seasons = words.seasons.split()
    for year in range(3):
        left = x + label + 4 * year * column
        pen.middle(left + 2 * column, y - 4.5, words.year.format(year + 1), 6.3)
        for number, season in enumerate(seasons):
            shown, size = pen.letters.fit(season, column - 0.6, 5.2, least=3.6)
            pen.middle(left + (number + 0.5) * column, y - 12.0, shown, size)
    y -= 16.0
    row = 9.4
    for key, text in words.upkeep.items():
        shown, size = pen.letters.fit(text.format(thickness(MULCH_DEPTH_M, setting.units)), label - 3.0, 6.9, least=5.2)
        pen.text(x, y - 0.75 * row, shown, size)
        for number, mark in enumerate(SEASONS[key].replace(" ", "")):
            if mark == "x":
                pen.box(
                    x + label + (number + 0.5) * column - 2.4,
                    y - 0.5 * row - 2.4,
                    4.8,
                    4.8,
                    line=colours.INK,
                    width=0.7,
                )
        pen.line([(x, y - row), (x + wide, y - row)], line=colours.REFUSED_LINE, width=0.3)
        y -= row
    for year in range(4):
        edge = x + label + 4 * year * column
        pen.line([(edge, y), (edge, y + len(words.upkeep) * row + 16.0)], line=colours.QUIET_INK, width=0.5)
    return paragraph(pen, x, y - 0.5, wide, words.upkeep_note, size=6.6)


def visit(pen: Pen, setting: Setting, *, x: float, y: float, wide: float, tall: float) -> None:
    """Draw the fields of the visit, the outcome and the sketch grid."""
    words, floor = setting.words, y - tall
    y = title(pen, x, y, wide, words.visit_title)
    for text in words.visit_fields:
        pen.text(x, y - 10.0, text, SIZE)
        pen.line([(x + pen.letters.width(text, SIZE) + 3.0, y - 11.2), (x + wide, y - 11.2)], width=0.4)
        y -= 13.6
    y -= 4.0
    pen.bold(x, y - 7.0, words.outcome_title, SIZE)
    y -= 10.0
    half = wide / 2
    for number, text in enumerate(words.outcomes):
        left = x + number % 2 * half
        shown, size = pen.letters.fit(f"☐ {text}", half - 2.0, SIZE, least=LEAST_SIZE)
        pen.text(left, y - 8.0, shown, size)
        if number % 2:
            y -= 11.0
    if len(words.outcomes) % 2:
        y -= 11.0
    pen.line([(x, y - 9.0), (x + wide, y - 9.0)], width=0.4)
    y -= 14.0
    pen.bold(x, y - 7.0, words.sketch_title, SIZE)
    start = x + pen.letters.width(words.sketch_title, SIZE, BOLD) + 3.0
    pen.line([(start, y - 8.2), (x + wide, y - 8.2)], width=0.4)
    y -= 11.0
    n_across, n_down = int(wide / _SQUARE), int((y - floor) / _SQUARE)
    right, low = x + n_across * _SQUARE, y - n_down * _SQUARE
    pen.lines(
        [[(x + k * _SQUARE, y), (x + k * _SQUARE, low)] for k in range(n_across + 1)],
        line=colours.REFUSED_LINE,
        width=0.35,
    )
    pen.lines(
        [[(x, y - k * _SQUARE), (right, y - k * _SQUARE)] for k in range(n_down + 1)],
        line=colours.REFUSED_LINE,
        width=0.35,
    )


def cautions(pen: Pen, setting: Setting, *, x: float, y: float, wide: float) -> float:
    """Write the cautions in a frame, in two columns; return its lower end."""
    words = setting.words
    top = y
    column = (wide - 22.0) / 2
    pen.bold(x + 6.0, y - 10.0, words.cautions_title, TITLE_SIZE)
    y -= 13.5
    half = -(-len(words.cautions) // 2)
    ends = []
    for number, texts in enumerate((words.cautions[:half], words.cautions[half:])):
        left, at = x + 6.0 + number * (column + 10.0), y
        for text in texts:
            pen.box(left, at - 6.6, 3.6, 3.6, fill=colours.INK)
            at = paragraph(pen, left + 7.0, at, column - 7.0, text, size=7.4)
        ends.append(at)
    low = min(ends) - 3.0
    pen.box(x, low, wide, top - low, line=colours.INK, width=1.2)
    return low
