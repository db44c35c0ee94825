"""The picture of one home: the plan of its lot, what it comes to, and the cautions, on one page."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from screening import colours
from screening.columns import ALTERNATIVE_CODES, FLAG_CODES, REASON_CODES, TIGHTEST_CODES
from screening.errors import ParameterError, ScreeningError
from screening.report.cautions import CAUTIONS
from screening.report.explain import standing, title
from screening.report.facts import flag_codes
from screening.report.lot_map import draw_lot
from screening.report.quantities import Units, percent, wind

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from screening.report.result_file import HomeResult

FORMATS: Final = (".png", ".svg")

_WIDTH_IN, _HEIGHT_IN = 11.0, 8.5
_DPI: Final = 150
_PANEL_X: Final = 0.69
_RIGHT_X: Final = 0.972
_LEGEND_Y: Final = 0.14
_LEGEND_LINE: Final = 0.0228

# Nothing of the user's own matplotlib settings gets in; letters become outlines, so that no font has to be installed;
# the salt keeps the names inside an SVG, and so its bytes, the same.
_SETTINGS: Final[dict[Any, Any]] = {
    "font.family": "DejaVu Sans",
    "hatch.linewidth": 0.5,
    "svg.fonttype": "path",
    "svg.hashsalt": "screening",
}


def save_picture(home: HomeResult, path: Path) -> None:
    """Draw a home or another parcel into a PNG or SVG file.

    Parameters
    ----------
    home : HomeResult
        From `read_home`.
    path : Path
        Ends in ``.png`` or ``.svg``; a file there is replaced.

    Raises
    ------
    ParameterError
        Another ending.
    ScreeningError
        The file cannot be written.
    """
    if path.suffix.lower() not in FORMATS:
        raise ParameterError(f"the picture '{path}' must end in {' or '.join(FORMATS)}")
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        figure = draw_picture(home)
        kind = path.suffix.lower().removeprefix(".")
        # No date and no version in the file: the same home, the same bytes.
        metadata = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
        try:
            figure.savefig(path, format=kind, dpi=_DPI, metadata=metadata, facecolor=colours.PAPER)
        except OSError as error:
            path.unlink(missing_ok=True)
            raise ScreeningError(
                f"the picture '{path}' cannot be written ({error.strerror or error}): choose another place"
            ) from error


def draw_picture(home: HomeResult) -> Figure:
    """Draw a home or another parcel onto a new page.

    Parameters
    ----------
    home : HomeResult
        From `read_home`.

    Returns
    -------
    matplotlib.figure.Figure
        Landscape page, without any window.
    """
    units = Units(home.display_units)
    figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN))
    FigureCanvasAgg(figure)
    figure.text(0.03, 0.955, title(home), fontsize=15, fontweight="bold", color=colours.INK, va="center")
    figure.text(0.03, 0.918, standing(home), fontsize=9, color=colours.QUIET_INK, va="center")
    axes = figure.add_axes((0.03, 0.14, 0.64, 0.75))
    handles = draw_lot(axes, home, units)
    _panel(figure, home, units, floor=_LEGEND_Y + _LEGEND_LINE * (len(handles) + 1))
    if handles:
        figure.legend(
            handles=handles,
            loc="lower left",
            bbox_to_anchor=(_PANEL_X - 0.003, _LEGEND_Y),
            frameon=False,
            fontsize=8.5,
            labelcolor=colours.INK,
            handlelength=2.6,
            handleheight=1.1,
            labelspacing=0.55,
            borderaxespad=0.0,
        )
    _foot(figure)
    return figure


def _panel(figure: Figure, home: HomeResult, units: Units, *, floor: float) -> None:
    """Write the numbers that matter on a visit, and below them what to know, down to a floor."""
    y = 0.875
    remarks: list[str] = []
    for label, value, is_main in _lines(home, units):
        if is_main:
            figure.text(_PANEL_X, y, value, fontsize=15, fontweight="bold", color=colours.INK, va="center")
            figure.text(_PANEL_X, y - 0.028, label, fontsize=8.5, color=colours.QUIET_INK, va="center")
            y -= 0.066
        elif label:
            figure.text(_PANEL_X, y, label, fontsize=8.5, color=colours.QUIET_INK, va="center")
            figure.text(_RIGHT_X, y, value, fontsize=9, color=colours.INK, va="center", ha="right")
            y -= 0.0245
        else:
            remarks += textwrap.wrap(value, 54, initial_indent="• ", subsequent_indent="   ")
    y -= 0.006
    n_fit = int((y - floor) / 0.0185)
    if len(remarks) > n_fit:
        remarks = [*remarks[: n_fit - 1], "   (more in the text of this home)"]
    for line in remarks:
        figure.text(_PANEL_X, y, line, fontsize=8, color=colours.INK, va="center")
        y -= 0.0185


def _lines(home: HomeResult, units: Units) -> Iterator[tuple[str, str, bool]]:
    """Yield label, value, and whether it is the main one; a value without label is a remark."""
    row = home.row
    if not home.is_candidate:
        yield "why no garden is proposed", row["reason_code"].replace("_", " "), True
        yield "", REASON_CODES[row["reason_code"]], False
        yield "", row["reason_text"], False
        if row["tightest_rule_code"] is not None:
            give = units.show(row["tightest_margin_m"], "m")
            by = f", by {give}" if row["tightest_margin_m"] is not None else ""
            rule = TIGHTEST_CODES[row["tightest_rule_code"]]
            yield "", f"one would fit if this rule alone gave way: {rule}{by}", False
        if row["alternative_code"] is not None:
            volume = row["alternative_m3_y"]
            about = "" if volume is None else f", about {units.rough(volume, 'm3/y')}"
            yield "", f"to look at on a visit instead: {ALTERNATIVE_CODES[row['alternative_code']]}{about}", False
        return
    yield "of roof water a year kept from running off, likely", units.rough(row["diverted_m3_y"], "m3/y"), True
    yield "range, 10 to 90 %", units.rough_span(row["diverted_low_m3_y"], row["diverted_high_m3_y"], "m3/y"), False
    treated, roof = units.show(row["treated_roof_m2"], "m2"), units.show(row["roof_area_m2"], "m2")
    yield "roof to gardens", f"{treated} of {roof}, {percent(row['treated_roof_frac'])}", False
    yield "gardens", f"{row['n_gardens']}, {units.show(row['garden_area_m2'], 'm2')}", False
    yield "water they hold", units.show(row["storage_m3"], "m3"), False
    yield "soaks away in", units.show(row["drawdown_h"], "h"), False
    slope = units.show(row["ground_slope_pct"], "%")
    falls = f", falls {wind(row['downslope_deg'])}" if row["downslope_deg"] is not None else ""
    yield "ground around the house", f"{slope}{falls}", False
    yield "confidence", percent(row["confidence_frac"]), False
    for code in flag_codes(row):
        yield "", FLAG_CODES.get(code, code), False


def _foot(figure: Figure) -> None:
    """Write the cautions, in two columns."""
    figure.text(0.03, 0.112, "Before anybody digs", fontsize=9, fontweight="bold", color=colours.INK, va="center")
    half = -(-len(CAUTIONS) // 2)
    for column, cautions in enumerate((CAUTIONS[:half], CAUTIONS[half:])):
        lines = [
            line for text in cautions for line in textwrap.wrap(text, 94, initial_indent="• ", subsequent_indent="   ")
        ]
        for number, line in enumerate(lines):
            figure.text(
                0.03 + 0.485 * column, 0.09 - 0.021 * number, line, fontsize=7.8, color=colours.INK, va="center"
            )
