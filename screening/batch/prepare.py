"""Looks at a city before the work: filters that let nothing through, and the ground around its houses."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from screening import terrain
from screening.batch.stored import NEIGHBOURHOOD_M, StoredLayer
from screening.errors import InputError
from screening.notes import Note
from screening.outlines import edges_of
from screening.read import read_city

if TYPE_CHECKING:
    import numpy.typing as npt

    from screening.batch.gather import CityOnDisk
    from screening.params import Params
    from screening.raster import ElevationSource
    from screening.read import CityInputs

    BoolArray = npt.NDArray[np.bool_]
    ObjectArray = npt.NDArray[Any]

AROUND_M = 100.0
"""Parcels are read this much farther around a box than water runs: they are the surroundings of the counted ones."""

SAMPLE = 40
"""Houses looked at to recognise a surface model, a wrong height unit and missing elevation."""

MOST_ASKED = 30_000
ASKED_AT_A_TIME = 4096
"""Of a city with more large buildings an even part is asked whether it stands on a lot that may be a home."""

SUSPECT_SLOPE_PCT = 20.0
"""A median slope of the yards over this is reported: few towns are built so (program default)."""


def read_inputs(params: Params, bounds_m: tuple[float, float, float, float] | None) -> CityInputs:
    """Read what a run needs: all, or the parcels of a box with their surroundings."""
    around_m = params.rules.max_run_m + params.overflow.max_trace_m + AROUND_M
    return read_city(params, bounds_m=bounds_m, margin_m=around_m)


def in_order(geometry: Any) -> Any:
    """The geometries in an order that does not depend on the file's."""
    usable = geometry[~(shapely.is_missing(geometry) | shapely.is_empty(geometry))]
    return usable[np.argsort(shapely.to_wkb(usable), kind="stable")]


def check_land_use(values: Any, wanted: tuple[str, ...]) -> None:
    """Refuse a filter that lets no parcel through."""
    names = ("parcel", "land use", "[homes] land_use", "[fields] land_use")
    _check_values(values, wanted, *names, code="land_use_unmatched")


def check_building_kinds(values: Any, wanted: tuple[str, ...]) -> None:
    """Refuse a filter that lets no building through."""
    names = ("building", "kind", "[homes] principal_values", "[fields] building_type")
    _check_values(values, wanted, *names, code="building_kind_unmatched")


def _check_values(
    values: Any, wanted: tuple[str, ...], what: str, name: str, key: str, field: str, *, code: str
) -> None:
    if not wanted:
        return
    if isinstance(values, pa.Array):
        found = pc.value_counts(values.drop_null())
        # the most common first; of equally common ones that which comes first
        counts = pd.Series(found.field("counts").to_numpy(), index=found.field("values").to_pylist(), dtype=int)
        counts = counts.sort_values(ascending=False, kind="stable")
    else:
        counts = pd.Series(values, dtype=object).value_counts()
    if len(counts) == 0:
        msg = f"{key} asks for {', '.join(wanted)}, but no {what} has a {name}; name its column as {field}."
        raise InputError(msg, code=code)
    if any(value in counts.index for value in wanted):
        return
    near = difflib.get_close_matches(wanted[0], [str(v) for v in counts.index], n=1, cutoff=0.0)
    there = ", ".join(repr(str(v)) for v in counts.index[:6])
    hint = f"; did you mean {near[0]!r}?" if near else "."
    msg = f"{key} asks for {', '.join(wanted)}, but no {what} has such a {name}; the most common are {there}{hint}"
    raise InputError(msg, code=code)


class GroundLook(NamedTuple):
    """What the ground around a sample of houses looks like.

    Attributes
    ----------
    n_houses : int
        Houses looked at.
    n_without : int
        Of these, houses without enough elevation around them.
    lowest_m, highest_m : float or None
        Heights around them [m]; None where nothing is known.
    median_slope_pct : float or None
        Median slope of the ground around them [%].
    notes : tuple of Note
        What a person should know about it.
    """

    n_houses: int
    n_without: int
    lowest_m: float | None
    highest_m: float | None
    median_slope_pct: float | None
    notes: tuple[Note, ...]


def look_at_ground(city: CityOnDisk, may_be_home: BoolArray, is_house: BoolArray, params: Params) -> GroundLook:
    """Refuse a surface model; report houses without elevation, and yards so steep that the height unit is in doubt.

    Looks at up to 40 houses on parcels that count and have an eligible land use, evenly spread over the list of all.

    Parameters
    ----------
    city : CityOnDisk
    may_be_home, is_house
        As of `screening.batch.gather.Gathered`.
    params : Params

    Raises
    ------
    InputError
        If the elevation is a surface model.
    """
    return look_around_houses(_sample_of_houses(city, may_be_home, is_house), city.elevation, params)


def look_around_houses(footprints: ObjectArray, source: ElevationSource, params: Params) -> GroundLook:
    """Look at the ground around some houses; see `look_at_ground`."""
    pick = range(len(footprints))
    ring = params.terrain.ring_outer_m
    margin = ring + 2.0 * source.cell_m
    heights, slopes = np.full(len(pick), np.nan), np.full(len(pick), np.nan)
    lowest, highest = [], []
    for k in pick:
        x0, y0, x1, y1 = shapely.bounds(footprints[k])
        part = source.read((x0 - margin, y0 - margin, x1 + margin, y1 + margin))
        if not np.isfinite(part.z_m).any():
            continue
        lowest.append(float(np.nanmin(part.z_m)))
        highest.append(float(np.nanmax(part.z_m)))
        grid = np.array([part.x0_m, part.y0_m, 0.0, 0.0, part.cell_m])
        one = footprints[k : k + 1]
        heights[k] = terrain.roof_heights_m(part.z_m, grid, one, 3.0 + source.cell_m)[0]
        land = terrain.measure(part.z_m, grid, one, params.terrain)
        around = edges_of(np.array([shapely.buffer(one[0], ring, quad_segs=2)], dtype=object))
        slopes[k] = terrain.house_planes(land, edges_of(one), around, params.terrain).slope_pct[0]
    heights, known = heights[~np.isnan(heights)], slopes[~np.isnan(slopes)]
    if len(heights) >= 5 and float(np.median(heights)) > params.terrain.surface_model_height_m:
        msg = (
            f"{source.name} shows roofs: its cells under buildings lie {np.median(heights):.1f} m over the ground "
            "around them (median); use a bare-earth model, not a surface model."
        )
        raise InputError(msg, code="surface_model")
    notes = []
    n_without = len(slopes) - len(known)
    if n_without:
        text = (
            f"{n_without} of {len(slopes)} houses looked at have no elevation around them in {source.name}; the "
            "result counts every such home as outside_elevation or elevation_gap."
        )
        notes.append(Note(text, "elevation_holes", "elevation"))
    slope = float(np.median(known)) if len(known) else None
    if slope is not None and len(known) >= 5 and slope > SUSPECT_SLOPE_PCT:
        text = (
            f"the ground around the houses is {slope:.0f} % steep (median); if it is not, the heights "
            f"of {source.name} are in another unit than was read: see [inputs] elevation_unit."
        )
        notes.append(Note(text, "slope_doubtful", "elevation"))
    return GroundLook(
        len(slopes),
        n_without,
        min(lowest, default=None),
        max(highest, default=None),
        slope,
        tuple(notes),
    )


def _sample_of_houses(city: CityOnDisk, may_be_home: BoolArray, is_house: BoolArray) -> Any:
    """Outlines of up to `SAMPLE` buildings as large as a house that stand where a home may be."""
    parcels, buildings = StoredLayer(city.folder, "parcels"), StoredLayer(city.folder, "buildings")
    # of a large city an even part is asked
    large = np.flatnonzero(is_house)
    large = large[:: len(large) // MOST_ASKED + 1]
    row_of = np.empty(len(buildings), dtype=np.int64)
    row_of[buildings.order] = np.arange(len(buildings))
    stands = np.zeros(len(large), dtype=bool)
    middle = np.asarray(buildings.array("point"))[row_of[large]]
    place = np.lexsort(np.floor(middle / NEIGHBOURHOOD_M).T)
    for begin in range(0, len(large), ASKED_AT_A_TIME):
        some = place[begin : begin + ASKED_AT_A_TIME]
        point = middle[some]
        lots = parcels.hits(np.column_stack([point, point]))
        lots = lots[may_be_home[parcels.order[lots]]]
        tree = shapely.STRtree(shapely.points(point))
        stands[some[np.unique(tree.query(parcels.outlines(lots), predicate="intersects")[1])]] = True
    found = large[stands]
    if not len(found):
        return np.empty(0, dtype=object)
    return buildings.outlines(row_of[found[even_sample(len(found))]])


def even_sample(n: int) -> npt.NDArray[np.int64]:
    """Rows of up to `SAMPLE` houses, evenly spread over a list of all."""
    return np.unique(np.linspace(0, n - 1, min(SAMPLE, n)).astype(np.int64))
