"""From the read layers to a city ready to be divided, with the looks that need the whole of it."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import shapely

from screening import terrain
from screening.batch.divide import City
from screening.batch.repairs import cut_houses_note, repair_counts, repair_notes, surroundings
from screening.clean import CleanParcels, clean_buildings, clean_parcels
from screening.errors import InputError
from screening.notes import Note
from screening.outlines import edges_of
from screening.pipeline import KeepAwayThings
from screening.read import read_city
from screening.read.extent import box_text, in_words
from screening.streets import street_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from screening.params import Params
    from screening.read import CityInputs

AROUND_M = 100.0
"""Parcels are read this much farther around a box than water runs: they are the surroundings of the counted ones."""

SAMPLE = 40
"""Houses looked at to recognise a surface model, a wrong height unit and missing elevation."""

SUSPECT_SLOPE_PCT = 20.0
"""A median slope of the yards over this is reported: few towns are built so (program default)."""


class Prepared(NamedTuple):
    """A city, and what cleaning says about it; ``repairs`` counts what was put right by input and code."""

    city: City
    cleaned: CleanParcels
    n_counted_features: int
    notes: tuple[str, ...]
    ground: GroundLook
    repairs: Mapping[str, int]


def read_inputs(params: Params, bounds_m: tuple[float, float, float, float] | None) -> CityInputs:
    """Read what a run needs: all, or the parcels of a box with their surroundings."""
    around_m = params.rules.max_run_m + params.overflow.max_trace_m + AROUND_M
    return read_city(params, bounds_m=bounds_m, margin_m=around_m)


def prepare(
    inputs: CityInputs, params: Params, bounds_m: tuple[float, float, float, float] | None, limit: int | None
) -> Prepared:
    """Clean the layers and look at them as a whole.

    Parameters
    ----------
    inputs : CityInputs
    params : Params
    bounds_m : tuple or None
        Only parcels that touch this box are counted; the others are surroundings.
    limit : int or None
        Only the first so many parcels, in order of their ids, are counted.

    Raises
    ------
    InputError
        If no parcel has an eligible land use, or the elevation is a surface model.
    """
    notes: list[str] = []
    buildings = clean_buildings(inputs.buildings)
    around = surroundings(inputs, buildings.kept, params)
    cleaned = clean_parcels(inputs.parcels, around, params.homes)
    notes.extend(repair_notes(cleaned))
    notes.extend(cut_houses_note(cleaned.kept, around.houses, params.homes.min_principal_area_m2))
    if buildings.n_unusable:
        notes.append(f"{buildings.n_unusable} buildings have no usable outline and were left out.")
    if buildings.n_merged:
        notes.append(f"{buildings.n_merged} buildings repeat the outline of another and were left out.")
    kept = cleaned.kept
    check_land_use(kept["land_use"].to_numpy(dtype=object), params.homes.land_use)
    check_building_kinds(buildings.kept["building_type"].to_numpy(dtype=object), params.homes.principal_values)
    counted = np.ones(len(kept), dtype=bool)
    if bounds_m is not None:
        counted &= np.asarray(shapely.intersects(kept.geometry.to_numpy(), shapely.box(*bounds_m)))
        if not counted.any():
            west, south, east, north = map(float, kept.total_bounds)
            msg = (
                f"no parcel lies in the box {box_text(bounds_m)}; the parcels near it lie in "
                f"{in_words((west, south, east, north), inputs.crs)}: make the box larger, or move it."
            )
            raise InputError(msg)
    if limit is not None:
        counted &= np.cumsum(counted) <= limit
    kept["is_counted"] = counted
    kept["street"] = street_of(
        kept["street"].to_numpy(dtype=object),
        kept["address"].to_numpy(dtype=object),
        kept.geometry.to_numpy(),
        inputs.streets,
    )
    keep_away = tuple(KeepAwayThings(k.kind, k.distance_m, in_order(k.geometry)) for k in inputs.keep_away)
    none = np.empty(0, dtype=object)
    street_areas = none
    if inputs.streets is not None:
        shapes = inputs.streets.geometry.to_numpy()
        street_areas = in_order(shapes[shapely.get_dimensions(shapes) == 2])
    downspouts = none if inputs.downspouts is None else in_order(inputs.downspouts)
    city = City(kept, buildings.kept, downspouts, keep_away, street_areas, inputs.elevation)
    ground = look_at_ground(city, params)
    notes.extend(ground.notes)
    whole = bounds_m is None and limit is None
    n_features = len(inputs.parcels) if whole else int(kept["n_features"].to_numpy()[counted].sum())
    repairs = repair_counts(inputs, cleaned, buildings)
    return Prepared(city, cleaned, n_features, tuple(notes), ground, repairs)


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


def look_at_ground(city: City, params: Params) -> GroundLook:
    """Refuse a surface model; report houses without elevation, and yards so steep that the height unit is in doubt.

    Looks at up to 40 houses on parcels that count and have an eligible land use, evenly spread over the list of all.

    Raises
    ------
    InputError
        If the elevation is a surface model.
    """
    footprints = city.buildings.geometry.to_numpy()
    pick = _sample_of_houses(city, params)
    source = city.elevation
    ring = params.terrain.ring_outer_m
    margin = ring + 2.0 * source.cell_m
    heights, slopes = np.full(len(pick), np.nan), np.full(len(pick), np.nan)
    lowest, highest = [], []
    for k, i in enumerate(pick):
        x0, y0, x1, y1 = shapely.bounds(footprints[i])
        part = source.read((x0 - margin, y0 - margin, x1 + margin, y1 + margin))
        if not np.isfinite(part.z_m).any():
            continue
        lowest.append(float(np.nanmin(part.z_m)))
        highest.append(float(np.nanmax(part.z_m)))
        grid = np.array([part.x0_m, part.y0_m, 0.0, 0.0, part.cell_m])
        one = footprints[i : i + 1]
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


def _sample_of_houses(city: City, params: Params) -> npt.NDArray[np.int64]:
    """Rows of up to `SAMPLE` buildings as large as a house that stand where a home may be."""
    footprints = city.buildings.geometry.to_numpy()
    may_be_home = city.parcels["is_counted"].to_numpy(dtype=bool)
    if params.homes.land_use:
        may_be_home = may_be_home & city.parcels["land_use"].isin(params.homes.land_use).to_numpy(dtype=bool)
    large = np.flatnonzero(shapely.area(footprints) >= params.homes.min_principal_area_m2)
    tree = shapely.STRtree(shapely.point_on_surface(footprints[large]))
    _, found = tree.query(city.parcels.geometry.to_numpy()[may_be_home], predicate="intersects")
    large = large[np.unique(found)]
    if not len(large):
        return np.empty(0, dtype=np.int64)
    even = np.unique(np.linspace(0, len(large) - 1, min(SAMPLE, len(large))).astype(np.int64))
    return np.asarray(large[even], dtype=np.int64)
