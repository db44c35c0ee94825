"""The folder for the parts of a run, beside its output: what a broken run leaves, and a later one goes on with.

It names what the parts were computed from, so that parts of other inputs or parameters are never mixed in.
"""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import re
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from screening.batch.geometry_file import PREFIX, is_of_basis
from screening.batch.parts import UNFINISHED, is_whole
from screening.errors import OutputExistsError, ScreeningError
from screening.write.renaming import put_in_place

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from screening.batch.basis import Basis

logger = logging.getLogger(__name__)

FORMAT: Final = 3
"""Form of the folder; another one is not read."""

_ENDING: Final = ".parts"
_MANIFEST: Final = "manifest.json"
_LOCK: Final = "lock"
_OURS: Final = re.compile(rf"manifest\.json|lock|tile_.*|{PREFIX}.*|\.unfinished-.*")
"""Names that a run gives to what it puts into the folder; it never touches anything else."""

_LOCKED: Final = frozenset({errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES})


class PartFolder:
    """Folder of a run's parts.

    Attributes
    ----------
    path : Path
    scratch : Path
        For this process alone, and gone when it ends.
    done : set of str
        Names of the tiles that are there; known when the run has begun.
    is_kept : bool
        Whether the folder outlasts a run that ends well: tiles failed, and a later run may have more luck.
    """

    def __init__(self, path: Path, *, resume: bool, is_shared: bool, is_last: bool) -> None:
        """Make room for this process."""
        self.path = path
        self.scratch = Path(tempfile.mkdtemp(prefix=f"{UNFINISHED}city-", dir=path))
        self.done: set[str] = set()
        self.is_kept = is_shared or is_last
        self._resume = resume
        self._is_shared = is_shared
        self._is_others = is_shared or is_last

    def begin(self, basis: Basis) -> None:
        """Find the parts that can be used, and throw away what cannot.

        Parameters
        ----------
        basis : Basis
            What the parts hang on; those of another basis are not used, and no geometry of another one.

        Raises
        ------
        OutputExistsError
            If the parts that other processes have made are of another run.
        """
        found = _tiles_in(self.path)
        changed = _difference(_manifest(self.path), basis.entries)
        if self._is_others and found and changed:
            msg = (
                f"The parts in '{self.path}' are of another run: there is a change in {changed}. Give the same run "
                "file and options as there, or remove the folder and start all shares again."
            )
            raise OutputExistsError(msg)
        geometry = [entry.name for entry in self.path.glob(f"{PREFIX}*") if is_of_basis(entry.name, basis.geometry)]
        if not self._resume:
            geometry = []
        if found and (not self._resume or changed):
            if self._resume:
                again = "but for their geometry, " if geometry else ""
                logger.warning(
                    "Parts of the unfinished run are computed anew, %sfor there is a change in %s.", again, changed
                )
            found = []
        whole = [name for name in found if is_whole(self.path, name)]
        if len(whole) < len(found):
            logger.warning("%d damaged parts are computed anew.", len(found) - len(whole))
        if not self._is_others:
            _clear(self.path, but=(*whole, *geometry, _LOCK, _MANIFEST, self.scratch.name))
        text = json.dumps({"format": FORMAT, "basis": dict(basis.entries)}, indent=1, sort_keys=True)
        staged = self.scratch / _MANIFEST
        staged.write_text(text, encoding="utf-8")
        put_in_place(staged, self.path / _MANIFEST)
        self.done = set(whole)

    def leave(self, *, is_broken: bool) -> None:
        """Remove what nobody needs any more."""
        shutil.rmtree(self.scratch, ignore_errors=True)
        if is_broken and _tiles_in(self.path):
            logger.warning("What was finished is kept in '%s': go on with --resume.", self.path.name)
        elif not self._is_shared and (is_broken or not self.is_kept):
            _clear(self.path)


def folder_of(output: Path) -> Path:
    """Where the parts of an output lie."""
    return output.with_name(output.name + _ENDING)


@contextlib.contextmanager
def part_folder(
    output: Path, *, resume: bool, overwrite: bool, is_shared: bool = False, is_last: bool = False
) -> Iterator[PartFolder]:
    """The folder for the parts of a run; removed when the block ends well, or when no part was finished.

    Parameters
    ----------
    output : Path
        The GeoPackage of the run.
    resume : bool
        Whether parts of a broken run are to be used.
    overwrite : bool
        Whether parts of a broken run may be thrown away.
    is_shared : bool
        Whether other processes, also of other machines, put parts into it at the same time; it is kept then.
    is_last : bool
        Whether the parts of such processes are only to be used, and none of them to be thrown away.

    Raises
    ------
    OutputExistsError
        If another run is at work on this output, a broken run's parts would be lost, or the folder is somebody's.
    ScreeningError
        If the folder can't be made.
    """
    path = folder_of(output.absolute())
    _refuse_foreign(path)
    try:
        path.mkdir(exist_ok=True)
        lock = (path / _LOCK).open("a")
    except OSError as error:
        msg = f"The folder '{path}' for unfinished work can't be written ({error.strerror}): choose another output."
        raise ScreeningError(msg) from error
    with lock:
        if not _taken(lock, is_shared=is_shared):
            msg = f"Another run is writing '{output.name}' in that folder: wait for it, or choose another name."
            raise OutputExistsError(msg)
        found = _tiles_in(path)
        if found and not resume and not overwrite and not is_shared:
            msg = (
                f"An unfinished run of '{output.name}' lies in '{path.name}' ({len(found)} tiles done): go on with "
                "--resume, or start anew with --overwrite."
            )
            raise OutputExistsError(msg)
        folder = PartFolder(path, resume=resume, is_shared=is_shared, is_last=is_last)
        try:
            yield folder
        except BaseException:
            folder.leave(is_broken=True)
            raise
        folder.leave(is_broken=False)


def _tiles_in(path: Path) -> list[str]:
    """Names of the parts in a folder."""
    return sorted(entry.name for entry in path.glob("tile_*") if entry.is_dir())


def _refuse_foreign(path: Path) -> None:
    """Refuse a folder of that name that no run has made: what lies in it would be taken for parts."""
    if path.is_symlink() or (path.exists() and not path.is_dir()):
        # A link may lead to a folder of somebody's own, which would be emptied.
        msg = f"'{path}' is in the way of the output's unfinished work: remove it, or choose another output."
        raise OutputExistsError(msg, code="output_exists")
    try:
        names = sorted(entry.name for entry in path.iterdir())
    except FileNotFoundError:
        return
    except OSError as error:
        msg = f"'{path}' is in the way: unfinished work goes into a folder of that name ({error.strerror})."
        raise OutputExistsError(msg) from error
    # the manifest is there before the first part
    others = [name for name in names if name != _LOCK and not name.startswith(UNFINISHED)]
    if others and not _is_manifest(path):
        msg = (
            f"The folder '{path}' is needed for unfinished work, but holds something else ('{others[0]}'): move it "
            "away, or choose another output."
        )
        raise OutputExistsError(msg)


def _is_manifest(path: Path) -> bool:
    """Whether a run has put its manifest into the folder, one that can't be read any more included."""
    file = path / _MANIFEST
    try:
        head = file.read_text(encoding="utf-8")
        return isinstance(json.loads(head), dict) and '"basis"' in head
    except (OSError, ValueError, RecursionError):
        return file.is_file() and all(_OURS.fullmatch(entry.name) for entry in path.iterdir())


def _clear(path: Path, but: Iterable[str] = ()) -> None:
    """Remove what runs have put into the folder, and the folder if nothing else lies in it."""
    kept = set(but)
    entries = [entry for entry in path.iterdir() if entry.name not in kept and _OURS.fullmatch(entry.name)]
    # the manifest last: of a process that is killed before, nobody would know any more whose parts these are
    for entry in sorted(entries, key=lambda entry: entry.name == _MANIFEST):
        if entry.is_dir():
            shutil.rmtree(entry, ignore_errors=True)
        else:
            entry.unlink(missing_ok=True)
    if not kept:
        with contextlib.suppress(OSError):
            path.rmdir()


def _taken(lock: Any, *, is_shared: bool) -> bool:
    """Whether the lock could be had; the system gives it back however a process ends."""
    try:
        import fcntl  # noqa: PLC0415 - not on Windows, where runs into one folder are not told apart
    except ImportError:
        return True
    try:
        fcntl.flock(lock, (fcntl.LOCK_SH if is_shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _LOCKED:
            return False
        logger.warning("The folder '%s' can't be locked (%s): let no other run write there.", lock.name, error.strerror)
    return True


def _manifest(path: Path) -> Mapping[str, str]:
    """What the parts in a folder hang on; empty where that can't be told."""
    try:
        read = json.loads((path / _MANIFEST).read_text(encoding="utf-8"))
        return dict(read["basis"]) if read["format"] == FORMAT else {}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}


def _difference(before: Mapping[str, str], now: Mapping[str, str]) -> str:
    """Names of what differs, for people; empty where nothing does."""
    changed = [name for name in sorted({*before, *now}) if before.get(name) != now.get(name)]
    more = f" and {len(changed) - 3} more" if len(changed) > 3 else ""
    return ", ".join(changed[:3]) + more
