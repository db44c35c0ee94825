"""Guesses: what would stand in the run file, how sure that is, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """One entry of the run file.

    Attributes
    ----------
    section, key : str
        Where it stands.
    value : pathlib.Path, str, float, bool or tuple
        What stands there.
    is_sure : bool
        Whether the files themselves say it; anything else is to be confirmed by a person.
    why : str
        What speaks for it, without a full stop.
    is_suggestion : bool
        Whether it is written as a comment, which does nothing until somebody takes it in.
    """

    section: str
    key: str
    value: Any
    is_sure: bool
    why: str
    is_suggestion: bool = False

    def data(self) -> dict[str, Any]:
        """Return what JSON shows."""
        return {
            "section": self.section,
            "key": self.key,
            "value": _plain(self.value),
            "is_sure": self.is_sure,
            "why": self.why,
            "is_suggestion": self.is_suggestion,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepAwayGuess:
    """A layer of things a garden stays away from.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    layer : str
        Its layer; empty where the file has one only.
    kind : str
        What the features are.
    distance_m : float
        Distance a garden keeps [m].
    is_sure, is_sure_distance : bool
        Whether the kind is, by the name; whether the distance is, by the rule set.
    why, why_distance : str
        What speaks for the kind; where the distance comes from.
    is_suggestion : bool
        Whether it is written as a comment.
    """

    path: Path
    layer: str
    kind: str
    distance_m: float
    is_sure: bool
    why: str
    why_distance: str
    is_sure_distance: bool
    is_suggestion: bool = False

    def data(self) -> dict[str, Any]:
        """Return what JSON shows."""
        return {
            "path": str(self.path),
            "layer": self.layer,
            "kind": self.kind,
            "distance_m": self.distance_m,
            "is_sure": self.is_sure,
            "why": self.why,
            "why_distance": self.why_distance,
            "is_sure_distance": self.is_sure_distance,
            "is_suggestion": self.is_suggestion,
        }


def _plain(value: Any) -> Any:
    """Return a value as JSON knows it."""
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    return value if isinstance(value, str | int | float | bool) or value is None else str(value)
