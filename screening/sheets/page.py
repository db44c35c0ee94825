"""How a sheet is laid out, and one page drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from screening.sheets import blocks, fixed
from screening.sheets.pen import Pen
from screening.sheets.plan import Plan
from screening.sheets.plan_furniture import draw_furniture
from screening.sheets.plan_names import write_names
from screening.sheets.prepare import make_beds

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from screening.sheets.choice import Stop
    from screening.sheets.gather import SheetHome
    from screening.sheets.letters import Letters
    from screening.sheets.prepare import Setting

PAPERS: Final[Mapping[str, tuple[float, float]]] = {
    "letter": (612.0, 792.0),
    "a4": (595.276, 841.89),
}
"""Width and height of the papers [pt]."""

MARGIN: Final = 30.0
_GAP: Final = 10.0
_SIDE: Final = 184.0
_LEGEND: Final = 40.0
# The lower part has what it needs, the plan gets the rest.
_LOWER: Final = 247.0
_FOOT: Final = 8.0
_DIG_OUT: Final = 27.0


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things stand on a paper [pt]."""

    left: float
    top: float
    wide: float
    plan_wide: float
    plan_tall: float
    lower_top: float
    lower_tall: float
    cautions_tall: float
    low: float
    column: float


def make_layout(paper: str, cautions_tall: float) -> Layout:
    """Divide a paper.

    Parameters
    ----------
    paper : str
        A key of `PAPERS`.
    cautions_tall : float
        Height of the cautions. [pt]
    """
    width, height = PAPERS[paper]
    wide = width - 2.0 * MARGIN
    top, low = height - MARGIN, MARGIN + _FOOT
    lower_top = low + cautions_tall + 6.0 + _LOWER
    plan_top = top - 44.0
    return Layout(
        left=MARGIN,
        top=top,
        wide=wide,
        plan_wide=wide - _SIDE - _GAP,
        plan_tall=plan_top - lower_top - _LEGEND - 8.0,
        lower_top=lower_top,
        lower_tall=_LOWER,
        cautions_tall=cautions_tall,
        low=low,
        column=(wide - 2 * _GAP) / 3,
    )


class Sheets:
    """Draws sheets into a document.

    Parameters
    ----------
    canvas : reportlab Canvas
    letters : Letters
    setting : Setting
    paper : str
        A key of `PAPERS`.
    """

    def __init__(self, canvas: Any, letters: Letters, setting: Setting, paper: str) -> None:
        self.canvas, self.letters, self.setting, self.paper = canvas, letters, setting, paper
        wide = PAPERS[paper][0] - 2.0 * MARGIN
        tall = -fixed.cautions(Pen(canvas, letters), setting, x=0.0, y=0.0, wide=wide)
        self.layout = layout = make_layout(paper, tall)
        self._upkeep_end = 0.0

        def legend(pen: Pen) -> None:
            fixed.legend(
                pen, setting, x=layout.left, y=layout.lower_top + _LEGEND + 4.0, wide=layout.plan_wide, tall=_LEGEND
            )

        def checks(pen: Pen) -> None:
            fixed.checks(pen, setting, x=layout.left, y=layout.lower_top, wide=layout.column, tall=layout.lower_tall)

        def upkeep(pen: Pen) -> None:
            x = layout.left + layout.column + _GAP
            low = layout.low + layout.cautions_tall + 6.0
            tall = -fixed.upkeep(Pen(canvas, letters), setting, x=0.0, y=0.0, wide=layout.column)
            self._upkeep_top = low + tall + _DIG_OUT
            self._upkeep_end = fixed.upkeep(pen, setting, x=x, y=self._upkeep_top, wide=layout.column)

        def visit(pen: Pen) -> None:
            x = layout.left + 2 * (layout.column + _GAP)
            fixed.visit(pen, setting, x=x, y=layout.lower_top, wide=layout.column, tall=layout.lower_tall)

        def cautions(pen: Pen) -> None:
            fixed.cautions(pen, setting, x=layout.left, y=layout.low + layout.cautions_tall, wide=layout.wide)

        # in the order of reading
        self._forms = ["legend", "checks", "upkeep", "visit", "cautions"]
        for name, draw in zip(self._forms, (legend, checks, upkeep, visit, cautions), strict=True):
            self._form(name, draw)

    def _form(self, name: str, draw: Callable[[Pen], None]) -> None:
        """Draw something once, to be shown on every page."""
        width, height = PAPERS[self.paper]
        self.canvas.beginForm(name, 0, 0, width, height)
        pen = Pen(self.canvas, self.letters)
        draw(pen)
        pen.flush()
        self.canvas.endForm()

    def draw(self, home: SheetHome, stop: Stop, page: str) -> bool:
        """Draw one page.

        Parameters
        ----------
        home : SheetHome
        stop : Stop
        page : str
            Number of the page and of all pages.

        Returns
        -------
        bool
            Whether tapes lead to every garden.
        """
        setting, layout = self.setting, self.layout
        beds = make_beds(home, setting.rules)
        pen = Pen(self.canvas, self.letters)
        blocks.head(pen, setting, home, stop, x=layout.left, y=layout.top, wide=layout.wide)
        plan_low = layout.lower_top + _LEGEND + 8.0
        plan = Plan(pen, setting, home, beds, x=layout.left, y=plan_low, wide=layout.plan_wide, tall=layout.plan_tall)
        plan.draw()
        draw_furniture(plan)
        write_names(plan)
        pen.flush()
        self.canvas.doForm("legend")
        x, side_low = layout.left + layout.plan_wide + _GAP, layout.lower_top + 4.0
        y = blocks.numbers(pen, setting, home, beds, x=x, y=layout.top - 44.0, wide=_SIDE)
        y = blocks.pegs(pen, setting, beds, x=x, y=y - 4.0, wide=_SIDE, floor=side_low + 60.0)
        blocks.why(pen, setting, home, beds, x=x, y=y - 4.0, wide=_SIDE, floor=side_low)
        pen.flush()
        self.canvas.doForm("checks")
        x = layout.left + layout.column + _GAP
        blocks.materials(pen, setting, beds, x=x, y=layout.lower_top, wide=layout.column, floor=self._upkeep_top + 2.0)
        pen.flush()
        self.canvas.doForm("upkeep")
        floor = layout.low + layout.cautions_tall + 2.0
        blocks.digging_out(pen, setting, beds, x=x, y=self._upkeep_end, wide=layout.column, floor=floor)
        pen.flush()
        self.canvas.doForm("visit")
        self.canvas.doForm("cautions")
        foot = setting.words.foot.format(
            version=setting.version, source=setting.source, rules=setting.rules.rule_set, rain=setting.rules.rain
        )
        room = layout.wide - 60.0
        shown, size = self.letters.fit(foot, room, 6.2, least=4.8)
        pen.text(layout.left, MARGIN - 2.0, shown, size)
        pen.text(layout.left + layout.wide, MARGIN - 2.0, page, 6.2, align=1.0)
        pen.flush()
        return all(bed.tapes is not None for bed in beds)
