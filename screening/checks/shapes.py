"""Looks at how shapes are written: heights, arcs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from screening.read.gdal import call_gdal

if TYPE_CHECKING:
    from screening.checks.finding import Findings
    from screening.checks.seen import Seen
    from screening.read import LayerInfo

CURVED: Final = frozenset({8, 9, 10, 11, 12, 13, 14})
"""Types of well-known binary with arcs (ISO 19125-1, SQL/MM part 3: circular string to surface)."""

MANY_RECORDS: Final = 100_000
"""Of a larger layer only so many records are looked at."""


def look_at_shapes(seen: Seen, findings: Findings) -> None:
    """Tell layers whose shapes carry heights, measures or arcs."""
    with_heights, with_arcs = [], []
    for role, info in seen.infos.items():
        has_heights, has_arcs = _kinds(info)
        if has_heights:
            with_heights.append((role, info))
        if has_arcs:
            with_arcs.append((role, info))
    for code, found, what in (
        ("height_in_geometry", with_heights, "heights or measures"),
        ("curved_lines", with_arcs, "arcs"),
    ):
        for role, info in found:
            findings.say(code, f"{info.where}: its shapes have {what}.", role=role)


def _kinds(info: LayerInfo) -> tuple[bool, bool]:
    """Whether shapes have heights or measures, and whether they have arcs."""
    name = info.geometry_type
    has_heights = name.startswith(("2.5D ", "3D ", "Measured ")) or name.split(" ")[-1] in ("Z", "M", "ZM")
    if info.is_parquet or (has_heights and "Polygon" in name):
        return has_heights, False
    is_sure = name in ("Polygon", "MultiPolygon", "LineString", "MultiLineString", "Point", "MultiPoint")
    if is_sure:
        return has_heights, False
    numbers = _type_numbers(info)
    plain = numbers & 0xFFFF
    heights = ((numbers & 0xE0000000) > 0) | (plain >= 1000)
    return has_heights or bool(heights.any()), bool(np.isin(plain % 1000, list(CURVED)).any())


def _type_numbers(info: LayerInfo) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Type number of each shape of a layer, from the head of its well-known binary."""
    import pyogrio  # noqa: PLC0415 - heavy

    _, table = call_gdal(
        info.path,
        lambda: pyogrio.read_arrow(info.source, layer=info.layer, columns=[], max_features=MANY_RECORDS),
    )
    shapes = table.column(table.num_columns - 1).to_pylist()
    return np.array(
        [int.from_bytes(one[1:5], "little" if one[0] else "big") for one in shapes if one and len(one) >= 5],
        dtype=np.int64,
    )
