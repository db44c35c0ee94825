"""What a vector file says about itself: its layers, their fields, CRS and extent."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError as ProjCRSError

from screening.crs import parse_crs, same_crs
from screening.errors import CRSError, InputError, SchemaError
from screening.params import CRS_INPUTS
from screening.read.fields import is_shapefile, nearest
from screening.read.files import check_shapefile_whole, gdal_path, missing_parts
from screening.read.gdal import call_gdal
from screening.read.kinds import require_finite_view
from screening.read.parquet import DEFAULT_CRS, PARQUET_SUFFIXES, declared_bounds, read_metadata

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    Bounds = tuple[float, float, float, float]

logger = logging.getLogger(__name__)

SHAPE_KINDS: Final = {
    "polygon": ("Polygon", "CurvePolygon", "MultiSurface", "Surface", "Triangle", "TIN"),
    "line": ("LineString", "LinearRing", "Curve"),
    "point": ("Point",),
}
"""Geometry type names, without Multi, Z and M, of each kind of shape."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerInfo:
    """A layer of a vector file.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    source : str
        Name under which GDAL finds it.
    layer : str
        Layer name.
    driver : str
        GDAL's name of the format, or ``Parquet``.
    crs : pyproj.CRS or None
        Its own CRS, or the one the run file states; None where neither says.
    crs_is_stated : bool
        Whether the run file states a CRS other than the file's.
    fields : tuple of str
        Field names, geometry left out.
    fid : str
        Name of the record number, which may serve as an identifier; empty if there is none.
    geometry_type : str
        As the file declares it; ``Unknown`` where it may be anything.
    n_features : int
        Number of records the file declares.
    bounds : tuple of float or None
        West, south, east, north in its CRS; None for an empty layer.
    """

    path: Path
    source: str
    layer: str
    driver: str
    crs: CRS | None
    crs_is_stated: bool
    fields: tuple[str, ...]
    fid: str
    geometry_type: str
    n_features: int
    bounds: Bounds | None

    @property
    def where(self) -> str:
        """File and layer for messages; the layer only where its name isn't the file's."""
        return self.path.name if self.layer in ("", self.path.stem) else f"{self.path.name} (layer {self.layer!r})"

    @property
    def is_parquet(self) -> bool:
        """Whether it is read by pyarrow instead of GDAL."""
        return self.driver == "Parquet"

    def known_crs(self, role: str) -> CRS:
        """Return the CRS.

        Raises
        ------
        CRSError
            If neither the file nor the run file says it.
        """
        if self.crs is None:
            way_out = (
                f'add {role} = "EPSG:..." under [inputs.crs]'
                if role in CRS_INPUTS
                else "save it with its system, for example as a GeoPackage or with a .prj file"
            )
            msg = f"{self.where} names no coordinate system; {way_out}."
            raise CRSError(msg, code="crs_missing")
        return self.crs


def list_layers(path: Path) -> list[tuple[str, str]]:
    """Names and geometry types of the layers of a file; the type is empty for a plain table.

    Raises
    ------
    InputError
        If the file can't be opened.
    """
    import pyogrio  # noqa: PLC0415 - heavy

    if path.suffix.lower() in PARQUET_SUFFIXES:
        return [(path.stem, "Unknown")]
    found = call_gdal(path, lambda: pyogrio.list_layers(gdal_path(path)))
    return [(str(name), str(kind) if kind is not None else "") for name, kind in found]


def shape_kind(geometry_type: str) -> str:
    """Kind of a geometry type name: ``polygon``, ``line``, ``point``, ``any``, or ``""`` for none."""
    plain = geometry_type.removeprefix("2.5D ").removeprefix("3D ").removeprefix("Measured ").split(" ")[0]
    plain = plain.removeprefix("Multi") if plain != "MultiSurface" else plain
    for kind, names in SHAPE_KINDS.items():
        if plain in names:
            return kind
    return "any" if plain else ""


def choose_layer(path: Path, layer: str, role: str, kinds: Sequence[str]) -> str:
    """Find the layer to read.

    The named one; else the only one; else the only one whose shapes the role can use.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    layer : str
        Name from the run file; empty if none is given.
    role : str
        Input name, for the message.
    kinds : sequence of str
        Kinds of shapes the role can use: ``polygon``, ``line``, ``point``.

    Raises
    ------
    SchemaError
        If the named layer isn't there, or several would do.
    """
    there = list_layers(path)
    names = [name for name, _ in there]
    if layer:
        if layer not in names:
            msg = f"{path.name} has no layer {layer!r} ({nearest(layer, names)}); correct it under [inputs.layers]."
            raise SchemaError(msg, code="layer_unclear")
        return layer
    if not there:
        msg = f"{path.name} holds no layer; check that it is the right file for {role}."
        raise SchemaError(msg, code="layer_unclear")
    if len(there) == 1:
        return names[0]
    usable = [name for name, kind in there if shape_kind(kind) in (*kinds, "any")]
    if len(usable) == 1:
        return usable[0]
    listed = ", ".join(f"{name!r} ({kind or 'no geometry'})" for name, kind in there)
    way_out = f'{role} = "..." under [inputs.layers]' if not role.startswith("keep_away") else 'layer = "..." there'
    msg = f"{path.name} has several layers ({listed}) and {role} names none; add {way_out}."
    raise SchemaError(msg, code="layer_unclear")


def layer_info(
    path: Path,
    layer: str = "",
    *,
    role: str = "parcels",
    kinds: Sequence[str] = ("polygon",),
    stated_crs: str = "",
) -> LayerInfo:
    """Look at a layer without reading its records.

    Parameters
    ----------
    path : pathlib.Path
        GeoPackage, shapefile (also in a zip archive), GeoJSON, FlatGeobuf, GeoParquet.
    layer : str
        Layer name; empty if none is given.
    role : str
        Input name, for messages.
    kinds : sequence of str
        Kinds of shapes the role can use.
    stated_crs : str
        CRS from the run file's ``[inputs.crs]``; wins over the file's.

    Raises
    ------
    InputError
        If the file can't be opened.
    SchemaError
        If the layer isn't there, is not the only one, or has no geometry.
    CRSError
        If the stated CRS isn't known.
    """
    stated = parse_crs(stated_crs, f"[inputs.crs] {role}") if stated_crs else None
    lacking = missing_parts(path)
    if lacking:
        msg = f"{path.name} lacks its {' and '.join(lacking)}; copy all files of the shapefile."
        raise InputError(msg, code="file_part_missing")
    if path.suffix.lower() in PARQUET_SUFFIXES:
        info = _parquet_info(path)
    else:
        info = _gdal_info(path, choose_layer(path, layer, role, kinds))
    if not info.geometry_type:
        msg = f"{info.where} is a table without geometry; {role} needs {' or '.join(kinds)} shapes."
        raise SchemaError(msg, code="shapes_of_wrong_kind")
    kind = shape_kind(info.geometry_type)
    # An empty layer is told as such by whoever needs it; its type is often made up.
    if info.n_features and kind not in (*kinds, "any"):
        msg = f"{info.where} holds {info.geometry_type} shapes, but {role} needs {' or '.join(kinds)} shapes."
        raise SchemaError(msg, code="shapes_of_wrong_kind")
    if stated is None:
        return info
    return replace(info, crs=stated, crs_is_stated=info.crs is not None and not same_crs(info.crs, stated))


def _gdal_info(path: Path, layer: str) -> LayerInfo:
    import pyogrio  # noqa: PLC0415 - heavy

    source = gdal_path(path)
    if path.suffix.lower() == ".shp":
        check_shapefile_whole(path)
    elif path.is_file():
        require_finite_view(path, layer)
    head = call_gdal(
        path,
        lambda: pyogrio.read_info(source, layer=layer, force_feature_count=True, force_total_bounds=True),
    )
    bounds = head["total_bounds"]
    # Shapefiles without any shape say that they span (0, 0) to (0, 0).
    known = bounds is not None and np.all(np.isfinite(bounds)) and head["features"] and np.any(bounds)
    driver = str(head["driver"])
    fid = str(head.get("fid_column") or "") or ("FID" if is_shapefile(driver, path) else "")
    return LayerInfo(
        path=path,
        source=source,
        layer=layer,
        driver=driver,
        crs=_crs_of(head["crs"], path),
        crs_is_stated=False,
        fields=tuple(str(name) for name in head["fields"]),
        fid=fid,
        geometry_type=str(head["geometry_type"] or ""),
        n_features=int(head["features"]),
        bounds=tuple(float(v) for v in bounds) if known else None,  # type: ignore[arg-type]
    )


def _crs_of(definition: object, path: Path) -> CRS | None:
    if not definition:
        return None
    try:
        crs = CRS.from_user_input(definition)
    except ProjCRSError:
        logger.warning("%s: its coordinate system can't be understood", path.name)
        return None
    # GeoPackage's "undefined" systems (srs_id 0 and -1) are local ones that say nothing.
    return None if crs.type_name == "Engineering CRS" or crs.name.lower().startswith("undefined") else crs


def _parquet_info(path: Path) -> LayerInfo:
    geo, names, n_rows = read_metadata(path)
    column = geo["columns"][geo["primary_column"]]
    types = [str(name) for name in column.get("geometry_types") or ()]
    same_kind = len({shape_kind(name) for name in types}) == 1
    return LayerInfo(
        path=path,
        source=str(path),
        layer=path.stem,
        driver="Parquet",
        # An absent entry is the default, an explicit null an unknown system.
        crs=_crs_of(column.get("crs", DEFAULT_CRS), path),
        crs_is_stated=False,
        fields=tuple(name for name in names if name not in geo["columns"]),
        fid="",
        geometry_type=types[0] if same_kind else "Unknown",
        n_features=n_rows,
        bounds=declared_bounds(path, geo) if n_rows else None,
    )
