"""Windows of the elevation raster: heights in metres on a square grid in the working CRS.

A raster whose projection is the working CRS (in whatever length unit) is never resampled: its own
cells are cut out.  A geographic, Web Mercator or non-square raster is sampled bilinearly at the cell
centres of a square grid anchored at (0, 0) of the working CRS; each cell's place is transformed on
its own, exactly, so a value depends on its place only and never on the window it was read through.
"""

from __future__ import annotations

from screening.raster.file import RasterHeader, read_header, read_heights
from screening.raster.source import ElevationSource, ElevationWindow, cell_size_m, make_source

__all__ = [
    "ElevationSource",
    "ElevationWindow",
    "RasterHeader",
    "cell_size_m",
    "make_source",
    "read_header",
    "read_heights",
]
