"""How the kernels are compiled: once for a user, kept in numba's cache.

Reading an array out of a named tuple counts a reference up and down, an atomic operation each. In the innermost
functions that took half of all time. They allocate nothing, so they can do without: ``leaf`` switches the counting
off, and numba refuses to compile a leaf that does allocate.
"""

from __future__ import annotations

import contextlib
import hashlib
from pathlib import Path
from typing import Any, Final

from numba import njit


def forget_stale(sources: Path) -> bool:
    """Empty the cache beside some sources if any of them changed; whether it did.

    numba compares what it compiled with the file a kernel stands in only, and not with those of the kernels that it
    calls: after an update it would go on with old ones. A folder that can't be written holds nothing compiled.

    Parameters
    ----------
    sources : Path
        Folder of the kernels.
    """
    files = [(file.name, file.stat()) for file in sorted(sources.glob("*.py"))]
    text = "\n".join(f"{name} {stat.st_mtime_ns} {stat.st_size}" for name, stat in files)
    stamp = hashlib.sha256(text.encode()).hexdigest()
    cache = sources / "__pycache__"
    mark = cache / "kernels.stamp"
    with contextlib.suppress(OSError):
        if mark.is_file() and mark.read_text() == stamp:
            return False
        for file in cache.glob("*.nb[ic]"):
            file.unlink(missing_ok=True)
        cache.mkdir(exist_ok=True)
        mark.write_text(stamp)
        return True
    return False


forget_stale(Path(__file__).parent)

_ALLOCATING: Final[dict[str, Any]] = {"cache": True, "nogil": True, "error_model": "numpy", "_nrt": True}
_LEAF: Final[dict[str, Any]] = {**_ALLOCATING, "_nrt": False}

# what is not said, a function takes from its caller: so both say it
kernel = njit(**_ALLOCATING)
leaf = njit(**_LEAF)

# a leaf that is always written out in place: handing over tuples of many arrays took as long as reading them
inlined = njit(**_LEAF, forceinline=True)
