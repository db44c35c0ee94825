"""Towns to measure on, made once and kept under ``benchmarks/work`` until the generator changes."""

import hashlib
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
WORK = HERE / "work"
GENERATOR = HERE.parent / "sample_geodata" / "make_town.py"
SEED = 2


def _digest() -> str:
    sources = [GENERATOR, *sorted((GENERATOR.parent / "town").glob("*.py"))]
    return hashlib.sha256(b"".join(p.read_bytes() for p in sources)).hexdigest()


def town(n_lots: int, seed: int = SEED) -> Path:
    """Folder of a town of about ``n_lots`` lots, made now if it is missing or older than the generator.

    It is made by a process of its own: the kernel counts the size of the process that starts a command into the
    command's peak memory, so the measuring process has to stay small.
    """
    folder = WORK / f"town_{n_lots}_{seed}"
    stamp = folder / "generator.sha256"
    digest = _digest()
    if not stamp.is_file() or stamp.read_text() != digest:
        stamp.unlink(missing_ok=True)
        command = [sys.executable, str(GENERATOR), str(folder), "--lots", str(n_lots), "--seed", str(seed)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        stamp.write_text(digest)
    return folder
