"""Where labels of a plan may stand: inside its frame and not on one another."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from screening import colours
from screening.sheets.letters import PLAIN

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from screening.sheets.letters import Letters
    from screening.sheets.pen import Pen

_EDGE: Final = 3.0


class Places:
    """The rectangles on a plan that are taken.

    Parameters
    ----------
    letters : Letters
    x, y, wide, tall : float
        Frame of the plan. [pt]
    """

    def __init__(self, letters: Letters, x: float, y: float, wide: float, tall: float) -> None:
        self.letters = letters
        self.frame = (x, y, x + wide, y + tall)
        self.taken: list[tuple[float, float, float, float]] = []

    def take(self, x: float, y: float, wide: float, tall: float) -> None:
        """Keep a rectangle free of labels."""
        self.taken.append((x, y, x + wide, y + tall))

    def corner(self, wide: float, tall: float, hidden: Callable[[Any], Any]) -> tuple[float, float]:
        """Take the corner of the frame where a rectangle hides least; return its lower left corner.

        ``hidden`` tells how much each of some rectangles would hide, rows of west, south, east, north.
        """
        west, south, east, north = self.frame
        spots = [
            (x, y)
            for y in (south + _EDGE, north - _EDGE - tall)
            for x in (west + _EDGE, east - _EDGE - wide)
            if self._is_free((x, y, x + wide, y + tall))
        ]
        x, y = spots[int(np.argmin(hidden([(x, y, x + wide, y + tall) for x, y in spots])))]
        self.take(x, y, wide, tall)
        return x, y

    def write(
        self,
        pen: Pen,
        text: str,
        size: float,
        spots: Sequence[Any],
        *,
        font: str = PLAIN,
        angle_deg: float = 0.0,
        back: str = colours.PAPER,
        is_sure: bool = False,
    ) -> bool:
        """Write around the first of some points where there is room.

        Parameters
        ----------
        pen : Pen
        text : str
        size : float
            [pt]
        spots : sequence of ndarray, shape (2,)
            Points, the best first.
        font, angle_deg, back
            As in `Pen.text`.
        is_sure : bool
            Whether it is written at the first point if there is room nowhere.

        Returns
        -------
        bool
            Whether it was written.
        """
        wide, tall = self.letters.width(text, size, font) + 1.0, size
        cos, sin = abs(math.cos(math.radians(angle_deg))), abs(math.sin(math.radians(angle_deg)))
        half_x, half_y = 0.5 * (wide * cos + tall * sin), 0.5 * (wide * sin + tall * cos)
        for number, (x, y) in enumerate([*spots, spots[0]] if is_sure else spots):
            box = (x - half_x, y - half_y, x + half_x, y + half_y)
            if number == len(spots) or self._is_free(box):
                self.taken.append(box)
                pen.middle(x, y, text, size, font=font, angle_deg=angle_deg, back=back)
                return True
        return False

    def _is_free(self, box: tuple[float, float, float, float]) -> bool:
        west, south, east, north = box
        if west < self.frame[0] or south < self.frame[1] or east > self.frame[2] or north > self.frame[3]:
            return False
        return all(west >= x1 or east <= x0 or south >= y1 or north <= y0 for x0, y0, x1, y1 in self.taken)
