"""Describing vector layers: fields with their values, shapes with their sizes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from screening.crs import describe, length_unit
from screening.errors import InputError
from screening.read import LayerInfo, layer_info, list_layers
from screening.read.fields import as_text, is_misread_utf8, is_shapefile
from screening.read.gdal import call_gdal
from screening.read.layers import shape_kind
from screening.read.parquet import read_table
from screening.read.vector import OLD_CODE_PAGE, read_records
from screening.survey.facts import FieldFacts, LayerFacts, ShapeFacts
from screening.survey.place import lonlat_bounds, metres_per_unit
from screening.survey.private import private_names, private_values

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    ObjectArray = npt.NDArray[np.object_]

KINDS: Final = ("polygon", "line", "point")

OWN_TABLES: Final = frozenset({"run_record", "column_guide"})
"""Tables that only results of this program have."""

BAD_TEXT: Final = "unreadable text"
"""Kind of a field whose text isn't UTF-8."""

MAX_RECORDS: Final = 400_000
"""Of a larger layer (a whole state's footprints) only so many records are looked at."""

MAX_VALUES: Final = 3000
"""Values of a field that are kept with their counts."""

LONGEST_VALUE: Final = 200
"""Characters of a value that are looked at; nobody's address or land use is longer."""

NEIGHBOUR_SAMPLE: Final = 600
"""Areas whose neighbours are looked at."""

SHARED_EDGE_FRAC: Final = 0.2
"""Part of its outline that an area shares with its neighbours from which it counts as touching.  Program default."""

ADDRESS: Final = re.compile(r"\d+[A-Za-z]?([ -]\d+/?\d*)?,? +[^\W\d].*|[^\W\d][^\d]* +\d+[a-z]?")
STREET_ENDS: Final = re.compile(
    r".*(\b(st|street|ave?|avenue|rd|road|ln|lane|dr|drive|ct|court|pl|place|blvd|boulevard|cir|circle|ter|terrace|way|"
    r"hwy|highway|pkwy|parkway|sq|square|row|close|crescent|cres|alley|aly|trl|trail|loop|walk|mews|path|pike|rue|"
    r"weg|allee|platz|gasse|calle|via|rua)|stra(ss|ß)e|straat|gatan|vej|[^\W\d]{3,}(weg|gasse|platz|allee))"
    r"\.?( [nsew]{1,2})?|(rue|avenue|calle|via|rua|chemin|route|impasse|avenida|plaza) .*",
    re.IGNORECASE,
)
"""Words of addresses and street names in a few languages; common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class LayerLook:
    """A layer that was looked at.

    Attributes
    ----------
    facts : LayerFacts
        What it says about itself.
    geometry : ndarray of shapely geometries, shape (n,)
        Its shapes, None where there is none, in its own system.
    """

    facts: LayerFacts
    geometry: ObjectArray


def look_at_layers(path: Path) -> list[LayerLook]:
    """Describe every layer of a file that has shapes.

    Raises
    ------
    InputError
        If the file can't be opened, holds no layer with shapes, or is a result of this program.
    """
    there = list_layers(path)
    if OWN_TABLES & {name for name, _ in there}:
        msg = f"{path.name} is a result of this program, not a city's data."
        raise InputError(msg)
    names = [name for name, kind in there if kind]
    if not names:
        msg = f"{path.name} holds no layer with shapes; check that it is a map and no table."
        raise InputError(msg)
    return [look_at_layer(path, name, n_layers=len(names)) for name in names]


def look_at_layer(path: Path, layer: str = "", *, n_layers: int = 1, stated_crs: str = "") -> LayerLook:
    """Describe a layer.

    Fields about people are recognised by their names and not read; ones whose values look like people's names are
    forgotten again.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    layer : str
        Layer name; empty where there is one only.
    n_layers : int
        Layers of the file that have shapes.
    stated_crs : str
        Its system, where the file names none or a wrong one.

    Raises
    ------
    InputError
        If it can't be read.
    """
    info = layer_info(path, layer, role="parcels", kinds=KINDS, stated_crs=stated_crs)
    geometry, notes = _shapes(info)
    fields, more = _fields(info)
    return LayerLook(
        LayerFacts(
            path=path,
            layer=info.layer,
            n_layers=n_layers,
            driver=info.driver,
            geometry_type=info.geometry_type,
            kind=_kind(info, geometry),
            n_records=info.n_features,
            crs=info.crs,
            crs_text="" if info.crs is None else describe(info.crs),
            length_unit="" if info.crs is None else length_unit(info.crs)[0],
            bounds=info.bounds,
            lonlat_bounds=lonlat_bounds(info.crs, info.bounds),
            fields=fields,
            shapes=_shape_facts(info, geometry),
            notes=(*notes, *more),
        ),
        geometry,
    )


def _kind(info: LayerInfo, geometry: ObjectArray) -> str:
    """Kind of the shapes, looked up in the data where the file allows any."""
    kind = shape_kind(info.geometry_type)
    if kind != "any":
        return kind
    types = shapely.get_type_id(geometry)
    for name, numbers in (("polygon", (3, 6)), ("line", (1, 2, 5)), ("point", (0, 4))):
        there = types[types >= 0]
        if len(there) and np.isin(there, numbers).mean() > 0.5:
            return name
    return kind


def _shapes(info: LayerInfo) -> tuple[ObjectArray, tuple[str, ...]]:
    """Shapes of a layer; the first ones of a very large one."""
    if info.n_features <= MAX_RECORDS or info.is_parquet:
        data = read_records(info)
        return data.geometry, data.notes
    import pyogrio  # noqa: PLC0415 - heavy

    meta, table = call_gdal(
        info.path,
        lambda: pyogrio.read_arrow(info.source, layer=info.layer, columns=[], max_features=MAX_RECORDS),
    )
    wkb = np.asarray(table[meta["geometry_name"] or "wkb_geometry"].to_numpy(), dtype=object)
    geometry = np.asarray(shapely.force_2d(shapely.from_wkb(wkb, on_invalid="ignore")), dtype=object)
    return geometry, (f"only the first {MAX_RECORDS:,} of {info.n_features:,} records were looked at",)


def _fields(info: LayerInfo) -> tuple[tuple[FieldFacts, ...], tuple[str, ...]]:
    """Facts of every field; those about people are not read."""
    private = private_names(info.fields)
    wanted = [name for name in info.fields if name not in private]
    notes: tuple[str, ...] = ()
    found = _read_fields(info, wanted)
    if is_shapefile(info.driver, info.path):
        # the same two ways out that a run takes, or values of the run file would not be found again
        other = ""
        if _unreadable(found):
            other = OLD_CODE_PAGE
        elif is_misread_utf8([np.array([value for value, _ in one.counts], dtype=object) for one in found.values()]):
            other = "UTF-8"
        if other:
            found = _read_fields(info, wanted, encoding=other)
            named = "Windows-1252" if other == OLD_CODE_PAGE else other
            notes = (f"its text isn't in the encoding it names, so {named} was taken",)
    if _unreadable(found):
        notes = (*notes, f"text that isn't UTF-8 in {', '.join(_unreadable(found))}; export the file again as UTF-8")
    facts = tuple(
        found.get(name, FieldFacts(name=name, kind="private", why_private="its name")) for name in info.fields
    )
    return facts, notes


def _unreadable(found: dict[str, FieldFacts]) -> list[str]:
    return [name for name, one in found.items() if one.kind == BAD_TEXT]


def _read_fields(info: LayerInfo, wanted: list[str], encoding: str | None = None) -> dict[str, FieldFacts]:
    import pyogrio  # noqa: PLC0415 - heavy

    if not wanted:
        return {}
    if info.is_parquet:
        table, _ = read_table(info.path, wanted, None)
    else:
        _, table = call_gdal(
            info.path,
            lambda: pyogrio.read_arrow(
                info.source,
                layer=info.layer,
                columns=wanted,
                read_geometry=False,
                encoding=encoding,
                max_features=MAX_RECORDS,
            ),
        )
    return {name: _field_facts(name, table[name]) for name in wanted if name in table.column_names}


def _field_facts(name: str, column: Any) -> FieldFacts:
    """Describe a field from its Arrow column."""
    import pyarrow as pa  # noqa: PLC0415 - heavy
    import pyarrow.compute as pc  # noqa: PLC0415

    kind = _field_kind(column.type)
    n_records = len(column)
    if kind == "other":
        return FieldFacts(name=name, kind=kind, n_records=n_records, n_missing=column.null_count)
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    column = column.combine_chunks()
    if kind == "text":
        try:
            column.validate(full=True)
        except pa.ArrowInvalid:
            return FieldFacts(name=name, kind=BAD_TEXT, n_records=n_records, n_missing=column.null_count)
        column = pc.utf8_trim_whitespace(column)
        column = pc.if_else(pc.equal(column, ""), pa.scalar(None, column.type), column)
    elif pa.types.is_floating(column.type):
        column = pc.if_else(pc.is_finite(column), column, pa.scalar(None, column.type))
    pairs = pc.value_counts(pc.drop_null(column))
    counts = pairs.field("counts").to_numpy()
    # a stable sort: values of equal frequency stay in the file's order
    order = np.argsort(-counts, kind="stable")[:MAX_VALUES]
    values = as_text(pa.chunked_array([pairs.field("values").take(pa.array(order))]), where="", field=name)
    # a longer value is none that a run file could name
    known = tuple(
        (str(value), int(counts[i]))
        for value, i in zip(values, order, strict=True)
        if value is not None and len(value) <= LONGEST_VALUE
    )
    texts = [value for value, _ in known]
    if kind == "text" and private_values(texts):
        return FieldFacts(name=name, kind="private", why_private="values that look like people's names")
    n_texts = max(len(texts), 1)
    return FieldFacts(
        name=name,
        kind="whole number" if kind == "number" and _all_whole(texts) else kind,
        n_records=n_records,
        n_missing=int(column.null_count),
        n_distinct=len(counts),
        counts=known,
        address_frac=sum(ADDRESS.fullmatch(text) is not None for text in texts) / n_texts if kind == "text" else 0.0,
        street_frac=sum(STREET_ENDS.fullmatch(text) is not None for text in texts) / n_texts if kind == "text" else 0.0,
    )


def _all_whole(texts: list[str]) -> bool:
    """Whether a number field holds whole numbers only: shapefiles and joins make keys and codes into such."""
    return bool(texts) and all(text.lstrip("-").isdigit() for text in texts)


def _field_kind(kind: Any) -> str:
    import pyarrow as pa  # noqa: PLC0415 - heavy

    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return "text"
    if pa.types.is_boolean(kind):
        return "true or false"
    if pa.types.is_integer(kind):
        return "whole number"
    if pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return "number"
    return "date" if pa.types.is_temporal(kind) else "other"


def _shape_facts(info: LayerInfo, geometry: ObjectArray) -> ShapeFacts:
    there = geometry[~shapely.is_missing(geometry)]
    scale = metres_per_unit(info.crs, info.bounds)
    types = shapely.get_type_id(there)
    areas, lines = there[np.isin(types, (3, 6))], there[np.isin(types, (1, 2, 5))]
    return ShapeFacts(
        n_looked_at=len(geometry),
        n_missing=len(geometry) - len(there),
        n_multipart=int(np.count_nonzero(shapely.get_num_geometries(there) > 1)),
        has_z="Z" in info.geometry_type or info.geometry_type.startswith(("2.5D", "3D")),
        median_area_m2=_median(shapely.area(areas), None if scale is None else scale[0] * scale[1]),
        # lines run in all directions, so the two scales are taken together
        median_length_m=_median(shapely.length(lines), None if scale is None else (scale[0] * scale[1]) ** 0.5),
        touching_frac=_touching_frac(areas),
    )


def _median(values: npt.NDArray[np.float64], scale: float | None) -> float | None:
    return float(np.median(values)) * scale if len(values) and scale is not None else None


def _touching_frac(areas: ObjectArray) -> float | None:
    """Part of some areas that share a good part of their outline with others."""
    if len(areas) < 2:
        return None
    chosen = np.unique(np.linspace(0, len(areas) - 1, NEIGHBOUR_SAMPLE).astype(int))
    valid = shapely.is_valid(areas)
    chosen = chosen[valid[chosen]]
    if not len(chosen):
        return None
    length = shapely.length(areas[chosen])
    typical = float(np.median(length)) if len(length) else 0.0
    # neighbours drawn one by one miss each other by a little; a strip as wide as that is taken for the shared edge
    reach = 1e-3 * typical
    strips = shapely.buffer(areas[chosen], reach, quad_segs=1)
    one, other = shapely.STRtree(areas).query(strips, predicate="intersects")
    keep = (other != chosen[one]) & valid[other]
    one, other = one[keep], other[keep]
    # one and other are valid, so cutting one's outline by the other's surroundings can't fail
    edges = shapely.length(
        shapely.intersection(shapely.boundary(areas[chosen])[one], shapely.buffer(areas[other], reach))
    )
    shared = np.bincount(one, weights=edges, minlength=len(chosen))
    return float(np.mean(shared > SHARED_EDGE_FRAC * np.maximum(length, 1e-12)))
