"""Layers on their way into the working CRS, with everything worth noting gathered on the way."""

from __future__ import annotations

from collections import Counter
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
from screening.read.vector import LayerData, read_pieces, read_records

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
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
        ((text, geometry),) = self.pieces(info, role, columns, kinds, bounds_m)
        return text, geometry

    def pieces(
        self,
        info: LayerInfo,
        role: str,
        columns: Mapping[str, str],
        kinds: Sequence[str],
        bounds_m: Bounds | None,
        size: int | None = None,
    ) -> Iterator[tuple[dict[str, ObjectArray], ObjectArray]]:
        """Read a layer into the working CRS in pieces of at most so many records; see `layer`.

        What is worth noting, and the file's digest, are known after the last piece.
        """
        layer_crs = info.known_crs(role)
        mover = Reprojector(layer_crs, self.crs)
        notes: dict[Note, None] = {}
        n_read = 0
        is_usable = is_known = False
        filled: set[str] = set()
        repairs: Counter[str] = Counter()
        for data in read_pieces(info, tuple(columns.values()), bounds_m, bounds_crs=self.crs, role=role, size=size):
            numbers = shapely.get_type_id(data.geometry)
            is_known |= bool((numbers >= 0).any())
            is_usable |= bool(np.isin(numbers, [number for kind in kinds for number in _KIND_TYPES[kind]]).any())
            if size is None:
                _check_kinds(info, role, kinds, is_known=is_known, is_usable=is_usable)
            geometry = mover.geometries(data.geometry, info.where, data.first)
            notes |= dict.fromkeys(data.notes)
            repairs.update(_repairs(data, columns))
            n_read += len(geometry)
            nothing = np.full(len(geometry), None, dtype=object)
            text = {name: data.text[own] if own else nothing for name, own in columns.items()}
            filled |= {name for name, values in text.items() if any(value is not None for value in values)}
            yield text, geometry
        _check_kinds(info, role, kinds, is_known=is_known, is_usable=is_usable)
        self.notes.extend(Note(note, note.code, role) for note in notes)
        self.repairs |= {f"{_short(role)}.{code}": n for code, n in repairs.items() if n}
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
        for name, own in columns.items():
            if own and n_read and name not in filled:
                self.note(f"{info.where}: field {own!r} is empty in every record.", "field_empty", role)
        self.files.append(
            InputFile(
                role=role,
                name=info.path.name,
                layer=info.layer,
                crs_text=describe(layer_crs),
                length_unit=length_unit(layer_crs)[0],
                n_features=n_read,
                sha256=digests(parts(info.path)),
                crs_step="" if step is None else step.text,
            )
        )

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
        ((text, geometry),) = self.additional_pieces(info, role, columns, kinds, boxes_m)
        return text, geometry

    def additional_pieces(
        self,
        info: LayerInfo,
        role: str,
        columns: Mapping[str, str],
        kinds: Sequence[str],
        boxes_m: tuple[Bounds, Bounds],
        size: int | None = None,
    ) -> Iterator[tuple[dict[str, ObjectArray], ObjectArray]]:
        """Read an additional layer in pieces of at most so many records; see `additional`."""
        parcels_m, around_m = boxes_m
        n_read = n_left_out = 0
        for text, geometry in self.pieces(info, role, columns, kinds, around_m, size):
            there = ~shapely.is_missing(geometry)
            n_read += len(geometry)
            n_left_out += int(np.count_nonzero(~there))
            yield {name: values[there] for name, values in text.items()}, geometry[there]
        empty, far = (
            ("keep_away_empty", "keep_away_far") if role.startswith("keep_away") else ("layer_empty", "layer_far")
        )
        if info.bounds is None:
            self.note(f"{info.where} ({role}) holds no shape.", empty, role)
        elif not n_read:
            layer_m = Reprojector(info.known_crs(role), self.crs).bounds(info.bounds)
            where, code = ("near", empty) if touch(layer_m, parcels_m) else ("in the same region as", far)
            said = f"{info.where} ({role}) holds nothing {where} the parcels; check its place if it should."
            self.note(said, code, role)
        if n_left_out:
            self.note(f"{info.where}: {n_left_out} records without a shape are left out.", "records_left_out", role)
            self.repairs[f"{_short(role)}.records_left_out"] = n_left_out

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


def _short(role: str) -> str:
    """Name of an input in the record."""
    return role.split(" (", maxsplit=1)[0].replace(" ", "_")


def _repairs(data: LayerData, columns: Mapping[str, str]) -> dict[str, int]:
    """Number of records that were put right, by code."""
    found = dict(data.repairs)
    for name, own in columns.items():
        if name in ID_COLUMNS and own in data.number_fields:
            found["id_from_number"] = sum(value is not None for value in data.text[own])
    return found


def _check_kinds(info: LayerInfo, role: str, kinds: Sequence[str], *, is_known: bool, is_usable: bool) -> None:
    """Refuse a layer none of whose shapes is of a kind the role can use."""
    if is_known and not is_usable:
        msg = f"{info.where} holds no {' or '.join(kinds)} shape; check that it is the right layer for {role}."
        raise SchemaError(msg, code="shapes_of_wrong_kind")
