"""Memory of this process: what it takes, and what it no longer needs given back to the system."""

from __future__ import annotations

import contextlib
import ctypes
import sys
from pathlib import Path

import pyarrow as pa

_STATUS = Path("/proc/self/status")


def give_back_memory() -> None:
    """Give freed memory back to the system, which the C library would keep for later: there are other processes."""
    pa.default_memory_pool().release_unused()
    if sys.platform == "linux":
        # only glibc has it
        with contextlib.suppress(AttributeError, OSError):
            ctypes.CDLL(None).malloc_trim(0)


def peak_memory_mib() -> float | None:
    """Most memory this process had so far [MiB]; None where the system doesn't say it."""
    try:
        lines = _STATUS.read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    for line in lines:
        if line.startswith("VmHWM:"):
            return float(line.split()[1]) / 1024.0
    return None
