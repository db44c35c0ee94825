"""A GeoPackage made from a result, a plan or a public copy: the same care and bytes, never in the result's place."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as pa

from screening import columns
from screening.errors import OutputExistsError
from screening.write.destination import check_output
from screening.write.package import LayerTable, write_layers

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import pyproj

    from screening.columns import Layer


def check_derived(path: Path, what: str, *, overwrite: bool) -> None:
    """Refuse a place for the file that cannot take it, before reading anything.

    Parameters
    ----------
    path : Path
        The file to be written.
    what : str
        What it is, for messages: ``"a plan"``.
    overwrite : bool
        Whether an earlier file may be replaced.

    Raises
    ------
    ParameterError, OutputExistsError, ScreeningError
        As `check_output`; and a result of a run is never replaced.
    """
    check_output(path, overwrite)
    if path.exists() and "candidate_homes" in _tables_of(path):
        raise OutputExistsError(
            f"The output '{path}' is a result of a run, and {what} never replaces one: choose another name."
        )


def _tables_of(path: Path) -> set[str]:
    try:
        with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            return {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except sqlite3.Error:
        return set()


def write_derived(
    path: Path,
    tables: Mapping[str, pa.Table],
    layers: Sequence[Layer],
    *,
    what: str,
    crs: pyproj.CRS,
    record: Mapping[str, str],
    overwrite: bool,
) -> None:
    """Write layers as one GeoPackage, or leave the folder as it was.

    Parameters
    ----------
    path : Path
        Ends in ``.gpkg``.
    tables : Mapping[str, pyarrow.Table]
        By layer, geometry as WKB in the column ``geom``; a layer whose rows have none, or that has no such column, is
        written as a plain table.
    layers : sequence of Layer
        What they are.
    what : str
        What the file is, for messages: ``"a plan"``.
    crs : pyproj.CRS
        Working CRS. [m]
    record : Mapping[str, str]
        Written as the layer ``run_record``.
    overwrite : bool
        Whether an earlier file may be replaced.

    Raises
    ------
    ParameterError, OutputExistsError, ScreeningError
        As `check_derived`; disk full: nothing is left behind.
    """
    check_derived(path, what, overwrite=overwrite)
    ready: list[LayerTable] = []
    guide: list[tuple[str, str, str, str, str]] = []
    for layer in layers:
        rows = tables[layer.name]
        geometry_type = layer.geometry_type
        has_geometry = columns.GEOMETRY_NAME in rows.column_names
        if not has_geometry or 0 < rows.num_rows == rows[columns.GEOMETRY_NAME].null_count:
            geometry_type = None
        if geometry_type is None:
            rows = rows.drop_columns([columns.GEOMETRY_NAME]) if has_geometry else rows
        else:
            meaning = "place, in the coordinate system of the file [m]"
            guide.append((layer.name, columns.GEOMETRY_NAME, geometry_type, "m", meaning))
        for column in layer.columns:
            codes = f": {', '.join(column.codes)}" if column.codes else ""
            guide.append((layer.name, column.name, column.dtype, column.unit, column.meaning + codes))
        # the fields' metadata are for spreadsheets; the guide says the same here
        ready.append(
            LayerTable(
                layer.name, rows.cast(pa.schema([field.remove_metadata() for field in rows.schema])), geometry_type
            )
        )
    run_record = pd.DataFrame(sorted(record.items()), columns=["key", "value"], dtype="string")
    guide_frame = pd.DataFrame(guide, columns=["layer", "column", "type", "unit", "meaning"])
    ready.append(LayerTable("run_record", columns.pack(run_record, "run_record"), None))
    ready.append(LayerTable("column_guide", columns.pack(guide_frame, "column_guide"), None))
    write_layers(path, ready, crs=crs, overwrite=overwrite)
