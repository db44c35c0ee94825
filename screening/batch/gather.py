"""From the files to a city on disk, ready to be screened tile by tile: read in pieces, cleaned, put in order."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from screening.batch.memory import give_back_memory
from screening.batch.prepare import AROUND_M, check_building_kinds, check_land_use, in_order
from screening.batch.repairs import cut_houses_note, houses_among, houses_looked_at, repair_counts, repair_notes
from screening.batch.spilled import Picked, SpilledOutlines, packed
from screening.batch.stored import StoredLayer, write_layer, write_street_names
from screening.clean import (
    Chosen,
    Features,
    ShapesInMemory,
    Surroundings,
    broken_in_order,
    settle_buildings,
    settle_parcels,
    usable_buildings,
    usable_parcels,
)
from screening.errors import InputError
from screening.overflow import DRAINAGE_KINDS
from screening.read import read_city
from screening.read.extent import box_text, in_words
from screening.streets import street_of
from screening.tiles import balanced_tiles

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import numpy.typing as npt
    from pyproj import CRS

    from screening.clean import Shapes
    from screening.notes import Note
    from screening.params import Params
    from screening.raster import ElevationSource
    from screening.read import CityInputs
    from screening.tiles import Tile

    Bounds = tuple[float, float, float, float]
    FloatArray = npt.NDArray[np.float64]
    IntArray = npt.NDArray[np.int64]
    BoolArray = npt.NDArray[np.bool_]
    ObjectArray = npt.NDArray[Any]


@dataclass(frozen=True, kw_only=True)
class CityOnDisk:
    """A cleaned city in working coordinates; its layers lie in a folder (`screening.batch.stored`).

    Attributes
    ----------
    folder : Path
        Holds ``parcels``, ``buildings``, ``downspouts``, ``street_areas`` and ``keep_away_0``, ``keep_away_1`` ...
    crs : CRS
    elevation : ElevationSource
    keep_away : tuple of (str, float)
        Kind and distance [m] of each layer to keep away from.
    """

    folder: Path
    crs: CRS
    elevation: ElevationSource
    keep_away: tuple[tuple[str, float], ...]


class Gathered(NamedTuple):
    """A city on disk, and what was found on the way.

    Attributes
    ----------
    city : CityOnDisk
    inputs : CityInputs
        Without what lies on disk.
    tiles : list of (Tile, int)
        Tiles that own a parcel the run gives an account of, and how many.
    n_features : int
        Features of the parcel file that the run gives an account of.
    broken : DataFrame
        Parcels without a usable outline; empty where only a part of the city counts.
    merged : DataFrame
        Features that another row stands for, in order of that row's parcel id.
    may_be_home : (n,) bool array
        Parcels, in order of ``home_id``, that count and have an eligible land use.
    is_house : (m,) bool array
        Buildings, in order of ``building_id``, as large as a house.
    notes : tuple of str
    repairs : mapping of str to int
        Number of features by input and code of what was put right.
    """

    city: CityOnDisk
    inputs: CityInputs
    tiles: list[tuple[Tile, int]]
    n_features: int
    broken: pd.DataFrame
    merged: pd.DataFrame
    may_be_home: BoolArray
    is_house: BoolArray
    notes: tuple[str, ...]
    repairs: Mapping[str, int]


class _Taken:
    """Pieces of a layer; their outlines are laid aside as they come."""

    def __init__(self, path: Path, bounds_m: Bounds | None = None) -> None:
        self.box = None if bounds_m is None else shapely.box(*bounds_m)
        self.features: list[Features] = []
        self.outline = SpilledOutlines(path)
        self.flags: list[BoolArray] = []
        self.broken: list[pd.DataFrame] = []
        self.bounds: list[FloatArray] = []
        self.repairs: Counter[str] = Counter()
        self.n_read = 0

    def parcels(self, piece: Any) -> None:
        """Take parcels; note which of them touch the box."""
        usable = usable_parcels(piece)
        self._add(usable.geometry, usable.features, usable.repairs)
        one = np.ones(len(usable.geometry), dtype=bool)
        self.flags.append(one if self.box is None else np.asarray(shapely.intersects(usable.geometry, self.box)))
        self.broken.append(usable.broken)
        self.n_read += len(piece)

    def buildings(self, piece: Any) -> None:
        """Take buildings; note their area."""
        usable = usable_buildings(piece)
        self._add(usable.geometry, usable.features, usable.repairs)
        self.n_read += len(usable.geometry)

    def shapes(self, piece: Any) -> None:
        """Take shapes without text."""
        geometry = piece.geometry.to_numpy()
        geometry = geometry[~(shapely.is_missing(geometry) | shapely.is_empty(geometry))]
        self.outline.add(geometry)
        self.bounds.append(shapely.bounds(geometry).reshape(-1, 4))

    def _add(self, geometry: ObjectArray, features: Features, repairs: Mapping[str, int]) -> None:
        self.features.append(features)
        self.repairs.update(repairs)
        self.outline.add(geometry)

    def all(self) -> Features:
        """All pieces together; they are given up."""
        features = Features.together(self.features)
        self.features = []
        return features


def gather(params: Params, bounds_m: Bounds | None, limit: int | None, folder: Path) -> Gathered:
    """Read the inputs of a run, clean them, and lay them down in a folder.

    Parameters
    ----------
    params : Params
    bounds_m : tuple or None
        Only parcels that touch this box are counted; the others are surroundings [m].
    limit : int or None
        Only the first so many parcels, in order of their ids, are counted.
    folder : Path
        Takes the layers.

    Raises
    ------
    InputError
        If an input can't be used, or no parcel or building is what the run file asks for.
    """
    laid = _LayingDown(params, bounds_m, folder)
    margin_m = params.rules.max_run_m + params.overflow.max_trace_m + AROUND_M
    inputs = read_city(params, bounds_m=bounds_m, margin_m=margin_m, take=laid.take)
    houses = laid.buildings()
    laid.keep_away()
    give_back_memory()
    city = CityOnDisk(
        folder=folder,
        crs=inputs.crs,
        elevation=inputs.elevation,
        keep_away=tuple((one.kind, float(one.distance_m)) for one in inputs.keep_away),
    )
    buildings = StoredLayer(folder, "buildings")
    around = _surroundings(city, inputs, Chosen(buildings, houses.is_principal[buildings.order]), buildings)
    settled = _lay_down_parcels(laid.lots, around, city, params, (bounds_m, limit))
    cut = _cut_note(settled.is_lot, houses.is_principal, folder, params)
    _lay_down_shapes(inputs, folder)
    _lay_down_streets(settled, inputs, folder)
    give_back_memory()
    whole = bounds_m is None and limit is None
    return Gathered(
        city,
        replace(inputs, downspouts=None, keep_away=()),
        balanced_tiles(settled.point, params.batch.tile_size_m, inputs.elevation.cell_m),
        settled.n_read if whole else settled.n_features,
        settled.broken if whole else settled.broken.iloc[:0],
        settled.merged,
        settled.may_be_home,
        houses.is_large,
        (*settled.notes, *cut, *houses.notes),
        repair_counts(inputs.repairs, settled.repairs, houses.repairs),
    )


def _surroundings(city: CityOnDisk, inputs: CityInputs, houses: Shapes, buildings: Shapes) -> Surroundings:
    """What parcels are compared with, to tell lots from streets, water, and units on common ground."""
    water = tuple(
        StoredLayer(city.folder, f"keep_away_{k}")
        for k, (kind, _) in enumerate(city.keep_away)
        if kind in DRAINAGE_KINDS
    )
    streets = None if inputs.streets is None else (ShapesInMemory(inputs.streets.geometry.to_numpy()),)
    return Surroundings(houses, buildings, streets, water or None)


class _Houses(NamedTuple):
    """What is left to say of the buildings when they lie on disk; rows in order of ``building_id``."""

    is_large: BoolArray
    is_principal: BoolArray
    notes: tuple[str, ...]
    repairs: Mapping[str, int]


class _LayingDown:
    """Layers on their way to the disk.

    Buildings are laid down when the next layer comes, so that memory holds the bare bytes of few at a time; parcels are
    the last, for they are compared with the others.
    """

    def __init__(self, params: Params, bounds_m: Bounds | None, folder: Path) -> None:
        self.lots = _Taken(folder / "parcels.wkb", bounds_m)
        self._params, self._folder = params, folder
        self._raw_houses = _Taken(folder / "buildings.wkb")
        names = [f"keep_away {k}" for k in range(len(params.inputs.keep_away))]
        self._away = {name: _Taken(folder / f"{name}.wkb") for name in names}
        self._houses: _Houses | None = None

    def take(self, role: str, piece: Any) -> None:
        """Take a piece of a layer."""
        if role == "parcels":
            self.lots.parcels(piece)
        elif role == "buildings":
            self._raw_houses.buildings(piece)
        else:
            self.buildings()
            self._away[role].shapes(piece)

    def buildings(self) -> _Houses:
        """Lay the buildings down, unless they lie there."""
        if self._houses is None:
            give_back_memory()
            self._houses = _lay_down_buildings(self._raw_houses, self._params, self._folder)
            give_back_memory()
        return self._houses

    def keep_away(self) -> None:
        """Lay down what to keep away from, in an order that does not depend on the file's."""
        for k, taken in enumerate(self._away.values()):
            bounds = np.concatenate(taken.bounds)
            taken.bounds = []
            whole = taken.outline.take(pa.array(np.arange(len(bounds))))
            order = np.asarray(pc.sort_indices(whole), dtype=np.int64)
            write_layer(self._folder, f"keep_away_{k}", Picked(whole, order), bounds[order])
            taken.outline.remove()


class _Settled(NamedTuple):
    """What is left to say of the parcels when they lie on disk: points are those of parcels that count."""

    point: FloatArray
    n_read: int
    n_features: int
    broken: pd.DataFrame
    merged: pd.DataFrame
    may_be_home: BoolArray
    is_lot: BoolArray
    street: Picked
    address: Picked
    notes: tuple[str, ...]
    repairs: Mapping[str, int]


def _lay_down_parcels(
    taken: _Taken, around: Surroundings, city: CityOnDisk, params: Params, part: tuple[Bounds | None, int | None]
) -> _Settled:
    """Clean the parcels as a whole and write them in order of ``home_id``."""
    bounds_m, limit = part
    features = taken.all()
    found = settle_parcels(features, taken.outline.outlines, around, params.homes)
    text = {name: Picked(features.column(name), found.row) for name in features.text.column_names}
    land_use = features.column("land_use").take(pa.array(found.row))
    check_land_use(land_use, params.homes.land_use)
    box, point = found.bounds, found.point
    counted = np.bincount(found.kept_by, weights=np.concatenate(taken.flags), minlength=len(found.row)) > 0
    if bounds_m is not None and not counted.any():
        west, south = map(float, box[:, :2].min(axis=0))
        east, north = map(float, box[:, 2:].max(axis=0))
        msg = (
            f"no parcel lies in the box {box_text(bounds_m)}; the parcels near it lie in "
            f"{in_words((west, south, east, north), city.crs)}: make the box larger, or move it."
        )
        raise InputError(msg)
    if limit is not None:
        counted &= np.cumsum(counted) <= limit
    home_id = found.columns["home_id"]
    write_layer(
        city.folder,
        "parcels",
        Picked(taken.outline, found.row, found.joined),
        box,
        text={
            "home_id": _as_text(home_id),
            "parcel_id": text["parcel_id"],
            "address": text["address"],
            "land_use": text["land_use"],
            "ground_code": _as_text(found.columns["ground_code"]),
        },
        arrays={
            "point": point,
            "is_counted": counted,
            "is_repaired": features.is_repaired[found.row],
            **{name: values for name, values in found.columns.items() if values.dtype != object},
        },
        place=point,
    )
    taken.outline.remove()
    merged = found.merged
    if len(merged) and not counted.all():
        merged = merged[merged["home_id"].isin(home_id[counted])]
    may_be_home = counted
    if params.homes.land_use:
        may_be_home = counted & np.asarray(pc.is_in(land_use, value_set=pa.array(params.homes.land_use)), dtype=bool)
    return _Settled(
        point[counted],
        taken.n_read,
        int(found.columns["n_features"][counted].sum()),
        broken_in_order(pd.concat(taken.broken)),
        _merged_in_order(merged),
        may_be_home,
        np.asarray(pd.isna(found.columns["ground_code"]), dtype=bool),
        text["street"],
        text["address"],
        tuple(repair_notes(found.repairs)),
        {**taken.repairs, **found.repairs},
    )


def _lay_down_streets(settled: _Settled, inputs: CityInputs, folder: Path) -> None:
    """Write the street of each parcel; outlines are looked at only where neither the file nor the address says it."""
    parcels = StoredLayer(folder, "parcels")
    order = pa.array(parcels.order)
    # each name once in memory, however many lots have it
    encoded = settled.street.take(order).dictionary_encode()
    each = np.array([*encoded.dictionary.to_pylist(), None], dtype=object)
    names = each[np.asarray(encoded.indices.fill_null(len(each) - 1))]
    nameless = np.flatnonzero(pd.isna(names))
    addresses = np.full(len(names), None, dtype=object)
    addresses[nameless] = settled.address.take(order.take(pa.array(nameless))).to_numpy(zero_copy_only=False)
    number, named = pd.factorize(pd.Series(street_of(names, addresses, parcels.outlines, inputs.streets), dtype=object))
    write_street_names(folder, number, named.tolist())


def _cut_note(is_lot: BoolArray, is_house: BoolArray, folder: Path, params: Params) -> list[Note]:
    """Say that lot lines cut many houses; lots and buildings in the order in which they were given."""
    lots, buildings = StoredLayer(folder, "parcels"), StoredLayer(folder, "buildings")
    houses = np.flatnonzero(is_house)
    row_of = np.empty(len(buildings), dtype=np.int64)
    row_of[buildings.order] = np.arange(len(buildings))
    rows = np.flatnonzero(is_lot[lots.order])
    return cut_houses_note(
        lots.bounds[rows],
        lambda some: lots.outlines(rows[some]),
        buildings.outlines(row_of[houses[houses_looked_at(len(houses))]]),
        params.homes.min_principal_area_m2,
    )


def _merged_in_order(merged: pd.DataFrame) -> pd.DataFrame:
    """Merged features in the order in which they are written."""
    keys = ["kept_parcel_id", "home_id", "parcel_id", "address", "merge_code"]
    ordered: pd.DataFrame = merged.sort_values(keys, kind="stable", na_position="last").drop(columns="home_id")
    return ordered.reset_index(drop=True)


def _lay_down_buildings(taken: _Taken, params: Params, folder: Path) -> _Houses:
    """Clean the buildings as a whole and write them in order of ``building_id``."""
    features = taken.all()
    found = settle_buildings(features)
    kept = found.row
    notes = []
    n_unusable = taken.repairs["geometry_missing"] + taken.repairs["outline_unusable"]
    n_merged = taken.n_read - len(kept)
    if n_unusable:
        notes.append(f"{n_unusable} buildings have no usable outline and were left out.")
    if n_merged:
        notes.append(f"{n_merged} buildings repeat the outline of another and were left out.")
    kinds = features.column("building_type").take(pa.array(kept))
    check_building_kinds(kinds, params.homes.principal_values)
    write_layer(
        folder,
        "buildings",
        Picked(taken.outline, kept),
        features.bounds[kept],
        text={"building_id": _as_text(found.building_id), "building_type": kinds},
        arrays={"is_repaired": features.is_repaired[kept], "point": features.point[kept]},
    )
    taken.outline.remove()
    area_m2 = features.area_m2[kept]
    return _Houses(
        np.asarray(area_m2 >= params.homes.min_principal_area_m2),
        houses_among(kinds, area_m2, params),
        tuple(notes),
        {**taken.repairs, **found.repairs},
    )


def _lay_down_shapes(inputs: CityInputs, folder: Path) -> None:
    """Write the small layers that have no text."""
    none = np.empty(0, dtype=object)
    streets = none if inputs.streets is None else inputs.streets.geometry.to_numpy()
    layers = {
        "downspouts": none if inputs.downspouts is None else inputs.downspouts,
        "street_areas": streets[shapely.get_dimensions(streets) == 2],
    }
    for name, shapes in layers.items():
        ordered = in_order(shapes)
        write_layer(folder, name, packed(ordered), shapely.bounds(ordered).reshape(-1, 4))


def _as_text(values: ObjectArray) -> pa.Array:
    """Text of an Arrow file."""
    return pa.array(values, type=pa.string())
