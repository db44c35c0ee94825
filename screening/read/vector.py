"""Reading a vector layer: the mapped fields as text, the shapes, by window, and nothing else."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import shapely

from screening.crs import Reprojector
from screening.errors import InputError
from screening.notes import Note
from screening.read.damage import raise_for_records, refuse_text_among_numbers
from screening.read.fields import BadTextError, as_text, is_misread_utf8, is_shapefile, match_fields
from screening.read.gdal import call_gdal, first_sentence
from screening.read.layers import LayerInfo, layer_info
from screening.read.parquet import read_table

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    import numpy.typing as npt
    from pyproj import CRS

    Bounds = tuple[float, float, float, float]
    ObjectArray = npt.NDArray[np.object_]

CURVED_KINDS: Final = (8, 9, 10, 11, 12)
"""Numbers of the kinds of geometry that may hold arcs."""

LARGEST_COORDINATE: Final = 1e10
"""No place on Earth has a larger coordinate, in any unit from a millimetre up."""

OLD_CODE_PAGE: Final = "cp1252"
"""Tried for shapefiles whose text is in neither the encoding they name nor UTF-8."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerData:
    """Records of a layer, in the file's order.

    Attributes
    ----------
    info : LayerInfo
        The layer.
    text : mapping of str to ndarray of object, shape (n,)
        Values of each wanted field under the wanted name, str or None.
    geometry : ndarray of shapely geometries, shape (n,)
        Two-dimensional shapes in the layer's CRS; None where a record has none, an empty one, or
        one that can't be read.
    notes : tuple of Note
        What a person should know, one sentence each.
    repairs : mapping of str to int
        Number of records by what was put right on the way, a code of `screening.columns.TROUBLES`.
    number_fields : frozenset of str
        Wanted fields that the file holds as numbers.
    first : int
        Number of the first record, from 0; in a window only the window's records count.
    """

    info: LayerInfo
    text: Mapping[str, ObjectArray]
    geometry: ObjectArray
    notes: tuple[Note, ...]
    repairs: Mapping[str, int] = field(default_factory=dict)
    number_fields: frozenset[str] = frozenset()
    first: int = 0


class _Batch(NamedTuple):
    """Some records as they come out of a file.

    Attributes
    ----------
    fields : list
        Arrow columns, or arrays of text.
    shapes : array
        WKB, or geometries.
    numbers : list of bool
        Which fields hold numbers.
    is_last : bool
    n_foreign : int
        Texts that were taken in another encoding than the file names.
    """

    fields: list[Any]
    shapes: ObjectArray
    numbers: list[bool]
    is_last: bool
    n_foreign: int = 0


def read_layer(
    path: Path,
    layer: str = "",
    columns: Sequence[str] = (),
    bounds: Bounds | None = None,
    *,
    bounds_crs: CRS | None = None,
    role: str = "parcels",
    kinds: Sequence[str] = ("polygon",),
    stated_crs: str = "",
) -> LayerData:
    """Read a layer, or the part of it around a window.

    Only the named columns are read: what isn't asked for, such as owners' names, never enters.

    Parameters
    ----------
    path : pathlib.Path
        GeoPackage, shapefile (also in a zip archive), GeoJSON, FlatGeobuf, GeoParquet.
    layer : str
        Layer name; empty where the file has one that serves.
    columns : sequence of str
        Fields to read.
    bounds : tuple of float, optional
        West, south, east, north; shapes whose box touches it are read.
    bounds_crs : pyproj.CRS, optional
        CRS of `bounds`; the layer's own if left out.
    role : str
        Input name, for messages.
    kinds : sequence of str
        Kinds of shapes the role can use: ``polygon``, ``line``, ``point``.
    stated_crs : str
        CRS from the run file's ``[inputs.crs]``.

    Returns
    -------
    LayerData

    Raises
    ------
    InputError
        If the file is broken; the message names the record where that can be found out.
    SchemaError
        If the layer or a field isn't there.
    CRSError
        If a window is given and the layer has no CRS.
    """
    info = layer_info(path, layer, role=role, kinds=kinds, stated_crs=stated_crs)
    return read_records(info, columns, bounds, bounds_crs=bounds_crs, role=role)


def read_records(
    info: LayerInfo,
    columns: Sequence[str] = (),
    bounds: Bounds | None = None,
    *,
    bounds_crs: CRS | None = None,
    role: str = "parcels",
) -> LayerData:
    """Read the records of a layer that was looked at before; see `read_layer`."""
    (whole,) = read_pieces(info, columns, bounds, bounds_crs=bounds_crs, role=role)
    return whole


def read_pieces(
    info: LayerInfo,
    columns: Sequence[str] = (),
    bounds: Bounds | None = None,
    *,
    bounds_crs: CRS | None = None,
    role: str = "parcels",
    size: int | None = None,
) -> Iterator[LayerData]:
    """Read the records of a layer in pieces: only the bare bytes of the whole are in memory at a time.

    Parameters
    ----------
    info, columns, bounds, bounds_crs, role
        As for `read_layer`.
    size : int, optional
        Most records of a piece; one piece if left out.

    Yields
    ------
    LayerData
        In the order of the file; at least one.
    """
    old_names = is_shapefile(info.driver, info.path)
    wanted = [name for name in dict.fromkeys(columns) if name]
    own = match_fields(wanted, info.fields, where=info.where, truncated=old_names, fid=info.fid)
    window = bounds
    if bounds is not None and bounds_crs is not None:
        window = Reprojector(bounds_crs, info.known_crs(role)).bounds(bounds)
    notes: list[Note] = []
    n_cut = sum(len(name) > len(found) for name, found in zip(wanted, own, strict=True)) if old_names else 0
    begin = n_unreadable = 0
    straightened: ObjectArray | None = None
    for batch in _batches(info, own, window, size, notes, role):
        text = [_some_text(values, info.where, name, begin) for values, name in zip(batch.fields, own, strict=True)]
        wkb = batch.shapes
        if straightened is None:
            try:
                geometry, repairs = _geometries(info, wkb)
            except NotImplementedError:
                straightened = _straightened(info, window)
        if straightened is not None:
            geometry, repairs = _geometries(info, straightened[begin : begin + len(wkb)])
            repairs["curved_lines"] = sum(_is_curved(shape) for shape in wkb)
        if begin == 0:
            repairs |= {"field_name_cut": n_cut, "text_garbled": batch.n_foreign}
        n_unreadable += repairs["outline_unusable"]
        if n_unreadable and batch.is_last:
            said = f"{info.where}: the shapes of {n_unreadable} records can't be read and count as missing."
            notes.append(Note(said, "outline_unusable", role))
        if window is not None:
            # Formats without an index per record, and drivers that are generous, give more than the window.
            keep = _touches(geometry, window)
            geometry, text = geometry[keep], [values[keep] for values in text]
        if batch.is_last and window is None and begin + len(wkb) < info.n_features:
            raise_for_records(info, own, f"only {begin + len(wkb)} came in one go")
        yield LayerData(
            info=info,
            text=dict(zip(wanted, text, strict=True)),
            geometry=geometry,
            notes=tuple(notes),
            repairs={code: n for code, n in repairs.items() if n},
            number_fields=frozenset(name for name, is_number in zip(wanted, batch.numbers, strict=True) if is_number),
            first=begin,
        )
        begin += len(wkb)


def _batches(
    info: LayerInfo, own: Sequence[str], window: Bounds | None, size: int | None, notes: list[Note], role: str
) -> Iterator[_Batch]:
    """At most so many records at a time; what a person should know is added to the notes."""
    is_old = is_shapefile(info.driver, info.path)
    if size is not None and not info.is_parquet and not is_old:
        yield from _stream_gdal(info, own, window, size)
        return
    n_foreign = 0
    fields: list[Any]
    if info.is_parquet:
        table, shapes = read_table(info.path, own, window)
        fields = [table[name] for name in own]
        numbers = [_is_number(table[name].type) for name in own]
    elif is_old:
        # the text of all records decides the encoding
        fields, shapes, numbers, taken = _read_old(info, own, window)
        if taken:
            said = f"{info.where}: its text isn't in the encoding it names, so {taken} was taken."
            notes.append(Note(said, "text_garbled", role))
            n_foreign = sum(not value.isascii() for values in fields for value in values if value)
    else:
        fields, shapes, numbers = _read_gdal(info, own, window)
    n = len(shapes)
    size = max(n, 1) if size is None else size
    for begin in range(0, max(n, 1), size):
        some = slice(begin, begin + size)
        yield _Batch([values[some] for values in fields], shapes[some], numbers, begin + size >= n, n_foreign)


def _read_old(
    info: LayerInfo, own: Sequence[str], window: Bounds | None
) -> tuple[list[ObjectArray], ObjectArray, list[bool], str]:
    """Read a shapefile, whose text may be in another encoding than it names; the one taken instead, "" for none."""

    def read(encoding: str | None) -> tuple[list[ObjectArray], ObjectArray, list[bool]]:
        columns, shapes, numbers = _read_gdal(info, own, window, encoding=encoding)
        text = [as_text(one, where=info.where, field=name) for one, name in zip(columns, own, strict=True)]
        return text, shapes, numbers

    try:
        text, shapes, numbers = read(None)
        if not is_misread_utf8(text):
            return text, shapes, numbers, ""
        return *read("UTF-8"), "UTF-8"
    except BadTextError:
        return *read(OLD_CODE_PAGE), "Windows-1252"


def _some_text(values: Any, where: str, field: str, first: int) -> ObjectArray:
    """Text of some records of a field, the first of which has a number, from 0."""
    if isinstance(values, np.ndarray):
        return values
    try:
        return as_text(values, where=where, field=field)
    except BadTextError as error:
        raise BadTextError(where, field, first + error.record) from None


def _stream_gdal(info: LayerInfo, own: Sequence[str], window: Bounds | None, size: int) -> Iterator[_Batch]:
    """Read fields and shapes piece by piece, so that the whole never lies in memory."""
    import pyogrio  # noqa: PLC0415 - heavy

    use_fid, fields = _columns(info, own)
    nothing = np.empty(0, dtype=object)
    if info.driver == "FlatGeobuf" and window is not None and not _any_in(info, window):
        yield _Batch([nothing for _ in own], nothing, [False for _ in own], is_last=True)
        return

    def begin() -> tuple[Any, Any]:
        """Open the file."""
        opened = pyogrio.open_arrow(
            info.source,
            layer=info.layer,
            columns=fields,
            bbox=window,
            return_fids=use_fid,
            batch_size=size,
            use_pyarrow=True,
        )
        meta, reader = stack.enter_context(opened)
        return meta, reader

    def following(reader: Any) -> Any:
        """The next batch with rows; None at the end."""
        try:
            return call_gdal(info.path, lambda: next(reader, None))
        except InputError as error:
            raise_for_records(info, own, first_sentence(error.__cause__ or error))

    with ExitStack() as stack:
        meta, reader = call_gdal(info.path, begin)
        is_number = {name: _is_number(reader.schema.field(name).type) for name in fields}
        refuse_text_among_numbers(info, [name for name in fields if is_number[name]])
        # a record number is a number by nature, and nobody's key that lost its zeros
        numbers = [is_number.get(name, False) for name in own]
        batch = following(reader)
        if batch is None:
            yield _Batch([nothing for _ in own], nothing, numbers, is_last=True)
        while batch is not None:
            ahead = following(reader)
            columns = [batch.column(0) if use_fid and name == info.fid else batch[name] for name in own]
            yield _Batch(columns, _wkb(info, batch, meta), numbers, is_last=ahead is None)
            batch = ahead


def _wkb(info: LayerInfo, records: Any, meta: Mapping[str, Any]) -> ObjectArray:
    """Shapes of an Arrow table or batch."""
    column = records[meta["geometry_name"] or "wkb_geometry"]
    return np.asarray(call_gdal(info.path, lambda: column.to_numpy(zero_copy_only=False)), dtype=object)


def _columns(info: LayerInfo, own: Sequence[str]) -> tuple[bool, list[str]]:
    """Whether the record number is asked for, and the fields to read beside it."""
    use_fid = info.fid in own and info.fid not in info.fields
    return use_fid, [name for name in dict.fromkeys(own) if not use_fid or name != info.fid]


def _read_gdal(
    info: LayerInfo, own: Sequence[str], window: Bounds | None, *, encoding: str | None = None
) -> tuple[list[Any], ObjectArray, list[bool]]:
    """Read fields as Arrow columns and shapes as WKB; and which fields hold numbers."""
    import pyogrio  # noqa: PLC0415 - heavy

    use_fid, fields = _columns(info, own)
    if info.driver == "FlatGeobuf" and window is not None and not _any_in(info, window):
        # GDAL's Arrow reader gives 65,536 empty rows where there should be none (GDAL 3.12.4).
        return [np.empty(0, dtype=object) for _ in own], np.empty(0, dtype=object), [False for _ in own]
    try:
        meta, table = call_gdal(
            info.path,
            lambda: pyogrio.read_arrow(
                info.source, layer=info.layer, columns=fields, bbox=window, encoding=encoding, return_fids=use_fid
            ),
        )
    except InputError as error:
        raise_for_records(info, own, first_sentence(error.__cause__ or error))
    refuse_text_among_numbers(info, [name for name in fields if _is_number(table[name].type)])
    # The record number, where asked for, is the first column under a name of GDAL's.
    columns = [table.column(0) if use_fid and name == info.fid else table[name] for name in own]
    # a record number is a number by nature, and nobody's key that lost its zeros
    numbers = [not (use_fid and name == info.fid) and _is_number(table[name].type) for name in own]
    return columns, _wkb(info, table, meta), numbers


def _is_number(kind: Any) -> bool:
    import pyarrow as pa  # noqa: PLC0415 - heavy

    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind))


def _any_in(info: LayerInfo, window: Bounds) -> bool:
    """Whether any record lies in a window."""
    import pyogrio  # noqa: PLC0415 - heavy

    fids, _ = call_gdal(info.path, lambda: pyogrio.read_bounds(info.source, layer=info.layer, bbox=window))
    return len(fids) > 0


def _geometries(info: LayerInfo, shapes: ObjectArray) -> tuple[ObjectArray, dict[str, int]]:
    """Make two-dimensional geometries, None where there is none; count what had to be put right."""
    if info.is_parquet and any(isinstance(shape, shapely.Geometry) for shape in shapes):
        geometry = np.array(shapes, dtype=object)
    else:
        # Rings that aren't closed are closed; what is beyond that becomes None.
        geometry = np.asarray(shapely.from_wkb(shapes, on_invalid="fix"), dtype=object)
    is_high = shapely.has_z(geometry) | shapely.has_m(geometry)
    n_high = int(np.count_nonzero(is_high))
    if n_high:
        geometry[is_high] = shapely.force_2d(geometry[is_high])
    coords, owner = shapely.get_coordinates(geometry, return_index=True)
    # Written as "not all less", so that not-a-number counts as none too.
    geometry[owner[~(np.abs(coords) < LARGEST_COORDINATE).all(axis=1)]] = None
    given = np.array([shape is not None for shape in shapes], dtype=bool)
    n_unreadable = int(np.count_nonzero(given & shapely.is_missing(geometry)))
    geometry[shapely.is_empty(geometry)] = None
    return geometry, {"outline_unusable": n_unreadable, "height_in_geometry": n_high}


def _is_curved(wkb: object) -> bool:
    """Whether WKB is of one of the curved kinds.

    References
    ----------
    OGC 06-103r4, Simple feature access 1, table 7: circular string 8, compound curve 9, curve polygon 10, multicurve
    11, multisurface 12; 1000 is added for Z, 2000 for M, 3000 for both.
    """
    if not isinstance(wkb, bytes):
        return False
    kind = int.from_bytes(wkb[1:5], "little" if wkb[:1] == b"\x01" else "big") & 0x0FFFFFFF
    return kind % 1000 in CURVED_KINDS


def _straightened(info: LayerInfo, window: Bounds | None) -> ObjectArray:
    """WKB with arcs replaced by chords, which GDAL does in its plain reader only."""
    import pyogrio  # noqa: PLC0415 - heavy
    from pyogrio.raw import read  # noqa: PLC0415

    def numbered() -> tuple[Any, Any]:
        _, table = pyogrio.read_arrow(
            info.source, layer=info.layer, columns=[], bbox=window, return_fids=True, read_geometry=False
        )
        return table.column(0).to_numpy(), read(
            info.source, layer=info.layer, columns=[], bbox=window, return_fids=True
        )

    order, (_, fids, wkb, _) = call_gdal(info.path, numbered)
    place = {fid: i for i, fid in enumerate(fids)}
    return np.asarray(wkb, dtype=object)[[place[fid] for fid in order]]


def _touches(geometry: ObjectArray, window: Bounds) -> npt.NDArray[np.bool_]:
    """Which shapes' boxes touch a window."""
    west, south, east, north = window
    box = shapely.bounds(geometry)
    with np.errstate(invalid="ignore"):
        touches: npt.NDArray[np.bool_] = (
            (box[:, 2] >= west) & (box[:, 0] <= east) & (box[:, 3] >= south) & (box[:, 1] <= north)
        )
    return touches
