"""Finished tiles on disk: one folder a tile with one GeoParquet file a layer; it gets its name when it is complete."""

from __future__ import annotations

import hashlib
import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from screening.columns import GEOMETRY_NAME, layer, pack
from screening.errors import ScreeningError
from screening.write.renaming import put_in_place

if TYPE_CHECKING:
    from collections.abc import Sequence

    from screening.pipeline import TileResult
    from screening.tiles import Tile

UNFINISHED: Final = ".unfinished-"
"""Names of what is still being written begin so."""

_LISTING: Final = "files.json"


def tile_name(tile: Tile) -> str:
    """Name of a tile's part."""
    return f"tile_{tile.size_m:.10g}_{tile.row}_{tile.col}"


def write_part(path: Path, result: TileResult) -> None:
    """Pack a tile's rows and write them; empty layers are left out.

    Raises
    ------
    OSError
        If they can't be written.
    """
    name = tile_name(result.tile)
    staged = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=path))
    listing = {}
    for layer_name, frame in result.layers.items():
        if not len(frame):
            continue
        table = pack(frame, layer_name, is_part=True)
        if GEOMETRY_NAME in table.column_names:
            table = table.replace_schema_metadata({"geo": _geo_metadata(layer_name, frame.crs)})
        file = staged / f"{layer_name}.parquet"
        # read once and whole: what speeds up a search in it is only weight
        pq.write_table(table, file, compression="lz4", use_dictionary=False, write_statistics=False)
        listing[file.name] = [_digest(file), table.num_rows, table.nbytes]
    (staged / _LISTING).write_text(json.dumps(listing), encoding="utf-8")
    put_in_place(staged, path / name, over_folder=True)


def _geo_metadata(layer_name: str, crs: Any) -> bytes:
    """Metadata of the GeoParquet form 1.0."""
    kind = layer(layer_name).geometry_type
    column = {"encoding": "WKB", "geometry_types": [kind], "crs": None if crs is None else crs.to_json_dict()}
    return json.dumps(
        {"version": "1.0.0", "primary_column": GEOMETRY_NAME, "columns": {GEOMETRY_NAME: column}}
    ).encode()


def _digest(file: Path) -> str:
    """SHA-256 of a file [hex]."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class Part:
    """A finished tile on disk.

    Attributes
    ----------
    size : dict
        Rows and bytes in memory of each layer that has any.
    """

    def __init__(self, path: Path, name: str) -> None:
        """Look at what should be there.

        Raises
        ------
        ScreeningError
            If the part is damaged.
        """
        self.name = name
        self._folder = path / name
        try:
            listing = json.loads((self._folder / _LISTING).read_text(encoding="utf-8"))
            self._digest = {Path(file).stem: str(entry[0]) for file, entry in listing.items()}
            self.size = {Path(file).stem: (int(entry[1]), int(entry[2])) for file, entry in listing.items()}
        except (OSError, ValueError, AttributeError, IndexError, TypeError, RecursionError) as error:
            raise _damaged(self._folder) from error

    def read(self, layer_name: str, columns: Sequence[str] | None = None) -> pa.Table:
        """Rows of a layer.

        Raises
        ------
        ScreeningError
            If they are not as they were written.
        """
        file = self._folder / f"{layer_name}.parquet"
        try:
            content = file.read_bytes()
            if hashlib.sha256(content).hexdigest() != self._digest[layer_name]:
                raise _damaged(self._folder)
            reader = pq.ParquetFile(pa.BufferReader(content))
            table = reader.read(None if columns is None else list(columns), use_threads=False)
        except (OSError, pa.ArrowException) as error:
            raise _damaged(self._folder) from error
        return table.replace_schema_metadata()

    def is_whole(self) -> bool:
        """Whether every file is as it was written."""
        try:
            return all(_digest(self._folder / f"{name}.parquet") == digest for name, digest in self._digest.items())
        except OSError:
            return False


def is_whole(path: Path, name: str) -> bool:
    """Whether a tile's part is there as it was written."""
    try:
        return Part(path, name).is_whole()
    except ScreeningError:
        return False


def _damaged(folder: Path) -> ScreeningError:
    return ScreeningError(f"The part '{folder.name}' in '{folder.parent}' is damaged: go on with --resume.")
