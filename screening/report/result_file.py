"""What a finished GeoPackage says about one home: its rows of every layer, and the record of the run."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from screening import columns
from screening.errors import ParameterError
from screening.report.quantities import plain
from screening.report.result_layers import ResultLayers

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


# What a parameter's key in the run record begins with.
_SHARED = ("stack", "unit")
"""Merge codes of parcels whose yard has several owners."""

_PARAMETER: Final = "param."
_OF_A_HOME: Final = (
    "gardens",
    "downspouts",
    "inlet_runs",
    "overflow_paths",
    "buildings",
    "roof_parts",
    "open_ground",
)


# Layers whose numbers are explained: every column of theirs has to be there.
_EXPLAINED: Final = ("candidate_homes", "other_parcels", *_OF_A_HOME, "run_record")


@dataclass(frozen=True, slots=True)
class HomeResult:
    """Everything the result says about one parcel.

    Attributes
    ----------
    is_candidate : bool
        Whether it stands in `candidate_homes`; otherwise in `other_parcels`.
    row : Mapping[str, object]
        Its row there.
    outline : shapely geometry or None
        The parcel. [m]
    layers : Mapping[str, GeoDataFrame]
        The home's rows by layer; a layer that the file doesn't have is missing here too. For a parcel that is no
        candidate only `buildings`: those that the file has, for a candidate's sake, on and around it.
    around : ndarray of shapely geometries
        Outlines of the parcels next to it. [m]
    streets : GeoDataFrame
        Streets with their names and lines near it; empty where the file has no lines.
    record : Mapping[str, str]
        The run record.
    parameters : Mapping[str, str]
        The parameters in it, by ``section.key``.
    n_candidates : int
        Candidates in the file.
    n_same : int
        Further rows that go by the same identifier.
    merged : tuple of Mapping[str, object]
        Rows of `merged_parcels`: the parcels that this row stands for: a stack, units on common ground, or linked lots.
    asked_for : str
        Name of the one among them that was asked for; "" if it was the parcel itself.
    display_units : str
        Units of texts and pictures, ``"metric"`` or ``"us"``.
    """

    is_candidate: bool
    row: Mapping[str, Any]
    outline: Any
    layers: Mapping[str, Any]
    around: Any
    streets: Any
    record: Mapping[str, str]
    parameters: Mapping[str, str]
    n_candidates: int
    n_same: int
    merged: tuple[Mapping[str, Any], ...] = ()
    asked_for: str = ""
    display_units: str = "metric"

    def parameter(self, key: str) -> float | None:
        """Return a parameter that is a number, None where the record has none."""
        return _number(self.parameters.get(key, ""))

    def recorded(self, key: str) -> float | None:
        """Return another number of the run record, None where it has none."""
        return _number(self.record.get(key, ""))


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def read_home(path: Path, name: str, *, display_units: str | None = None) -> HomeResult:
    """Read one home, by its own identifier or its parcel's.

    Parameters
    ----------
    path : Path
        A result of a run.
    name : str
        `home_id`, or `parcel_id` of the input; of a parcel in a stack this leads to the row that stands for the stack.
    display_units : str or None
        ``"metric"`` or ``"us"``; None: the run's ``[output] display_units``.

    Raises
    ------
    InputError
        No such file, or no result of a run.
    ParameterError
        No home or parcel of that name; the message names the nearest.
    """
    result = ResultLayers(path)
    present = result.names
    for one in _EXPLAINED:
        if one in present:
            result.check_columns(one, columns.layer(one).column_names)
    layer, found = _find(path, name)
    asked_for = ""
    if found is None:
        layer, found = _find_stack(path, name, present)
        asked_for = name
    if found is None:
        raise ParameterError(_unknown(path, name, present))
    row = {str(key): plain(value) for key, value in found.iloc[0].drop("geometry").items()}
    outline = found.geometry.iloc[0]
    is_candidate = layer == "candidate_homes"
    layers: dict[str, Any] = {}
    if is_candidate:
        layers = {one: _rows(path, one, "home_id", str(row["home_id"])) for one in _OF_A_HOME if one in present}
    elif "buildings" in present and outline is not None:
        near = pyogrio.read_dataframe(path, layer="buildings", bbox=_surroundings(outline), use_arrow=False)
        # The same building stands there once for every candidate that has it near.
        layers["buildings"] = near[~near.geometry.to_wkb().duplicated().to_numpy()]
    table = pyogrio.read_dataframe(path, layer="run_record", use_arrow=False)
    record = dict(zip(table["key"], table["value"].fillna(""), strict=True))
    parameters = {key.removeprefix(_PARAMETER): text for key, text in record.items() if key.startswith(_PARAMETER)}
    return HomeResult(
        is_candidate=is_candidate,
        row=row,
        outline=outline,
        layers=layers,
        around=_around(path, outline),
        streets=_streets(path, outline, present),
        record=record,
        parameters=parameters,
        n_candidates=int(pyogrio.read_info(path, layer="candidate_homes")["features"]),
        n_same=len(found) - 1,
        merged=_merged_into(path, row, present),
        asked_for=asked_for,
        display_units=display_units or parameters.get("output.display_units", "metric"),
    )


def _find(path: Path, name: str) -> tuple[str, Any]:
    """Find the rows that go by a name, and their layer; None where there are none."""
    for layer, column in (
        ("candidate_homes", "home_id"),
        ("other_parcels", "home_id"),
        ("candidate_homes", "parcel_id"),
        ("other_parcels", "parcel_id"),
    ):
        found = _rows(path, layer, column, name)
        if len(found):
            return layer, found
    return "", None


def _find_stack(path: Path, name: str, present: set[str]) -> tuple[str, Any]:
    """Find the row of the place to which a parcel without a row of its own belongs; None where there is none."""
    if "merged_parcels" in present:
        merged = _rows(path, "merged_parcels", "parcel_id", name).dropna(subset="kept_parcel_id")
        for kept, code in zip(merged["kept_parcel_id"], merged["merge_code"], strict=True):
            for layer in ("candidate_homes", "other_parcels"):
                found = _rows(path, layer, "parcel_id", str(kept))
                if code in _SHARED:
                    found = found[found["reason_code"] == "shared_stack"] if layer == "other_parcels" else found[:0]
                if len(found):
                    return layer, found
    return "", None


def _merged_into(path: Path, row: Mapping[str, Any], present: set[str]) -> tuple[Mapping[str, Any], ...]:
    """Parcels that a row stands for: of a stack, of common ground, or linked to the lot."""
    if "merged_parcels" not in present or row["parcel_id"] is None:
        return ()
    found = _rows(path, "merged_parcels", "kept_parcel_id", str(row["parcel_id"]))
    found = found[found["merge_code"].isin(_SHARED if row.get("reason_code") == "shared_stack" else ("linked",))]
    return tuple(
        {str(key): plain(value) for key, value in one.items()} for one in found.astype(object).to_dict("records")
    )


def _rows(path: Path, layer: str, column: str, value: str) -> gpd.GeoDataFrame:
    """Read the rows of a layer that have a value, in the order of the file."""
    quoted = value.replace("'", "''")
    # Not by Arrow: a filter returns few rows, and their order is the file's.
    return pyogrio.read_dataframe(path, layer=layer, where=f"\"{column}\" = '{quoted}'", use_arrow=False)


def _around(path: Path, outline: Any) -> Any:
    """Read the parcels next to an outline."""
    if outline is None or outline.is_empty:
        return np.empty(0, dtype=object)
    bounds = _surroundings(outline)
    frames = [
        pyogrio.read_dataframe(path, layer=layer, columns=[], bbox=bounds, use_arrow=False)
        for layer in ("candidate_homes", "other_parcels")
    ]
    geometry = pd.concat([frame.geometry for frame in frames]).to_numpy()
    return geometry[~shapely.equals(geometry, outline)]


def _streets(path: Path, outline: Any, present: set[str]) -> Any:
    """Read the streets near an outline."""
    if outline is None or "streets" not in present or pyogrio.read_info(path, layer="streets")["geometry_type"] is None:
        return gpd.GeoDataFrame({"street": []}, geometry=[])
    return pyogrio.read_dataframe(
        path, layer="streets", columns=["street"], bbox=_surroundings(outline), use_arrow=False
    )


def _surroundings(outline: Any) -> tuple[float, float, float, float]:
    """Box around an outline, with half its size to each side."""
    west, south, east, north = outline.bounds
    reach_m = 0.5 * max(east - west, north - south)
    return west - reach_m, south - reach_m, east + reach_m, north + reach_m


def _unknown(path: Path, name: str, present: set[str]) -> str:
    """Say that there is no such home, and what comes near."""
    known: dict[str, None] = {}
    at_address: list[str] = []
    for layer in ("candidate_homes", "other_parcels", "merged_parcels"):
        if layer not in present:
            continue
        names = ["parcel_id"] if layer == "merged_parcels" else ["home_id", "parcel_id"]
        frame = pyogrio.read_dataframe(
            path, layer=layer, columns=[*names, "address"], read_geometry=False, use_arrow=False
        )
        for column in names:
            known.update(dict.fromkeys(frame[column].dropna()))
        same = frame["address"].str.casefold() == name.strip().casefold()
        at_address += frame.loc[same, names[0]].fillna(frame.loc[same, "parcel_id"]).dropna().tolist()
    start = f"there is no home or parcel '{name}' in {path.name}"
    if at_address:
        return f"{start}; at that address is {', '.join(dict.fromkeys(at_address))}"
    by_lower = {text.casefold(): text for text in known}
    close = difflib.get_close_matches(name.strip().casefold(), by_lower, n=3, cutoff=0.5)
    if close:
        return f"{start}; the nearest names are {', '.join(by_lower[text] for text in close)}"
    if known:
        return f"{start}; its names look like {', '.join(list(known)[:3])}"
    return f"{start}: it has no parcels at all"
