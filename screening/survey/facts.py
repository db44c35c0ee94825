"""What files say about themselves: layers with their fields and shapes, rasters, tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from pyproj import CRS

    from screening.raster import RasterHeader

    Bounds = tuple[float, float, float, float]

SAMPLES_SHOWN = 4
"""Values of a field that are shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldFacts:
    """A field of a layer.

    Attributes
    ----------
    name : str
        Its name in the file.
    kind : str
        ``text``, ``whole number``, ``number``, ``date``, ``true or false``, ``other``, ``unreadable text``; ``private``
        for a field that seems to say something of a person: nothing more is known of it then, for it is not read.
    n_records, n_missing : int
        Records looked at; those with nothing or blank text.
    n_distinct : int
        Different values.
    counts : tuple of (str, int)
        Values with their number of records, the most frequent first; the first few thousand only.
    address_frac, street_frac : float
        Part of the values (each counted once) that look like an address (a number, then words) and like the
        name of a street (ends like one).
    why_private : str
        What gave it away.
    """

    name: str
    kind: str
    n_records: int = 0
    n_missing: int = 0
    n_distinct: int = 0
    counts: tuple[tuple[str, int], ...] = ()
    address_frac: float = 0.0
    street_frac: float = 0.0
    why_private: str = ""

    @property
    def is_private(self) -> bool:
        """Whether it is left alone."""
        return self.kind == "private"

    @property
    def n_known(self) -> int:
        """Records with a value."""
        return self.n_records - self.n_missing

    @property
    def missing_frac(self) -> float:
        """Part of the records without a value."""
        return self.n_missing / self.n_records if self.n_records else 1.0

    @property
    def distinct_frac(self) -> float:
        """Different values over records with a value."""
        return self.n_distinct / self.n_known if self.n_known else 0.0

    @property
    def samples(self) -> tuple[str, ...]:
        """A few values, the most frequent first."""
        return tuple(value for value, _ in self.counts[:SAMPLES_SHOWN])

    def data(self) -> dict[str, Any]:
        """Return what JSON shows."""
        if self.is_private:
            return {"name": self.name, "kind": self.kind, "why_private": self.why_private}
        return {
            "name": self.name,
            "kind": self.kind,
            "missing_frac": round(self.missing_frac, 4),
            "n_distinct": self.n_distinct,
            "samples": list(self.samples),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeFacts:
    """Shapes of a layer.

    Attributes
    ----------
    n_looked_at, n_missing, n_multipart : int
        Shapes looked at; records without one; shapes of several parts.
    has_z : bool
        Whether the file has heights on its corners.
    median_area_m2, median_length_m : float or None
        Of areas, and of lines [m2], [m]; None where it can't be measured.
    touching_frac : float or None
        Part of the areas that have a neighbour along a shared edge.
    """

    n_looked_at: int
    n_missing: int
    n_multipart: int
    has_z: bool
    median_area_m2: float | None = None
    median_length_m: float | None = None
    touching_frac: float | None = None

    def data(self) -> dict[str, Any]:
        """Return what JSON shows."""
        return {
            "n_looked_at": self.n_looked_at,
            "n_missing": self.n_missing,
            "n_multipart": self.n_multipart,
            "has_z": self.has_z,
            "median_area_m2": _rounded(self.median_area_m2, 1),
            "median_length_m": _rounded(self.median_length_m, 1),
            "touching_frac": _rounded(self.touching_frac, 3),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerFacts:
    """A vector layer.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    layer : str
        Layer name.
    n_layers : int
        Layers of the file that have shapes.
    driver, geometry_type : str
        As GDAL names them.
    kind : str
        ``polygon``, ``line``, ``point``, or ``any``.
    n_records : int
        Records of the layer.
    crs : pyproj.CRS or None
        None where the file names none.
    crs_text, length_unit : str
        In words; empty without a system.
    bounds, lonlat_bounds : tuple of float or None
        West, south, east, north in its own system, and in degrees.
    fields : tuple of FieldFacts
        In the file's order.
    shapes : ShapeFacts
        What its shapes are like.
    notes : tuple of str
        What a person should know, one sentence each.
    """

    path: Path
    layer: str
    n_layers: int
    driver: str
    geometry_type: str
    kind: str
    n_records: int
    crs: CRS | None
    crs_text: str
    length_unit: str
    bounds: Bounds | None
    lonlat_bounds: Bounds | None
    fields: tuple[FieldFacts, ...]
    shapes: ShapeFacts
    notes: tuple[str, ...] = ()

    @property
    def where(self) -> str:
        """File, and the layer where its name isn't the file's, for messages."""
        return self.path.name if self.layer in ("", self.path.stem) else f"{self.path.name}, layer {self.layer}"

    def field(self, name: str) -> FieldFacts | None:
        """Return the field of a name."""
        return next((one for one in self.fields if one.name == name), None)

    def data(self) -> dict[str, Any]:
        """Return what JSON shows."""
        return {
            "path": str(self.path),
            "layer": self.layer,
            "format": self.driver,
            "geometry_type": self.geometry_type,
            "n_records": self.n_records,
            "crs": self.crs_text or None,
            "length_unit": self.length_unit or None,
            "bounds": self.bounds,
            "lonlat_bounds": self.lonlat_bounds,
            "shapes": self.shapes.data(),
            "fields": [one.data() for one in self.fields],
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterFacts:
    """A raster, or tiles that together are one.

    Attributes
    ----------
    paths : tuple of pathlib.Path
        The file, or the tiles in order of name.
    header : RasterHeader
        Of the first.
    crs_text, length_unit : str
        In words; empty without a system.
    cell_m : float or None
        Size of a cell [m], the longer side; None where it can't be measured.
    height_unit : str
        As the file says it; empty if it doesn't.
    bounds : tuple of float
    lonlat_bounds : tuple of float or None
        West, south, east, north of all tiles, in the raster's system and in degrees.
    lowest, highest : float or None
        Of the sampled cells, in the raster's own unit.
    missing_frac : float
        Part of the sampled cells without a value.
    rise_over_run : float or None
        Median slope of the sampled cells, were the heights metres [unitless].
    filler : float or None
        A value that seems to stand for missing heights though nothing says so.
    notes : tuple of str
        What a person should know, one sentence each.
    """

    paths: tuple[Path, ...]
    header: RasterHeader
    crs_text: str
    length_unit: str
    cell_m: float | None
    height_unit: str
    bounds: Bounds
    lonlat_bounds: Bounds | None
    lowest: float | None
    highest: float | None
    missing_frac: float
    rise_over_run: float | None
    filler: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def path(self) -> Path:
        """The first file."""
        return self.paths[0]

    @property
    def where(self) -> str:
        """File for messages."""
        more = len(self.paths) - 1
        return self.path.name + (f" and {more} more tile{'s' if more > 1 else ''}" if more else "")

    def data(self) -> dict[str, Any]:
        """Return what JSON shows."""
        return {
            "paths": [str(path) for path in self.paths],
            "n_bands": self.header.n_bands,
            "dtype": self.header.dtype,
            "width": self.header.width,
            "height": self.header.height,
            "crs": self.crs_text or None,
            "length_unit": self.length_unit or None,
            "cell_m": _rounded(self.cell_m, 4),
            "height_unit": self.height_unit or None,
            "nodata": None if self.header.nodata is None else repr(self.header.nodata),
            "lonlat_bounds": self.lonlat_bounds,
            "lowest": self.lowest,
            "highest": self.highest,
            "missing_frac": round(self.missing_frac, 4),
            "suspected_filler": self.filler,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class TableFacts:
    """A text table, which may be a rain record.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    columns : tuple of str
        Its header; personal ones left out.
    first_values, last_values : mapping of str to str
        Cells of the first and last line after the header.
    n_lines : int
        Lines after the header.
    mark : str
        What parts the columns.
    """

    path: Path
    columns: tuple[str, ...]
    first_values: Mapping[str, str] = field(default_factory=dict)
    n_lines: int = 0
    last_values: Mapping[str, str] = field(default_factory=dict)
    mark: str = ","

    @property
    def where(self) -> str:
        """File for messages."""
        return self.path.name

    def data(self) -> dict[str, Any]:
        """Return what JSON shows."""
        return {"path": str(self.path), "columns": list(self.columns), "n_lines": self.n_lines}


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
