"""What the program runs on: libraries, their data, settings that matter, and what each means."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from screening.foreign import HIDDEN, OBEYED, PREFIXES

if TYPE_CHECKING:
    from collections.abc import Iterator

GRID_SUFFIXES: Final = (".tif", ".gtx", ".gsb", ".ct2", ".las", ".los")
"""Endings of PROJ's grid files."""

_LIBRARY: Final = re.compile(r"/lib(gdal|proj)[^/]*\.(?:so|dylib)[^/]*$")


def look_at_environment() -> dict[str, Any]:
    """Return what is loaded, which settings are there, and what should be mended.

    Returns
    -------
    dict
        ``libraries``, ``grids``, ``settings``, ``loaded``, ``problems``; every part is plain data.
    """
    libraries = list(_libraries())
    grids = _grids()
    settings = list(_settings({one["name"] for one in libraries if not one["has_own_data"]}))
    loaded = _loaded()
    problems = [*_problems(libraries, settings), *_strangers(loaded)]
    return {"libraries": libraries, "grids": grids, "settings": settings, "loaded": loaded, "problems": problems}


def _libraries() -> Iterator[dict[str, Any]]:
    """The copies of GDAL and PROJ, what each does here, and where its data are."""
    import fiona
    import fiona.env
    import pyogrio
    import pyproj
    import rasterio
    import rasterio.env
    from pyproj.database import get_database_metadata
    from pyproj.datadir import get_data_dir

    def one(name: str, package: Any, version: str, does: str, data: str | None, epsg: str = "") -> dict[str, Any]:
        is_own = bool(data) and Path(str(data)).resolve().is_relative_to(Path(package.__file__).resolve().parent)
        found = {"name": name, "package": package.__name__, "version": version, "does": does}
        return found | {"data": str(data or ""), "has_own_data": is_own, "epsg": epsg}

    vectors = ".".join(str(number) for number in pyogrio.__gdal_version__)
    yield one("GDAL", pyogrio, vectors, "reads and writes layers", pyogrio.get_gdal_data_path())
    finder = rasterio.env.GDALDataFinder()
    yield one("GDAL", rasterio, rasterio.__gdal_version__, "reads rasters", finder.search_wheel() or finder.search())
    finder = fiona.env.GDALDataFinder()
    does = "finds the broken record of a layer that can't be read"
    yield one("GDAL", fiona, fiona.__gdal_version__, does, finder.search_wheel() or finder.search())
    epsg = get_database_metadata("EPSG.VERSION") or ""
    yield one("PROJ", pyproj, pyproj.proj_version_str, "brings coordinates into one system", get_data_dir(), epsg)


def _grids() -> dict[str, Any]:
    """Grid files of PROJ that are here, and what it means."""
    from pyproj import datadir

    # pyproj's stub lacks the second one
    folders = [*datadir.get_data_dir().split(os.pathsep), str(datadir.get_user_data_dir())]  # type: ignore[attr-defined]
    names = sorted(
        {
            file.name
            for folder in folders
            if Path(folder).is_dir()
            for file in Path(folder).iterdir()
            if file.suffix.lower() in GRID_SUFFIXES
        }
    )
    if names:
        meaning = (
            f"{len(names)} grid files are here: steps between datums that they cover are as good as it gets; a machine "
            "without them gets slightly other places, so the run record names the operation that was taken."
        )
    else:
        meaning = (
            "No grid file is here, and none is fetched: layers of one datum are brought together exactly, layers of "
            "different datums to some metres; a run says so where it is more than one, and the run record names the "
            "operation that was taken."
        )
    return {"n_files": len(names), "files": names, "folders": folders, "meaning": meaning}


def _settings(without_data: set[str]) -> Iterator[dict[str, str]]:
    """Settings in the environment that the libraries may read, in alphabetical order.

    Those for the network are left out: nothing is fetched, and the packages set one themselves.
    """
    for name, value in sorted(os.environ.items()):
        if name in HIDDEN:
            # packages without data files of their own (conda) need the folder that the environment names
            is_needed = name in {"PROJ_LIB", "PROJ_DATA"} and "PROJ" in without_data
            is_needed |= name == "GDAL_DATA" and "GDAL" in without_data
            yield {
                "name": name,
                "value": value,
                "effect": "obeyed" if is_needed else "ignored",
                "meaning": HIDDEN[name],
            }
        elif name in OBEYED:
            yield {"name": name, "value": value, "effect": "obeyed", "meaning": OBEYED[name]}
        elif name.startswith(PREFIXES) and "CURL" not in name:
            meaning = "not known to this program; take it out if files can't be read"
            yield {"name": name, "value": value, "effect": "obeyed", "meaning": meaning}


def _loaded() -> list[str]:
    """Files of the copies of GDAL and PROJ in this process; empty where the system doesn't tell."""
    maps = Path("/proc/self/maps")
    if not sys.platform.startswith("linux") or not maps.exists():
        return []
    lines = maps.read_text(encoding="utf-8", errors="replace").splitlines()
    paths = {line.split(maxsplit=5)[-1].strip() for line in lines}
    return sorted(path for path in paths if _LIBRARY.search(path))


def _problems(libraries: list[dict[str, Any]], settings: list[dict[str, str]]) -> Iterator[str]:
    """What should be mended, one sentence each with the way out."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        CRS.from_epsg(26915)
    except CRSError:
        yield (
            "PROJ doesn't find its database of coordinate systems; install pyproj again (pip install --force-reinstall "
            "pyproj), and take PROJ_LIB and PROJ_DATA out of the environment."
        )
    for one in libraries:
        if not one["data"]:
            yield f"{one['name']} of {one['package']} doesn't find its data folder; install {one['package']} again."
    grave = {"GDAL_DRIVER_PATH", "GDAL_SKIP", "OGR_SKIP", "NUMBA_DISABLE_JIT"}
    for setting in settings:
        if setting["name"] in grave:
            yield f"{setting['name']} is set: {setting['meaning']}."


def _strangers(loaded: list[str]) -> Iterator[str]:
    """Copies of GDAL or PROJ from outside the packages: they were loaded in place of the packages' own."""
    for path in loaded:
        if "site-packages" not in path and "dist-packages" not in path and not path.startswith(sys.prefix):
            yield (
                f"{path} was loaded from outside the installed packages; if reading fails, start the program without "
                "LD_LIBRARY_PATH and LD_PRELOAD."
            )
