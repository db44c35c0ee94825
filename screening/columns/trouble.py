"""What a trouble with an input is, and how its rows are written."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that can be wrong with an input.

    Attributes
    ----------
    code : str
        Stable name.
    topic : str
        What it concerns, a key of `screening.columns.TOPICS`.
    severity : str
        Usual severity; where the run copes with a mild case, that case is reported one step lower.
    meaning : str
        What it is, one sentence.
    effect : str
        What it does to the result.
    way_out : str
        What a person can do.
    """

    code: str
    topic: str
    severity: Severity
    meaning: str
    effect: str
    way_out: str


def group(topic: str, severity: Severity, *rows: tuple[str, str, str, str]) -> Iterator[Trouble]:
    """Troubles of one topic and severity from rows of code, meaning, effect and way out."""
    for code, meaning, effect, way_out in rows:
        yield Trouble(code, topic, severity, meaning, effect, way_out)
