"""Files on disk: whether they are there and whole, what they are made of, and their SHA-256."""

from __future__ import annotations

import hashlib
import struct
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from screening.errors import InputError
from screening.paths import why_unreadable
from screening.read.kinds import check_archive, check_archived, require_layer_file

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

SHAPEFILE_PARTS: Final = (".shp", ".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx")
"""Files of a shapefile; the first three are indispensable."""

_ARCHIVED: Final = (".shp", ".gpkg", ".geojson", ".json", ".fgb")


def require_files(paths: Mapping[str, Path]) -> None:
    """Refuse missing, empty or unreadable files, all of them in one message.

    Parameters
    ----------
    paths : mapping of str to pathlib.Path
        Input name to path.

    Raises
    ------
    InputError
        Naming each file and its input.
    """
    problems = []
    for name, path in paths.items():
        wrong = why_unreadable(path, may_be_folder=True)
        if wrong:
            problems.append(f"{path} ({name}) {wrong}")
        elif path.is_file() and path.stat().st_size == 0:
            problems.append(f"{path} ({name}) is an empty file")
        else:
            problems.extend(f"{path.name} ({name}) lacks its {part}" for part in missing_parts(path))
    if problems:
        msg = f"{'; '.join(problems)}; check the paths under [inputs]."
        raise InputError(msg, code=_code_of(paths.values()))


def _code_of(paths: Collection[Path]) -> str:
    """Code of the gravest problem among files of which some can't be used."""
    there = [path for path in paths if not why_unreadable(path, may_be_folder=True)]
    if len(there) < len(paths):
        return "file_missing"
    is_empty = any(path.is_file() and path.stat().st_size == 0 for path in there)
    return "file_unreadable" if is_empty else "file_part_missing"


def missing_parts(path: Path) -> list[str]:
    """Names of indispensable files that a shapefile lacks."""
    if path.suffix.lower() != ".shp":
        return []
    there = {part.suffix.lower() for part in parts(path)}
    return [f"{path.stem}{suffix}" for suffix in SHAPEFILE_PARTS[:3] if suffix not in there]


def parts(path: Path) -> list[Path]:
    """Every file that an input is made of, sorted by name.

    A shapefile's companions, a folder's files (file geodatabase), and a GeoPackage's write-ahead log
    if it holds anything; else the file itself.
    """
    if path.is_dir():
        return sorted(part for part in path.rglob("*") if part.is_file())
    found = {path}
    if path.suffix.lower() == ".shp":
        stem = path.stem.lower()
        found |= {
            part
            for part in path.parent.iterdir()
            if part.stem.lower() == stem and part.suffix.lower() in SHAPEFILE_PARTS
        }
    log = path.with_name(path.name + "-wal")
    if path.suffix.lower() == ".gpkg" and log.exists() and log.stat().st_size:
        found.add(log)
    return sorted(found)


def digests(paths: Iterable[Path], base: Path | None = None) -> tuple[tuple[str, str], ...]:
    """SHA-256 of files, read in pieces.

    Parameters
    ----------
    paths : iterable of pathlib.Path
        The files.
    base : pathlib.Path, optional
        Folder from which names are told, where files in several folders have the same name.

    Returns
    -------
    tuple of (str, str)
        File name and hexadecimal digest, sorted by name.

    Raises
    ------
    InputError
        If a file can't be read.
    """
    found = []
    for path in paths:
        try:
            with path.open("rb") as file:
                name = path.name if base is None else path.relative_to(base).as_posix()
                found.append((name, hashlib.file_digest(file, "sha256").hexdigest()))
        except OSError as error:
            msg = f"{path.name} can't be read ({error.strerror or error}); check the file and its permissions."
            raise InputError(msg, code="file_unreadable") from error
    return tuple(sorted(found))


def gdal_path(path: Path) -> str:
    """Name under which GDAL finds the data set, also inside a zip archive.

    Raises
    ------
    InputError
        If an archive holds no layer file, or several.
    """
    if path.suffix.lower() != ".zip":
        require_layer_file(path)
        return str(path)
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            check_archive(path, archive)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        msg = f"{path.name} isn't a readable zip archive; make it again, or give the unpacked file."
        raise InputError(msg, code="file_unreadable") from None
    hidden = ("__MACOSX/", ".")
    layers = [
        name
        for name in names
        if Path(name).suffix.lower() in _ARCHIVED
        and not name.startswith(hidden)
        and not Path(name).name.startswith(".")
    ]
    if not layers:
        msg = f"{path.name} holds no shapefile, GeoPackage, GeoJSON or FlatGeobuf; look into the archive."
        raise InputError(msg, code="archive_unclear")
    folders = {str(Path(name).parent) for name in layers}
    if all(name.lower().endswith(".shp") for name in layers) and len(folders) == 1 and len(layers) > 1:
        # Several shapefiles of one folder are the layers of one data set.
        folder = folders.pop()
        return f"/vsizip/{path.absolute()}" + ("" if folder == "." else f"/{folder}")
    if len(layers) > 1:
        some = ", ".join(sorted(layers)[:5]) + (f" and {len(layers) - 5} more" if len(layers) > 5 else "")
        msg = f"{path.name} holds several data sets ({some}); unpack it and give one of them."
        raise InputError(msg, code="archive_unclear")
    check_archived(path, layers[0])
    return f"/vsizip/{path.absolute()}/{layers[0]}"


def check_shapefile_whole(path: Path) -> None:
    """Refuse a shapefile that is shorter than its own headers say.

    GDAL reads such a file without a word and leaves out what is gone.

    Raises
    ------
    InputError
        Naming the part that breaks off.

    References
    ----------
    ESRI Shapefile Technical Description (1998), tables 1 and 2: file length at byte 24, big-endian,
    in 16-bit words.  dBASE III: number of records at byte 4, header and record length at 8 and 10.
    """
    for part in parts(path):
        suffix = part.suffix.lower()
        with part.open("rb") as file:
            head = file.read(100)
        size = part.stat().st_size
        if suffix in {".shp", ".shx"} and len(head) == 100:
            expected = struct.unpack(">i", head[24:28])[0] * 2
        elif suffix == ".dbf" and len(head) >= 12:
            n_records, head_size, record_size = struct.unpack("<IHH", head[4:12])
            expected = head_size + n_records * record_size
        elif suffix in SHAPEFILE_PARTS[:3]:
            expected = 100
        else:
            continue
        if size < expected:
            msg = (
                f"{part.name} breaks off: it has {size:,} bytes and should have {expected:,}; "
                "copy or export the file again."
            )
            raise InputError(msg, code="file_cut_short")
