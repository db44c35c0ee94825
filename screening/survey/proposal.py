"""What would stand in a run file, with what it was taken from."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from screening.survey.guess import Guess
from screening.survey.place import covered_frac

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from screening.survey.facts import LayerFacts
    from screening.survey.guess import KeepAwayGuess
    from screening.survey.look import Survey

NEEDED: Final = {
    "parcels": "the lots as areas, from the assessor or the land registry",
    "buildings": "footprints of buildings as areas",
    "elevation": "a bare-earth raster, with cells of 1 m or less if there is one",
}
"""Inputs a run can't do without, in words."""


@dataclass(frozen=True, slots=True)
class Named:
    """What a person has named for an input.

    Attributes
    ----------
    paths : tuple of pathlib.Path
        A file or folder; for the elevation also several.
    layer : str
        Layer of the file; empty if none was named.
    """

    paths: tuple[Path, ...]
    layer: str = ""

    def holds(self, path: Path) -> bool:
        """Whether a file is named, or lies in a folder that is."""
        file = path.resolve()
        return any(file == place.resolve() or place.resolve() in file.parents for place in self.paths)

    def has_layer(self, facts: LayerFacts) -> bool:
        """Whether a layer is named, or lies in a file that is."""
        return self.holds(facts.path) and self.layer in ("", facts.layer)

    @property
    def text(self) -> str:
        """Names of the paths, for messages."""
        return ", ".join(path.name for path in self.paths)


@dataclass(slots=True, kw_only=True)
class Proposal:
    """What would stand in a run file.

    Attributes
    ----------
    survey : Survey
        Everything that was found.
    named : mapping of str to Named
        What a person has named, by input.
    roles : dict
        Layer, raster or table of each input that was found.
    guesses : list of Guess
        Entries, in no particular order of sections.
    keep_away : list of KeepAwayGuess
        Layers a garden stays away from.
    not_used : list of (str, str)
        Data sets that nothing is done with, and why.
    remarks : list of str
        What a person should know, one sentence each without the full stop.
    """

    survey: Survey
    named: Mapping[str, Named]
    roles: dict[str, Any] = field(default_factory=dict)
    guesses: list[Guess] = field(default_factory=list)
    keep_away: list[KeepAwayGuess] = field(default_factory=list)
    not_used: list[tuple[str, str]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @property
    def missing(self) -> list[str]:
        """Inputs a run can't do without and for which nothing was found."""
        return [role for role in NEEDED if role not in self.roles]

    @property
    def n_to_confirm(self) -> int:
        """Entries in force that nobody should take unseen."""
        unsure = sum(not one.is_sure and not one.is_suggestion for one in self.guesses)
        return unsure + sum(
            not (one.is_sure and one.is_sure_distance) and not one.is_suggestion for one in self.keep_away
        )

    def add(self, section: str, key: str, value: Any, why: str, *, sure: bool = False, suggested: bool = False) -> None:
        """Add an entry."""
        self.guesses.append(
            Guess(section=section, key=key, value=value, is_sure=sure, why=why, is_suggestion=suggested)
        )

    def guess(self, section: str, key: str) -> Guess | None:
        """Return the entry of a key, None if there is none."""
        return next((one for one in self.guesses if (one.section, one.key) == (section, key)), None)

    def suggest_only(self, role: str) -> None:
        """Turn an input into a comment: it needs something from a person first."""
        self.guesses = [
            replace(one, is_suggestion=True) if one.section.startswith("inputs") and one.key == role else one
            for one in self.guesses
        ]
        self.roles.pop(role, None)

    def data(self) -> dict[str, Any]:
        """Return what JSON shows."""
        lots = self.roles.get("parcels")
        box = None if lots is None else lots.facts.lonlat_bounds
        return {
            "layers": [
                look.facts.data() | {"covers_parcels_frac": covered_frac(box, look.facts.lonlat_bounds)}
                for look in self.survey.looks
            ],
            "rasters": [
                raster.data() | {"covers_parcels_frac": covered_frac(box, raster.lonlat_bounds)}
                for raster in self.survey.rasters
            ],
            "tables": [table.data() for table in self.survey.tables],
            "guesses": [one.data() for one in self.guesses],
            "keep_away": [one.data() for one in self.keep_away],
            "not_used": [{"name": name, "why": why} for name, why in self.not_used],
            "remarks": self.remarks,
            "missing": self.missing,
        }


def with_others(why: str, others: tuple[str, ...]) -> str:
    """Add to what speaks for a guess what else there would be."""
    return f"{why}; also possible: {', '.join(others)}" if others else why
