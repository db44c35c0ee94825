"""Where the homes of a public copy are counted to: streets, districts, or squares of a grid; and their outlines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyogrio
import shapely

from screening import street_plan
from screening.errors import InputError, ParameterError
from screening.report.list_kinds import LISTS
from screening.report.lists import metric_tables

if TYPE_CHECKING:
    from screening.report.result_layers import ResultLayers

PLACES: Final = ("streets", "districts", "squares")
"""Ways to count homes together; one copy has one of them."""

SQUARE_M: Final = 250.0
"""Side of a square where none is asked for (program default): some blocks of houses. [m]"""

LEAST_SQUARE_M: Final = 50.0
"""Smallest square: a smaller one is a lot or two. [m]"""

_VOLUMES: Final = ("diverted_low_m3_y", "diverted_m3_y", "diverted_high_m3_y")
_RUNOFF: Final = "runoff_roof_m3_y"

ObjectArray = npt.NDArray[Any]


class Places(NamedTuple):
    """Places with their sums.

    Attributes
    ----------
    kind : str
        One of `PLACES`.
    table : pyarrow.Table
        One row a place, its name in the first column; units and meanings in the metadata of the fields.
    shapes : dict of str to geometry
        Outline or line by name, of those that have one. [m]
    geometry_type : str
        ``"MultiLineString"`` or ``"MultiPolygon"``.
    """

    kind: str
    table: pa.Table
    shapes: dict[str, Any]
    geometry_type: str


def usual_places(result: ResultLayers) -> str:
    """Return what a copy is counted by unless told: districts, else streets, else squares."""
    if "districts" in result.names:
        return "districts"
    if "streets" in result.names and result.table("streets").num_rows:
        return "streets"
    return "squares"


def read_places(result: ResultLayers, kind: str, square_m: float) -> Places:
    """Count the homes of a result by places.

    Parameters
    ----------
    result : ResultLayers
    kind : str
        One of `PLACES`.
    square_m : float
        Side of the squares [m]; at least `LEAST_SQUARE_M`.

    Raises
    ------
    ParameterError
        The result has no such places.
    """
    if kind == "squares":
        return _squares(result, square_m)
    if kind not in result.names:
        way_out = "run again with [inputs] districts" if kind == "districts" else "run again"
        raise ParameterError(f"'{result.path}' has no {kind}: choose --by squares, or {way_out}")
    table = metric_tables(result, [LISTS[kind]])[kind]
    is_area = kind == "districts"
    return Places(kind, table, _shapes(result, kind), "MultiPolygon" if is_area else "MultiLineString")


def _shapes(result: ResultLayers, layer: str) -> dict[str, Any]:
    """Lines or outlines of a layer by the names in its first column."""
    if pyogrio.read_info(result.path, layer=layer)["geometry_type"] is None:
        return {}
    name = layer.removesuffix("s")
    frame = pyogrio.read_dataframe(result.path, layer=layer, columns=[name], use_arrow=False)
    geometry = frame.geometry.to_numpy()
    has_shape = ~shapely.is_missing(geometry) & ~shapely.is_empty(geometry)
    return dict(zip(frame[name][has_shape], geometry[has_shape], strict=True))


def _squares(result: ResultLayers, square_m: float) -> Places:
    """Count the homes by squares of a grid that begins at (0, 0) of the working coordinate system.

    A home is counted to the square that holds a point inside its lot. The range of a square follows from the homes'
    ranges and that of the whole, as in the street plan: what they share moves all together.
    """
    homes = result.table("candidate_homes", needs=("home_id", _RUNOFF, *_VOLUMES))
    frame = pyogrio.read_dataframe(result.path, layer="candidate_homes", columns=["home_id"], use_arrow=False)
    lots = frame.geometry.to_numpy()
    if len(lots) != homes.num_rows or shapely.is_missing(lots).any() or shapely.is_empty(lots).any():
        raise InputError(f"candidates of '{result.path}' lack their outline: the file was changed, so run again")
    inside = shapely.point_on_surface(lots)
    cell = np.floor(np.column_stack([shapely.get_x(inside), shapely.get_y(inside)]) / square_m).astype(np.int64)
    unique, of_home = np.unique(cell.reshape(-1, 2), axis=0, return_inverse=True)
    of_home = of_home.ravel()
    numbers = {
        name: np.nan_to_num(homes[name].to_numpy(zero_copy_only=False).astype(float)) for name in (*_VOLUMES, _RUNOFF)
    }
    volumes = street_plan.Volumes(*(numbers[name] for name in _VOLUMES))
    whole = _whole(result)
    rows = []
    shapes = {}
    for k, (column, row) in enumerate(unique.tolist()):
        mine = np.flatnonzero(of_home == k)
        x_m, y_m = column * square_m, row * square_m
        name = f"{x_m:.10g} {y_m:.10g}"
        low, likely, high = street_plan.range_of(volumes, whole, mine)
        rows.append((name, len(mine), float(numbers[_RUNOFF][mine].sum()), likely, low, high))
        shapes[name] = shapely.MultiPolygon([shapely.box(x_m, y_m, x_m + square_m, y_m + square_m)])
    rows.sort(key=lambda one: (-one[3], one[0]))
    fields = [
        ("square", pa.string(), "", f"south-west corner of a square of {square_m:g} m: metres east, metres north"),
        ("n_candidates", pa.int64(), "", "candidate homes in the square"),
    ]
    fields += [
        (name, pa.float64(), result.entry("candidate_homes", name).unit, meaning)
        for name, meaning in (
            (_RUNOFF, "runoff of all roofs of the candidates in a mean year"),
            ("diverted_m3_y", "roof water a year that no longer runs off, all candidates, likely"),
            ("diverted_low_m3_y", "the same, low estimate"),
            ("diverted_high_m3_y", "the same, high estimate"),
        )
    ]
    schema = pa.schema(
        [pa.field(name, kind, metadata={"unit": unit, "meaning": text}) for name, kind, unit, text in fields],
        metadata={"n_fixed": "1"},
    )
    table = pa.Table.from_pylist([dict(zip(schema.names, one, strict=True)) for one in rows], schema=schema)
    return Places("squares", table, shapes, "MultiPolygon")


def _whole(result: ResultLayers) -> street_plan.Range | None:
    """Range of all homes together, from the record; None where it has none."""
    try:
        return street_plan.Range(*(float(result.record[f"total_{name}"]) for name in _VOLUMES))
    except (KeyError, ValueError):
        return None
