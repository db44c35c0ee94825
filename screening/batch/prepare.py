"""From the read layers to a city ready to be divided, with the looks that need the whole of it."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import shapely

from screening import sizing, terrain, water_balance
from screening.batch.divide import City
from screening.clean import CleanParcels, clean_buildings, clean_parcels
from screening.errors import InputError
from screening.outlines import edges_of
from screening.pipeline import KeepAwayThings
from screening.streets import street_of

if TYPE_CHECKING:
    from screening.params import Params
    from screening.read import CityInputs

SAMPLE = 100
"""Buildings looked at to recognise a surface model and a wrong height unit."""

SUSPECT_SLOPE_PCT = 20.0
"""A median slope of the yards over this is reported: few towns are built so (program default)."""


class Prepared(NamedTuple):
    """A city, and what cleaning says about it."""

    city: City
    cleaned: CleanParcels
    n_counted_features: int
    notes: tuple[str, ...]


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
    cleaned = clean_parcels(inputs.parcels)
    buildings = clean_buildings(inputs.buildings)
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
            msg = "no parcel lies in the box that was asked for; give it in the working coordinates, in metres"
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
    notes.extend(look_at_ground(city, params))
    whole = bounds_m is None and limit is None
    n_features = len(inputs.parcels) if whole else int(kept["n_features"].to_numpy()[counted].sum())
    return Prepared(city, cleaned, n_features, tuple(notes))


def in_order(geometry: Any) -> Any:
    """The geometries in an order that does not depend on the file's."""
    usable = geometry[~(shapely.is_missing(geometry) | shapely.is_empty(geometry))]
    return usable[np.argsort(shapely.to_wkb(usable), kind="stable")]


def check_land_use(values: Any, wanted: tuple[str, ...]) -> None:
    """Refuse a filter that lets no parcel through."""
    _check_values(values, wanted, "parcel", "land use", "[homes] land_use", "[fields] land_use")


def check_building_kinds(values: Any, wanted: tuple[str, ...]) -> None:
    """Refuse a filter that lets no building through."""
    _check_values(values, wanted, "building", "kind", "[homes] principal_values", "[fields] building_type")


def _check_values(values: Any, wanted: tuple[str, ...], what: str, name: str, key: str, field: str) -> None:
    if not wanted:
        return
    counts = pd.Series(values, dtype=object).value_counts()
    if len(counts) == 0:
        msg = f"{key} asks for {', '.join(wanted)}, but no {what} has a {name}; name its column as {field}."
        raise InputError(msg)
    if any(value in counts.index for value in wanted):
        return
    near = difflib.get_close_matches(wanted[0], [str(v) for v in counts.index], n=1, cutoff=0.0)
    there = ", ".join(repr(str(v)) for v in counts.index[:6])
    hint = f"; did you mean {near[0]!r}?" if near else "."
    msg = f"{key} asks for {', '.join(wanted)}, but no {what} has such a {name}; the most common are {there}{hint}"
    raise InputError(msg)


def look_at_ground(city: City, params: Params) -> list[str]:
    """Refuse a surface model, and report yards so steep that the height unit is in doubt.

    Looks at up to 100 buildings, evenly spread over the list of all.
    """
    footprints = city.buildings.geometry.to_numpy()
    large = np.flatnonzero(shapely.area(footprints) >= params.homes.min_principal_area_m2)
    if not len(large):
        return []
    pick = large[np.unique(np.linspace(0, len(large) - 1, min(SAMPLE, len(large))).astype(int))]
    source = city.elevation
    ring = params.terrain.ring_outer_m
    heights, slopes = [], []
    for i in pick:
        x0, y0, x1, y1 = shapely.bounds(footprints[i])
        margin = ring + 2.0 * source.cell_m
        west, south, east, north = source.bounds_m
        if x1 + margin <= west or x0 - margin >= east or y1 + margin <= south or y0 - margin >= north:
            continue
        part = source.read((x0 - margin, y0 - margin, x1 + margin, y1 + margin))
        if part.z_m.size == 0:
            continue
        grid = np.array([part.x0_m, part.y0_m, 0.0, 0.0, part.cell_m])
        one = footprints[i : i + 1]
        heights.append(float(terrain.roof_heights_m(part.z_m, grid, one, 3.0 + source.cell_m)[0]))
        land = terrain.measure(part.z_m, grid, one, params.terrain)
        around = edges_of(np.array([shapely.buffer(one[0], ring, quad_segs=2)], dtype=object))
        slopes.append(float(terrain.house_planes(land, edges_of(one), around, params.terrain).slope_pct[0]))
    known = np.array(heights)[~np.isnan(heights)] if heights else np.empty(0)
    if len(known) >= 5 and float(np.median(known)) > params.terrain.surface_model_height_m:
        msg = (
            f"{source.path.name} shows roofs: its cells under buildings lie {np.median(known):.1f} m over the ground "
            "around them (median); use a bare-earth model, not a surface model."
        )
        raise InputError(msg)
    flat = np.array(slopes)[~np.isnan(slopes)] if slopes else np.empty(0)
    if len(flat) >= 5 and float(np.median(flat)) > SUSPECT_SLOPE_PCT:
        return [
            (
                f"the ground around the houses is {np.median(flat):.0f} % steep (median); if it is not, the heights "
                f"of {source.path.name} are in another unit than was read: see [inputs] elevation_unit."
            )
        ]
    return []


def yield_curves(inputs: CityInputs, params: Params) -> water_balance.YieldCurves:
    """What gardens keep under the run's rain, for every slope band and soil rate."""
    depths = sizing.band_depths_mm(params.sizing, params.soil.rate_mm_h)
    rates = np.array([params.soil.rate_low_mm_h, params.soil.rate_mm_h, params.soil.rate_high_mm_h])
    if inputs.rain is None:
        tables = [[water_balance.storm_curve(params.rain, float(d), float(r)) for d in depths] for r in rates]
        runoff = water_balance.storm_runoff_mm_y(params.rain, params.roof)
    else:
        steps = water_balance.wet_steps(
            inputs.rain.time, inputs.rain.rain_mm, inputs.rain.step_h, params.rain, params.roof
        )
        if steps.runoff_mm.sum() <= 0.0:
            msg = "no rain of the record leaves a roof; check its unit, [roof] initial_loss_mm, [rain] frozen_months."
            raise InputError(msg)
        tables = [[water_balance.curve(steps, float(d), float(r)) for d in depths] for r in rates]
        runoff = steps.runoff_mm_y
    return water_balance.YieldCurves(np.array(tables), depths, rates, runoff)
