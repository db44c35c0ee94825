"""Words in names: how a name is parted into them."""

from __future__ import annotations

import re


def word_set(text: str) -> frozenset[str]:
    """Words of a text with blanks between them, as lists of words are written in this package."""
    return frozenset(text.split())


def words_of(name: str) -> list[str]:
    """Words of a field's or file's name in lower case: parted at marks, digits, and capitals after small letters."""
    text = re.sub(r"([a-zß-öø-ÿ])([A-Z])", r"\1 \2", name)
    return [word for word in re.split(r"[^a-zß-öø-ÿ]+", text.lower()) if word]


def run_together(name: str) -> str:
    """Return a name in lower case without anything but letters and digits."""
    return re.sub(r"[^a-z0-9ß-öø-ÿ]+", "", name.lower())
