"""Layers of a finished GeoPackage as Arrow tables, in the types that its own column guide tells."""

from __future__ import annotations

import contextlib
import sqlite3
from dataclasses import dataclass
from functools import cached_property
from importlib.metadata import version
from typing import TYPE_CHECKING, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import pyogrio.raw

from screening.columns import LAYERS
from screening.errors import InputError
from screening.paths import NOT_THERE, why_misread, why_unreadable

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from pathlib import Path

NEEDED: Final = ("candidate_homes", "gardens", "other_parcels", "run_record")
"""Layers without which a file is no result of a run."""

_ARROW_TYPES: Final[Mapping[str, pa.DataType]] = {
    "str": pa.string(),
    "int": pa.int64(),
    "float": pa.float64(),
    "bool": pa.bool_(),
}


def layer_names(path: Path) -> set[str]:
    """Return the layers of a result.

    Raises
    ------
    InputError
        No such file, or no result of a run.
    """
    wrong = why_unreadable(path)
    if wrong:
        start = f"there is no file '{path}'" if wrong == NOT_THERE else f"'{path}' {wrong}"
        raise InputError(f"{start}: name the GeoPackage that a run wrote")
    wrong = why_misread(path)
    if wrong:
        raise InputError(f"'{path}' {wrong}, which the library that reads layers takes for another file; rename it")
    try:
        # mode=ro: a query must never change the result, nor leave a journal beside it.
        with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            names = {row[0] for row in connection.execute("SELECT table_name FROM gpkg_contents")}
            views = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'view'")}
    except sqlite3.Error as error:
        raise InputError(f"'{path}' is no readable GeoPackage: name the file that a run wrote") from error
    if {layer.name for layer in LAYERS} & views:
        # A run writes tables; a view may be without an end.
        raise InputError(f"'{path}' was changed since the run: a view stands in the place of a layer; run again")
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise InputError(
            f"'{path}' is no result of a run, for it has no {' and no '.join(missing)}: name the GeoPackage that a run "
            "wrote"
        )
    return names


@dataclass(frozen=True, slots=True)
class ColumnEntry:
    """What the file's column guide says of a column; for one it doesn't list the type is ""."""

    dtype: str
    unit: str
    meaning: str


_UNLISTED: Final = ColumnEntry("", "", "not of the run: added to the file later")


class ResultLayers:
    """The layers of one result.

    Parameters
    ----------
    path : Path
        A result of a run.

    Raises
    ------
    InputError
        No such file, no result of a run, or one that was damaged.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.names = layer_names(path)
        if "column_guide" not in self.names:
            raise InputError(f"'{path}' has lost its column_guide: run again")

    @cached_property
    def record(self) -> Mapping[str, str]:
        """The run record."""
        rows = self._read("run_record")
        self._require("run_record", rows.column_names, ("key", "value"))
        return {str(key): value or "" for key, value in zip(*(rows[name].to_pylist() for name in ("key", "value")))}  # noqa: B905 - columns of one table

    @cached_property
    def guide(self) -> Mapping[tuple[str, str], ColumnEntry]:
        """What the columns mean, by layer and column."""
        rows = self._read("column_guide")
        self._require("column_guide", rows.column_names, ("layer", "column", "type", "unit", "meaning"))
        return {
            (row["layer"], row["column"]): ColumnEntry(row["type"], row["unit"] or "", row["meaning"] or "")
            for row in rows.to_pylist()
        }

    def entry(self, layer: str, column: str) -> ColumnEntry:
        """Return what the guide says of a column."""
        return self.guide.get((layer, column), _UNLISTED)

    def table(self, layer: str, *, needs: Collection[str] = ()) -> pa.Table:
        """Read a layer without its geometry, rows in the order of the file.

        Parameters
        ----------
        layer : str
            One of `names`.
        needs : collection of str
            Columns that have to be there.

        Raises
        ------
        InputError
            Columns are missing or hold other values than the guide says.

        Notes
        -----
        Columns that somebody added later come along where they hold text, numbers or switches.
        """
        rows = self._read(layer)
        self._require(layer, rows.column_names, needs)
        columns = {}
        for name in rows.column_names:
            wanted = _ARROW_TYPES.get(self.entry(layer, name).dtype) or _nearest(rows.schema.field(name).type)
            if wanted is None:
                continue
            try:
                values = rows[name].cast(wanted)
            except pa.ArrowException as error:
                raise InputError(
                    f"column {name} of layer {layer} in '{self.path}' holds other values than its column guide says: "
                    "the file was changed since the run, so run again"
                ) from error
            if pa.types.is_floating(wanted):
                values = pc.if_else(pc.is_finite(values), values, None)
            columns[name] = values
        return pa.table(columns)

    def _read(self, layer: str) -> pa.Table:
        try:
            return pyogrio.raw.read_arrow(self.path, layer=layer, read_geometry=False)[1]
        except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pa.ArrowException, OSError) as error:
            raise InputError(f"layer {layer} of '{self.path}' cannot be read ({error}): run again") from error

    def check_columns(self, layer: str, needs: Collection[str]) -> None:
        """Refuse a layer that lacks columns, without reading its rows.

        Parameters
        ----------
        layer : str
            One of `names`.
        needs : collection of str
            Columns that have to be there.

        Raises
        ------
        InputError
            Columns are missing.
        """
        try:
            there = pyogrio.read_info(self.path, layer=layer)["fields"].tolist()
        except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
            raise InputError(f"layer {layer} of '{self.path}' cannot be read ({error}): run again") from error
        self._require(layer, there, needs)

    def _require(self, layer: str, there: Collection[str], needs: Collection[str]) -> None:
        missing = [name for name in needs if name not in there]
        if not missing:
            return
        start = f"layer {layer} of '{self.path}' has no {' and no '.join(missing)}"
        here = version("screening")
        made_by = here if layer == "run_record" else self.record.get("screening_version", "")
        if made_by == here:
            raise InputError(f"{start}: the file was changed since the run, so run again")
        raise InputError(
            f"{start}: version {made_by or 'unknown'} of this program wrote it and this is version {here}, so run again"
        )


def _nearest(kind: pa.DataType) -> pa.DataType | None:
    """The one of our types that takes all values of another; None where none does."""
    if pa.types.is_integer(kind):
        return pa.int64()
    if pa.types.is_floating(kind):
        return pa.float64()
    if pa.types.is_boolean(kind):
        return pa.bool_()
    return pa.string() if pa.types.is_string(kind) or pa.types.is_large_string(kind) else None
