"""The page of the zoo of troubles, from the same animals that the tests of start, check and run share."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from screening.columns import TOPICS

if TYPE_CHECKING:
    from collections.abc import Iterator

TESTS = Path(__file__).resolve().parents[1] / "tests"


def load_animals() -> dict[str, tuple[Any, ...]]:
    """Return the animals by topic."""
    if str(TESTS) not in sys.path:
        sys.path.insert(0, str(TESTS))
    from zoo.animals import ANIMALS  # noqa: PLC0415 - from the folder named above

    return ANIMALS


def zoo_rows() -> Iterator[tuple[str, list[tuple[str, str, str, str]]]]:
    """Yield each topic's heading and its rows: the trouble, what check says, what the run does, what start does."""
    for topic, animals in load_animals().items():
        rows = []
        for animal in animals:
            codes = ", ".join(f"`{code}` ({severity})" for code, severity in animal.check.items()) or "nothing"
            rows.append((animal.words, codes, animal.run.text, _start_text(animal)))
        yield TOPICS[topic], rows


def _start_text(animal: Any) -> str:
    """What start answers, in a few words."""
    if animal.start is None:
        return ""
    if "" in animal.start:
        return f"asks: *... {animal.start[''].removeprefix('~')} ...*"
    return "its run file goes without an edit" if animal.start_runs else "guesses"


def n_animals() -> int:
    """Return how many animals there are."""
    return sum(len(animals) for animals in load_animals().values())
