"""Lines of scripts that run from right to left, put in the order in which they are set from left to right.

Unicode's bidirectional algorithm without its explicit embeddings and isolates, which addresses don't use, and the
joining of Arabic letters.

References
----------
.. [1] Unicode Standard Annex 9, Unicode Bidirectional Algorithm; the rules below go by its names.
"""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache
from typing import Final

_RIGHT_TO_LEFT: Final = frozenset({"R", "AL", "AN"})
_NEUTRAL: Final = frozenset({"B", "S", "WS", "ON", "BN"})
_BRACKETS: Final = {"(": ")", "[": "]", "{": "}"}
_MIRRORED: Final = dict(zip("()[]{}<>«»‹›≤≥", ")(][}{><»«›‹≥≤", strict=True))


@lru_cache(maxsize=20_000)
def runs_right_to_left(text: str) -> bool:
    """Whether letters of a script that runs from right to left are in a text."""
    return not text.isascii() and any(unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT for letter in text)


def visual(text: str) -> str:
    """Put a line in the order in which it is set, Arabic letters joined, brackets turned.

    Parameters
    ----------
    text : str
        One line, in the order in which it is read.
    """
    if not runs_right_to_left(text):
        return text
    letters = join_arabic(text)
    levels = _levels(letters)
    order = list(range(len(letters)))
    # L2: from the highest level down, turn every run of letters at it or above
    for level in range(max(levels), 0, -1):
        start = 0
        while start < len(order):
            if levels[order[start]] < level:
                start += 1
                continue
            stop = start
            while stop < len(order) and levels[order[stop]] >= level:
                stop += 1
            order[start:stop] = order[start:stop][::-1]
            start = stop
    return "".join(_MIRRORED.get(letters[at], letters[at]) if levels[at] % 2 else letters[at] for at in order)


def _levels(text: str) -> list[int]:
    """Embedding level of every letter."""
    kinds = [unicodedata.bidirectional(letter) or "L" for letter in text]
    # P2, P3: the first strong letter gives the direction of the line
    strong = next((kind for kind in kinds if kind in {"L", "R", "AL"}), "L")
    base = 0 if strong == "L" else 1
    side = "LR"[base]
    original = list(kinds)
    _weak(kinds, side)
    _brackets(text, kinds, side)
    _neutral(kinds, side)
    levels = []
    for kind in kinds:
        # I1, I2
        up = {"L": 0, "R": 1, "AN": 2, "EN": 2}[kind] if base == 0 else {"L": 1, "R": 0, "AN": 1, "EN": 1}[kind]
        levels.append(base + up)
    # L1: blanks at the end go with the line
    for at in range(len(text) - 1, -1, -1):
        if original[at] not in {"WS", "S", "B", "BN"}:
            break
        levels[at] = base
    return levels


def _weak(kinds: list[str], side: str) -> None:
    """Settle marks and numbers, W1 to W7."""
    before, strong = side, side
    for at, kind in enumerate(kinds):
        if kind == "NSM":
            kinds[at] = before  # W1
        before = kinds[at]
        if before in {"L", "R", "AL"}:
            strong = before
        elif before == "EN" and strong == "AL":
            kinds[at] = "AN"  # W2
    for at, kind in enumerate(kinds):
        if kind == "AL":
            kinds[at] = "R"  # W3
    for at in range(1, len(kinds) - 1):
        around = {kinds[at - 1], kinds[at + 1]}
        if (kinds[at] in {"ES", "CS"} and around == {"EN"}) or (kinds[at] == "CS" and around == {"AN"}):
            kinds[at] = kinds[at - 1]  # W4
    for start, stop in _runs_of(kinds, {"ET", "BN"}):
        beside = {kinds[start - 1] if start else "", kinds[stop] if stop < len(kinds) else ""}
        kinds[start:stop] = ["EN" if "EN" in beside else "ON"] * (stop - start)  # W5, W6
    strong = side
    for at, kind in enumerate(kinds):
        if kind in {"ES", "CS"}:
            kinds[at] = "ON"  # W6
        if kind in {"L", "R"}:
            strong = kind
        elif kind == "EN" and strong == "L":
            kinds[at] = "L"  # W7


def _brackets(text: str, kinds: list[str], side: str) -> None:
    """Give both brackets of a pair one direction, N0."""
    open_at: list[int] = []
    pairs = []
    for at, letter in enumerate(text):
        if kinds[at] != "ON":
            continue
        if letter in _BRACKETS:
            open_at.append(at)
        elif letter in _BRACKETS.values():
            while open_at:
                start = open_at.pop()
                if _BRACKETS[text[start]] == letter:
                    pairs.append((start, at))
                    break
    for start, stop in sorted(pairs):
        inside = {_strong(kind) for kind in kinds[start + 1 : stop]} - {""}
        if side in inside:
            kinds[start] = kinds[stop] = side
        elif inside:
            before = next((_strong(kind) for kind in reversed(kinds[:start]) if _strong(kind)), side)
            kinds[start] = kinds[stop] = before if before != side else side


def _neutral(kinds: list[str], side: str) -> None:
    """Give what has no direction that of its neighbours, or of the line, N1 and N2."""
    for start, stop in _runs_of(kinds, _NEUTRAL):
        before = _strong(kinds[start - 1]) if start else side
        after = _strong(kinds[stop]) if stop < len(kinds) else side
        kinds[start:stop] = [before if before == after else side] * (stop - start)


def _strong(kind: str) -> str:
    """The direction that a letter gives its neighbours; numbers count as running from right to left."""
    return {"L": "L", "R": "R", "EN": "R", "AN": "R"}.get(kind, "")


def _runs_of(kinds: list[str], wanted: frozenset[str] | set[str]) -> list[tuple[int, int]]:
    """Beginnings and ends of the runs of some kinds."""
    runs = []
    start = None
    for at, kind in enumerate([*kinds, ""]):
        if kind in wanted:
            start = at if start is None else start
        elif start is not None:
            runs.append((start, at))
            start = None
    return runs


@cache
def _arabic_forms() -> dict[str, dict[str, str]]:
    """Forms of the Arabic letters by their place in a word, from Unicode's own table of presentation forms."""
    forms: dict[str, dict[str, str]] = {}
    for code in (*range(0xFB50, 0xFE00), *range(0xFE70, 0xFF00)):
        kind, *parts = unicodedata.decomposition(chr(code)).split() or [""]
        if kind in {"<initial>", "<medial>", "<final>", "<isolated>"}:
            base = "".join(chr(int(part, 16)) for part in parts)
            if len(base) == 1 or (base[0] == "\u0644" and base[1] in "\u0622\u0623\u0625\u0627"):
                forms.setdefault(base, {}).setdefault(kind, chr(code))
    return forms


def join_arabic(text: str) -> str:
    """Replace Arabic letters by their joined forms, lam and alef by their ligature.

    Parameters
    ----------
    text : str
        In the order in which it is read.

    Notes
    -----
    A letter that has an initial form joins the letter after it, one that has a final form the letter before it; marks
    are no letters.
    """
    forms = _arabic_forms()
    letters: list[str] = []
    for letter in text:
        if letters and letters[-1] + letter in forms:
            letters[-1] += letter
        else:
            letters.append(letter)
    joined = list(letters)
    places = [at for at, letter in enumerate(letters) if unicodedata.category(letter[0]) != "Mn"]
    for number, at in enumerate(places):
        own = forms.get(letters[at])
        if own is None:
            continue
        before = forms.get(letters[places[number - 1]], {}) if number else {}
        after = forms.get(letters[places[number + 1]], {}) if number + 1 < len(places) else {}
        joins_next = "<initial>" in own and "<final>" in after
        joins_last = "<initial>" in before and "<final>" in own
        kind = ("<isolated>", "<initial>", "<final>", "<medial>")[joins_next + 2 * joins_last]
        joined[at] = own.get(kind, letters[at])
    return "".join(joined)
