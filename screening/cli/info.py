"""``screening info``: versions, for a bug report and for knowing what made a file."""

from __future__ import annotations

import json

import click

from screening.cli.options import json_option

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


@click.command()
@json_option
def command(as_json: bool) -> None:
    """Print the versions of everything involved."""
    versions = gather_versions()
    if as_json:
        click.echo(json.dumps(versions, indent=2))
        return
    width = max(len(name) for name in versions)
    for name, version in versions.items():
        click.echo(f"{name:<{width}}  {version}")


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
