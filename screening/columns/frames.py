"""Bringing frames to the registry's columns and types before anything is written.

A frame that does not fit is a bug of the program, so it is a `ValueError` with its traceback.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import shapely

from screening.columns.layers import LAYERS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    import numpy.typing as npt

    from screening.columns.model import Column, Layer

PANDAS_TYPES: Final[Mapping[str, Any]] = {
    "str": pd.StringDtype(),
    "int": pd.Int64Dtype(),
    "float": pd.Float64Dtype(),
    "bool": pd.BooleanDtype(),
}
"""Nullable pandas types: null stays null instead of turning a count into a decimal number."""

GEOMETRY_NAME: Final = "geom"
"""Name of the geometry column of packed tables and of the result's layers."""

_MULTI: Final = {"MultiPolygon": "Polygon", "MultiLineString": "LineString"}

# ISO WKB of a multi-part geometry up to its only part: little-endian, type, one part
_ONE_PART: Final = {
    "MultiPolygon": b"\x01\x06\x00\x00\x00\x01\x00\x00\x00",
    "MultiLineString": b"\x01\x05\x00\x00\x00\x01\x00\x00\x00",
}


def layer(name: str) -> Layer:
    """Return the layer of a name; `KeyError` if there is none."""
    for one in LAYERS:
        if one.name == name:
            return one
    raise KeyError(name)


def conform(frame: pd.DataFrame, layer_name: str) -> Any:
    """Bring a frame to the columns, order and types of a layer.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        All columns of the layer in any order, nothing else but the geometry.
    layer_name : str
        Name of the layer.

    Returns
    -------
    GeoDataFrame or DataFrame
        A new frame with the index 0, 1, 2 ...; nullable types; polygons and lines as their
        multi-part types where the layer has these.

    Raises
    ------
    ValueError
        If columns are missing or not listed, a value is of another kind, a code is not in its list, a
        number is infinite, a required value or a geometry is null, or a key repeats.
    """
    wanted = layer(layer_name)
    data, geometry = _checked(frame, wanted, ())
    if geometry is None:
        return pd.DataFrame(data)
    combine = shapely.multipolygons if wanted.geometry_type == "MultiPolygon" else shapely.multilinestrings
    single = _singles(geometry, wanted)
    if single.any():
        geometry[single] = combine(geometry[single], indices=np.arange(single.sum()))
    return gpd.GeoDataFrame(data, geometry=geometry, crs=frame.crs)


def pack(frame: pd.DataFrame, layer_name: str, *, is_part: bool = False) -> pa.Table:
    """Bring a frame to the columns, order and types of a layer, as an Arrow table.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        As for `conform`.
    layer_name : str
        Name of the layer.
    is_part : bool
        Rows of one tile: columns that need the whole town are left out, for `complete` to add.

    Returns
    -------
    pyarrow.Table
        Geometry as ISO WKB in the column `GEOMETRY_NAME`, where the layer has any and the frame is one with geometry.

    Raises
    ------
    ValueError
        As `conform`.
    """
    wanted = layer(layer_name)
    later = [column.name for column in wanted.columns if column.needs_town] if is_part else []
    data, geometry = _checked(frame, wanted, later)
    table = pa.table({name: pa.array(values) for name, values in data.items()})
    if geometry is None:
        return table
    wkb = shapely.to_wkb(geometry, flavor="iso", byte_order=1)
    single = _singles(geometry, wanted)
    wkb[single] = [_ONE_PART[str(wanted.geometry_type)] + one for one in wkb[single]]
    return table.append_column(GEOMETRY_NAME, pa.array(wkb, type=pa.binary()))


def complete(table: pa.Table, frame: pd.DataFrame, layer_name: str, others: Collection[str] = ()) -> pa.Table:
    """Add the columns to a table of parts that need the whole town, and put others in the place of what they were.

    Parameters
    ----------
    table : pyarrow.Table
        Packed as parts.
    frame : DataFrame
        The columns, rows in the order of the table.
    layer_name : str
        Name of the layer.
    others : collection of str
        Further columns that the frame has anew.

    Raises
    ------
    ValueError
        As `conform`.
    """
    wanted = layer(layer_name)
    for column in wanted.columns:
        if column.needs_town or column.name in others:
            if column.name in table.column_names:
                table = table.drop_columns([column.name])
            try:
                values = _conform_column(frame[column.name], column)
            except (TypeError, ValueError) as error:
                raise ValueError(f"layer {layer_name}: {column.name}: {error}") from error
            table = table.append_column(column.name, pa.array(values))
    return table.select([*wanted.column_names, *(name for name in table.column_names if name == GEOMETRY_NAME)])


def _checked(
    frame: pd.DataFrame, wanted: Layer, later: Collection[str]
) -> tuple[dict[str, pd.Series[Any]], npt.NDArray[Any] | None]:
    """Columns of a layer in its types, and its geometry, or a `ValueError` that says all that is wrong."""
    problems: list[str] = []
    geometry_name = frame.geometry.name if isinstance(frame, gpd.GeoDataFrame) else None
    given = [name for name in frame.columns if name != geometry_name]
    names = [name for name in wanted.column_names if name not in later]
    missing = [name for name in names if name not in given]
    unlisted = [str(name) for name in given if name not in names]
    if missing:
        problems.append(f"missing columns: {', '.join(missing)}")
    if unlisted:
        problems.append(f"columns that the registry does not list: {', '.join(unlisted)}")
    if problems:
        raise ValueError(f"layer {wanted.name}: " + "; ".join(problems))

    data: dict[str, pd.Series[Any]] = {}
    for column in wanted.columns:
        if column.name in later:
            continue
        try:
            data[column.name] = _conform_column(frame[column.name], column)
        except (TypeError, ValueError) as error:
            problems.append(f"{column.name}: {error}")
    if wanted.key and wanted.key in data and data[wanted.key].duplicated().any():
        repeated = data[wanted.key][data[wanted.key].duplicated()].iloc[0]
        problems.append(f"{wanted.key}: {repeated!r} stands in more than one row")
    geometry = None
    if wanted.geometry_type is not None:
        if geometry_name is None:
            if not wanted.geometry_may_be_null:
                problems.append("the geometry is missing")
        else:
            geometry = np.array(frame.geometry.to_numpy(), dtype=object)
            problem = _wrong_geometry(geometry, wanted)
            if problem:
                problems.append(problem)
    if problems:
        raise ValueError(f"layer {wanted.name}: " + "; ".join(problems))
    return data, geometry


def empty(layer_name: str, crs: object = None) -> Any:
    """Return a layer without rows, in the types that `conform` gives.

    Parameters
    ----------
    layer_name : str
        Name of the layer.
    crs : CRS or what pyproj takes for one
        Coordinate reference system of the geometry.
    """
    wanted = layer(layer_name)
    data: dict[str, Any] = {column.name: pd.array([], dtype=PANDAS_TYPES[column.dtype]) for column in wanted.columns}
    if wanted.geometry_type is None:
        return pd.DataFrame(data)
    return gpd.GeoDataFrame(data, geometry=np.empty(0, dtype=object), crs=crs)


def guide(layer_names: Iterable[str] | None = None, *, tables: Collection[str] = ()) -> pd.DataFrame:
    """Return the rows of the layer ``column_guide``.

    Parameters
    ----------
    layer_names : iterable of str, optional
        Layers that are written; all if left out.
    tables : collection of str, optional
        Layers among them that are written without geometry although the registry gives them one.
    """
    names = [one.name for one in LAYERS] if layer_names is None else list(layer_names)
    rows = []
    for name in names:
        one = layer(name)
        rows.append((name, "fid", "int", "", "number of the row in this file, without further meaning"))
        if one.geometry_type is not None and name not in tables:
            meaning = "outline or place, in the coordinate system of the file [m]"
            rows.append((name, "geom", one.geometry_type, "m", meaning))
        for column in one.columns:
            codes = f": {', '.join(column.codes)}" if column.codes else ""
            rows.append((name, column.name, column.dtype, column.unit, column.meaning + codes))
    return pd.DataFrame(rows, columns=["layer", "column", "type", "unit", "meaning"])


def _conform_column(values: pd.Series[Any], column: Column) -> pd.Series[Any]:
    """Bring one column to its type, or say why that fails."""
    typed = pd.Series(_typed(values, column.dtype), name=column.name)
    if column.is_required and typed.isna().any():
        raise ValueError("null where every row needs a value")
    if column.codes is not None:
        _check_codes(typed, column)
    return typed


def _typed(values: pd.Series[Any], dtype: str) -> Any:
    """Return values as an array of a nullable type, or say which of them are of another kind."""
    kind = values.dtype.kind if isinstance(values.dtype, np.dtype) else ""
    if dtype == "float" and kind == "f":
        # the common case, without a detour
        plain = values.to_numpy(copy=True)
        null = np.isnan(plain)
        if np.isinf(plain).any():
            raise ValueError("infinite values")
        return pd.arrays.FloatingArray(plain.astype(np.float64), null)
    if dtype == "str" and pd.api.types.infer_dtype(values, skipna=True) in {"string", "empty"}:
        return pd.array(values, dtype=PANDAS_TYPES[dtype])
    values = values.reset_index(drop=True)
    present = values[values.notna()]
    if not len(present):
        # nulls alone have any type pandas thought fit
        return pd.array([pd.NA] * len(values), dtype=PANDAS_TYPES[dtype])
    is_number = pd.api.types.is_numeric_dtype(present.dtype) and not pd.api.types.is_bool_dtype(present.dtype)
    if dtype == "str":
        wrong = next(value for value in present if not isinstance(value, str))
        raise TypeError(f"{wrong!r} is no text")
    if dtype == "bool":
        if not all(isinstance(value, bool | np.bool_) for value in present.unique()):
            raise TypeError("must be true or false")
    elif not is_number and not all(_is_number(value) for value in present.unique()):
        raise TypeError("must be numbers")
    if dtype == "float" and not np.isfinite(present.to_numpy(dtype=np.float64)).all():
        raise ValueError("infinite values")
    # by way of the present values: a column of nulls has any type pandas thought fit
    typed = pd.Series(pd.array([pd.NA] * len(values), dtype=PANDAS_TYPES[dtype]))
    if len(present):
        typed[present.index] = present.astype(PANDAS_TYPES[dtype])
    return typed.array


def _is_number(value: object) -> bool:
    """Return whether a value is a number; switches are none."""
    return isinstance(value, int | float | np.number) and not isinstance(value, bool)


def _check_codes(values: pd.Series[Any], column: Column) -> None:
    """Refuse codes that are not in the column's list."""
    if column.codes is None:
        return
    for value in values.dropna().unique():
        codes = value.split(";") if column.is_list and value else [value]
        unknown = [code for code in codes if code not in column.codes and not (column.is_list and code == "")]
        if unknown:
            raise ValueError(f"{unknown[0]!r} is not in the list of codes")


def _singles(geometry: npt.NDArray[Any], wanted: Layer) -> npt.NDArray[np.bool_]:
    """Which geometries are single parts where the layer has their multi-part type."""
    part = _MULTI.get(str(wanted.geometry_type))
    if part is None:
        return np.zeros(len(geometry), dtype=bool)
    return np.asarray(shapely.get_type_id(geometry) == shapely.GeometryType[part.upper()])


def _wrong_geometry(geometry: npt.NDArray[Any], wanted: Layer) -> str:
    """What is wrong with the geometries of a layer; empty where nothing is."""
    null = shapely.is_missing(geometry)
    if null.any() and not wanted.geometry_may_be_null:
        return f"{int(null.sum())} rows without geometry"
    target = str(wanted.geometry_type)
    wrong = (shapely.get_type_id(geometry) != shapely.GeometryType[target.upper()]) & ~null
    wrong &= ~_singles(geometry, wanted)
    if wrong.any():
        first = geometry[wrong][0].geom_type
        return f"{int(wrong.sum())} geometries are no {target} but for example {first}"
    if shapely.is_empty(geometry[~null]).any():
        return "empty geometries"
    return ""
