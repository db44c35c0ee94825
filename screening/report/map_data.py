"""What the page of the map holds: rows of the result in the units of people, and packed outlines."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio.raw
import shapely

from screening import columns
from screening.errors import InputError, ParameterError
from screening.report.map_columns import LINKS, SHOWN, kept_rows, page_columns
from screening.report.map_pack import pack_shapes
from screening.report.quantities import Units
from screening.report.result_layers import ResultLayers
from screening.streets import street_from_address, street_key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import numpy.typing as npt

    from screening.report.map_plan import VisitPlan

    Bounds = tuple[float, float, float, float]

logger = logging.getLogger(__name__)

TOLERANCE_M: Final = 0.05
"""Outlines of the open ground, full of arcs, are simplified by at most this. [m]"""

MANY_PARCELS: Final = 50_000
"""From about here on a page becomes slow to open, which a warning says."""

# Of the run record: what stands on the page about the run.
_ABOUT_RUN: Final = (
    "screening_version",
    "crs_name",
    "param.rules.base",
    "param.inputs.parcels",
    "param.inputs.buildings",
    "param.inputs.elevation",
    "elevation_cell_m",
    "param.inputs.rain",
    "rain_years",
    "limit",
    "bounds_m",
)


@dataclass(frozen=True, slots=True)
class MapData:
    """What a page holds.

    Attributes
    ----------
    head : dict
        Everything but the outlines, as plain data for JSON; ``shapes`` says where each layer's outlines begin.
    shapes : bytes
        The outlines.
    n_homes, n_others : int
        Candidates and other parcels in it.
    """

    head: dict[str, Any]
    shapes: bytes
    n_homes: int
    n_others: int


@dataclass(slots=True)
class _LayerRows:
    """Rows of a layer with their geometry, all of one length."""

    table: pa.Table
    geometry: npt.NDArray[Any]

    def only(self, mask: npt.NDArray[np.bool_]) -> _LayerRows:
        return self if mask.all() else _LayerRows(self.table.filter(pa.array(mask)), self.geometry[mask])


def read_map(
    path: Path,
    *,
    display_units: str | None = None,
    plan: VisitPlan | None = None,
    bounds_m: Bounds | None = None,
) -> MapData:
    """Read what a page of the map holds from a result.

    Parameters
    ----------
    path : Path
        A result of a run; only this is read.
    display_units : str or None
        ``"metric"`` or ``"us"``; None: the run's ``[output] display_units``.
    plan : VisitPlan or None
        Homes to visit.
    bounds_m : tuple of float or None
        West, south, east, north: only lots that touch this box. [m]

    Raises
    ------
    InputError
        No result of a run, or one that is damaged or of another version.
        So too a plan that was made for another result.
    ParameterError
        No parcel in the box.
    """
    result = ResultLayers(path)
    units = Units(display_units or result.record.get("param.output.display_units", "metric"))
    layers = {name: _read(result, name) for name in SHOWN if name in result.names}
    whole = layers["candidate_homes"].table["home_id"]
    if bounds_m is not None:
        _cut(layers, bounds_m, path)
    n_homes, n_others = (layers[name].table.num_rows for name in ("candidate_homes", "other_parcels"))
    if not n_homes:
        logger.warning("%s has no candidates: its map shows other parcels only", path.name)
    if n_homes + n_others > MANY_PARCELS:
        logger.warning(
            "the page has %s parcels and will be slow to open on an older machine: --bbox makes one of a part",
            f"{n_homes + n_others:,}",
        )
    tables = {name: page_columns(name, layers[name].table, units) for name in layers if name != "streets"}
    _link(layers, tables, path)
    visits = None if plan is None else _visits(plan, whole, layers["candidate_homes"].table["home_id"], path)
    origin_m = _origin(layers)
    shapes, places = _pack(layers, origin_m, plan)
    head = {
        "file": path.name,
        "n_ranked": len(whole),
        "tables": tables,
        "streets": _streets(layers),
        "shapes": places,
        "units": {
            unit: [units.sign(unit), units.scale(unit)[2]] for unit in ("m", "m2", "m3/y", "mm", "h", "%", "deg")
        },
        "foot_m": units.scale("m")[1],
        "rules": _rules(result, units),
        "codes": {name: dict(codes) for name, codes in _CODE_LISTS.items()},
        "plan": visits,
        "run": [[key, result.record[key]] for key in _ABOUT_RUN if result.record.get(key)],
        "n_first": _number(result, "param.uncertainty.n_first"),
    }
    return MapData(head, shapes, n_homes, n_others)


_CODE_LISTS: Final[Mapping[str, Mapping[str, str]]] = {
    "reason": columns.REASON_CODES,
    "end": columns.END_CODES,
    "flag": columns.FLAG_CODES,
    "alternative": columns.ALTERNATIVE_CODES,
    "tightest": columns.TIGHTEST_CODES,
    "shape": columns.SHAPE_CODES,
    "cause": columns.CAUSE_CODES,
}


def _read(result: ResultLayers, layer: str) -> _LayerRows:
    needs = {column for _, column, _ in SHOWN[layer]} | set(LINKS.get(layer, ()))
    table = result.table(layer, needs=sorted(needs))
    if columns.layer(layer).geometry_type is None:
        return _LayerRows(table, np.full(table.num_rows, None, dtype=object))
    try:
        meta, rows = pyogrio.raw.read_arrow(result.path, layer=layer, columns=[])
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pa.ArrowException, OSError) as error:
        raise InputError(f"layer {layer} of '{result.path}' cannot be read ({error}): run again") from error
    name = meta["geometry_name"] or "wkb_geometry"
    if meta["geometry_type"] is None or name not in rows.column_names:
        return _LayerRows(table, np.full(table.num_rows, None, dtype=object))
    geometry = shapely.from_wkb(rows[name].to_numpy(zero_copy_only=False), on_invalid="ignore")
    if len(geometry) != table.num_rows or not np.isfinite(shapely.get_coordinates(geometry)).all():
        raise InputError(f"layer {layer} of '{result.path}' has damaged outlines: run again")
    return _LayerRows(table, geometry)


def _cut(layers: dict[str, _LayerRows], bounds_m: Bounds, path: Path) -> None:
    """Leave only lots that touch a box, and what belongs to them."""
    box = shapely.box(*bounds_m)
    for name in ("candidate_homes", "other_parcels", "streets"):
        if name in layers:
            layers[name] = layers[name].only(shapely.intersects(layers[name].geometry, box))
    if not layers["candidate_homes"].table.num_rows + layers["other_parcels"].table.num_rows:
        raise ParameterError(
            f"no parcel of '{path.name}' lies in the box: give it in metres of the result's coordinates"
        )
    homes = layers["candidate_homes"].table["home_id"]
    for name in LINKS:
        if name in layers:
            inside = pc.is_in(layers[name].table["home_id"], value_set=homes.combine_chunks())
            layers[name] = layers[name].only(inside.to_numpy(zero_copy_only=False))


def _link(layers: dict[str, _LayerRows], tables: dict[str, dict[str, Any]], path: Path) -> None:
    """Add to each row the place of what it belongs to; rows that belong to nothing go."""
    homes = layers["candidate_homes"].table["home_id"]
    for name in LINKS:
        if name not in layers:
            continue
        place = _places(layers[name].table["home_id"], homes)
        belongs = place >= 0
        if not belongs.all():
            logger.warning(
                "%d rows of layer %s in %s belong to homes that are not there and are left out: the file was changed "
                "since the run",
                int((~belongs).sum()),
                name,
                path.name,
            )
            layers[name] = layers[name].only(belongs)
            tables[name] = {key: kept_rows(column, belongs) for key, column in tables[name].items()}
        tables[name]["home"] = place[belongs].tolist()
    spouts = layers["downspouts"].table if "downspouts" in layers else None
    if spouts is not None:
        garden = _places(spouts["garden_id"], layers["gardens"].table["garden_id"])
        tables["downspouts"]["garden"] = garden.tolist()
        tables["downspouts"]["measured"] = [int(bool(value)) for value in spouts["is_measured"].to_pylist()]
        if "roof_parts" in layers:
            spout = _places(layers["roof_parts"].table["downspout_id"], spouts["downspout_id"])
            tables["roof_parts"]["served"] = ((spout >= 0) & (garden[spout] >= 0)).astype(int).tolist()
    if "overflow_paths" in layers:
        garden = _places(layers["overflow_paths"].table["garden_id"], layers["gardens"].table["garden_id"])
        tables["overflow_paths"]["garden"] = garden.tolist()
    if "buildings" in layers:
        _one_row_per_building(layers, tables)


def _places(names: pa.ChunkedArray, among: pa.ChunkedArray) -> npt.NDArray[np.int64]:
    """Row of each name among others, -1 where it is not there."""
    found = pc.index_in(names, value_set=among.combine_chunks(), skip_nulls=True)
    return np.asarray(pc.fill_null(found, -1).to_numpy(zero_copy_only=False)).astype(np.int64)


def _one_row_per_building(layers: dict[str, _LayerRows], tables: dict[str, dict[str, Any]]) -> None:
    """Keep one row of an outline that stands there for several homes: as the house of a lot, if it is one."""
    rows = layers["buildings"]
    role = rows.table["role_code"].to_numpy(zero_copy_only=False)
    order = np.argsort(role != "principal", kind="stable")
    _, first = np.unique(shapely.to_wkb(rows.geometry[order]), return_index=True)
    kept = np.zeros(len(role), dtype=bool)
    kept[order[first]] = True
    layers["buildings"] = rows.only(kept)
    is_house = role[kept] == "principal"
    home = np.asarray(tables["buildings"]["home"])[kept]
    # of other buildings it doesn't matter on whose account they are there
    tables["buildings"] = {"house_of": np.where(is_house, home, -1).tolist()}


def _visits(plan: VisitPlan, whole: pa.ChunkedArray, homes: pa.ChunkedArray, path: Path) -> dict[str, Any]:
    """Bring the homes of a plan to the page; those outside the box stay away."""
    planned = pa.chunked_array([pa.array(plan.homes, type=pa.string())])
    unknown = [home for home, place in zip(plan.homes, _places(planned, whole), strict=True) if place < 0]
    if unknown:
        raise InputError(
            f"the plan '{plan.file}' was made for another result: {len(unknown)} of its homes are no candidates in "
            f"{path.name}, among them {', '.join(unknown[:3])}; make the plan again"
        )
    place = _places(planned, homes)
    rows = [row for row in zip(place.tolist(), plan.days, plan.stops, plan.home_sides, strict=True) if row[0] >= 0]
    return {
        "file": plan.file,
        "homes": [home for home, _, _, _ in rows],
        "days": [day for _, day, _, _ in rows],
        "stops": [stop for _, _, stop, _ in rows],
        "home_sides": [side for _, _, _, side in rows],
        "way_days": list(plan.way_days),
        "sides": [list(side) for side in plan.sides],
    }


def _streets(layers: dict[str, _LayerRows]) -> dict[str, Any]:
    """Name the streets, and say to which the other parcels' addresses lead."""
    homes, others = layers["candidate_homes"].table, layers["other_parcels"].table
    names: dict[str, None] = dict.fromkeys(homes["street"].drop_null().to_pylist())
    lines: list[str | None] = layers["streets"].table["street"].to_pylist() if "streets" in layers else []
    names |= dict.fromkeys(name for name in lines if name)
    place = {name: number for number, name in enumerate(names)}
    by_key = {street_key(name): number for number, name in reversed(list(enumerate(names)))}
    of_others = [
        by_key.get(street_key(street_from_address(address) or ""), -1) for address in others["address"].to_pylist()
    ]
    return {"names": list(names), "lines": [place[name] if name else -1 for name in lines], "of_others": of_others}


def _origin(layers: Mapping[str, _LayerRows]) -> tuple[float, float]:
    """Find the south-western corner of everything [m]."""
    bounds = [shapely.total_bounds(rows.geometry) for rows in layers.values() if len(rows.geometry)]
    corners = np.array([corner[:2] for corner in bounds if np.isfinite(corner).all()]).reshape(-1, 2)
    if not len(corners):
        return 0.0, 0.0
    x, y = np.floor(corners.min(axis=0))
    return float(x), float(y)


def _pack(
    layers: Mapping[str, _LayerRows], origin_m: tuple[float, float], plan: VisitPlan | None
) -> tuple[bytes, dict[str, dict[str, int]]]:
    """Pack every layer that has outlines, one after the other, and say where each begins."""
    outlines = {name: rows.geometry for name, rows in layers.items() if columns.layer(name).geometry_type is not None}
    if "streets" in outlines:
        # whole streets, so that a name can stand along each
        outlines["streets"] = shapely.line_merge(outlines["streets"])
    if plan is not None and len(plan.ways):
        outlines["ways"] = plan.ways
    parts: list[bytes] = []
    places: dict[str, dict[str, int]] = {}
    at = 0
    for name, geometry in outlines.items():
        packed = pack_shapes(geometry, origin_m, tolerance_m=TOLERANCE_M if name == "open_ground" else 0.0)
        places[name] = {"at": at, "n": packed.n_shapes, "rings": packed.n_rings, "points": packed.n_points}
        parts.append(packed.data)
        at += len(packed.data)
    return b"".join(parts), places


def _number(result: ResultLayers, key: str) -> float | None:
    try:
        return float(result.record[key])
    except (KeyError, ValueError):
        return None


def _rules(result: ResultLayers, units: Units) -> dict[str, Any]:
    """Distances in metres for drawing, and every rule as people read it."""
    rules = {
        name: _number(result, f"param.rules.{name}")
        for name in (
            "lot_line_m",
            "max_slope_pct",
            "max_run_m",
            "min_fall_pct",
            "min_garden_area_m2",
            "max_garden_area_m2",
        )
    }
    has_none = result.record.get("param.rules.basement") == "no"
    gap_m = _number(result, f"param.rules.foundation{'_no_basement' if has_none else ''}_m")
    if gap_m is not None:
        # roof outlines are what is drawn; walls lie inside them by the overhang
        gap_m = max(0.0, gap_m - (_number(result, "param.roof.overhang_m") or 0.0))
    texts: Sequence[tuple[str, float | None, str]] = (
        ("gap", gap_m, "m"),
        ("lot_line", rules["lot_line_m"], "m"),
        ("slope", rules["max_slope_pct"], "%"),
        ("run", rules["max_run_m"], "m"),
        ("fall", rules["min_fall_pct"], "%"),
        ("smallest", rules["min_garden_area_m2"], "m2"),
        ("largest", rules["max_garden_area_m2"], "m2"),
        ("soak", _number(result, "param.sizing.drawdown_limit_h"), "h"),
        ("near", _NEAR_M, "m"),
    )
    return {
        "gap_m": gap_m,
        "lot_line_m": rules["lot_line_m"],
        "texts": {name: None if value is None else units.limit(value, unit) for name, value, unit in texts},
    }


# Distances to buildings are looked for this far (column guide, own_building_dist_m).
_NEAR_M: Final = 30.0
