"""The parts of all tiles put together: ranks, streets, and every layer in its final order."""

from __future__ import annotations

from collections import Counter
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from screening.batch.divide import own_parcels
from screening.batch.likely import garden_columns
from screening.batch.memory import give_back_memory
from screening.batch.parts import Part, tile_name
from screening.batch.sorted_rows import SortedRows
from screening.batch.spread import spread_town
from screening.batch.summary import HOME_COLUMNS, N_BEST
from screening.columns import GEOMETRY_NAME, LAYERS, complete, empty, pack
from screening.districts import district_of, district_totals
from screening.pipeline.tables import other_parcels
from screening.ranking import rank_homes
from screening.streets import street_totals

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import numpy.typing as npt

    from screening.batch.divide import Job
    from screening.batch.gather import Gathered
    from screening.batch.part_folder import PartFolder
    from screening.batch.spread import TownSpread
    from screening.batch.water import RunWater
    from screening.params import Params
    from screening.read import CityInputs
    from screening.tiles import Tile

    IntArray = npt.NDArray[np.int64]
    Piece = tuple[pa.Table, IntArray, IntArray]

HOMES = "candidate_homes"
OTHERS = "other_parcels"

ORDER: Mapping[str, tuple[str, ...]] = {
    "gardens": ("garden_id",),
    "downspouts": ("downspout_id",),
    "inlet_runs": ("downspout_id",),
    "overflow_paths": ("garden_id",),
    "buildings": ("building_id", "area_m2"),
    "roof_parts": ("downspout_id",),
    "open_ground": (),
}
"""Layers of the candidates, and by what their rows are ordered after the rank of their home."""

_FIGURES = (
    "street",
    "roof_area_m2",
    "flags",
    "confidence_frac",
    "treated_roof_frac",
    "n_gardens",
    "runoff_roof_m3_y",
    "all_likely_m3_y",
)
"""What ranks, ranges and sums need of the homes."""

_OTHERS_KEYS = ("parcel_id", "address", "reason_code")


class Merged(NamedTuple):
    """A run's result.

    Attributes
    ----------
    layers : dict
        By layer name; large ones come piece by piece.
    spread : TownSpread or None
        None where there is no candidate.
    best_homes : tuple of mappings
        The first few candidates.
    runoff_roof_m3_y : float
        Of all candidates [m3/y].
    reasons : dict
        Number of other parcels by reason code.
    flagged : dict
        Number of candidates by flag, in alphabetical order.
    """

    layers: dict[str, Any]
    spread: TownSpread | None
    best_homes: tuple[Mapping[str, object], ...]
    runoff_roof_m3_y: float
    reasons: dict[str, int]
    flagged: dict[str, int]


def merge(
    folder: PartFolder,
    failed: list[tuple[Tile, str]],
    gathered: Gathered,
    job: Job,
    water: RunWater,
    params: Params,
) -> Merged:
    """Put the tiles' rows together, follow what is uncertain, rank the homes, add the streets.

    Parameters
    ----------
    folder : PartFolder
        The tiles' parts.
    failed : list of (Tile, str)
        Tiles without a part, and why.
    gathered : Gathered
    job : Job
    water : RunWater
    params : Params

    Notes
    -----
    What is known of every home at once are its figures; outlines and texts go from the parts into the result by way of
    `SortedRows`.
    """
    inputs = gathered.inputs
    parts = [Part(folder.path, tile_name(tile)) for tile, _ in gathered.tiles if tile_name(tile) in folder.done]
    layers: dict[str, Any] = {}
    spread, runoff_m3_y = None, 0.0
    best: tuple[Mapping[str, object], ...] = ()
    flagged: Counter[str] = Counter()
    homes = _Homes(parts)
    if homes.first[-1]:
        spread = spread_town(homes.frame(inputs), *_gardens(homes, params), water, params)
        ranked = rank_homes(spread.homes.assign(row=np.arange(len(spread.homes))), params.ranking)
        # in rank order they are all that is needed from here on
        spread = spread._replace(homes=ranked)
        give_back_memory()
        homes.rank(ranked["row"].to_numpy())
        layers |= _by_rank(homes, ranked, spread.gardens, folder)
        best = homes.best(ranked.iloc[:N_BEST])
        flagged.update(code for flags in ranked["flags"] if flags for code in flags.split(";"))
        runoff_m3_y = float(ranked["runoff_roof_m3_y"].to_numpy(dtype=float).sum())
        layers["streets"] = pack(street_totals(ranked, spread.streets, inputs.streets, inputs.crs), "streets")
        if inputs.districts is not None:
            totals = district_totals(ranked, spread.districts, inputs.districts, inputs.crs)
            layers["districts"] = pack(totals, "districts")
    others, reasons = _others(parts, _rows_without_part(failed, gathered, job), folder)
    if others is not None:
        layers[OTHERS] = others
    layers["merged_parcels"] = pack(gathered.merged, "merged_parcels")
    lean = params.output.detail == "lean"
    for one in LAYERS:
        if one.name not in layers and one.geometry_type is not None and not (one.is_detail and lean):
            layers[one.name] = pack(empty(one.name, inputs.crs), one.name)
    if inputs.districts is None:
        layers.pop("districts", None)
    return Merged(layers, spread, best, runoff_m3_y, reasons, dict(sorted(flagged.items())))


class _Homes:
    """The candidates of all parts, one part after another.

    Attributes
    ----------
    parts : list of Part
        Those with candidates.
    first : (parts + 1,) int array
        Number of each part's first home.
    place : (n,) int array
        Place of each home in rank order, from 0; known after `rank`.
    """

    def __init__(self, parts: Sequence[Part]) -> None:
        self.parts = [part for part in parts if HOMES in part.size]
        self.first = np.cumsum([0, *(part.size[HOMES][0] for part in self.parts)])
        self.ids = [part.read(HOMES, ["home_id"])["home_id"].combine_chunks() for part in self.parts]
        self.place: IntArray = np.empty(0, dtype=np.int64)

    def frame(self, inputs: CityInputs) -> pd.DataFrame:
        """Figures of the homes, with their districts."""
        frame: pd.DataFrame = pa.concat_tables([part.read(HOMES, _FIGURES) for part in self.parts]).to_pandas()
        frame.insert(0, "home_id", pa.chunked_array(self.ids).to_pandas())
        frame["district"] = pd.Series([None] * len(frame), dtype=object)
        if inputs.districts is not None:
            found = [
                district_of(
                    shapely.from_wkb(part.read(HOMES, [GEOMETRY_NAME])[GEOMETRY_NAME].to_numpy()), inputs.districts
                )
                for part in self.parts
            ]
            frame["district"] = np.concatenate(found)
        return frame

    def rank(self, row: IntArray) -> None:
        """Note the homes in rank order."""
        self.place = np.empty(len(row), dtype=np.int64)
        self.place[row] = np.arange(len(row))

    def of_rows(self, k: int, table: pa.Table) -> IntArray:
        """Number of the home of each row of a part's table."""
        return np.asarray(pc.index_in(table["home_id"], value_set=self.ids[k]), dtype=np.int64) + int(self.first[k])

    def best(self, ranked: pd.DataFrame) -> tuple[Mapping[str, object], ...]:
        """What is said of the first few."""
        found = []
        for _, home in ranked.iterrows():
            k = int(np.searchsorted(self.first, home["row"], side="right")) - 1
            names = [name for name in HOME_COLUMNS if name not in home.index]
            own = self.parts[k].read(HOMES, names).slice(int(home["row"] - self.first[k]), 1).to_pylist()[0]
            known = {name: home[name] for name in HOME_COLUMNS if name in home.index}
            plain = {name: value.item() if isinstance(value, np.generic) else value for name, value in known.items()}
            plain |= own
            found.append({name: None if pd.isna(plain[name]) else plain[name] for name in HOME_COLUMNS})
        return tuple(found)


def _gardens(homes: _Homes, params: Params) -> tuple[IntArray, pa.Table, pa.Table | None]:
    """Home of each garden, figures of the gardens, and the downspouts if barrels stand below them."""
    names = ["home_id", *garden_columns(params)]
    tables = [part.read("gardens", names) for part in homes.parts]
    home = np.concatenate([homes.of_rows(k, table) for k, table in enumerate(tables)])
    downspouts = None
    if params.barrel.is_upstream:
        downspouts = pa.concat_tables([part.read("downspouts", ["garden_id", "roof_area_m2"]) for part in homes.parts])
    return home, pa.concat_tables([table.drop_columns(["home_id"]) for table in tables]), downspouts


def _by_rank(homes: _Homes, ranked: pd.DataFrame, gardens: pd.DataFrame, folder: PartFolder) -> dict[str, SortedRows]:
    """The candidates and what belongs to them, in the order of the homes' ranks."""

    def finish(name: str, table: pa.Table, place: IntArray, row: IntArray) -> pa.Table:
        """Add what needs the whole town."""
        if name == HOMES:
            return complete(table, ranked.iloc[place], HOMES, ["all_likely_m3_y"])
        if name == "gardens":
            return complete(table, gardens.iloc[row], name, ["all_likely_m3_y"])
        return table

    def pieces(name: str) -> Iterator[Piece]:
        """Rows of a layer, part by part, with the places of their homes and their numbers."""
        n_before = 0
        for k, part in enumerate(homes.parts):
            if name not in part.size:
                continue
            table = part.read(name)
            yield table, homes.place[homes.of_rows(k, table)], n_before + np.arange(table.num_rows)
            n_before += table.num_rows

    found = {}
    for name, keys in {HOMES: (), **ORDER}.items():
        size = _size(homes.parts, name)
        if size[0]:
            found[name] = SortedRows(
                partial(pieces, name), size, len(ranked), keys, partial(finish, name), folder.scratch
            )
    return found


def _size(parts: Sequence[Part], name: str) -> tuple[int, int]:
    """Rows and bytes of a layer in all parts."""
    sizes = [part.size[name] for part in parts if name in part.size]
    return sum(n_rows for n_rows, _ in sizes), sum(n_bytes for _, n_bytes in sizes)


def _rows_without_part(failed: list[tuple[Tile, str]], gathered: Gathered, job: Job) -> list[pa.Table]:
    """Rows of the parcels of tiles that could not be screened, and of parcels without a usable outline."""
    tables = []
    for tile, reason in failed:
        parcels = own_parcels(job, tile)
        text = f"the tile could not be screened: {reason}"
        tables.append(_refused(parcels, "tile_failed", np.full(len(parcels), text, dtype=object)))
    broken = gathered.broken
    if len(broken):
        nowhere = np.full(len(broken), None, dtype=object)
        seen = gpd.GeoDataFrame(broken[["parcel_id", "address"]], geometry=nowhere, crs=gathered.city.crs)
        tables.append(_refused(seen, "bad_geometry", broken["reason_text"].to_numpy(dtype=object)))
    return tables


def _refused(parcels: gpd.GeoDataFrame, code: str, text: npt.NDArray[Any]) -> pa.Table:
    """Parcels that all have the same reason."""
    codes = np.full(len(parcels), code, dtype=object)
    return pack(other_parcels(parcels, codes, text, np.ones(len(parcels), dtype=bool)), OTHERS)


def _others(
    parts: Sequence[Part], more: list[pa.Table], folder: PartFolder
) -> tuple[SortedRows | None, dict[str, int]]:
    """Rows of other parcels, in order of parcel id and place, and how many there are for each reason."""
    with_rows = [part for part in parts if OTHERS in part.size]

    def tables() -> Iterator[pa.Table]:
        for part in with_rows:
            yield part.read(OTHERS)
        yield from more

    sorters = [_sorter(table) for table in tables()]
    if not sorters:
        return None, {}
    sorter = pa.concat_tables(sorters)
    keys = [(name, "ascending") for name in sorter.column_names]
    order = np.asarray(pc.sort_indices(sorter, sort_keys=keys), dtype=np.int64)
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    counts = pc.value_counts(sorter["reason_code"]).to_pylist()

    def pieces() -> Iterator[Piece]:
        n_before = 0
        for table in tables():
            row = n_before + np.arange(table.num_rows)
            yield table, place[row], row
            n_before += table.num_rows

    n_rows, n_bytes = _size(with_rows, OTHERS)
    size = n_rows + sum(table.num_rows for table in more), n_bytes + sum(table.nbytes for table in more)
    rows = SortedRows(pieces, size, len(order), (), lambda table, _place, _row: table, folder.scratch)
    return rows, {str(entry["values"]): int(entry["counts"]) for entry in counts}


def _sorter(table: pa.Table) -> pa.Table:
    """Columns by which other parcels are ordered."""
    sorter = table.select(list(_OTHERS_KEYS))
    bounds = shapely.bounds(shapely.from_wkb(table[GEOMETRY_NAME].to_numpy())).reshape(-1, 4)
    # what has no place has no bounds: null, and last
    for name, values in zip(("x", "y", "x1", "y1"), bounds.T, strict=True):
        sorter = sorter.append_column(name, pa.array(np.ascontiguousarray(values), from_pandas=True))
    return sorter.append_column("area_m2", table["area_m2"])
