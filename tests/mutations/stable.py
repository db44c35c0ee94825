"""Where trials are run: a warm process that makes a child for each, under limits, and judges what it left.

Everything heavy is imported, and every command run once, before the first child is made; a child then needs a fifth of a
second instead of three. It may crash, hang or eat memory: only it dies.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import shutil
import signal
import socket
import stat
import sys
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from mutations.families import FAMILIES, draw_family
from mutations.judge import judge_answer, judge_files, judge_output
from mutations.town import make_result, make_town
from mutations.trial import Trial
from screening.batch import cluster

CPU_S = 20
WALL_S = 40.0
SCHEDULER_S = 5
"""Time that a scheduler has to answer: half a minute for people, who start it in the same breath."""
MEMORY_B = 2 << 30
"""On top of what the warm process has mapped."""
LARGEST_FILE_B = 1 << 29
WATCHED = (
    "open",
    "os.rename",
    "os.remove",
    "os.mkdir",
    "os.rmdir",
    "os.symlink",
    "os.link",
    "os.truncate",
    "os.chmod",
    "shutil.rmtree",
)
FORBIDDEN = (
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "os.posix_spawn",
    "os.startfile",
    "socket.connect",
    "socket.getaddrinfo",
    "webbrowser.open",
    "sqlite3.enable_load_extension",
    "urllib.Request",
    "os.fork",
)
"""Audit events of what no data may make the program do."""


@dataclass
class Verdict:
    """What came of a trial."""

    number: int
    family: str
    what: list[str]
    breaches: list[str]
    codes: list[int] = field(default_factory=list)
    seconds: float = 0.0
    said: str = ""


def run_here(argv):
    """Run a command in this process as the program would; returns its exit code."""
    from screening.cli.main import main

    try:
        main.main(args=list(argv), prog_name="screening", standalone_mode=True)
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(bool(end.code))
    except BaseException:  # noqa: BLE001 - what the interpreter would do
        traceback.print_exc()
        return 1
    return 0


class Stable:
    """A warm process's place: the good files, a folder for trials, a port nobody may call."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder = folder
        self.seed = seed
        self.good = folder / "good"
        self.port = socket.socket()
        self.port.bind(("127.0.0.1", 0))
        self.port.listen(8)
        self.port.settimeout(0.0)

    def warm_up(self):
        """Make the good files and run every command once."""
        cluster.WAIT_S = SCHEDULER_S
        folder = self.folder / "warm"
        folder.mkdir(parents=True, exist_ok=True)
        with _silenced(folder / "said.txt"):
            make_town(self.good)
            make_result(self.good, run_here)
            result = self.good / "result.gpkg"
            trial = Trial(folder, self.good, np.random.default_rng(0), 0)
            for name in ("in", "out"):
                (folder / name).mkdir(exist_ok=True)
            trial.read_result(result, every=True)
            for name in ("parcels.geojson", "parcels.zip", "parcels.fgb", "parcels.parquet"):
                trial.town(parcels=name, head='rain = "rain.csv"\n')
                trial.take("rain.csv")
                run_here(
                    [
                        "run",
                        str(trial.inputs / "run.toml"),
                        "-o",
                        str(trial.out / f"{name}.gpkg"),
                        "--jobs",
                        "1",
                        "--no-progress",
                        "--overwrite",
                    ]
                )
            trial.town(elevation="elevation.asc")
            trial.take("elevation.prj")
            trial.screen()
            trial.start("parcels.gpkg")
            for argv in trial.runs:
                run_here(argv)
        shutil.rmtree(folder)

    def try_one(self, number, *, family="", keep=None):
        """Make and judge one trial; `keep` is a folder that stays."""
        folder = keep or self.folder / f"t{number}"
        shutil.rmtree(folder, ignore_errors=True)
        for name in ("in", "out", "home", "tmp", "cwd", "said"):
            (folder / name).mkdir(parents=True)
        start = time.perf_counter()
        pid = os.fork()
        if pid == 0:
            _child(self, number, family, folder)
        status, hung = _wait(pid, start)
        seconds = time.perf_counter() - start
        verdict = self._judge(number, folder, status, hung=hung)
        verdict.seconds = seconds
        if keep is None:
            _remove(folder)
        return verdict

    def _judge(self, number, folder, status, *, hung):
        about = folder / "said" / "about.json"
        if not about.exists():
            said = (folder / "said" / "making.txt").read_text(errors="replace") if not hung else "hung"
            return Verdict(number, "?", [], [f"could not be made: {said[-600:]}"])
        plan = json.loads(about.read_text())
        breaches = [f"{plan['runs'][-1][0]}: hung for {WALL_S:.0f} s"] if hung else []
        codes, said = [], ""
        killed = os.WTERMSIG(status) if os.WIFSIGNALED(status) and not hung else 0
        for k, argv in enumerate(plan["runs"]):
            end = folder / "said" / f"{k}.code"
            out, err = (_text(folder / "said" / f"{k}.{one}") for one in ("out", "err"))
            if not end.exists():
                if killed:
                    breaches.append(
                        f"{argv[0]}: killed by signal {killed} {'(CPU time)' if killed == signal.SIGXCPU else ''}"
                    )
                break
            codes.append(int(end.read_text()))
            said += err
            breaches += [f"{argv[0]}: {text}" for text in judge_answer(argv, codes[-1], 0, out, err)]
        breaches += [f"it did what it must not: {line}" for line in _text(folder / "said" / "events").splitlines()[:3]]
        ended_well = None if hung or killed or not codes else codes[0] in {0, 4}
        before = plan["before"]
        after = listing(folder)
        first = plan["runs"][0][0]
        if len(plan["runs"]) > 1 and first != "run":
            ended_well = None
        breaches += [
            f"{first}: {text}"
            for text in judge_files(before, after, ended_well=ended_well, inputs_may_change=plan["may_change"])
        ]
        if not hung and not killed:
            for name in sorted(set(after) - set(before)):
                if name.startswith("out/"):
                    breaches += [f"{first}: {text}" for text in judge_output(folder / name)]
        with contextlib.suppress(BlockingIOError):
            while True:
                self.port.accept()[0].close()
                breaches.append(f"{first}: it went to the network")
        return Verdict(number, plan["family"], plan["what"], breaches, codes, said=said[-2000:])


def listing(folder):
    """Every file below a folder with its size and a digest, but for what was said."""
    import hashlib

    found = {}
    for base, folders, files in os.walk(folder):
        for name in [*files, *folders]:
            path = Path(base) / name
            short = str(path.relative_to(folder))
            if short.startswith("said"):
                continue
            kind = path.lstat().st_mode
            if stat.S_ISLNK(kind):
                found[short] = f"link {path.readlink()}"
            elif stat.S_ISREG(kind):
                found[short] = hashlib.sha256(path.read_bytes()).hexdigest()
            else:
                found[short] = str(stat.S_IFMT(kind))
    return found


def _text(path):
    return path.read_bytes().decode("utf-8", "replace") if path.exists() else ""


def _remove(folder):
    shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def _silenced(path):
    """Send stdout and stderr of this process, and of its C libraries, to a file."""
    sys.stdout.flush()
    sys.stderr.flush()
    kept = os.dup(1), os.dup(2)
    with path.open("wb") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
        try:
            yield
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            for old, number in zip(kept, (1, 2), strict=True):
                os.dup2(old, number)
                os.close(old)


def _wait(pid, start):
    """Wait for a child; kill it and all it started when its time is over."""
    pause = 0.002
    while time.perf_counter() - start < WALL_S:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            _kill_group(pid)
            return status, False
        time.sleep(pause)
        pause = min(0.02, pause * 1.3)
    _kill_group(pid)
    return os.waitpid(pid, 0)[1], True


def _kill_group(pid):
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, signal.SIGKILL)


def _child(stable, number, family, folder):
    """Make the trial and run its commands; never returns."""
    code = 99
    try:
        os.setsid()
        null = os.open(os.devnull, os.O_RDONLY)
        os.dup2(null, 0)
        with _silenced(folder / "said" / "making.txt"):
            try:
                rng = np.random.default_rng([stable.seed, number])
                name = draw_family(rng)
                name = family or name
                trial = Trial(folder, stable.good, rng, stable.port.getsockname()[1])
                FAMILIES[name][1](trial)
            except BaseException:
                traceback.print_exc()
                raise
        plan = {
            "family": name,
            "what": trial.what,
            "runs": trial.runs,
            "before": listing(folder),
            "may_change": trial.inputs_may_change,
        }
        (folder / "said" / "about.json").write_text(json.dumps(plan))
        os.chdir(folder / "cwd")
        os.environ.update(HOME=str(folder / "home"), TMPDIR=str(folder / "tmp"))
        import tempfile

        tempfile.tempdir = None
        _limit()
        if trial.meddle is not None and os.fork() == 0:
            with contextlib.suppress(OSError):
                trial.meddle()
            os._exit(0)
        _watch(folder)
        for k, argv in enumerate(trial.runs):
            said = folder / "said"
            with _split(said / f"{k}.out", said / f"{k}.err"):
                code = run_here(argv)
            (said / f"{k}.code").write_text(str(code))
            if code not in {0, 4} and argv[0] == "run":
                break
    except BaseException:  # noqa: BLE001 - nothing may go on in the parent's place
        code = 99
    finally:
        os._exit(code & 0xFF)


@contextlib.contextmanager
def _split(out, err):
    """Send stdout and stderr to files of their own."""
    with out.open("wb") as first, err.open("wb") as second:
        os.dup2(first.fileno(), 1)
        os.dup2(second.fileno(), 2)
        yield
        with contextlib.suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()


def _limit():
    """Limits of time, memory and file size for the rest of this process."""
    size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (size + MEMORY_B, size + MEMORY_B))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S + 5))
    resource.setrlimit(resource.RLIMIT_FSIZE, (LARGEST_FILE_B, LARGEST_FILE_B))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _watch(folder):
    """Note every act outside the trial's own folder, and every act that no data may cause."""
    log = os.open(folder / "said" / "events", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    own = str(folder)
    writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND

    def hook(event, args):
        if event in FORBIDDEN and args[0] != "uname":  # what Python asks for the name of the processor
            os.write(log, f"{event} {str(args)[:150]}\n".encode("utf-8", "replace"))
        elif event in WATCHED:
            if event == "open" and not (isinstance(args[2], int) and args[2] & writing):
                return
            paths = [one for one in args if isinstance(one, str | bytes)]
            for one in paths[:1]:
                text = os.fsdecode(one)
                place = os.path.abspath(text)  # noqa: PTH100
                if not place.startswith(own) and place not in {"/dev/null", "/dev/tty"}:
                    os.write(log, f"{event} {place[:200]}\n".encode("utf-8", "replace"))

    sys.addaudithook(hook)
