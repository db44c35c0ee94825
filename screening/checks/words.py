"""Numbers of things in words."""

from __future__ import annotations


def count(n: int, one: str, several: str = "") -> str:
    """Return a number with its thing: ``1 parcel``, ``2,867 parcels``."""
    return f"{n:,} {one if n == 1 else several or one + 's'}"


def do(n: int, one: str, several: str) -> str:
    """Return the verb that goes with a number of things."""
    return one if n == 1 else several


def listed(names: list[str]) -> str:
    """Names with commas, and an "and" before the last."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
