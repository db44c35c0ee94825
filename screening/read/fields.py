"""Fields of a layer: finding the one that is meant, and turning its values into text."""

from __future__ import annotations

import difflib
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from screening.errors import SchemaError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

DBF_NAME_LENGTH: Final = 10
"""Characters that a shapefile keeps of a field name (dBASE III)."""


def nearest(name: str, known: Sequence[str], *, limit: int = 8) -> str:
    """Words that help with a name that wasn't found: the nearest one, else what there is."""
    by_lower = {other.lower(): other for other in known}
    close = difflib.get_close_matches(name.lower(), list(by_lower), n=1, cutoff=0.5)
    if close:
        return f"did you mean {by_lower[close[0]]!r}?"
    if not known:
        return "it has none"
    shown = ", ".join(repr(other) for other in known[:limit])
    return f"it has {shown}{' and others' if len(known) > limit else ''}"


def match_fields(
    wanted: Sequence[str], fields: Sequence[str], *, where: str, truncated: bool, fid: str = ""
) -> list[str]:
    """Find the layer's own name of each wanted field.

    Parameters
    ----------
    wanted : sequence of str
        Field names from the run file.
    fields : sequence of str
        Names the layer has.
    where : str
        File and layer, for the message.
    truncated : bool
        Whether the format cuts names to ten characters and loses their case (shapefile).
    fid : str
        Name of the record number, which can serve as an identifier; empty if it has none.

    Returns
    -------
    list of str
        One name of the layer for each wanted field.

    Raises
    ------
    SchemaError
        Naming every field that isn't there, with the nearest name, and two wanted fields that a
        shapefile's short names can't tell apart.
    """
    short: dict[str, str] = {}
    if truncated:
        for field in fields:
            short.setdefault(field[:DBF_NAME_LENGTH].lower(), field)
    found: dict[str, str] = {}
    problems: list[str] = []
    for name in wanted:
        if name in fields:
            found[name] = name
        elif truncated and name[:DBF_NAME_LENGTH].lower() in short:
            found[name] = short[name[:DBF_NAME_LENGTH].lower()]
        elif fid and name.lower() == fid.lower():
            found[name] = fid
        else:
            problems.append(f"has no field {name!r} ({nearest(name, fields)})")
    for own in sorted(set(found.values())):
        names = [name for name in found if found[name] == own]
        if len(names) > 1:
            problems.append(f"cuts {' and '.join(map(repr, names))} both to {own!r}, which can't be told apart")
    if problems:
        msg = f"{where} {', and '.join(problems)}; correct the names under [fields]."
        raise SchemaError(msg, code="field_missing")
    return [found[name] for name in wanted]


def as_text(values: Any, *, where: str, field: str) -> npt.NDArray[np.object_]:
    """Turn an Arrow column into text, None where there is nothing.

    Whole numbers lose no digit and gain no ``.0``; leading zeros of text survive; blanks around
    text go, and blank text counts as missing.

    Parameters
    ----------
    values : pyarrow.ChunkedArray
        The column.
    where, field : str
        File and field, for the message.

    Returns
    -------
    ndarray of object, shape (n,)
        Each a str or None.

    Raises
    ------
    SchemaError
        If the column holds lists, blobs or the like, or text that isn't UTF-8.
    """
    import pyarrow as pa  # noqa: PLC0415 - heavy, and only needed here

    kind = values.type
    if pa.types.is_dictionary(kind):
        values = values.cast(kind.value_type)
        kind = kind.value_type
    if not (
        pa.types.is_string(kind)
        or pa.types.is_large_string(kind)
        or pa.types.is_primitive(kind)
        or pa.types.is_decimal(kind)
        or pa.types.is_null(kind)
    ):
        msg = f"{where}: field {field!r} holds {kind}, not text or numbers; name another field under [fields]."
        raise SchemaError(msg, code="field_not_text")
    is_text = pa.types.is_string(kind) or pa.types.is_large_string(kind)
    if isinstance(values, pa.ChunkedArray):
        values = values.combine_chunks()
    # many records say the same: each text is looked at once
    encoded = values.dictionary_encode() if is_text else None
    try:
        plain = values.to_pylist() if encoded is None else encoded.dictionary.to_pylist()
    except UnicodeDecodeError:
        raise BadTextError(where, field, _first_bad_text(values)) from None
    text = np.empty(len(plain) + 1, dtype=object)
    if encoded is None:
        text[:-1] = [_one_text(value) for value in plain]
        return text[:-1]
    text[:-1] = [value.strip() or None for value in plain]
    return text[np.asarray(encoded.indices.fill_null(len(plain)), dtype=np.int64)]


def is_misread_utf8(columns: Sequence[npt.NDArray[np.object_]]) -> bool:
    """Whether text is UTF-8 that was read in a one-byte code page: every letter beyond ASCII is a pair of signs.

    Bytes of another code page hardly ever are valid UTF-8 by chance, and never in every text.
    """
    foreign = [value for values in columns for value in values if value and not value.isascii()]
    return bool(foreign) and all(_would_be_utf8(value) for value in foreign)


def _would_be_utf8(text: str) -> bool:
    for page in ("latin-1", "cp1252"):
        try:
            if not text.encode(page).decode("utf-8").isascii():
                return True
        except (UnicodeEncodeError, UnicodeDecodeError):
            continue
    return False


class BadTextError(SchemaError):
    """Text of a record that isn't UTF-8; a shapefile is then tried with another code page."""

    def __init__(self, where: str, field: str, record: int) -> None:
        self.record = record
        super().__init__(
            f"{where}: field {field!r} of record {record} isn't valid UTF-8 text; export the file again as UTF-8.",
            code="text_garbled",
        )


def _first_bad_text(values: Any) -> int:
    for number, value in enumerate(values, start=1):
        try:
            value.as_py()
        except UnicodeDecodeError:
            return number
    return 0


def _one_text(value: object) -> str | None:
    if value is None:
        return None
    if isinstance(value, Decimal):
        value = int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        if not np.isfinite(value):
            return None
        return str(int(value)) if value == int(value) else repr(value)
    if hasattr(value, "isoformat"):
        return str(value.isoformat())
    return str(value)


def is_shapefile(driver: str, path: Path) -> bool:
    """Whether field names are cut and texts may be in an old code page."""
    return driver == "ESRI Shapefile" or Path(path).suffix.lower() == ".shp"
