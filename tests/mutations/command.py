"""``python -m tests.mutations``: makes and judges many trials, and tells what was found."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import queue
import re
import sys
import tempfile
import time
from collections import Counter, defaultdict
from pathlib import Path

from mutations.families import FAMILIES


def main(argv=None):
    """Run the trials that the arguments name; the exit code is 1 where one was failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutations", description=__doc__)
    parser.add_argument("--n", type=int, default=1000, help="trials")
    parser.add_argument("--seed", type=int, default=1, help="seed of all draws")
    parser.add_argument("--first", type=int, default=0, help="number of the first trial")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes side by side")
    parser.add_argument("--family", default="", choices=["", *FAMILIES], help="only this family of mutations")
    parser.add_argument("--case", type=int, help="only the trial of this number; its folder is kept and named")
    parser.add_argument("--report", type=Path, help="file for every verdict, one line of JSON each")
    options = parser.parse_args(argv)
    if options.case is not None:
        verdict = _one(options)
        print(json.dumps(vars(verdict), indent=1, ensure_ascii=False))  # noqa: T201
        return sys.exit(bool(verdict.breaches))
    start = time.perf_counter()
    verdicts = []
    with open(options.report or os.devnull, "a", encoding="utf-8") as report:  # noqa: PTH123
        for verdict in run_trials(
            range(options.first, options.first + options.n), options.seed, options.jobs, options.family
        ):
            verdicts.append(verdict)
            report.write(json.dumps(vars(verdict)) + "\n")
            if len(verdicts) % 200 == 0:
                failed = sum(bool(v.breaches) for v in verdicts)
                print(f"{len(verdicts)} trials, {failed} failed, {time.perf_counter() - start:.0f} s", flush=True)  # noqa: T201
    print(summary(verdicts, time.perf_counter() - start))  # noqa: T201
    return sys.exit(any(v.breaches for v in verdicts))


def _one(options):
    from mutations.stable import Stable

    folder = Path(tempfile.mkdtemp(prefix="trial_"))
    stable = Stable(folder, options.seed)
    stable.warm_up()
    print(f"kept in {folder / 'trial'}", file=sys.stderr)  # noqa: T201
    return stable.try_one(options.case, family=options.family, keep=folder / "trial")


def run_trials(numbers, seed, jobs, family=""):
    """Yield the verdicts of trials as they come, made by so many warm processes."""
    context = multiprocessing.get_context("spawn")
    wanted, done = context.Queue(), context.Queue()
    numbers = list(numbers)
    with tempfile.TemporaryDirectory(prefix="trials_", ignore_cleanup_errors=True) as folder:
        for number in numbers:
            wanted.put(number)
        crew = [
            context.Process(target=_work, args=(Path(folder) / str(k), seed, family, wanted, done)) for k in range(jobs)
        ]
        for process in crew:
            wanted.put(None)
            process.start()
        for _ in numbers:
            while True:
                try:
                    verdict = done.get(timeout=5.0)
                    break
                except queue.Empty:
                    if not any(process.is_alive() for process in crew):
                        msg = "every process that makes trials has died"
                        raise RuntimeError(msg) from None
            yield verdict
        for process in crew:
            process.join()


def _work(folder, seed, family, wanted, done):
    from mutations.stable import Stable

    stable = Stable(folder, seed)
    stable.warm_up()
    while (number := wanted.get()) is not None:
        done.put(stable.try_one(number, family=family))


def signature(breach):
    """What a breach has in common with others of its cause."""
    return re.sub(r"[0-9]+|'[^']*'|\"[^\"]*\"|x{9,}", "#", breach)[:110]


def summary(verdicts, seconds):
    """Figures of all trials, and the breaches by their cause with the number of a trial each."""
    codes = Counter(v.codes[-1] if v.codes else None for v in verdicts)
    failed = [v for v in verdicts if v.breaches]
    lines = [
        f"{len(verdicts)} trials in {seconds:.0f} s, {sum(len(v.codes) for v in verdicts)} commands; slowest "
        f"{max((v.seconds for v in verdicts), default=0):.1f} s; last exit codes "
        + ", ".join(f"{code}: {n}" for code, n in sorted(codes.items(), key=str)),
        f"{len(failed)} failed",
    ]
    by_cause = defaultdict(list)
    for v in failed:
        for breach in v.breaches:
            by_cause[signature(breach)].append((v, breach))
    for hits in sorted(by_cause.values(), key=len, reverse=True):
        v, breach = hits[0]
        lines.append(f"{len(hits):5d} x  {breach[:200]}")
        lines.append(
            f"         {v.family}, trials {', '.join(str(h[0].number) for h in hits[:4])}: {'; '.join(v.what)[:150]}"
        )
    return "\n".join(lines)


def read_report(path):
    """Verdicts of an earlier run's report."""
    from mutations.stable import Verdict

    return [Verdict(**json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]
