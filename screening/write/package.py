"""Layers into one GeoPackage 1.3: conformed, counted after writing, the same bytes for the same input.

What makes the bytes repeat: a new file each time, layers in the order of the registry, rows in the order given, one
writer in one thread, a fixed date instead of the clock.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyogrio
import pyogrio.raw

from screening import columns
from screening.write.destination import staged_file
from screening.write.layer_styles import add_layer_styles

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    import pyproj

logger = logging.getLogger(__name__)

ROW_NUMBER_NAME: Final = "fid"

# GeoPackage wants a time of last change for every layer. A clock would change the bytes from run to run. The
# milliseconds are needed: requirement 15 of GeoPackage 1.3 asks for them.
WRITTEN_AT: Final = "2000-01-01T00:00:00.000Z"

_GDAL_OPTIONS: Final[Mapping[str, str]] = {
    "OGR_CURRENT_DATE": WRITTEN_AT,
    # One file in one thread: no second database for the spatial index beside it, no order left to chance.
    "OGR_GPKG_ALLOW_THREADED_RTREE": "NO",
    "OGR_SQLITE_JOURNAL": "DELETE",
    # Nobody sees the file before it is moved into place, and it is flushed to the disk once, just before that.
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
}

_MADE_HERE: Final = ("run_record", "column_guide")
_MAY_BE_TABLE: Final = "streets"

# For the estimate of the room needed. Box in the geometry's header; index entry (four 32-bit numbers and a row
# number) in pages that are about two thirds full.
_BOX_BYTES: Final = 40
_INDEX_BYTES: Final = 36
_EMPTY_FILE_BYTES: Final = 350_000


def write_package(
    path: Path,
    layers: Mapping[str, pa.Table | RowStream | pd.DataFrame],
    *,
    crs: pyproj.CRS,
    record: Mapping[str, str],
    overwrite: bool,
    scratch: Path | None = None,
) -> None:
    """Write the result as one GeoPackage, or leave the folder as it was.

    Parameters
    ----------
    path : Path
        The GeoPackage, ending in ``.gpkg``.
    layers : Mapping[str, pyarrow.Table or RowStream or GeoDataFrame or DataFrame]
        Tables as `screening.columns.pack` makes them, such tables in pieces, or frames, by layer name, rows in their
        final order. A layer left out is not written; `run_record` and `column_guide` are made here; `streets` without
        geometry becomes a plain table.
    crs : pyproj.CRS
        Working CRS. [m]
    record : Mapping[str, str]
        What the run record says; written in the order of its keys.
    overwrite : bool
        Whether an earlier result at `path` may be replaced.
    scratch : Path, optional
        Folder of the same disk in which the file grows; left out, the one where it goes.

    Raises
    ------
    OutputExistsError
        A file is there and may not be replaced.
    ScreeningError
        Disk full, folder read-only; nothing is left behind.
    ValueError
        A frame that is not what the registry of layers says, or is in another CRS.
    RuntimeError
        The file written does not hold what was given.
    """
    tables = _tables(layers, crs=crs, record=record)

    def add_styles(staged: Path) -> None:
        """Put the styles of the layers into the file."""
        with contextlib.closing(sqlite3.connect(staged)) as connection, connection:
            connection.execute("PRAGMA synchronous = OFF")  # flushed once, as above
            add_layer_styles(
                connection,
                {table.name: table.rows.num_rows for table in tables if table.geometry_type},
                geometry_name=columns.GEOMETRY_NAME,
                written_at=WRITTEN_AT,
            )

    write_layers(path, tables, crs=crs, overwrite=overwrite, scratch=scratch, finish=add_styles)
    logger.info("wrote %s: %s", path, ", ".join(f"{table.rows.num_rows} {table.name}" for table in tables))


def write_layers(
    path: Path,
    tables: Sequence[LayerTable],
    *,
    crs: pyproj.CRS,
    overwrite: bool,
    scratch: Path | None = None,
    finish: Callable[[Path], None] | None = None,
) -> None:
    """Write layers as one GeoPackage, count them in the file, and move it into place; or leave the folder as it was.

    Parameters
    ----------
    path, crs, overwrite, scratch
        As for `write_package`.
    tables : sequence of LayerTable
        In the order in which they are written.
    finish : callable, optional
        Called with the file when all layers are in it, before they are counted.
    """
    needed_bytes = _EMPTY_FILE_BYTES + sum(table.size_bytes for table in tables)
    with staged_file(path, overwrite=overwrite, needed_bytes=needed_bytes, scratch=scratch) as staged:
        with _gdal_options():
            for table in tables:
                _write_table(staged, table, crs)
        if finish is not None:
            finish(staged)
        _verify(staged, tables)


class RowStream(Protocol):
    """Rows of a layer that come piece by piece, in their final order, because the whole would not fit into memory."""

    num_rows: int
    nbytes: int
    n_without_geometry: int

    def read(self) -> pa.RecordBatchReader:
        """The rows, once; `n_without_geometry` is known afterwards."""
        ...

    def raise_error(self) -> None:
        """Raise what went wrong while the rows were read: GDAL, which reads them, says no more than that it did."""
        ...


@dataclass(frozen=True, slots=True)
class LayerTable:
    """A layer ready to be written; `geometry_type` is None where it is written as a plain table."""

    name: str
    rows: pa.Table | RowStream
    geometry_type: str | None

    @property
    def n_without_geometry(self) -> int:
        """Rows without geometry."""
        if isinstance(self.rows, pa.Table):
            return int(self.rows[columns.GEOMETRY_NAME].null_count)
        return self.rows.n_without_geometry

    @property
    def size_bytes(self) -> int:
        """About what the layer takes in the file, its index included [byte]."""
        size = int(self.rows.nbytes)
        return size + self.rows.num_rows * (_BOX_BYTES + _INDEX_BYTES) if self.geometry_type else size


def _tables(
    layers: Mapping[str, pa.Table | RowStream | pd.DataFrame], *, crs: pyproj.CRS, record: Mapping[str, str]
) -> list[LayerTable]:
    """Bring the layers into the registry's form and order, with the two tables that describe them."""
    names = [layer.name for layer in columns.LAYERS if layer.name in layers or layer.name in _MADE_HERE]
    not_ours = sorted(set(layers) - set(names) | set(layers) & set(_MADE_HERE))
    if not_ours:
        message = f"not layers of the caller: {', '.join(not_ours)}"
        raise ValueError(message)
    for name, frame in layers.items():
        if isinstance(frame, gpd.GeoDataFrame) and frame.crs is not None and not frame.crs.equals(crs):
            message = f"layer {name} is in {frame.crs.name}, not in the working CRS {crs.name}"
            raise ValueError(message)
    packed = {
        name: columns.pack(rows, name) if isinstance(rows, pd.DataFrame) else rows for name, rows in layers.items()
    }
    plain = [_MAY_BE_TABLE] if _MAY_BE_TABLE in packed and _is_without_geometry(packed[_MAY_BE_TABLE]) else []
    run_record = pd.DataFrame(sorted(record.items()), columns=["key", "value"], dtype="string")
    packed["run_record"] = columns.pack(run_record, "run_record")
    packed["column_guide"] = columns.pack(columns.guide(names, tables=plain), "column_guide")
    tables = []
    for name in names:
        rows = packed[name]
        geometry_type = None if name in plain else columns.layer(name).geometry_type
        if geometry_type is None and isinstance(rows, pa.Table) and columns.GEOMETRY_NAME in rows.column_names:
            rows = rows.drop_columns([columns.GEOMETRY_NAME])
        tables.append(LayerTable(name, rows, geometry_type))
    return tables


def _is_without_geometry(rows: pa.Table | RowStream) -> bool:
    """Whether a table has no geometry at all; one without rows that could have it, has."""
    if not isinstance(rows, pa.Table):
        return False
    if columns.GEOMETRY_NAME not in rows.column_names:
        return True
    return bool(0 < rows.num_rows == rows[columns.GEOMETRY_NAME].null_count)


@contextlib.contextmanager
def _gdal_options() -> Iterator[None]:
    """Set what GDAL needs to write the same bytes each time, and set it back."""
    before = {name: pyogrio.get_gdal_config_option(name) for name in _GDAL_OPTIONS}
    pyogrio.set_gdal_config_options(dict(_GDAL_OPTIONS))
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _write_table(path: Path, table: LayerTable, crs: pyproj.CRS) -> None:
    """Add one layer to the file, which the first layer creates."""
    layer_options = {"FID": ROW_NUMBER_NAME}
    dataset_options = {} if path.exists() else {"VERSION": "1.3"}
    more = {}
    if table.geometry_type is not None:
        layer_options |= {"GEOMETRY_NAME": columns.GEOMETRY_NAME, "SPATIAL_INDEX": "YES"}
        more = {
            "geometry_name": columns.GEOMETRY_NAME,
            "geometry_type": table.geometry_type,
            "crs": _crs_text(crs),
        }
    rows = table.rows if isinstance(table.rows, pa.Table) else table.rows.read()
    try:
        pyogrio.raw.write_arrow(
            rows, path, table.name, "GPKG", dataset_options=dataset_options, layer_options=layer_options, **more
        )
    finally:
        if not isinstance(table.rows, pa.Table):
            table.rows.raise_error()


def _crs_text(crs: pyproj.CRS) -> str:
    """Return the registered code of the CRS where it is exactly that one, otherwise its full text."""
    # The default of 70 would call a state-plane CRS by the code of a relative with another unit or datum.
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else crs.to_wkt()


def _verify(path: Path, tables: Iterable[LayerTable]) -> None:
    """Count what stands in the file.

    GDAL may fail to finish a layer when it closes the file (a disk that is full just then leaves out the spatial
    index) and says nothing, so the file itself is asked, without GDAL.
    """
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        problems = [row[0] for row in connection.execute("PRAGMA quick_check(1)") if row[0] != "ok"]
        for table in tables:
            expected = [table.rows.num_rows, table.rows.num_rows]
            counts = [
                f'SELECT count(*) FROM "{table.name}"',  # noqa: S608 - names of the registry, no user's text
                f"SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = '{table.name}'",  # noqa: S608
            ]
            if table.geometry_type:
                expected.append(table.rows.num_rows - table.n_without_geometry)
                counts.append(f'SELECT count(*) FROM "rtree_{table.name}_{columns.GEOMETRY_NAME}"')  # noqa: S608
            found = [connection.execute(count).fetchone()[0] for count in counts]
            if found != expected:
                problems.append(f"layer {table.name} has rows, recorded rows, index entries {found}, not {expected}")
    if problems:
        message = f"the file written does not hold what was given: {'; '.join(problems)}"
        raise RuntimeError(message)
