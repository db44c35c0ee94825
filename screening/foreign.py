"""Settings of other programs in the environment: what they would change, and how they are kept out of a run.

GDAL, PROJ and others look into the environment, where desktop programs and databases leave settings of their own.  A
run is its arguments, so what would change a result is hidden while files are read.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

HIDDEN: Final[Mapping[str, str]] = MappingProxyType(
    {
        "PROJ_LIB": "names PROJ's data folder; another program's loses coordinate systems and height units",
        "PROJ_DATA": "names PROJ's data folder; another program's loses coordinate systems and height units",
        "PROJ_NETWORK": "lets PROJ fetch grid files, so that the result depends on the network",
        "GDAL_DATA": "names GDAL's data folder; another program's may not fit",
        "GDAL_PAM_ENABLED": "keeps GDAL from reading the side files of rasters, with their nodata and units",
        "GTIFF_POINT_GEO_IGNORE": "shifts rasters whose values stand for points by half a cell",
        "GTIFF_REPORT_COMPD_CS": "drops the vertical part of a raster's coordinate system, and with it the height unit",
        "GTIFF_SRS_SOURCE": "changes where GDAL takes a raster's coordinate system from",
        "GTIFF_HONOUR_NEGATIVE_SCALEY": "turns some rasters upside down",
        "OGR_GEOMETRY_ACCEPT_UNCLOSED_RING": "changes which broken outlines are read",
        "OSR_DEFAULT_AXIS_MAPPING_STRATEGY": "may swap x and y",
        "SHAPE_ENCODING": "overrides the encoding that a shapefile names",
    }
)
"""Settings that could change a result, and what they do; a run does not see them."""

OBEYED: Final[Mapping[str, str]] = MappingProxyType(
    {
        "GDAL_DRIVER_PATH": "loads drivers that were built for another GDAL: files may fail to open; take it out",
        "GDAL_SKIP": "formats named there can't be read; take it out if a file can't be opened",
        "OGR_SKIP": "formats named there can't be read; take it out if a file can't be opened",
        "LD_LIBRARY_PATH": "libraries of another program may be loaded; take it out if the program ends without a word",
        "LD_PRELOAD": "libraries of another program are loaded first; take it out if the program ends without a word",
        "PYTHONPATH": "Python packages found there are taken before those installed with the program",
        "NUMBA_DISABLE_JIT": "the search isn't compiled, and a run takes some hundred times as long; take it out",
        "NUMBA_CACHE_DIR": "the compiled search is kept there; it must be a folder that can be written",
        "GDAL_CACHEMAX": "memory for blocks of rasters; results don't hang on it",
        "GDAL_NUM_THREADS": "threads for reading; results don't hang on it",
        "OMP_NUM_THREADS": "threads of numerical libraries; results don't hang on it",
        "CPL_DEBUG": "GDAL says more about what it does; results don't hang on it",
        "CPL_TMPDIR": "where GDAL writes for a while; results don't hang on it",
    }
)
"""Settings that are left as they are, and what they do."""

PREFIXES: Final = ("PROJ_", "GDAL_", "OGR_", "OSR_", "CPL_", "GTIFF_", "VRT_", "SHAPE_", "NUMBA_")
"""Beginnings of the names of settings that the libraries may read."""


DATA_FOLDERS: Final = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA")
"""Settings that a library without data files of its own needs."""


@contextmanager
def kept_out(*, with_folders: bool = True) -> Iterator[None]:
    """Hide the settings that could change a result.

    Parameters
    ----------
    with_folders : bool
        Whether the data folders are hidden too; a library that has found its data when it was imported needs no hiding,
        and one that has none needs the setting.
    """
    names = [name for name in HIDDEN if with_folders or name not in DATA_FOLDERS]
    there = {name: os.environ[name] for name in names if name in os.environ}
    for name in there:
        del os.environ[name]
    try:
        yield
    finally:
        os.environ.update(there)
