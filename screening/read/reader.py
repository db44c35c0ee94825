"""Layers on their way into the working CRS, with everything worth noting gathered on the way."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening.crs import Reprojector, describe, length_unit
from screening.errors import InputError, SchemaError
from screening.notes import Note
from screening.read.extent import check_coordinates, check_overlap, check_width, touch
from screening.read.files import digests, parts
from screening.read.inputs import InputFile
from screening.read.layers import LayerInfo, layer_info
from screening.read.vector import LayerData, read_records

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import numpy.typing as npt
    from pyproj import CRS

    from screening.params import InputParams

    Bounds = tuple[float, float, float, float]
    ObjectArray = npt.NDArray[np.object_]
    GeoDataFrame = Any

ID_COLUMNS: Final = ("parcel_id", "building_id")
"""Our columns that hold identifiers."""

_KIND_TYPES: Final = {"polygon": (3, 6, 7), "line": (1, 2, 5, 7), "point": (0, 4, 7)}
"""Shapely's type numbers by kind of shape; 7 is a collection, which may hold any."""


def look_at_layer(
    inputs: InputParams, role: str, kinds: Sequence[str], *, path: Path | None = None, layer: str = ""
) -> LayerInfo:
    """Look at the layer of an input, with what the run file says about it.

    Parameters
    ----------
    inputs : InputParams
        Section ``[inputs]``.
    role : str
        Input name; `path` and `layer` are given where it isn't one of the single inputs.
    kinds : sequence of str
        Kinds of shapes the role can use.

    Raises
    ------
    CRSError
        If its CRS is not known, or its coordinates can't belong to it.
    """
    info = layer_info(
        getattr(inputs, role) if path is None else path,
        inputs.layers.get(role, layer),
        role=role,
        kinds=kinds,
        stated_crs=inputs.crs.get(role, ""),
    )
    if info.bounds is not None:
        check_coordinates(info.bounds, info.known_crs(role), info.where, role)
    return info


def bounds_of(info: LayerInfo, role: str) -> Bounds:
    """Extent of a layer that must hold something [unit of its CRS].

    Raises
    ------
    InputError
        If it is empty.
    """
    if info.bounds is None:
        what = "holds no record" if not info.n_features else "holds no shape that can be used"
        msg = f"{info.where} {what}; check that it is the right file and layer for {role}."
        raise InputError(msg, code="layer_empty")
    return info.bounds


def check_town(info: LayerInfo, role: str) -> None:
    """Refuse parcels that span more than a town, naming the record that lies farthest out.

    Raises
    ------
    CRSError
        See `check_width`.
    """
    check_width(bounds_of(info, role), info.known_crs(role), info.where, lambda: read_records(info, role=role).geometry)


@dataclass(slots=True)
class Reader:
    """One reading of a city.

    Attributes
    ----------
    crs : pyproj.CRS
        The working CRS.
    files : list of InputFile
        What was read so far.
    notes : list of Note
        What a person should know.
    repairs : dict of str to int
        Number of records by input and what was put right, for example ``parcels.height_in_geometry``.
    """

    crs: CRS
    files: list[InputFile] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    repairs: dict[str, int] = field(default_factory=dict)

    def note(self, text: str, code: str, role: str = "") -> None:
        """Keep a sentence with the code of its trouble."""
        self.notes.append(Note(text, code, role))

    def layer(
        self,
        info: LayerInfo,
        role: str,
        columns: Mapping[str, str],
        kinds: Sequence[str],
        bounds_m: Bounds | None,
    ) -> tuple[dict[str, ObjectArray], ObjectArray]:
        """Read a layer into the working CRS.

        Parameters
        ----------
        info : LayerInfo
            The layer.
        role : str
            Input name.
        columns : mapping of str to str
            Our name of each column to the file's field; empty for a column that isn't there.
        kinds : sequence of str
            Kinds of shapes the role can use.
        bounds_m : tuple of float or None
            Window in the working CRS [m].

        Returns
        -------
        text : dict of str to ndarray of object, shape (n,)
            Columns under our names.
        geometry : ndarray of shapely geometries, shape (n,)
            In the working CRS.

        Raises
        ------
        SchemaError
            If a field is missing, or no shape is of a kind the role can use.
        """
        layer_crs = info.known_crs(role)
        data = read_records(info, tuple(columns.values()), bounds_m, bounds_crs=self.crs, role=role)
        _check_kinds(info, data.geometry, role, kinds)
        self._count(data, role, columns)
        mover = Reprojector(layer_crs, self.crs)
        geometry = mover.geometries(data.geometry, info.where)
        self.notes.extend(Note(note, note.code, role) for note in data.notes)
        if info.crs_is_stated:
            said = f"{info.where}: the run file's {describe(layer_crs)} was taken, not the file's own."
            self.note(said, "crs_overruled", role)
        step = None
        if info.bounds is not None:
            west, south, east, north = info.bounds
            middle = (west + east) / 2.0, (south + north) / 2.0
            step = mover.step(*middle)
            note = mover.accuracy_note(*middle)
            if note:
                self.note(note, "crs_shift_unsure", role)
        nothing = np.full(len(geometry), None, dtype=object)
        text = {name: data.text[own] if own else nothing for name, own in columns.items()}
        for name, own in columns.items():
            if own and len(geometry) and all(value is None for value in text[name]):
                self.note(f"{info.where}: field {own!r} is empty in every record.", "field_empty", role)
        self.files.append(
            InputFile(
                role=role,
                name=info.path.name,
                layer=info.layer,
                crs_text=describe(layer_crs),
                length_unit=length_unit(layer_crs)[0],
                n_features=len(geometry),
                sha256=digests(parts(info.path)),
                crs_step="" if step is None else step.text,
            )
        )
        return text, geometry

    def _count(self, data: LayerData, role: str, columns: Mapping[str, str]) -> None:
        """Keep the number of records that were put right."""
        short = role.split(" (", maxsplit=1)[0].replace(" ", "_")
        found = dict(data.repairs)
        for name, own in columns.items():
            if name in ID_COLUMNS and own in data.number_fields:
                found["id_from_number"] = sum(value is not None for value in data.text[own])
        self.repairs |= {f"{short}.{code}": n for code, n in found.items() if n}

    def additional(
        self,
        info: LayerInfo,
        role: str,
        columns: Mapping[str, str],
        kinds: Sequence[str],
        boxes_m: tuple[Bounds, Bounds],
    ) -> tuple[dict[str, ObjectArray], ObjectArray]:
        """Read an additional layer; records without a shape are left out and counted.

        `boxes_m` are the parcels' extent, for a note where the layer lies elsewhere, and the window.
        """
        parcels_m, around_m = boxes_m
        text, geometry = self.layer(info, role, columns, kinds, around_m)
        empty, far = (
            ("keep_away_empty", "keep_away_far") if role.startswith("keep_away") else ("layer_empty", "layer_far")
        )
        if info.bounds is None:
            self.note(f"{info.where} ({role}) holds no shape.", empty, role)
        elif not len(geometry):
            layer_m = Reprojector(info.known_crs(role), self.crs).bounds(info.bounds)
            where, code = ("near", empty) if touch(layer_m, parcels_m) else ("in the same region as", far)
            said = f"{info.where} ({role}) holds nothing {where} the parcels; check its place if it should."
            self.note(said, code, role)
        there = ~shapely.is_missing(geometry)
        if not there.all():
            n_left_out = np.count_nonzero(~there)
            self.note(f"{info.where}: {n_left_out} records without a shape are left out.", "records_left_out", role)
            self.repairs[f"{role.split(' (', maxsplit=1)[0].replace(' ', '_')}.records_left_out"] = int(n_left_out)
        return {name: values[there] for name, values in text.items()}, geometry[there]

    def require_meeting(self, info: LayerInfo, role: str, parcels: str, parcels_m: Bounds) -> None:
        """Say in words why a layer of which nothing was found near the parcels can't serve.

        Raises
        ------
        InputError
            Always.
        """
        layer_m = Reprojector(info.known_crs(role), self.crs).bounds(bounds_of(info, role))
        check_overlap(parcels, parcels_m, info.where, layer_m, self.crs)
        msg = (
            f"{info.where} holds nothing near the parcels of {parcels}; check that both show the same place, and "
            "their systems under [inputs.crs]."
        )
        raise InputError(msg, code="layers_apart")

    def frame(self, text: Mapping[str, ObjectArray], geometry: ObjectArray) -> GeoDataFrame:
        """Join columns and shapes; missing text stays None."""
        import geopandas  # noqa: PLC0415 - heavy
        import pandas as pd  # noqa: PLC0415

        # Object columns keep None as it is; pandas would otherwise turn it into NaN.
        columns = {name: pd.Series(values, dtype=object) for name, values in text.items()}
        return geopandas.GeoDataFrame(columns, geometry=geopandas.GeoSeries(geometry, crs=self.crs), crs=self.crs)


def _check_kinds(info: LayerInfo, geometry: ObjectArray, role: str, kinds: Sequence[str]) -> None:
    """Refuse a layer none of whose shapes is of a kind the role can use."""
    numbers = shapely.get_type_id(geometry)
    usable = [number for kind in kinds for number in _KIND_TYPES[kind]]
    if (numbers >= 0).any() and not np.isin(numbers, usable).any():
        msg = f"{info.where} holds no {' or '.join(kinds)} shape; check that it is the right layer for {role}."
        raise SchemaError(msg, code="shapes_of_wrong_kind")
