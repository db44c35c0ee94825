"""What the lists of a result show, as Arrow tables.

A field's metadata tells what a writer needs: ``meaning``, ``unit`` and ``decimals``; the last is missing where the
rows have different units.  A table's metadata has ``n_fixed``, the first columns that stay in sight.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa
import pyarrow.compute as pc

from screening import columns
from screening.errors import ParameterError
from screening.report.cautions import CAUTIONS, STANDING
from screening.report.figures import NEEDS, count_outcomes, sum_up, warn_of_missing_rows
from screening.report.list_kinds import LIST_KINDS, LISTS
from screening.report.quantities import Units
from screening.report.result_layers import ResultLayers

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from screening.columns import Column
    from screening.report.list_kinds import ListKind

logger = logging.getLogger(__name__)

FOR_STAFF: Final = "Rows of single homes are for the staff who visit them, not for publication."
"""What stands wherever households are listed."""


@dataclass(frozen=True, slots=True)
class Lists:
    """Lists of one result, ready to be written.

    Attributes
    ----------
    tables : Mapping[str, pyarrow.Table]
        By name of the list.
    guide : pyarrow.Table
        What their columns and codes mean.
    record : Mapping[str, str]
        Run record.
    about : tuple of str
        What somebody should know who has only this file.
    """

    tables: Mapping[str, pa.Table]
    guide: pa.Table
    record: Mapping[str, str]
    about: tuple[str, ...]


def read_lists(path: Path, names: Sequence[str] | None = None, *, display_units: str | None = None) -> Lists:
    """Make lists from a result.

    Parameters
    ----------
    path : Path
        A result of a run; only this is read.
    names : sequence of str or None
        Names of lists; None for all that the result has.
    display_units : str or None
        ``"metric"`` or ``"us"``; None: the run's ``[output] display_units``.

    Raises
    ------
    InputError
        No result of a run, or one that is damaged or of another version.
    ParameterError
        A list that the result doesn't have.
    """
    result = ResultLayers(path)
    kinds = _kinds(result, names)
    tables = metric_tables(result, kinds)
    if {"totals", "reasons"} & set(tables):
        warn_of_missing_rows(result)
    units = Units(display_units or result.record.get("param.output.display_units", "metric"))
    tables = {name: in_units(table, units) for name, table in tables.items()}
    has_households = any(LISTS[name].is_of_households for name in tables)
    if not result.table("candidate_homes").num_rows:
        logger.warning("%s has no candidates: its lists of homes and streets are empty", path.name)
    return Lists(
        tables=tables,
        guide=guide(tables),
        record=result.record,
        about=(*((FOR_STAFF,) if has_households else ()), STANDING, *CAUTIONS),
    )


def _kinds(result: ResultLayers, names: Sequence[str] | None) -> list[ListKind]:
    """Lists to be made, or why one of them cannot be."""
    possible = [kind.name for kind in LIST_KINDS if not kind.layer or kind.layer in result.names]
    for name in names or ():
        if name not in possible:
            way_out = " with [inputs] districts" if name == "districts" else ""
            raise ParameterError(
                f"'{result.path}' has no {name}: choose another list ({', '.join(possible)}), or run again{way_out}"
            )
    return [kind for kind in LIST_KINDS if kind.name in (possible if names is None else names)]


def metric_tables(result: ResultLayers, kinds: Sequence[ListKind]) -> dict[str, pa.Table]:
    """Lists in the units of the layers."""
    makers = {"totals": sum_up, "reasons": count_outcomes, "others": _others}
    found = {}
    for kind in kinds:
        table = makers[kind.name](result) if kind.name in makers else _of_layer(result, kind.layer)
        found[kind.name] = table.replace_schema_metadata({"n_fixed": str(kind.n_fixed)})
    return found


def _of_layer(result: ResultLayers, layer: str) -> pa.Table:
    table = result.table(layer, needs=NEEDS[layer])
    fields = []
    for field in table.schema:
        entry = result.entry(layer, field.name)
        fields.append(field.with_metadata({"unit": entry.unit, "meaning": entry.meaning}))
    return table.cast(pa.schema(fields))


def _others(result: ResultLayers) -> pa.Table:
    """Other parcels, those of one reason together in the order of the registry."""
    table = _of_layer(result, "other_parcels")
    known = {code: place for place, code in enumerate(columns.REASON_CODES)}
    place = [known.get(code, len(known)) for code in table["reason_code"].to_pylist()]
    # stable, so that the parcels of a reason keep the order of the file
    return table.take(pa.array(sorted(range(len(place)), key=place.__getitem__), type=pa.int64()))


def in_units(table: pa.Table, units: Units) -> pa.Table:
    """Convert a table to the units of people, with the units in the names of the columns, and add the decimals."""
    if "unit" in table.column_names:
        return _rows_in_units(table, units)
    fields, data = [], []
    for field, values in zip(table.schema, table.columns, strict=True):
        unit = field.metadata[b"unit"].decode()
        spelt, in_base, decimals = units.scale(unit)
        name = field.name
        if in_base != 1.0 and pa.types.is_floating(field.type):
            values = pc.divide(values, in_base)  # noqa: PLW2901 - the same column
            name = _renamed(name, unit, spelt)
        else:
            spelt = unit
        metadata = {**field.metadata, b"unit": spelt.encode()}
        if pa.types.is_floating(field.type):
            metadata[b"decimals"] = str(decimals if unit else _FRACTION_DECIMALS).encode()
        fields.append(field.with_name(name).with_metadata(metadata))
        data.append(values)
    return pa.table(data, schema=pa.schema(fields, metadata=table.schema.metadata))


_FRACTION_DECIMALS: Final = 3


def _renamed(name: str, unit: str, spelt: str) -> str:
    """Put another unit into the name of a column or quantity."""
    return name.removesuffix("_" + unit.replace("/", "_")) + "_" + spelt.replace("/", "_")


def _rows_in_units(table: pa.Table, units: Units) -> pa.Table:
    """Convert a table whose rows have their units in a column."""
    rows = table.to_pylist()
    for row in rows:
        spelt, in_base, _ = units.scale(row["unit"])
        if in_base != 1.0:
            row["quantity"] = _renamed(row["quantity"], row["unit"], spelt)
            row["unit"] = spelt
            row |= {part: None if row[part] is None else row[part] / in_base for part in ("low", "value", "high")}
        row["unit"] = row["unit"] or None
    return pa.Table.from_pylist(rows, schema=table.schema)


def guide(tables: Mapping[str, pa.Table]) -> pa.Table:
    """Say what the columns of the lists mean, and the codes in them."""
    names = ("list", "column", "code", "type", "unit", "meaning")
    rows: list[tuple[str | None, ...]] = []
    for name, table in tables.items():
        codes = {column.name: column for column in _registered(name)}
        for field in table.schema:
            meta = field.metadata
            meaning = meta[b"meaning"].decode()
            known = codes[field.name].codes if field.name in codes else None
            if known:
                # the list of codes at its end follows in rows of its own
                meaning = meaning.removesuffix(f": {', '.join(known)}")
            rows.append((name, field.name, None, _TYPE_NAMES[field.type], meta[b"unit"].decode() or None, meaning))
            rows += [(name, field.name, code, None, None, text) for code, text in (known or {}).items()]
    schema = pa.schema([pa.field(name, pa.string()) for name in names])
    return pa.Table.from_pylist([dict(zip(names, row, strict=True)) for row in rows], schema=schema)


_TYPE_NAMES: Final[Mapping[Any, str]] = {
    pa.string(): "text",
    pa.int64(): "whole number",
    pa.float64(): "number",
    pa.bool_(): "yes or no",
}


def _registered(name: str) -> tuple[Column, ...]:
    """Columns of the layer that a list shows; none for what is counted from several."""
    layer = LISTS[name].layer if name in LISTS else ""
    return columns.layer(layer).columns if layer else ()
