"""How the kernels are compiled: once for a user, kept in numba's cache.

Reading an array out of a named tuple counts a reference up and down, an atomic operation each. In the innermost
functions that took half of all time. They allocate nothing, so they can do without: ``leaf`` switches the counting
off, and numba refuses to compile a leaf that does allocate.
"""

from __future__ import annotations

from typing import Any, Final

from numba import njit

_ALLOCATING: Final[dict[str, Any]] = {"cache": True, "nogil": True, "error_model": "numpy", "_nrt": True}
_LEAF: Final[dict[str, Any]] = {**_ALLOCATING, "_nrt": False}

# what is not said, a function takes from its caller: so both say it
kernel = njit(**_ALLOCATING)
leaf = njit(**_LEAF)

# a leaf that is always written out in place: handing over tuples of many arrays took as long as reading them
inlined = njit(**_LEAF, forceinline=True)
