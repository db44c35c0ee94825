"""Windows of the elevation raster: heights in metres on a square grid in the working CRS.

A raster whose projection is the working CRS (in whatever length unit) is never resampled: its own
cells are cut out.  A geographic, Web Mercator or non-square raster is sampled bilinearly at the cell
centres of a square grid anchored at (0, 0) of the working CRS; each cell's place is transformed on
its own, exactly, so a value depends on its place only and never on the window it was read through.
Several rasters of one grid are read as one: each keeps its own cells, and nothing is merged on disk.
"""

from __future__ import annotations

from screening.raster.file import RasterHeader, RasterPiece, read_header, read_heights, read_piece
from screening.raster.mosaic import is_tile_folder, join_headers, near_pieces, tile_files, tile_names
from screening.raster.source import ElevationSource, ElevationWindow, cell_size_m, make_source

__all__ = [
    "ElevationSource",
    "ElevationWindow",
    "RasterHeader",
    "RasterPiece",
    "cell_size_m",
    "is_tile_folder",
    "join_headers",
    "make_source",
    "near_pieces",
    "read_header",
    "read_heights",
    "read_piece",
    "tile_files",
    "tile_names",
]
