"""Everything a sheet needs about its home, read from a finished GeoPackage for many homes at once."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyogrio
import pyogrio.raw
import shapely

from screening import columns
from screening.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from screening.report.result_layers import ResultLayers

_OF_A_HOME: Final = (
    "gardens",
    "downspouts",
    "inlet_runs",
    "overflow_paths",
    "buildings",
    "roof_parts",
    "open_ground",
)
_DETAIL: Final = frozenset({"buildings", "roof_parts", "open_ground"})
# Naming more homes than these takes longer than reading them all.
_MOST_NAMED: Final = 300
# Neighbours and streets are shown so far around a lot, and no farther than a lot's own size.
_AROUND_M: Final = 40.0


@dataclass(frozen=True, slots=True)
class Feature:
    """One row of a layer: its values, null as None, and its geometry [m]."""

    row: Mapping[str, Any]
    geometry: Any


@dataclass(slots=True)
class SheetHome:
    """One candidate home with its rows of every layer.

    Attributes
    ----------
    row : Mapping[str, object]
        Its row in `candidate_homes`.
    lot : shapely geometry
        [m]
    layers : Mapping[str, list of Feature]
        Its rows by layer, in the order of the file; a layer that the file doesn't have is empty.
    around : ndarray of shapely geometries
        Outlines of the parcels around it. [m]
    streets : list of Feature
        Streets near it, where the file has their lines.
    """

    row: Mapping[str, Any]
    lot: Any
    layers: Mapping[str, list[Feature]] = field(default_factory=dict)
    around: Any = field(default_factory=lambda: np.empty(0, dtype=object))
    streets: Sequence[Feature] = ()

    def of(self, layer: str) -> list[Feature]:
        """Return the rows of a layer."""
        return self.layers.get(layer, [])


def gather_homes(result: ResultLayers, home_ids: Sequence[str]) -> list[SheetHome]:
    """Read homes with everything about them.

    Parameters
    ----------
    result : ResultLayers
        A result of a run.
    home_ids : sequence of str
        Candidates, in the order wanted.

    Raises
    ------
    InputError
        A layer or column is missing or cannot be read.
    """
    wanted = set(home_ids)
    where = _where(home_ids) if len(wanted) <= _MOST_NAMED else None
    homes = {
        feature.row["home_id"]: SheetHome(feature.row, feature.geometry)
        for feature in _features(result, "candidate_homes", where=where)
        if feature.row["home_id"] in wanted
    }
    for layer in _OF_A_HOME:
        if layer not in result.names:
            continue
        by_home: dict[str, list[Feature]] = defaultdict(list)
        for feature in _features(result, layer, where=where):
            by_home[feature.row["home_id"]].append(feature)
        for home_id, home in homes.items():
            home.layers = {**home.layers, layer: by_home.get(home_id, [])}
    chosen = [homes[home_id] for home_id in home_ids]
    _add_surroundings(result, chosen)
    return chosen


def lacks_detail(result: ResultLayers) -> bool:
    """Whether the result was written without buildings, roof parts and open ground."""
    return not _DETAIL & set(result.names)


def _where(home_ids: Sequence[str]) -> str:
    quoted = ", ".join("'" + home_id.replace("'", "''") + "'" for home_id in home_ids)
    return f'"home_id" IN ({quoted})'


def _features(
    result: ResultLayers, layer: str, *, where: str | None = None, bbox: tuple[float, float, float, float] | None = None
) -> list[Feature]:
    """Read the rows of a layer with their geometry."""
    needs = columns.layer(layer).column_names
    path = result.path
    result.check_columns(layer, needs)
    try:
        meta, table = pyogrio.raw.read_arrow(path, layer=layer, where=where, bbox=bbox, columns=list(needs))
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, OSError) as error:
        raise InputError(f"layer {layer} of '{path}' cannot be read ({error}): run again") from error
    name = meta["geometry_name"] or "wkb_geometry"
    if name not in table.column_names:
        return [Feature(row, None) for row in table.to_pylist()]
    shapes = shapely.from_wkb(table[name].to_pylist())
    rows = table.drop_columns([name]).to_pylist()
    return [Feature(row, shape) for row, shape in zip(rows, shapes, strict=True)]


def _add_surroundings(result: ResultLayers, homes: Sequence[SheetHome]) -> None:
    """Find the parcels and streets around each home."""
    lots = np.array([home.lot for home in homes], dtype=object)
    bounds = shapely.bounds(lots)
    if not len(bounds):
        return
    reach = np.minimum(_AROUND_M, np.maximum(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]))
    boxes = shapely.box(bounds[:, 0] - reach, bounds[:, 1] - reach, bounds[:, 2] + reach, bounds[:, 3] + reach)
    west, south, east, north = shapely.total_bounds(boxes)
    bbox = (float(west), float(south), float(east), float(north))
    parcels = np.concatenate([_shapes(result.path, layer, bbox) for layer in ("candidate_homes", "other_parcels")])
    tree = shapely.STRtree(parcels)
    found, parcel = tree.query(boxes)
    is_other = ~shapely.equals(parcels[parcel], lots[found])
    found, parcel = found[is_other], parcel[is_other]
    streets = _streets(result, bbox)
    street_tree = shapely.STRtree([street.geometry for street in streets])
    crossing, street = street_tree.query(boxes)
    for number, home in enumerate(homes):
        home.around = parcels[np.sort(parcel[found == number])]
        home.streets = [streets[index] for index in sorted(street[crossing == number])]


def _shapes(path: Path, layer: str, bbox: tuple[float, float, float, float]) -> Any:
    """Read the outlines in a layer."""
    meta, table = pyogrio.raw.read_arrow(path, layer=layer, bbox=bbox, columns=[])
    shapes = shapely.from_wkb(table[meta["geometry_name"] or "wkb_geometry"].to_pylist())
    return np.array([shape for shape in shapes if shape is not None and not shape.is_empty], dtype=object)


def _streets(result: ResultLayers, bbox: tuple[float, float, float, float]) -> list[Feature]:
    """Read the streets that have lines."""
    if "streets" not in result.names or pyogrio.read_info(result.path, layer="streets")["geometry_type"] is None:
        return []
    found = _features(result, "streets", bbox=bbox)
    return [one for one in found if one.geometry is not None and not one.geometry.is_empty]
