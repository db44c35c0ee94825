"""What an animal is: the trouble, how it is made, and what each command has to answer."""

from __future__ import annotations

import inspect
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from made_files import write_raster
from made_trouble import NORTH_M, SOUTH_M, Town, write_frame

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

ROWS, LOTS = 3, 36
"""The zoo's town is the southern part of the town that the checks are tested on: three rows of twelve lots."""

Z_ROWS = 196
HERE = NORTH_M - (SOUTH_M - 30.0 + Z_ROWS)
"""How far the zoo's raster ends south of the whole town's [m]."""


def small_town() -> Town:
    """36 sound lots with their buildings and the ground 30 m around them."""
    town = Town()
    town.parcels = town.parcels.iloc[:LOTS].reset_index(drop=True)
    on_lots = town.buildings.intersects(town.parcels.union_all())
    town.buildings = town.buildings[on_lots].reset_index(drop=True)
    town.z = town.z[-Z_ROWS:].copy()
    town.raster["north"] = SOUTH_M - 30.0 + Z_ROWS
    return town


@dataclass(frozen=True)
class Refused:
    """The run ends with one sentence that holds these words, and exit code 3 (2 for a wrong run file)."""

    words: str
    exit_code: int = 3

    @property
    def text(self) -> str:
        """The outcome for people."""
        return f"refused: *... {self.words} ...*"


@dataclass(frozen=True)
class Goes:
    """The run goes: how many candidates of the 36 lots, why others are none, what was merged and repaired.

    ``candidates`` may be a range.
    """

    candidates: int | tuple[int, int] = LOTS
    reasons: Mapping[str, int] = field(default_factory=dict)
    merged: Mapping[str, int] = field(default_factory=dict)
    repairs: Mapping[str, int] = field(default_factory=dict)
    flags: Mapping[str, int] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The outcome for people."""
        parts = []
        if self.candidates == LOTS and not (self.reasons or self.merged):
            parts.append(f"all {LOTS} lots are candidates, as in the sound town")
        elif isinstance(self.candidates, tuple):
            parts.append(f"{self.candidates[0]} to {self.candidates[1]} of {LOTS} lots are candidates")
        else:
            parts.append(f"{self.candidates} candidates")
        parts += [f"{n} row{'s' if n > 1 else ''} `{code}`" for code, n in self.reasons.items()]
        parts += [f"{n} merged (`{code}`)" for code, n in self.merged.items()]
        parts += [f"flag `{code}`" for code in self.flags]
        parts += [f"recorded as `repairs.{code}`" for code in self.repairs]
        return "; ".join(parts)


@dataclass(frozen=True)
class Animal:
    """One trouble.

    Attributes
    ----------
    words : str
        What is wrong, for people.
    make : callable
        Spoils the town; takes it, and the folder where further files may go.
    check : mapping of str to str
        Codes that `check` has to report with their severities; no other error or warning may come beside them.
    run : Refused or Goes
    start : mapping of str to object or None
        What `start` has to write, by ``section.key``; the value `ABSENT` for what it must leave out, a text that begins
        with ``~`` for words of its refusal. None where nothing can be guessed from the files.
    start_runs : bool
        Whether the guessed run file gives the same candidates as the hand-written one, without an edit.
    """

    words: str
    make: Callable[..., None]
    check: Mapping[str, str]
    run: Refused | Goes
    start: Mapping[str, Any] | None = None
    start_runs: bool = False

    @property
    def name(self) -> str:
        """Name of the animal."""
        return self.make.__name__.strip("_")

    def town_in(self, folder: Path) -> dict[str, Any]:
        """Write the spoilt town; what `load_params` needs to find it."""
        town = small_town()
        arguments = (town, folder)[: len(inspect.signature(self.make).parameters)]
        self.make(*arguments)
        return town.write(folder)


ABSENT = object()

__all__ = ["ABSENT", "HERE", "LOTS", "Animal", "Goes", "Refused", "small_town", "write_frame", "write_raster"]
