"""Giving finished files and folders their names, also where a drive stumbles over it."""

from __future__ import annotations

import errno
import shutil
import time
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

RENAME_WAITS_S: Final = (0.1, 0.5, 2.0)
"""Times between tries to rename [s]: a virus scanner or a network drive holds a file for a moment."""

NO_USE_TO_WAIT: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS})


def put_in_place(staged: Path, final: Path, *, over_folder: bool = False) -> None:
    """Give a finished file or folder its name, over an older file; a network drive gets several tries.

    Parameters
    ----------
    staged, final : Path
    over_folder : bool
        Whether an older folder of that name goes too.

    Raises
    ------
    OSError
        If the name can't be given.
    """
    for wait_s in (*RENAME_WAITS_S, None):
        try:
            if over_folder and final.is_dir():
                shutil.rmtree(final)
            staged.replace(final)
        except OSError as error:
            # a network drive may do what it was told and report that it could not
            if not staged.exists() and final.exists():
                return
            if wait_s is None or error.errno in NO_USE_TO_WAIT:
                raise
            time.sleep(wait_s)
        else:
            return
