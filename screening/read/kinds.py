"""What a vector file is by its first bytes, whatever its name says.

GDAL opens whatever it recognises. Under a familiar name may lie a description of other files, of servers, or of steps
to carry out, and it would follow it. So only the formats that the documentation names get as far as GDAL.
"""

from __future__ import annotations

import sqlite3
import zipfile
import zlib
from contextlib import closing
from typing import TYPE_CHECKING, Final

from screening.errors import InputError
from screening.paths import why_misread, why_unreadable

if TYPE_CHECKING:
    from pathlib import Path

_SHAPEFILE: Final = b"\x00\x00\x27\x0a"
"""File code 9994 in the first four bytes. Source: ESRI Shapefile Technical Description (1998), table 1."""

_MAGIC: Final = (b"SQLite format 3\x00", _SHAPEFILE, b"fgb\x03")
"""First bytes of a GeoPackage (any SQLite file), a shapefile, and a FlatGeobuf."""

_MARK: Final = b"\xef\xbb\xbf"
_PIPELINE: Final = b"gdal_streamed_alg"
"""Stands in JSON files that GDAL carries out as steps."""

HEAD_B: Final = 1 << 16
"""Bytes looked at; GDAL recognises a format by fewer."""

_BOMB_B: Final = 30_000_000
_BOMB_RATIO: Final = 200
"""A member that unpacks to more bytes, and to more times its size, is a bomb: layers shrink to a tenth, not less."""

_MOST_STEPS: Final = 100_000_000
"""Steps of SQLite's machine after which a view counts as endless: some seconds."""


def is_layer_file(head: bytes) -> bool:
    """Whether a file that begins like this is a GeoPackage, shapefile, FlatGeobuf or GeoJSON.

    Parameters
    ----------
    head : bytes
        Its first bytes, at most `HEAD_B`.
    """
    if head.startswith(_MAGIC):
        return True
    text = head.removeprefix(_MARK).lstrip()
    return text.startswith(b"{") and _PIPELINE not in text


def require_layer_file(path: Path) -> None:
    """Refuse what is no file with layers, before GDAL looks at it.

    Raises
    ------
    InputError
        Naming the formats that can be read.
    """
    wrong = why_unreadable(path, may_be_folder=True)
    if wrong:
        msg = f"{path.name} {wrong}; check the path."
        raise InputError(msg, code="file_missing")
    wrong = why_misread(path)
    if wrong:
        msg = f"{path.name} {wrong}, which the library that reads layers takes for another file; rename it."
        raise InputError(msg, code="file_unreadable")
    if path.is_dir():
        if not any(part.suffix.lower() in {".gdbtable", ".shp"} for part in path.iterdir()):
            msg = f"the folder {path.name} is no file geodatabase and holds no shapefile; give the file itself."
            raise InputError(msg, code="file_unreadable")
        return
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_B)
    except OSError as error:
        msg = f"{path.name} can't be read ({error.strerror or error}); check the file and its permissions."
        raise InputError(msg, code="file_unreadable") from error
    if not is_layer_file(head):
        raise no_layer_file(path.name)


def no_layer_file(name: str) -> InputError:
    """Say that a file is of no format that can be read."""
    msg = (
        f"{name} can't be read as a GeoPackage, shapefile, GeoJSON, FlatGeobuf or GeoParquet; check that it is the "
        "right file and whole, or export it again in one of these formats."
    )
    return InputError(msg, code="file_unreadable")


def check_archive(path: Path, archive: zipfile.ZipFile) -> None:
    """Refuse an archive that unpacks to far more than layers do.

    Raises
    ------
    InputError
        Naming the member.
    """
    for member in archive.infolist():
        if member.file_size > _BOMB_B and member.file_size > _BOMB_RATIO * member.compress_size:
            msg = (
                f"{path.name} holds {member.filename!r}, which would unpack to {member.file_size / 1e6:,.0f} MB from "
                f"{member.compress_size / 1e6:,.1f} MB: that is no data; unpack it and give the file, if it should be."
            )
            raise InputError(msg, code="file_unreadable")


def check_archived(path: Path, name: str) -> None:
    """Refuse a member of an archive that is no file with layers.

    Raises
    ------
    InputError
        If it is of another kind, locked, or broken.
    """
    try:
        with zipfile.ZipFile(path) as archive, archive.open(name) as file:
            head = file.read(HEAD_B)
    except (zipfile.BadZipFile, OSError, EOFError, RuntimeError, ValueError, KeyError, zlib.error) as error:
        # RuntimeError: locked by a password; NotImplementedError is one: a way of packing that is not known.
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        msg = f"{name!r} in {path.name} can't be unpacked ({reason}); make the archive again, or give the file itself."
        raise InputError(msg, code="file_unreadable") from error
    if not is_layer_file(head):
        raise no_layer_file(f"{name!r} in {path.name}")


def require_finite_view(path: Path, layer: str) -> None:
    """Refuse a layer that is a view without an end, at which GDAL would count for ever.

    Raises
    ------
    InputError
        If counting its rows takes SQLite too many steps.
    """
    steps = 0

    def stop() -> bool:
        nonlocal steps
        steps += 1
        return steps >= _MOST_STEPS // 100_000

    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as base:
            kind = base.execute("SELECT type FROM sqlite_master WHERE name = ?", (layer,)).fetchone()
            if kind != ("view",):
                return
            base.set_progress_handler(stop, 100_000)
            quoted = layer.replace('"', '""')
            # A name can't be bound as a value; it comes from the file's own catalogue, quoted.
            base.execute(f'SELECT count(*) FROM "{quoted}"').fetchone()  # noqa: S608
    except sqlite3.Error as error:
        if steps >= _MOST_STEPS // 100_000:
            msg = f"layer {layer!r} of {path.name} is a view that doesn't come to an end; export it as a table."
            raise InputError(msg, code="file_unreadable") from error
        # Whatever else is wrong, GDAL meets it too and says so.
