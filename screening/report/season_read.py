"""What a season of visits is planned from: the candidates of a result, gathered by street and side."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyogrio
import pyproj
import shapely

from screening import street_plan
from screening.errors import InputError, ParameterError
from screening.report.result_layers import ResultLayers
from screening.report.season_model import HomeRows
from screening.report.season_places import in_areas

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from screening.report.season_model import FloatArray, IntArray, ObjectArray, SeasonWishes
    from screening.street_plan import Range

logger = logging.getLogger(__name__)

_VOLUMES: Final = ("diverted_low_m3_y", "diverted_m3_y", "diverted_high_m3_y")
_NEEDS: Final = ("home_id", "address", "street", "rank", "confidence_frac", *_VOLUMES)


@dataclass(frozen=True, slots=True)
class Gathered:
    """Homes by street side, and where they stand.

    Attributes
    ----------
    names : list of str
        Names of the sides, in their order.
    rows : list of int arrays
        Homes of each side, the largest volume first.
    street, side : list of str or None
        The two parts of each name.
    stand_m : (n, 2) array
        Where somebody stands before each home [m].
    of_home : (n,) int array
        Side of each home.
    lines : Mapping[str, geometry]
        Lines of the streets.
    """

    names: list[str]
    rows: list[IntArray]
    street: list[str | None]
    side: list[str | None]
    stand_m: FloatArray
    of_home: IntArray
    lines: Mapping[str, Any]


def read_crs(path: Path) -> pyproj.CRS:
    """Working CRS of a result.

    Raises
    ------
    InputError
        No result of a run.
    """
    ResultLayers(path)
    return pyproj.CRS.from_user_input(pyogrio.read_info(path, layer="candidate_homes")["crs"])


def read_homes(result: ResultLayers, wishes: SeasonWishes) -> HomeRows:
    """Read the candidates."""
    path = result.path
    table = result.table("candidate_homes", needs=_NEEDS)
    if not table.num_rows:
        raise InputError(
            f"'{path}' has no candidate homes, so there is nothing to visit: see its other_parcels for why"
        )
    numbers = {
        name: table[name].to_numpy(zero_copy_only=False).astype(float) for name in (*_VOLUMES, "confidence_frac")
    }
    lacking = [name for name, values in numbers.items() if np.isnan(values).any()]
    if lacking:
        raise InputError(f"candidates of '{path}' lack {' and '.join(lacking)}: the file was changed, so run again")
    frame = pyogrio.read_dataframe(path, layer="candidate_homes", columns=["home_id"], use_arrow=False)
    home_id = np.array(table["home_id"].to_pylist(), dtype=object)
    lots = frame.geometry.to_numpy()
    if frame["home_id"].tolist() != home_id.tolist() or shapely.is_missing(lots).any() or shapely.is_empty(lots).any():
        raise InputError(f"candidates of '{path}' lack their outline: the file was changed, so run again")
    is_priority = None if wishes.areas is None else in_areas(lots, wishes.areas)
    if is_priority is not None and not is_priority.any():
        message = f"no candidate home lies in the areas of {wishes.areas_name}"
        if wishes.least_priority_frac:
            raise ParameterError(f"{message}: check its place, or leave out --priority-pct")
        logger.warning("%s", message)
    return HomeRows(
        home_id=home_id,
        address=np.array(table["address"].to_pylist(), dtype=object),
        street=np.array(table["street"].to_pylist(), dtype=object),
        rank=np.array(table["rank"].to_pylist(), dtype=object),
        confidence_frac=numbers["confidence_frac"],
        volumes=street_plan.Volumes(*(numbers[name] for name in _VOLUMES)),
        lots=lots,
        is_priority=is_priority,
    )


def read_streets(result: ResultLayers) -> tuple[dict[str, Range], dict[str, Any]]:
    """Read the sums of the streets, and their lines where the result has any."""
    if "streets" not in result.names:
        return {}, {}
    table = result.table("streets", needs=("street", *_VOLUMES))
    names = table["street"].to_pylist()
    ends = [table[name].to_pylist() for name in _VOLUMES]
    sums = {
        name: street_plan.Range(*values)
        for name, *values in zip(names, *ends, strict=True)
        if name is not None and None not in values
    }
    if pyogrio.read_info(result.path, layer="streets")["geometry_type"] is None:
        return sums, {}
    frame = pyogrio.read_dataframe(result.path, layer="streets", columns=["street"], use_arrow=False)
    geometry = frame.geometry.to_numpy()
    has_line = ~shapely.is_missing(geometry) & (shapely.length(geometry) > 0.0)
    return sums, dict(zip(frame["street"][has_line], geometry[has_line], strict=True))


def gather(result: ResultLayers, homes: HomeRows, lines: dict[str, Any], *, is_whole: bool) -> Gathered:
    """Gather homes by street and side, else by street, else by block."""
    fronts = street_plan.fronts_of(homes.lots, homes.street.tolist(), lines)
    street = homes.street.copy()
    nowhere = np.array([name is None for name in street])
    if nowhere.any():
        street[nowhere] = street_plan.blocks_of(
            homes.lots[nowhere], homes.home_id[nowhere].tolist(), other_homes(result, None)
        )
    names = np.array(
        [
            name if side is None or is_whole else f"{name}, {side}"
            for name, side in zip(street, fronts.side, strict=True)
        ],
        dtype=object,
    )
    for i in np.flatnonzero(~fronts.has_line & ~nowhere & ~is_whole):
        if street[i] in lines:
            names[i] = f"{street[i]}, away from its line"
    unique, of_home = np.unique(names.astype(str), return_inverse=True)
    of_home = of_home.ravel().astype(np.int64)
    rows = []
    for k in range(len(unique)):
        mine = np.flatnonzero(of_home == k)
        rows.append(mine[np.lexsort((homes.home_id[mine].astype(str), -homes.volumes.likely[mine]))])
    first = [int(mine[0]) for mine in rows]
    return Gathered(
        names=unique.tolist(),
        rows=rows,
        street=[homes.street[i] for i in first],
        side=[None if is_whole else fronts.side[i] for i in first],
        stand_m=fronts.stand_xy_m,
        of_home=of_home,
        lines=lines,
    )


def other_homes(result: ResultLayers, bounds_m: tuple[float, float, float, float] | None) -> ObjectArray:
    """Lots of homes that are no candidates, in a box or everywhere: nobody walks across them, and they join blocks.

    Other parcels without a home may be streets.
    """
    if "home_id" not in result.table("other_parcels").column_names:
        return np.empty(0, dtype=object)
    frame = pyogrio.read_dataframe(
        result.path,
        layer="other_parcels",
        columns=["home_id"],
        where="home_id IS NOT NULL",
        bbox=bounds_m,
        use_arrow=False,
    )
    lots = frame.geometry.to_numpy()
    return np.asarray(lots[~shapely.is_missing(lots)])
