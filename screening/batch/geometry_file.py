"""The geometry of a tile on disk: what a run that goes on with other rain, soils or sizes need not compute again."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import shapely

from screening.batch.parts import UNFINISHED, tile_name
from screening.homes import Pieces
from screening.pipeline import HomeGeometry, Roofs, TileGeometry
from screening.siting.open_ground import Obstacles
from screening.terrain import HousePlane
from screening.write.renaming import put_in_place

if TYPE_CHECKING:
    from collections.abc import Iterator

    from screening.tiles import Tile

PREFIX: Final = "geometry_"
ENDING: Final = ".arrow"

_DIGEST_B: Final = 32
_WORDS: Final = ("code", "text")
_PAIRS_OF_NUMBERS: Final = ("homes.origin", "homes.roofs.xy")


def geometry_file(folder: Path, tile: Tile, basis: str) -> Path:
    """Where the geometry of a tile lies; the name says what it was computed from."""
    return folder / f"{PREFIX}{tile_name(tile)}.{basis[:16]}{ENDING}"


def is_of_basis(name: str, basis: str) -> bool:
    """Whether a file of that name holds geometry that was computed from the same."""
    return name.startswith(PREFIX) and name.endswith(f".{basis[:16]}{ENDING}")


def write_geometry(file: Path, geometry: TileGeometry) -> None:
    """Write the geometry of a tile: an Arrow stream of one row behind its SHA-256; without the rasters.

    Raises
    ------
    OSError
        If it can't be written.
    """
    if geometry.homes is not None:
        geometry = geometry._replace(homes=geometry.homes._replace(land=None))
    named = dict(_flat("", geometry))
    table = pa.table({name: _one_row(name, values) for name, values in named.items()})
    packed = pa.BufferOutputStream()
    with pa.ipc.new_stream(packed, table.schema, options=pa.ipc.IpcWriteOptions(compression="lz4")) as stream:
        stream.write_table(table)
    content = packed.getvalue()
    with tempfile.NamedTemporaryFile(prefix=UNFINISHED, dir=file.parent, delete=False) as staged:
        staged.write(hashlib.sha256(content).digest())
        staged.write(content)
    put_in_place(Path(staged.name), file)


def read_geometry(file: Path) -> TileGeometry | None:
    """The geometry of a tile as it was written; None where there is none, or it is damaged."""
    try:
        content = file.read_bytes()
    except OSError:
        return None
    if hashlib.sha256(content[_DIGEST_B:]).digest() != content[:_DIGEST_B]:
        return None
    table = pa.ipc.open_stream(pa.py_buffer(content)[_DIGEST_B:]).read_all()
    found = {name: _values(name, table.column(name)) for name in table.column_names}
    if "homes.rows" not in found:
        return TileGeometry(found["code"], found["text"], None)

    def group(name: str) -> list[Any]:
        """The values of a named tuple, in order."""
        return [values for key, values in found.items() if key.startswith(f"homes.{name}.")]

    of_things = len(group("of_things")) // len(Obstacles._fields)
    homes = HomeGeometry(
        rows=found["homes.rows"],
        houses=found["homes.houses"],
        lots=found["homes.lots"],
        origin=found["homes.origin"],
        pieces=Pieces(*group("pieces")),
        principal=found["homes.principal"],
        n_buildings=found["homes.n_buildings"],
        n_houses=found["homes.n_houses"],
        plane=HousePlane(*group("plane")),
        roofs=Roofs(*group("roofs")),
        near=Obstacles(*group("near")),
        of_buildings=Obstacles(*group("of_buildings")),
        of_things=tuple(Obstacles(*group(f"of_things.{k}")) for k in range(of_things)),
        open_ground=found["homes.open_ground"],
        land=None,
    )
    return TileGeometry(found["code"], found["text"], homes)


def _flat(name: str, value: Any) -> Iterator[tuple[str, Any]]:
    """The arrays of nested tuples by their names, such as ``homes.roofs.xy``."""
    if not isinstance(value, tuple):
        if value is not None:
            yield name, value
        return
    keys = getattr(value, "_fields", range(len(value)))
    for key, one in zip(keys, value, strict=True):
        yield from _flat(f"{name}.{key}" if name else str(key), one)


def _one_row(name: str, values: Any) -> pa.Array:
    """An array as one row of a list column: outlines as WKB, words and numbers as they are."""
    if name in _WORDS:
        items = pa.array(values, type=pa.large_string())
    elif values.dtype == object:
        items = pa.array(shapely.to_wkb(values), type=pa.large_binary())
    else:
        items = pa.array(values.reshape(-1))
    return pa.LargeListArray.from_arrays(pa.array([0, len(items)], type=pa.int64()), items)


def _values(name: str, column: pa.ChunkedArray) -> Any:
    """The array that `_one_row` was given."""
    values = column.combine_chunks().flatten()
    # the kernels are compiled for arrays that can be written to
    plain = np.array(values.to_numpy(zero_copy_only=False))
    if name in _WORDS:
        return plain
    if plain.dtype == object:
        return np.asarray(shapely.from_wkb(plain), dtype=object)
    return plain.reshape(-1, 2) if name in _PAIRS_OF_NUMBERS else plain
