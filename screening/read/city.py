"""Reading a city: every input of the run file, checked against each other, in the working CRS."""

from __future__ import annotations

import logging
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening.crs import Reprojector, choose_working_crs, describe, length_unit
from screening.errors import InputError, ParameterError, SchemaError
from screening.read.elevation import look_at_elevation, open_elevation
from screening.read.extent import outside_note, refuse_box
from screening.read.files import digests, require_files
from screening.read.inputs import CityInputs, InputFile, KeepAwayLayer
from screening.read.rain import read_rain
from screening.read.reader import Reader, bounds_of, check_town, look_at_layer
from screening.read.soils import read_soils

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    from screening.params import KeepAway, Params
    from screening.raster import ElevationSource, RasterHeader
    from screening.read.inputs import RainRecord

    Bounds = tuple[float, float, float, float]
    ObjectArray = npt.NDArray[np.object_]
    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]
    GeoDataFrame = Any
    Take = Callable[[str, GeoDataFrame], None]

logger = logging.getLogger(__name__)

REACH_M: Final = 200.0
"""Ground around the parcels from which other layers are read, beside the overflow's way [m]."""

PARCEL_COLUMNS: Final = ("parcel_id", "address", "street", "land_use", "lot_kind", "linked_lot")

NEEDED: Final = ("parcels", "buildings", "elevation")
OPTIONAL: Final = ("streets", "rain", "downspouts", "soils", "districts")


PIECE: Final = 16_384
"""Records that are handed over at a time."""


def read_city(
    params: Params, *, bounds_m: Bounds | None = None, margin_m: float = 0.0, take: Take | None = None
) -> CityInputs:
    """Read every input that the parameters name.

    Parameters
    ----------
    params : Params
        Its ``inputs``, ``fields``, ``siting``, ``rain``, ``rules`` and ``overflow`` count here.
    bounds_m : tuple of float, optional
        West, south, east, north in the working CRS [m]: only parcels whose box touches it are read.
        Parcels without geometry can't be placed and are then left out.
    margin_m : float
        Parcels this far around `bounds_m` are read as well [m].
    take : callable, optional
        Called with ``parcels``, ``buildings``, ``keep_away 0``, ``keep_away 1`` ... and a piece of that layer, so
        that the whole never lies in memory.

    Returns
    -------
    CityInputs
        With `take` these layers have no rows in it.

    Raises
    ------
    ParameterError
        If an input that is always needed isn't named.
    InputError
        If a file can't be used (also `CRSError`, `UnitsError`, `SchemaError`); the message says which
        file, what is wrong with it, and the way out.
    """
    _require_inputs(params)
    inputs, named = params.inputs, params.fields
    lots = look_at_layer(inputs, "parcels", ("polygon",))
    west, south, east, north = bounds_of(lots, "parcels")
    houses = look_at_layer(inputs, "buildings", ("polygon",))
    bounds_of(houses, "buildings")
    header, header_notes = look_at_elevation(inputs.elevation or (), inputs.crs.get("elevation", ""))
    if bounds_m is None:
        check_town(lots, "parcels")
    working = choose_working_crs(
        elevation_crs=header.known_crs,
        parcels_crs=lots.known_crs("parcels"),
        centre=((west + east) / 2.0, (south + north) / 2.0),
        stated=inputs.working_crs,
    )
    logger.info("working system: %s; %s", describe(working.crs), working.why)
    reader = Reader(crs=working.crs, notes=list(header_notes))

    columns = {name: getattr(named, name) for name in PARCEL_COLUMNS}
    within = None if bounds_m is None else _grown(bounds_m, margin_m)
    town_m = Reprojector(lots.known_crs("parcels"), working.crs).bounds((west, south, east, north))
    boxes: list[FloatArray] = []
    is_asked_for: list[BoolArray] = []
    parcels = []
    for text, shapes in reader.pieces(lots, "parcels", columns, ("polygon",), within, None if take is None else PIECE):
        boxes.append(shapely.bounds(shapes).reshape(-1, 4))
        one = np.ones(len(shapes), dtype=bool)
        is_asked_for.append(one if bounds_m is None else shapely.intersects(shapes, shapely.box(*bounds_m)))
        frame = reader.frame(text, shapes)
        parcels.append(frame if take is None else frame.iloc[:0].copy())
        if take is not None:
            take("parcels", frame)
    boxes_m = np.concatenate(boxes)
    if bounds_m is not None and not len(boxes_m):
        refuse_box(bounds_m, lots.where, town_m, working.crs)
    parcels_m = _extent(boxes_m, lots.where)
    source = _elevation(reader, params, header, (parcels_m, town_m), lots.where)
    note = outside_note(boxes_m[np.concatenate(is_asked_for)], lots.where, source.rasters_m, source.name)
    if note:
        reader.note(note, "elevation_partial", "elevation")

    reach = REACH_M + params.overflow.max_trace_m
    around = _grown(parcels_m, reach)
    columns = {name: getattr(named, name) for name in ("building_id", "building_type")}
    n_buildings = 0
    buildings = []
    for text, shapes in reader.pieces(
        houses, "buildings", columns, ("polygon",), around, None if take is None else PIECE
    ):
        n_buildings += len(shapes)
        frame = reader.frame(text, shapes)
        buildings.append(frame if take is None else frame.iloc[:0].copy())
        if take is not None:
            take("buildings", frame)
    if bounds_m is None and not n_buildings:
        reader.require_meeting(houses, "buildings", lots.where, parcels_m)

    return CityInputs(
        crs=working.crs,
        parcels=parcels[0],
        buildings=buildings[0],
        streets=_streets(reader, params, parcels_m, around),
        downspouts=_downspouts(reader, params, parcels_m, around),
        keep_away=tuple(
            _keep_away(reader, params, number, layer, (parcels_m, around), take)
            for number, layer in enumerate(inputs.keep_away, start=1)
        ),
        elevation=source,
        rain=_rain(reader, params),
        soils=read_soils(reader, params, (parcels_m, around)),
        districts=_districts(reader, params, parcels_m, around),
        files=tuple(reader.files),
        notes=tuple(dict.fromkeys(reader.notes)),
        repairs=reader.repairs,
    )


def _require_inputs(params: Params) -> None:
    """Refuse a run without its main inputs, or with files that aren't there."""
    inputs = params.inputs
    lacking = [name for name in NEEDED if getattr(inputs, name) is None]
    if lacking:
        listed = ", ".join(lacking[:-1]) + (" and " if len(lacking) > 1 else "") + lacking[-1]
        msg = f"[inputs] doesn't name {listed}; add the path of each file to the run file or the command."
        raise ParameterError(msg, code="input_not_named")
    paths: dict[str, Path] = {}
    for name in (*NEEDED, *OPTIONAL):
        path = getattr(inputs, name)
        if isinstance(path, tuple):
            paths |= {f"{name} {number}": one for number, one in enumerate(path, start=1)}
        elif path is not None:
            paths[name] = path
    paths |= {_role(number, layer): layer.path for number, layer in enumerate(inputs.keep_away, start=1)}
    require_files(paths)


def _role(number: int, layer: KeepAway) -> str:
    return f"keep_away {number} ({layer.kind})"


def _grown(bounds_m: Bounds, by_m: float) -> Bounds:
    return bounds_m[0] - by_m, bounds_m[1] - by_m, bounds_m[2] + by_m, bounds_m[3] + by_m


def _extent(boxes_m: FloatArray, where: str) -> Bounds:
    """Extent of boxes (n, 4), some of which must be there [m]."""
    there = boxes_m[np.isfinite(boxes_m).all(axis=1)]
    west, south = there[:, :2].min(axis=0, initial=np.inf)
    east, north = there[:, 2:].max(axis=0, initial=-np.inf)
    if not np.isfinite(west):
        msg = f"{where} has no parcel with a shape; check the file."
        raise InputError(msg, code="layer_empty")
    return float(west), float(south), float(east), float(north)


def _common_folder(files: Sequence[Path]) -> Path | None:
    """Folder from which files can be told apart; None where their names do."""
    if len({file.name for file in files}) == len(files):
        return None
    return Path(os.path.commonpath(files))


def _elevation(
    reader: Reader, params: Params, header: RasterHeader, boxes_m: tuple[Bounds, Bounds], parcels: str
) -> ElevationSource:
    parcels_m, town_m = boxes_m
    source, notes = open_elevation(
        header,
        reader.crs,
        parcels_m,
        inputs=params.inputs,
        siting=params.siting,
        parcels_name=parcels,
        town_m=town_m,
    )
    header = source.header
    to_working = Reprojector(header.known_crs, reader.crs)
    west, south, east, north = header.bounds
    middle = (west + east) / 2.0, (south + north) / 2.0
    step = to_working.step(*middle)
    note = to_working.accuracy_note(*middle)
    if note:
        reader.note(note, "crs_shift_unsure", "elevation")
    reader.notes.extend(notes)
    reader.files.append(
        InputFile(
            role="elevation",
            name=header.name,
            layer="",
            crs_text=describe(header.known_crs),
            length_unit=length_unit(header.known_crs)[0],
            n_features=header.width * header.height,
            sha256=digests(header.files, _common_folder(header.files)),
            height_unit=f"{source.z_factor:.10g} m",
            crs_step="" if step is None else step.text,
        )
    )
    return source


def _streets(reader: Reader, params: Params, parcels_m: Bounds, around: Bounds) -> GeoDataFrame | None:
    if params.inputs.streets is None:
        return None
    kinds = ("line", "polygon")
    info = look_at_layer(params.inputs, "streets", kinds)
    columns = {"street_name": params.fields.street_name}
    text, geometry = reader.additional(info, "streets", columns, kinds, (parcels_m, around))
    return reader.frame(text, geometry)


def _districts(reader: Reader, params: Params, parcels_m: Bounds, around: Bounds) -> GeoDataFrame | None:
    if params.inputs.districts is None:
        return None
    info = look_at_layer(params.inputs, "districts", ("polygon",))
    if not params.fields.district:
        shown = ", ".join(repr(name) for name in info.fields[:12]) or "none"
        msg = f"[fields] district doesn't say which field of {info.where} names the districts; it has {shown}."
        raise SchemaError(msg, code="district_unclear")
    text, geometry = reader.additional(
        info, "districts", {"district": params.fields.district}, ("polygon",), (parcels_m, around)
    )
    return reader.frame(text, geometry)


def _downspouts(reader: Reader, params: Params, parcels_m: Bounds, around: Bounds) -> ObjectArray | None:
    if params.inputs.downspouts is None:
        return None
    info = look_at_layer(params.inputs, "downspouts", ("point",))
    _, geometry = reader.additional(info, "downspouts", {}, ("point",), (parcels_m, around))
    single: ObjectArray = np.asarray(shapely.get_parts(geometry), dtype=object)
    is_point = shapely.get_type_id(single) == 0
    if not is_point.all():
        n_left_out = np.count_nonzero(~is_point)
        text = f"{info.where}: {n_left_out} shapes that aren't points are left out."
        reader.note(text, "records_left_out", "downspouts")
    points: ObjectArray = single[is_point]
    return points


def _keep_away(
    reader: Reader,
    params: Params,
    number: int,
    layer: KeepAway,
    boxes_m: tuple[Bounds, Bounds],
    take: Take | None,
) -> KeepAwayLayer:
    distance_m = layer.distance_m
    if distance_m is None:
        distance_m = params.rules.keep_away_distance_m(layer.kind)
    if distance_m is None:
        msg = f"[[inputs.keep_away]] {layer.path.name}: the rules give no distance for {layer.kind!r}; add distance_m."
        raise ParameterError(msg, code="keep_away_distance_missing")
    role = _role(number, layer)
    kinds = ("polygon", "line", "point")
    info = look_at_layer(params.inputs, role, kinds, path=layer.path, layer=layer.layer)
    parcels_m, around = boxes_m
    boxes_m = parcels_m, _grown(around, distance_m)
    size = None if take is None else PIECE
    geometry: ObjectArray = np.empty(0, dtype=object)
    for text, shapes in reader.additional_pieces(info, role, {}, kinds, boxes_m, size):
        if take is None:
            geometry = shapes
        else:
            take(f"keep_away {number - 1}", reader.frame(text, shapes))
    return KeepAwayLayer(kind=layer.kind, distance_m=float(distance_m), geometry=geometry)


def _rain(reader: Reader, params: Params) -> RainRecord | None:
    path = params.inputs.rain
    if path is None:
        return None
    record, notes = read_rain(
        path,
        unit=params.rain.unit,
        years=params.rain.years,
        max_missing_frac=params.rain.max_missing_frac,
    )
    reader.notes.extend(notes)
    reader.files.append(
        InputFile(
            role="rain",
            name=path.name,
            layer="",
            crs_text="",
            length_unit=params.rain.unit,
            n_features=len(record.time),
            sha256=digests((path,)),
        )
    )
    return record
