"""Where the result goes: checked before long work, filled beside its final place, moved there when complete."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from screening.errors import OutputExistsError, ParameterError, ScreeningError
from screening.paths import NOT_THERE, why_misread, why_unreadable
from screening.write.renaming import put_in_place

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

_NO_ROOM_ERRNOS: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
# The wordings of SQLite and GDAL where a write found no room. Not every such failure says so: see `_has_room`.
_NO_ROOM_WORDS: Final = re.compile(r"disk is full|no space left|quota exceeded|file too large", re.IGNORECASE)
_SIDE_FILES: Final = ("-wal", "-journal")
_PROBE_BLOCK: Final = 1 << 20


def check_output(path: Path, overwrite: bool) -> None:  # noqa: FBT001 - the interface agreed with the batch module
    """Refuse a place for the result that cannot take it, before any long work.

    Parameters
    ----------
    path : Path
        The GeoPackage to be written.
    overwrite : bool
        Whether an earlier result there may be replaced.

    Raises
    ------
    ParameterError
        The name doesn't end in ``.gpkg``, is a folder, or its folder doesn't exist.
    OutputExistsError
        A file is there already and may not be replaced, is somebody's other data, or is open in another program.
    ScreeningError
        The folder cannot be written to.
    """
    path = Path(path)
    if path.suffix.lower() != ".gpkg":
        message = f"The output '{path}' must be a GeoPackage: give it a name that ends in .gpkg."
        raise ParameterError(message)
    _check_place(path, overwrite=overwrite, example="candidates.gpkg")


def check_file(path: Path, *, endings: Collection[str], overwrite: bool) -> None:
    """Refuse a place for a file made from the result that cannot take it, before reading anything.

    Parameters
    ----------
    path : Path
        The file to be written.
    endings : collection of str
        What its name may end in, with the dot.
    overwrite : bool
        Whether a file there may be replaced.

    Raises
    ------
    ParameterError
        The name has another ending, is a folder, or its folder doesn't exist.
    OutputExistsError
        A file is there already and may not be replaced.
    ScreeningError
        The folder cannot be written to.
    """
    if path.suffix.lower() not in endings:
        *most, last = endings
        named = f"{', '.join(most)} or {last}" if most else last
        message = f"The output '{path}' must have a name that ends in {named}."
        raise ParameterError(message)
    _check_place(path, overwrite=overwrite, example=f"list{path.suffix}")


def _check_place(path: Path, *, overwrite: bool, example: str) -> None:
    """Refuse a name that is a folder, has no folder, must stay as it is, or a folder that cannot be written to."""
    _refuse_odd_name(path)
    if path.is_dir():
        message = f"The output '{path}' is a folder: name a file in it, for example '{path / example}'."
        raise ParameterError(message)
    folder = path.absolute().parent
    if not folder.is_dir():
        message = f"The folder '{folder}' of the output '{path.name}' doesn't exist: make it first, or choose another."
        raise ParameterError(message)
    _check_replaceable(path, overwrite=overwrite)
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise _unwritable(path, error) from error


def _refuse_odd_name(path: Path) -> None:
    """Refuse a name that no file can have, and one that leads to something else than a file."""
    wrong = why_unreadable(path, may_be_folder=True)
    if wrong == NOT_THERE and os.path.lexists(path):
        wrong = "is a link that leads nowhere"
    if not path.name.isprintable():
        wrong = "has characters in its name that can't be seen"
    if wrong in {"", NOT_THERE} and path.suffix.lower() == ".gpkg" and why_misread(path.absolute()):
        wrong = f"{why_misread(path.absolute())}, and would be written elsewhere"
    if wrong and wrong != NOT_THERE:
        message = f"The output '{path}' {wrong}: choose another name."
        raise ParameterError(message)


def _check_replaceable(path: Path, *, overwrite: bool) -> None:
    """Refuse to replace what must stay: anything without `overwrite`, other data, a file in use."""
    for ending in _SIDE_FILES:
        beside = path.with_name(path.name + ending)
        if beside.exists() and not path.exists():
            # SQLite would take it for the rest of the new file's making.
            message = (
                f"'{beside.name}' lies where the output '{path}' goes, a leftover of another file of that name: remove "
                "it, or choose another name."
            )
            raise OutputExistsError(message)
    if not path.exists():
        return
    if not overwrite:
        message = f"The output '{path}' exists already: choose another name, or replace it with --overwrite."
        raise OutputExistsError(message, code="output_exists")
    for ending in _SIDE_FILES:
        beside = path.with_name(path.name + ending)
        if beside.exists():
            # SQLite would play this leftover of the old file into the new one and destroy it.
            message = (
                f"The output '{path}' is open in another program ('{beside.name}' lies beside it): close it there and "
                f"try again, or choose another name."
            )
            raise OutputExistsError(message, code="output_exists")
    if _holds_other_data(path):
        message = (
            f"The output '{path}' holds other data, not an earlier result of this program, and is kept: choose another "
            f"name."
        )
        raise OutputExistsError(message, code="output_exists")


def _holds_other_data(path: Path) -> bool:
    """Whether the file is a readable database that has tables, but no run record of ours."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except sqlite3.Error:
        return False
    return bool(names) and "run_record" not in names


def _unwritable(path: Path, error: OSError) -> ScreeningError:
    reason = error.strerror or str(error)
    message = (
        f"The output '{path}' cannot be written in the folder '{path.absolute().parent}' ({reason}): choose a folder "
        f"where you may write."
    )
    return ScreeningError(message)


@contextlib.contextmanager
def staged_file(path: Path, *, overwrite: bool, needed_bytes: int, scratch: Path | None = None) -> Iterator[Path]:
    """Give a file name to fill; when the block ends well, the filled file stands at `path`, otherwise nothing does.

    The file lies in a new folder beside `path`, so that the move is one step of the file system and journals of a
    broken write are removed with it, whatever ended the block (an interrupt from the keyboard too).

    Parameters
    ----------
    path : Path
        Where the finished file goes.
    overwrite : bool
        Whether a file there may be replaced.
    needed_bytes : int
        About how much is to be written; tells a full disk from other failures. [byte]
    scratch : Path, optional
        Folder of the same disk in which the new folder is made, for those who clear up there after a kill.

    Yields
    ------
    Path
        The name to write to.

    Raises
    ------
    ScreeningError
        Disk full, no right to write, file in use.
    """
    check_output(path, overwrite)
    with staged_files((path,), overwrite=overwrite, needed_bytes=needed_bytes, scratch=scratch) as (staged,):
        yield staged


@contextlib.contextmanager
def staged_files(
    paths: Sequence[Path], *, overwrite: bool, needed_bytes: int, scratch: Path | None = None
) -> Iterator[tuple[Path, ...]]:
    """Give names for files that belong together; when the block ends well, they stand at `paths`, otherwise none does.

    Parameters
    ----------
    paths : sequence of Path
        Where the finished files go; all in one folder, and looked at before (`check_output`, `check_file`).
    overwrite, needed_bytes, scratch
        As for `staged_file`.

    Yields
    ------
    tuple of Path
        The names to write to.

    Raises
    ------
    ScreeningError
        Disk full, no right to write, file in use.
    """
    paths = [path.absolute() for path in paths]
    first = paths[0]
    try:
        folder = Path(tempfile.mkdtemp(prefix=f".{first.stem}-", suffix=".unfinished", dir=scratch or first.parent))
    except OSError as error:
        raise _failure(first, error, first.parent, needed_bytes) or error from error
    try:
        staged = tuple(folder / path.name for path in paths)
        try:
            yield staged
            for name in staged:
                _flush(name)
            for path in paths:
                _check_replaceable(path, overwrite=overwrite)
            for name, path in zip(staged, paths, strict=True):
                put_in_place(name, path)
        except (ScreeningError, KeyboardInterrupt):
            raise
        except (OSError, RuntimeError, sqlite3.Error) as error:
            for leftover in folder.iterdir():
                leftover.unlink()
            failure = _failure(first, error, folder, needed_bytes)
            if failure is not None:
                raise failure from error
            raise
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    _flush(first.parent)


def _failure(path: Path, error: Exception, folder: Path, needed_bytes: int) -> ScreeningError | None:
    """One sentence for a failure of the disk; None for anything else, which is a bug and keeps its traceback."""
    no_room = getattr(error, "errno", None) in _NO_ROOM_ERRNOS or _NO_ROOM_WORDS.search(str(error)) is not None
    if no_room or not _has_room(folder, needed_bytes):
        free_mb = shutil.disk_usage(path.parent).free / 1e6
        message = (
            f"The disk is full: '{path}' needs about {max(needed_bytes / 1e6, 0.1):.1f} MB, and its folder takes no "
            f"more ({free_mb:.1f} MB free); nothing was left there. Make room, or choose a folder on another disk."
        )
        return ScreeningError(message, code="disk_space_short")
    if isinstance(error, PermissionError) or (isinstance(error, OSError) and error.errno == errno.EROFS):
        return _unwritable(path, error)
    return None


def _has_room(folder: Path, needed_bytes: int) -> bool:
    """Whether the folder really takes that much.

    A write on a full disk fails with any wording, and only a write meets a quota, so this writes.
    """
    probe = folder / "room"
    block = b"\0" * _PROBE_BLOCK
    try:
        with probe.open("wb") as stream:
            for _ in range(-(-needed_bytes // _PROBE_BLOCK)):
                stream.write(block)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        # Any other refusal (a folder that cannot be written) says nothing about room.
        return error.errno not in _NO_ROOM_ERRNOS
    finally:
        with contextlib.suppress(OSError):
            probe.unlink()
    return True


def _flush(path: Path) -> None:
    """Have the file, or on systems that know it the folder's entry, on the disk before going on."""
    if path.is_dir() and os.name != "posix":
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
