"""What a path leads to: a file that can be read, or why not.

A pipe or a device in the place of a file makes a program wait for ever, or read without end; a name can be one that no
system takes. Both are told before anything is opened.
"""

from __future__ import annotations

import errno
import stat
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

NOT_THERE: Final = "doesn't exist"

_REASONS: Final = {
    errno.ENOENT: NOT_THERE,
    errno.ENOTDIR: NOT_THERE,
    errno.ELOOP: "is a link that leads back to itself",
    errno.ENAMETOOLONG: "has a name longer than the system takes",
}


def why_unreadable(path: Path, *, may_be_folder: bool = False) -> str:
    """Say what is wrong with a path that should be a file.

    Parameters
    ----------
    path : pathlib.Path
        Any path, of any origin.
    may_be_folder : bool
        Whether a folder will do.

    Returns
    -------
    str
        The rest of a sentence that begins with the path, such as ``doesn't exist``; "" if nothing is wrong.
    """
    try:
        mode = path.stat().st_mode
    except ValueError:
        # A NUL in it.
        return "is no name of a file"
    except OSError as error:
        return _REASONS.get(error.errno or 0, f"can't be reached ({error.strerror or error})")
    if stat.S_ISDIR(mode):
        return "" if may_be_folder else "is a folder, not a file"
    return "" if stat.S_ISREG(mode) else "is a pipe or a device, not a file"
