"""Marks on a page: areas, lines, arrows and text, written as PDF operators.

Whatever is drawn waits until `flush`: first the shapes in their order, then the texts in theirs, so that a text is
never below a shape, and a reader of the text gets it in the order of writing.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from screening import colours
from screening.sheets.letters import BOLD, PLAIN, STRETCH_PCT

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from screening.sheets.letters import Letters

_RISE: Final = 0.36  # middle of a small letter over its line, in sizes


class Pen:
    """Draws on one page of a document.

    Parameters
    ----------
    canvas : reportlab Canvas
        Where the marks go.
    letters : Letters
        Fonts.
    """

    def __init__(self, canvas: Any, letters: Letters) -> None:
        self.canvas = canvas
        self.letters = letters
        self._shapes: list[str] = []
        self._texts: list[tuple[float, float, str, float, str, str, float]] = []

    def rings(
        self,
        rings: Iterable[Any],
        *,
        fill: str | None = None,
        line: str | None = None,
        width: float = 0.5,
        dash: str = "",
    ) -> None:
        """Draw closed rings, holes among them, as one area."""
        path = [_path(ring[:-1]) + " h" for ring in rings]
        if path:
            self._paint(" ".join(path), fill=fill, line=line, width=width, dash=dash)

    def line(self, xy: Any, *, line: str = colours.INK, width: float = 0.5, dash: str = "") -> None:
        """Draw a line through points."""
        self._paint(_path(xy), line=line, width=width, dash=dash)

    def lines(self, parts: Sequence[Any], *, line: str = colours.INK, width: float = 0.5, dash: str = "") -> None:
        """Draw several lines in one go."""
        if len(parts):
            path = " ".join(_path(xy) for xy in parts)
            self._paint(path, line=line, width=width, dash=dash)

    def box(
        self,
        x: float,
        y: float,
        wide: float,
        tall: float,
        *,
        fill: str | None = None,
        line: str | None = None,
        width: float = 0.5,
        dash: str = "",
    ) -> None:
        """Draw a rectangle from its lower left corner."""
        path = f"{x:.2f} {y:.2f} {wide:.2f} {tall:.2f} re"
        self._paint(path, fill=fill, line=line, width=width, dash=dash)

    def disc(
        self, x: float, y: float, radius: float, *, fill: str | None = None, line: str | None = None, width: float = 0.5
    ) -> None:
        """Draw a disc, from four curves."""
        r, k = radius, 0.5523 * radius
        w, e, s, n = x - r, x + r, y - r, y + r
        path = (
            f"{e:.2f} {y:.2f} m {e:.2f} {y + k:.2f} {x + k:.2f} {n:.2f} {x:.2f} {n:.2f} c "
            f"{x - k:.2f} {n:.2f} {w:.2f} {y + k:.2f} {w:.2f} {y:.2f} c "
            f"{w:.2f} {y - k:.2f} {x - k:.2f} {s:.2f} {x:.2f} {s:.2f} c "
            f"{x + k:.2f} {s:.2f} {e:.2f} {y - k:.2f} {e:.2f} {y:.2f} c h"
        )
        self._paint(path, fill=fill, line=line, width=width)

    def arrow(self, xy: Any, *, line: str = colours.INK, width: float = 1.0, dash: str = "", head: float = 5.0) -> None:
        """Draw a line with a head at its end."""
        points = [(float(x), float(y)) for x, y in xy]
        stem, tip = _shortened(points, 0.7 * head), points[-1]
        (back_x, back_y), (tip_x, tip_y) = _shortened(points, head)[-1], tip
        far = math.dist((back_x, back_y), tip)
        if far == 0.0:
            return
        along_x, along_y = head * (tip_x - back_x) / far, head * (tip_y - back_y) / far
        if len(stem) > 1 and width:
            self.line(stem, line=line, width=width, dash=dash)
        foot_x, foot_y = tip_x - along_x, tip_y - along_y
        aside_x, aside_y = -0.42 * along_y, 0.42 * along_x
        corners = [tip, (foot_x + aside_x, foot_y + aside_y), (foot_x - aside_x, foot_y - aside_y), tip]
        self.rings([corners], fill=line)

    def begin_clip(self, x: float, y: float, wide: float, tall: float) -> None:
        """Keep the shapes that follow inside a rectangle."""
        self._shapes.append(f"q {x:.2f} {y:.2f} {wide:.2f} {tall:.2f} re W n")

    def end_clip(self) -> None:
        """End what `begin_clip` began."""
        self._shapes.append("Q")

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        font: str = PLAIN,
        colour: str = colours.INK,
        align: float = 0.0,
        angle_deg: float = 0.0,
        back: str | None = None,
    ) -> None:
        """Write a line.

        Parameters
        ----------
        x, y : float
            Where its base line begins; its middle with `align` 0.5, its end with 1. [pt]
        text : str
            In the order in which it is read.
        size : float
            [pt]
        font : str
            Font.
        colour : str
            Of the letters.
        align : float
            What part of its width lies before x.
        angle_deg : float
            Turned counter-clockwise.
        back : str or None
            Colour of a rectangle behind it, so that lines don't cut the letters.
        """
        if not text:
            return
        wide = self.letters.width(text, size, font)
        angle = math.radians(angle_deg)
        cos, sin = math.cos(angle), math.sin(angle)
        x, y = float(x) - align * wide * cos, float(y) - align * wide * sin
        if back is not None:
            side, low, high = 0.12 * size, -0.18 * size, 0.86 * size
            corners = ((-side, low), (wide + side, low), (wide + side, high), (-side, high), (-side, low))
            self.rings([[(x + u * cos - v * sin, y + u * sin + v * cos) for u, v in corners]], fill=back)
        self._texts.append((x, y, text, size, font, colour, angle))

    def middle(self, x: float, y: float, text: str, size: float, **look: Any) -> None:
        """Write a line around a point."""
        angle = math.radians(look.get("angle_deg", 0.0))
        down = _RISE * size
        self.text(x + down * math.sin(angle), y - down * math.cos(angle), text, size, align=0.5, **look)

    def bold(self, x: float, y: float, text: str, size: float, **look: Any) -> None:
        """Write a line in bold letters."""
        self.text(x, y, text, size, font=BOLD, **look)

    def flush(self) -> None:
        """Put everything drawn so far onto the page."""
        if self._shapes:
            self.canvas.addLiteral("\n".join(self._shapes))
        if self._texts:
            self.canvas.addLiteral("\n".join(self._text_operators()))
        self._shapes, self._texts = [], []

    def _paint(
        self, path: str, *, fill: str | None = None, line: str | None = None, width: float = 0.5, dash: str = ""
    ) -> None:
        state = ""
        if fill is not None:
            state += f"{_rgb(fill)} rg "
        if line is not None:
            state += f"{_rgb(line)} RG {width:.2f} w [{dash}] 0 d "
        end = {(True, True): "B*", (True, False): "f*", (False, True): "S"}[fill is not None, line is not None]
        self._shapes.append(f"{state}{path} {end}")

    def _text_operators(self) -> Iterator[str]:
        """Write all texts as one text object."""
        yield f"BT {STRETCH_PCT} Tz"
        in_colour = ""
        for x, y, text, size, font, colour, angle in self._texts:
            if colour != in_colour:
                yield f"{_rgb(colour)} rg"
                in_colour = colour
            if angle:
                cos, sin = math.cos(angle), math.sin(angle)
                yield f"{cos:.5f} {sin:.5f} {-sin:.5f} {cos:.5f} {x:.2f} {y:.2f} Tm"
            else:
                yield f"1 0 0 1 {x:.2f} {y:.2f} Tm"
            for name, codes in self.letters.codes(text, font, self.canvas):
                yield f"{name} {size:.2f} Tf <{codes}> Tj"
        yield "ET"


def _shortened(points: Sequence[tuple[float, float]], by: float) -> list[tuple[float, float]]:
    """Leave out the last piece of a line."""
    left = list(points)
    while len(left) > 1:
        (x0, y0), (x1, y1) = left[-2:]
        long = math.dist(left[-2], left[-1])
        if long > by:
            share = by / long
            left[-1] = (x1 + share * (x0 - x1), y1 + share * (y0 - y1))
            return left
        by -= long
        left.pop()
    return left


@cache
def _rgb(colour: str) -> str:
    return " ".join(f"{int(colour[start : start + 2], 16) / 255.0:.3f}" for start in (1, 3, 5))


def _path(xy: Any) -> str:
    """Operators of a line through points."""
    numbers = xy.ravel().tolist() if isinstance(xy, np.ndarray) else [number for point in xy for number in point]
    return ("%.2f %.2f m" + " %.2f %.2f l" * (len(numbers) // 2 - 1)) % tuple(numbers)
