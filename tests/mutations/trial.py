"""One trial: a folder with spoilt files, and the commands that are run on them."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from screening.cli.main import COMMANDS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy as np

MARK = "hx7q"
"""Stands in every text that must not come to life, so that it is found again in what was written."""

PAYLOADS = (
    f'=HYPERLINK("http://x.test/{MARK}","{MARK}")',
    f"+{MARK}+cmd|' /C calc'!A0",
    f"-2+3+{MARK}",
    f"@SUM(1+1)*{MARK}",
    f"\t={MARK}()",
    f"\r={MARK}()",
    f" ={MARK}()",
    f"＝{MARK}()",
    f"<script>{MARK}()</script>",
    f"</script><script>{MARK}()</script>",
    f'"><img src=x onerror={MARK}()>',
    f"' onmouseover='{MARK}()",
    f"<svg/onload={MARK}()>",
    f"]]><x {MARK}='1'/>",
    f"javascript:{MARK}()",
    f"<!--{MARK}",
    f"--><script>{MARK}()</script>",
    f"'; DROP TABLE candidate_homes; --{MARK}",
    f'"; DROP TABLE gardens; --{MARK}',
    f"{MARK}' OR '1'='1",
    f"\x1b[2J\x1b]0;{MARK}\x07",
    f"{MARK}\r\nERROR: all went well",
    f"\u202e{MARK}\u202c",
    f"{MARK}\u2028{MARK}\u0085",
    f"${{{MARK}}} {{{{{MARK}}}}} $({MARK}) `{MARK}` %s %n {{0}} {{}}",
    f"[red]{MARK}[/red] [link=http://x.test]{MARK}[/link] [/]",
    f"../../{MARK}",
    f"/dev/null/{MARK}",
    f"<b>{MARK}</b> <font name=zzz>{MARK}</font> <para> & < >",
    f"\\N{{{MARK}}} \\x00 \\u0000",
    f"\ufeff{MARK}\ufffe",
    f"{MARK}" + "\U0001f327\u0301" * 20,
    f"{MARK}" * 2500,
    "",
    " ",
    "NULL",
    "nan",
    "-1e400",
)


@dataclass
class Trial:
    """What a family of mutations fills in.

    ``folder`` holds ``in`` (the spoilt files), ``out`` (the only place for outputs), and places where nothing may
    appear. ``meddle`` is done by another process while the program runs. ``beside`` names patterns of outputs.
    """

    folder: Path
    good: Path
    rng: np.random.Generator
    port: int
    runs: list[list[str]] = field(default_factory=list)
    what: list[str] = field(default_factory=list)
    meddle: Callable[[], None] | None = None
    inputs_may_change: bool = False

    @property
    def inputs(self):
        """The folder of the inputs."""
        return self.folder / "in"

    @property
    def out(self):
        """The folder of the outputs."""
        return self.folder / "out"

    def one_of(self, things):
        """Draw one thing."""
        things = list(things)
        return things[int(self.rng.integers(len(things)))]

    def chance(self, share):
        """Draw yes or no."""
        return bool(self.rng.random() < share)

    def below(self, n):
        """Draw a whole number from 0 to n - 1."""
        return int(self.rng.integers(max(1, n)))

    def say(self, text):
        """Note what was done."""
        self.what.append(text)

    def take(self, *names):
        """Copy good files; a shapefile with all its parts. Returns the path of the last one."""
        for name in names:
            stem, _, suffix = name.rpartition(".")
            wanted = sorted(self.good.glob(f"{stem}.*")) if suffix == "shp" else [self.good / name]
            for path in wanted:
                if suffix != "shp" or path.suffix in {".shp", ".shx", ".dbf", ".prj", ".cpg"}:
                    shutil.copyfile(path, self.inputs / path.name)
        return self.inputs / names[-1]

    def town(self, *, parcels="parcels.gpkg", buildings="buildings.gpkg", elevation="elevation.tif", more="", head=""):
        """Copy a good town and write its run file; `more` is TOML at its end, `head` inside [inputs]."""
        for name in (parcels, buildings, elevation):
            if (self.good / name).exists() and not (self.inputs / name).exists():
                self.take(name)
        text = (
            f'[inputs]\nparcels = "{parcels}"\nbuildings = "{buildings}"\nelevation = "{elevation}"\n'
            f'elevation_unit = "m"\n{head}[fields]\nparcel_id = "PIN"\naddress = "ADDRESS"\nland_use = "USE"\n{more}'
        )
        path = self.inputs / "run.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def screen(self, *options, run_file="run.toml"):
        """Let one of the commands that read a city be run, most often ``run`` itself."""
        path = str(self.inputs / run_file)
        draw = self.rng.random()
        if draw < 0.12 and "check" in COMMANDS:
            self.runs.append(["check", path, *(["--json"] if self.chance(0.3) else [])])
        elif draw < 0.2:
            self.runs.append(["run", path, "--dry-run", *options])
        else:
            self.run(*options, run_file=run_file)

    def run(self, *options, run_file="run.toml"):
        """Let the main job be run."""
        target = str(self.out / "homes.gpkg")
        self.runs.append(["run", str(self.inputs / run_file), "-o", target, "--jobs", "1", "--no-progress", *options])

    def start(self, parcels, buildings="buildings.gpkg", elevation="elevation.tif"):
        """Let a run file be guessed, where that command exists."""
        if "start" not in COMMANDS or "\x00" in parcels + buildings + elevation:
            return
        names = {"--parcels": parcels, "--buildings": buildings, "--elevation": elevation}
        files = [text for name, file in names.items() for text in (name, str(self.inputs / file))]
        self.runs.append(["start", *files, "-o", str(self.out / "guessed.toml")])

    def read_result(self, path, *, every=False):
        """Let the commands that read a finished result be run: one, or all in turn."""
        path = str(path)
        out = self.out
        choices = [
            ["explain", path, "0001"],
            ["explain", path, "0002", "--json"],
            ["explain", path, "0001", "-o", str(out / "home.svg")],
            ["explain", path, "0003", "-o", str(out / "home.png")],
            ["table", path, "-o", str(out / "homes.csv")],
            ["table", path, "-o", str(out / "others.csv"), "--list", "others"],
            ["table", path, "-o", str(out / "book.xlsx")],
            ["table", path, "-o", str(out / "public.xlsx"), "--public"],
            ["table", path, "-o", str(out / "gardens.parquet"), "--list", "gardens"],
            ["map", path, "-o", str(out / "map.html")],
            ["sheets", path, "-o", str(out / "sheets.pdf"), "--no-progress"],
            ["streets", path, "--visits", "3"],
            ["streets", path, "--visits", "3", "--json"],
            ["streets", path, "--visits", "2", "-o", str(out / "plan.gpkg")],
            ["streets", path, "--visits", "2", "-o", str(out / "plan.xlsx")],
            ["streets", path, "--visits", "2", "-o", str(out / "plan.csv")],
        ]
        if every:
            self.runs.extend(run for run in choices if run[-1] not in {"--json", "3"})
        else:
            self.runs.append(self.one_of(choices))
