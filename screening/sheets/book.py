"""All sheets as one PDF."""

from __future__ import annotations

import logging
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from screening import __version__
from screening.sheets.choice import choose_stops
from screening.sheets.gather import gather_homes, lacks_detail
from screening.sheets.languages import LANGUAGES, SheetUnits
from screening.sheets.letters import PLAIN, Letters, one_line
from screening.sheets.page import PAPERS, Sheets
from screening.sheets.prepare import Rules, Setting

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from screening.report.result_layers import ResultLayers
    from screening.sheets.choice import Stop

logger = logging.getLogger(__name__)

# Homes whose rows are in memory at a time.
_BATCH: Final = 2000
_PAPER_NAMES: Final = {"letter": "US Letter", "a4": "A4"}
_SUBJECT: Final = "Screening from map data, for staff; rows of single homes are not for publication."


@dataclass(frozen=True, slots=True)
class Book:
    """What was written.

    Attributes
    ----------
    n_pages : int
    paper : str
        Name of the paper.
    notes : tuple of str
        What somebody should know about these sheets.
    """

    n_pages: int
    paper: str
    notes: tuple[str, ...]


def write_book(
    result: ResultLayers,
    path: Path,
    *,
    plan: Path | None = None,
    homes: Sequence[str] = (),
    streets: Sequence[str] = (),
    first: int | None = None,
    by_address: bool = False,
    paper: str | None = None,
    display_units: str | None = None,
    language: str = "en",
    font_file: Path | None = None,
    on_progress: Callable[[int, int, str], None] | None = None,
) -> Book:
    """Write the sheets of some homes.

    Parameters
    ----------
    result : ResultLayers
        A result of a run; only this is read.
    path : Path
        PDF to write.
    plan, homes, streets, first, by_address
        As in `choose_stops`.
    paper : str or None
        ``"letter"`` or ``"a4"``; None: letter with US units, A4 with metric ones.
    display_units : str or None
        ``"metric"`` or ``"us"``; None: the run's ``[output] display_units``.
    language : str
        A key of `LANGUAGES`.
    font_file : Path or None
        Font for letters that the own one lacks.
    on_progress : callable, optional
        Told the pages done, all pages, and what is being done.

    Returns
    -------
    Book

    Raises
    ------
    ParameterError, InputError
        As `choose_stops`; a font that cannot be embedded.
    """
    stops = choose_stops(result, plan=plan, homes=homes, streets=streets, first=first, by_address=by_address)
    letters = Letters(font_file)
    words = LANGUAGES[language]
    setting = Setting(
        words=words,
        units=SheetUnits(display_units or result.record.get("param.output.display_units", "metric"), words),
        rules=_rules(result),
        has_houses=not lacks_detail(result),
        source=result.path.name,
        version=__version__,
    )
    paper = paper or ("letter" if setting.units.is_us else "a4")
    with _plain_streams():
        n_without = _write(path, result, stops, letters, setting, paper=paper, on_progress=on_progress)
    return Book(len(stops), _PAPER_NAMES[paper], tuple(_notes(setting, letters, n_without)))


def _notes(setting: Setting, letters: Letters, n_without: int) -> Iterator[str]:
    if not setting.has_houses:
        yield (
            "The result has no buildings (detail = lean), so the plans show no house and there is nothing to tape "
            "from; a run with detail = full gives both."
        )
    elif n_without:
        yield (
            f"On {n_without:,} of them no corner of a building sees all pegs of a garden; they say so, and the garden "
            "is measured from the lot line."
        )
    if letters.missing:
        commonest = sorted(letters.missing, key=lambda letter: (-letters.missing[letter], letter))
        yield (
            f"{len(commonest)} kinds of letters are not in the font and stand as squares, among them "
            f"{' '.join(commonest[:5])}: give a font that has them with --font FILE.ttf."
        )


@contextmanager
def _plain_streams() -> Iterator[None]:
    """Let reportlab write pages as bytes; letters that stand for bytes take longer and more room."""
    before = rl_config.useA85
    rl_config.useA85 = 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def _write(
    path: Path,
    result: ResultLayers,
    stops: Sequence[Stop],
    letters: Letters,
    setting: Setting,
    *,
    paper: str,
    on_progress: Callable[[int, int, str], None] | None,
) -> int:
    """Write all pages; return on how many tapes don't lead to every garden."""
    words = setting.words
    canvas = Canvas(
        str(path), pagesize=PAPERS[paper], invariant=1, lang=words.language, pageCompression=1, initialFontName=PLAIN
    )
    canvas.setTitle(words.document_title)
    canvas.setSubject(_SUBJECT)
    canvas.setCreator(f"screening {__version__}")
    canvas.setAuthor("")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    canvas.setViewerPreference("PrintScaling", "/None")
    sheets = Sheets(canvas, letters, setting, paper)
    n_without = 0
    for start in range(0, len(stops), _BATCH):
        batch = stops[start : start + _BATCH]
        for number, home in enumerate(gather_homes(result, [stop.home_id for stop in batch]), start=start):
            stop = stops[number]
            title = one_line(home.row["address"]) or words.home.format(home.row["home_id"])
            canvas.bookmarkPage(f"p{number}")
            canvas.addOutlineEntry(f"{stop.number} · {title}", f"p{number}", level=0)
            n_without += not sheets.draw(home, stop, f"{number + 1} / {len(stops)}")
            canvas.showPage()
            if on_progress is not None:
                on_progress(number + 1, len(stops), "drawing sheets")
    canvas.save()
    return n_without


def _rules(result: ResultLayers) -> Rules:
    record = result.record

    def number(key: str) -> float | None:
        try:
            return float(record.get(f"param.{key}", ""))
        except ValueError:
            return None

    foundation = "foundation_no_basement_m" if record.get("param.rules.basement") == "no" else "foundation_m"
    distance_m, overhang_m = number(f"rules.{foundation}"), number("roof.overhang_m") or 0.0
    rain: Any = record.get("rain_years") or record.get("param.inputs.rain") or "assumed"
    return Rules(
        building_gap_m=None if distance_m is None else max(0.0, distance_m - overhang_m),
        lot_line_m=number("rules.lot_line_m"),
        overhang_m=overhang_m,
        run_per_rise=number("sizing.side_run_per_rise") or 0.0,
        berm_m=number("sizing.berm_width_m") or 0.0,
        horizon_y=int(number("ageing.horizon_y") or 0),
        rule_set=record.get("param.rules.base", ""),
        rain=rain,
        n_candidates=result.table("candidate_homes").num_rows,
    )
