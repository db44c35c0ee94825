"""Records that a bulk read stumbles over, or passes over without a word."""

from __future__ import annotations

import logging
import sqlite3
import warnings
from contextlib import closing
from typing import TYPE_CHECKING, NoReturn

from screening.errors import InputError, SchemaError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.read.layers import LayerInfo

logger = logging.getLogger(__name__)


def refuse_text_among_numbers(info: LayerInfo, fields: Sequence[str]) -> None:
    """Refuse text in number columns of a GeoPackage, which GDAL reads as 0 without a word.

    SQLite keeps whatever is written into a column, so ``12-A`` can stand in an integer field.

    Parameters
    ----------
    info : LayerInfo
        The layer; nothing is looked at unless it is a GeoPackage on disk.
    fields : sequence of str
        Its number fields among the mapped ones.

    Raises
    ------
    SchemaError
        Naming the first such record.
    """
    if info.driver != "GPKG" or not fields or info.source != str(info.path):
        return
    table = _quoted(info.layer)
    try:
        with closing(sqlite3.connect(f"{info.path.absolute().as_uri()}?mode=ro", uri=True)) as base:
            for field in fields:
                name = _quoted(field)
                # Names can't be bound as values; they come from the file's own catalogue, quoted.
                query = f"SELECT rowid, {name} FROM {table} WHERE typeof({name}) IN ('text', 'blob') LIMIT 1"  # noqa: S608
                found = base.execute(query).fetchone()
                if found is not None:
                    msg = (
                        f"{info.where}: the number field {field!r} holds {found[1]!r} in record {found[0]}; make it a "
                        "text field, or correct the record."
                    )
                    raise SchemaError(msg, code="field_not_text")
    except sqlite3.Error as error:
        # A view without rowid, or a locked file: GDAL has read it, only this look isn't possible.
        logger.info("%s: its number fields could not be looked through (%s)", info.where, error)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def raise_for_records(info: LayerInfo, fields: Sequence[str], reason: str) -> NoReturn:
    """Name the record at which a layer breaks off, as an error.

    Parameters
    ----------
    info : LayerInfo
        The layer whose bulk read failed or came out short.
    fields : sequence of str
        The mapped fields; no other is read here either.
    reason : str
        What the bulk read said.

    Raises
    ------
    InputError
        Always.
    """
    import fiona  # noqa: PLC0415 - only needed for broken files

    n_read = 0
    opened = False
    what = ""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with fiona.open(info.source, layer=info.layer, include_fields=list(fields)) as records:
                opened = True
                for _ in records:
                    n_read += 1
    except Exception:  # noqa: BLE001 - its errors have no common root; whatever it stumbles over is the record
        if opened:
            what = f"record {n_read + 1} of {info.n_features} can't be read"
    else:
        if n_read < info.n_features:
            what = f"it breaks off after record {n_read} of {info.n_features}"
    if not what:
        msg = f"{info.where} can't be read ({reason}); export the file again."
        raise InputError(msg, code="file_unreadable")
    msg = f"{info.where}: {what} ({reason}); repair that record or export the file again."
    raise InputError(msg, code="file_unreadable")
