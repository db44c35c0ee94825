"""Wall time and memory of a command and of every process it starts."""

import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

_SAMPLE_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """What a command took.

    ``largest_mib`` is the peak of the largest single process as the kernel counted it; ``together_mib`` is the peak
    of the sum over the process and all its children, looked at 20 times a second (None where the system has no
    /proc). Pages that processes share are counted once for each.
    """

    wall_s: float
    largest_mib: float
    together_mib: float | None
    stdout: str


class CommandFailedError(RuntimeError):
    """A measured command ended with an exit code other than 0."""


def _tree_rss_bytes(root: int) -> int:
    """Resident memory of a process and its descendants, now."""
    parent: dict[int, int] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parent[int(entry.name)] = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except (OSError, IndexError):  # it ended while we looked
                continue
    members = {root}
    grew = True
    while grew:
        more = {child for child, p in parent.items() if p in members} - members
        members |= more
        grew = bool(more)
    total = 0
    for pid in members:
        try:
            total += int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
        except (OSError, IndexError):
            continue
    return total


def measure(command: list[str], *, log: Path, env: dict[str, str] | None = None) -> Measurement:
    """Run a command to its end and measure it; its stderr goes to ``log``.

    Raises
    ------
    CommandFailedError
        The command's exit code was not 0; the message ends with its last words.
    """
    peak = [0]
    done = threading.Event()
    has_proc = Path("/proc/self/statm").is_file()
    out_path = log.with_suffix(".out")
    with log.open("wb") as err, out_path.open("wb") as out:
        start_s = time.perf_counter()
        process = subprocess.Popen(command, stdout=out, stderr=err, env=env)

        def watch() -> None:
            while not done.wait(_SAMPLE_S):
                peak[0] = max(peak[0], _tree_rss_bytes(process.pid))

        watcher = threading.Thread(target=watch, daemon=True)
        if has_proc:
            watcher.start()
        # wait4 gives the usage of this one process and of those it waited for itself.
        _, status, usage = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - start_s
        done.set()
        if has_proc:
            watcher.join()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        words = log.read_text(errors="replace").strip().splitlines()[-3:]
        raise CommandFailedError(f"{' '.join(command)} ended with {process.returncode}: {' / '.join(words)}")
    return Measurement(
        wall_s=wall_s,
        largest_mib=usage.ru_maxrss / (2**20 if sys.platform == "darwin" else 1024),  # bytes there, KiB elsewhere
        together_mib=peak[0] / 2**20 if has_proc else None,
        stdout=out_path.read_text(errors="replace"),
    )
