"""A page that shows where the trouble lies: one HTML file with map library and data inside, for any browser."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening import colours
from screening.checks.words import count
from screening.columns import SEVERITIES

if TYPE_CHECKING:
    import numpy.typing as npt

    from screening.checks.whole import Report

    ObjectArray = npt.NDArray[np.object_]

SIMPLER_M: Final = 0.5
"""Outlines are drawn this exactly [m]."""

MAX_OUTLINES: Final = 40_000
"""A page with more would hardly open; of more only those near a place are drawn."""

NEAR_M: Final = 150.0

_PLACEHOLDER: Final = re.compile(r"\{\{(\w+)\}\}")


def trouble_page(report: Report) -> str:
    """Write the page.

    Parameters
    ----------
    report : Report
        From `check_city`.

    Returns
    -------
    str
        HTML that asks a network for nothing. Texts of the data stand in it as JSON in which no mark of HTML is left.
    """
    parts = files("screening.checks") / "page_parts"
    leaflet = files("screening.report") / "map_parts" / "leaflet"
    script = f'(() => {{\n"use strict";\n{(parts / "page.js").read_text("utf-8")}\n}})();'
    library = re.sub(r"^//# sourceMappingURL=.*$", "", (leaflet / "leaflet.js").read_text("utf-8"), flags=re.MULTILINE)
    # the rules with pictures serve what this page has not
    sheet = (leaflet / "leaflet.css").read_text("utf-8")
    sheet = re.sub(r"^[^\S\n]*[\w-]+:[^;{}]*url\([^)]*\)[^;{}]*;", "", sheet, flags=re.MULTILINE)
    style = "\n".join((_colour_names(), sheet, (parts / "page.css").read_text("utf-8")))
    filled = {
        "policy": html.escape(
            f"default-src 'none'; script-src {_digest(library)} {_digest(script)}; style-src {_digest(style)}; "
            "img-src data:"
        ),
        "style": style,
        "library": library,
        "script": script,
        "licence": html.escape((leaflet / "LICENSE").read_text("utf-8")),
        "data": _data(report),
    }
    return _PLACEHOLDER.sub(lambda found: filled[found[1]], (parts / "page.html").read_text("utf-8"))


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _colours() -> dict[str, str]:
    return {
        name.lower(): value
        for name, value in vars(colours).items()
        if name.isupper() and isinstance(value, str) and value.startswith("#")
    }


def _colour_names() -> str:
    lines = "".join(f"  --{name.replace('_', '-')}: {value};\n" for name, value in _colours().items())
    return f":root {{\n{lines}}}"


def _data(report: Report) -> str:
    """Outlines and findings as JSON, without any character that could end the element it stands in."""
    places = [one.places_m for one in report.findings if len(one.places_m)]
    all_places = np.concatenate(places) if places else np.empty((0, 2))
    lots = _none() if report.lots_m is None else report.lots_m
    buildings = _none() if report.buildings_m is None else report.buildings_m
    corner = shapely.total_bounds(lots)[:2] if len(lots) else all_places.min(axis=0) if len(all_places) else np.zeros(2)
    corner = np.floor(corner)
    data = {
        "counts": ", ".join(count(report.count(one), one) for one in SEVERITIES),
        "colours": _colours(),
        "lots": _outlines(lots, all_places, corner),
        "buildings": _outlines(buildings, all_places, corner),
        "findings": [
            {
                "code": one.code,
                "severity": one.severity,
                "sentence": one.sentence,
                "effect": one.effect,
                "places": np.round(one.places_m - corner, 1).tolist(),
            }
            for one in report.findings
        ],
    }
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _none() -> ObjectArray:
    return np.empty(0, dtype=object)


def _outlines(shapes: ObjectArray, places_m: Any, corner: Any) -> list[list[int]]:
    """Rings as flat lists of decimetres from the corner."""
    if len(shapes) > MAX_OUTLINES:
        near, _ = shapely.STRtree(shapely.points(places_m)).query(shapes, predicate="dwithin", distance=NEAR_M)
        shapes = shapes[np.unique(near)[:MAX_OUTLINES]]
    rings = shapely.get_rings(shapely.simplify(shapes, SIMPLER_M))
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(xy):
        return []
    flat = np.round((xy - corner) * 10.0).astype(np.int64)
    return [part.ravel().tolist() for part in np.split(flat, np.flatnonzero(np.diff(ring)) + 1)]
