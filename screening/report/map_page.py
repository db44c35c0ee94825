"""The page of the map: one HTML file with library, data and words inside, that asks a network for nothing."""

from __future__ import annotations

import base64
import gzip
import hashlib
import html
import json
import re
import struct
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from screening import colours
from screening.columns import NOT_SCREENED
from screening.report.cautions import CAUTIONS
from screening.report.map_words import LANGUAGE, MAP_WORDS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from importlib.resources.abc import Traversable

    from screening.report.map_data import MapData

LIBRARY: Final = "leaflet"
"""Folder of the map library as it was published, with its licence."""

_SCRIPTS: Final = (
    "unpack.js",
    "places.js",
    "state.js",
    "draw.js",
    "labels.js",
    "canvas.js",
    "why.js",
    "list.js",
    "filter.js",
    "search.js",
    "print.js",
    "start.js",
)
"""The page's own scripts, in the order in which they build on each other."""

_COMPRESSION: Final = 6
_PLACEHOLDER: Final = re.compile(r"\{\{(\w+)\}\}")


def map_page(data: MapData) -> str:
    """Write the page.

    Parameters
    ----------
    data : MapData

    Returns
    -------
    str
        HTML. Texts of the result stand in it only compressed and in base64, so that none can be taken for markup or a
        script; the page puts them in as text.
    """
    parts = files("screening.report") / "map_parts"
    library = parts / LIBRARY
    own = "\n".join(_text(parts / name) for name in _SCRIPTS)
    scripts = [_without_source_map(_text(library / "leaflet.js")), f'(() => {{\n"use strict";\n{own}\n}})();']
    style = "\n".join((_colour_names(), _without_pictures(_text(library / "leaflet.css")), _text(parts / "page.css")))
    words = {f"w_{name}": html.escape(text) for name, text in MAP_WORDS.items()}
    filled = {
        **words,
        "language": LANGUAGE,
        "policy": html.escape(_policy(scripts, style)),
        "style": style,
        "library": scripts[0],
        "script": scripts[1],
        "data": _packed(data),
        "licence": html.escape(_text(library / "LICENSE")),
        "cautions": "".join(f"<li>{html.escape(caution)}</li>" for caution in CAUTIONS),
    }
    return _PLACEHOLDER.sub(lambda found: filled[found[1]], _text(parts / "page.html"))


def _text(path: Traversable) -> str:
    return path.read_text("utf-8")


def _without_source_map(script: str) -> str:
    """Leave out the comment for which a browser's developer tools would look for another file."""
    return re.sub(r"^//# sourceMappingURL=.*$", "", script, flags=re.MULTILINE)


def _without_pictures(style: str) -> str:
    """Leave out the rules that name files beside the library; the page uses none of what they are for."""
    return re.sub(r"^[^\S\n]*[\w-]+:[^;{}]*url\([^)]*\)[^;{}]*;", "", style, flags=re.MULTILINE)


def _policy(scripts: list[str], style: str) -> str:
    """Content security policy: these scripts and this style, and nothing else from anywhere.

    References
    ----------
    .. [1] W3C, Content Security Policy Level 3, sections 2.3 (hashes) and 3.3 (the meta element), from memory.
    """
    allowed = " ".join(_digest(script) for script in scripts)
    return f"default-src 'none'; script-src {allowed}; style-src {_digest(style)}; img-src data:"


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _packed(data: MapData) -> str:
    """Length of the head (four bytes, the lowest first), head as JSON, outlines; compressed, as base64."""
    head: dict[str, Any] = {
        **data.head,
        "words": dict(MAP_WORDS),
        "colours": _colours(),
        "not_screened": NOT_SCREENED,
        "warning_ends": colours.WARNING_ENDS,
    }
    text = json.dumps(head, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
    # mtime=0: the same result gives the same page
    raw = gzip.compress(struct.pack("<I", len(text)) + text + data.shapes, _COMPRESSION, mtime=0)
    return base64.b64encode(raw).decode()


def _colours() -> Mapping[str, str]:
    """Colours by their names in small letters."""
    return {
        name.lower(): value
        for name, value in vars(colours).items()
        if name.isupper() and isinstance(value, str) and value.startswith("#")
    }


def _colour_names() -> str:
    """Colours as custom properties of the style."""
    lines = "".join(f"  --{name.replace('_', '-')}: {value};\n" for name, value in _colours().items())
    return f":root {{\n{lines}}}"
