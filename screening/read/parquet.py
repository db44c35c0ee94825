"""GeoParquet files, read with pyarrow: GDAL's build for Python doesn't know the format."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from screening.errors import InputError, SchemaError
from screening.paths import why_unreadable
from screening.read.gdal import first_sentence

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy.typing as npt

    Bounds = tuple[float, float, float, float]

PARQUET_SUFFIXES: Final = (".parquet", ".geoparquet", ".pq")

_COLLECTION: Final = (b"\x07\x00\x00\x00", b"\x00\x00\x00\x07")
_NESTED: Final = (b"\x01\x07\x00\x00\x00", b"\x00\x00\x00\x00\x07")
MOST_NESTED: Final = 100
"""Collections within one shape."""

DEFAULT_CRS: Final = "OGC:CRS84"
"""CRS of a file that names none.  Source: GeoParquet specification 1.1, column metadata ``crs``."""


def read_metadata(path: Path) -> tuple[dict[str, Any], list[str], int]:
    """Geometry metadata of a GeoParquet file, its column names and its number of rows.

    Raises
    ------
    InputError
        If the file can't be opened.
    SchemaError
        If it is a table without geometry.
    """
    import pyarrow as pa  # noqa: PLC0415 - heavy
    import pyarrow.parquet as pq  # noqa: PLC0415

    wrong = why_unreadable(path)
    if wrong:
        msg = f"{path.name} {wrong}; check the path."
        raise InputError(msg, code="file_missing")
    try:
        with pq.ParquetFile(path) as file:
            schema = file.schema_arrow
            n_rows = int(file.metadata.num_rows)
    except (pa.ArrowException, OSError) as error:
        raise _broken(path, error) from error
    text = (schema.metadata or {}).get(b"geo")
    try:
        geo: dict[str, Any] = json.loads(text or b"{}")
        primary = geo["primary_column"]
        is_known = primary in schema.names and _is_column(geo["columns"][primary])
    except (ValueError, KeyError, TypeError, RecursionError):
        is_known = False
    if not is_known:
        msg = f"{path.name} is a Parquet table without GeoParquet geometry; save it again with its geometry."
        raise SchemaError(msg, code="shapes_of_wrong_kind")
    return geo, list(schema.names), n_rows


def _is_column(column: object) -> bool:
    """Whether a column's description has the types that the specification gives them."""
    if not isinstance(column, dict):
        return False
    types, box = column.get("geometry_types") or [], column.get("bbox") or [0.0] * 4
    return (
        isinstance(types, list)
        and all(isinstance(one, str) for one in types)
        and isinstance(column.get("encoding", ""), str)
        and isinstance(box, list)
        and len(box) in {4, 6}
        and all(isinstance(one, int | float) for one in box)
        and isinstance(column.get("covering", {}), dict)
    )


def declared_bounds(path: Path, geo: dict[str, Any]) -> Bounds | None:
    """Extent of the shapes: the declared one, else that of the data; None if there are none."""
    box = geo["columns"][geo["primary_column"]].get("bbox")
    if box:
        half = len(box) // 2
        return float(box[0]), float(box[1]), float(box[half]), float(box[half + 1])
    import geopandas  # noqa: PLC0415 - heavy
    import pyarrow as pa  # noqa: PLC0415

    try:
        west, south, east, north = geopandas.read_parquet(path, columns=[geo["primary_column"]]).total_bounds
    # geopandas looks for the parts of the declared encoding without a look at what is there
    except (pa.ArrowException, OSError, ValueError, AttributeError) as error:
        raise _broken(path, error) from error
    return (float(west), float(south), float(east), float(north)) if np.isfinite(west) else None


def read_table(path: Path, fields: Sequence[str], window: Bounds | None) -> tuple[Any, npt.NDArray[np.object_]]:
    """Read fields and shapes.

    A file with a covering box for each row is read through the window; the caller looks at the
    shapes again, since other files are read whole.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    fields : sequence of str
        Columns to read.
    window : tuple of float or None
        West, south, east, north in the file's CRS.

    Returns
    -------
    table : pyarrow.Table
        The fields.
    shapes : ndarray of object, shape (n,)
        WKB (bytes or None), or shapely geometries for the native Arrow encodings.

    Raises
    ------
    InputError
        If the file is broken.
    """
    import geopandas  # noqa: PLC0415 - heavy
    import pyarrow as pa  # noqa: PLC0415
    import pyarrow.parquet as pq  # noqa: PLC0415

    geo, _, _ = read_metadata(path)
    name = geo["primary_column"]
    column = geo["columns"][name]
    try:
        if column.get("encoding", "WKB") == "WKB":
            chosen = _covering_filter(column, window)
            table = pq.read_table(path, columns=[*dict.fromkeys(fields), name], filters=chosen)
            return table, _without_nests(np.asarray(table[name].to_numpy(), dtype=object))
        table = pq.read_table(path, columns=list(dict.fromkeys(fields)))
        shapes = geopandas.read_parquet(path, columns=[name]).geometry
    except (pa.ArrowException, OSError, ValueError, AttributeError) as error:
        raise _broken(path, error) from error
    return table, np.asarray(shapes.to_numpy(), dtype=object)


def _without_nests(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Shapes without those that are collections in collections without end, at which GEOS would overflow its stack."""
    for row, wkb in enumerate(shapes):
        if (
            isinstance(wkb, bytes)
            and wkb[1:5] in _COLLECTION
            and sum(wkb.count(mark) for mark in _NESTED) > MOST_NESTED
        ):
            # Bytes that can't be read, so that it counts as such.
            shapes[row] = b"\x00"
    return shapes


def _covering_filter(column: dict[str, Any], window: Bounds | None) -> Any:
    """Arrow expression for "the row's covering box touches the window", None without either."""
    cover = column.get("covering", {}).get("bbox")
    if cover is None or window is None:
        return None
    import pyarrow.compute as pc  # noqa: PLC0415 - heavy

    west, south, east, north = window
    return (
        (pc.field(*cover["xmax"]) >= west)
        & (pc.field(*cover["xmin"]) <= east)
        & (pc.field(*cover["ymax"]) >= south)
        & (pc.field(*cover["ymin"]) <= north)
    )


def _broken(path: Path, error: Exception) -> InputError:
    return InputError(f"{path.name} can't be read ({first_sentence(error)}); check that the file is complete.")
