"""Reading a soil map: polygons with a map-unit symbol, or with the soil in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from screening.errors import SchemaError
from screening.read.reader import look_at_layer

if TYPE_CHECKING:
    import numpy.typing as npt

    from screening.params import Params
    from screening.read.reader import Reader

    Bounds = tuple[float, float, float, float]
    ObjectArray = npt.NDArray[np.object_]

SHOWN_FIELDS = 12
"""Fields that a message lists."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilLayer:
    """A soil map in the working CRS.

    Attributes
    ----------
    where : str
        File, layer and field, for messages.
    symbol : ndarray of object, shape (n,)
        Map-unit symbol, or soil in words, of each polygon; None where the record has none.
    geometry : ndarray of shapely geometries, shape (n,)
        Outlines [m] as the file has them, maybe not valid; none is null or empty.
    """

    where: str
    symbol: ObjectArray
    geometry: ObjectArray


def read_soils(reader: Reader, params: Params, boxes_m: tuple[Bounds, Bounds]) -> SoilLayer | None:
    """Read the soil map, if the run file names one.

    Parameters
    ----------
    reader : Reader
        Takes the file and the notes.
    params : Params
        ``[inputs] soils`` and ``[fields] soil``.
    boxes_m : tuple
        Extent of the parcels, and the window to read, in the working CRS [m].

    Raises
    ------
    SchemaError
        If no field is named for the soil, it isn't there, or it is empty in every record.
    """
    if params.inputs.soils is None:
        return None
    info = look_at_layer(params.inputs, "soils", ("polygon",))
    field = params.fields.soil
    if not field:
        shown = ", ".join(repr(name) for name in info.fields[:SHOWN_FIELDS]) or "none"
        more = " and others" if len(info.fields) > SHOWN_FIELDS else ""
        msg = f"[fields] soil doesn't say which field of {info.where} holds the soil; it has {shown}{more}."
        raise SchemaError(msg, code="soil_unclear")
    text, geometry = reader.additional(info, "soils", {"soil": field}, ("polygon",), boxes_m)
    symbol = text["soil"]
    where = f"{info.where}, field {field!r}"
    missing = np.array([value is None for value in symbol], dtype=bool)
    if len(symbol) and missing.all():
        msg = f"{where}, is empty in every record near the parcels; name another field under [fields] soil."
        raise SchemaError(msg, code="soil_unclear")
    if missing.any():
        n_missing = np.count_nonzero(missing)
        reader.note(f"{where}: {n_missing} records without a value count as unmapped.", "soil_unclear", "soils")
    return SoilLayer(where=where, symbol=symbol, geometry=geometry)
