"""What a path leads to: a file that can be read, or why not.

A pipe or a device in the place of a file makes a program wait for ever, or read without end; a name can be one that no
system takes. Both are told before anything is opened.
"""

from __future__ import annotations

import errno
import stat
import sys
from typing import TYPE_CHECKING, Final
from urllib.parse import urlparse

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


def why_misread(path: Path) -> str:
    """Say why the library for layers would open another file than the one at a path.

    It looks for addresses in every name: what stands before a ``!`` is the archive that holds the rest, line breaks are
    left out, a first part such as ``http:`` is a server. What it then reads or writes is somewhere else.

    Parameters
    ----------
    path : pathlib.Path
        Any path.

    Returns
    -------
    str
        The rest of a sentence that begins with the path; "" if nothing is wrong.
    """
    text = str(path)
    if sys.platform == "win32":
        # a drive's letter would count as a server
        text = text.partition(":")[2] or text
    try:
        parts = urlparse(text, allow_fragments=False)
    except ValueError:
        return "has a name that reads like a broken address"
    if "!" in text:
        return "has a ! in its name, or in that of its folder"
    if any(sign in text for sign in "\t\n\r"):
        return "has a line break or a tab in its name, or in that of its folder"
    whole = f"{parts.path}?{parts.query}" if parts.query else parts.path
    return "" if whole == text.rstrip("?") else "has a name that reads like an address, by its : or ;"
