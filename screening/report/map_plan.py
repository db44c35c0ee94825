"""A plan of visits, as far as the map shows it: which homes, on which day and as which stop, and the way between them.

Read are the columns ``home_id``, ``day``, ``stop`` and ``street_side`` of a CSV, of the objects in a JSON file, or of a
layer of a GeoPackage; lines of such a GeoPackage are the way. Where a JSON file or a GeoPackage says of street sides
why they are in the plan or not (``street_side``, ``is_chosen``, ``why_text``), that is read too. Other columns are left
alone.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pyogrio
import pyproj
import shapely

from screening.errors import InputError
from screening.paths import why_unreadable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    import numpy.typing as npt

_HOME: Final = "home_id"
_DAY: Final = "day"
# What the place on the way may be called; the first that is there counts.
_STOPS: Final = ("stop", "visit", "order", "position")
_SIDE: Final = "street_side"
_WHY: Final = "why_text"
_IS_IN: Final = "is_chosen"
_LINES: Final = frozenset({"LineString", "MultiLineString"})


class SideWords(NamedTuple):
    """Why a street side is in the plan or not.

    Attributes
    ----------
    name : str
        Street and side.
    is_chosen : bool
        Whether it is in the plan.
    text : str
        Why, in a sentence.
    """

    name: str
    is_chosen: bool
    text: str


@dataclass(frozen=True, slots=True)
class VisitPlan:
    """Homes to visit.

    Attributes
    ----------
    file : str
        Name of the plan's file.
    homes : tuple of str
        `home_id`, in the order of the file.
    days, stops : tuple of str
        Day of each home and its place on that day's way; "" where the plan doesn't say.
    ways : (n,) array of lines
        Ways to walk. [m]
    way_days : tuple of str
        Day of each way; "" where the plan doesn't say.
    home_sides : tuple of str
        Street side with which each home is visited; "" where the plan doesn't say.
    sides : tuple of SideWords
        Street sides in and out of the plan, in the order of the file; none where it doesn't say.
    """

    file: str
    homes: tuple[str, ...]
    days: tuple[str, ...]
    stops: tuple[str, ...]
    ways: npt.NDArray[Any]
    way_days: tuple[str, ...]
    home_sides: tuple[str, ...]
    sides: tuple[SideWords, ...]


def read_plan(path: Path, *, crs_wkt: str = "") -> VisitPlan:
    """Read a plan.

    Parameters
    ----------
    path : Path
        ``.csv``, ``.json`` or ``.gpkg``.
    crs_wkt : str
        Coordinate system of the result; "" if it is not known.

    Raises
    ------
    InputError
        No such file, unreadable, without homes, or its lines are in another coordinate system.
    """
    if why_unreadable(path):
        raise InputError(f"there is no plan '{path}': name the file that `screening streets` wrote")
    readers = {".csv": _csv_rows, ".json": _json_rows, ".gpkg": _layer_rows}
    if path.suffix.lower() not in readers:
        raise InputError(f"the plan '{path}' must be a .csv, .json or .gpkg with a column {_HOME}")
    rows = readers[path.suffix.lower()](path)
    found: dict[str, tuple[str, str, str]] = {}
    for row in rows:
        home = _text(row.get(_HOME))
        if home:
            stop = next((row[name] for name in _STOPS if name in row), None)
            found.setdefault(home, (_text(row.get(_DAY)), _text(stop), _text(row.get(_SIDE))))
    if not found:
        raise InputError(f"the plan '{path}' names no homes: it needs a column {_HOME} that is filled")
    ways, way_days = _ways(path, crs_wkt)
    return VisitPlan(
        file=path.name,
        homes=tuple(found),
        days=tuple(day for day, _, _ in found.values()),
        stops=tuple(stop for _, stop, _ in found.values()),
        ways=ways,
        way_days=way_days,
        home_sides=tuple(side for _, _, side in found.values()),
        sides=_sides(path),
    )


def _text(value: object) -> str:
    """A cell as text: 3.0 as 3, none as nothing."""
    if value is None or value != value:  # noqa: PLR0124 - not a number
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _csv_rows(path: Path) -> list[dict[str, Any]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            return list(csv.DictReader(stream))
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"the plan '{path}' is no readable CSV in UTF-8 ({error})") from error


def _json_rows(path: Path) -> list[dict[str, Any]]:
    try:
        return list(_objects(json.loads(path.read_text("utf-8-sig"))))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise InputError(f"the plan '{path}' is no readable JSON in UTF-8 ({error})") from error


def _objects(value: object, day: object = None, *, name: str = _HOME) -> Iterator[dict[str, Any]]:
    """Objects that name a home, wherever they stand; a day may be said once for all under it."""
    if isinstance(value, dict):
        day = value.get(_DAY, day)
        if name in value:
            yield {_DAY: day, **value}
        else:
            for one in value.values():
                yield from _objects(one, day, name=name)
    elif isinstance(value, list):
        for one in value:
            yield from _objects(one, day, name=name)


def _sides(path: Path) -> tuple[SideWords, ...]:
    """Street sides of a plan with their sentences."""
    ending = path.suffix.lower()
    rows: list[dict[str, Any]] = []
    if ending == ".json":
        rows = list(_objects(json.loads(path.read_text("utf-8-sig")), name=_WHY))
    elif ending == ".gpkg":
        for layer, _ in _layers(path):
            if {_SIDE, _WHY, _IS_IN} <= set(pyogrio.read_info(path, layer=layer)["fields"]):
                columns = [_SIDE, _WHY, _IS_IN]
                frame = pyogrio.read_dataframe(path, layer=layer, columns=columns, read_geometry=False, use_arrow=False)
                rows = [{str(key): value for key, value in row.items()} for row in frame.to_dict("records")]
                break
    return tuple(
        SideWords(_text(row[_SIDE]), bool(row[_IS_IN]), _text(row[_WHY]))
        for row in rows
        if _SIDE in row and _IS_IN in row
    )


def _layer_rows(path: Path) -> list[dict[str, Any]]:
    for layer, _ in _layers(path):
        if _HOME in pyogrio.read_info(path, layer=layer)["fields"]:
            frame = pyogrio.read_dataframe(path, layer=layer, read_geometry=False, use_arrow=False)
            return [{str(key): value for key, value in row.items()} for row in frame.astype(object).to_dict("records")]
    raise InputError(f"the plan '{path}' has no layer with a column {_HOME}")


def _layers(path: Path) -> Sequence[tuple[str, str | None]]:
    try:
        return [(str(name), kind) for name, kind in pyogrio.list_layers(path)]
    except (pyogrio.errors.DataSourceError, OSError) as error:
        raise InputError(f"the plan '{path}' is no readable GeoPackage") from error


def _ways(path: Path, crs_wkt: str) -> tuple[npt.NDArray[Any], tuple[str, ...]]:
    """Lines of a GeoPackage."""
    nothing = np.empty(0, dtype=object), ()
    if path.suffix.lower() != ".gpkg":
        return nothing
    for layer, kind in _layers(path):
        if (kind or "").removesuffix(" Z").removeprefix("2.5D ") not in _LINES:
            continue
        frame = pyogrio.read_dataframe(path, layer=layer, use_arrow=False)
        if crs_wkt and (frame.crs is None or not _same(frame.crs, crs_wkt)):
            raise InputError(
                f"the plan '{path}' was made for another result: layer {layer} has another coordinate system; make "
                "the plan again"
            )
        days = _filled(frame[_DAY].tolist()) if _DAY in frame.columns else ("",) * len(frame)
        return shapely.force_2d(frame.geometry.to_numpy()), days
    return nothing


def _filled(values: Iterable[object]) -> tuple[str, ...]:
    return tuple(_text(value) for value in values)


def _same(crs: Any, crs_wkt: str) -> bool:
    return bool(pyproj.CRS(crs).equals(pyproj.CRS.from_wkt(crs_wkt), ignore_axis_order=True))
