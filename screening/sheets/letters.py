"""Letters for the page: an embedded open font, widths, line breaks.

The font is DejaVu Sans, which matplotlib brings along with its licence (LICENSE_DEJAVU, free to embed); set at 90 % of
its width it is what DejaVu Sans Condensed is.
"""

from __future__ import annotations

import importlib.util
import re
import unicodedata
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont

from screening.errors import InputError, ScreeningError
from screening.sheets.direction import visual

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

STRETCH_PCT: Final = 90
"""Letters are set at this part of their width. [%]"""

PLAIN: Final = "ScreeningText"
BOLD: Final = "ScreeningTextBold"
GIVEN: Final = "ScreeningTextGiven"

_FILES: Final = {PLAIN: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
# Labels come again on every page, addresses and numbers don't.
_MOST_KNOWN: Final = 50_000
# A number and its unit stay together.
_FIXED_BLANK: Final = "\u00a0"
_UNIT_GAP: Final = re.compile(r"(?<=\d) (?=(?:%|[cm]?m[²³]?|ft[²³]?|gal|in|h|yd³|L)(?:/\w+)?(?![\w²³]))")
_UNKNOWN: Final = "\u25a1"
_ELLIPSIS: Final = "…"


class Letters:
    """The fonts of one document.

    Parameters
    ----------
    font_file : Path or None
        A TrueType font for letters that the own one lacks.

    Raises
    ------
    InputError
        That file is no TrueType font.

    Attributes
    ----------
    missing : dict of str to int
        Letters that no font has, with how often they were asked for; a square stands for them.
    """

    def __init__(self, font_file: Path | None = None) -> None:
        self.fonts: dict[str, TTFont] = {name: _own_font(name) for name in _FILES}
        if font_file is not None:
            try:
                given = TTFont(GIVEN, str(font_file))
            except (TTFError, OSError) as error:
                raise InputError(f"'{font_file}' is no TrueType font that can be embedded ({error})") from error
            pdfmetrics.registerFont(given)
            self.fonts[GIVEN] = given
        self.missing: dict[str, int] = {}
        self._codes: dict[tuple[str, str], list[tuple[str, str]]] = {}

    def codes(self, text: str, font: str, canvas: Any) -> list[tuple[str, str]]:
        """Return the codes that set a line.

        Parameters
        ----------
        text : str
            In the order in which it is read.
        font : str
            Font wanted.
        canvas : reportlab Canvas
            The document; the same one always.

        Returns
        -------
        list of (str, str)
            Name of a font in the document with its slash, codes in hexadecimal.
        """
        known = self._codes.get((text, font))
        if known is None:
            document = canvas._doc  # noqa: SLF001 - what reportlab's own text objects hand to the font
            known = []
            for name, part in self.runs(visual(text), font):
                own = self.fonts[name]
                for subset, codes in own.splitString(part, document):
                    known.append((own.getSubsetInternalName(subset, document), codes.hex()))
            if len(self._codes) < _MOST_KNOWN:
                self._codes[text, font] = known
        return known

    def runs(self, text: str, font: str) -> list[tuple[str, str]]:
        """Part a text by the font that has its letters: the wanted one, the given one, else a square."""
        if text.isascii():
            return [(font, text)]
        parts: list[tuple[str, str]] = []
        for letter in text:
            name, shown = self._font_of(letter, font)
            if parts and parts[-1][0] == name:
                parts[-1] = name, parts[-1][1] + shown
            else:
                parts.append((name, shown))
        return parts

    def _font_of(self, letter: str, font: str) -> tuple[str, str]:
        for name in (font, GIVEN):
            if name in self.fonts and ord(letter) in self.fonts[name].face.charToGlyph:
                return name, letter
        if unicodedata.category(letter) in {"Cf", "Cc", "Mn"}:
            return font, ""
        self.missing[letter] = self.missing.get(letter, 0) + 1
        return font, _UNKNOWN

    def width(self, text: str, size: float, font: str = PLAIN) -> float:
        """Return the width of a text as it is set [pt]."""
        return _width(self.fonts[font].face, text) * size

    def fit(self, text: str, width: float, size: float, *, least: float, font: str = PLAIN) -> tuple[str, float]:
        """Make a line fit: smaller letters down to a least size, then its end cut off.

        Returns
        -------
        str
            The text, or its beginning with an ellipsis.
        float
            Size of the letters [pt].
        """
        wide = self.width(text, size, font)
        if wide <= width:
            return text, size
        smaller = max(least, size * width / wide)
        while text and self.width(text, smaller, font) > width + 0.01:
            text = text.removesuffix(_ELLIPSIS)[:-1].rstrip() + _ELLIPSIS
            if text == _ELLIPSIS:
                break
        return text, smaller

    def wrap(self, text: str, width: float, size: float, font: str = PLAIN, *, hang: float = 0.0) -> list[str]:
        """Break a text into lines.

        Parameters
        ----------
        text : str
        width : float
            Of the first line. [pt]
        size : float
            Of the letters. [pt]
        font : str
        hang : float
            By which the further lines are shorter. [pt]
        """
        lines: list[str] = []
        line, wide, blank = "", 0.0, self.width(" ", size, font)
        for word in self._pieces(_UNIT_GAP.sub(_FIXED_BLANK, text).split(" "), width - hang, size, font):
            word_wide = self.width(word, size, font)
            if line and wide + blank + word_wide > width - (hang if lines else 0.0):
                lines.append(line)
                line, wide = word, word_wide
            elif line:
                line, wide = f"{line} {word}", wide + blank + word_wide
            else:
                line, wide = word, word_wide
        return [*lines, line] if line else lines

    def _pieces(self, words: Sequence[str], width: float, size: float, font: str) -> Iterator[str]:
        """Words, those that are wider than a line in pieces."""
        for whole in filter(None, words):
            word = whole
            while len(word) > 1 and self.width(word, size, font) > width:
                end = len(word) - 1
                while end > 1 and self.width(word[:end], size, font) > width:
                    end -= 1
                yield word[:end]
                word = word[end:]
            yield word


def one_line(text: str | None) -> str:
    """Put a text of the input on one line: blanks for breaks, no letters that steer devices."""
    if not text:
        return ""
    return " ".join("".join(letter for letter in text if letter.isspace() or letter.isprintable()).split())


@cache
def _own_font(name: str) -> TTFont:
    spec = importlib.util.find_spec("matplotlib")
    folders = list(spec.submodule_search_locations or ()) if spec is not None else []
    path = Path(folders[0], "mpl-data", "fonts", "ttf", _FILES[name]) if folders else Path(_FILES[name])
    if not path.is_file():
        raise ScreeningError(f"the font {_FILES[name]} of matplotlib is missing: install matplotlib again")
    font = TTFont(name, str(path))
    pdfmetrics.registerFont(font)
    return font


@lru_cache(maxsize=20_000)
def _width(face: object, text: str) -> float:
    widths, default = face.charWidths, face.defaultWidth  # type: ignore[attr-defined]
    return float(sum(widths.get(ord(letter), default) for letter in text)) * STRETCH_PCT / 1e5
