"""The page as a PDF: one page, text that can be selected, an embedded font, title and language."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from screening import __version__, colours
from screening.council.facts import paragraphs
from screening.council.place_map import STEP_WORDS, STEPS
from screening.sheets.letters import BOLD, PLAIN, Letters
from screening.sheets.page import PAPERS
from screening.sheets.pen import Pen

if TYPE_CHECKING:
    from pathlib import Path

    from screening.council.facts import Chart, Facts
    from screening.council.place_map import PlaceMap

MARGIN: Final = 34.0
_GAP: Final = 18.0
_TITLE: Final = 17.0
_HEAD: Final = 9.6
_TEXT: Final = 7.3
_NOTE: Final = 6.5
_LEADING: Final = 1.25
_ROW: Final = 10.6
_BAR_TALL: Final = 5.0
# Of the letters, over those above: what fits is taken.
_SIZES: Final = (1.15, 1.1, 1.05, 1.0, 0.95, 0.9, 0.85, 0.8)
MAP_TALL: Final = 190.0
"""Most height of the map [pt]."""


def column_wide(paper: str) -> float:
    """Width of one of the two columns of a paper [pt]."""
    return (PAPERS[paper][0] - 2 * MARGIN - _GAP) / 2


def write_pdf(facts: Facts, place_map: PlaceMap | None, path: Path, *, paper: str) -> None:
    """Write the page.

    Parameters
    ----------
    facts : Facts
    place_map : PlaceMap or None
        Drawn for `column_wide` and `MAP_TALL`.
    path : Path
        PDF to write.
    paper : str
        ``"letter"`` or ``"a4"``.
    """
    before = rl_config.useA85
    rl_config.useA85 = 0
    letters = Letters()
    try:
        canvas = Canvas(
            str(path), pagesize=PAPERS[paper], invariant=1, lang="en", pageCompression=1, initialFontName=PLAIN
        )
        canvas.setTitle(facts.title)
        canvas.setSubject(facts.standing)
        canvas.setCreator(f"screening {__version__}")
        canvas.setAuthor("")
        canvas.setViewerPreference("DisplayDocTitle", "true")
        # sizes go down until everything stands on one page
        for size in _SIZES:
            page = _Page(Pen(canvas, letters), facts, place_map, paper, size)
            if page.lowest >= MARGIN or size == _SIZES[-1]:
                page.pen.flush()
                break
        canvas.showPage()
        canvas.save()
    finally:
        rl_config.useA85 = before


class _Page:
    """Draws the page from top to bottom."""

    def __init__(self, pen: Pen, facts: Facts, place_map: PlaceMap | None, paper: str, scale: float) -> None:
        self.pen, self.letters, self.scale = pen, pen.letters, scale
        wide, tall = PAPERS[paper]
        left, whole = MARGIN, wide - 2 * MARGIN
        column = column_wide(paper)
        y = self._head(facts, left, tall - MARGIN, whole)
        right = left + column + _GAP
        y_left = self._chart(facts.water, left, y, column)
        y_left = self._chart(facts.outcomes, left, y_left, column)
        y_right = self._title(facts.places.title, right, y, column)
        if place_map is not None:
            y_right = self._map(place_map, right, y_right, column)
        y_right = self._rows(facts.places, right, y_right, column)
        for head, sentences in paragraphs(facts):
            # into the column that has more room
            is_left = y_left >= y_right
            x, at = (left, y_left) if is_left else (right, y_right)
            at = self._title(head, x, at, column)
            for sentence in sentences:
                at = self._sentence(sentence, x, at, column)
            at -= 4.0
            y_left, y_right = (at, y_right) if is_left else (y_left, at)
        self.lowest = min(y_left, y_right)

    def _write(
        self, text: str, x: float, y: float, wide: float, size: float, *, font: str = PLAIN, colour: str = colours.INK
    ) -> float:
        """Write lines from a height downward; return where the next may begin."""
        size *= self.scale
        for line in self.letters.wrap(text, wide, size, font):
            y -= size * _LEADING
            self.pen.text(x, y + 0.25 * size, line, size, font=font, colour=colour)
        return y

    def _head(self, facts: Facts, x: float, y: float, wide: float) -> float:
        y = self._write(facts.title, x, y, wide, _TITLE, font=BOLD)
        y = self._write(facts.standing, x, y - 2.0, wide, 8.2)
        y -= 5.0
        step = wide / len(facts.figures)
        lowest = y
        for k, (number, what, more) in enumerate(facts.figures):
            at = self._write(number, x + k * step, y, step - 8.0, 19.0, font=BOLD, colour=colours.LOT_BEST)
            at = self._write(what, x + k * step, at, step - 8.0, 8.2, font=BOLD)
            at = self._write(more, x + k * step, at, step - 8.0, _TEXT, colour=colours.QUIET_INK)
            lowest = min(lowest, at)
        self.pen.line([(x, lowest - 5.0), (x + wide, lowest - 5.0)], line=colours.LOT_BEST, width=1.2)
        return lowest - 9.0

    def _title(self, text: str, x: float, y: float, wide: float) -> float:
        return self._write(text, x, y - 2.0, wide, _HEAD, font=BOLD, colour=colours.LOT_BEST) - 1.0

    def _sentence(self, text: str, x: float, y: float, wide: float) -> float:
        size = _TEXT * self.scale
        self.pen.disc(x + 1.6, y - 0.68 * size, 1.1, fill=colours.LOT_BEST)
        return self._write(text, x + 7.0, y, wide - 7.0, _TEXT) - 0.8

    def _chart(self, chart: Chart, x: float, y: float, wide: float) -> float:
        y = self._title(chart.title, x, y, wide)
        return self._rows(chart, x, y, wide)

    def _rows(self, chart: Chart, x: float, y: float, wide: float) -> float:
        """Write a chart: label, numbers and bar of each row."""
        size = _TEXT * self.scale
        row = _ROW * self.scale
        if chart.bars:
            shown = [(*bar.cells,) for bar in chart.bars]
            columns = [
                max(
                    self.letters.width(text, size, font)
                    for text, font in [(head, BOLD), *((cells[k], PLAIN) for cells in shown)]
                )
                for k, head in enumerate(chart.heads)
            ]
            bar_wide = 0.15 * wide
            label_wide = wide - bar_wide - sum(columns) - 5.0 * len(columns) - 5.0
            number_wide = 12.0 if any(bar.number is not None for bar in chart.bars) else 0.0
            y -= row
            self.pen.text(x + number_wide, y + 2.6, chart.label_head, size, font=BOLD)
            self._cells(chart.heads, columns, x + label_wide + 5.0, y + 2.6, size, BOLD)
            self.pen.line([(x, y), (x + wide, y)], line=colours.REFUSED_LINE, width=0.6)
            for bar in chart.bars:
                lines = self._label(bar.label, label_wide - number_wide, size)
                top = y
                for line in lines:
                    y -= row if line is lines[0] else size * _LEADING
                    self.pen.text(x + number_wide, y + 2.6, line, size)
                first = top - row
                if bar.number is not None:
                    self.pen.text(x + 8.0, first + 2.6, str(bar.number), size, align=1.0)
                self._cells(bar.cells, columns, x + label_wide + 5.0, first + 2.6, size, PLAIN)
                self._bar(bar, x + wide - bar_wide, first + 0.5 * row, bar_wide, chart.longest)
            y -= 2.0
        for note in chart.notes:
            y = self._write(note, x, y, wide, _NOTE, colour=colours.QUIET_INK)
        return y - 5.0

    def _label(self, text: str, wide: float, size: float) -> list[str]:
        """Break a label into at most two lines."""
        lines = self.letters.wrap(text, wide, size)
        if len(lines) > 2:
            rest, _ = self.letters.fit(" ".join(lines[1:]), wide, size, least=size)
            lines = [lines[0], rest]
        return lines or [""]

    def _cells(self, cells: Any, columns: list[float], x: float, y: float, size: float, font: str) -> None:
        for text, column in zip(cells, columns, strict=True):
            x += column + 5.0
            self.pen.text(x - 5.0, y, text, size, font=font, align=1.0)

    def _bar(self, bar: Any, x: float, y: float, wide: float, longest: float) -> None:
        scale = wide / longest
        fill = colours.UNSCREENED_LOT if bar.is_pale else colours.LOT_GOOD
        self.pen.box(
            x, y - _BAR_TALL / 2, max(bar.value * scale, 0.4), _BAR_TALL, fill=fill, line=colours.LOT_LINE, width=0.4
        )
        if bar.low is None or bar.high is None:
            return
        low, high = x + bar.low * scale, x + bar.high * scale
        half = _BAR_TALL / 2 + 0.8
        marks = [[(low, y - half), (low, y + half)], [(high, y - half), (high, y + half)], [(low, y), (high, y)]]
        self.pen.lines(marks, line=colours.INK, width=0.9)

    def _map(self, place_map: PlaceMap, x: float, y: float, wide: float) -> float:
        top = y - 2.0

        def placed(points: Any) -> Any:
            return [(x + one, top - other) for one, other in points.tolist()]

        self.pen.begin_clip(x, top - place_map.tall, wide, place_map.tall)
        for shape in place_map.shapes:
            if shape.fill is None:
                self.pen.lines([placed(part) for part in shape.parts], line=shape.line, width=0.7 * shape.width)
            else:
                self.pen.rings(
                    [placed(part) for part in shape.parts], fill=shape.fill, line=shape.line, width=shape.width
                )
        self.pen.end_clip()
        for at_x, at_y, number in place_map.numbers:
            self.pen.disc(x + at_x, top - at_y, 4.6, fill=colours.PAPER, line=colours.INK, width=0.7)
            self.pen.middle(x + at_x, top - at_y, str(number), 6.2, font=BOLD)
        length, label = place_map.scale
        low, end = top - place_map.tall + 4.0, x + wide - 4.0
        self.pen.box(end - length - 3.0, low - 2.0, length + 6.0, 13.0, fill=colours.PAPER)
        self.pen.box(x, top - 30.0, 14.0, 30.0, fill=colours.PAPER)
        self.pen.line([(end - length, low + 3), (end - length, low), (end, low), (end, low + 3)], width=1.0)
        self.pen.text(end - length / 2, low + 3.0, label, 6.5, align=0.5)
        self.pen.arrow([(x + 7.0, top - 20.0), (x + 7.0, top - 5.0)], width=1.0)
        self.pen.text(x + 7.0, top - 28.0, "N", 6.5, align=0.5)
        y = top - place_map.tall - 3.0
        at = x
        samples = list(zip(STEPS, STEP_WORDS, strict=True))
        if place_map.has_planned:
            samples.append((colours.GARDEN, "gold edge: in this season's plan"))
        for colour, words in samples:
            wanted = 16.0 + self.letters.width(words, _NOTE) + 9.0
            if at > x and at + wanted > x + wide:
                at, y = x, y - 9.0
            self.pen.box(at, y - 6.0, 12.0, 5.0, fill=colour, line=colours.LOT_LINE, width=0.4)
            self.pen.text(at + 15.0, y - 5.8, words, _NOTE)
            at += wanted
        return y - 10.0
