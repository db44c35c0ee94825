"""Finished tiles on disk, beside the output: what a broken run leaves, and a later one goes on with.

One folder a tile with one GeoParquet file a layer; it gets its name when it is complete. The folder of them all names
what they were computed from, so that parts of other inputs or parameters are never mixed in.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import shutil
import tempfile
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa
import pyarrow.parquet as pq
import shapely

from screening.columns import GEOMETRY_NAME, layer, pack
from screening.errors import OutputExistsError, ScreeningError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from screening.params import Params
    from screening.pipeline import TileResult
    from screening.read import CityInputs
    from screening.tiles import Tile

logger = logging.getLogger(__name__)

FORMAT: Final = 1
"""Form of the folder; another one is not read."""

AFTER_THE_TILES: Final = ("ranking", "uncertainty", "ageing")
ONLY_SHOWN: Final = ("output.display_units", "rain.each_garden")
"""Sections and parameters on which no row of a tile hangs."""

_ENDING: Final = ".parts"
_MANIFEST: Final = "manifest.json"
_LOCK: Final = "lock"
_LISTING: Final = "files.json"


@dataclass
class PartFolder:
    """Folder of a run's parts.

    Attributes
    ----------
    path : Path
    done : set of str
        Names of the tiles that are there.
    is_kept : bool
        Whether the folder outlasts a run that ends well: tiles failed, and a later run may have more luck.
    """

    path: Path
    done: set[str]
    is_kept: bool = False


def folder_of(output: Path) -> Path:
    """Where the parts of an output lie."""
    return output.with_name(output.name + _ENDING)


def tile_name(tile: Tile) -> str:
    """Name of a tile's part."""
    return f"tile_{tile.row}_{tile.col}"


@contextlib.contextmanager
def part_folder(output: Path, basis: Mapping[str, str], *, resume: bool, overwrite: bool) -> Iterator[PartFolder]:
    """The folder for the parts of a run; removed when the block ends well, or when no part was finished.

    Parameters
    ----------
    output : Path
        The GeoPackage of the run.
    basis : Mapping[str, str]
        Everything that the parts hang on; parts of another basis are not used.
    resume : bool
        Whether parts of a broken run are to be used.
    overwrite : bool
        Whether parts of a broken run may be thrown away.

    Raises
    ------
    OutputExistsError
        If another run is at work on this output, or a broken run's parts would be lost.
    ScreeningError
        If the folder can't be made.
    """
    path = folder_of(output.absolute())
    if path.is_symlink() or (path.exists() and not path.is_dir()):
        # A link may lead to a folder of somebody's own, which would be emptied.
        msg = f"'{path}' lies where unfinished work of the output goes: remove it, or choose another output."
        raise OutputExistsError(msg, code="output_exists")
    try:
        path.mkdir(exist_ok=True)
        lock = (path / _LOCK).open("a")
    except OSError as error:
        msg = f"The folder '{path}' for unfinished work can't be written ({error.strerror}): choose another output."
        raise ScreeningError(msg) from error
    with lock:
        if not _taken(lock):
            msg = f"Another run is writing '{output.name}' in that folder: wait for it, or choose another name."
            raise OutputExistsError(msg)
        done = _usable_parts(path, output, basis, resume=resume, overwrite=overwrite)
        folder = PartFolder(path, set(done))
        try:
            yield folder
        except BaseException:
            if any(path.glob("tile_*")):
                logger.warning("What was finished is kept in '%s': go on with --resume.", path.name)
            else:
                shutil.rmtree(path, ignore_errors=True)
            raise
        if not folder.is_kept:
            shutil.rmtree(path, ignore_errors=True)


def _taken(lock: Any) -> bool:
    """Whether the lock could be had; the system gives it back however a process ends."""
    try:
        import fcntl  # noqa: PLC0415 - not on Windows, where runs into one folder are not told apart
    except ImportError:
        return True
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _usable_parts(path: Path, output: Path, basis: Mapping[str, str], *, resume: bool, overwrite: bool) -> list[str]:
    """Make the folder ready for parts of a basis; names of those that are there already."""
    found = sorted(entry.name for entry in path.glob("tile_*") if entry.is_dir())
    before = _manifest(path)
    if found and not resume and not overwrite:
        msg = (
            f"An unfinished run of '{output.name}' lies in '{path.name}' ({len(found)} tiles done): go on with "
            "--resume, or start anew with --overwrite."
        )
        raise OutputExistsError(msg)
    changed = _difference(before, basis)
    if found and (not resume or changed):
        if resume:
            logger.warning("Parts of the unfinished run are computed anew, for there is a change in %s.", changed)
        found = []
    whole = [name for name in found if read_part(path, name) is not None]
    if len(whole) < len(found):
        logger.warning("%d damaged parts are computed anew.", len(found) - len(whole))
    found = whole
    for entry in path.iterdir():
        if entry.name not in {*found, _LOCK}:
            shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
    text = json.dumps({"format": FORMAT, "basis": dict(basis)}, indent=1, sort_keys=True)
    (path / _MANIFEST).write_text(text, encoding="utf-8")
    return found


def _manifest(path: Path) -> Mapping[str, str]:
    """What the parts in a folder hang on; empty where that can't be told."""
    try:
        read = json.loads((path / _MANIFEST).read_text(encoding="utf-8"))
        return dict(read["basis"]) if read["format"] == FORMAT else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _difference(before: Mapping[str, str], now: Mapping[str, str]) -> str:
    """Names of what differs, for people; empty where nothing does."""
    changed = [name for name in sorted({*before, *now}) if before.get(name) != now.get(name)]
    more = f" and {len(changed) - 3} more" if len(changed) > 3 else ""
    return ", ".join(changed[:3]) + more


def write_part(path: Path, result: TileResult) -> None:
    """Pack a tile's rows and write them; empty layers are left out.

    Raises
    ------
    OSError
        If they can't be written.
    """
    name = tile_name(result.tile)
    staged = Path(tempfile.mkdtemp(prefix=".", dir=path))
    digests = {}
    for layer_name, frame in result.layers.items():
        if not len(frame):
            continue
        table = pack(frame, layer_name, is_part=True)
        if GEOMETRY_NAME in table.column_names:
            table = table.replace_schema_metadata({"geo": _geo_metadata(layer_name, frame.crs)})
        file = staged / f"{layer_name}.parquet"
        pq.write_table(table, file, compression="lz4")
        digests[file.name] = _digest(file)
    (staged / _LISTING).write_text(json.dumps(digests), encoding="utf-8")
    final = path / name
    if final.exists():
        shutil.rmtree(final)
    staged.replace(final)


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


def read_part(path: Path, name: str) -> dict[str, pa.Table] | None:
    """Tables of a tile by layer name; None where the part is missing or damaged."""
    folder = path / name
    try:
        digests = json.loads((folder / _LISTING).read_text(encoding="utf-8"))
        if any(_digest(folder / file) != digest for file, digest in digests.items()):
            return None
        return {Path(file).stem: pq.read_table(folder / file).replace_schema_metadata() for file in digests}
    except (OSError, ValueError, AttributeError, pa.ArrowException):
        return None


def tiles_in_order(names: set[str]) -> list[str]:
    """Names of tiles in the order of the grid."""
    return sorted(names, key=lambda name: tuple(int(number) for number in name.split("_")[1:]))


def run_basis(
    params: Params, inputs: CityInputs, bounds_m: tuple[float, ...] | None, limit: int | None
) -> dict[str, str]:
    """Everything that the rows of a tile hang on: versions, inputs by SHA-256, parameters, which parcels count."""
    basis = {f"version of {name}": version(name) for name in ("screening", "numpy", "numba", "pyarrow")}
    basis["version of GEOS"] = shapely.geos_version_string
    for file in inputs.files:
        for name, digest in file.sha256:
            basis[f"{file.role} {name}"] = digest
    for name, value in params.record().items():
        if name.split(".", maxsplit=1)[0] not in AFTER_THE_TILES and name not in ONLY_SHOWN:
            basis[f"[{name.replace('.', '] ', 1)}"] = value
    basis["tile size"] = f"{params.batch.tile_size_m:g}"
    basis["box"] = "" if bounds_m is None else ",".join(f"{v:.3f}" for v in bounds_m)
    basis["limit"] = "" if limit is None else str(limit)
    return basis
