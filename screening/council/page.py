"""The page about a result, in the form asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from screening.council.facts import read_facts
from screening.council.place_map import draw_map
from screening.council.season import read_season

if TYPE_CHECKING:
    from pathlib import Path

_HTML_MAP: Final = (900.0, 560.0)


def write_page(
    result: Path,
    output: Path,
    *,
    is_pdf: bool,
    kind: str | None = None,
    place: str = "",
    plan_file: Path | None = None,
    display_units: str | None = None,
    paper: str | None = None,
) -> None:
    """Write the page about a result.

    Parameters
    ----------
    result : Path
        A result of a run; only this is read, and the plan.
    output : Path
        File to write.
    is_pdf : bool
        Whether it is a PDF; otherwise HTML.
    kind : str or None
        What homes are counted by, as in `read_publication`.
    place : str
        Name of the town, for the title.
    plan_file : Path or None
        A plan of visits.
    display_units : str or None
        ``"metric"`` or ``"us"``.
    paper : str or None
        ``"letter"`` or ``"a4"``; None: letter with US units, A4 with metric ones.

    Raises
    ------
    InputError
        No result of a run, or a plan of another one.
    ParameterError
        The result has no such places.
    """
    plan = None if plan_file is None else read_season(plan_file, result)
    facts = read_facts(result, kind=kind, place=place, plan=plan, display_units=display_units)
    if is_pdf:
        from screening.council.pdf_page import MAP_TALL, column_wide, write_pdf  # noqa: PLC0415 - reportlab is slow

        paper = paper or ("letter" if facts.units.is_us else "a4")
        drawn = draw_map(facts, result, wide=column_wide(paper), most_tall=MAP_TALL)
        write_pdf(facts, drawn, output, paper=paper)
        return
    from screening.council.html_page import html_page  # noqa: PLC0415

    wide, tall = _HTML_MAP
    output.write_text(html_page(facts, draw_map(facts, result, wide=wide, most_tall=tall)), encoding="utf-8")
