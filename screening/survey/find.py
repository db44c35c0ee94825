"""What lies at a path: layers, rasters, tables, and what can't be used with the reason."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from screening.errors import InputError
from screening.paths import why_unreadable
from screening.read.files import gdal_path, missing_parts

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

VECTOR_SUFFIXES: Final = (
    ".gpkg",
    ".shp",
    ".geojson",
    ".json",
    ".fgb",
    ".parquet",
    ".geoparquet",
    ".pq",
    ".gdb",
)
RASTER_SUFFIXES: Final = (".tif", ".tiff", ".vrt", ".asc", ".img", ".bil", ".flt", ".dem", ".hgt")
TABLE_SUFFIXES: Final = (".csv",)
ARCHIVES: Final = (".zip",)

OTHER_DATA: Final = {
    ".xlsx": "is a workbook; save a table as CSV",
    ".xls": "is a workbook; save a table as CSV",
    ".dwg": "is a drawing; export its layers to a GeoPackage",
    ".dxf": "is a drawing; export its layers to a GeoPackage",
    ".gml": "is of a format that isn't read; export its layers to a GeoPackage",
    ".kml": "is of a format that isn't read; export its layers to a GeoPackage",
    ".tab": "is of a format that isn't read; export its layers to a GeoPackage",
    ".mif": "is of a format that isn't read; export its layers to a GeoPackage",
    ".las": "is a point cloud; make a bare-earth raster of it first",
    ".laz": "is a point cloud; make a bare-earth raster of it first",
    ".mdb": "is an old geodatabase; export its layers to a GeoPackage",
    ".7z": "is an archive of a kind that can't be read; unpack it",
    ".rar": "is an archive of a kind that can't be read; unpack it",
    ".gz": "is an archive of a kind that can't be read; unpack it",
    ".kmz": "is an archive of a kind that can't be read; unpack it",
}
"""Files that hold something, but nothing that can be read; all others in a folder are passed over in silence."""

MAX_FILES: Final = 20_000
"""A folder of more files is no folder of a city's data but a disk."""


@dataclass(slots=True)
class Found:
    """Files by what they may hold.

    Attributes
    ----------
    layers, rasters, tables : list of pathlib.Path
        In order of name, none twice.
    left_out : list of (pathlib.Path, str)
        What can't be used, and why, in words that go on after the file's name.
    """

    layers: list[Path] = field(default_factory=list)
    rasters: list[Path] = field(default_factory=list)
    tables: list[Path] = field(default_factory=list)
    left_out: list[tuple[Path, str]] = field(default_factory=list)
    _seen: set[Path] = field(default_factory=set)

    def sort_in(self, path: Path, *, was_named: bool) -> None:
        """Put a file where it belongs; an unknown one only counts where somebody named it."""
        suffix, real = path.suffix.lower(), path.resolve()
        if real in self._seen:
            return
        shown = str(path).encode("utf-8", "replace").decode()
        if shown != str(path):
            # bytes that are no text can't be written into a run file
            if was_named or suffix in VECTOR_SUFFIXES + RASTER_SUFFIXES + TABLE_SUFFIXES + ARCHIVES:
                self.left_out.append((Path(shown), "has a name that isn't UTF-8 text; rename it"))
            return
        self._seen.add(real)
        if suffix in ARCHIVES:
            self._archive(path)
        elif suffix in VECTOR_SUFFIXES:
            lacking = missing_parts(path)
            if lacking:
                self.left_out.append((path, f"lacks its {' and '.join(lacking)}; copy all files of the shapefile"))
            else:
                self.layers.append(path)
        elif suffix in RASTER_SUFFIXES:
            self.rasters.append(path)
        elif suffix in TABLE_SUFFIXES:
            self.tables.append(path)
        elif suffix in OTHER_DATA:
            self.left_out.append((path, OTHER_DATA[suffix]))
        elif was_named:
            self.left_out.append((path, f"is of a kind that can't be read ({suffix or 'no ending'})"))

    def _archive(self, path: Path) -> None:
        try:
            gdal_path(path)
        except InputError as error:
            reason = str(error).removeprefix(f"{path.name} ").rstrip(".")
            if "holds no shapefile" in reason:
                reason = "holds no layer that can be read from an archive; unpack it, and give the folder"
            self.left_out.append((path, reason))
            return
        self.layers.append(path)


def find_data(paths: Iterable[Path]) -> Found:
    """Find the data sets at paths.

    Folders are searched with all their folders; hidden ones are passed over.

    Parameters
    ----------
    paths : iterable of pathlib.Path
        Files and folders.

    Returns
    -------
    Found

    Raises
    ------
    InputError
        If a path doesn't exist, or a folder holds more files than a city's data.
    """
    found = Found()
    for path in paths:
        wrong = why_unreadable(path, may_be_folder=True)
        if wrong:
            msg = f"{path} {wrong}; check the path."
            raise InputError(msg)
        if path.is_dir() and path.suffix.lower() != ".gdb":
            for file in _files_below(path):
                found.sort_in(file, was_named=False)
        else:
            found.sort_in(path, was_named=True)
    return found


def _files_below(folder: Path) -> Iterator[Path]:
    """Yield the files of a folder and its folders in order of name; a file geodatabase is one file."""
    n_seen = 0
    for here, folders, files in os.walk(folder):
        databases = sorted(name for name in folders if name.lower().endswith(".gdb"))
        folders[:] = sorted(name for name in folders if name not in databases and not _is_hidden(name))
        names = sorted(name for name in files if not _is_hidden(name))
        n_seen += len(files)
        if n_seen > MAX_FILES:
            msg = f"{folder} holds more than {MAX_FILES:,} files; name the folder with the city's data, or the files."
            raise InputError(msg)
        for path in (Path(here, name) for name in [*databases, *names]):
            if not why_unreadable(path, may_be_folder=True):
                yield path


def _is_hidden(name: str) -> bool:
    return name.startswith((".", "__MACOSX"))
