"""What reading gives to the rest of the program: the city's layers, in metres, with their origin."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    import numpy.typing as npt
    from pyproj import CRS

    from screening.notes import Note
    from screening.raster import ElevationSource
    from screening.read.soils import SoilLayer

    # geopandas comes without types; the name says what it is.
    GeoDataFrame = Any


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """Where an input came from, for the run record.

    Attributes
    ----------
    role : str
        What it serves as: ``parcels``, ``buildings``, ``elevation``, ``streets``, ``downspouts``,
        ``rain``, or ``keep_away 1 (well)`` with its place in the run file and its kind.
    name : str
        File name without the folder, so that the record tells nothing about the machine.
    layer : str
        Layer read; empty for rasters and tables.
    crs_text : str
        Name and code of its own CRS; empty for tables.
    length_unit : str
        Horizontal unit of its own CRS.
    n_features : int
        Features, cells or time steps read.
    sha256 : tuple of (str, str)
        Name and SHA-256 of every file it is made of.
    height_unit : str
        Metres per unit of height, in words; only for the elevation.
    crs_step : str
        PROJ's operation from its own CRS to the working one, and its accuracy; empty where only the unit differs.
    """

    role: str
    name: str
    layer: str
    crs_text: str
    length_unit: str
    n_features: int
    sha256: tuple[tuple[str, str], ...]
    height_unit: str = ""
    crs_step: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepAwayLayer:
    """Features that a garden stays away from.

    Attributes
    ----------
    kind : str
        What they are, in the run file's word.
    distance_m : float
        Distance that a garden keeps [m].
    geometry : ndarray of shapely geometries, shape (n,)
        Points, lines or polygons in the working CRS; none is null or empty.
    """

    kind: str
    distance_m: float
    geometry: npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class RainRecord:
    """A rain record without holes in its steps.

    Attributes
    ----------
    time : ndarray of datetime64, shape (n,)
        Start of each step, unit h or D, ascending; steps follow each other without a gap, except
        between years that the run file picked apart.
    rain_mm : ndarray of float64, shape (n,)
        Depth of each step [mm]; a missing step counts as dry.
    step_h : float
        1.0 or 24.0 [h].
    first_year, last_year : int
        Calendar years of the first and the last step.
    years : tuple of int
        Calendar years used; of a record that doesn't start with a year, those in which its twelve months begin.
    missing_frac : float
        Part of the steps that the file doesn't give [unitless].
    """

    time: npt.NDArray[np.datetime64]
    rain_mm: npt.NDArray[np.float64]
    step_h: float
    first_year: int
    last_year: int
    years: tuple[int, ...]
    missing_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CityInputs:
    """Every input of a run, horizontal lengths in metres of one projected CRS, ids as text.

    Coordinates are two-dimensional and rounded to 1e-5 m.  Missing text is None.

    Attributes
    ----------
    crs : pyproj.CRS
        The working CRS: projected, metres, two-dimensional.
    parcels : GeoDataFrame
        Columns parcel_id, address, street, land_use, lot_kind, linked_lot, geometry; one row a feature of the file, in
        its order; a null, empty or unreadable geometry is None.
    buildings : GeoDataFrame
        Columns building_id, building_type, geometry, likewise.
    streets : GeoDataFrame or None
        Columns street_name, geometry; rows without geometry are left out.
    downspouts : ndarray of shapely Points, shape (n,), or None
        Measured downspouts.
    keep_away : tuple of KeepAwayLayer
        In the run file's order.
    elevation : ElevationSource
        The raster, read by windows.
    rain : RainRecord or None
        The rain record.
    soils : SoilLayer or None
        The soil map.
    districts : GeoDataFrame or None
        Columns district, geometry: areas by which totals are wanted.
    files : tuple of InputFile
        Origin of everything.
    notes : tuple of Note
        What a person should know about the inputs, one sentence each.
    repairs : mapping of str to int
        Number of records by input and what was put right in them while reading, for example
        ``parcels.height_in_geometry``; the codes are those of `screening.columns.TROUBLES`.
    """

    crs: CRS
    parcels: GeoDataFrame
    buildings: GeoDataFrame
    streets: GeoDataFrame | None
    downspouts: npt.NDArray[np.object_] | None
    keep_away: tuple[KeepAwayLayer, ...]
    elevation: ElevationSource
    rain: RainRecord | None
    soils: SoilLayer | None
    districts: GeoDataFrame | None
    files: tuple[InputFile, ...]
    notes: tuple[Note, ...]
    repairs: Mapping[str, int] = field(default_factory=dict)
