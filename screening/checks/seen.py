"""Reading as much of a city as can be read: an error in one input doesn't stop the look at the others."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import shapely

from screening.batch.prepare import read_inputs
from screening.checks.words import listed
from screening.crs import choose_working_crs, describe, length_fault, length_unit
from screening.errors import ScreeningError
from screening.read import look_at_elevation, open_elevation, read_rain
from screening.read.city import PARCEL_COLUMNS
from screening.read.fields import is_shapefile, match_fields
from screening.read.files import require_files
from screening.read.inputs import KeepAwayLayer
from screening.read.reader import Reader, bounds_of, check_town, look_at_layer

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import numpy.typing as npt
    from pyproj import CRS

    from screening.checks.finding import Findings
    from screening.params import Params
    from screening.raster import ElevationSource, RasterHeader
    from screening.read import CityInputs, LayerInfo, RainRecord

    ObjectArray = npt.NDArray[np.object_]
    Bounds = tuple[float, float, float, float]
    # geopandas comes without types; the name says what it is.
    GeoDataFrame = Any

AROUND_M: Final = 500.0
"""Ground around the parcels from which other layers are looked at [m]."""

RETRIES: Final = 3


class Role(NamedTuple):
    """What an input is read for: kinds of its shapes, and our names of the columns with their keys in [fields]."""

    kinds: tuple[str, ...]
    columns: tuple[str, ...] = ()


ROLES: Final[Mapping[str, Role]] = {
    "parcels": Role(("polygon",), PARCEL_COLUMNS),
    "buildings": Role(("polygon",), ("building_id", "building_type")),
    "streets": Role(("line", "polygon"), ("street_name",)),
    "downspouts": Role(("point",)),
    "soils": Role(("polygon",), ("soil",)),
    "districts": Role(("polygon",), ("district",)),
}
KEEP_AWAY: Final = Role(("polygon", "line", "point"))


@dataclass(slots=True)
class Seen:
    """What could be read, None where it couldn't or isn't given.

    Attributes
    ----------
    params : Params
        The run's parameters.
    crs : pyproj.CRS or None
        The working CRS.
    infos : dict
        The vector layers by role.
    parcels, buildings, streets : GeoDataFrame or None
        As `screening.read.CityInputs` has them.
    downspouts : ndarray or None
        Points [m].
    keep_away : tuple of (str, KeepAwayLayer)
        Role and layer.
    elevation : ElevationSource or None
        Heights; its unit is only assumed where `unit_is_assumed`.
    rain : RainRecord or None
        The rain record.
    repairs : dict of str to int
        Records that were put right while reading, by ``role.code``.
    city : CityInputs or None
        Everything, where the reading of a run goes through.
    """

    params: Params
    crs: CRS | None = None
    infos: dict[str, LayerInfo] = field(default_factory=dict)
    parcels: GeoDataFrame = None
    buildings: GeoDataFrame = None
    streets: GeoDataFrame = None
    downspouts: ObjectArray | None = None
    keep_away: tuple[tuple[str, KeepAwayLayer], ...] = ()
    elevation: ElevationSource | None = None
    unit_is_assumed: bool = False
    rain: RainRecord | None = None
    repairs: dict[str, int] = field(default_factory=dict)
    city: CityInputs | None = None


def read_seen(params: Params, findings: Findings) -> Seen:
    """Read what can be read, and tell what can't.

    Parameters
    ----------
    params : Params
        Of the run.
    findings : Findings
        Takes what is found; knows the working CRS afterwards.
    """
    seen = Seen(params)
    header = _look_at_files(params, seen, findings)
    if not findings.has_error():
        try:
            city = read_inputs(params, None)
        except ScreeningError as error:
            _read_apart(seen, header, findings)
            if not findings.has_error():
                findings.tell_error(error, "")
        else:
            _take(seen, city, findings)
    else:
        _read_apart(seen, header, findings)
    _tell_systems(seen, header, findings)
    return seen


def keep_away_roles(params: Params) -> list[str]:
    """Names of the keep-away layers as the run record has them."""
    return [f"keep_away {number} ({layer.kind})" for number, layer in enumerate(params.inputs.keep_away, start=1)]


def named_fields(params: Params, role: str) -> dict[str, str]:
    """Fields that the run file names for an input: our name to the file's."""
    columns = ROLES[role].columns if role in ROLES else ()
    return {name: getattr(params.fields, name) for name in columns if getattr(params.fields, name)}


def _take(seen: Seen, city: CityInputs, findings: Findings) -> None:
    """Take over what the run itself reads."""
    seen.city, seen.crs = city, city.crs
    findings.crs = city.crs
    seen.parcels, seen.buildings, seen.streets = city.parcels, city.buildings, city.streets
    seen.downspouts, seen.elevation, seen.rain = city.downspouts, city.elevation, city.rain
    seen.keep_away = tuple(zip(keep_away_roles(seen.params), city.keep_away, strict=True))
    seen.repairs = dict(city.repairs)
    for note in city.notes:
        findings.tell_note(note)


def _look_at_files(params: Params, seen: Seen, findings: Findings) -> RasterHeader | None:
    """Look at every file without reading its records; errors become findings."""
    inputs = params.inputs
    for role in ("parcels", "buildings", "elevation"):
        if getattr(inputs, role) is None:
            findings.say(
                "input_not_named", f"[inputs] doesn't name {role}; add the path to the run file.", is_told=True
            )
    for role, kinds in ROLES.items():
        path = getattr(inputs, role)
        if path is not None:
            _look_at_one(seen, findings, role, path, kinds)
    for role, layer in zip(keep_away_roles(params), inputs.keep_away, strict=True):
        _look_at_one(seen, findings, role, layer.path, KEEP_AWAY, layer=layer.layer)
    if inputs.rain is not None:
        findings.know("rain", inputs.rain.name)
        with findings.catching("rain"):
            require_files({"rain": inputs.rain})
    header = None
    if inputs.elevation is not None:
        findings.know("elevation", _name_of(inputs.elevation))
        with findings.catching("elevation"):
            header, _ = look_at_elevation(inputs.elevation, inputs.crs.get("elevation", ""))
            findings.know("elevation", header.name)
    return header


def _name_of(path: Any) -> str:
    """Name of a file, or of the first of several."""
    return str(path.name if hasattr(path, "name") else path[0].name if path else "")


def _look_at_one(seen: Seen, findings: Findings, role: str, path: Path, kinds: Role, *, layer: str = "") -> None:
    """Look at a vector layer: whether it is there, where it lies, and whether it has the named fields."""
    findings.know(role, path.name)
    with findings.catching(role):
        require_files({role: path})
        info = look_at_layer(seen.params.inputs, role, kinds.kinds, path=path, layer=layer)
        findings.know(role, path.name, info.layer if info.layer != path.stem else "")
        if role in ("parcels", "buildings"):
            bounds_of(info, role)
        if role == "parcels":
            check_town(info, role)
        seen.infos[role] = info
    if role in seen.infos:
        there, problem = _fields_there(seen.infos[role], named_fields(seen.params, role))
        if problem is not None:
            lost = [name for key, name in named_fields(seen.params, role).items() if key not in there]
            findings.say("field_missing", str(problem), role=role, field_name=", ".join(lost), is_told=True)


def _fields_there(info: LayerInfo, wanted: Mapping[str, str]) -> tuple[dict[str, str], ScreeningError | None]:
    """Named fields that a layer has, and what is said of the others."""
    old_names = is_shapefile(info.driver, info.path)
    try:
        match_fields(list(wanted.values()), info.fields, where=info.where, truncated=old_names, fid=info.fid)
    except ScreeningError as error:
        there = {key: name for key, name in wanted.items() if _has_field(info, name, old_names=old_names)}
        return there, error
    return dict(wanted), None


def _has_field(info: LayerInfo, name: str, *, old_names: bool) -> bool:
    try:
        match_fields([name], info.fields, where=info.where, truncated=old_names, fid=info.fid)
    except ScreeningError:
        return False
    return True


def _read_apart(seen: Seen, header: RasterHeader | None, findings: Findings) -> None:
    """Read every input by itself, as far as the others allow it."""
    params, lots = seen.params, seen.infos.get("parcels")
    if params.inputs.rain is not None and not findings.has_error("rain"):
        with findings.catching("rain"):
            seen.rain, notes = read_rain(
                params.inputs.rain,
                unit=params.rain.unit,
                years=params.rain.years,
                max_missing_frac=params.rain.max_missing_frac,
            )
            for note in notes:
                findings.tell_note(note)
    if lots is None or lots.bounds is None:
        return
    west, south, east, north = lots.bounds
    with findings.catching("parcels"):
        lots_crs = lots.known_crs("parcels")
        seen.crs = choose_working_crs(
            elevation_crs=header.crs if header is not None and header.crs is not None else lots_crs,
            parcels_crs=lots_crs,
            centre=((west + east) / 2.0, (south + north) / 2.0),
            stated=params.inputs.working_crs,
        ).crs
        findings.crs = seen.crs
        reader = Reader(crs=seen.crs)
        read = _Apart(seen, reader, findings)
        parcels_m = read.parcels(lots)
        if parcels_m is not None:
            read.buildings(parcels_m)
            read.others(parcels_m)
            if header is not None and not findings.has_error("elevation"):
                read.elevation(header, parcels_m)
        seen.repairs = dict(reader.repairs)
        for note in reader.notes:
            findings.tell_note(note)


@dataclass(slots=True)
class _Apart:
    """Inputs read one by one into `Seen`."""

    seen: Seen
    reader: Reader
    findings: Findings

    def _columns(self, role: str) -> dict[str, str]:
        """Our names of a role's columns to fields that are there; "" for the others."""
        there, _ = _fields_there(self.seen.infos[role], named_fields(self.seen.params, role))
        return {name: there.get(name, "") for name in ROLES[role].columns}

    def parcels(self, lots: LayerInfo) -> Bounds | None:
        """Read the parcels; their extent [m], None where they can't be read."""
        with self.findings.catching("parcels"):
            text, shapes = self.reader.layer(lots, "parcels", self._columns("parcels"), ("polygon",), None)
            self.seen.parcels = self.reader.frame(text, shapes)
            west, south, east, north = (float(v) for v in shapely.total_bounds(shapes))
            if np.isfinite(west):
                return west, south, east, north
        return None

    def buildings(self, parcels_m: Bounds) -> None:
        """Read the buildings near the parcels."""
        info = self.seen.infos.get("buildings")
        if info is None:
            return
        with self.findings.catching("buildings"):
            around = _grown(parcels_m)
            text, shapes = self.reader.layer(info, "buildings", self._columns("buildings"), ("polygon",), around)
            if not len(shapes):
                self.reader.require_meeting(info, "buildings", self.seen.infos["parcels"].where, parcels_m)
            self.seen.buildings = self.reader.frame(text, shapes)

    def others(self, parcels_m: Bounds) -> None:
        """Read the additional layers."""
        boxes_m = parcels_m, _grown(parcels_m)
        for role in ("streets", "downspouts", "soils", "districts"):
            info = self.seen.infos.get(role)
            if info is None:
                continue
            with self.findings.catching(role):
                text, shapes = self.reader.additional(info, role, self._columns(role), ROLES[role].kinds, boxes_m)
                if role == "streets":
                    self.seen.streets = self.reader.frame(text, shapes)
                elif role == "downspouts":
                    self.seen.downspouts = np.asarray(shapely.get_parts(shapes), dtype=object)
        params = self.seen.params
        read = []
        for role, layer in zip(keep_away_roles(params), params.inputs.keep_away, strict=True):
            info = self.seen.infos.get(role)
            if info is None:
                continue
            with self.findings.catching(role):
                _, shapes = self.reader.additional(info, role, {}, KEEP_AWAY.kinds, boxes_m)
                distance_m = layer.distance_m
                if distance_m is None:
                    distance_m = params.rules.keep_away_distance_m(layer.kind)
                read.append((role, KeepAwayLayer(kind=layer.kind, distance_m=distance_m or 0.0, geometry=shapes)))
        self.seen.keep_away = tuple(read)

    def elevation(self, header: RasterHeader, parcels_m: Bounds) -> None:
        """Open the elevation; where a limit or the unit is in the way, tell it and go on without."""
        params = self.seen.params
        inputs, siting = params.inputs, params.siting
        lots = self.seen.infos["parcels"].where
        for _ in range(RETRIES):
            try:
                self.seen.elevation, notes = open_elevation(
                    header, self.reader.crs, parcels_m, inputs=inputs, siting=siting, parcels_name=lots
                )
            except ScreeningError as error:
                self.findings.tell_error(error, "elevation")
                if error.code == "cells_coarse":
                    siting = replace(siting, allow_coarse=True)
                elif error.code == "vertical_unit_missing":
                    inputs = replace(inputs, elevation_unit="m")
                    self.seen.unit_is_assumed = True
                else:
                    return
            else:
                for note in notes:
                    if note.code != "cells_coarse" or siting is params.siting:
                        self.findings.tell_note(note)
                return


def _grown(bounds_m: Bounds) -> Bounds:
    west, south, east, north = bounds_m
    return west - AROUND_M, south - AROUND_M, east + AROUND_M, north + AROUND_M


def _tell_systems(seen: Seen, header: RasterHeader | None, findings: Findings) -> None:
    """Tell layers in degrees or in stretched systems, and two kinds of feet."""
    systems: dict[str, CRS] = {role: info.crs for role, info in seen.infos.items() if info.crs is not None}
    if header is not None and header.crs is not None:
        systems["elevation"] = header.crs
    lots = seen.infos.get("parcels")
    feet: dict[str, list[str]] = {}
    in_degrees: dict[str, list[str]] = {}
    stretched: dict[str, list[str]] = {}
    for role, crs in systems.items():
        if crs.is_geographic:
            in_degrees.setdefault(describe(crs), []).append(role)
            continue
        unit, size_m = length_unit(crs)
        if 0.30 < size_m < 0.31:
            feet.setdefault(unit, []).append(role)
        if lots is None or lots.bounds is None or lots.crs is None:
            continue
        west, south, east, north = lots.bounds
        fault = length_fault(crs, ((west + east) / 2.0, (south + north) / 2.0), lots.crs)
        if fault and "does not reach" not in fault:
            stretched.setdefault(f"{describe(crs)} {fault}", []).append(role)
    for name, roles in in_degrees.items():
        findings.say("crs_in_degrees", f"{listed(roles)}: in degrees, {name}.", role=roles[0])
    for fault, roles in stretched.items():
        findings.say("crs_stretched", f"{listed(roles)}: {fault}.", role=roles[0])
    if len(feet) > 1:
        told = "; ".join(f"{listed(roles)} in {unit}" for unit, roles in sorted(feet.items()))
        findings.say("feet_mixed", f"the layers count in two kinds of feet: {told}.")
