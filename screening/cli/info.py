"""``screening info``: versions, libraries and settings, for a bug report and for knowing what made a file."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import click

from screening.cli.options import json_option
from screening.cli.plain import echo, echo_json

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

PACKAGES = (
    "numpy",
    "pandas",
    "geopandas",
    "shapely",
    "pyproj",
    "pyogrio",
    "rasterio",
    "fiona",
    "pyarrow",
    "numba",
    "scipy",
)
"""Packages whose version can matter to a result."""

WIDTH = 100


@click.command()
@json_option
def command(as_json: bool) -> None:
    """Print the versions of everything involved.

    Then what the libraries below it are, which settings of the environment they see, what that means, and what
    should be mended.
    """
    from screening.cli.environment import look_at_environment

    found = {"versions": gather_versions(), **look_at_environment()}
    if as_json:
        echo_json(found)
        return
    for line in text_of(found):
        echo(line)


def gather_versions() -> dict[str, str]:
    """Return the version of each part by its name.

    pyogrio, rasterio and fiona bring a GDAL of their own each, and pyproj and rasterio a PROJ; all are told.
    """
    import importlib.metadata
    import platform

    import fiona
    import pyogrio
    import pyproj
    import rasterio
    import shapely

    from screening import __version__

    def dotted(numbers: tuple[int, ...]) -> str:
        return ".".join(str(number) for number in numbers)

    versions = {
        "screening": __version__,
        "Python": platform.python_version(),
        "system": platform.platform(),
        "GDAL (vectors, pyogrio)": dotted(pyogrio.__gdal_version__),
        "GDAL (rasters, rasterio)": rasterio.__gdal_version__,
        "GDAL (single records, fiona)": fiona.__gdal_version__,
        "PROJ (pyproj)": pyproj.proj_version_str,
        "GEOS (shapely)": dotted(shapely.geos_version),
    }
    versions.update({name: importlib.metadata.version(name) for name in PACKAGES})
    return versions


def text_of(found: Mapping[str, Any]) -> Iterator[str]:
    """Lines for people.

    Parameters
    ----------
    found : mapping
        ``versions`` and what `screening.cli.environment.look_at_environment` returns.
    """
    versions = found["versions"]
    width = max(len(name) for name in versions)
    for name, version in versions.items():
        yield f"{name:<{width}}  {version}"
    yield ""
    yield "Libraries"
    for one in found["libraries"]:
        epsg = f", EPSG data {one['epsg']}" if one["epsg"] else ""
        where = "with data of its own" if one["has_own_data"] else f"with the data in {one['data'] or 'no folder'}"
        yield f"  {one['name']} {one['version']} of {one['package']} {one['does']}, {where}{epsg}"
    n_gdal = len({one["package"] for one in found["libraries"] if one["name"] == "GDAL"})
    yield from _wrapped(
        f"{n_gdal} copies of GDAL work side by side: each reads its own kind of file, and only finished numbers pass "
        "between them, so their versions need not agree."
    )
    yield ""
    yield "Grid files of PROJ"
    yield from _wrapped(found["grids"]["meaning"])
    yield ""
    yield "Settings in the environment"
    for setting in found["settings"]:
        yield f"  {setting['name']}={setting['value']}"
        yield from _wrapped(f"{setting['effect']}; {setting['meaning']}", indent=4)
    if not found["settings"]:
        yield "  None that GDAL, PROJ or the compiler would see."
    yield ""
    yield "To mend"
    for problem in found["problems"]:
        yield from _wrapped(problem)
    if not found["problems"]:
        yield "  Nothing."


def _wrapped(text: str, indent: int = 2) -> list[str]:
    """Lines of a paragraph."""
    space = " " * indent
    return textwrap.wrap(
        text, WIDTH, initial_indent=space, subsequent_indent=space, break_long_words=False, break_on_hyphens=False
    )
